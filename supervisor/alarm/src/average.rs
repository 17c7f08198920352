//! The moving-average kind: the mean over a window, and a ceiling for the value itself.
//!
//! Unknown time makes the mean one of fewer seconds; with too few it is not judged, neither to raise nor to clear.

use crate::delay::{DelayDetector, Delays};
use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::judge::Judge;
use crate::mean::{Level, Mean};
use crate::segment::Segment;
use crate::settings::{AverageReference, MovingAverageSettings, Target};
use core::time::Duration;
use setward_protocol::Uptime;

/// Decides one moving average.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct AverageDetector {
    settings: MovingAverageSettings,
    target: Option<Target>,
    mean: Mean,
    /// Follows the value itself: since when it has been beyond the level.
    value: DelayDetector,
    /// Follows the value against the ceiling.
    ceiling: DelayDetector,
}

impl AverageDetector {
    pub(crate) fn new(settings: MovingAverageSettings) -> Self {
        let at_once =
            Delays { deadband: settings.deadband, on_delay: Duration::ZERO, off_delay: Duration::ZERO };
        Self {
            settings,
            target: None,
            mean: Mean::new(settings.window, settings.coverage),
            value: DelayDetector::new(Delays { deadband: 0.0, ..at_once }),
            ceiling: DelayDetector::new(at_once),
        }
    }

    fn level(&self) -> Option<Level> {
        let side = self.settings.side;
        let level = match self.settings.reference {
            AverageReference::Limit(limit) => limit,
            AverageReference::Target(width) => {
                let target = self.target?;
                target.setpoint + side.beyond(target.reach(width, side)?, 0.0)
            }
        };
        Some(Level { side, level, deadband: self.settings.deadband })
    }

    /// The segment as distances beyond `level`.
    fn beyond(&self, segment: &Segment, level: f64) -> Segment {
        let beyond = |value| self.settings.side.beyond(value, level);
        Segment { from: beyond(segment.from), to: beyond(segment.to), ..*segment }
    }
}

impl Judge for AverageDetector {
    fn restore(&mut self, active: bool, _: f64) {
        self.mean.is_beyond = active;
    }

    fn set_target(&mut self, target: Option<Target>) {
        self.target = target;
    }

    fn start_over(&mut self) {
        self.mean.start_over();
        self.value.restore(false);
        self.ceiling.restore(false);
    }

    fn lose_sight(&mut self) {
        self.value.lose_sight();
        self.ceiling.lose_sight();
    }

    fn handle(&mut self, segment: &Segment, lent: &mut [Segment], changes: &mut Changes) {
        let level = self.level();
        let mut unused = Changes::new();
        if let Some(level) = &level {
            self.value.handle(&self.beyond(segment, level.level), &mut unused);
        }
        let (mut mean, mut ceiling) = (self.mean.is_beyond, self.ceiling.is_active());
        let mut over = Changes::new();
        if let Some(ceiling) = self.settings.ceiling {
            self.ceiling.handle(&self.beyond(segment, ceiling), &mut over);
        }
        let turns = self.mean.take(segment, level, lent);
        if turns.is_empty() && over.is_empty() {
            return;
        }
        // Active while either is: both in order of time.
        let (mut turns, mut over) = (turns.iter().peekable(), over.iter().peekable());
        loop {
            let was_active = mean || ceiling;
            let over_is_next = match (turns.peek(), over.peek()) {
                (Some(turn), Some(change)) => change.at() <= turn.0,
                (None, Some(_)) => true,
                (Some(_), None) => false,
                (None, None) => return,
            };
            let at = if over_is_next {
                let Some(change) = over.next() else { return };
                ceiling = matches!(change, Change::Begins { .. });
                change.at()
            } else {
                let Some((at, is_beyond)) = turns.next() else { return };
                mean = *is_beyond;
                *at
            };
            let onset = self.value.beyond_since().map_or(at, |since| since.min(at));
            let _fits = match (was_active, mean || ceiling) {
                (false, true) => changes.push(Change::Begins { at, onset }),
                (true, false) => changes.push(Change::Ends { at }),
                (true, true) | (false, false) => Ok(()),
            };
        }
    }

    fn is_active(&self) -> bool {
        self.mean.is_beyond || self.ceiling.is_active()
    }

    fn beyond_since(&self) -> Option<Uptime> {
        self.value.beyond_since()
    }

    fn has_reference(&self) -> bool {
        self.level().is_some()
    }

    fn forecast(&self, _: Uptime, seen: Option<(Uptime, f64)>, lent: &[Segment]) -> Forecast {
        let (Some((_, value)), Some(level)) = (seen, self.level()) else { return Forecast::Unknown };
        let is_over = self.settings.side.beyond(value, level.level) > 0.0;
        match (self.is_active(), self.mean.turns_in_s(value, &level, lent)) {
            (true, _) if self.ceiling.is_active() => Forecast::StaysActive,
            (true, Some(seconds)) => Forecast::Clears { seconds },
            (true, None) => Forecast::StaysActive,
            (false, Some(seconds)) => Forecast::Raises { seconds },
            (false, None) if is_over => Forecast::WillNotRaise,
            (false, None) => Forecast::Quiet,
        }
    }
}
