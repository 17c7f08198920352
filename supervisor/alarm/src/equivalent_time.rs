//! The equivalent-time kind: seconds at a reference temperature that would have done the same, for one batch.
//!
//! A second counts `10^((T - reference) / z)`. Between samples the temperature is a straight line, so the sum is the
//! logarithmic mean times the time, exactly. It counts from the beginning of the batch to its end; unknown time adds
//! nothing, so what cannot be shown was not done.

use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::exposure::EXPOSURE_CAP;
use crate::judge::Judge;
use crate::segment::Segment;
use crate::settings::{BatchEdge, EquivalentTimeSettings};
use setward_protocol::Uptime;

/// Decides the dose of one batch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct EquivalentTimeDetector {
    settings: EquivalentTimeSettings,
    /// When the present batch began, if one is on.
    began: Option<Uptime>,
    dose_s: f64,
    active: bool,
    since: Option<Uptime>,
}

impl EquivalentTimeDetector {
    pub(crate) const fn new(settings: EquivalentTimeSettings) -> Self {
        Self { settings, began: None, dose_s: 0.0, active: false, since: None }
    }

    fn begin(&mut self, at: Uptime, onset: Uptime, changes: &mut Changes) {
        if !self.active {
            (self.active, self.since) = (true, Some(at));
            let _fits = changes.push(Change::Begins { at, onset });
        }
    }

    /// The dose that makes a share of one.
    fn whole_s(&self) -> f64 {
        self.settings.most.or(self.settings.least).map_or(f64::INFINITY, |dose| dose.as_secs_f64())
    }
}

impl Judge for EquivalentTimeDetector {
    /// A batch that had a dose goes on.
    fn restore(&mut self, active: bool, exposure: f64) {
        self.active = active;
        let dose_s = exposure.clamp(0.0, EXPOSURE_CAP) * self.whole_s();
        if dose_s.is_finite() && dose_s > 0.0 {
            (self.dose_s, self.began) = (dose_s, Some(Uptime::START));
        }
    }

    fn handle(&mut self, segment: &Segment, _: &mut [Segment], changes: &mut Changes) {
        // A batch may begin between two samples.
        let Some(segment) = self.began.and_then(|began| segment.clipped(began, segment.to_at)) else {
            return;
        };
        let (lethal, rise) = self.settings.rates(&segment);
        let before = self.dose_s;
        let added = lethal_sum(lethal, rise, segment.length_s());
        if added.is_nan() {
            return;
        }
        self.dose_s = (before + added).min(EXPOSURE_CAP * self.whole_s());
        let Some(most_s) = self.settings.most.map(|most| most.as_secs_f64()) else { return };
        if self.dose_s > most_s && !self.active {
            let at = segment.from_at.plus_seconds(seconds_until(lethal, rise, most_s - before));
            self.begin(at.min(segment.to_at), at.min(segment.to_at), changes);
        }
    }

    fn handle_batch(&mut self, at: Uptime, edge: BatchEdge, changes: &mut Changes) {
        match edge {
            BatchEdge::Begins => {
                if self.active {
                    let _fits = changes.push(Change::Ends { at });
                }
                (self.active, self.since) = (false, None);
                (self.dose_s, self.began) = (0.0, Some(at));
            }
            BatchEdge::Ends => {
                let began = self.began.take();
                let too_little = self.settings.least.is_some_and(|least| self.dose_s < least.as_secs_f64());
                if let Some(began) = began
                    && too_little
                {
                    self.begin(at, began, changes);
                }
            }
        }
    }

    /// A batch that was cooked while the alarm did not count is none of its own, nor is the verdict on it.
    fn start_over(&mut self) {
        (self.dose_s, self.began, self.active, self.since) = (0.0, None, false, None);
    }

    fn is_active(&self) -> bool {
        self.active
    }

    fn exposure(&self) -> Option<f64> {
        let share = self.dose_s / self.whole_s();
        Some(if share.is_finite() { share.clamp(0.0, EXPOSURE_CAP) } else { 0.0 })
    }

    /// The next batch may begin while nothing runs, so it must not find the dose of the one before.
    fn carried(&self) -> Option<f64> {
        if self.began.is_some() { self.exposure() } else { Some(0.0) }
    }

    fn beyond_since(&self) -> Option<Uptime> {
        self.since
    }

    fn forecast(&self, _: Uptime, seen: Option<(Uptime, f64)>, _: &[Segment]) -> Forecast {
        let Some((at, value)) = seen else { return Forecast::Unknown };
        if self.active {
            return Forecast::StaysActive;
        }
        let (Some(most), Some(_)) = (self.settings.most, self.began) else { return Forecast::Quiet };
        let (lethal, _) = self.settings.rates(&Segment::point(at, value));
        let seconds = (most.as_secs_f64() - self.dose_s) / lethal;
        if seconds.is_finite() { Forecast::Raises { seconds: seconds.max(0.0) } } else { Forecast::Quiet }
    }
}

impl EquivalentTimeSettings {
    /// How much a second counts at the start, and the exponent a second by which that grows.
    fn rates(&self, segment: &Segment) -> (f64, f64) {
        let per_unit = core::f64::consts::LN_10 / self.z;
        let slope = (segment.to - segment.from) / segment.length_s();
        let rise = if slope.is_finite() { slope * per_unit } else { 0.0 };
        (libm::exp((segment.from - self.reference) * per_unit), rise)
    }
}

/// The sum over `length_s` of a rate that starts at `lethal` and grows by the exponent `rise`.
fn lethal_sum(lethal: f64, rise: f64, length_s: f64) -> f64 {
    let exponent = rise * length_s;
    // The quotient of expm1 keeps its digits down to the smallest exponents; at none it is the length itself.
    if exponent == 0.0 { lethal * length_s } else { lethal * length_s * libm::expm1(exponent) / exponent }
}

/// Seconds until that sum is `dose_s`.
fn seconds_until(lethal: f64, rise: f64, dose_s: f64) -> f64 {
    let flat_s = dose_s / lethal;
    let exponent = rise * flat_s;
    if exponent == 0.0 { flat_s } else { flat_s * libm::log1p(exponent) / exponent }
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::time::Duration;

    fn settings(reference: f64, z: f64) -> EquivalentTimeSettings {
        EquivalentTimeSettings { reference, z, least: None, most: Some(Duration::from_secs(100_000)) }
    }

    fn dose_s(settings: EquivalentTimeSettings, points: &[(f64, f64)]) -> f64 {
        let mut detector = EquivalentTimeDetector::new(settings);
        let mut changes = Changes::new();
        detector.handle_batch(Uptime::START, BatchEdge::Begins, &mut changes);
        for pair in points.windows(2) {
            let [from_at, to_at] =
                [pair[0].0, pair[1].0].map(|minutes| Uptime::from_secs_f64(60.0 * minutes));
            let segment = Segment { from_at, from: pair[0].1, to_at, to: pair[1].1 };
            detector.handle(&segment, &mut [], &mut changes);
        }
        detector.dose_s
    }

    /// Lethal rate at 110 degC against 121.11 degC, z = 10 K: published 0.077 (dairyscience.info), 0.07745 computed.
    #[test]
    fn the_published_lethal_rate() {
        let (lethal, _) = settings(121.11, 10.0).rates(&Segment::point(Uptime::START, 110.0));
        assert!(libm::fabs(lethal - 0.07745) < 5e-6, "{lethal}");
    }

    /// (0,100),(5,115),(10,121.1),(20,121.1),(25,100) min and degC give F0 = 14.0512 min (computed for the reference
    /// page; adding up rates by trapeziums would give 16.2662).
    #[test]
    fn a_retort_run_adds_up_by_logarithmic_means() {
        let run = [(0.0, 100.0), (5.0, 115.0), (10.0, 121.1), (20.0, 121.1), (25.0, 100.0)];
        let minutes = dose_s(settings(121.1, 10.0), &run) / 60.0;
        assert!(libm::fabs(minutes - 14.0512) < 6e-5, "{minutes}");
    }

    /// Pasteurisation units count 1.393 to the power of the kelvins above 60 degC: z = 6.95 K (computed).
    #[test]
    fn pasteurisation_units_are_the_same_law() {
        let (lethal, _) = settings(60.0, 6.95).rates(&Segment::point(Uptime::START, 65.0));
        assert!(libm::fabs(lethal / libm::pow(1.393, 5.0) - 1.0) < 1e-3);
    }

    #[test]
    fn the_moment_of_the_crossing_has_exactly_the_dose() {
        for rise in [-0.01, 0.0, 1e-12, 0.02] {
            let seconds = seconds_until(0.5, rise, 20.0);
            assert!(libm::fabs(lethal_sum(0.5, rise, seconds) - 20.0) < 1e-9);
        }
    }
}
