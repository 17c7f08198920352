//! What an alarm is told about itself. Plain types: the file format lives in `setward-config`.

use core::time::Duration;
use setward_protocol::{ControllerId, ModeSet, SignalId, StationId};

/// Index of an alarm in its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AlarmId(pub u16);

impl AlarmId {
    /// The index into the line's list of alarms.
    #[must_use]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// On which side of a limit or setpoint the alarm watches. Hot and cold are two alarms, so that they can't cancel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    /// Values above.
    Above,
    /// Values below.
    Below,
}

impl Side {
    /// `value - reference` counted positive towards the watched side.
    #[must_use]
    pub fn beyond(self, value: f64, reference: f64) -> f64 {
        match self {
            Self::Above => value - reference,
            Self::Below => reference - value,
        }
    }
}

/// A fixed limit with deadband and delays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitSettings {
    /// The watched side.
    pub side: Side,
    /// The limit, in the signal's unit.
    pub limit: f64,
    /// How far back inside the limit the value must come to count as back, in the signal's unit; not negative.
    pub deadband: f64,
    /// How long the value must be beyond the limit before the alarm raises.
    pub on_delay: Duration,
    /// How long the value must be back before the alarm clears.
    pub off_delay: Duration,
}

/// How much exposure raises a [`TimeWeightedSettings`] alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Allowance {
    /// Area beyond the tolerance, in signal unit times seconds. Shape 1 only.
    Area(f64),
    /// Seconds until the alarm raises at a constant twice the tolerance, whatever the shape.
    AtTwice(f64),
}

/// Exposure: how far beyond the tolerance, weighed by how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeWeightedSettings {
    /// The watched side of the setpoint in force.
    pub side: Side,
    /// What raises the alarm.
    pub allowance: Allowance,
    /// Time constant of the decay while inside the tolerance; `None` keeps exposure for ever.
    pub recovery: Option<Duration>,
    /// Exponent: 1 weighs by area, 2 counts size double, near 0 by its logarithm. 0.02 to 3.
    pub shape: f64,
    /// Share of the allowance below which the alarm clears, once inside the tolerance.
    pub clear_below: f64,
}

/// What a deviation is counted from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reference {
    /// The setpoint of the running recipe for the watched signal.
    Recipe,
    /// The present good value of another signal.
    Signal(SignalId),
}

/// How far a value may be from its reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Width {
    /// The recipe's latitude: what an operator may turn unasked.
    Latitude,
    /// The recipe's tolerance on its side.
    Tolerance,
    /// The recipe's specification on its side.
    Specification,
    /// A fixed difference, in the signal's unit.
    Fixed(f64),
}

/// How far a value is from its reference, with deadband and delays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeviationSettings {
    /// The watched side; `None` for both.
    pub side: Option<Side>,
    /// What it is counted from.
    pub against: Reference,
    /// How far is too far.
    pub width: Width,
    /// How far back inside the width the value must come to count as back, in the signal's unit; not negative.
    pub deadband: f64,
    /// How long the value must be beyond before the alarm raises.
    pub on_delay: Duration,
    /// How long the value must be back before the alarm clears.
    pub off_delay: Duration,
}

/// A signal that can't be trusted: bad, missing, not moving, or too often so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MeasurementSettings {
    /// How long it must be without a good value before the alarm raises.
    pub bad_for: Duration,
}

/// A controller that does not answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CommunicationSettings {
    /// How many scans in a row must bring nothing.
    pub polls: u32,
    /// And how long the last answer must be ago.
    pub at_least: Duration,
}

/// What kind of alarm, with its settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// A fixed limit.
    Limit(LimitSettings),
    /// Distance from the recipe's setpoint or from another signal.
    Deviation(DeviationSettings),
    /// Exposure against setpoint and tolerance of the running recipe.
    TimeWeighted(TimeWeightedSettings),
    /// Whether the signal can be trusted. It watches a signal.
    Measurement(MeasurementSettings),
    /// Whether a controller answers. It watches a controller.
    Communication(CommunicationSettings),
}

/// What an alarm watches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Watched {
    /// The readings of a signal.
    Signal(SignalId),
    /// Whether a controller answers.
    Controller(ControllerId),
}

impl Watched {
    /// The signal, if it is one.
    #[must_use]
    pub const fn signal(self) -> Option<SignalId> {
        match self {
            Self::Signal(signal) => Some(signal),
            Self::Controller(_) => None,
        }
    }
}

/// One alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AlarmSettings {
    /// What it watches.
    pub watches: Watched,
    /// How it decides.
    pub kind: Kind,
    /// Whether it stays active after the condition has gone, until a person resets it.
    pub latching: bool,
    /// The longest time between two good samples that still counts as known. Longer is unknown time.
    pub gap_limit: Duration,
    /// The station whose mode decides whether it speaks; `None`: it always may.
    pub station: Option<StationId>,
    /// The controller whose silence blinds it.
    pub controller: Option<ControllerId>,
    /// The modes of the station in which it speaks.
    pub modes: ModeSet,
    /// How long after a return to those modes it stays silent still. It ends early once the value is in tolerance.
    pub settle: Duration,
}

/// What the running recipe asks of a signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// The setpoint, in the signal's unit.
    pub setpoint: f64,
    /// How far below the setpoint is still in tolerance, in the signal's unit; positive.
    pub tolerance_below: f64,
    /// How far above the setpoint is still in tolerance, in the signal's unit; positive.
    pub tolerance_above: f64,
    /// What the operator may turn unasked, in the signal's unit: a record, no alarm.
    pub latitude: Option<f64>,
    /// Where product is held: lowest and highest, in the signal's unit.
    pub specification: Option<(f64, f64)>,
}

impl Target {
    /// How far `width` reaches on `side`, in the signal's unit; `None` where the recipe does not say.
    #[must_use]
    pub fn reach(&self, width: Width, side: Side) -> Option<f64> {
        match width {
            Width::Latitude => self.latitude,
            Width::Tolerance => Some(self.tolerance(side)),
            Width::Specification => {
                let (low, high) = self.specification?;
                Some(match side {
                    Side::Above => high - self.setpoint,
                    Side::Below => self.setpoint - low,
                })
            }
            Width::Fixed(width) => Some(width),
        }
    }

    /// The tolerance on `side`.
    #[must_use]
    pub const fn tolerance(&self, side: Side) -> f64 {
        match side {
            Side::Above => self.tolerance_above,
            Side::Below => self.tolerance_below,
        }
    }
}
