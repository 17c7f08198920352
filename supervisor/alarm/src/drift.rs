//! The drift kind: a two-sided cumulative sum over means. Advisory: it finds what is too small for every other kind.
//!
//! Means are taken over three correlation times of known time, so that each tells something new. Each is counted in
//! standard deviations from the setpoint; a sum grows by what is beyond `slack` and raises at `decide`.

use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::judge::Judge;
use crate::segment::Segment;
use crate::settings::{DriftSettings, Target};
use setward_protocol::Uptime;

/// Means over so many correlation times are nearly independent.
const CORRELATION_TIMES: u32 = 3;
/// The sums are not carried beyond this multiple of `decide`, or a long drift would take days to clear.
const CAP: f64 = 3.0;
/// It clears once both sums are below this share of `decide`.
const CLEAR_BELOW: f64 = 0.5;

/// Decides one drift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DriftDetector {
    settings: DriftSettings,
    target: Option<Target>,
    sums: Sums,
    /// Area and known seconds of the mean that is being taken.
    area: f64,
    known_s: f64,
    active: bool,
    since: Option<Uptime>,
}

/// How far the means have added up above and below.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Sums {
    above: f64,
    below: f64,
}

impl Sums {
    /// Takes in one mean, in standard deviations from the setpoint; gives the larger sum.
    fn take(&mut self, z: f64, slack: f64, most: f64) -> f64 {
        let next = |sum: f64, z: f64| {
            let sum = sum + z - slack;
            // Settings that make no number start over.
            if sum > 0.0 { sum.min(most) } else { 0.0 }
        };
        (self.above, self.below) = (next(self.above, z), next(self.below, -z));
        self.above.max(self.below)
    }
}

impl DriftDetector {
    pub(crate) fn new(settings: DriftSettings) -> Self {
        let sums = Sums::default();
        Self { settings, target: None, sums, area: 0.0, known_s: 0.0, active: false, since: None }
    }

    fn block_s(&self) -> f64 {
        f64::from(CORRELATION_TIMES) * self.settings.correlation_time.as_secs_f64()
    }

    /// A mean is complete.
    fn judge_mean(&mut self, at: Uptime, mean: f64, changes: &mut Changes) {
        let Some(target) = self.target else { return };
        let decide = self.settings.decide;
        let was_quiet = self.sums == Sums::default();
        let z = (mean - target.setpoint) / self.settings.sigma;
        let sum = self.sums.take(z, self.settings.slack, CAP * decide);
        if sum <= 0.0 {
            self.since = None;
        } else if was_quiet {
            self.since = Some(at);
        }
        if !self.active && sum >= decide {
            self.active = true;
            let _fits = changes.push(Change::Begins { at, onset: self.since.unwrap_or(at) });
        } else if self.active && sum < CLEAR_BELOW * decide {
            self.active = false;
            let _fits = changes.push(Change::Ends { at });
        }
    }
}

impl Judge for DriftDetector {
    /// On which side it had added up is not kept: the wrong sum falls with every mean that the right one stays up by.
    fn restore(&mut self, active: bool, exposure: f64) {
        self.active = active;
        let sum = exposure.clamp(0.0, CAP) * self.settings.decide;
        let sum = if sum.is_finite() && sum > 0.0 { sum } else { 0.0 };
        self.sums = Sums { above: sum, below: sum };
    }

    fn set_target(&mut self, target: Option<Target>) {
        if self.target.map(|target| target.setpoint) != target.map(|target| target.setpoint) {
            (self.area, self.known_s) = (0.0, 0.0);
        }
        self.target = target;
    }

    fn start_over(&mut self) {
        *self = Self { target: self.target, ..Self::new(self.settings) };
    }

    fn handle(&mut self, segment: &Segment, _: &mut [Segment], changes: &mut Changes) {
        let block_s = self.block_s();
        if block_s <= 0.0 || segment.length_s() > 1000.0 * block_s {
            return;
        }
        let mut rest = *segment;
        while rest.from_at < rest.to_at {
            let end = rest
                .from_at
                .plus_seconds(block_s - self.known_s)
                .max(Uptime::from_nanos(rest.from_at.as_nanos() + 1));
            let Some(part) = rest.clipped(rest.from_at, end) else { return };
            self.area += part.area();
            self.known_s += part.length_s();
            if end <= rest.to_at {
                let mean = self.area / self.known_s;
                (self.area, self.known_s) = (0.0, 0.0);
                self.judge_mean(end, mean, changes);
            }
            (rest.from, rest.from_at) = (part.to, part.to_at);
        }
    }

    fn is_active(&self) -> bool {
        self.active
    }

    fn exposure(&self) -> Option<f64> {
        let share = self.sums.above.max(self.sums.below) / self.settings.decide;
        Some(if share.is_finite() { share.clamp(0.0, CAP) } else { 0.0 })
    }

    fn beyond_since(&self) -> Option<Uptime> {
        self.since
    }

    fn has_reference(&self) -> bool {
        self.target.is_some()
    }

    fn forecast(&self, _: Uptime, seen: Option<(Uptime, f64)>, _: &[Segment]) -> Forecast {
        match (seen, self.target) {
            (Some(_), Some(_)) if self.active => Forecast::StaysActive,
            (Some(_), Some(_)) => Forecast::Quiet,
            (None, _) | (_, None) => Forecast::Unknown,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent normal numbers: a counter scrambled, then Box and Muller's transform.
    struct Normal(u64);

    impl Normal {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
        }

        fn next(&mut self) -> f64 {
            let (radius, turn) = (1.0 - self.uniform(), self.uniform());
            libm::sqrt(-2.0 * libm::log(radius)) * libm::cos(core::f64::consts::TAU * turn)
        }
    }

    /// Mean number of means until the larger sum reaches 4 with a slack of 0.5 (Lucas and Crosier 1982, restated in the
    /// manual of the R package spc): 168, 26.6, 8.38, 3.34 at shifts of 0, 0.5, 1 and 2 standard deviations.
    #[test]
    fn run_lengths_are_those_of_the_published_table() {
        let mut normal = Normal(1);
        for (shift, published) in [(0.0, 168.0), (0.5, 26.6), (1.0, 8.38), (2.0, 3.34)] {
            let runs = 20_000;
            let mut total = 0_u64;
            for _ in 0..runs {
                let mut sums = Sums::default();
                total += 1;
                while sums.take(normal.next() + shift, 0.5, 12.0) < 4.0 {
                    total += 1;
                }
            }
            let found = total as f64 / f64::from(runs);
            assert!(
                libm::fabs(found / published - 1.0) < 0.02,
                "shift {shift}: {found}, published {published}"
            );
        }
    }
}
