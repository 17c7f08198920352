//! What happens to the line in a stretch of virtual time, drawn from a seed: faults of process, instruments and controllers
//! of every kind, and what operators do.

use rand_core::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;
use setward::protocol::SignalId;
use setward_config::line::Line;
use std::collections::VecDeque;

const DAY_S: u64 = 86_400;

/// One thing that happens.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Planned {
    Begin(String),
    End(String),
    Operate(String),
}

/// Everything that happens, in order.
#[derive(Debug)]
pub(crate) struct Plan(pub(crate) VecDeque<(u64, Planned)>);

/// A fault with its severity drawn from `from` to `to`, in place of `{}`, and its length in minutes.
struct Template {
    text: &'static str,
    severity: (f64, f64),
    minutes: (f64, f64),
}

const fn fault(text: &'static str, severity: (f64, f64), minutes: (f64, f64)) -> Template {
    Template { text, severity, minutes }
}

const NONE: (f64, f64) = (0.0, 0.0);

const TEMPLATES: &[Template] = &[
    fault("heat-low {}", (2.0, 9.0), (10.0, 60.0)),
    fault("flow-low {}", (30.0, 43.0), (10.0, 40.0)),
    fault("wet-feed {}", (36.0, 46.0), (10.0, 60.0)),
    fault("screen-blocking {}", (0.1, 0.4), (20.0, 60.0)),
    fault("make-up-closed", NONE, (10.0, 50.0)),
    fault("burner-out TT-201", NONE, (1.0, 15.0)),
    fault("burner-out TT-202", NONE, (1.0, 15.0)),
    fault("burner-out", NONE, (1.0, 10.0)),
    fault("exhaust-lost", NONE, (0.5, 8.0)),
    fault("belt-slip ST-340 {}", (1.0, 8.0), (5.0, 40.0)),
    fault("belt-slip ST-220 {}", (1.0, 8.0), (5.0, 40.0)),
    fault("belt-slip ST-260 {}", (1.0, 20.0), (5.0, 40.0)),
    fault("baggers-stopped", NONE, (2.0, 20.0)),
    fault("setpoint-turned TIC-310-SP {}", (178.0, 188.0), (15.0, 90.0)),
    fault("setpoint-turned TIC-202-SP {}", (620.0, 670.0), (15.0, 90.0)),
    fault("setpoint-turned KIC-340-SP {}", (51.0, 60.0), (10.0, 60.0)),
    fault("setpoint-turned KIC-220-SP {}", (15.0, 17.5), (10.0, 60.0)),
    fault("setpoint-turned TIC-101-SP {}", (93.0, 98.0), (60.0, 180.0)),
    fault("loop-manual TIC-202-OUT {}", (40.0, 60.0), (10.0, 40.0)),
    fault("loop-manual TIC-310-OUT {}", (50.0, 75.0), (5.0, 25.0)),
    fault("valve-stuck TIC-310-OUT", NONE, (10.0, 40.0)),
    fault("valve-stuck TIC-101-OUT", NONE, (10.0, 40.0)),
    fault("steam-low {}", (2.0, 4.5), (10.0, 90.0)),
    fault("trap-failed TT-111", NONE, (60.0, 200.0)),
    fault("agitator-stopped TT-101", NONE, (10.0, 90.0)),
    fault("discharge-open TT-111", NONE, (0.5, 4.0)),
    fault("quench-low {}", (25.0, 85.0), (60.0, 240.0)),
    fault("sensor-break TT-310", NONE, (0.2, 15.0)),
    fault("sensor-break TT-313", NONE, (0.2, 15.0)),
    fault("sensor-break TT-202", NONE, (0.2, 15.0)),
    fault("sensor-break TT-101", NONE, (0.2, 15.0)),
    fault("sensor-break PT-120", NONE, (0.2, 15.0)),
    fault("stuck TT-310", NONE, (2.0, 30.0)),
    fault("stuck FT-320", NONE, (2.0, 30.0)),
    fault("stuck AT-243", NONE, (5.0, 30.0)),
    fault("drift TT-310 {}", (-0.4, 0.4), (10.0, 40.0)),
    fault("drift TT-203 {}", (-1.5, 1.5), (10.0, 60.0)),
    fault("drift PDT-351 {}", (0.0, 0.05), (10.0, 40.0)),
    fault("probe-slow TT-101 {}", (40.0, 120.0), (60.0, 200.0)),
    fault("shows TSHH-390 1", NONE, (0.5, 10.0)),
    fault("shows TSHH-290 1", NONE, (0.5, 10.0)),
    fault("shows YS-360 0", NONE, (0.5, 10.0)),
    fault("controller-silent fryer", NONE, (0.05, 10.0)),
    fault("controller-silent oven", NONE, (0.05, 10.0)),
    fault("controller-silent cook", NONE, (0.05, 10.0)),
    fault("controller-slow fryer 300 ms", NONE, (1.0, 20.0)),
    fault("controller-slow oven 900 ms", NONE, (0.5, 10.0)),
    fault("controller-exception fryer 4", NONE, (0.2, 10.0)),
    fault("controller-exception cook 6", NONE, (0.2, 10.0)),
    fault("controller-exception oven 2", NONE, (0.2, 10.0)),
    fault("controller-drop finish", NONE, (0.2, 10.0)),
    fault("controller-short oven", NONE, (0.2, 5.0)),
    fault("controller-restart fryer 40 s", NONE, (2.0, 3.0)),
    fault("controller-restart oven 20 s", NONE, (2.0, 3.0)),
    fault("controller-restart cook 40 s", NONE, (2.0, 3.0)),
    fault("heartbeat-stopped fryer", NONE, (0.1, 5.0)),
    fault("program-stopped cook", NONE, (0.1, 5.0)),
];

/// What operators do in a week, besides short stops: hour of the week, and what.
const WEEK: &[(f64, &str)] = &[
    (50.0, "hold"),
    (51.0, "run"),
    (120.0, "stop"),
    (126.0, "boil-out"),
    (129.5, "stop"),
    (134.0, "heat-up"),
    (136.0, "run"),
];

struct Draw(Pcg64Mcg);

impl Draw {
    fn share(&mut self) -> f64 {
        f64::from(self.0.next_u32()) / 2f64.powi(32)
    }

    fn between(&mut self, (low, high): (f64, f64)) -> f64 {
        low + (high - low) * self.share()
    }

    fn pick<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[(self.0.next_u64() % list.len() as u64) as usize]
    }
}

impl Plan {
    /// What happens in the first `seconds` of the run.
    pub(crate) fn draw(line: &Line, seed: u64, seconds: u64) -> Self {
        let mut draw = Draw(Pcg64Mcg::seed_from_u64(seed ^ 0x9E37_79B9));
        let mut all = Vec::new();
        let mut at = 600.0;
        while at < seconds as f64 {
            let template = draw.pick(TEMPLATES);
            let text = template.text.replace("{}", &format!("{:.2}", draw.between(template.severity)));
            let text = fitted(&text, line);
            let lasts = 60.0 * draw.between(template.minutes);
            all.push((at as u64, Planned::Begin(text.clone())));
            all.push(((at + lasts) as u64 + 1, Planned::End(text)));
            at += 60.0 * draw.between((20.0, 110.0));
        }
        for week in 0..=seconds / (7 * DAY_S) {
            for (hour, what) in WEEK {
                let at = week * 7 * DAY_S + (3600.0 * (hour + draw.share())) as u64;
                all.push((at, Planned::Operate((*what).to_owned())));
            }
        }
        for day in 0..=seconds / DAY_S {
            // The feed stops for a while, unless the line stands anyway.
            let hour = draw.between((0.0, 23.0));
            let of_week = (day % 7) as f64 * 24.0 + hour;
            if !(49.0..53.0).contains(&of_week) && of_week < 119.0 {
                let at = day * DAY_S + (3600.0 * hour) as u64;
                all.push((at, Planned::Operate("stop-feed".to_owned())));
                all.push((
                    at + (60.0 * draw.between((0.5, 30.0))) as u64,
                    Planned::Operate("run".to_owned()),
                ));
            }
        }
        all.retain(|(at, _)| *at < seconds);
        all.sort_by_key(|(at, _)| *at);
        Self(all.into())
    }

    pub(crate) fn len(&self) -> usize {
        self.0.len()
    }

    /// The next thing that is due in this second.
    pub(crate) fn due(&mut self, second: u64) -> Option<Planned> {
        self.0.front().filter(|(at, _)| *at <= second)?;
        self.0.pop_front().map(|(_, planned)| planned)
    }
}

/// Panels take whole seconds and degF, others tenths: a register must be able to say what is entered.
fn fitted(text: &str, line: &Line) -> String {
    let words: Vec<_> = text.split(' ').collect();
    let ["setpoint-turned", tag, value] = words.as_slice() else { return text.to_owned() };
    let scale = line.signal(line.signal_by_tag(tag).unwrap()).register().unwrap().wire.scale;
    let value: f64 = value.parse().unwrap();
    format!("setpoint-turned {tag} {:.1}", (value / scale).round() * scale)
}

/// Signals whose instrument says something else than what is, while `fault` is at work.
pub(crate) fn lies_about(fault: &str, line: &Line) -> Vec<SignalId> {
    let words: Vec<_> = fault.split_whitespace().collect();
    match words.as_slice() {
        ["drift" | "stuck" | "probe-slow" | "shows", tag, ..] => {
            line.signal_by_tag(tag).into_iter().collect()
        }
        // Where the file says nothing of it, nobody can know that a program has started again: its zeros are lies.
        ["controller-restart", name, ..] if counts(name, line) => Vec::new(),
        ["program-stopped" | "controller-restart", name, ..] => {
            let of = |id: &SignalId| {
                let own = line.signal(*id).register();
                own.is_some_and(|own| line.controller(own.controller).name == *name)
            };
            line.signals_with_ids().map(|(id, _)| id).filter(of).collect()
        }
        _ => Vec::new(),
    }
}

/// Whether the line file says that a controller's words are zero after a start of its program, and which word shows it.
fn counts(name: &str, line: &Line) -> bool {
    line.controllers.iter().any(|controller| controller.name == name && controller.zeroed_after_restart > 0)
}

/// The controller whose words are all zero when `fault` begins, and for how long, s.
pub(crate) fn zeroes(fault: &str, line: &Line) -> Option<(usize, f64)> {
    let words: Vec<_> = fault.split_whitespace().collect();
    let ["controller-restart", name, seconds, "s"] = words.as_slice() else { return None };
    let controller = line.controllers.iter().position(|controller| controller.name == *name)?;
    counts(name, line).then_some(())?;
    Some((controller, seconds.parse().ok()?))
}
