//! Whether a loop swings: by how regularly its autocorrelation crosses zero, which noise hardly touches.
//!
//! Thornhill, Huang and Zhang (2003, Journal of Process Control 13, from memory): the intervals between the first eleven
//! crossings; regular if their mean is more than three standard deviations of them.

use crate::statistics::{Refused, Samples};
use alloc::vec::Vec;

/// Intervals that are looked at.
const MOST_INTERVALS: usize = 10;
/// Intervals that it takes: two and a half periods.
const LEAST_INTERVALS: usize = 5;

/// A regular swing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Oscillation {
    /// One whole swing, s.
    pub period_s: f64,
    /// How far it goes to either side of the mean, in the signal's unit: by the part of the variance that returns after one
    /// period.
    pub amplitude: f64,
    /// Mean interval over three of its standard deviations: above 1 is regular. Bounded at 100.
    pub regularity: f64,
}

/// Values that are looked at, the newest: more would take long and say no more.
const MOST_VALUES: usize = 20_000;
/// Lags that are looked at: a swing of up to 800 intervals is found.
const MOST_LAGS: usize = 2000;

/// Looks for a swing in the longest unbroken run. `None` if there is none that is regular.
///
/// # Errors
/// Fewer than twenty values in one run, or no spread.
pub fn oscillation(samples: &Samples) -> Result<Option<Oscillation>, Refused> {
    let run = samples.runs().max_by_key(|run| run.len()).unwrap_or_default();
    let run = run.get(run.len().saturating_sub(MOST_VALUES)..).unwrap_or_default();
    if run.len() < 20 {
        let count = run.len();
        return Err(Refused::TooFew { count, effective: count as f64, needed: 20.0 });
    }
    let correlation = correlations(run).ok_or(Refused::NoSpread)?;
    let crossings = crossings(&correlation);
    let intervals: Vec<f64> = crossings
        .windows(2)
        .take(MOST_INTERVALS)
        .filter_map(|pair| if let [a, b] = pair { Some(b - a) } else { None })
        .collect();
    if intervals.len() < LEAST_INTERVALS {
        return Ok(None);
    }
    let count = intervals.len() as f64;
    let mean = intervals.iter().sum::<f64>() / count;
    let squares: f64 = intervals.iter().map(|interval| (interval - mean) * (interval - mean)).sum();
    let sd = libm::sqrt(squares / (count - 1.0));
    let regularity = if sd > 0.0 { (mean / (3.0 * sd)).min(100.0) } else { 100.0 };
    if regularity <= 1.0 {
        return Ok(None);
    }
    let returns = correlation.get(libm::round(2.0 * mean) as usize).copied().unwrap_or_default().max(0.0);
    let amplitude = libm::sqrt(2.0 * returns * variance(run));
    Ok(Some(Oscillation { period_s: 2.0 * mean * samples.every_s(), amplitude, regularity }))
}

fn variance(run: &[f64]) -> f64 {
    let count = run.len() as f64;
    let mean = run.iter().sum::<f64>() / count;
    run.iter().map(|value| (value - mean) * (value - mean)).sum::<f64>() / count
}

/// Autocorrelation by lag, up to half the run, each by the pairs that there are: a swing does not fade with the lag.
fn correlations(run: &[f64]) -> Option<Vec<f64>> {
    let count = run.len() as f64;
    let mean = run.iter().sum::<f64>() / count;
    let variance = variance(run);
    let at = |lag: usize| {
        let later = run.get(lag..).unwrap_or_default();
        let products: f64 = run.iter().zip(later).map(|(a, b)| (a - mean) * (b - mean)).sum();
        products / (count - lag as f64) / variance
    };
    (variance > 0.0).then(|| (0..(run.len() / 2).min(MOST_LAGS)).map(at).collect())
}

/// Lags, between whole ones, at which the correlation crosses zero.
fn crossings(correlation: &[f64]) -> Vec<f64> {
    let pairs = correlation.windows(2).enumerate();
    pairs
        .filter_map(|(at, pair)| match *pair {
            [a, b] if (a > 0.0) != (b > 0.0) => Some(at as f64 + a / (a - b)),
            _ => None,
        })
        .collect()
}
