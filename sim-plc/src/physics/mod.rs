//! The plant's units as a few differential equations: heat in, heat out, a loop that holds the setpoint.
//!
//! Each unit is one short file with a pure `step(&mut self, step, inputs, noise)`. Temperatures are in degC, energy and
//! power in J and W, everything else in SI; signal units are the business of `plant.rs`. Every constant names
//! its source: "trade figure" is a figure of the trade that can be checked, "computed" follows from such figures,
//! "illustrative" is a plausible choice for a plant that does not exist.
//!
//! A unit starts in balance: there is no start-up transient.

pub mod boiling;
pub mod conveyor;
pub mod cook;
pub mod cook_house;
pub mod fryer;
pub mod fryer_loop;
pub mod fryer_oil;
pub mod kettle;
pub mod noise;
pub mod oven;
pub mod parcel;
pub mod pid;
pub mod product;
pub mod soak;

pub use conveyor::Conveyor;
pub use noise::{Noise, Wander};
pub use pid::{PiLoop, PiTuning};

use std::fmt;
use std::time::Duration;

/// The longest stretch of time that the equations take in one go, s. The fastest of them needs a few seconds.
pub const LONGEST_STEP_S: f64 = 5.0;

/// Stretches that [`StepTime::pieces`] cuts a longer time into.
const PIECE: Duration = Duration::from_secs(1);

/// A stretch of time that the equations can take in one go: more than 0 s, at most [`LONGEST_STEP_S`].
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct StepTime {
    seconds: f64,
}

/// A stretch of time that the equations can't take, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BadStep(pub f64);

impl fmt::Display for BadStep {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "a step of {} s can't be simulated: more than 0 s and at most {LONGEST_STEP_S} s", self.0)
    }
}

impl std::error::Error for BadStep {}

impl StepTime {
    /// A step of `seconds`.
    ///
    /// # Errors
    /// When it is not a number, not above zero, or above [`LONGEST_STEP_S`].
    pub fn new(seconds: f64) -> Result<Self, BadStep> {
        if seconds > 0.0 && seconds <= LONGEST_STEP_S { Ok(Self { seconds }) } else { Err(BadStep(seconds)) }
    }

    /// `span` cut into steps of 1 s and what is left over, each with its length as whole time.
    pub fn pieces(span: Duration) -> impl Iterator<Item = (Self, Duration)> {
        let mut left = span;
        std::iter::from_fn(move || {
            let piece = left.min(PIECE);
            left -= piece;
            (!piece.is_zero()).then_some((Self { seconds: piece.as_secs_f64() }, piece))
        })
    }

    /// The step's length, s.
    #[must_use]
    pub const fn seconds(self) -> f64 {
        self.seconds
    }

    /// How much of a first-order approach with time constant `tau_s` happens in this step, 0 to 1. A time constant
    /// of zero or below follows at once.
    #[must_use]
    pub fn share(self, tau_s: f64) -> f64 {
        if tau_s > 0.0 { -libm::expm1(-self.seconds / tau_s) } else { 1.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_that_make_no_sense_are_refused() {
        for seconds in [0.0, -1.0, f64::NAN, f64::INFINITY, 5.1] {
            assert!(StepTime::new(seconds).is_err(), "{seconds}");
        }
        assert_eq!(StepTime::new(5.0).unwrap().seconds(), 5.0);
    }

    #[test]
    fn a_long_span_is_cut_into_seconds_and_the_rest() {
        let lengths: Vec<_> = StepTime::pieces(Duration::from_millis(2300)).map(|(_, span)| span).collect();
        assert_eq!(lengths, [1000, 1000, 300].map(Duration::from_millis));
        assert_eq!(StepTime::pieces(Duration::ZERO).count(), 0);
    }

    #[test]
    fn one_time_constant_is_63_percent() {
        let step = StepTime::new(2.0).unwrap();
        assert!((step.share(2.0) - 0.632_120_559).abs() < 1e-9);
        assert_eq!(step.share(0.0), 1.0);
    }
}
