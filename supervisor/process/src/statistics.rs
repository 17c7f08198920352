//! What a measurement did over hours and shifts, in figures that stand up to a second look.
//!
//! - [`Deviations`]: value less setpoint, on counted time only (the station ran, the signal was good), where the setpoint
//!   moved with it: seconds in the band, area outside it, mean and standard deviation by time.
//! - [`Samples`]: the same at a steady interval, in unbroken runs: what charts and capability need.
//! - [`capability`]: Ppk from the overall standard deviation, Cpk from the moving range; the two are never mixed up.
//! - [`summary`]: what a report says of one measurement, in one go.
//! - [`charts`]: individuals and moving range, EWMA, CUSUM.
//! - [`charted`]: the same of a measurement, at an interval at which they may be believed.
//! - [`compare`]: do two windows differ, and by how much at least.
//!
//! Polls of a slow loop follow each other closely: 1,000 of them may say no more than 20 independent ones would. So every
//! figure that needs independence asks for the effective size first, and is refused with a reason where that is too
//! small.
//!
//! Sources: NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.1.6 and 6.3.2, and NIST's certified data sets,
//! named at each test.

pub mod capability;
pub mod charted;
pub mod charts;
pub mod compare;
mod deviations;
mod distributions;
#[cfg(test)]
mod nist;
mod samples;
pub mod summary;
#[cfg(test)]
mod tests;

pub use deviations::{Band, Deviations};
pub use distributions::t_quantile;
pub use samples::{Effective, Samples};

use core::fmt;

/// Independent values that a mean or a spread must be worth before it is judged. Engineering judgement.
pub const LEAST_EFFECTIVE: f64 = 10.0;

/// Why a figure is not told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Refused {
    /// No value at all in the time asked for.
    Nothing,
    /// The values are worth too few independent ones.
    TooFew {
        /// How many values there are.
        count: usize,
        /// How many independent ones they are worth.
        effective: f64,
        /// How many it takes.
        needed: f64,
    },
    /// The values follow each other: the moving range says nothing about their spread.
    NotIndependent {
        /// Correlation of each with the next.
        first_lag: f64,
        /// From this interval on they would be nearly independent, s.
        sample_every_s: f64,
    },
    /// All values are the same: there is no spread to hold against anything.
    NoSpread,
    /// A limit, an interval or a weight that is none.
    Setting,
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Nothing => f.write_str("no good value while it ran; choose another time"),
            Self::TooFew { count, effective, needed } => {
                write!(
                    f,
                    "{count} values are worth {effective:.1} independent ones, {needed} are needed; choose a longer time"
                )
            }
            Self::NotIndependent { first_lag, sample_every_s } => {
                write!(
                    f,
                    "each value follows the one before it (correlation {first_lag:.2}); take one each {sample_every_s:.0} s"
                )
            }
            Self::NoSpread => f.write_str("all values are the same; check that the signal is alive"),
            Self::Setting => f.write_str(
                "a limit or setting is not usable; give numbers, the low limit below the high one",
            ),
        }
    }
}

impl core::error::Error for Refused {}
