//! A signal with everything people know of it: where its value comes from, how it behaves, where a technician finds it.

use super::entry::Followed;
use super::meaning::Meaning;
use setward_process::condition::Condition;
use setward_process::derived::Derivation;
use setward_protocol::{ControllerId, Signal, StationId, Unit};
use std::collections::BTreeMap;
use std::time::Duration;

/// What a signal is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// An instrument's value.
    Measured,
    /// A setpoint, as entered or working.
    Setpoint,
    /// A controller output.
    Output,
    /// A state, a step, a bit, a counter.
    Status,
    /// A person's reading.
    Entered,
}

impl Role {
    /// The word in the files and on pages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::Setpoint => "setpoint",
            Self::Output => "output",
            Self::Status => "status",
            Self::Entered => "entered",
        }
    }
}

/// A signal with everything people know of it.
#[derive(Debug, Clone, PartialEq)]
pub struct LineSignal {
    /// ISA-5.1 tag, its identity.
    pub tag: String,
    /// Its name for people.
    pub name: String,
    /// Where it is.
    pub station: StationId,
    /// What it is for.
    pub role: Role,
    /// Unit of its value and of every setting about it.
    pub unit: Unit,
    /// Lowest and highest value it can have, in its unit.
    pub range: (f64, f64),
    /// Digits after the point on pages.
    pub decimals: u8,
    /// Where its value comes from.
    pub origin: Origin,
    /// Whether it is a value or a counter.
    pub behaves: Behaves,
    /// How long it may be exactly constant while its station runs; `None`: it is not judged by that.
    pub stuck_after: Option<Duration>,
    /// False while it is not wired yet: bad, without an alarm.
    pub commissioned: bool,
    /// What other signals must say for its value to be good. Empty: nothing.
    pub good_when: Vec<Condition>,
    /// Words for the codes of a status signal.
    pub codes: BTreeMap<i64, String>,
    /// What the signal is, for the simulator and computations: "fryer-oil-inlet".
    pub means: Option<Meaning>,
    /// How the simulator moves it when it has no physics for it.
    pub simulate: Simulate,
    /// Where a technician finds it.
    pub wiring: Wiring,
    /// Its tag before, if it was renamed: its past goes on under the new one.
    pub was: Option<String>,
}

impl LineSignal {
    /// Its registers, if it comes from a controller.
    #[must_use]
    pub const fn register(&self) -> Option<&Register> {
        match &self.origin {
            Origin::Register(register) => Some(register),
            Origin::Derived(_) | Origin::Entered | Origin::Followed(_) => None,
        }
    }
}

/// Where the value of a signal comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Origin {
    /// Registers of a controller.
    Register(Register),
    /// Other signals.
    Derived(Derivation),
    /// A person: each value stands alone.
    Entered,
    /// What is entered, and the tanks.
    Followed(Followed),
}

/// Where a signal is on the bus.
#[derive(Debug, Clone, PartialEq)]
pub struct Register {
    /// Who answers for it.
    pub controller: ControllerId,
    /// How often it is read: its own period, its group's, or its controller's.
    pub poll_every: Duration,
    /// Its registers and how they decode.
    pub wire: Signal,
}

/// How a number behaves over time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Behaves {
    /// A value: it has a mean, and a measured one moves.
    #[default]
    Value,
    /// A counter: it only goes up, and starts again at zero. No mean, no stuck test.
    Total,
}

/// A generic source for the simulator, in the signal's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Simulate {
    /// Where the value sits.
    pub typical: f64,
    /// Standard deviation of its noise.
    pub noise: f64,
    /// How fast it follows.
    pub time_constant: Duration,
}

/// Where a technician finds a signal. Every part may be unknown.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wiring {
    /// The instrument: "Pt100 class A, 4-wire".
    pub sensor: Option<String>,
    /// Card and channel.
    pub channel: Option<String>,
    /// Terminals.
    pub terminals: Option<String>,
    /// Drawing and sheet.
    pub drawing: Option<String>,
    /// Where to stand to touch it.
    pub location: Option<String>,
}
