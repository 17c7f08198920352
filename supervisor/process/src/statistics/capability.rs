//! How the spread of a measurement sits in its specification.
//!
//! - Pp, Ppk: by the overall standard deviation: what the product got, shifts and drifts included.
//! - Cp, Cpk: by the spread within, from the moving range: what the process could do if nothing drifted. They need values
//!   that do not follow each other, and are refused otherwise: fast polls of a slow loop would make any process look
//!   capable.

use super::charts::{MOVING_RANGE_OF_TWO, mean_moving_range};
use super::{Refused, Samples};

/// What a specification accepts. At least one end must be set.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Specification {
    /// Not less than this.
    pub low: Option<f64>,
    /// Not more than this.
    pub high: Option<f64>,
}

/// Capability of a mean and a standard deviation against a specification.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Indices {
    /// Width of the specification over six standard deviations; `None` with one end only.
    pub width: Option<f64>,
    /// Distance of the mean from the low end, over three standard deviations.
    pub lower: Option<f64>,
    /// Distance of the mean from the high end, over three standard deviations.
    pub upper: Option<f64>,
    /// The smaller of the two: Ppk or Cpk.
    pub nearest: f64,
}

impl Specification {
    /// The indices of a process with this mean and standard deviation.
    ///
    /// # Errors
    /// No end set, ends in the wrong order or no numbers, a standard deviation that is not above zero.
    pub fn indices(&self, mean: f64, standard_deviation: f64) -> Result<Indices, Refused> {
        let is_spread = standard_deviation > 0.0 && standard_deviation.is_finite();
        if !is_spread {
            return Err(Refused::NoSpread);
        }
        let lower = self.low.map(|low| (mean - low) / (3.0 * standard_deviation));
        let upper = self.high.map(|high| (high - mean) / (3.0 * standard_deviation));
        let width = self.low.zip(self.high).map(|(low, high)| (high - low) / (6.0 * standard_deviation));
        let nearest = match (lower, upper) {
            (Some(lower), Some(upper)) => lower.min(upper),
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => return Err(Refused::Setting),
        };
        let is_usable = nearest.is_finite() && width.is_none_or(|width| width > 0.0);
        if is_usable { Ok(Indices { width, lower, upper, nearest }) } else { Err(Refused::Setting) }
    }
}

/// Capability of a record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capability {
    /// Mean.
    pub mean: f64,
    /// Overall standard deviation.
    pub overall_sd: f64,
    /// Pp and Ppk.
    pub overall: Indices,
    /// Ppk is at least and at most this, with 95 % (Bissell's approximation, from memory), by the effective size.
    pub ppk_interval: (f64, f64),
    /// Standard deviation within, by the moving range.
    pub within_sd: f64,
    /// Cp and Cpk; refused where values follow each other.
    pub within: Result<Indices, Refused>,
}

/// Capability of values against a specification.
///
/// # Errors
/// Values worth too few independent ones, without any spread, or a specification that is none.
pub fn capability(samples: &Samples, specification: Specification) -> Result<Capability, Refused> {
    let effective = samples.enough()?;
    let (mean, overall_sd) = (samples.mean(), samples.standard_deviation()?);
    let overall = specification.indices(mean, overall_sd)?;
    let within_sd = mean_moving_range(samples)? / MOVING_RANGE_OF_TWO;
    let within = match effective.sample_every_s() {
        Some(sample_every_s) => {
            Err(Refused::NotIndependent { first_lag: effective.first_lag, sample_every_s })
        }
        None => specification.indices(mean, within_sd),
    };
    let (ppk, size) = (overall.nearest, effective.size);
    let half = 1.96 * libm::sqrt(1.0 / (9.0 * size) + ppk * ppk / (2.0 * (size - 1.0)));
    let ppk_interval = (ppk - half, ppk + half);
    Ok(Capability { mean, overall_sd, overall, ppk_interval, within_sd, within })
}
