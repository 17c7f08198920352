//! The plainest possible models: they keep every sample, walk each line in small steps, and know no closed form. The
//! engine must agree with them on every random history.

use crate::support::*;
use proptest::prelude::*;
use setward_alarm::{
    AverageReference, BatchEdge, Kind, Leak, MovingAverageSettings, Reference, Side, TimeWeightedSettings,
    Width,
};
use setward_protocol::{NoData, Reading};

/// Steps into which a line between two samples is cut.
const STEPS: u32 = 40;
/// And so many for the models that only compare times, which are quick.
const FINE: u32 = 200;
const GAP_S: f64 = 3.0;

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum What {
    Good(f64),
    Silent,
    Broken,
}

pub(crate) type History = Vec<(f64, What)>;
type Turns = Vec<(f64, bool)>;

/// Irregular samples of a value that sits, jumps and creeps about `middle`, with missing and broken ones among them.
pub(crate) fn histories(middle: f64, spread: f64) -> impl Strategy<Value = History> {
    let stretch = (-1.0..1.0_f64, -1.0..1.0_f64, 1..25_u32, 0.2..1.6_f64);
    let faults = proptest::collection::vec((0..260_usize, 0..4_u8, 0.0..9.0_f64), 0..7);
    (proptest::collection::vec(stretch, 3..12), faults).prop_map(move |(stretches, faults)| {
        let (mut history, mut now) = (Vec::new(), 0.0);
        for (from, to, count, step) in stretches {
            for index in 0..count {
                let fault = faults.iter().find(|fault| fault.0 == history.len());
                now += step + fault.map_or(0.0, |fault| if fault.1 == 3 { fault.2 } else { 0.0 });
                let share = f64::from(index) / f64::from(count);
                let value = middle + spread * (from + (to - from) * share);
                let what = match fault.map(|fault| fault.1) {
                    Some(0) => What::Broken,
                    Some(1 | 2) => What::Silent,
                    _ => What::Good(value),
                };
                history.push((now, what));
            }
        }
        history
    })
}

pub(crate) fn reading(what: What) -> Reading {
    match what {
        What::Good(value) => Reading::Good(value),
        What::Silent => Reading::Bad(NoData::NoReply),
        What::Broken => Reading::Bad(NoData::SensorFault),
    }
}

/// What the engine makes of a history.
pub(crate) fn engine(kind: Kind, history: &History) -> Turns {
    let mut bench = Bench::new(&[setward_alarm::AlarmSettings { poll_every: seconds(0.2), ..alarm(kind) }]);
    let mut monitor = bench.monitor();
    monitor.handle_batch(at(0.0), ALARM, BatchEdge::Begins);
    let mut events = Vec::new();
    for &(now, what) in history {
        if kind.other_signal().is_some() {
            events.extend(feed(&mut monitor, OTHER, now, Reading::Good(180.0)));
        }
        events.extend(feed(&mut monitor, SIGNAL, now, reading(what)));
    }
    turns(&events)
}

/// One small step of known time, or the end of it.
enum Tick {
    /// Up to this time the value was about this; `dt` long. Zero long: the first sample after unknown time.
    Known { t: f64, dt: f64, x: f64 },
    /// Nothing is known before the next step.
    Unknown,
    /// An input comes at this time; timers that are due run out first.
    Input { t: f64, last: Option<f64> },
    /// A sample ends here.
    Sample { t: f64 },
}

/// Walks a history; `held` keeps each value until the next sample, else it goes there in a straight line.
fn walk(history: &History, held: bool, steps: u32, mut see: impl FnMut(Tick)) {
    let mut last: Option<(f64, f64)> = None;
    for &(now, what) in history {
        see(Tick::Input { t: now, last: last.map(|last| last.0) });
        match what {
            What::Silent => {}
            What::Broken => {
                last = None;
                see(Tick::Unknown);
            }
            What::Good(value) => {
                match last.filter(|last| now - last.0 <= GAP_S) {
                    Some((then, before)) => {
                        let dt = (now - then) / f64::from(steps);
                        for step in 0..steps {
                            let share = (f64::from(step) + 0.5) / f64::from(steps);
                            let x = if held { before } else { before + (value - before) * share };
                            see(Tick::Known { t: then + dt * f64::from(step + 1), dt, x });
                        }
                    }
                    None => see(Tick::Unknown),
                }
                see(Tick::Known { t: now, dt: 0.0, x: value });
                see(Tick::Sample { t: now });
                last = Some((now, value));
            }
        }
    }
}

/// Beyond for so long, back for so long; and by how many seconds the closest of all decisions was decided.
fn delayed(
    history: &History,
    held: bool,
    (on_s, off_s): (f64, f64),
    deadband: f64,
    beyond: impl Fn(f64) -> f64,
) -> (Turns, f64) {
    let (mut found, mut active, mut raised) = (Turns::new(), false, 0.0);
    let (mut out, mut back, mut over): (Option<f64>, Option<f64>, Option<f64>) = (None, None, None);
    let (mut margin, mut seen) = (f64::INFINITY, 0.0);
    let closest = |t: f64, since: Option<f64>, delay: f64| {
        since.map_or(f64::INFINITY, |since: f64| (t - since - delay).abs())
    };
    // The end of all may be as close to a decision as anything else.
    let end = history.last().map(|(t, _)| (*t, What::Broken));
    let history: History = history.iter().copied().chain(end).collect();
    walk(&history, held, FINE, |tick| match tick {
        Tick::Sample { t } => seen = t,
        Tick::Unknown => {
            let open = [(out.take(), on_s), (back.take(), off_s), (over.take(), off_s)];
            margin = open
                .into_iter()
                .fold(margin, |margin, (since, delay)| margin.min(closest(seen, since, delay)));
        }
        Tick::Input { t, last } => {
            if let (Some(due), Some(last)) = (out.map(|since| since + on_s).filter(|_| !active), last) {
                margin = margin.min((due - t).abs()).min((due - last - GAP_S).abs());
                if due <= t && due - last <= GAP_S {
                    (active, raised) = (true, due);
                    found.push((due, true));
                }
            }
        }
        Tick::Known { t, dt, x } => {
            let y = beyond(x);
            if y <= 0.0 {
                margin = margin.min(closest(t, out.take(), on_s));
            } else {
                out = out.or(Some(t - dt));
            }
            if !active && out.is_some_and(|since| t - since >= on_s) {
                raised = out.unwrap() + on_s;
                active = true;
                found.push((raised, true));
            }
            if y > -deadband {
                // What has just cleared may as well not have.
                margin = margin.min(closest(t, back.take(), off_s)).min(closest(t, over.take(), off_s));
            } else if active {
                back = back.or(Some((t - dt).max(raised)));
            }
            if active && back.is_some_and(|since| t - since >= off_s) {
                active = false;
                found.push((back.unwrap() + off_s, false));
                over = back.take();
            }
        }
    });
    (found, margin)
}

/// A share that grows, fades and is compared.
fn dosed(history: &History, settings: &TimeWeightedSettings, allowance_s: f64) -> Turns {
    let (mut share, mut active, mut found) = (0.0_f64, false, Turns::new());
    let pick_up = match settings.leak {
        Leak::Inside => 1.0,
        Leak::Always { pick_up } => pick_up,
    };
    let recovery = settings.recovery.map_or(f64::INFINITY, |span| span.as_secs_f64());
    walk(history, false, STEPS, |tick| {
        let Tick::Known { t, dt, x } = tick else { return };
        let m = (182.0 - x) / (3.0 * pick_up);
        let leaks = m <= 1.0 || settings.leak != Leak::Inside;
        share *= if leaks { (-dt / recovery).exp() } else { 1.0 };
        if m > 1.0 {
            share = (share + dt * (m.powf(settings.shape) - 1.0) / allowance_s).min(3.0);
        }
        if !active && share >= 1.0 && m > 1.0 {
            active = true;
            found.push((t, true));
        } else if active && m <= 1.0 && share <= settings.clear_below {
            active = false;
            found.push((t, false));
        }
    });
    found
}

/// All cells of known time: start, length, value.
type Cells = Vec<(f64, f64, f64)>;

/// Cells of the last `window_s` before `t`, the oldest cut.
fn within(cells: &Cells, t: f64, window_s: f64) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
    let start = t - window_s;
    let young = cells.iter().rev().take_while(move |cell| cell.0 + cell.1 > start);
    young.map(move |&(from, dt, x)| {
        let cut = (start - from).max(0.0);
        (from + cut, dt - cut, x)
    })
}

/// The mean of a window against a level.
fn averaged(
    history: &History,
    held: bool,
    window_s: f64,
    level: f64,
    deadband: f64,
    value: impl Fn(f64) -> f64,
) -> Turns {
    let (mut cells, mut active, mut found) = (Cells::new(), false, Turns::new());
    walk(history, held, STEPS, |tick| {
        let Tick::Known { t, dt, x } = tick else { return };
        if dt == 0.0 {
            return;
        }
        cells.push((t - dt, dt, value(x)));
        let (area, known) = within(&cells, t, window_s)
            .fold((0.0, 0.0), |(area, known), (_, dt, x)| (area + dt * x, known + dt));
        if known < 0.75 * window_s {
            return;
        }
        let mean = area / known;
        if !active && mean > level || active && mean <= level - deadband {
            active = !active;
            found.push((t, active));
        }
    });
    found
}

/// The slope through a window, looked at with each sample.
fn sloped(history: &History, per_minute: f64, window_s: f64) -> Turns {
    let (mut cells, mut active, mut found) = (Cells::new(), false, Turns::new());
    walk(history, false, STEPS, |tick| match tick {
        Tick::Known { t, dt, x } if dt > 0.0 => cells.push((t - dt, dt, x)),
        Tick::Sample { t } => {
            let window: Cells = within(&cells, t, window_s).collect();
            let known: f64 = window.iter().map(|cell| cell.1).sum();
            if known < 0.75 * window_s {
                return;
            }
            let mean = |of: &dyn Fn(&(f64, f64, f64)) -> f64| {
                window.iter().map(|cell| cell.1 * of(cell)).sum::<f64>() / known
            };
            let middle = |cell: &(f64, f64, f64)| cell.0 + 0.5 * cell.1 - t;
            let (time, x) = (mean(&middle), mean(&|cell| cell.2));
            let slope = mean(&|cell| (middle(cell) - time) * (cell.2 - x))
                / mean(&|cell| (middle(cell) - time).powi(2));
            let slope = 60.0 * slope;
            if !active && slope > per_minute || active && slope <= 0.9 * per_minute {
                active = !active;
                found.push((t, active));
            }
        }
        Tick::Known { .. } | Tick::Unknown | Tick::Input { .. } => {}
    });
    found
}

/// The two-sided sum over means of known time, and how near it ever came to a decision without making it clear.
fn drifted(history: &History, slack: f64, decide: f64, block_s: f64, sigma: f64) -> (Turns, f64) {
    let (mut cells, mut active, mut found) = (Vec::<(f64, f64)>::new(), false, Turns::new());
    let (mut up, mut down, mut margin) = (0.0_f64, 0.0_f64, f64::INFINITY);
    walk(history, false, STEPS, |tick| {
        let Tick::Known { t, dt, x } = tick else { return };
        cells.push((dt, x));
        let known: f64 = cells.iter().map(|cell| cell.0).sum();
        if known < block_s {
            return;
        }
        let z = (cells.iter().map(|cell| cell.0 * cell.1).sum::<f64>() / known - 182.0) / sigma;
        cells.clear();
        // What the last step has too much belongs to the next mean.
        cells.push((known - block_s, x));
        (up, down) = ((up + z - slack).clamp(0.0, 3.0 * decide), (down - z - slack).clamp(0.0, 3.0 * decide));
        let level = if active { 0.5 * decide } else { decide };
        margin = margin.min((up.max(down) - level).abs());
        if !active && up.max(down) >= decide || active && up.max(down) < 0.5 * decide {
            active = !active;
            found.push((t, active));
        }
    });
    (found, margin)
}

/// The engine's turns are those of one of the models, which differ by a hair in level or delay: on the edge either is
/// right.
fn agree(found: &Turns, models: &[Turns], within_s: f64) -> Result<(), TestCaseError> {
    let same = |model: &Turns| {
        model.len() == found.len()
            && model.iter().zip(found).all(|(a, b)| a.1 == b.1 && (a.0 - b.0).abs() <= within_s)
    };
    prop_assert!(models.iter().any(same), "engine {:?}\nmodel {:?}", found, models);
    Ok(())
}

/// The engine's turns are the model's, unless a decision was closer than the model's steps can tell.
fn decided(found: &Turns, model: Turns, margin_s: f64) -> Result<(), TestCaseError> {
    if margin_s > 0.02 { agree(found, &[model], 0.02) } else { Ok(()) }
}

const HAIRS: [f64; 3] = [0.0, -1.0, 1.0];

fn shifted(model: impl Fn(f64) -> Turns) -> Vec<Turns> {
    HAIRS.iter().map(|hair| model(*hair)).collect()
}

/// Two knobs turned by a hair, each either way.
fn shifted_twice(model: impl Fn(f64, f64) -> Turns) -> Vec<Turns> {
    HAIRS.iter().flat_map(|one| HAIRS.iter().map(|other| model(*one, *other)).collect::<Vec<_>>()).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn a_limit_agrees(history in histories(182.0, 6.0), on_s in 0.0..8.0_f64, off_s in 0.0..8.0_f64, deadband in 0.0..2.0_f64) {
        let found = engine(limit(Side::Above, 184.0, deadband, on_s, off_s), &history);
        let (model, margin) = delayed(&history, false, (on_s, off_s), deadband, |x| x - 184.0);
        decided(&found, model, margin)?;
    }

    #[test]
    fn a_deviation_to_both_sides_agrees(history in histories(182.0, 9.0), on_s in 0.0..8.0_f64, off_s in 0.0..8.0_f64) {
        let found = engine(deviation(None, Reference::Recipe, Width::Tolerance, on_s, off_s), &history);
        let (model, margin) = delayed(&history, false, (on_s, off_s), 0.5, |x| (x - 186.0).max(179.0 - x));
        decided(&found, model, margin)?;
    }

    #[test]
    fn a_discrepancy_agrees(history in histories(180.0, 6.0), on_s in 0.0..8.0_f64, off_s in 0.0..8.0_f64) {
        let found = engine(discrepancy(2.5, 0.5, on_s, off_s), &history);
        let (model, margin) = delayed(&history, false, (on_s, off_s), 0.5, |x| (x - 180.0).abs() - 2.5);
        decided(&found, model, margin)?;
    }

    #[test]
    fn a_state_agrees(history in histories(0.5, 1.0), on_s in 0.0..8.0_f64, off_s in 0.0..8.0_f64) {
        let history: History = history.into_iter().map(|(t, what)| match what {
            What::Good(x) => (t, What::Good(f64::from(x > 0.7))),
            What::Silent | What::Broken => (t, what),
        }).collect();
        let found = engine(status(&[1], on_s, off_s, None), &history);
        let (model, margin) = delayed(&history, true, (on_s, off_s), 0.0, |x| x - 0.5);
        decided(&found, model, margin)?;
    }

    #[test]
    fn a_share_of_a_window_agrees(history in histories(0.5, 1.0), share in 0.1..0.9_f64) {
        let history: History = history.into_iter().map(|(t, what)| match what {
            What::Good(x) => (t, What::Good(f64::from(x > 0.7))),
            What::Silent | What::Broken => (t, what),
        }).collect();
        let found = engine(status(&[1], 0.0, 0.0, Some((share, 15.0))), &history);
        let models = shifted(|hair| averaged(&history, true, 15.0, share + 0.005 * hair, 0.0, |x| x));
        agree(&found, &models, 0.3)?;
    }

    #[test]
    fn a_mean_agrees(history in histories(182.0, 6.0), deadband in 0.05..1.0_f64, window_s in 4.0..40.0_f64) {
        let settings = MovingAverageSettings {
            side: Side::Above, reference: AverageReference::Limit(182.5), deadband, window: seconds(window_s), coverage: 0.75, ceiling: None,
        };
        let found = engine(average(settings), &history);
        let models = shifted(|hair| averaged(&history, false, window_s, 182.5 + 0.02 * hair, deadband, |x| x));
        agree(&found, &models, 1.0)?;
    }

    #[test]
    fn a_slope_agrees(history in histories(182.0, 6.0), per_minute in 5.0..40.0_f64, window_s in 4.0..30.0_f64) {
        let found = engine(rate(Side::Above, per_minute, window_s, None), &history);
        let models = shifted(|hair| sloped(&history, per_minute * (1.0 + 0.003 * hair), window_s));
        // The model names the sample that shows it, the engine a moment in the line that leads there.
        agree(&found, &models, GAP_S)?;
    }

    #[test]
    fn a_dose_agrees(history in histories(180.0, 9.0), shape in 0.3..2.5_f64, leaks: bool, pick_up in 1.0..1.5_f64) {
        let leak = if leaks { Leak::Always { pick_up } } else { Leak::Inside };
        let allowance = setward_alarm::Allowance::AtTwice(10.0);
        let settings = TimeWeightedSettings { allowance, recovery: Some(seconds(30.0)), shape, leak, ..FRYER_COLD };
        let found = engine(weighted(settings), &history);
        let allowance_s = 10.0 * (2.0_f64.powf(shape) - 1.0);
        let models = shifted_twice(|hair, clear| {
            let settings = TimeWeightedSettings { clear_below: 0.5 + 0.01 * clear, ..settings };
            dosed(&history, &settings, allowance_s * (1.0 + 0.01 * hair))
        });
        agree(&found, &models, 0.8)?;
    }

    #[test]
    fn a_batch_dose_agrees(history in histories(95.0, 60.0), most_s in 10.0..200.0_f64) {
        let found = engine(equivalent(None, Some(most_s)), &history);
        let model = |most_s: f64| {
            let (mut dose, mut turns) = (0.0, Turns::new());
            walk(&history, false, STEPS, |tick| {
                let Tick::Known { t, dt, x } = tick else { return };
                dose += dt * 10.0_f64.powf((x - 95.0) / 33.0);
                if dose > most_s && turns.is_empty() {
                    turns.push((t, true));
                }
            });
            turns
        };
        agree(&found, &shifted(|hair| model(most_s * (1.0 + 0.005 * hair))), 1.0)?;
    }

    #[test]
    fn a_drift_agrees(history in histories(182.0, 3.0), decide in 1.0..4.0_f64) {
        let found = engine(drift(0.5, decide, 2.0, 1.0), &history);
        let (model, margin) = drifted(&history, 0.5, decide, 6.0, 1.0);
        // The model's steps are coarse: on the edge of a decision it can't tell.
        if margin > 0.05 {
            agree(&found, &[model], 0.1)?;
        }
    }
}
