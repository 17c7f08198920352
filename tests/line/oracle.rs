//! The oracle: sees every sample and event on its way to history, and the truth beside them, and judges.
//!
//! (i) *Delivered samples*: every turn of an alarm's condition equals a plain model's, fed with the same samples
//! (`oracle_models.rs`). Kinds that collect over time are compared from where their collection last began anew.
//! (ii) *Truth*: an alarm is *missed* if the true exposure passed 1.2 times the allowance with at least 90 % of the time
//! known and it did not raise, *false* if it raised although the true exposure never passed 0.8 times; what lies between
//! is undecided, counted and told (`oracle_truth.rs`). (iii) *Wrong values*: a good value that no register said.

use crate::oracle_models::{EXACT, Follower, Model, Turn};
use crate::oracle_stations::{Stations, all_hold};
use crate::oracle_truth::{Blocked, Truth};
use crate::oracle_windows::window_s;
use setward::alarm::AlarmId;
use setward::history::{Batch, Event, NewSample};
use setward::protocol::{NoData, Reading, SignalId};
use setward_config::line::{Line, LineAlarm, Meaning, Origin};
use sim_plc::Look;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

/// Events kept to be told when something is wrong.
const EVENTS_TOLD: usize = 50;
/// A turn that has not found its like after this is a difference, s.
const LATE_S: f64 = 40.0;
/// How far apart turns may be where the beginning is not known exactly, s.
const LOOSE_S: f64 = 15.0;
/// Differences that are told in full.
const TOLD_MOST: usize = 60;
/// And of those about the same sort of alarm.
const ALIKE_MOST: usize = 4;

/// What an oracle has counted.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tally {
    pub(crate) samples: u64,
    pub(crate) good: u64,
    pub(crate) wrong: u64,
    pub(crate) turns_equal: u64,
    pub(crate) turns_different: u64,
    /// Turns of kinds that collect, while what they collected was not to count.
    pub(crate) turns_not_compared: u64,
    pub(crate) modes: u64,
    pub(crate) raised: u64,
    pub(crate) called_for: u64,
    /// Of those, how many by the first part of the alarm's id.
    pub(crate) called_by: BTreeMap<String, u64>,
    pub(crate) must: u64,
    pub(crate) missed: u64,
    pub(crate) false_alarms: u64,
    pub(crate) undecided: u64,
    /// Too little known to say that an alarm was missed.
    pub(crate) unseen: u64,
    /// The instrument lied: nobody could know.
    pub(crate) lied: u64,
}

/// Whether what a kind collects counts.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Gate {
    Closed,
    Settling { until: f64 },
    Open { since: f64 },
}

/// An alarm that judges values.
#[derive(Debug)]
pub(crate) struct Watch {
    pub(crate) alarm: AlarmId,
    pub(crate) signal: SignalId,
    pub(crate) other: Option<SignalId>,
    follower: Follower,
    /// The two values of one scan, for a difference.
    pair: [Option<(f64, Reading)>; 2],
    gate: Gate,
    speaks: bool,
    /// What its own conditions said last.
    may_speak: bool,
    /// Its batch begins with this scan.
    begins: bool,
    in_batch: Option<bool>,
    expected: VecDeque<Turn>,
    found: VecDeque<Turn>,
    within_s: f64,
    /// Something else kept it silent when its collection began anew: it may have begun a gap's time earlier or later.
    loose: bool,
    /// It stands since a turn that was not compared; so does the model.
    stands_unseen: bool,
    model_unseen: bool,
}

/// The oracle.
#[derive(Debug)]
pub(crate) struct Oracle {
    line: Arc<Line>,
    good: Vec<Option<f64>>,
    stations: Stations,
    watches: Vec<Watch>,
    /// Watches that a signal feeds.
    fed_by: Vec<Vec<usize>>,
    truth: Truth,
    /// The last looks at the plant, newest last.
    looks: VecDeque<(u64, Vec<Option<f64>>)>,
    recent: VecDeque<String>,
    complaints: Vec<String>,
    /// Events of alarms whose id begins so are printed.
    pub(crate) tell: Option<String>,
    pub(crate) tally: Tally,
    /// Of everything that went to history, in its order.
    pub(crate) hash: u64,
}

impl Watch {
    fn new(line: &Line, alarm: AlarmId, found: &LineAlarm) -> Option<Self> {
        let signal = found.settings.watches.signal()?;
        // What people enter, and what follows from hours of batches and feedings, is tested elsewhere: the plant's truth
        // does not hold it.
        let is_measured = |id: SignalId| match line.signal(id).origin {
            Origin::Register(_) | Origin::Derived(_) => true,
            Origin::Entered | Origin::Followed(_) => false,
        };
        let others = [found.settings.kind.other_signal(), found.band.as_ref().map(|band| band.age)];
        if !is_measured(signal) || !others.into_iter().flatten().all(is_measured) {
            return None;
        }
        let target = line.recipe_setpoint(signal).map(|asked| asked.target);
        let model = Model::of(&found.settings.kind, target, EXACT)?;
        let gap_s = found.settings.gap_limit.as_secs_f64();
        let within_s = match &model {
            Model::Delayed(_) => 0.01,
            Model::Dosed(_) => 0.3,
            // The model names the sample that shows it, the engine a moment in the line that leads there.
            Model::Averaged(_) | Model::Sloped(_) | Model::Cooked(_) => gap_s,
        };
        Some(Self {
            alarm,
            signal,
            other: found.settings.kind.other_signal(),
            follower: Follower::new(model, gap_s),
            pair: [None, None],
            gate: Gate::Open { since: 0.0 },
            speaks: true,
            may_speak: true,
            begins: false,
            in_batch: None,
            expected: VecDeque::new(),
            found: VecDeque::new(),
            within_s,
            loose: false,
            stands_unseen: false,
            model_unseen: false,
        })
    }

    /// What the model says, unless it is too early to be compared, or ends what was.
    fn expect(&mut self, turn: Turn, since: f64) {
        if turn.0 <= since {
            self.model_unseen = turn.1;
        } else if turn.1 || !std::mem::take(&mut self.model_unseen) {
            self.expected.push_back(turn);
        }
    }

    fn collects(&self) -> bool {
        !matches!(self.follower.model, Model::Delayed(_))
    }

    /// A reading of its signal, or of the one it is compared with.
    fn feed(&mut self, signal: SignalId, at: f64, reading: Reading) {
        let Some(other) = self.other else { return self.follower.take(at, reading) };
        self.pair[usize::from(signal == other)] = Some((at, reading));
        let [Some((one_at, one)), Some((other_at, other))] = self.pair else { return };
        if one_at != other_at {
            return self.follower.pass(at);
        }
        let both = match (one, other) {
            (Reading::Good(one), Reading::Good(other)) => Reading::Good(one - other),
            (Reading::Bad(why), _) | (_, Reading::Bad(why)) if !why.is_silence() => Reading::Bad(why),
            (Reading::Uncertain(..), _) | (_, Reading::Uncertain(..)) => Reading::Bad(NoData::SensorFault),
            (Reading::Bad(why), _) | (_, Reading::Bad(why)) => Reading::Bad(why),
        };
        self.follower.take(at, both);
    }
}

impl Oracle {
    pub(crate) fn new(line: Arc<Line>) -> Self {
        let watches: Vec<_> =
            line.alarms_with_ids().filter_map(|(id, alarm)| Watch::new(&line, id, alarm)).collect();
        let mut fed_by = vec![Vec::new(); line.signals.len()];
        for (place, watch) in watches.iter().enumerate() {
            for signal in [Some(watch.signal), watch.other].into_iter().flatten() {
                fed_by[signal.index()].push(place);
            }
        }
        Self {
            good: vec![None; line.signals.len()],
            stations: Stations::new(&line),
            truth: Truth::new(&line, &watches),
            watches,
            fed_by,
            looks: VecDeque::new(),
            recent: VecDeque::new(),
            complaints: Vec::new(),
            tell: std::env::var("SETWARD_TELL").ok(),
            tally: Tally::default(),
            hash: 0xcbf2_9ce4_8422_2325,
            line,
        }
    }

    /// The truth of the second that begins now, `second` of the run.
    pub(crate) fn see(&mut self, second: u64, look: &Look) {
        let mut shown = if self.looks.len() >= 4 { self.looks.pop_front().unwrap().1 } else { Vec::new() };
        shown.clone_from(&look.shown);
        self.looks.push_back((second, shown));
        let mut told = Vec::new();
        self.truth.step(second as f64, look, &mut self.tally, &mut told);
        self.complain(told);
    }

    /// An instrument, or a whole controller's, begins to lie or stops it.
    pub(crate) fn lies(&mut self, signals: &[SignalId], now: f64, begins: bool) {
        self.truth.lies(signals, now, begins);
    }

    /// What goes to history.
    pub(crate) fn take(&mut self, batch: &Batch) {
        let line = Arc::clone(&self.line);
        for scan in batch.samples.chunk_by(|one, next| is_one_scan(&line, one, next)) {
            self.take_scan(scan);
        }
        for event in &batch.events {
            self.take_event(event);
        }
        if let Some(last) = batch.samples.last() {
            self.compare(last.at.as_secs_f64());
        }
    }

    fn mix(&mut self, number: u64) {
        self.hash = (self.hash ^ number).wrapping_mul(0x0000_0100_0000_01b3).rotate_left(23);
    }

    fn take_scan(&mut self, scan: &[NewSample]) {
        let at = scan[0].at.as_secs_f64();
        for sample in scan {
            self.tally.samples += 1;
            self.mix(sample.at.as_nanos() ^ u64::from(sample.signal) << 48);
            if let Reading::Good(value) = sample.reading {
                self.tally.good += 1;
                self.mix(value.to_bits());
                self.check_value(sample, value);
            }
            self.good[usize::from(sample.signal)] = sample.reading.good();
        }
        self.truth.heard(at, scan, &self.line);
        self.stations.follow(at, &self.good, &self.line);
        for place in 0..self.watches.len() {
            self.close_gate(place, at);
        }
        for sample in scan {
            for index in 0..self.fed_by[usize::from(sample.signal)].len() {
                let watch = &mut self.watches[self.fed_by[usize::from(sample.signal)][index]];
                watch.feed(SignalId(sample.signal), at, sample.reading);
                let turns = std::mem::take(&mut watch.follower.turns);
                match watch.gate {
                    Gate::Open { since } => turns.into_iter().for_each(|turn| watch.expect(turn, since)),
                    Gate::Closed | Gate::Settling { .. } if watch.collects() => {}
                    Gate::Closed | Gate::Settling { .. } => watch.expected.extend(turns),
                }
            }
        }
        for place in 0..self.watches.len() {
            self.open_gate(place, at);
        }
    }

    /// Whether a register said so, in the second of the sample or the one before: an answer may be under way for half one.
    fn check_value(&mut self, sample: &NewSample, value: f64) {
        if self.line.signals[usize::from(sample.signal)].register().is_none() {
            return;
        }
        let second = sample.at.as_secs_f64() as u64;
        let said = self.looks.iter().filter(|(at, _)| *at <= second && *at + 1 >= second);
        let mut said = said.map(|(_, shown)| shown[usize::from(sample.signal)]);
        let counts = self.line.signals[usize::from(sample.signal)].means == Some(Meaning::Heartbeat);
        let zeroed =
            !counts && self.truth.is_zeroed(SignalId(sample.signal), sample.at.as_secs_f64(), &self.line);
        if zeroed || !said.any(|shown| shown == Some(value)) {
            self.tally.wrong += 1;
            let tag = &self.line.signals[usize::from(sample.signal)].tag;
            self.complain(vec![format!(
                "{:?} s: {tag} stored as {value}, which no register said",
                sample.at
            )]);
        }
    }

    /// A controller's words are all zero, or are no longer.
    pub(crate) fn zeroed(&mut self, controller: usize, from: f64, until: f64) {
        self.truth.zeroed(controller, from, until);
    }

    /// What ends with this scan: a batch, and the right of an alarm to speak. Both are over before its values count.
    fn close_gate(&mut self, place: usize, at: f64) {
        let watch = &mut self.watches[place];
        if !watch.collects() {
            return;
        }
        let alarm = self.line.alarm(watch.alarm);
        watch.begins = false;
        if !alarm.batch.is_empty()
            && let Some(now) = all_hold!(self.good, alarm.batch)
        {
            // A batch whose beginning was not seen is not begun.
            match (watch.in_batch.replace(now), now) {
                (Some(false), true) => watch.begins = true,
                (None | Some(true), false) => {
                    watch.follower.model.batch(at, false, &mut watch.follower.turns);
                    self.truth.batch(place, at, false);
                }
                (None | Some(true), true) | (Some(false), false) => {}
            }
        }
        let may = self.stations.may_speak(&self.line, &self.good, alarm, watch.signal);
        watch.may_speak = may.unwrap_or(watch.may_speak);
        let modes = alarm
            .settings
            .station
            .is_none_or(|station| alarm.settings.modes.contains(self.stations.mode(station)));
        watch.speaks = watch.may_speak && modes;
        if !watch.speaks {
            watch.loose = false;
            watch.gate = Gate::Closed;
        }
        self.settle(place, at);
    }

    /// What begins with this scan: its values came before, and do not count for it.
    fn open_gate(&mut self, place: usize, at: f64) {
        let watch = &mut self.watches[place];
        if !watch.collects() {
            return;
        }
        if watch.gate == Gate::Closed && watch.speaks {
            let settle_s = self.line.alarm(watch.alarm).settings.settle.as_secs_f64();
            watch.gate = Gate::Settling { until: at + settle_s };
            self.settle(place, at);
        }
        let watch = &mut self.watches[place];
        if watch.begins {
            watch.follower.model.batch(at, true, &mut watch.follower.turns);
            self.truth.batch(place, at, true);
        }
    }

    /// A wait after a silence ends with its time, or with a good value.
    fn settle(&mut self, place: usize, at: f64) {
        let watch = &mut self.watches[place];
        let Gate::Settling { until } = watch.gate else { return };
        let settings = &self.line.alarm(watch.alarm).settings;
        let value = self.good[watch.signal.index()];
        let is_within =
            !settings.settle.is_zero() && value.is_some_and(|value| watch.follower.model.is_within(value));
        if let Some(blocked) = self.truth.blocked(place) {
            watch.loose = true;
            // Another reason for silence: what was collected is dropped when that has ended and its wait is over.
            let wait = match blocked {
                Blocked::Hidden => settings.settle.max(settings.gap_limit),
                Blocked::Blind => settings.gap_limit,
            };
            watch.gate = Gate::Settling { until: until.max(at + wait.as_secs_f64()) };
        } else if at >= until || is_within || watch.follower.model.is_at_rest() {
            // It may have spoken for an instant between two other reasons for silence, and dropped what it had then: until the window
            // is another one altogether, nobody can say what is in it.
            let unsure_s =
                if watch.loose { window_s(&self.line.alarm(watch.alarm).settings.kind) } else { 0.0 };
            watch.gate = Gate::Open { since: at + unsure_s };
            // What stood through the silence ends with the first value after it.
            watch.stands_unseen |= self.truth.stands(watch.alarm);
            watch.follower.model.start_over();
            watch.model_unseen = false;
            self.truth.start_over(place);
        }
    }

    fn take_event(&mut self, event: &Event) {
        self.mix(event.at.as_nanos() ^ event.sequence << 40);
        for byte in
            event.what.bytes().chain(event.states.bytes()).chain(event.alarm.iter().flat_map(|id| id.bytes()))
        {
            self.mix(u64::from(byte));
        }
        if let (Some(wanted), Some(id)) = (&self.tell, &event.alarm)
            && id.starts_with(wanted.as_str())
        {
            println!("{}", told(event));
        }
        if self.recent.len() >= EVENTS_TOLD {
            self.recent.pop_front();
        }
        self.recent.push_back(told(event));
        let Some(id) = event.alarm.as_ref().and_then(|id| self.line.alarm_by_id(id)) else {
            self.tally.modes += u64::from(event.what == "station mode");
            return;
        };
        let from = event.states.chars().next().unwrap_or('A');
        if event.what == "raised" {
            self.truth.told(id, event.note.is_some());
        }
        // What is told again when a suppression ends begins in a state in which it already stood.
        let turn = match (event.what.as_str(), from) {
            ("raised", 'A' | 'D' | 'E' | 'F') => (event.at.as_secs_f64(), true),
            ("cleared", 'B' | 'C') => (event.at.as_secs_f64(), false),
            _ => return,
        };
        self.tally.raised += u64::from(turn.1);
        if turn.1 && event.note.is_none() {
            self.tally.called_for += 1;
            let sort = self.line.alarm(id).id.split('.').next().unwrap_or_default().to_owned();
            *self.tally.called_by.entry(sort).or_default() += 1;
        }
        self.truth.turned(id, turn);
        if let Some(watch) = self.watches.iter_mut().find(|watch| watch.alarm == id) {
            let counts = match watch.gate {
                Gate::Open { since } => turn.0 > since + 1e-6 || !watch.collects(),
                Gate::Closed | Gate::Settling { .. } => !watch.collects(),
            };
            let ends_unseen = !turn.1 && std::mem::take(&mut watch.stands_unseen) && watch.collects();
            if counts && !ends_unseen {
                watch.found.push_back(turn);
            } else {
                watch.stands_unseen = turn.1;
                self.tally.turns_not_compared += 1;
            }
        }
    }

    fn compare(&mut self, now: f64) {
        let mut told = Vec::new();
        for watch in &mut self.watches {
            let id = &self.line.alarm(watch.alarm).id;
            while let (Some(expected), Some(found)) = (watch.expected.front(), watch.found.front()) {
                let within_s = if watch.loose { LOOSE_S } else { watch.within_s };
                let same = expected.1 == found.1 && (expected.0 - found.0).abs() <= within_s;
                if !same {
                    self.tally.turns_different += 1;
                    told.push(format!("{id}: the engine turned at {found:?}, the model at {expected:?}"));
                }
                self.tally.turns_equal += u64::from(same);
                watch.expected.pop_front();
                watch.found.pop_front();
            }
            for (queue, whose) in [(&mut watch.expected, "model"), (&mut watch.found, "engine")] {
                while queue.front().is_some_and(|turn| turn.0 + LATE_S < now) {
                    let turn = queue.pop_front().unwrap();
                    self.tally.turns_different += 1;
                    told.push(format!("{id}: only the {whose} turned at {turn:?}"));
                }
            }
        }
        self.complain(told);
    }

    fn complain(&mut self, told: Vec<String>) {
        for one in told {
            // The same trouble of many signals is told a few times only.
            let about = |text: &str| text.split(['.', ':']).next().map(str::to_owned);
            let alike = self.complaints.iter().filter(|old| about(old) == about(&one)).count();
            if self.complaints.len() < TOLD_MOST && alike < ALIKE_MOST {
                self.complaints.push(one);
            }
        }
    }

    /// What is wrong, with the last events; empty if nothing is.
    pub(crate) fn complaints(&self) -> String {
        if self.complaints.is_empty() {
            return String::new();
        }
        let recent: Vec<_> = self.recent.iter().map(|event| format!("  {event}\n")).collect();
        format!("{}\nthe last events:\n{}", self.complaints.join("\n"), recent.concat())
    }
}

/// Whether two readings come from one scan of one controller, or follow from it.
fn is_one_scan(line: &Line, one: &NewSample, next: &NewSample) -> bool {
    let of =
        |sample: &NewSample| line.signals[usize::from(sample.signal)].register().map(|own| own.controller);
    one.at == next.at && (of(next).is_none() || of(one).is_none() || of(one) == of(next))
}

fn told(event: &Event) -> String {
    let alarm = event.alarm.as_deref().unwrap_or("-");
    let (value, note) = (event.value.unwrap_or(f64::NAN), event.note.as_deref().unwrap_or(""));
    format!("{:>12.3} s  {} {alarm} {} {value:.2} {note}", event.at.as_secs_f64(), event.what, event.states)
}
