//! Settings of each kind of alarm.

use super::Side;
use core::time::Duration;
use setward_protocol::SignalId;

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
    /// Seconds until the alarm raises at a constant twice the tolerance, whatever the shape, without a leak.
    AtTwice(f64),
}

/// When exposure decays.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Leak {
    /// Only within tolerance: nothing beyond it is tolerated for ever.
    #[default]
    Inside,
    /// All the time, by the time constant `recovery`: a small deviation is tolerated for ever.
    Always {
        /// The least deviation that counts, in tolerances; 1 or more. It takes the place of the tolerance throughout.
        pick_up: f64,
    },
}

/// Exposure: how far beyond the tolerance, weighed by how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeWeightedSettings {
    /// The watched side of the setpoint in force.
    pub side: Side,
    /// What raises the alarm.
    pub allowance: Allowance,
    /// Time constant of the decay; `None` keeps exposure until the next batch begins.
    pub recovery: Option<Duration>,
    /// Exponent: 1 weighs by area, 2 counts size double, near 0 by its logarithm. 0.02 to 3.
    pub shape: f64,
    /// Share of the allowance below which the alarm clears, once inside the tolerance.
    pub clear_below: f64,
    /// When exposure decays.
    pub leak: Leak,
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

/// What a mean is held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AverageReference {
    /// A fixed limit, in the signal's unit.
    Limit(f64),
    /// The running recipe's setpoint and this width of it, on the watched side.
    Target(Width),
}

/// The mean over a window, and a ceiling for the value itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MovingAverageSettings {
    /// The watched side.
    pub side: Side,
    /// What the mean is held against.
    pub reference: AverageReference,
    /// How far back mean (and value, at the ceiling) must come to count as back, in the signal's unit; not negative.
    pub deadband: f64,
    /// The window; longer than the time between two samples.
    pub window: Duration,
    /// The least share of the window that must be known to judge it; above 0, at most 1.
    pub coverage: f64,
    /// A value that raises the alarm at once, in the signal's unit, on the watched side.
    pub ceiling: Option<f64>,
}

/// Two signals that should agree: two probes, or a command and what came of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DiscrepancySettings {
    /// The signal the watched one should agree with.
    pub other: SignalId,
    /// How far apart is too far, in the signals' unit; 0.5 for two states.
    pub apart: f64,
    /// How far back inside that they must come to count as agreeing; not negative.
    pub deadband: f64,
    /// How long they must disagree before the alarm raises.
    pub on_delay: Duration,
    /// How long they must agree before the alarm clears.
    pub off_delay: Duration,
}

/// How fast a signal changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateSettings {
    /// `Above`: it rises faster than the rate. `Below`: it rises slower than the rate, stands or falls.
    pub side: Side,
    /// The rate, in the signal's unit a minute; positive.
    pub per_minute: f64,
    /// The window through which the straight line is laid.
    pub over: Duration,
    /// The value of one count of the signal, in its unit; 0 if it has none.
    pub quantum: f64,
    /// Only while the value lies here, in the signal's unit; lowest and highest.
    pub between: Option<(f64, f64)>,
}

impl RateSettings {
    /// How long samples are kept: beyond the window, as long as the segment in which the slope is looked for may be.
    pub(crate) const fn kept(&self) -> Duration {
        self.over.saturating_mul(2)
    }

    /// Whether the rate moves the signal by at least ten counts within the window. Less can't be told from rounding; the
    /// alarm then never raises.
    #[must_use]
    pub fn resolves(&self) -> bool {
        let change = libm::fabs(self.per_minute) * self.over.as_secs_f64() / 60.0;
        change > 0.0 && change >= 10.0 * self.quantum
    }
}

/// Most codes of one status alarm.
pub const CODES_MAX: usize = 8;

/// The codes at which a status alarm raises.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Codes {
    codes: [i64; CODES_MAX],
    count: usize,
}

impl Codes {
    /// These codes; `None` if there are more than [`CODES_MAX`].
    #[must_use]
    pub fn of(codes: &[i64]) -> Option<Self> {
        let mut list = Self { codes: [0; CODES_MAX], count: codes.len() };
        list.codes.get_mut(..codes.len())?.copy_from_slice(codes);
        Some(list)
    }

    /// The codes, as they were given.
    #[must_use]
    pub fn as_slice(&self) -> &[i64] {
        self.codes.get(..self.count).unwrap_or_default()
    }

    /// Whether `value` is one of them. Codes are well below 2^53, so comparing as floats is exact.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        self.as_slice().iter().any(|code| value == *code as f64)
    }
}

/// A code or bit that says something is not as it should be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StatusSettings {
    /// The codes that raise it.
    pub is: Codes,
    /// How long it must be so before the alarm raises.
    pub on_delay: Duration,
    /// How long it must not be so before the alarm clears.
    pub off_delay: Duration,
    /// It is so when at least this share (above 0, at most 1) of this window was; `None`: when the last reading is.
    pub share: Option<(f64, Duration)>,
}

/// The time at a reference temperature that does the same, for one batch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EquivalentTimeSettings {
    /// The reference temperature, in the signal's unit.
    pub reference: f64,
    /// How much more of the signal's unit makes it ten times as fast; positive.
    pub z: f64,
    /// The least a batch must get; judged at its end.
    pub least: Option<Duration>,
    /// The most a batch may get; judged at once.
    pub most: Option<Duration>,
}

/// A slow drift of the mean from the setpoint. Advisory.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftSettings {
    /// What of each mean's distance does not count, in standard deviations; half the shift to be found.
    pub slack: f64,
    /// The sum that raises the alarm, in standard deviations.
    pub decide: f64,
    /// How long the signal remembers: the time after which its autocorrelation has fallen to 1/e. Means are taken over
    /// three of it.
    pub correlation_time: Duration,
    /// The standard deviation of those means, in the signal's unit; positive.
    pub sigma: f64,
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

/// A server that history is sent to, and that lags.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ForwardingSettings {
    /// How long it may lack something before the alarm raises.
    pub behind_most: Duration,
}
