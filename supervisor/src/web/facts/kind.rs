//! What depends on an alarm's kind: its side, what it counts from, and where trouble begins.

use super::AlarmFacts;
use setward_alarm::{Kind, Side};

/// Whether a kind holds a value against something, so that it is blind without one. The automatic kinds do not: they
/// watch for the value's absence.
pub(super) const fn judges_a_value(kind: &Kind) -> bool {
    match kind {
        Kind::Limit(_) | Kind::TimeWeighted(_) => true,
    }
}

impl AlarmFacts<'_> {
    /// The watched side; `None` where both are, or none.
    pub(in crate::web) const fn side(&self) -> Option<Side> {
        match self.alarm.settings.kind {
            Kind::Limit(settings) => Some(settings.side),
            Kind::TimeWeighted(settings) => Some(settings.side),
        }
    }

    /// Its kind's word in the line files.
    pub(in crate::web) const fn kind_key(&self) -> &'static str {
        match self.alarm.settings.kind {
            Kind::Limit(_) => "limit",
            Kind::TimeWeighted(_) => "time-weighted",
        }
    }

    /// What the deviation is counted from: the limit, or the recipe's setpoint.
    pub(in crate::web) fn reference(&self) -> Option<f64> {
        match self.alarm.settings.kind {
            Kind::Limit(settings) => Some(settings.limit),
            Kind::TimeWeighted(_) => Some(self.signal()?.asked?.target.setpoint),
        }
    }

    /// "limit" or "setpoint".
    pub(in crate::web) const fn reference_word(&self) -> &'static str {
        match self.alarm.settings.kind {
            Kind::Limit(_) => "limit",
            Kind::TimeWeighted(_) => "setpoint",
        }
    }

    /// How far from the reference trouble begins on `side`.
    pub(super) fn edge(&self, side: Side) -> Option<f64> {
        match self.alarm.settings.kind {
            Kind::Limit(_) => Some(0.0),
            Kind::TimeWeighted(_) => Some(self.signal()?.asked?.target.tolerance(side)),
        }
    }

    /// What counts as a small amount of this signal: its tolerance, its deadband, or a hundredth of its range.
    pub(super) fn yardstick(&self) -> f64 {
        let tolerance =
            |side| self.signal().and_then(|on| on.asked).map(|asked| asked.target.tolerance(side));
        let own = match self.alarm.settings.kind {
            Kind::TimeWeighted(settings) => tolerance(settings.side),
            Kind::Limit(settings) => Some(settings.deadband).filter(|deadband| *deadband > 0.0),
        };
        own.unwrap_or_else(|| self.hundredth())
    }
}
