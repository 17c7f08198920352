//! What depends on an alarm's kind: its side, what it counts from, and where trouble begins.

use super::{AlarmFacts, SignalFacts};
use setward_alarm::{AverageReference, Kind, Reference, Side, Width};
use setward_protocol::SignalId;

/// Whether a kind holds a value against something, so that it is blind without one. The automatic kinds do not: they
/// watch for the value's absence.
pub(super) const fn judges_a_value(kind: &Kind) -> bool {
    match kind {
        Kind::Limit(_)
        | Kind::Deviation(_)
        | Kind::TimeWeighted(_)
        | Kind::MovingAverage(_)
        | Kind::Discrepancy(_)
        | Kind::Rate(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Drift(_) => true,
        Kind::Measurement(_) | Kind::Communication(_) | Kind::Forwarding(_) => false,
    }
}

/// Whether a kind holds a value against the running recipe.
pub(super) const fn is_against_recipe(kind: &Kind) -> bool {
    match kind {
        Kind::TimeWeighted(_) | Kind::Drift(_) => true,
        Kind::Deviation(settings) => matches!(settings.against, Reference::Recipe),
        Kind::MovingAverage(settings) => matches!(settings.reference, AverageReference::Target(_)),
        Kind::Limit(_)
        | Kind::Discrepancy(_)
        | Kind::Rate(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Measurement(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => false,
    }
}

/// The signal that another is held against.
pub(super) const fn other_signal(kind: &Kind) -> Option<SignalId> {
    kind.other_signal()
}

impl AlarmFacts<'_> {
    /// The watched side; `None` where both are, or none.
    pub(in crate::web) const fn side(&self) -> Option<Side> {
        match self.alarm.settings.kind {
            Kind::Limit(settings) => Some(settings.side),
            Kind::Deviation(settings) => settings.side,
            Kind::TimeWeighted(settings) => Some(settings.side),
            Kind::MovingAverage(settings) => Some(settings.side),
            Kind::Discrepancy(_)
            | Kind::Rate(_)
            | Kind::Status(_)
            | Kind::EquivalentTime(_)
            | Kind::Drift(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_) => None,
        }
    }

    /// What the deviation is counted from: the limit, the recipe's setpoint, or another signal's value.
    pub(in crate::web) fn reference(&self) -> Option<f64> {
        match self.alarm.settings.kind {
            Kind::Limit(settings) => Some(settings.limit),
            Kind::TimeWeighted(_) | Kind::Drift(_) => recipe(self.signal()?),
            Kind::Deviation(settings) => match settings.against {
                Reference::Recipe => recipe(self.signal()?),
                Reference::Signal(_) => self.against.as_ref()?.view.reading.value(),
            },
            Kind::MovingAverage(settings) => match settings.reference {
                AverageReference::Limit(limit) => Some(limit),
                AverageReference::Target(_) => recipe(self.signal()?),
            },
            Kind::Discrepancy(_) => self.against.as_ref()?.view.reading.value(),
            Kind::Rate(_)
            | Kind::Status(_)
            | Kind::EquivalentTime(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_) => None,
        }
    }

    /// What the reference is called: "limit", "setpoint", "recipe", or the other signal's tag.
    pub(in crate::web) fn reference_word(&self) -> &str {
        match self.alarm.settings.kind {
            Kind::Limit(_) => "limit",
            Kind::TimeWeighted(_) | Kind::Drift(_) => "setpoint",
            Kind::MovingAverage(settings) => match settings.reference {
                AverageReference::Limit(_) => "limit",
                AverageReference::Target(_) => "setpoint",
            },
            Kind::Discrepancy(_) => self.against.as_ref().map_or("nothing", |other| &other.signal.tag),
            Kind::Deviation(_) => match &self.against {
                Some(other) => &other.signal.tag,
                None if self.signal().is_some_and(|on| on.entered.is_some()) => "recipe",
                None => "setpoint",
            },
            Kind::Rate(_)
            | Kind::Status(_)
            | Kind::EquivalentTime(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_) => "nothing",
        }
    }

    /// How far from the reference trouble begins on `side`.
    pub(super) fn edge(&self, side: Side) -> Option<f64> {
        match self.alarm.settings.kind {
            Kind::Limit(_) => Some(0.0),
            Kind::TimeWeighted(_) => Some(self.signal()?.asked?.target.tolerance(side)),
            Kind::Deviation(settings) => reach(self.signal()?, settings.width, side),
            Kind::MovingAverage(settings) => match settings.reference {
                AverageReference::Limit(_) => Some(0.0),
                AverageReference::Target(width) => reach(self.signal()?, width, side),
            },
            Kind::Discrepancy(settings) => Some(settings.apart),
            Kind::Rate(_)
            | Kind::Status(_)
            | Kind::EquivalentTime(_)
            | Kind::Drift(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_) => None,
        }
    }

    /// What counts as a small amount of this signal: its tolerance, its deadband, or a hundredth of its range.
    pub(super) fn yardstick(&self) -> f64 {
        let positive = |width: f64| Some(width).filter(|width| *width > 0.0);
        let own = match self.alarm.settings.kind {
            Kind::TimeWeighted(settings) => self.edge(settings.side),
            Kind::Limit(settings) => positive(settings.deadband),
            Kind::Deviation(settings) => self.edge(settings.side.unwrap_or(Side::Above)).and_then(positive),
            Kind::MovingAverage(settings) => positive(settings.deadband),
            Kind::Discrepancy(settings) => positive(settings.apart),
            Kind::Drift(settings) => positive(settings.sigma),
            Kind::Rate(_)
            | Kind::Status(_)
            | Kind::EquivalentTime(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_) => None,
        };
        own.unwrap_or_else(|| self.hundredth())
    }
}

/// What the recipe asks of the signal, measured or entered.
fn recipe(on: &SignalFacts<'_>) -> Option<f64> {
    on.setpoint()
}

/// How far a width reaches, in the signal's unit.
fn reach(on: &SignalFacts<'_>, width: Width, side: Side) -> Option<f64> {
    match (width, on.asked, on.entered) {
        (Width::Fixed(width), _, _) => Some(width),
        (Width::Latitude, _, Some(entered)) => Some(entered.latitude),
        (Width::Latitude | Width::Tolerance | Width::Specification, Some(asked), _) => {
            asked.target.reach(width, side)
        }
        (Width::Latitude | Width::Tolerance | Width::Specification, None, _) => None,
    }
}
