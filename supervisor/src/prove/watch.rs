//! A plain reckoning of when an alarm must raise, from its settings and what the page shows of its signals, second by second.
//!
//! It shares no code with the engine. Each kind has an earliest and a latest moment: noise, deadbands and the seconds between
//! looks lie between the two.

use super::aim::recipe_of;
use super::branch::Branch;
use super::plan::code;
use crate::snapshot::LineSnapshot;
use setward_alarm::{
    AlarmId, Allowance, AverageReference, Flags, Kind, Leak, MovingAverageSettings, Reference, Side,
    StatusSettings, Target, TimeWeightedSettings, Watched, Width,
};
use setward_config::line::{Line, LineAlarm, Origin};
use setward_process::condition::all_hold;
use setward_protocol::{SignalId, UtcMillis};
use std::time::Duration;

/// How far the reckoning of a sum may be off, as a share.
const SUM_WITHIN: f64 = 0.07;
/// The same of a slope, which noise bends.
const SLOPE_WITHIN: f64 = 0.15;
/// So much of its window a slope needs, less a poll.
const RATE_KNOWN: f64 = 0.7;
/// Parts into which the straight line between two values is cut.
const PARTS: u32 = 16;

/// Reckons for one alarm.
#[derive(Debug)]
pub struct Watcher {
    alarm: AlarmId,
    /// The last values that were taken, with their time.
    last: Option<(UtcMillis, f64)>,
    seen: Vec<(UtcMillis, f64)>,
    /// Since when the value has been beyond, strictly and with its deadband.
    strictly_since: Option<UtcMillis>,
    loosely_since: Option<UtcMillis>,
    /// Exposure or dose.
    sum: f64,
    /// Whether the batch is on, and was seen to begin.
    batch: Option<bool>,
    began: bool,
    /// By which of its branches it would raise, as the values were seen last.
    branch: Option<Branch>,
    /// It is not let speak by mode or condition.
    drops: bool,
    /// When it may and when it must have raised, while nothing kept it silent.
    earliest: Option<UtcMillis>,
    latest: Option<UtcMillis>,
}

/// What can be said at one moment: whether it may and whether it must have raised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Due {
    may: bool,
    must: bool,
}

const NEVER: Due = Due { may: false, must: false };

impl Watcher {
    /// Nothing seen yet.
    #[must_use]
    pub const fn new(alarm: AlarmId) -> Self {
        Self {
            alarm,
            last: None,
            seen: Vec::new(),
            strictly_since: None,
            loosely_since: None,
            sum: 0.0,
            batch: None,
            began: false,
            branch: None,
            drops: false,
            earliest: None,
            latest: None,
        }
    }

    /// From when on it may have raised, and by when it must have; each `None` while that is not so.
    #[must_use]
    pub const fn due(&self) -> (Option<UtcMillis>, Option<UtcMillis>) {
        (self.earliest, self.latest)
    }

    /// By which of its branches it would raise now; `None` while its value tells nothing of that.
    #[must_use]
    pub const fn branch(&self) -> Option<Branch> {
        self.branch
    }

    /// Looks at the line; `flags` say what keeps the alarm from speaking.
    pub fn see(&mut self, line: &Line, snapshot: &LineSnapshot, flags: &Flags) {
        let is_silent = flags.are_silencing();
        self.drops |= flags.suppressed.mode || flags.suppressed.condition;
        // What was collected while the line did not let it speak does not count.
        if !is_silent && std::mem::take(&mut self.drops) {
            self.seen.clear();
            self.sum = if self.batch.is_some() { self.sum } else { 0.0 };
        }
        let due = self.judge(line, snapshot);
        let due = if is_reckoned(line, self.alarm) { due } else { Due { may: true, must: false } };
        if is_silent {
            (self.earliest, self.latest) = (None, None);
            return;
        }
        if due.may && self.earliest.is_none() {
            self.earliest = Some(snapshot.utc);
        }
        if due.must && self.latest.is_none() {
            self.latest = Some(snapshot.utc);
        }
    }

    fn judge(&mut self, line: &Line, snapshot: &LineSnapshot) -> Due {
        let alarm = line.alarm(self.alarm);
        let now = snapshot.utc;
        let signal = match alarm.settings.watches {
            Watched::Controller(controller) => {
                let Kind::Communication(own) = &alarm.settings.kind else { return NEVER };
                let view = snapshot.controllers.get(controller.index());
                let answers = view.is_some_and(|view| view.answers);
                let polls = alarm.settings.poll_every * own.polls;
                let due = self.level(now, if answers { -1.0 } else { 1.0 }, 0.0, (own.at_least, polls));
                // That it is silent is seen a time limit and more after its last answer, from which the engine counts.
                let heard = view.and_then(|view| view.last_good).filter(|_| !answers);
                let may = heard.is_some_and(|heard| now.0 - heard.0 >= ms(own.at_least.saturating_sub(LOOK)));
                return Due { may, ..due };
            }
            // No plant can bring it about: the proof leaves it out.
            Watched::Server(_) => return NEVER,
            Watched::Signal(signal) => signal,
        };
        if let Kind::Measurement(own) = &alarm.settings.kind {
            let is_good = snapshot.signal(signal).is_some_and(|view| view.reading.value().is_some());
            return self.level(now, if is_good { -1.0 } else { 1.0 }, 0.0, (own.bad_for, own.bad_for));
        }
        if let Kind::EquivalentTime(own) = &alarm.settings.kind {
            return self.dose(snapshot, alarm, signal, own);
        }
        match good(snapshot, signal) {
            Some((at, value)) => self.value(line, snapshot, alarm, (at, value)),
            None => Due { may: self.earliest.is_some(), must: false },
        }
    }

    fn value(
        &mut self,
        line: &Line,
        snapshot: &LineSnapshot,
        alarm: &LineAlarm,
        (at, value): (UtcMillis, f64),
    ) -> Due {
        let Watched::Signal(signal) = alarm.settings.watches else { return NEVER };
        let now = snapshot.utc;
        let target = target_of(line, snapshot, alarm, signal);
        match &alarm.settings.kind {
            Kind::Limit(own) => {
                let beyond = own.side.beyond(value, own.limit);
                self.level(now, beyond, own.deadband, (own.on_delay, own.on_delay))
            }
            Kind::Deviation(own) => {
                let sides = own.side.map_or(vec![Side::Above, Side::Below], |side| vec![side]);
                let reference = match own.against {
                    Reference::Recipe => target.map(|target| target.setpoint),
                    Reference::Signal(other) => good(snapshot, other).map(|(_, value)| value),
                };
                let beyond = sides.into_iter().filter_map(|side| {
                    Some((side.beyond(value, reference?) - reach(target.as_ref(), own.width, side)?, side))
                });
                let Some((beyond, side)) = beyond.max_by(|a, b| a.0.total_cmp(&b.0)) else { return NEVER };
                self.branch = Some(Branch::Side(side));
                self.level(now, beyond, own.deadband, (own.on_delay, own.on_delay))
            }
            Kind::Discrepancy(own) => {
                let Some((_, other)) = good(snapshot, own.other) else { return NEVER };
                self.branch = Some(Branch::Side(side_of(value, other)));
                let beyond = (value - other).abs() - own.apart;
                self.level(now, beyond, own.deadband, (own.on_delay, own.on_delay))
            }
            Kind::Status(own) => self.status(now, (at, value), own),
            Kind::TimeWeighted(own) => match target {
                Some(target) => self.exposure((at, value), own, &target),
                None => NEVER,
            },
            Kind::MovingAverage(own) => self.mean(now, (at, value), own, target.as_ref()),
            Kind::Rate(own) => {
                if own.between.is_some_and(|(low, high)| !(low..=high).contains(&value)) {
                    self.seen.clear();
                    return NEVER;
                }
                self.keep((at, value), own.over);
                let Some(slope) = self.slope_per_min(own.over) else { return NEVER };
                let beyond = own.side.beyond(slope, own.per_minute);
                let within = SLOPE_WITHIN * own.per_minute.abs();
                Due { may: beyond > -within, must: beyond > within && self.covers(own.over, 0.97) }
            }
            // A sum of means over correlation times: when it decides depends on noise.
            Kind::Drift(_) => {
                let side = target.map(|target| Branch::Side(side_of(value, target.setpoint)));
                self.branch = side.or(self.branch);
                Due { may: true, must: false }
            }
            Kind::Measurement(_) | Kind::Communication(_) | Kind::Forwarding(_) | Kind::EquivalentTime(_) => {
                NEVER
            }
        }
    }

    /// Beyond a level for a while: at least the first delay with the deadband, at most the second without it.
    fn level(&mut self, now: UtcMillis, beyond: f64, deadband: f64, delays: (Duration, Duration)) -> Due {
        let (at_least, at_most) = delays;
        self.strictly_since = (beyond > 0.0).then(|| self.strictly_since.unwrap_or(now));
        let began = self.loosely_since.or_else(|| (beyond > 0.0).then_some(now));
        self.loosely_since = began.filter(|_| beyond > -deadband);
        let has_been = |since: Option<UtcMillis>, delay: Duration| {
            since.is_some_and(|since| now.0 - since.0 >= ms(delay))
        };
        Due {
            // The value was beyond before it was looked at.
            may: self.loosely_since.is_some() && has_been(self.loosely_since, at_least.saturating_sub(LOOK)),
            must: has_been(self.strictly_since, at_most.max(at_least)),
        }
    }

    fn status(&mut self, now: UtcMillis, (at, value): (UtcMillis, f64), own: &StatusSettings) -> Due {
        let is_so = own.is.contains(value);
        if is_so {
            self.branch = Some(Branch::Code(code(value)));
        }
        let Some((share, window)) = own.share else {
            let beyond = if is_so { 1.0 } else { -1.0 };
            return self.level(now, beyond, 0.0, (own.on_delay, own.on_delay));
        };
        self.keep((at, if is_so { 1.0 } else { 0.0 }), window);
        let mean = self.mean_of_seen();
        Due { may: mean >= share - SUM_WITHIN, must: mean >= share + SUM_WITHIN && self.covers(window, 0.95) }
    }

    fn exposure(&mut self, now: (UtcMillis, f64), own: &TimeWeightedSettings, target: &Target) -> Due {
        let (pick_up, always) = match own.leak {
            Leak::Inside => (1.0, false),
            Leak::Always { pick_up } => (pick_up, true),
        };
        let tolerance = target.tolerance(own.side) * pick_up;
        let allowance = match own.allowance {
            Allowance::Area(area) => area / tolerance,
            Allowance::AtTwice(seconds) => seconds * (2.0_f64.powf(own.shape) - 1.0),
        };
        let recovery_s = own.recovery.map_or(f64::INFINITY, |recovery| recovery.as_secs_f64());
        for (part_s, value) in self.parts(now) {
            let size = own.side.beyond(value, target.setpoint) / tolerance;
            if size > 1.0 {
                self.sum += (size.powf(own.shape) - 1.0) * part_s;
            }
            if size <= 1.0 || always {
                self.sum *= (-part_s / recovery_s).exp();
            }
        }
        let share = self.sum / allowance;
        Due { may: share >= 1.0 - SUM_WITHIN, must: share >= 1.0 + SUM_WITHIN }
    }

    fn mean(
        &mut self,
        now: UtcMillis,
        (at, value): (UtcMillis, f64),
        own: &MovingAverageSettings,
        target: Option<&Target>,
    ) -> Due {
        let edge = match own.reference {
            AverageReference::Limit(limit) => Some(limit),
            AverageReference::Target(width) => target.and_then(|target| {
                let reach = target.reach(width, own.side)?;
                Some(match own.side {
                    Side::Above => target.setpoint + reach,
                    Side::Below => target.setpoint - reach,
                })
            }),
        };
        let Some(edge) = edge else { return NEVER };
        self.keep((at, value), own.window);
        let beyond = own.side.beyond(self.mean_of_seen(), edge);
        let at_once = own.ceiling.is_some_and(|ceiling| own.side.beyond(value, ceiling) > 0.0);
        self.branch = Some(if at_once { Branch::Ceiling } else { Branch::Mean });
        let is_covered = self.covers(own.window, (own.coverage + 0.05).min(0.99));
        let may = beyond > -(own.deadband + SUM_WITHIN * (value - edge).abs()) || at_once;
        let due = self.level(now, if beyond > 0.0 && is_covered { 1.0 } else { -1.0 }, 0.0, (LOOK, LOOK * 3));
        Due { may, must: due.must || at_once }
    }

    fn dose(
        &mut self,
        snapshot: &LineSnapshot,
        alarm: &LineAlarm,
        signal: SignalId,
        own: &setward_alarm::EquivalentTimeSettings,
    ) -> Due {
        let is_on = all_hold(&alarm.batch, |id| good(snapshot, id).map(|(_, value)| value));
        let before = self.batch;
        if let Some(is_on) = is_on {
            self.batch = Some(is_on);
            if is_on && before != Some(true) {
                (self.sum, self.began, self.branch) = (0.0, before == Some(false), None);
            }
        }
        if let Some(now) = good(snapshot, signal) {
            for (part_s, value) in self.parts(now) {
                if self.batch == Some(true) {
                    self.sum += part_s * 10.0_f64.powf((value - own.reference) / own.z);
                }
            }
        }
        let too_much = own.most.map(|most| self.sum / most.as_secs_f64());
        let ended = before == Some(true) && self.batch == Some(false);
        let too_little = own.least.filter(|_| ended).map(|least| self.sum / least.as_secs_f64());
        let is_much = too_much.is_some_and(|share| share >= 1.0 - SUM_WITHIN);
        if is_much || ended {
            self.branch = Some(if is_much { Branch::TooMuch } else { Branch::TooLittle });
        }
        let may = is_much || too_little.is_some_and(|share| share <= 1.0 + SUM_WITHIN || !self.began);
        let must = self.began
            && (too_much.is_some_and(|share| share >= 1.0 + SUM_WITHIN)
                || too_little.is_some_and(|share| share <= 1.0 - SUM_WITHIN));
        Due { may, must }
    }

    /// The straight line from the last value to this one, in parts: how long each is, s, and its value.
    fn parts(&mut self, (at, value): (UtcMillis, f64)) -> impl Iterator<Item = (f64, f64)> + use<> {
        let before = self.last.replace((at, value)).filter(|(before, _)| *before < at);
        let (from, start) = before.unwrap_or((at, value));
        let part_s = (at.0 - from.0) as f64 / 1000.0 / f64::from(PARTS);
        let count = if before.is_some() { PARTS } else { 0 };
        (0..count).map(move |part| {
            let share = (f64::from(part) + 0.5) / f64::from(PARTS);
            (part_s, start + (value - start) * share)
        })
    }

    fn keep(&mut self, (at, value): (UtcMillis, f64), window: Duration) {
        if self.seen.last().is_none_or(|(last, _)| *last < at) {
            self.seen.push((at, value));
        }
        let from = at.0 - ms(window);
        self.seen.retain(|(seen, _)| seen.0 >= from);
    }

    fn covers(&self, window: Duration, share: f64) -> bool {
        let ends = self.seen.first().zip(self.seen.last());
        ends.is_some_and(|((first, _), (last, _))| (last.0 - first.0) as f64 >= share * ms(window) as f64)
    }

    fn mean_of_seen(&self) -> f64 {
        self.seen.iter().map(|(_, value)| value).sum::<f64>() / self.seen.len().max(1) as f64
    }

    /// Slope of the straight line through what was seen, once that fills the window.
    fn slope_per_min(&self, window: Duration) -> Option<f64> {
        let (origin, _) = self.seen.first().filter(|_| self.covers(window, RATE_KNOWN))?;
        let minutes = |at: UtcMillis| (at.0 - origin.0) as f64 / 60_000.0;
        let count = self.seen.len() as f64;
        let middle = self.seen.iter().map(|(at, _)| minutes(*at)).sum::<f64>() / count;
        let mean = self.mean_of_seen();
        let of = |(at, value): &(UtcMillis, f64)| (minutes(*at) - middle, value - mean);
        let (above, below) = self.seen.iter().map(of).fold((0.0, 0.0), |(above, below), (minutes, value)| {
            (above + minutes * value, below + minutes * minutes)
        });
        (below > 0.0).then(|| above / below)
    }
}

/// What people enter comes when they enter it, and what follows from corn is worked out over hours: neither is reckoned here.
fn is_reckoned(line: &Line, alarm: AlarmId) -> bool {
    let own = line.alarm(alarm);
    let origin = own.settings.watches.signal().map(|signal| &line.signal(signal).origin);
    let other = own.settings.kind.other_signal().map(|signal| &line.signal(signal).origin);
    let is_plain = |origin: &Origin| matches!(origin, Origin::Register(_) | Origin::Derived(_));
    own.band.is_none() && origin.into_iter().chain(other).all(is_plain)
}

/// How long passes between two looks.
const LOOK: Duration = Duration::from_secs(1);

fn ms(span: Duration) -> i64 {
    i64::try_from(span.as_millis()).unwrap_or(i64::MAX)
}

fn side_of(value: f64, reference: f64) -> Side {
    if value < reference { Side::Below } else { Side::Above }
}

fn good(snapshot: &LineSnapshot, signal: SignalId) -> Option<(UtcMillis, f64)> {
    let view = snapshot.signal(signal)?;
    view.at.zip(view.reading.good())
}

fn reach(target: Option<&Target>, width: Width, side: Side) -> Option<f64> {
    match width {
        Width::Fixed(width) => Some(width),
        Width::Latitude | Width::Tolerance | Width::Specification => target?.reach(width, side),
    }
}

/// What the recipe that runs at the signal's station asks of it.
fn target_of(line: &Line, snapshot: &LineSnapshot, alarm: &LineAlarm, signal: SignalId) -> Option<Target> {
    let station = snapshot.stations.get(line.signal(signal).station.index())?;
    let running = station.recipe.and_then(|recipe| line.recipes.get(recipe));
    let recipe = running.unwrap_or_else(|| recipe_of(line, alarm));
    recipe.setpoint(signal).map(|asked| asked.target)
}
