//! Setpoints that a build with writing may write, as `site.toml` enables them one by one. Nothing else can be written.

use setward_protocol::{ModeSet, SignalId};
use std::time::Duration;

/// An entered setpoint that may be written, and within what.
#[derive(Debug, Clone, PartialEq)]
pub struct SetpointWrite {
    /// The entered setpoint: a holding register.
    pub signal: SignalId,
    /// Lowest and highest that is ever written, in the signal's unit.
    pub between: (f64, f64),
    /// Largest change in one write, in the signal's unit of differences; more than 0.
    pub most_step: f64,
    /// A larger change goes in steps so far apart; `None`: it is refused.
    pub step_every: Option<Duration>,
    /// Modes of its station in which it is written.
    pub modes: ModeSet,
    /// Most writes of it within a day: its memory wears.
    pub writes_per_day: u32,
}
