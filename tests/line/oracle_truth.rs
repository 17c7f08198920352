//! The second oracle: alarms against the truth of the plant.
//!
//! The truth is what a healthy instrument without noise would say, once a second, whatever the bus did. Each alarm has two
//! plain models of it: one that must raise (1.2 times the allowance, beyond the level by more than the noise) and one that
//! may (0.8 times, nearer by as much). An instrument that lies, by drift or a frozen program, is nobody's miss.

use crate::oracle::{Tally, Watch};
use crate::oracle_models::{Ease, Follower, Model, Turn};
use crate::oracle_windows::window_s;
use setward::alarm::{AlarmId, Kind, Watched};
use setward::history::NewSample;
use setward::protocol::{NoData, Reading, SignalId};
use setward_config::line::{Line, LineAlarm};
use sim_plc::Look;
use std::collections::VecDeque;

/// Least share of the time that must be known to call an alarm missed.
const COVERAGE: f64 = 0.9;
/// A signal of which more than this share of five minutes was good must not be called unusable; what its controller was silent does not
/// count against it, so that its own share is no smaller than the one counted here.
const GOOD_ENOUGH: f64 = 0.75;
/// Readings are remembered for so long, s.
const READINGS_KEPT_S: f64 = 330.0;
/// Noise this many standard deviations wide is not expected to carry a value over a level, nor back.
const SIGMAS: f64 = 5.0;
/// After an instrument has lied its alarms are not judged for so long, s.
const LIE_TAIL_S: f64 = 900.0;
/// Unknown stretches are kept for so long, s.
const UNKNOWN_KEPT_S: f64 = 14_400.0;

#[derive(Debug)]
struct Judged {
    id: String,
    alarm: AlarmId,
    signals: Vec<SignalId>,
    must: Follower,
    may: Follower,
    /// The last moment at which nothing was under way.
    quiet: f64,
    /// The last moment at which it might raise.
    may_last: f64,
    may_was: bool,
    must_since_may: bool,
    /// How late the engine may be, and how long what was may still count, s.
    slack_s: f64,
    memory_s: f64,
    collects: bool,
    /// Raises that must come: when it was certain, and since when something was under way.
    due: VecDeque<(f64, f64)>,
    raises: VecDeque<f64>,
}

#[derive(Debug, Clone, Default)]
struct Known {
    last_good: f64,
    /// First reading without a value since then.
    bad_since: Option<f64>,
    unknown: VecDeque<(f64, f64)>,
    /// How many faults make it lie now: one that ends does not mend the others.
    lies: u32,
    /// When the last of those that have ended is forgotten.
    lied_until: f64,
    gap_s: f64,
    /// Readings of the last five minutes and a little: when, for how long each speaks, s, and whether it is good.
    readings: VecDeque<(f64, f64, bool)>,
    last_at: f64,
}

impl Known {
    fn has_lied_since(&self, at: f64) -> bool {
        self.lies > 0 || self.lied_until >= at
    }

    fn hear(&mut self, at: f64, is_good: bool) {
        self.readings.push_back((at, (at - self.last_at).max(0.0), is_good));
        while self.readings.front().is_some_and(|(then, ..)| then + READINGS_KEPT_S < at) {
            self.readings.pop_front();
        }
        self.last_at = at;
    }

    /// The good share of the five minutes before a turn, as the alarm counts them: in pieces of half a minute, the one under way included.
    fn good_share(&self, turned: f64) -> f64 {
        let from = (turned / 30.0).floor() * 30.0 - 270.0;
        let within = self.readings.iter().filter(|(at, ..)| (from..=turned).contains(at));
        let (good, all) = within.fold((0.0, 0.0), |(good, all), (_, passed, is_good)| {
            (good + if *is_good { *passed } else { 0.0 }, all + passed)
        });
        if all > 0.0 { good / all } else { 1.0 }
    }
}

/// Alarms that keep another silent while they stand.
#[derive(Debug)]
struct Blockers {
    /// What follows from them is not told.
    causes: Vec<AlarmId>,
    /// Those of its instrument and its controller.
    blinding: Vec<AlarmId>,
}

/// Why an alarm is silent besides its modes and conditions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Blocked {
    /// A cause stands: behind it the value has its time to return.
    Hidden,
    /// Nothing good is read.
    Blind,
}

/// The truth beside the line.
#[derive(Debug)]
pub(crate) struct Truth {
    /// One for each watch; `None` where the truth is not known.
    judged: Vec<Option<Judged>>,
    known: Vec<Known>,
    /// By alarm: whether it stands, and when it last turned.
    standing: Vec<(bool, f64)>,
    /// By controller: when it last said something that can be believed.
    heard: Vec<f64>,
    /// By controller: from when to when its words were last zero.
    zeroed: Vec<(f64, f64)>,
    /// By alarm: whether it was told to nobody when it raised, nor since: then it hides nothing.
    untold: Vec<bool>,
    /// For each watch: alarms that keep it silent while they stand, besides its modes and conditions.
    blockers: Vec<Blockers>,
    links: Vec<(AlarmId, String, usize)>,
    instruments: Vec<(AlarmId, String, SignalId)>,
}

impl Judged {
    fn new(line: &Line, watch: &Watch) -> Option<Self> {
        let alarm = line.alarm(watch.alarm);
        let signals: Vec<_> = [Some(watch.signal), watch.other].into_iter().flatten().collect();
        let registers: Option<Vec<_>> = signals.iter().map(|id| line.signal(*id).register()).collect();
        let registers = registers?;
        let target = line.recipe_setpoint(watch.signal).map(|asked| asked.target);
        let noise: f64 = signals.iter().map(|id| line.signal(*id).simulate.noise.powi(2)).sum::<f64>().sqrt();
        let margin = SIGMAS * noise + registers.iter().map(|own| own.wire.scale.abs()).fold(0.0, f64::max);
        let poll_s = registers.iter().map(|own| own.poll_every.as_secs_f64()).fold(0.0, f64::max);
        let model = |allowance, nearer, extra_s, known| {
            Model::of(&alarm.settings.kind, target, Ease { allowance, nearer, extra_s, known })
        };
        let margin = match alarm.settings.kind {
            // No noise reaches a code.
            Kind::Status(_) => 0.0,
            // Exposure fades with each dip of the noise into the tolerance: within so much of it, either may be right.
            Kind::TimeWeighted(_) => 2.0 * noise,
            Kind::Limit(_)
            | Kind::Deviation(_)
            | Kind::MovingAverage(_)
            | Kind::Discrepancy(_)
            | Kind::Rate(_)
            | Kind::EquivalentTime(_)
            | Kind::Drift(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_) => margin,
        };
        let (must, may) = (
            model(1.2, -margin, 2.0 * poll_s + 1.0, COVERAGE)?,
            model(0.8, margin, -2.0 * poll_s - 1.0, 1.0)?,
        );
        let (gap_s, collects) = (alarm.settings.gap_limit.as_secs_f64(), !matches!(must, Model::Delayed(_)));
        let memory_s = memory_s(&alarm.settings.kind);
        Some(Self {
            id: alarm.id.clone(),
            alarm: watch.alarm,
            signals,
            must: Follower::new(must, 10.0),
            may: Follower::new(may, 10.0),
            quiet: 0.0,
            may_last: f64::NEG_INFINITY,
            may_was: false,
            must_since_may: false,
            slack_s: 2.0 * gap_s + 5.0,
            memory_s,
            collects,
            due: VecDeque::new(),
            raises: VecDeque::new(),
        })
    }
}

/// How long what was may still raise an alarm, s.
fn memory_s(kind: &Kind) -> f64 {
    match kind {
        Kind::TimeWeighted(settings) => settings.recovery.map_or(600.0, |span| 3.0 * span.as_secs_f64()),
        Kind::MovingAverage(_) | Kind::Rate(_) => window_s(kind),
        Kind::Limit(_)
        | Kind::Deviation(_)
        | Kind::Discrepancy(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Drift(_)
        | Kind::Measurement(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => 30.0,
    }
}

fn blockers_of(line: &Line, watch: &Watch) -> Blockers {
    let own = line.alarm(watch.alarm).settings;
    let blinds = |alarm: &LineAlarm| match (alarm.settings.kind, alarm.settings.watches) {
        (Kind::Measurement(_), Watched::Signal(signal)) => signal == watch.signal,
        (Kind::Communication(_), Watched::Controller(controller)) => own.controller == Some(controller),
        _ => false,
    };
    let all = |wanted: &dyn Fn(&LineAlarm) -> bool| {
        line.alarms_with_ids().filter(|(_, alarm)| wanted(alarm)).map(|(id, _)| id).collect()
    };
    Blockers { causes: all(&|alarm| alarm.hides.contains(&watch.alarm)), blinding: all(&blinds) }
}

impl Truth {
    pub(crate) fn new(line: &Line, watches: &[Watch]) -> Self {
        let of_kind = |wanted: fn(&Kind) -> bool| {
            line.alarms_with_ids().filter(move |(_, alarm)| wanted(&alarm.settings.kind))
        };
        let links = of_kind(|kind| matches!(kind, Kind::Communication(_))).filter_map(|(id, alarm)| {
            match alarm.settings.watches {
                Watched::Controller(controller) => Some((id, alarm.id.clone(), usize::from(controller.0))),
                Watched::Signal(_) | Watched::Server(_) => None,
            }
        });
        let instruments = of_kind(|kind| matches!(kind, Kind::Measurement(_)))
            .filter_map(|(id, alarm)| Some((id, alarm.id.clone(), alarm.settings.watches.signal()?)));
        let known = |(id, _)| Known {
            gap_s: line.gap_limit(id).as_secs_f64(),
            readings: VecDeque::new(),
            lies: 0,
            lied_until: f64::NEG_INFINITY,
            ..Known::default()
        };
        Self {
            judged: watches.iter().map(|watch| Judged::new(line, watch)).collect(),
            known: line.signals_with_ids().map(known).collect(),
            standing: vec![(false, 0.0); line.alarms.len()],
            untold: vec![false; line.alarms.len()],
            heard: vec![0.0; line.controllers.len()],
            zeroed: vec![(0.0, 0.0); line.controllers.len()],
            blockers: watches.iter().map(|watch| blockers_of(line, watch)).collect(),
            links: links.collect(),
            instruments: instruments.collect(),
        }
    }

    /// Why the alarm of a watch is silent besides its modes and conditions, if it is.
    pub(crate) fn blocked(&self, place: usize) -> Option<Blocked> {
        let Blockers { causes, blinding } = &self.blockers[place];
        let stands = |alarm: &AlarmId| self.standing[alarm.index()].0;
        if causes.iter().any(|cause| stands(cause) && !self.untold[cause.index()]) {
            return Some(Blocked::Hidden);
        }
        blinding.iter().any(stands).then_some(Blocked::Blind)
    }

    /// An alarm was told of, or raised and was told to nobody.
    pub(crate) fn told(&mut self, alarm: AlarmId, to_nobody: bool) {
        self.untold[alarm.index()] = to_nobody;
    }

    /// Whether the condition of an alarm holds, as the engine says.
    pub(crate) fn stands(&self, alarm: AlarmId) -> bool {
        self.standing[alarm.index()].0
    }

    pub(crate) fn lies(&mut self, signals: &[SignalId], now: f64, begins: bool) {
        for signal in signals {
            let known = &mut self.known[signal.index()];
            if begins {
                known.lies += 1;
            } else {
                known.lies = known.lies.checked_sub(1).unwrap();
                known.lied_until = now + LIE_TAIL_S;
            }
        }
    }

    pub(crate) fn zeroed(&mut self, controller: usize, from: f64, until: f64) {
        self.zeroed[controller] = (from, until);
    }

    pub(crate) fn is_zeroed(&self, signal: SignalId, at: f64, line: &Line) -> bool {
        line.signal(signal).register().is_some_and(|own| {
            let (from, until) = self.zeroed[usize::from(own.controller.0)];
            (from..until).contains(&at)
        })
    }

    pub(crate) fn batch(&mut self, place: usize, at: f64, begins: bool) {
        if let Some(judged) = &mut self.judged[place] {
            let Judged { must, may, .. } = judged;
            must.model.batch(at, begins, &mut must.turns);
            may.model.batch(at, begins, &mut may.turns);
        }
    }

    pub(crate) fn start_over(&mut self, place: usize) {
        if let Some(judged) = &mut self.judged[place] {
            judged.must.model.start_over();
            judged.may.model.start_over();
        }
    }

    /// A scan has been delivered.
    pub(crate) fn heard(&mut self, at: f64, scan: &[NewSample], line: &Line) {
        for sample in scan {
            let known = &mut self.known[usize::from(sample.signal)];
            let is_good = sample.reading.good().is_some();
            known.hear(at, is_good);
            if is_good {
                if at - known.last_good > known.gap_s {
                    known.unknown.push_back((known.last_good, at));
                }
                while known.unknown.front().is_some_and(|gap| gap.1 + UNKNOWN_KEPT_S < at) {
                    known.unknown.pop_front();
                }
                (known.last_good, known.bad_since) = (at, None);
            } else {
                known.bad_since.get_or_insert(at);
            }
            let believed = match sample.reading {
                Reading::Good(_) | Reading::Uncertain(..) => true,
                Reading::Bad(NoData::HeartbeatStopped | NoData::Restarting) => false,
                Reading::Bad(why) => !why.is_silence(),
            };
            if let Some(register) = line.signals[usize::from(sample.signal)].register().filter(|_| believed) {
                self.heard[usize::from(register.controller.0)] = at;
            }
        }
    }

    /// The condition of an alarm has turned, as the engine says.
    pub(crate) fn turned(&mut self, alarm: AlarmId, turn: Turn) {
        self.standing[alarm.index()] = (turn.1, turn.0);
        // Once a signal can be trusted again, its share is counted anew.
        let cleared = self.instruments.iter().find(|(of, ..)| *of == alarm && !turn.1);
        if let Some((.., signal)) = cleared {
            self.known[signal.index()].readings.clear();
        }
        if turn.1
            && let Some(judged) = self.judged.iter_mut().flatten().find(|judged| judged.alarm == alarm)
        {
            judged.raises.push_back(turn.0);
        }
    }

    /// The truth at `now`.
    pub(crate) fn step(&mut self, now: f64, look: &Look, tally: &mut Tally, told: &mut Vec<String>) {
        for place in 0..self.judged.len() {
            let Some(judged) = &mut self.judged[place] else { continue };
            let value = match judged.signals.as_slice() {
                [one] => look.healthy[one.index()],
                [one, other, ..] => look.healthy[one.index()] - look.healthy[other.index()],
                [] => continue,
            };
            judged.take(now, value, tally);
            self.judge_raises(place, now, tally, told);
            self.judge_due(place, now, tally, told);
        }
        if (now as u64).is_multiple_of(5) {
            self.judge_links(now, tally, told);
            self.judge_instruments(now, tally, told);
        }
    }

    fn judge_raises(&mut self, place: usize, now: f64, tally: &mut Tally, told: &mut Vec<String>) {
        let Some(judged) = &mut self.judged[place] else { return };
        let Some(raised) = judged.raises.front().copied().filter(|raised| raised + judged.slack_s < now)
        else {
            return;
        };
        judged.raises.pop_front();
        if judged.may_last >= raised - judged.memory_s {
            return;
        }
        let lied = judged.signals.iter().any(|signal| self.known[signal.index()].has_lied_since(raised));
        if lied {
            tally.lied += 1;
        } else {
            tally.false_alarms += 1;
            told.push(format!("{}: false, raised at {raised:.1} s", judged.id));
        }
    }

    fn judge_due(&mut self, place: usize, now: f64, tally: &mut Tally, told: &mut Vec<String>) {
        let Some(judged) = &mut self.judged[place] else { return };
        let Some((certain, from)) = judged.due.front().copied().filter(|due| due.0 + judged.slack_s < now)
        else {
            return;
        };
        judged.due.pop_front();
        tally.must += 1;
        let (stands, turned) = self.standing[judged.alarm.index()];
        if stands || turned >= from {
            return;
        }
        let span = now - from;
        let signals = judged.signals.iter().map(|signal| &self.known[signal.index()]);
        let least = signals.clone().map(|known| 1.0 - known.unknown_s(from, now) / span).fold(1.0, f64::min);
        let enough = if judged.collects { least >= COVERAGE } else { least >= 1.0 };
        if signals.clone().any(|known| known.has_lied_since(from)) {
            tally.lied += 1;
        } else if !enough {
            tally.unseen += 1;
        } else {
            tally.missed += 1;
            told.push(format!(
                "{}: missed, certain at {certain:.1} s, under way since {from:.1} s",
                judged.id
            ));
        }
    }

    /// A controller that has said nothing to believe for 12 s and three polls is lost; for less than 10 it is not.
    fn judge_links(&mut self, now: f64, tally: &mut Tally, told: &mut Vec<String>) {
        for (alarm, id, controller) in &self.links {
            let silent_s = now - self.heard[*controller];
            let (stands, turned) = self.standing[alarm.index()];
            if !stands && silent_s > 25.0 {
                tally.missed += 1;
                told.push(format!("{id}: missed, silent for {silent_s:.1} s at {now} s"));
            } else if stands
                && now - turned < 5.0
                && silent_s < 5.0
                && turned - self.heard[*controller] < -5.0
            {
                tally.false_alarms += 1;
                told.push(format!("{id}: false at {turned:.1} s, heard {silent_s:.1} s ago"));
            }
        }
    }

    /// A signal without a value for long must be told; one that had values must not.
    fn judge_instruments(&mut self, now: f64, tally: &mut Tally, told: &mut Vec<String>) {
        for (alarm, id, signal) in &self.instruments {
            let known = &self.known[signal.index()];
            let (stands, turned) = self.standing[alarm.index()];
            let bad_s = known.bad_since.map_or(0.0, |since| now - since);
            if !stands && bad_s > 25.0 {
                tally.missed += 1;
                told.push(format!("{id}: missed, bad for {bad_s:.1} s at {now} s"));
            } else if stands && turned > now - 5.0 && bad_s == 0.0 && known.good_share(turned) > GOOD_ENOUGH {
                let had = known.unknown.back().map_or(0.0, |gap| gap.1 - gap.0);
                if had < 8.0 {
                    tally.false_alarms += 1;
                    told.push(format!(
                        "{id}: false at {turned:.1} s, good share {:.2}",
                        known.good_share(turned)
                    ));
                }
            }
        }
    }
}

impl Judged {
    fn take(&mut self, now: f64, value: f64, tally: &mut Tally) {
        self.must.take(now, Reading::Good(value));
        self.may.take(now, Reading::Good(value));
        self.may.turns.clear();
        let may = self.may.model.is_active();
        if may {
            self.may_last = now;
        } else if self.may_was && !self.must_since_may {
            tally.undecided += 1;
        }
        self.must_since_may &= may;
        self.may_was = may;
        for (certain, begins) in std::mem::take(&mut self.must.turns) {
            if begins {
                self.must_since_may = true;
                self.due.push_back((certain, self.quiet));
            }
        }
        if self.may.model.is_at_rest() {
            self.quiet = now;
        }
    }
}

impl Known {
    /// Unknown seconds from `from` to `now`.
    fn unknown_s(&self, from: f64, now: f64) -> f64 {
        let open = (now - self.last_good > self.gap_s).then_some((self.last_good, now));
        let gaps = self.unknown.iter().copied().chain(open);
        gaps.map(|gap| (gap.1.min(now) - gap.0.max(from)).max(0.0)).sum()
    }
}
