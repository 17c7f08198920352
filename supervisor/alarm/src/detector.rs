//! Detectors: samples to "the condition begins" and "the condition ends".
//!
//! A detector joins two good samples by a straight line if they lie at most `gap_limit` apart; it stamps what it finds
//! at the crossing inside the segment. Known-bad readings and longer silences are unknown time: timers start anew,
//! exposure stands still, and an active condition stays active. It knows no states, acknowledgements or people.

use crate::average::AverageDetector;
use crate::band::BandDetector;
use crate::blindness::Blindness;
use crate::communication::CommunicationDetector;
use crate::drift::DriftDetector;
use crate::equivalent_time::EquivalentTimeDetector;
use crate::event::Forecast;
use crate::forwarding::ForwardingDetector;
use crate::judge::Judge;
use crate::measurement::MeasurementDetector;
use crate::pair::{Differences, Pair};
use crate::rate::RateDetector;
use crate::segment::{Anchor, Segment, Sight, Step};
use crate::settings::{AlarmSettings, BatchEdge, Delivery, Kind, Target};
use crate::status::StatusDetector;
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

impl Change {
    pub(crate) const fn at(&self) -> Uptime {
        match self {
            Self::Begins { at, .. } | Self::Ends { at } => *at,
        }
    }
}

/// At most three changes fit into one segment, and one reading completes at most two segments.
pub(crate) type Changes = Vec<Change, 8>;

/// How one alarm decides.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Detector {
    anchor: Anchor,
    /// The two signals, for the kinds that look at a difference.
    pair: Option<Pair>,
    /// The last good value of the watched signal.
    last_value: Option<f64>,
    gap_limit: Duration,
    /// No line is drawn between two values.
    stands_alone: bool,
    way: Way,
}

#[derive(Debug, Clone, PartialEq)]
enum Way {
    Average(AverageDetector),
    Band(BandDetector),
    Communication(CommunicationDetector),
    Drift(DriftDetector),
    EquivalentTime(EquivalentTimeDetector),
    Exposure(ExposureDetector),
    Forwarding(ForwardingDetector),
    Measurement(MeasurementDetector),
    Rate(RateDetector),
    Status(StatusDetector),
}

impl Detector {
    pub(crate) fn new(settings: &AlarmSettings) -> Self {
        let way = match &settings.kind {
            Kind::Limit(limit) => Way::Band(BandDetector::limit(limit).after(settings.in_a_row)),
            Kind::Deviation(deviation) => {
                Way::Band(BandDetector::deviation(deviation).after(settings.in_a_row))
            }
            Kind::TimeWeighted(weighted) => Way::Exposure(ExposureDetector::new(*weighted)),
            Kind::MovingAverage(average) => Way::Average(AverageDetector::new(*average)),
            Kind::Discrepancy(discrepancy) => Way::Band(BandDetector::discrepancy(discrepancy)),
            Kind::Rate(rate) => Way::Rate(RateDetector::new(*rate)),
            Kind::Status(status) => Way::Status(StatusDetector::new(*status)),
            Kind::EquivalentTime(time) => Way::EquivalentTime(EquivalentTimeDetector::new(*time)),
            Kind::Drift(drift) => Way::Drift(DriftDetector::new(*drift)),
            Kind::Measurement(measurement) => {
                Way::Measurement(MeasurementDetector::new(*measurement, settings.gap_limit))
            }
            Kind::Communication(settings) => Way::Communication(CommunicationDetector::new(*settings)),
            Kind::Forwarding(settings) => Way::Forwarding(ForwardingDetector::new(*settings)),
        };
        let pair = settings.kind.other_signal().map(Pair::new);
        let stands_alone = settings.in_a_row.is_some();
        Self {
            anchor: Anchor::default(),
            pair,
            last_value: None,
            gap_limit: settings.gap_limit,
            stands_alone,
            way,
        }
    }

    /// Takes up where an earlier run stopped.
    pub(crate) fn restore(&mut self, active: bool, exposure: f64) {
        self.judge_mut().restore(active, exposure);
    }

    /// An earlier run stopped when so much of an on-delay had passed.
    pub(crate) fn carry(&mut self, waited: Duration) {
        let until = Uptime::START + self.gap_limit;
        self.judge_mut().carry(waited, until);
    }

    /// How much of an on-delay has passed, as far as is known.
    pub(crate) fn waited(&self) -> Option<Duration> {
        let seen = self.anchor.last_at()?;
        self.judge().waited(seen)
    }

    pub(crate) fn set_target(&mut self, target: Option<Target>) {
        self.judge_mut().set_target(target);
    }

    /// The signal a value is compared with, if it is another one.
    pub(crate) fn reference_signal(&self) -> Option<SignalId> {
        self.pair.as_ref().map(|pair| pair.other_signal)
    }

    /// Forgets what was collected while it could not count.
    pub(crate) fn start_over(&mut self) {
        self.judge_mut().start_over();
    }

    /// A reading of the watched signal; what it changes is added to `changes`.
    pub(crate) fn handle(
        &mut self,
        at: Uptime,
        reading: Reading,
        controller_is_lost: bool,
        lent: &mut [Segment],
        changes: &mut Changes,
    ) {
        if let Reading::Good(value) = reading
            && value.is_finite()
        {
            self.last_value = Some(value);
        }
        self.judge_mut().handle_reading(at, reading, controller_is_lost, changes);
        match &mut self.pair {
            Some(pair) => {
                let found = pair.handle_watched(at, reading, self.gap_limit);
                self.take_differences(found, lent, changes);
            }
            None => self.take(at, reading, lent, changes),
        }
    }

    /// A reading of the signal a value is compared with.
    pub(crate) fn handle_reference(&mut self, at: Uptime, reading: Reading, lent: &mut [Segment]) -> Changes {
        let mut changes = Changes::new();
        if let Some(pair) = &mut self.pair {
            let found = pair.handle_other(at, reading, self.gap_limit);
            self.take_differences(found, lent, &mut changes);
        }
        changes
    }

    fn take_differences(&mut self, found: Differences, lent: &mut [Segment], changes: &mut Changes) {
        for (at, reading) in found {
            self.take(at, reading, lent, changes);
        }
    }

    fn take(&mut self, at: Uptime, reading: Reading, lent: &mut [Segment], changes: &mut Changes) {
        let step = self.anchor.step(at, reading, self.gap_limit);
        let stands_alone = self.stands_alone;
        let judge = self.judge_mut();
        match step {
            Step::Silence => {}
            // What a person takes back did not count.
            Step::Lost if stands_alone => judge.take_back(),
            Step::Lost => judge.lose_sight(),
            Step::Point(at, value) if stands_alone => judge.handle_point(at, value, lent, changes),
            Step::Joined(segment) if stands_alone => {
                judge.handle_point(segment.to_at, segment.to, lent, changes);
            }
            Step::Point(at, value) => {
                judge.lose_sight();
                judge.handle_point(at, value, lent, changes);
            }
            Step::Joined(segment) => judge.handle(&segment, lent, changes),
        }
    }

    /// A controller was scanned.
    pub(crate) fn handle_scan(&mut self, at: Uptime, answered: bool) -> Changes {
        let mut changes = Changes::new();
        self.judge_mut().handle_scan(at, answered, &mut changes);
        changes
    }

    /// Something is told of the server.
    pub(crate) fn handle_delivery(&mut self, at: Uptime, what: Delivery) -> Changes {
        let mut changes = Changes::new();
        self.judge_mut().handle_delivery(at, what, &mut changes);
        changes
    }

    /// Whether it holds a value against something, and not the absence of one.
    const fn judges_values(&self) -> bool {
        !matches!(self.way, Way::Measurement(_) | Way::Communication(_) | Way::Forwarding(_))
    }

    /// A batch begins or ends.
    pub(crate) fn handle_batch(&mut self, at: Uptime, edge: BatchEdge) -> Changes {
        let mut changes = Changes::new();
        self.judge_mut().handle_batch(at, edge, &mut changes);
        changes
    }

    /// When a timer of this detector runs out, if the last sample is then still young enough to act on.
    pub(crate) fn deadline(&self) -> Option<Uptime> {
        let deadline = self.judge().deadline()?;
        let judges_values = self.judges_values();
        let is_young = !judges_values || self.anchor.seen(deadline, self.gap_limit).is_some();
        is_young.then_some(deadline)
    }

    pub(crate) fn handle_timeout(&mut self, now: Uptime) -> Changes {
        let mut changes = Changes::new();
        if self.deadline().is_some_and(|deadline| deadline <= now) {
            self.judge_mut().run_out(now, &mut changes);
        }
        changes
    }

    pub(crate) fn exposure(&self) -> Option<f64> {
        self.judge().exposure()
    }

    /// What of it is to go on after a restart.
    pub(crate) fn carried(&self) -> Option<f64> {
        self.judge().carried()
    }

    /// Since when the value has been beyond; `None` also when it has been out of sight for too long to say.
    pub(crate) fn beyond_since(&self, now: Uptime) -> Option<Uptime> {
        let judges_values = self.judges_values();
        let is_seen = self.anchor.seen(now, self.gap_limit).is_some();
        self.judge().beyond_since().filter(|_| is_seen || !judges_values)
    }

    /// Whether its condition holds, as far as is known.
    pub(crate) fn is_active(&self) -> bool {
        self.judge().is_active()
    }

    /// Whether the last good sample says that the value is on the good side of what is watched.
    pub(crate) fn is_within(&self, now: Uptime) -> bool {
        self.anchor.seen(now, self.gap_limit).is_some() && self.beyond_since(now).is_none()
    }

    /// Why it could not find its condition now, whatever the signal did.
    pub(crate) fn blindness(&self, now: Uptime) -> Option<Blindness> {
        if !self.judges_values() {
            return None;
        }
        match self.anchor.sight(now, self.gap_limit) {
            // With a value in sight all that can be missing is what to hold it against.
            Sight::Clear => (!self.judge().has_reference()).then_some(Blindness::NothingAsked),
            Sight::NotYet => Some(Blindness::NotYetSeen),
            Sight::Bad => Some(Blindness::BadSignal),
            Sight::Gap => Some(Blindness::Gap),
        }
    }

    pub(crate) const fn last_value(&self) -> Option<f64> {
        self.last_value
    }

    pub(crate) fn forecast(&self, now: Uptime, lent: &[Segment]) -> Forecast {
        self.judge().forecast(now, self.anchor.seen(now, self.gap_limit), lent)
    }

    fn judge(&self) -> &dyn Judge {
        match &self.way {
            Way::Average(judge) => judge,
            Way::Band(judge) => judge,
            Way::Communication(judge) => judge,
            Way::Drift(judge) => judge,
            Way::EquivalentTime(judge) => judge,
            Way::Exposure(judge) => judge,
            Way::Forwarding(judge) => judge,
            Way::Measurement(judge) => judge,
            Way::Rate(judge) => judge,
            Way::Status(judge) => judge,
        }
    }

    fn judge_mut(&mut self) -> &mut dyn Judge {
        match &mut self.way {
            Way::Average(judge) => judge,
            Way::Band(judge) => judge,
            Way::Communication(judge) => judge,
            Way::Drift(judge) => judge,
            Way::EquivalentTime(judge) => judge,
            Way::Exposure(judge) => judge,
            Way::Forwarding(judge) => judge,
            Way::Measurement(judge) => judge,
            Way::Rate(judge) => judge,
            Way::Status(judge) => judge,
        }
    }
}
