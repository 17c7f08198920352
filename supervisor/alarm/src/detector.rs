//! Detectors: samples of one signal to "the condition begins" and "the condition ends".
//!
//! A detector joins two good samples by a straight line if they lie at most `gap_limit` apart; it stamps what it finds
//! at the crossing inside the segment. Known-bad readings and longer silences are unknown time: timers start anew,
//! exposure stands still, and an active condition stays active. It knows no states, acknowledgements or people.

use crate::communication::CommunicationDetector;
use crate::deviation::DeviationDetector;
use crate::event::Forecast;
use crate::limit::LimitDetector;
use crate::measurement::MeasurementDetector;
use crate::settings::{AlarmSettings, Kind, Target};
use crate::time_weighted::ExposureDetector;
use core::time::Duration;
use heapless::Vec;
use setward_protocol::{Reading, SignalId, Uptime};

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
    fn step(&mut self, at: Uptime, reading: Reading, gap_limit: Duration) -> Step {
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
    Deviation(DeviationDetector),
    Exposure(ExposureDetector),
    Measurement(MeasurementDetector),
    Communication(CommunicationDetector),
}

impl Detector {
    pub(crate) fn new(settings: &AlarmSettings) -> Self {
        let way = match settings.kind {
            Kind::Limit(limit) => Way::Limit(LimitDetector::new(limit)),
            Kind::Deviation(deviation) => Way::Deviation(DeviationDetector::new(deviation)),
            Kind::TimeWeighted(weighted) => Way::Exposure(ExposureDetector::new(weighted)),
            Kind::Measurement(measurement) => Way::Measurement(MeasurementDetector::new(measurement)),
            Kind::Communication(settings) => Way::Communication(CommunicationDetector::new(settings)),
        };
        Self { anchor: Anchor::default(), way }
    }

    /// Takes up where an earlier run stopped.
    pub(crate) fn restore(&mut self, active: bool, exposure: f64) {
        match &mut self.way {
            Way::Limit(limit) => limit.restore(active),
            Way::Deviation(deviation) => deviation.restore(active),
            Way::Exposure(weighted) => weighted.restore(active, exposure),
            Way::Measurement(measurement) => measurement.restore(active),
            Way::Communication(communication) => communication.restore(active),
        }
    }

    pub(crate) fn set_target(&mut self, target: Option<Target>) {
        match &mut self.way {
            Way::Exposure(weighted) => weighted.target = target,
            Way::Deviation(deviation) => deviation.set_target(target),
            Way::Limit(_) | Way::Measurement(_) | Way::Communication(_) => {}
        }
    }

    /// The signal a value is compared with, if it is another one.
    pub(crate) const fn reference_signal(&self) -> Option<SignalId> {
        match &self.way {
            Way::Deviation(deviation) => deviation.reference_signal(),
            Way::Limit(_) | Way::Exposure(_) | Way::Measurement(_) | Way::Communication(_) => None,
        }
    }

    /// A reading of the signal a value is compared with. A short silence leaves its last value in force.
    pub(crate) fn handle_reference(&mut self, reading: Reading) {
        let Way::Deviation(deviation) = &mut self.way else { return };
        match reading {
            Reading::Good(value) if value.is_finite() => deviation.set_other(Some(value)),
            Reading::Bad(why) if why.is_silence() => {}
            Reading::Good(_) | Reading::Uncertain(..) | Reading::Bad(_) => deviation.set_other(None),
        }
    }

    /// Forgets exposure, and with it the alarm's condition: what was collected while it could not count.
    pub(crate) const fn start_over(&mut self) {
        if let Way::Exposure(weighted) = &mut self.way {
            weighted.start_over();
        }
    }

    pub(crate) fn handle(
        &mut self,
        at: Uptime,
        reading: Reading,
        gap_limit: Duration,
        controller_is_lost: bool,
    ) -> Changes {
        let mut changes = Changes::new();
        if let Way::Measurement(measurement) = &mut self.way {
            measurement.handle(at, reading, controller_is_lost, &mut changes);
        }
        match self.anchor.step(at, reading, gap_limit) {
            Step::Nothing if self.anchor.last.is_none() => self.way.lose_sight(),
            Step::Nothing => {}
            Step::Point(at, value) => {
                self.way.lose_sight();
                self.way.handle_point(at, value, &mut changes);
            }
            Step::Joined(segment) => self.way.handle(&segment, &mut changes),
        }
        changes
    }

    /// A controller was scanned.
    pub(crate) fn handle_scan(&mut self, at: Uptime, answered: bool) -> Changes {
        let mut changes = Changes::new();
        if let Way::Communication(communication) = &mut self.way {
            communication.handle(at, answered, &mut changes);
        }
        changes
    }

    /// When a timer of this detector runs out, if the last sample is then still young enough to act on.
    pub(crate) fn deadline(&self, gap_limit: Duration) -> Option<Uptime> {
        let young =
            |deadline: &Uptime| self.anchor.last.is_some_and(|(last, _)| deadline.since(last) <= gap_limit);
        match &self.way {
            Way::Limit(limit) => limit.deadline().filter(young),
            Way::Deviation(deviation) => deviation.deadline().filter(young),
            Way::Exposure(_) => None,
            Way::Measurement(measurement) => measurement.deadline(),
            Way::Communication(communication) => communication.deadline(),
        }
    }

    pub(crate) fn handle_timeout(&mut self, now: Uptime, gap_limit: Duration) -> Changes {
        let mut changes = Changes::new();
        if self.deadline(gap_limit).is_some_and(|deadline| deadline <= now) {
            match &mut self.way {
                Way::Limit(limit) => limit.run_out(&mut changes),
                Way::Deviation(deviation) => deviation.run_out(now, &mut changes),
                Way::Exposure(_) => {}
                Way::Measurement(measurement) => measurement.run_out(now, &mut changes),
                Way::Communication(communication) => communication.run_out(now, &mut changes),
            }
        }
        changes
    }

    pub(crate) const fn exposure(&self) -> Option<f64> {
        match &self.way {
            Way::Exposure(weighted) => Some(weighted.share),
            Way::Limit(_) | Way::Deviation(_) | Way::Measurement(_) | Way::Communication(_) => None,
        }
    }

    /// Since when the value has been beyond; `None` also when it has been out of sight for too long to say.
    pub(crate) fn beyond_since(&self, now: Uptime, gap_limit: Duration) -> Option<Uptime> {
        let seen = self.seen(now, gap_limit).is_some();
        match &self.way {
            Way::Limit(limit) => limit.beyond_since().filter(|_| seen),
            Way::Deviation(deviation) => deviation.beyond_since().filter(|_| seen),
            Way::Exposure(weighted) => weighted.beyond_since.filter(|_| seen),
            Way::Measurement(measurement) => measurement.bad_since(),
            Way::Communication(communication) => communication.lost_since(),
        }
    }

    /// Whether its condition holds, as far as is known.
    pub(crate) fn is_active(&self) -> bool {
        match &self.way {
            Way::Limit(limit) => limit.is_active(),
            Way::Deviation(deviation) => deviation.is_active(),
            Way::Exposure(weighted) => weighted.active,
            Way::Measurement(measurement) => measurement.is_active(),
            Way::Communication(communication) => communication.is_active(),
        }
    }

    /// Whether the last good sample says that the value is on the good side of what is watched.
    pub(crate) fn is_within(&self, now: Uptime, gap_limit: Duration) -> bool {
        self.seen(now, gap_limit).is_some() && self.beyond_since(now, gap_limit).is_none()
    }

    pub(crate) fn last_value(&self) -> Option<f64> {
        self.anchor.last.map(|(_, value)| value)
    }

    /// The last good sample, if it is young enough to say anything about `now`.
    fn seen(&self, now: Uptime, gap_limit: Duration) -> Option<(Uptime, f64)> {
        self.anchor.last.filter(|(at, _)| now.since(*at) <= gap_limit)
    }

    pub(crate) fn forecast(&self, now: Uptime, gap_limit: Duration) -> Forecast {
        let seen = self.seen(now, gap_limit);
        match (&self.way, seen) {
            (Way::Measurement(measurement), _) => measurement.forecast(now),
            (Way::Communication(communication), _) => communication.forecast(now),
            (Way::Limit(limit), Some((at, value))) => limit.forecast(at, value),
            (Way::Deviation(deviation), Some((at, value))) => deviation.forecast(at, value),
            (Way::Exposure(weighted), Some((_, value))) => weighted.forecast(value),
            (Way::Limit(_) | Way::Deviation(_) | Way::Exposure(_), None) => Forecast::Unknown,
        }
    }
}

impl Way {
    /// The value has been unknown: delays start anew. Exposure stands as it is.
    fn lose_sight(&mut self) {
        match self {
            Self::Limit(limit) => limit.lose_sight(),
            Self::Deviation(deviation) => deviation.lose_sight(),
            Self::Exposure(_) | Self::Measurement(_) | Self::Communication(_) => {}
        }
    }

    /// A good sample that nothing precedes.
    fn handle_point(&mut self, at: Uptime, value: f64, changes: &mut Changes) {
        let point = Segment { from_at: at, from: value, to_at: at, to: value };
        match self {
            Self::Limit(limit) => limit.handle(&point, changes),
            Self::Deviation(deviation) => deviation.handle(&point, changes),
            Self::Exposure(weighted) => weighted.handle_point(at, value, changes),
            Self::Measurement(_) | Self::Communication(_) => {}
        }
    }

    fn handle(&mut self, segment: &Segment, changes: &mut Changes) {
        match self {
            Self::Limit(limit) => limit.handle(segment, changes),
            Self::Deviation(deviation) => deviation.handle(segment, changes),
            Self::Exposure(weighted) => weighted.handle(segment, changes),
            Self::Measurement(_) | Self::Communication(_) => {}
        }
    }
}
