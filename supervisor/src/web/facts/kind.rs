//! What depends on an alarm's kind: its side, what it counts from, and where trouble begins.

use super::AlarmFacts;
use setward_alarm::{DeviationSettings, Kind, Reference, Side, Width};

impl AlarmFacts<'_> {
    /// The watched side; `None` where both are, or none.
    pub(in crate::web) const fn side(&self) -> Option<Side> {
        match self.alarm.settings.kind {
            Kind::Limit(settings) => Some(settings.side),
            Kind::Deviation(settings) => settings.side,
            Kind::TimeWeighted(settings) => Some(settings.side),
            Kind::Measurement(_) | Kind::Communication(_) => None,
        }
    }

    /// Whether it holds a value against something, so that it is blind without one.
    pub(in crate::web) const fn judges_a_value(&self) -> bool {
        match self.alarm.settings.kind {
            Kind::Limit(_) | Kind::Deviation(_) | Kind::TimeWeighted(_) => true,
            Kind::Measurement(_) | Kind::Communication(_) => false,
        }
    }

    /// Its kind's word in the line files.
    pub(in crate::web) const fn kind_key(&self) -> &'static str {
        match self.alarm.settings.kind {
            Kind::Limit(_) => "limit",
            Kind::Deviation(_) => "deviation",
            Kind::TimeWeighted(_) => "time-weighted",
            Kind::Measurement(_) => "measurement",
            Kind::Communication(_) => "communication",
        }
    }

    /// What the deviation is counted from: the limit, the recipe's setpoint, or another signal's value, which is not known
    /// here.
    pub(in crate::web) fn reference(&self) -> Option<f64> {
        match self.alarm.settings.kind {
            Kind::Limit(settings) => Some(settings.limit),
            Kind::Deviation(DeviationSettings { against: Reference::Recipe, .. }) | Kind::TimeWeighted(_) => {
                Some(self.signal()?.asked?.target.setpoint)
            }
            Kind::Deviation(DeviationSettings { against: Reference::Signal(_), .. })
            | Kind::Measurement(_)
            | Kind::Communication(_) => None,
        }
    }

    /// "limit" or "setpoint".
    pub(in crate::web) const fn reference_word(&self) -> &'static str {
        match self.alarm.settings.kind {
            Kind::Limit(_) => "limit",
            Kind::Deviation(DeviationSettings { against: Reference::Recipe, .. }) | Kind::TimeWeighted(_) => {
                "setpoint"
            }
            Kind::Deviation(_) | Kind::Measurement(_) | Kind::Communication(_) => "reference",
        }
    }

    /// How far from the reference trouble begins on `side`.
    pub(super) fn edge(&self, side: Side) -> Option<f64> {
        let reach = |width| self.signal()?.asked?.target.reach(width, side);
        match self.alarm.settings.kind {
            Kind::Limit(_) => Some(0.0),
            Kind::Deviation(DeviationSettings { width: Width::Fixed(width), .. }) => Some(width),
            Kind::Deviation(settings) => reach(settings.width),
            Kind::TimeWeighted(_) => reach(Width::Tolerance),
            Kind::Measurement(_) | Kind::Communication(_) => None,
        }
    }

    /// What counts as a small amount of this signal: its tolerance, its deadband, or a hundredth of its range.
    pub(super) fn yardstick(&self) -> f64 {
        let tolerance =
            |side| self.signal().and_then(|on| on.asked).map(|asked| asked.target.tolerance(side));
        let some = |deadband: f64| Some(deadband).filter(|deadband| *deadband > 0.0);
        let own = match self.alarm.settings.kind {
            Kind::TimeWeighted(settings) => tolerance(settings.side),
            Kind::Limit(settings) => some(settings.deadband),
            Kind::Deviation(settings) => some(settings.deadband),
            Kind::Measurement(_) | Kind::Communication(_) => None,
        };
        own.unwrap_or_else(|| self.hundredth())
    }
}
