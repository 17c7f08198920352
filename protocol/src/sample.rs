//! A reading with its time, and every reason for having none.
//!
//! A reading is never not-a-number, a zero that stands for "unknown", or a silently held last value.

use crate::signal::SignalId;
use crate::time::Uptime;
use core::fmt;

/// Why there is no value. The order is the order in which a technician would look.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum NoData {
    /// No poll has been tried yet.
    NotPolled,
    /// The signal is in the file but not yet wired: nobody asks for it.
    NotCommissioned,
    /// The controller could not be reached, or did not answer in time, or its answer was unusable.
    NoReply,
    /// The connection was refused.
    Refused,
    /// The controller answered with this Modbus exception code.
    Exception(u8),
    /// The controller reports a broken sensor: a "no value" code, a status bit, a float that is not a number.
    SensorFault,
    /// The value lies outside the range the signal can have.
    OutOfRange,
    /// No new answer for longer than the signal may be old.
    Stale,
    /// The value does not move although it should.
    Stuck,
    /// The controller answers, but its program has stopped counting.
    HeartbeatStopped,
    /// The controller's program has just begun anew: its words are not filled yet.
    Restarting,
    /// Computed from other signals over a time of which too little is known yet.
    TooLittleKnown,
    /// A person has taken back what was entered.
    TakenBack,
    /// Computed for a plant that runs steadily, and it doesn't.
    NotSteady,
    /// It could be computed, but not surely enough to be told.
    TooUncertain,
}

impl NoData {
    /// Whether a value is merely missing (nothing was heard), rather than the instrument being known bad.
    ///
    /// Two good readings may be joined across a short silence, never across a known fault.
    #[must_use]
    pub const fn is_silence(self) -> bool {
        match self {
            Self::NotPolled
            | Self::NoReply
            | Self::Refused
            | Self::Exception(_)
            | Self::Stale
            | Self::TooLittleKnown => true,
            Self::NotCommissioned
            | Self::SensorFault
            | Self::OutOfRange
            | Self::Stuck
            | Self::HeartbeatStopped
            | Self::Restarting
            | Self::TakenBack
            | Self::NotSteady
            | Self::TooUncertain => false,
        }
    }
}

impl fmt::Display for NoData {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotPolled => f.write_str("not polled yet"),
            Self::NotCommissioned => f.write_str("not commissioned"),
            Self::NoReply => f.write_str("no reply"),
            Self::Refused => f.write_str("connection refused"),
            Self::Exception(code) => write!(f, "controller refused the read (exception {code:02})"),
            Self::SensorFault => f.write_str("sensor fault"),
            Self::OutOfRange => f.write_str("out of range"),
            Self::Stale => f.write_str("stale"),
            Self::Stuck => f.write_str("stuck"),
            Self::HeartbeatStopped => f.write_str("controller program stopped"),
            Self::Restarting => f.write_str("controller program just restarted"),
            Self::TooLittleKnown => f.write_str("too little known yet"),
            Self::TakenBack => f.write_str("taken back"),
            Self::NotSteady => f.write_str("not running steadily"),
            Self::TooUncertain => f.write_str("too uncertain to tell"),
        }
    }
}

/// Why a value is doubtful though there is one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Doubt {
    /// Older than one poll, younger than stale.
    Late,
    /// A second instrument disagrees.
    Disagrees,
    /// The status word that vouches for it is not known.
    Unconfirmed,
    /// The signal has not been verified on the plant.
    Unverified,
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Late => "late",
            Self::Disagrees => "a second instrument disagrees",
            Self::Unconfirmed => "its status word is not known",
            Self::Unverified => "not yet verified",
        })
    }
}

/// What is known of a signal at one moment. Values are finite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    /// A value to act on, in the signal's unit.
    Good(f64),
    /// A value to show, not to act on.
    Uncertain(f64, Doubt),
    /// No value, and why.
    Bad(NoData),
}

impl Reading {
    /// The value to act on, if there is one.
    #[must_use]
    pub const fn good(self) -> Option<f64> {
        match self {
            Self::Good(value) => Some(value),
            Self::Uncertain(..) | Self::Bad(_) => None,
        }
    }

    /// The value to show, if there is one.
    #[must_use]
    pub const fn value(self) -> Option<f64> {
        match self {
            Self::Good(value) | Self::Uncertain(value, _) => Some(value),
            Self::Bad(_) => None,
        }
    }
}

/// A reading of one signal at one moment of the run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Which signal.
    pub signal: SignalId,
    /// When the answer arrived.
    pub at: Uptime,
    /// What it said.
    pub reading: Reading,
}
