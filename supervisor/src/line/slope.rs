//! The slope of a signal over its last minute, with its error: running sums, so that a sample costs the same however many
//! there are.

use setward_protocol::{Reading, Uptime};
use std::collections::VecDeque;
use std::time::Duration;

/// The slope looks back this far: long enough to rise above the noise, short enough to see that a fall has ended.
const OVER: Duration = Duration::from_secs(60);
/// A slope from fewer samples than this says nothing.
const SAMPLES_MIN: usize = 10;
/// Samples kept, however fast the poll.
const SAMPLES_MAX: usize = 1_200;
/// After so many samples the sums are made anew, so that rounding can't add up.
const RENEW_AFTER: u32 = 256;

/// The last minute of a signal.
#[derive(Debug, Clone, Default)]
pub struct Slope {
    samples: VecDeque<(Uptime, f64)>,
    sums: Sums,
    since_renewed: u32,
}

/// Sums over samples, counted from an origin, or they would drown the differences.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    origin: (Uptime, f64),
    t: f64,
    v: f64,
    tt: f64,
    tv: f64,
    vv: f64,
}

impl Sums {
    /// Adds a sample, or with a `weight` of -1 takes it away.
    fn add(&mut self, (at, value): (Uptime, f64), weight: f64) {
        // Times are only a minute or a few from the origin: the difference of whole nanoseconds is exact.
        let nanos = at.as_nanos().wrapping_sub(self.origin.0.as_nanos());
        let (t, v) = (nanos as f64 / 60e9, value - self.origin.1);
        self.t += weight * t;
        self.v += weight * v;
        self.tt += weight * t * t;
        self.tv += weight * t * v;
        self.vv += weight * v * v;
    }
}

impl Slope {
    /// Takes a reading of `at`.
    pub fn take(&mut self, reading: Reading, at: Uptime) {
        match reading {
            Reading::Good(value) => self.push((at, value)),
            Reading::Bad(why) if why.is_silence() => {}
            // Across a broken instrument there is no slope.
            Reading::Uncertain(..) | Reading::Bad(_) => *self = Self::default(),
        }
        while self.samples.front().is_some_and(|(first, _)| at.since(*first) > OVER)
            || self.samples.len() > SAMPLES_MAX
        {
            let Some(old) = self.samples.pop_front() else { break };
            self.sums.add(old, -1.0);
        }
    }

    fn push(&mut self, sample: (Uptime, f64)) {
        self.since_renewed += 1;
        self.samples.push_back(sample);
        if self.since_renewed > RENEW_AFTER || self.samples.len() == 1 {
            self.sums = Sums { origin: self.samples.front().copied().unwrap_or(sample), ..Sums::default() };
            self.samples.iter().for_each(|one| self.sums.add(*one, 1.0));
            self.since_renewed = 0;
        } else {
            self.sums.add(sample, 1.0);
        }
    }

    /// Least-squares slope and its standard error, unit per minute.
    #[must_use]
    pub fn per_min(&self) -> Option<(f64, f64)> {
        if self.samples.len() < SAMPLES_MIN {
            return None;
        }
        let count = self.samples.len() as f64;
        let Sums { t, v, tt, tv, vv, .. } = self.sums;
        let (cross, square, spread) = (tv - t * v / count, tt - t * t / count, vv - v * v / count);
        let slope = cross / square;
        // What the line leaves unexplained; rounding may make it a hair less than nothing.
        let residual = (spread - slope * cross).max(0.0) / (count - 2.0);
        (square > 0.0).then(|| (slope, (residual / square).sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::NoData;

    fn of(samples: impl IntoIterator<Item = (u64, f64)>) -> Slope {
        let mut slope = Slope::default();
        samples.into_iter().for_each(|(ms, value)| slope.take(Reading::Good(value), Uptime::from_millis(ms)));
        slope
    }

    #[test]
    fn a_steady_fall_has_its_slope_also_after_hours() {
        let (slope, error) = of((0..20_000).map(|s| (s * 1000, 182.0 - s as f64 / 10.0))).per_min().unwrap();
        assert!((slope + 6.0).abs() < 1e-9 && error < 1e-6, "{slope} +/- {error}");
    }

    /// t = 0..9 x 6 s, v = 0 1 0 1 ..: slope 2.5/82.5 a step, standard error sqrt((2.5 - 0.0758)/8/82.5) a step (by hand).
    #[test]
    fn scatter_without_a_trend_has_a_slope_within_its_error() {
        let (slope, error) = of((0..10).map(|step| (step * 6_000, (step % 2) as f64))).per_min().unwrap();
        assert!((slope - 10.0 * 2.5 / 82.5).abs() < 1e-12, "{slope}");
        let expected = 10.0 * ((2.5 - 2.5 * 2.5 / 82.5) / 8.0 / 82.5_f64).sqrt();
        assert!((error - expected).abs() < 1e-12, "{error}");
    }

    #[test]
    fn only_the_last_minute_counts() {
        let broken = of((0..500).map(|s| (s * 1000, if s < 400 { 5.0 * s as f64 } else { 2000.0 })));
        let (slope, error) = broken.per_min().unwrap();
        assert!(slope.abs() < 1e-9 && error < 1e-6, "{slope} +/- {error}");
    }

    #[test]
    fn too_few_samples_and_a_broken_instrument_have_none() {
        assert_eq!(of((0..9).map(|s| (s * 1000, 1.0))).per_min(), None);
        let mut slope = of((0..60).map(|s| (s * 1000, 1.0)));
        slope.take(Reading::Bad(NoData::NoReply), Uptime::from_millis(60_000));
        assert!(slope.per_min().is_some());
        slope.take(Reading::Bad(NoData::SensorFault), Uptime::from_millis(61_000));
        assert_eq!(slope.per_min(), None);
    }
}
