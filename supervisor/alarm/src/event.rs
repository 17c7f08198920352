//! What the engine tells the world, and what it expects to happen next.

use crate::settings::AlarmId;
use crate::state::AlarmState;
use setward_protocol::Uptime;

/// What happened to an alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Happening {
    /// Its condition began.
    Raised {
        /// When the trouble began: the first moment beyond tolerance or limit of this stretch.
        onset: Uptime,
    },
    /// It still stands so long after its acknowledgement that it is told anew.
    Realarmed,
    /// Its condition ended.
    Cleared,
    /// Its condition had ended in silence, and the silence is over: nobody was called, so nobody has to acknowledge it.
    Lapsed,
    /// A person acknowledged.
    Acknowledged,
    /// A person reset it.
    Reset,
    /// A person shelved it.
    Shelved {
        /// Until then.
        until: Uptime,
    },
    /// Its shelf time is over, or a person took it off the shelf.
    Unshelved,
    /// Maintenance took it out of service.
    OutOfService,
    /// Maintenance returned it to service.
    ReturnedToService,
    /// It stands and has become silent: a flag of [`crate::Flags`] has come on.
    Silenced,
}

/// One change of one alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AlarmEvent {
    /// Which alarm.
    pub alarm: AlarmId,
    /// Which occurrence of it, counted from 1 and across restarts.
    pub occurrence: u32,
    /// When it happened: for raising and clearing the moment of the crossing, not of the sample that showed it.
    pub at: Uptime,
    /// What happened.
    pub what: Happening,
    /// The state before.
    pub from: AlarmState,
    /// The state after.
    pub to: AlarmState,
    /// Whether a flag keeps it from annunciating: nobody is called.
    pub silent: bool,
    /// The last good value, in the signal's unit.
    pub value: Option<f64>,
    /// Exposure as a share of the allowance, for alarms that have one.
    pub exposure: Option<f64>,
}

impl AlarmEvent {
    /// Whether it calls a person: an annunciation, as [`crate::metrics`] counts them.
    #[must_use]
    pub const fn annunciates(&self) -> bool {
        let calls = matches!(self.what, Happening::Raised { .. } | Happening::Realarmed);
        calls && !self.silent
    }
}

/// What the alarm will do if the value keeps its present course.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Forecast {
    /// Nothing is under way.
    #[default]
    Quiet,
    /// It raises in so many seconds if the value stays where it is.
    Raises {
        /// Seconds from the last good sample.
        seconds: f64,
    },
    /// It has exposure, and loses it: it will not raise at the present value.
    WillNotRaise,
    /// It is active, and clears in so many seconds if the value stays where it is.
    Clears {
        /// Seconds from the last good sample.
        seconds: f64,
    },
    /// It is active and stays so while the value stays where it is.
    StaysActive,
    /// The value is not known, so nothing can be said.
    Unknown,
}
