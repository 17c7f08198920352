//! Values at a steady interval, their spread, and how many independent ones they are worth.

use super::{LEAST_EFFECTIVE, Refused};
use alloc::vec::Vec;
use core::time::Duration;

/// Lags beyond which correlation is not followed. What still correlates there is refused as too few anyway.
const MOST_LAGS: usize = 2000;
/// Lag time constants after which values are nearly independent: the correlation left is 5 %. Common practice.
const APART: f64 = 3.0;

/// Values at a steady interval, in unbroken runs: nothing is computed across a break.
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    runs: Vec<Vec<f64>>,
    every_s: f64,
}

/// How many independent values a record is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effective {
    /// How many values there are.
    pub count: usize,
    /// How many independent ones they are worth: never more than there are.
    pub size: f64,
    /// Correlation of each value with the next.
    pub first_lag: f64,
    /// Time constant with which correlation dies away, by the first lag, s; `None` where values are not correlated.
    pub lag_time_s: Option<f64>,
}

impl Samples {
    /// Unbroken runs of values that are `every` apart. Empty runs are dropped.
    ///
    /// # Errors
    /// No value at all, a value that is not finite, an interval of nothing.
    pub fn new(mut runs: Vec<Vec<f64>>, every: Duration) -> Result<Self, Refused> {
        runs.retain(|run| !run.is_empty());
        if every.is_zero() || runs.iter().flatten().any(|value| !value.is_finite()) {
            return Err(Refused::Setting);
        }
        if runs.is_empty() {
            return Err(Refused::Nothing);
        }
        Ok(Self { runs, every_s: every.as_secs_f64() })
    }

    /// Its unbroken runs, in order of time.
    pub fn runs(&self) -> impl Iterator<Item = &[f64]> {
        self.runs.iter().map(Vec::as_slice)
    }

    /// All values, in order of time.
    pub fn values(&self) -> impl Iterator<Item = f64> {
        self.runs.iter().flatten().copied()
    }

    /// How many values there are.
    #[must_use]
    pub fn count(&self) -> usize {
        self.runs.iter().map(Vec::len).sum()
    }

    /// The interval between two values, s.
    #[must_use]
    pub const fn every_s(&self) -> f64 {
        self.every_s
    }

    /// Their mean, in two passes: large values with a small spread lose nothing.
    #[must_use]
    pub fn mean(&self) -> f64 {
        let count = self.count() as f64;
        let rough = self.values().sum::<f64>() / count;
        rough + self.values().map(|value| value - rough).sum::<f64>() / count
    }

    /// Their overall standard deviation, by one value less than there are.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn standard_deviation(&self) -> Result<f64, Refused> {
        let count = self.count();
        if count < 2 {
            return Err(Refused::TooFew { count, effective: count as f64, needed: 2.0 });
        }
        Ok(libm::sqrt(self.squares() / (count - 1) as f64))
    }

    fn squares(&self) -> f64 {
        let mean = self.mean();
        self.values().map(|value| (value - mean) * (value - mean)).sum()
    }

    /// Correlation of each value with the one `lag` later in the same run. `None` if all are the same.
    #[must_use]
    pub fn autocorrelation(&self, lag: usize) -> Option<f64> {
        Correlations::new(self)?.at(lag)
    }

    /// Differences of neighbours, without their sign: none across a break.
    pub fn moving_ranges(&self) -> impl Iterator<Item = f64> {
        let pairs = self.runs.iter().flat_map(|run| run.windows(2));
        pairs.filter_map(|pair| if let [a, b] = pair { Some((b - a).abs()) } else { None })
    }

    /// How many independent values they are worth, for the uncertainty of their mean: the smaller of two estimates.
    /// One takes the first lag for all (`n (1 - r) / (1 + r)`: exact for a first-order lag), the other adds up the lags as
    /// long as pairs of them are positive (Geyer's initial positive sequence, from memory), which noise on a slow drift
    /// does not deceive.
    ///
    /// # Errors
    /// Fewer than three values; all values the same.
    pub fn effective(&self) -> Result<Effective, Refused> {
        let count = self.count();
        if count < 3 {
            return Err(Refused::TooFew { count, effective: count as f64, needed: LEAST_EFFECTIVE });
        }
        let correlations = Correlations::new(self).ok_or(Refused::NoSpread)?;
        let first_lag = correlations.at(1).unwrap_or_default();
        let by_first = (1.0 - first_lag) / (1.0 + first_lag);
        let share = by_first.min(1.0 / correlations.inflation());
        let lag_time_s = (first_lag > 0.0).then(|| -self.every_s / libm::log(first_lag));
        Ok(Effective { count, size: count as f64 * share, first_lag, lag_time_s })
    }

    /// The same, refused where it is too small to judge by.
    pub(crate) fn enough(&self) -> Result<Effective, Refused> {
        let effective = self.effective()?;
        if effective.size < LEAST_EFFECTIVE {
            let Effective { count, size, .. } = effective;
            return Err(Refused::TooFew { count, effective: size, needed: LEAST_EFFECTIVE });
        }
        Ok(effective)
    }
}

impl Effective {
    /// Whether neighbours are correlated beyond chance: outside the 95 % band of independent values.
    #[must_use]
    pub fn is_correlated(&self) -> bool {
        self.first_lag > 1.96 / libm::sqrt(self.count as f64)
    }

    /// The interval from which on values would be nearly independent, s; `None` where they are already.
    #[must_use]
    pub fn sample_every_s(&self) -> Option<f64> {
        self.lag_time_s.filter(|_| self.is_correlated()).map(|lag_s| APART * lag_s)
    }
}

/// Correlation by lag, its mean and sum of squares computed once.
struct Correlations<'a> {
    samples: &'a Samples,
    mean: f64,
    squares: f64,
}

impl<'a> Correlations<'a> {
    fn new(samples: &'a Samples) -> Option<Self> {
        let squares = samples.squares();
        (squares > 0.0).then(|| Self { samples, mean: samples.mean(), squares })
    }

    fn at(&self, lag: usize) -> Option<f64> {
        let products = |run: &[f64]| {
            let later = run.get(lag..).unwrap_or_default();
            run.iter().zip(later).map(|(a, b)| (a - self.mean) * (b - self.mean)).sum::<f64>()
        };
        Some(self.samples.runs().map(products).sum::<f64>() / self.squares)
    }

    /// By how much the variance of the mean is larger than for independent values: `1 + 2 (r1 + r2 + ..)`.
    fn inflation(&self) -> f64 {
        let longest = self.samples.runs().map(<[f64]>::len).max().unwrap_or_default();
        let at = |lag: usize| self.at(lag).unwrap_or_default();
        let mut sum = 0.0;
        for even in (0..longest.min(MOST_LAGS)).step_by(2) {
            let pair = at(even) + at(even + 1);
            if pair <= 0.0 {
                break;
            }
            sum += pair;
        }
        (2.0 * sum - 1.0).max(1.0)
    }
}
