//! The deviation kind: a limit on the distance from a reference that may move.
//!
//! The reference is the running recipe's setpoint, or another signal's present good value, which holds until its next
//! one. While it is not known the value is as good as unknown: delays start anew, what is active stays active.
//! Both sides are two limits; the alarm is active while one of them is.

use crate::detector::{Change, Changes, Segment};
use crate::event::Forecast;
use crate::limit::LimitDetector;
use crate::settings::{DeviationSettings, LimitSettings, Reference, Side, Target, Width};
use setward_protocol::Uptime;

/// Decides one deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DeviationDetector {
    settings: DeviationSettings,
    target: Option<Target>,
    /// The other signal's good value.
    other: Option<f64>,
    above: LimitDetector,
    below: LimitDetector,
}

impl DeviationDetector {
    pub(crate) fn new(settings: DeviationSettings) -> Self {
        let limit = |side: Side| {
            LimitDetector::new(LimitSettings {
                side,
                limit: 0.0,
                deadband: settings.deadband,
                on_delay: settings.on_delay,
                off_delay: settings.off_delay,
            })
        };
        Self { settings, target: None, other: None, above: limit(Side::Above), below: limit(Side::Below) }
    }

    pub(crate) fn restore(&mut self, active: bool) {
        for side in self.sides() {
            self.limit(side).restore(active);
        }
    }

    pub(crate) fn set_target(&mut self, target: Option<Target>) {
        self.target = target;
    }

    /// The signal it is counted from, if it is one.
    pub(crate) const fn reference_signal(&self) -> Option<setward_protocol::SignalId> {
        match self.settings.against {
            Reference::Recipe => None,
            Reference::Signal(signal) => Some(signal),
        }
    }

    /// The other signal says something; `None`: it has no good value.
    pub(crate) fn set_other(&mut self, other: Option<f64>) {
        self.other = other;
        if other.is_none() {
            self.lose_sight();
        }
    }

    pub(crate) fn lose_sight(&mut self) {
        self.above.lose_sight();
        self.below.lose_sight();
    }

    pub(crate) fn handle(&mut self, segment: &Segment, changes: &mut Changes) {
        let Some(reference) = self.reference() else {
            self.lose_sight();
            return;
        };
        let was_active = self.is_active();
        let mut found = Changes::new();
        for side in self.sides() {
            let Some(reach) = self.reach(side) else { continue };
            let level = match side {
                Side::Above => reference + reach,
                Side::Below => reference - reach,
            };
            let limit = self.limit(side);
            limit.set_limit(level);
            let mut own = Changes::new();
            limit.handle(segment, &mut own);
            found.extend(own);
        }
        self.merge(was_active, found, changes);
    }

    /// A timer has run out.
    pub(crate) fn run_out(&mut self, now: Uptime, changes: &mut Changes) {
        let was_active = self.is_active();
        let mut found = Changes::new();
        for side in self.sides() {
            let limit = self.limit(side);
            if limit.deadline().is_some_and(|due| due <= now) {
                limit.run_out(&mut found);
            }
        }
        self.merge(was_active, found, changes);
    }

    pub(crate) fn deadline(&self) -> Option<Uptime> {
        // One side at most is pending: the value can't be beyond both.
        self.above.deadline().or(self.below.deadline())
    }

    pub(crate) fn beyond_since(&self) -> Option<Uptime> {
        self.above.beyond_since().or(self.below.beyond_since())
    }

    pub(crate) fn forecast(&self, at: Uptime, value: f64) -> Forecast {
        if self.reference().is_none() {
            return Forecast::Unknown;
        }
        match (self.above.forecast(at, value), self.below.forecast(at, value)) {
            (Forecast::Quiet, other) | (other, _) => other,
        }
    }

    pub(crate) fn is_active(&self) -> bool {
        self.sides().into_iter().any(|side| match side {
            Side::Above => self.above.is_active(),
            Side::Below => self.below.is_active(),
        })
    }

    /// What both sides found, as one alarm sees it: it begins with the first and ends with the last.
    fn merge(&self, was_active: bool, found: Changes, changes: &mut Changes) {
        let begins = found.iter().find(|change| matches!(change, Change::Begins { .. }));
        let ends = found.iter().rev().find(|change| matches!(change, Change::Ends { .. }));
        let (first, second) = match (was_active, self.is_active()) {
            (false, true) => (begins, None),
            (true, false) => (ends, None),
            // Raised and cleared within one segment, or cleared on one side and raised on the other.
            (false, false) => (begins, ends),
            (true, true) => (ends.and(begins).and(ends), begins.and(ends).and(begins)),
        };
        for change in [first, second].into_iter().flatten() {
            // Four places always suffice for two changes.
            let _fits = changes.push(*change);
        }
    }

    fn sides(&self) -> heapless::Vec<Side, 2> {
        match self.settings.side {
            Some(side) => heapless::Vec::from_iter([side]),
            None => heapless::Vec::from_iter([Side::Above, Side::Below]),
        }
    }

    const fn limit(&mut self, side: Side) -> &mut LimitDetector {
        match side {
            Side::Above => &mut self.above,
            Side::Below => &mut self.below,
        }
    }

    fn reference(&self) -> Option<f64> {
        match self.settings.against {
            Reference::Recipe => Some(self.target?.setpoint),
            Reference::Signal(_) => self.other,
        }
    }

    fn reach(&self, side: Side) -> Option<f64> {
        match (self.settings.width, self.target) {
            (Width::Fixed(width), _) => Some(width),
            (width, Some(target)) => target.reach(width, side),
            (_, None) => None,
        }
    }
}
