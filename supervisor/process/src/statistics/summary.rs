//! Everything that a shift's or a batch's report says of one measurement, in one go.

use super::capability::{Capability, Specification, capability};
use super::{Band, Deviations, Effective, Refused};
use core::time::Duration;
use setward_protocol::Uptime;

/// What a report holds a measurement against. All limits are differences from the setpoint, in the signal's unit (or plain
/// values for one without a setpoint).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Against {
    /// Lower end of the tolerance; `None`: none.
    pub low: Option<f64>,
    /// Upper end of the tolerance; `None`: none.
    pub high: Option<f64>,
    /// The specification, for capability.
    pub specification: Specification,
    /// The interval at which values are taken for capability and the effective size.
    pub every: Duration,
}

/// A measurement over counted time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// How long it is known, s.
    pub known_s: f64,
    /// How much of the counted time it is not known, s.
    pub unknown_s: f64,
    /// Mean by time.
    pub mean: f64,
    /// Standard deviation by time.
    pub standard_deviation: f64,
    /// Lowest value, and when.
    pub lowest: (Uptime, f64),
    /// Highest value, and when.
    pub highest: (Uptime, f64),
    /// Time and area about the tolerance.
    pub band: Band,
    /// How many independent values it is worth.
    pub effective: Result<Effective, Refused>,
    /// Capability against the specification; refused with a reason where it can't be told, or none is set.
    pub capability: Result<Capability, Refused>,
}

/// Sums up a measurement.
///
/// # Errors
/// No known time; limits that are none.
pub fn summary(deviations: &Deviations, against: Against) -> Result<Summary, Refused> {
    let samples = deviations.samples(against.every)?;
    let [lowest, highest] = deviations.extremes()?;
    Ok(Summary {
        known_s: deviations.known_s(),
        unknown_s: deviations.unknown_s(),
        mean: deviations.mean()?,
        standard_deviation: deviations.standard_deviation()?,
        lowest,
        highest,
        band: deviations.band(against.low, against.high)?,
        effective: samples.effective(),
        capability: capability(&samples, against.specification),
    })
}
