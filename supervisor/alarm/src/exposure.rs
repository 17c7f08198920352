//! Exposure: how far beyond tolerance, weighed by how long.
//!
//! With `M` the distance from the setpoint in tolerances, on the watched side, exposure grows by `M^shape - 1` a second
//! while `M > 1` and decays exponentially while `M <= 1`; with a leak it decays all the time. It is carried as a share of
//! the allowance, so that tolerance and allowance may change under it. Between two samples `M` is a straight line; every
//! formula here is exact for that (with a leak and a shape other than 1: to 12 digits), so splitting a stretch into more
//! samples changes nothing.
//!
//! Nothing here knows states, events or quality: see `weighted.rs`.

use crate::settings::{Allowance, Leak, TimeWeightedSettings};

/// Exposure is not carried beyond this share of the allowance, or a long upset would take hours to clear.
pub const EXPOSURE_CAP: f64 = 3.0;

/// The law for one alarm at its present tolerance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Law {
    /// Seconds at `M^shape - 1 = 1` that make the allowance.
    allowance_s: f64,
    recovery_s: Option<f64>,
    shape: f64,
    /// Time constant of the decay beyond tolerance, if there is one.
    leak_s: Option<f64>,
}

/// A straight piece of `M` that lies wholly beyond or wholly within tolerance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Piece {
    /// Start of the piece, seconds into its segment.
    pub(crate) start_s: f64,
    /// Length, s; positive.
    pub(crate) length_s: f64,
    /// `M` at the start.
    pub(crate) from: f64,
    /// `M` at the end.
    pub(crate) to: f64,
}

impl Piece {
    /// `M` so many seconds into the piece.
    fn at(&self, seconds: f64) -> f64 {
        if seconds >= self.length_s {
            self.to
        } else {
            self.from + (self.to - self.from) * seconds / self.length_s
        }
    }

    /// Whether the piece lies beyond tolerance.
    pub(crate) fn is_beyond(&self) -> bool {
        self.from.max(self.to) > 1.0
    }
}

/// The one or two pieces of a segment in which `M` goes from `from` to `to` in `length_s`.
pub(crate) fn pieces(from: f64, to: f64, length_s: f64) -> [Option<Piece>; 2] {
    let crosses = (from > 1.0) != (to > 1.0);
    let cut_s = if crosses { length_s * ((1.0 - from) / (to - from)).clamp(0.0, 1.0) } else { length_s };
    let middle = if crosses { 1.0 } else { to };
    let first = Piece { start_s: 0.0, length_s: cut_s, from, to: middle };
    let second = Piece { start_s: cut_s, length_s: length_s - cut_s, from: middle, to };
    [first, second].map(|piece| (piece.length_s > 0.0).then_some(piece))
}

impl Law {
    pub(crate) fn new(settings: &TimeWeightedSettings, tolerance: f64) -> Self {
        let allowance_s = match settings.allowance {
            Allowance::Area(area) => area / tolerance,
            Allowance::AtTwice(seconds) => seconds * (libm::pow(2.0, settings.shape) - 1.0),
        };
        let recovery_s = settings.recovery.map(|span| span.as_secs_f64());
        let leak_s = match settings.leak {
            Leak::Inside => None,
            Leak::Always { .. } => recovery_s.filter(|seconds| *seconds > 0.0),
        };
        Self { allowance_s, recovery_s, shape: settings.shape, leak_s }
    }

    /// The share of the allowance after `piece`, from `share` before it.
    pub(crate) fn advance(&self, share: f64, piece: &Piece) -> f64 {
        let next = if piece.is_beyond() {
            self.grown_to_cap(share, piece)
        } else {
            self.decayed(share, piece.length_s)
        };
        // Settings that make no number (the file check refuses them) leave the share as it was.
        if next.is_nan() { share } else { next.clamp(0.0, EXPOSURE_CAP) }
    }

    /// Seconds into a piece beyond tolerance at which the share first reaches 1 from `share` below it; `None` if it does
    /// not.
    pub(crate) fn seconds_to_raise(&self, share: f64, piece: &Piece) -> Option<f64> {
        if share >= 1.0 || !piece.is_beyond() {
            return None;
        }
        let reaches = |seconds: f64| self.grown(share, piece, seconds) >= 1.0;
        // Growth rises all through the piece; with a leak it dips first, or falls off after a peak.
        let latest = if reaches(piece.length_s) { piece.length_s } else { self.peak_s(share, piece)? };
        reaches(latest).then(|| first_time(latest, reaches))
    }

    /// Seconds into the piece at which a leaking share stops rising.
    fn peak_s(&self, share: f64, piece: &Piece) -> Option<f64> {
        let leak_s = self.leak_s?;
        let falls = |seconds: f64| {
            let growth = (libm::pow(piece.at(seconds), self.shape) - 1.0) / self.allowance_s;
            growth * leak_s < self.grown(share, piece, seconds)
        };
        (piece.to < piece.from && !falls(0.0)).then(|| first_time(piece.length_s, falls))
    }

    /// Seconds of decay from `share` to `level`; zero if already there, `None` if it never comes down.
    pub(crate) fn seconds_to_decay(&self, share: f64, level: f64) -> Option<f64> {
        if share <= level {
            return Some(0.0);
        }
        let seconds = self.recovery_s? * libm::log(share / level);
        seconds.is_finite().then_some(seconds)
    }

    /// Seconds until the share reaches 1 if `M` stays at `distance`; `None` if it never does.
    pub(crate) fn seconds_at(&self, share: f64, distance: f64) -> Option<f64> {
        let rate = (libm::pow(distance, self.shape) - 1.0) / self.allowance_s;
        if distance <= 1.0 || rate.is_nan() || rate <= 0.0 {
            return None;
        }
        let Some(leak_s) = self.leak_s else { return Some(((1.0 - share) / rate).max(0.0)) };
        let settles_at = rate * leak_s;
        let seconds = leak_s * libm::log((settles_at - share) / (settles_at - 1.0));
        (settles_at > 1.0).then_some(seconds.max(0.0)).filter(|seconds| seconds.is_finite())
    }

    /// The share after a piece beyond tolerance. A leaking share that the cap has held leaves it, while the value comes
    /// back, where it would fall below it by itself.
    fn grown_to_cap(&self, share: f64, piece: &Piece) -> f64 {
        let free = self.grown(share, piece, piece.length_s);
        let (Some(leak_s), Some(peak_s)) = (self.leak_s, self.peak_s(share, piece)) else { return free };
        if self.grown(share, piece, peak_s) <= EXPOSURE_CAP {
            return free;
        }
        let holds = libm::pow(1.0 + EXPOSURE_CAP * self.allowance_s / leak_s, 1.0 / self.shape);
        let leaves_s = piece.length_s * ((holds - piece.from) / (piece.to - piece.from)).clamp(0.0, 1.0);
        let rest = Piece {
            start_s: 0.0,
            length_s: piece.length_s - leaves_s,
            from: piece.at(leaves_s),
            to: piece.to,
        };
        self.grown(EXPOSURE_CAP, &rest, rest.length_s)
    }

    /// The share after the first `seconds` of a piece beyond tolerance, not capped.
    fn grown(&self, share: f64, piece: &Piece, seconds: f64) -> f64 {
        let to = piece.at(seconds);
        match self.leak_s {
            None => share + self.growth(piece.from, to, seconds),
            Some(leak_s) if self.shape == 1.0 => {
                let (w, early, late) = leaky_weights(seconds / leak_s);
                let gain = early * (piece.from - 1.0) + late * (to - 1.0);
                share * w + leak_s * gain / self.allowance_s
            }
            Some(leak_s) => {
                let inflow = |t: f64| libm::pow(piece.at(t), self.shape) - 1.0;
                share * libm::exp(-seconds / leak_s) + leaky_sum(inflow, seconds, leak_s) / self.allowance_s
            }
        }
    }

    fn growth(&self, from: f64, to: f64, length_s: f64) -> f64 {
        length_s * (mean_power(from, to, self.shape) - 1.0).max(0.0) / self.allowance_s
    }

    fn decayed(&self, share: f64, length_s: f64) -> f64 {
        match self.recovery_s {
            Some(recovery_s) if recovery_s > 0.0 => share * libm::exp(-length_s / recovery_s),
            Some(_) => 0.0,
            None => share,
        }
    }
}

/// The first time in `0 ..= latest` at which `holds`, given that it holds at `latest` and, once it does, stays.
/// 60 halvings reach the last bit.
fn first_time(latest: f64, holds: impl Fn(f64) -> bool) -> f64 {
    let (mut early, mut late) = (0.0, latest);
    for _ in 0..60 {
        let middle = 0.5 * (early + late);
        if holds(middle) {
            late = middle;
        } else {
            early = middle;
        }
    }
    late
}

/// Leaky integration of a straight line over `d` time constants: what is left of the start value, and the weights of
/// the inflow at the start and at the end, in time constants.
fn leaky_weights(d: f64) -> (f64, f64, f64) {
    let w = libm::exp(-d);
    if d < 1e-3 {
        // The quotient below loses its digits here.
        return (w, d * (0.5 - d / 3.0 + d * d / 8.0), d * (0.5 - d / 6.0 + d * d / 24.0));
    }
    let u = -libm::expm1(-d) / d;
    (w, u - w, 1.0 - u)
}

/// Nodes and weights of Gauss and Legendre's rule with five points on -1 to 1, from the middle outwards.
const GAUSS: [(f64, f64); 5] = [
    (0.0, 0.568_888_888_888_888_9),
    (-0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
    (0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
    (-0.906_179_845_938_664, 0.236_926_885_056_189_08),
    (0.906_179_845_938_664, 0.236_926_885_056_189_08),
];

/// What is left at `length_s` of an inflow that leaks away with the time constant `leak_s`.
fn leaky_sum(inflow: impl Fn(f64) -> f64, length_s: f64, leak_s: f64) -> f64 {
    // What flowed in forty time constants ago no longer shows.
    let start = (length_s - 40.0 * leak_s).max(0.0);
    let panels = (8.0 * (length_s - start) / leak_s).clamp(8.0, 320.0) as u32;
    let half = 0.5 * (length_s - start) / f64::from(panels);
    let mut sum = 0.0;
    for panel in 0..panels {
        let middle = start + half * f64::from(2 * panel + 1);
        for (node, weight) in GAUSS {
            let t = middle + half * node;
            sum += half * weight * inflow(t) * libm::exp((t - length_s) / leak_s);
        }
    }
    sum
}

/// The mean of `M^shape` while `M` goes in a straight line from `from` to `to`, both at least 1.
fn mean_power(from: f64, to: f64, shape: f64) -> f64 {
    if shape == 1.0 {
        return 0.5 * (from + to);
    }
    let change = to - from;
    if libm::fabs(change) < 1e-3 * from {
        // The exact quotient loses its digits here; Simpson's rule is good to 1e-15 over so short a line.
        let middle = libm::pow(0.5 * (from + to), shape);
        return (libm::pow(from, shape) + 4.0 * middle + libm::pow(to, shape)) / 6.0;
    }
    let power = shape + 1.0;
    (libm::pow(to, power) - libm::pow(from, power)) / (power * change)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Side;
    use core::time::Duration;
    use proptest::prelude::*;

    fn settings(allowance: Allowance, recovery_s: Option<u64>, shape: f64) -> TimeWeightedSettings {
        TimeWeightedSettings {
            side: Side::Above,
            allowance,
            recovery: recovery_s.map(Duration::from_secs),
            shape,
            clear_below: 0.5,
            leak: Leak::Inside,
        }
    }

    /// Allowance 360 K.s over a tolerance of 1 K, time constant 120 s: 3 K beyond tolerance is tolerated for ever.
    fn leaky(shape: f64) -> Law {
        let settings = settings(Allowance::Area(360.0), Some(120), shape);
        Law::new(&TimeWeightedSettings { leak: Leak::Always { pick_up: 1.0 }, ..settings }, 1.0)
    }

    fn run(law: &Law, points: &[(f64, f64)]) -> f64 {
        points.windows(2).fold(0.0, |share, pair| {
            let ((t0, m0), (t1, m1)) = (pair[0], pair[1]);
            pieces(m0, m1, t1 - t0).iter().flatten().fold(share, |share, piece| law.advance(share, piece))
        })
    }

    fn close(found: f64, expected: f64) {
        assert!(libm::fabs(found - expected) < 1e-9 * expected.max(1.0), "{found} is not {expected}");
    }

    /// Growth at constant distance; the common inverse-time form `t = k / (M^a - 1)` with k = 1 allowance.
    /// Coefficients restated in relay handbooks (IEC standard 0.14/0.02, very 13.5/1, extremely 80/2); seconds computed.
    #[test]
    fn inverse_time_curves_of_the_relay_handbooks() {
        let rows = [
            (0.02, 0.14, [(1.5, 17.194_2), (2.0, 10.029_0), (3.0, 6.301_9), (5.0, 4.279_7), (10.0, 2.970_6)]),
            (1.0, 13.5, [(1.5, 27.0), (2.0, 13.5), (3.0, 6.75), (5.0, 3.375), (10.0, 1.5)]),
            (2.0, 80.0, [(1.5, 64.0), (2.0, 26.666_7), (3.0, 10.0), (5.0, 3.333_3), (10.0, 0.808_1)]),
        ];
        for (shape, k, points) in rows {
            let law = Law { allowance_s: k, recovery_s: None, shape, leak_s: None };
            for (distance, seconds) in points {
                let found = law.seconds_at(0.0, distance).unwrap();
                assert!(
                    libm::fabs(found - seconds) < 6e-5,
                    "shape {shape} at {distance}: {found}, table {seconds}"
                );
                let piece = Piece { start_s: 0.0, length_s: 100.0, from: distance, to: distance };
                close(law.seconds_to_raise(0.0, &piece).unwrap(), found);
            }
        }
    }

    /// M = 2 for 5 s, then 5: further seconds to trip (computed for the reference page).
    #[test]
    fn exposure_adds_up_when_the_distance_changes() {
        for (shape, k, further) in [(0.02, 0.14, 2.1461), (1.0, 13.5, 2.125), (2.0, 80.0, 2.7083)] {
            let law = Law { allowance_s: k, recovery_s: None, shape, leak_s: None };
            let share = law.advance(0.0, &Piece { start_s: 0.0, length_s: 5.0, from: 2.0, to: 2.0 });
            assert!(libm::fabs(law.seconds_at(share, 5.0).unwrap() - further) < 6e-5);
        }
    }

    /// t = 0, 60, 150, 200, 300 s; x = 180, 186, 194, 188, 178; limit 185: areas 5, 455, 755, 800 (computed).
    #[test]
    fn area_over_a_limit_between_irregular_samples() {
        // A setpoint of 180 with a tolerance of 5 puts the limit at 185; the area is then share x allowance.
        let law = Law::new(&settings(Allowance::Area(1000.0), None, 1.0), 5.0);
        let points = [(0.0, 180.0), (60.0, 186.0), (150.0, 194.0), (200.0, 188.0), (300.0, 178.0)]
            .map(|(t, x)| (t, (x - 180.0) / 5.0));
        for (count, area) in [(2, 5.0), (3, 455.0), (4, 755.0), (5, 800.0)] {
            close(1000.0 * run(&law, &points[..count]), area);
        }
    }

    /// Shape 2, M from 1.2 to 2 in 10 s is 16.1333 (computed for the reference page).
    #[test]
    fn a_ramp_under_shape_two() {
        let law = Law { allowance_s: 1.0, recovery_s: None, shape: 2.0, leak_s: None };
        assert!(libm::fabs(law.growth(1.2, 2.0, 10.0) - 16.133_333_333) < 1e-8);
    }

    /// Ramp of 0.5 K/min against the fryer's real setting (tolerance 3 K, 240 K.s): 4 min 28 s after leaving tolerance.
    #[test]
    fn a_slow_ramp_reaches_the_fryers_allowance() {
        let law = Law::new(&settings(Allowance::Area(300.0), Some(90), 1.0), 4.0);
        let piece = Piece { start_s: 0.0, length_s: 600.0, from: 1.0, to: 1.0 + 600.0 * 0.5 / 60.0 / 4.0 };
        // Half the slope times time squared is the area: t = sqrt(2 * 300 / (0.5 / 60)).
        close(law.seconds_to_raise(0.0, &piece).unwrap(), libm::sqrt(600.0 / (0.5 / 60.0)));
    }

    #[test]
    fn a_time_at_twice_the_tolerance_means_that_for_every_shape() {
        for shape in [0.02, 0.5, 1.0, 2.0, 3.0] {
            let law = Law::new(&settings(Allowance::AtTwice(80.0), Some(90), shape), 3.0);
            close(law.seconds_at(0.0, 2.0).unwrap(), 80.0);
        }
        let area = Law::new(&settings(Allowance::Area(240.0), Some(90), 1.0), 3.0);
        close(area.seconds_at(0.0, 2.0).unwrap(), 80.0);
    }

    #[test]
    fn decay_forgets_by_its_time_constant_and_only_within_tolerance() {
        let law = Law::new(&settings(Allowance::Area(240.0), Some(90), 1.0), 3.0);
        close(
            law.advance(0.8, &Piece { start_s: 0.0, length_s: 90.0, from: 0.5, to: -7.0 }),
            0.8 / core::f64::consts::E,
        );
        close(law.seconds_to_decay(2.0, 0.5).unwrap(), 90.0 * libm::log(4.0));
        let forever = Law::new(&settings(Allowance::Area(240.0), None, 1.0), 3.0);
        close(forever.advance(0.8, &Piece { start_s: 0.0, length_s: 1e6, from: 0.5, to: 0.5 }), 0.8);
        assert_eq!(forever.seconds_to_decay(0.8, 0.5), None);
    }

    /// Same points as the area above, time constant 120 s: 4.86396, 350.24277, 467.74658, 224.57566 (computed for the
    /// reference page).
    #[test]
    fn a_leaking_area_between_irregular_samples() {
        let settings = settings(Allowance::Area(1000.0), Some(120), 1.0);
        let law = Law::new(&TimeWeightedSettings { leak: Leak::Always { pick_up: 1.0 }, ..settings }, 5.0);
        let points = [(0.0, 180.0), (60.0, 186.0), (150.0, 194.0), (200.0, 188.0), (300.0, 178.0)]
            .map(|(t, x)| (t, (x - 180.0) / 5.0));
        for (count, area) in [(2, 4.86396), (3, 350.24277), (4, 467.74658), (5, 224.57566)] {
            let found = 1000.0 * run(&law, &points[..count]);
            assert!(libm::fabs(found - area) < 6e-6, "{found} is not {area}");
        }
    }

    /// Trip times with a leak at a constant distance: the table of the reference page (computed).
    #[test]
    fn a_leak_delays_the_raise_and_below_the_pick_up_prevents_it() {
        let rows = [(3.01, 684.85), (3.3, 287.75), (4.0, 166.36), (6.0, 83.18), (10.0, 42.80), (20.0, 19.50)];
        let law = leaky(1.0);
        for (beyond, seconds) in rows {
            let distance = 1.0 + beyond;
            assert!(libm::fabs(law.seconds_at(0.0, distance).unwrap() - seconds) < 6e-3);
            let piece = Piece { start_s: 0.0, length_s: 1000.0, from: distance, to: distance };
            assert!(libm::fabs(law.seconds_to_raise(0.0, &piece).unwrap() - seconds) < 6e-3);
        }
        assert_eq!(law.seconds_at(0.9, 4.0 - 1e-6), None);
        let piece = Piece { start_s: 0.0, length_s: 1e5, from: 4.0 - 1e-6, to: 4.0 - 1e-6 };
        assert_eq!(law.seconds_to_raise(0.9, &piece), None);
    }

    #[test]
    fn a_leaking_share_that_peaks_and_falls_within_one_piece_still_raises() {
        let law = leaky(1.0);
        let piece = Piece { start_s: 0.0, length_s: 600.0, from: 9.0, to: 1.0 };
        assert!(law.advance(0.0, &piece) < 1.0, "it has fallen again by the end");
        let seconds = law.seconds_to_raise(0.0, &piece).unwrap();
        let there = Piece { length_s: seconds, to: piece.at(seconds), ..piece };
        close(law.advance(0.0, &there), 1.0);
    }

    #[test]
    fn exposure_is_capped() {
        let law = Law::new(&settings(Allowance::Area(240.0), Some(90), 1.0), 3.0);
        close(law.advance(0.0, &Piece { start_s: 0.0, length_s: 1e9, from: 90.0, to: 90.0 }), EXPOSURE_CAP);
    }

    proptest! {
        #[test]
        fn splitting_a_stretch_changes_nothing(
            from in -3.0_f64..6.0, to in -3.0_f64..6.0, length_s in 0.1_f64..300.0,
            cut in 0.01_f64..0.99, shape in 0.02_f64..3.0, start in 0.0_f64..1.0,
        ) {
            let law = Law { allowance_s: 500.0, recovery_s: Some(90.0), shape, leak_s: None };
            let whole = pieces(from, to, length_s).iter().flatten().fold(start, |share, p| law.advance(share, p));
            let middle = from + (to - from) * cut;
            let halves = [pieces(from, middle, length_s * cut), pieces(middle, to, length_s * (1.0 - cut))];
            let split = halves.iter().flatten().flatten().fold(start, |share, p| law.advance(share, p));
            prop_assert!(libm::fabs(whole - split) < 1e-9, "{} against {}", whole, split);
        }

        #[test]
        fn splitting_a_leaking_stretch_changes_nothing(
            from in -3.0_f64..6.0, to in -3.0_f64..6.0, length_s in 0.1_f64..300.0,
            cut in 0.01_f64..0.99, shape in 0.02_f64..3.0, plain: bool,
        ) {
            let law = leaky(if plain { 1.0 } else { shape });
            let whole = pieces(from, to, length_s).iter().flatten().fold(0.3, |share, p| law.advance(share, p));
            let middle = from + (to - from) * cut;
            let halves = [pieces(from, middle, length_s * cut), pieces(middle, to, length_s * (1.0 - cut))];
            let split = halves.iter().flatten().flatten().fold(0.3, |share, p| law.advance(share, p));
            prop_assert!(libm::fabs(whole - split) < 1e-9, "{} against {}", whole, split);
        }

        #[test]
        fn the_crossing_is_where_the_share_is_one(
            from in 1.0_f64..6.0, to in 1.0_f64..6.0, length_s in 0.1_f64..300.0, shape in 0.02_f64..3.0,
        ) {
            let law = Law { allowance_s: 30.0, recovery_s: None, shape, leak_s: None };
            let piece = Piece { start_s: 0.0, length_s, from, to };
            if let Some(seconds) = law.seconds_to_raise(0.0, &piece) {
                let there = law.growth(from, from + (to - from) * seconds / length_s, seconds);
                prop_assert!(libm::fabs(there - 1.0) < 1e-9, "{}", there);
            } else {
                prop_assert!(law.advance(0.0, &piece) < 1.0 + 1e-12);
            }
        }
    }
}
