//! Control charts: individuals with their moving range, EWMA, CUSUM.
//!
//! Limits from the moving range are far too tight for values that follow each other. [`individuals`] computes them all the
//! same, as the charts are defined, and says beside them whether they may be believed.

use super::{Effective, Refused, Samples};
use alloc::vec::Vec;

/// Mean range of two normal values, in standard deviations: d2, as tables print it.
pub const MOVING_RANGE_OF_TWO: f64 = 1.128;
/// Upper limit of the moving range of two over its mean: D4, as tables print it.
const RANGE_LIMIT: f64 = 3.267;

/// Limits of a chart of individuals, and what lies beyond them.
#[derive(Debug, Clone, PartialEq)]
pub struct Individuals {
    /// The centre line: the mean.
    pub centre: f64,
    /// Mean moving range.
    pub mean_range: f64,
    /// Lower limit of the values.
    pub low: f64,
    /// Upper limit of the values.
    pub high: f64,
    /// Upper limit of the moving range.
    pub range_high: f64,
    /// Values beyond the limits, counted from 0 over all runs.
    pub beyond: Vec<usize>,
    /// Whether the limits may be believed: not where neighbours are correlated.
    pub effective: Effective,
}

/// Mean of the moving ranges.
///
/// # Errors
/// No two neighbours; all values the same.
pub fn mean_moving_range(samples: &Samples) -> Result<f64, Refused> {
    let (sum, count) = samples.moving_ranges().fold((0.0, 0_usize), |(sum, n), range| (sum + range, n + 1));
    let mean = sum / count as f64;
    // Without a range the mean is no number, and refused likewise.
    if mean > 0.0 { Ok(mean) } else { Err(Refused::NoSpread) }
}

/// A chart of individuals.
///
/// # Errors
/// Fewer than three values, or no spread between neighbours.
pub fn individuals(samples: &Samples) -> Result<Individuals, Refused> {
    let effective = samples.effective()?;
    let (centre, mean_range) = (samples.mean(), mean_moving_range(samples)?);
    let reach = 3.0 * mean_range / MOVING_RANGE_OF_TWO;
    let (low, high) = (centre - reach, centre + reach);
    let beyond = samples.values().enumerate().filter(|(_, value)| *value < low || *value > high);
    let beyond = beyond.map(|(at, _)| at).collect();
    let range_high = RANGE_LIMIT * mean_range;
    Ok(Individuals { centre, mean_range, low, high, range_high, beyond, effective })
}

/// One point of an EWMA chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighted {
    /// The weighted mean so far.
    pub value: f64,
    /// Lower limit at this point.
    pub low: f64,
    /// Upper limit at this point.
    pub high: f64,
}

/// An EWMA chart: `weight` of the newest value (0.2 to 0.3 is usual), from `target` on, limits at three standard
/// deviations that widen from the first value on.
///
/// # Errors
/// A weight not above 0 up to 1, a standard deviation not above zero, a target that is no number.
pub fn ewma(
    values: impl IntoIterator<Item = f64>,
    target: f64,
    standard_deviation: f64,
    weight: f64,
) -> Result<Vec<Weighted>, Refused> {
    let usable = weight > 0.0 && weight <= 1.0 && standard_deviation > 0.0 && target.is_finite();
    if !usable {
        return Err(Refused::Setting);
    }
    let (mut mean, mut left) = (target, 1.0);
    let points = values.into_iter().map(|value| {
        mean += weight * (value - mean);
        left *= (1.0 - weight) * (1.0 - weight);
        let half = 3.0 * standard_deviation * libm::sqrt(weight / (2.0 - weight) * (1.0 - left));
        Weighted { value: mean, low: target - half, high: target + half }
    });
    Ok(points.collect())
}

/// Settings of a CUSUM chart, all in the signal's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CusumRule {
    /// What the values should be.
    pub target: f64,
    /// Deviations up to this do not count: half of the shift that matters.
    pub slack: f64,
    /// A sum above this is a signal.
    pub decision: f64,
}

/// The two sums of a CUSUM chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Cusum {
    /// Sum upward, value by value.
    pub high: Vec<f64>,
    /// Sum downward, value by value.
    pub low: Vec<f64>,
    /// The first value, counted from 0, at which a sum is above the decision limit.
    pub first_signal: Option<usize>,
}

/// A CUSUM chart, both ways.
///
/// # Errors
/// A target that is no number, a slack below zero, a decision limit not above zero.
pub fn cusum(values: impl IntoIterator<Item = f64>, rule: CusumRule) -> Result<Cusum, Refused> {
    let CusumRule { target, slack, decision } = rule;
    let usable = target.is_finite() && slack >= 0.0 && decision > 0.0;
    if !usable {
        return Err(Refused::Setting);
    }
    let (mut up, mut down) = (0.0_f64, 0.0_f64);
    let (mut high, mut low) = (Vec::new(), Vec::new());
    for value in values {
        up = (up + value - target - slack).max(0.0);
        down = (down + target - slack - value).max(0.0);
        high.push(up);
        low.push(down);
    }
    let first_signal = high.iter().zip(&low).position(|(up, down)| *up > decision || *down > decision);
    Ok(Cusum { high, low, first_signal })
}
