//! Detectors: samples of one signal to "the condition begins" and "the condition ends".
//!
//! A detector joins two good samples by a straight line if they lie at most `gap_limit` apart; it stamps what it finds
//! at the crossing inside the segment. Known-bad readings and longer silences are unknown time: timers start anew,
//! exposure stands still, and an active condition stays active. It knows no states, acknowledgements or people.

use crate::event::Forecast;
use crate::exposure::{Law, pieces};
use crate::limit::LimitDetector;
use crate::settings::{AlarmSettings, Kind, Target, TimeWeightedSettings};
use heapless::Vec;
use setward_protocol::{Reading, Uptime};

/// Exposure below this share no longer counts as the same build-up: the next excursion has its own onset.
const FORGOTTEN_BELOW: f64 = 0.05;

/// What a detector found in one segment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Change {
    /// The condition begins at `at`; the trouble began at `onset`.
    Begins { at: Uptime, onset: Uptime },
    /// The condition ends at `at`.
    Ends { at: Uptime },
}

/// At most a raise, a clear and a second raise fit into one segment; a fourth place is to spare.
pub(crate) type Changes = Vec<Change, 4>;

/// A stretch between two good samples, in which the value is a straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Segment {
    pub(crate) from_at: Uptime,
    pub(crate) from: f64,
    pub(crate) to_at: Uptime,
    pub(crate) to: f64,
}

impl Segment {
    pub(crate) fn length_s(&self) -> f64 {
        self.to_at.seconds_since(self.from_at)
    }

    /// When the line passes `level`; the end if it does not.
    pub(crate) fn crossing(&self, level: f64) -> Uptime {
        let share = (level - self.from) / (self.to - self.from);
        if share.is_finite() {
            self.from_at.plus_seconds(self.length_s() * share.clamp(0.0, 1.0))
        } else {
            self.to_at
        }
    }
}

/// The last good sample, as far as it may still be joined to the next.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Anchor {
    last: Option<(Uptime, f64)>,
}

/// What a reading means to a detector.
enum Step {
    /// Nothing to evaluate.
    Nothing,
    /// A good sample that nothing precedes.
    Point(Uptime, f64),
    /// A good sample joined to the one before.
    Joined(Segment),
}

impl Anchor {
    fn step(&mut self, at: Uptime, reading: Reading, gap_limit: core::time::Duration) -> Step {
        let value = match reading {
            Reading::Good(value) if value.is_finite() => value,
            Reading::Bad(why) if why.is_silence() => return Step::Nothing,
            Reading::Good(_) | Reading::Uncertain(..) | Reading::Bad(_) => {
                self.last = None;
                return Step::Nothing;
            }
        };
        let before = self.last.replace((at, value));
        match before {
            Some((from_at, from)) if at.since(from_at) <= gap_limit => {
                Step::Joined(Segment { from_at, from, to_at: at, to: value })
            }
            Some(_) | None => Step::Point(at, value),
        }
    }
}

/// How one alarm decides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Detector {
    anchor: Anchor,
    way: Way,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Way {
    Limit(LimitDetector),
    Exposure(ExposureDetector),
}

impl Detector {
    pub(crate) fn new(settings: &AlarmSettings) -> Self {
        let way = match settings.kind {
            Kind::Limit(limit) => Way::Limit(LimitDetector::new(limit)),
            Kind::TimeWeighted(weighted) => Way::Exposure(ExposureDetector::new(weighted)),
        };
        Self { anchor: Anchor::default(), way }
    }

    /// Takes up where an earlier run stopped.
    pub(crate) fn restore(&mut self, active: bool, exposure: f64) {
        match &mut self.way {
            Way::Limit(limit) => limit.restore(active),
            Way::Exposure(weighted) => weighted.restore(active, exposure),
        }
    }

    pub(crate) fn set_target(&mut self, target: Option<Target>) {
        if let Way::Exposure(weighted) = &mut self.way {
            weighted.target = target;
        }
    }

    pub(crate) fn handle(
        &mut self,
        at: Uptime,
        reading: Reading,
        gap_limit: core::time::Duration,
    ) -> Changes {
        let mut changes = Changes::new();
        match (self.anchor.step(at, reading, gap_limit), &mut self.way) {
            (Step::Nothing, Way::Limit(limit)) => {
                if self.anchor.last.is_none() {
                    limit.lose_sight();
                }
            }
            (Step::Nothing, Way::Exposure(_)) => {}
            (Step::Point(at, value), Way::Limit(limit)) => {
                limit.lose_sight();
                limit.handle(&Segment { from_at: at, from: value, to_at: at, to: value }, &mut changes);
            }
            (Step::Point(at, value), Way::Exposure(weighted)) => {
                weighted.handle_point(at, value, &mut changes)
            }
            (Step::Joined(segment), Way::Limit(limit)) => limit.handle(&segment, &mut changes),
            (Step::Joined(segment), Way::Exposure(weighted)) => weighted.handle(&segment, &mut changes),
        }
        changes
    }

    /// When a timer of this detector runs out, if the last sample is then still young enough to act on.
    pub(crate) fn deadline(&self, gap_limit: core::time::Duration) -> Option<Uptime> {
        let Way::Limit(limit) = &self.way else { return None };
        let (last, _) = self.anchor.last?;
        limit.deadline().filter(|deadline| deadline.since(last) <= gap_limit)
    }

    pub(crate) fn handle_timeout(&mut self, now: Uptime, gap_limit: core::time::Duration) -> Changes {
        let mut changes = Changes::new();
        if self.deadline(gap_limit).is_some_and(|deadline| deadline <= now)
            && let Way::Limit(limit) = &mut self.way
        {
            limit.run_out(&mut changes);
        }
        changes
    }

    pub(crate) fn exposure(&self) -> Option<f64> {
        match &self.way {
            Way::Limit(_) => None,
            Way::Exposure(weighted) => Some(weighted.share),
        }
    }

    /// Since when the value has been beyond; `None` also when it has been out of sight for too long to say.
    pub(crate) fn beyond_since(&self, now: Uptime, gap_limit: core::time::Duration) -> Option<Uptime> {
        self.seen(now, gap_limit)?;
        match &self.way {
            Way::Limit(limit) => limit.beyond_since(),
            Way::Exposure(weighted) => weighted.beyond_since,
        }
    }

    pub(crate) fn last_value(&self) -> Option<f64> {
        self.anchor.last.map(|(_, value)| value)
    }

    /// The last good sample, if it is young enough to say anything about `now`.
    fn seen(&self, now: Uptime, gap_limit: core::time::Duration) -> Option<(Uptime, f64)> {
        self.anchor.last.filter(|(at, _)| now.since(*at) <= gap_limit)
    }

    pub(crate) fn forecast(&self, now: Uptime, gap_limit: core::time::Duration) -> Forecast {
        let Some((at, value)) = self.seen(now, gap_limit) else { return Forecast::Unknown };
        match &self.way {
            Way::Limit(limit) => limit.forecast(at, value),
            Way::Exposure(weighted) => weighted.forecast(value),
        }
    }
}

/// The time-weighted kind.
#[derive(Debug, Clone, Copy, PartialEq)]
struct ExposureDetector {
    settings: TimeWeightedSettings,
    target: Option<Target>,
    share: f64,
    active: bool,
    /// Start of the present stretch beyond tolerance.
    beyond_since: Option<Uptime>,
    /// Start of the present build-up of exposure.
    onset: Option<Uptime>,
}

impl ExposureDetector {
    fn new(settings: TimeWeightedSettings) -> Self {
        Self { settings, target: None, share: 0.0, active: false, beyond_since: None, onset: None }
    }

    fn restore(&mut self, active: bool, share: f64) {
        self.active = active;
        self.share = if share.is_finite() { share.clamp(0.0, crate::exposure::EXPOSURE_CAP) } else { 0.0 };
    }

    /// The law and the distance of a value from the setpoint in tolerances; `None` without a usable target.
    fn law(&self) -> Option<(Law, impl Fn(f64) -> f64 + use<>)> {
        let target = self.target?;
        let side = self.settings.side;
        let tolerance = target.tolerance(side);
        let law = Law::new(&self.settings, tolerance);
        (tolerance > 0.0).then_some((law, move |value| side.beyond(value, target.setpoint) / tolerance))
    }

    /// A first sample after unknown time: no exposure to add, but it says on which side of tolerance the value is.
    fn handle_point(&mut self, at: Uptime, value: f64, changes: &mut Changes) {
        let Some((_, distance)) = self.law() else { return };
        if distance(value) > 1.0 {
            self.beyond_since = Some(at);
            self.begin_build_up(self.share);
        } else {
            self.beyond_since = None;
            self.clear_if_low(at, changes);
        }
    }

    fn handle(&mut self, segment: &Segment, changes: &mut Changes) {
        let Some((law, distance)) = self.law() else { return };
        for piece in pieces(distance(segment.from), distance(segment.to), segment.length_s()).iter().flatten()
        {
            let start = segment.from_at.plus_seconds(piece.start_s);
            let before = self.share;
            self.share = law.advance(before, piece);
            if piece.is_beyond() {
                self.beyond_since.get_or_insert(start);
                self.begin_build_up(before);
                self.raise_within(start, law.seconds_to_raise(before, piece), changes);
            } else {
                self.beyond_since = None;
                let falls_s = self.seconds_to_clear(&law, before);
                if let Some(seconds) = falls_s.filter(|seconds| *seconds <= piece.length_s) {
                    self.clear_if_low(start.plus_seconds(seconds), changes);
                }
                if self.share < FORGOTTEN_BELOW && !self.active {
                    self.onset = None;
                }
            }
        }
    }

    /// Beyond tolerance with `before` of the allowance carried in: a build-up that is all but forgotten begins anew, with
    /// the present stretch.
    fn begin_build_up(&mut self, before: f64) {
        if !self.active && (self.onset.is_none() || before < FORGOTTEN_BELOW) {
            self.onset = self.beyond_since;
        }
    }

    fn raise_within(&mut self, start: Uptime, seconds: Option<f64>, changes: &mut Changes) {
        // A share that is already past the allowance (restored, or tolerance narrowed) raises at once.
        let seconds = seconds.or((self.share >= 1.0).then_some(0.0));
        if let Some(seconds) = seconds
            && !self.active
        {
            self.active = true;
            let at = start.plus_seconds(seconds);
            // Four places always suffice for the at most three changes of a segment.
            let _fits = changes.push(Change::Begins { at, onset: self.onset.unwrap_or(start) });
        }
    }

    /// Seconds within tolerance until the alarm clears. Without recovery it clears at once, and exposure starts anew: it
    /// would otherwise never clear, and never raise again.
    fn seconds_to_clear(&self, law: &Law, share: f64) -> Option<f64> {
        match self.settings.recovery {
            Some(_) => law.seconds_to_decay(share, self.settings.clear_below),
            None => Some(0.0),
        }
    }

    fn clear_if_low(&mut self, at: Uptime, changes: &mut Changes) {
        let forgets = self.settings.recovery.is_some();
        if self.active && (self.share <= self.settings.clear_below || !forgets) {
            self.active = false;
            self.onset = None;
            self.share = if forgets { self.share } else { 0.0 };
            let _fits = changes.push(Change::Ends { at });
        }
    }

    fn forecast(&self, value: f64) -> Forecast {
        let Some((law, distance)) = self.law() else { return Forecast::Unknown };
        match (self.active, law.seconds_at(self.share, distance(value))) {
            (false, Some(seconds)) => Forecast::Raises { seconds },
            (false, None) if self.share >= FORGOTTEN_BELOW => Forecast::WillNotRaise,
            (false, None) => Forecast::Quiet,
            (true, Some(_)) => Forecast::StaysActive,
            (true, None) => self
                .seconds_to_clear(&law, self.share)
                .map_or(Forecast::StaysActive, |seconds| Forecast::Clears { seconds }),
        }
    }
}
