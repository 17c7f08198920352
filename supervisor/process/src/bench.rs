//! Sensors at the bench: what a meter shows at a temperature, and what temperature a meter's reading is.
//!
//! - [`Pt100`]: IEC 60751, ohms both ways, tolerance classes.
//! - [`Thermocouple`]: types J and K, ITS-90, millivolts both ways, with the reference junction done right.
//! - [`CurrentLoop`]: 4 to 20 mA with the fault bands of NAMUR NE 43.
//!
//! For calibration and loop checks by hand. The supervisor itself reads scaled registers.

mod current_loop;
mod pt100;
mod thermocouple;

pub use current_loop::{Current, CurrentLoop};
pub use pt100::{Class, Pt100};
pub use thermocouple::Thermocouple;

use core::fmt;

/// A value outside what the sensor's standard covers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutOfRange {
    /// What was given.
    pub found: f64,
    /// The lowest and highest that are covered.
    pub covered: (f64, f64),
    /// The unit of all three.
    pub unit: &'static str,
}

impl fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { found, covered: (low, high), unit } = self;
        write!(f, "{found} {unit} is outside {low} to {high} {unit}; check sensor type, wiring and unit")
    }
}

impl core::error::Error for OutOfRange {}

fn within(found: f64, covered: (f64, f64), unit: &'static str) -> Result<f64, OutOfRange> {
    if (covered.0..=covered.1).contains(&found) {
        Ok(found)
    } else {
        Err(OutOfRange { found, covered, unit })
    }
}
