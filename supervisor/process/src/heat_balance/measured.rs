//! A value with its standard uncertainty in two parts, and the law of propagation.

use super::COVERAGE;
use crate::statistics::{Refused, Samples};

/// A value and how well it is known. Both parts are standard uncertainties in the value's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The best estimate.
    pub value: f64,
    /// Independent from one time to another: noise of the mean over the time (by its effective sample size).
    pub noise: f64,
    /// The same at all times: calibration, published constants.
    pub bias: f64,
}

impl Measured {
    /// A value with noise and bias, both as standard uncertainties.
    #[must_use]
    pub const fn new(value: f64, noise: f64, bias: f64) -> Self {
        Self { value, noise, bias }
    }

    /// A value that is taken as exact.
    #[must_use]
    pub const fn exact(value: f64) -> Self {
        Self { value, noise: 0.0, bias: 0.0 }
    }

    /// The mean of a measurement over a time, with the noise that its effective size leaves in it, and a bias.
    ///
    /// # Errors
    /// Values worth too few independent ones. Values that are all the same have no noise, and are taken.
    pub fn mean_of(samples: &Samples, bias: f64) -> Result<Self, Refused> {
        let value = samples.mean();
        match samples.enough() {
            Ok(effective) => {
                let noise = samples.standard_deviation()? / libm::sqrt(effective.size);
                Ok(Self { value, noise, bias })
            }
            Err(Refused::NoSpread) => Ok(Self { value, noise: 0.0, bias }),
            Err(why) => Err(why),
        }
    }

    /// Both parts together: its standard uncertainty.
    #[must_use]
    pub fn uncertainty(&self) -> f64 {
        libm::hypot(self.noise, self.bias)
    }

    /// Whether two independent values differ by more than twice the standard uncertainty of their difference.
    #[must_use]
    pub fn differs_from(&self, other: Self) -> bool {
        let apart = (self.value - other.value).abs();
        apart > COVERAGE * libm::hypot(self.uncertainty(), other.uncertainty())
    }

    fn is_good(&self) -> bool {
        self.value.is_finite() && [self.noise, self.bias].iter().all(|part| *part >= 0.0 && part.is_finite())
    }

    /// A function of independent inputs.
    #[must_use]
    pub(crate) fn propagated<const N: usize>(of: impl Fn([f64; N]) -> f64, inputs: &[Self; N]) -> Self {
        Self {
            value: of(inputs.map(|input| input.value)),
            noise: spread_of(&of, &inputs.map(|input| (input.value, input.noise))),
            bias: spread_of(&of, &inputs.map(|input| (input.value, input.bias))),
        }
    }
}

/// `Some` if all of them are numbers with uncertainties of 0 or more.
pub(crate) fn all_good(inputs: &[Measured]) -> Option<()> {
    inputs.iter().all(Measured::is_good).then_some(())
}

/// Standard uncertainty of a function: each input moved by its own uncertainty both ways, the halves of the differences
/// added in square.
pub(crate) fn spread_of<const N: usize>(of: impl Fn([f64; N]) -> f64, inputs: &[(f64, f64); N]) -> f64 {
    let mut squares = 0.0;
    for at in 0..N {
        let moved = |sign: f64| {
            of(core::array::from_fn(|other| {
                let (value, uncertainty) = inputs.get(other).copied().unwrap_or_default();
                if other == at { value + sign * uncertainty } else { value }
            }))
        };
        let half = (moved(1.0) - moved(-1.0)) / 2.0;
        squares += half * half;
    }
    libm::sqrt(squares)
}
