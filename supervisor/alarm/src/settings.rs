//! What an alarm is told about itself. Plain types: the file format lives in `setward-config`.

mod kinds;

use core::time::Duration;
pub use kinds::{
    Allowance, AverageReference, CODES_MAX, Codes, CommunicationSettings, DeviationSettings,
    DiscrepancySettings, DriftSettings, EquivalentTimeSettings, ForwardingSettings, Leak, LimitSettings,
    MeasurementSettings, MovingAverageSettings, RateSettings, Reference, StatusSettings,
    TimeWeightedSettings, Width,
};
use setward_protocol::{ControllerId, ModeSet, SignalId, StationId};

/// Index of an alarm in its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AlarmId(pub u16);

impl AlarmId {
    /// The index into the line's list of alarms.
    #[must_use]
    #[inline]
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
    #[inline]
    pub fn beyond(self, value: f64, reference: f64) -> f64 {
        match self {
            Self::Above => value - reference,
            Self::Below => reference - value,
        }
    }
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
    /// The mean over a window.
    MovingAverage(MovingAverageSettings),
    /// Two signals that should agree.
    Discrepancy(DiscrepancySettings),
    /// How fast it changes.
    Rate(RateSettings),
    /// A code or bit.
    Status(StatusSettings),
    /// Thermal dose of a batch.
    EquivalentTime(EquivalentTimeSettings),
    /// A slow drift from the setpoint.
    Drift(DriftSettings),
    /// Whether the signal can be trusted. It watches a signal.
    Measurement(MeasurementSettings),
    /// Whether a controller answers. It watches a controller.
    Communication(CommunicationSettings),
    /// Whether a server has what was sent. It watches a server.
    Forwarding(ForwardingSettings),
}

impl Kind {
    /// The kind's name, as in the line files.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Limit(_) => "limit",
            Self::Deviation(_) => "deviation",
            Self::TimeWeighted(_) => "time-weighted",
            Self::MovingAverage(_) => "moving-average",
            Self::Discrepancy(_) => "discrepancy",
            Self::Rate(_) => "rate",
            Self::Status(_) => "status",
            Self::EquivalentTime(_) => "equivalent-time",
            Self::Drift(_) => "drift",
            Self::Measurement(_) => "measurement",
            Self::Communication(_) => "communication",
            Self::Forwarding(_) => "forwarding",
        }
    }
}

impl Kind {
    /// The second signal the kind looks at, if it looks at one.
    #[must_use]
    pub const fn other_signal(&self) -> Option<SignalId> {
        match self {
            Self::Deviation(DeviationSettings { against: Reference::Signal(signal), .. }) => Some(*signal),
            Self::Discrepancy(settings) => Some(settings.other),
            Self::Deviation(DeviationSettings { against: Reference::Recipe, .. })
            | Self::Limit(_)
            | Self::TimeWeighted(_)
            | Self::MovingAverage(_)
            | Self::Rate(_)
            | Self::Status(_)
            | Self::EquivalentTime(_)
            | Self::Drift(_)
            | Self::Measurement(_)
            | Self::Communication(_)
            | Self::Forwarding(_) => None,
        }
    }

    /// The window over which the kind keeps what it has seen.
    const fn window(&self) -> Option<Duration> {
        match self {
            Self::MovingAverage(settings) => Some(settings.window),
            Self::Rate(settings) => Some(settings.kept()),
            Self::Status(StatusSettings { share: Some((_, window)), .. }) => Some(*window),
            Self::Status(StatusSettings { share: None, .. })
            | Self::Limit(_)
            | Self::Deviation(_)
            | Self::TimeWeighted(_)
            | Self::Discrepancy(_)
            | Self::EquivalentTime(_)
            | Self::Drift(_)
            | Self::Measurement(_)
            | Self::Communication(_)
            | Self::Forwarding(_) => None,
        }
    }
}

/// What an alarm watches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Watched {
    /// The readings of a signal.
    Signal(SignalId),
    /// Whether a controller answers.
    Controller(ControllerId),
    /// Whether a server that history is sent to keeps up.
    Server(ServerId),
}

/// Index of a server in its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ServerId(pub u8);

impl ServerId {
    /// The index into the line's list of servers.
    #[must_use]
    #[inline]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// What is told of a server.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Delivery {
    /// Sending to it begins.
    Begins,
    /// It is known to lack something.
    Behind,
    /// It has everything there is.
    CaughtUp,
    /// Something was dropped before it had it.
    Lost,
}

impl Watched {
    /// The signal, if it is one.
    #[must_use]
    pub const fn signal(self) -> Option<SignalId> {
        match self {
            Self::Signal(signal) => Some(signal),
            Self::Controller(_) | Self::Server(_) => None,
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
    /// How often a reading is expected. Sizes the storage of windows.
    pub poll_every: Duration,
    /// The longest time between two good samples that still counts as known; of the slower signal, if it looks at two.
    /// Longer is unknown time.
    pub gap_limit: Duration,
    /// The station whose mode decides whether it speaks; `None`: it always may.
    pub station: Option<StationId>,
    /// The controller whose silence blinds it.
    pub controller: Option<ControllerId>,
    /// The modes of the station in which it speaks.
    pub modes: ModeSet,
    /// How long after a return to those modes it stays silent still. It ends early once the value is in tolerance.
    pub settle: Duration,
    /// How long after an acknowledgement it is told anew if it still stands; `None`: never.
    pub realarm_after: Option<Duration>,
    /// How long, once told, it hides the alarms that follow from it; `None`: as long as it stands.
    pub hides_for: Option<Duration>,
    /// The longest time a person may shelve it at once; `None`: any.
    pub shelve_most: Option<Duration>,
    /// The alarms of one trouble, among which the first is marked.
    pub group: Option<CauseGroup>,
    /// The values stand alone, as a person's do: nothing is known between two of them, and so many in a row must be beyond
    /// before a limit or deviation raises; one that is back clears it. `None`: samples are joined by straight lines.
    pub in_a_row: Option<core::num::NonZeroU8>,
}

/// Most segments that one alarm is lent: beyond, neighbours are joined.
pub const SEGMENTS_PER_ALARM_MAX: usize = 8192;

impl AlarmSettings {
    /// How many segments the alarm keeps: its window divided by the time between readings, for the kinds that have one.
    #[must_use]
    pub fn segments_needed(&self) -> usize {
        let Some(window) = self.kind.window() else { return 0 };
        let readings = window.as_secs_f64() / self.poll_every.as_secs_f64();
        // Both ends of the window cut a segment, and one comes in before one goes out. The cast saturates.
        (readings.max(0.0) as usize).saturating_add(4).clamp(8, SEGMENTS_PER_ALARM_MAX)
    }
}

/// Alarms that one trouble sets off one after the other, such as those of one burner.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CauseGroup(pub u16);

/// An edge of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum BatchEdge {
    /// The batch begins: what is counted per batch starts at zero.
    Begins,
    /// The batch ends: what it got is judged.
    Ends,
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
    /// Whether `value`, in the signal's unit, lies within tolerance. What is no number does not.
    #[must_use]
    pub fn is_within_tolerance(&self, value: f64) -> bool {
        self.setpoint - self.tolerance_below <= value && value <= self.setpoint + self.tolerance_above
    }

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
