//! Thermal dose: what a temperature over time is worth in minutes at one reference temperature.
//!
//! The lethal rate is `10^((T - reference) / z)`; its integral over time is the equivalent time. Between two samples the
//! temperature is a straight line, and over a straight line the integral is exact: `dt (L1 - L0) / ln(L1 / L0)`. A
//! trapezium over the rates would be too high, by 16 % in the example in the tests.
//!
//! `reference` and `z` are parameters: a convention of the plant, not a property of corn. Cook and soak are never added
//! up in one limit: a soak of hours at 60 degC outweighs the cook.
//!
//! Units: temperatures in degC throughout, `z` in kelvin, doses in minutes, times as [`Uptime`]. Temperatures and `z`
//! in degF give the same dose (`z` differs by 1.8 only, never by 32); do not mix the two.
//!
//! Check values: see each test; published ones are named there.

use crate::series::{Segment, Span, Trace};
use core::f64::consts::LN_10;
use core::fmt;
use setward_protocol::Uptime;

/// Molar gas constant, J/(mol K): exact by the definition of the mole and the kelvin (2019), rounded to ten digits.
pub const GAS_CONSTANT_J_PER_MOL_K: f64 = 8.314_462_618;

/// What 0 degC is in kelvin.
pub const ZERO_DEGC_K: f64 = 273.15;

/// What is wrong with a reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ReferenceError {
    /// `z` is not above zero.
    Z(f64),
    /// The reference temperature is not a number, or below absolute zero.
    Temperature(f64),
    /// The activation energy is not above zero, J/mol.
    ActivationEnergy(f64),
}

impl fmt::Display for ReferenceError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Z(found) => write!(f, "z is {found} K; it is a difference above 0 K, often 5 to 50 K"),
            Self::Temperature(found) => {
                write!(f, "reference is {found} degC; give a temperature above -273.15 degC")
            }
            Self::ActivationEnergy(found) => {
                write!(f, "activation energy is {found} J/mol; give one above 0 J/mol")
            }
        }
    }
}

impl core::error::Error for ReferenceError {}

/// A reference temperature and how many kelvin multiply the rate by ten.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference {
    reference_degc: f64,
    z_k: f64,
    least_degc: Option<f64>,
}

impl Reference {
    /// A reference temperature, degC, and a `z`, K.
    ///
    /// # Errors
    /// A `z` that is not above zero, a temperature that is none.
    pub fn new(reference_degc: f64, z_k: f64) -> Result<Self, ReferenceError> {
        if !(z_k > 0.0 && z_k.is_finite()) {
            return Err(ReferenceError::Z(z_k));
        }
        if !(reference_degc > -ZERO_DEGC_K && reference_degc.is_finite()) {
            return Err(ReferenceError::Temperature(reference_degc));
        }
        Ok(Self { reference_degc, z_k, least_degc: None })
    }

    /// From an activation energy, J/mol, near the reference temperature, degC: `z = ln(10) R T^2 / E`.
    ///
    /// # Errors
    /// As for [`Reference::new`], and an activation energy that is not above zero.
    pub fn from_activation_energy(
        reference_degc: f64,
        energy_j_per_mol: f64,
    ) -> Result<Self, ReferenceError> {
        if !(energy_j_per_mol > 0.0 && energy_j_per_mol.is_finite()) {
            return Err(ReferenceError::ActivationEnergy(energy_j_per_mol));
        }
        let reference_k = reference_degc + ZERO_DEGC_K;
        Self::new(
            reference_degc,
            LN_10 * GAS_CONSTANT_J_PER_MOL_K * reference_k * reference_k / energy_j_per_mol,
        )
    }

    /// The same, counting nothing below a temperature, degC: practice in pasteurisers.
    #[must_use]
    pub const fn counting_from(self, least_degc: f64) -> Self {
        Self { least_degc: Some(least_degc), ..self }
    }

    /// The reference temperature, degC.
    #[must_use]
    pub const fn reference_degc(&self) -> f64 {
        self.reference_degc
    }

    /// Kelvin that multiply the rate by ten.
    #[must_use]
    pub const fn z_k(&self) -> f64 {
        self.z_k
    }

    /// Equivalent minutes per minute at a temperature, degC. Infinite for one far beyond sense.
    #[must_use]
    pub fn rate(&self, temperature_degc: f64) -> f64 {
        if self.least_degc.is_some_and(|least| temperature_degc < least) {
            return 0.0;
        }
        libm::exp(LN_10 * (temperature_degc - self.reference_degc) / self.z_k)
    }

    /// Equivalent minutes over one straight piece.
    fn minutes(&self, piece: Segment) -> f64 {
        let Some(counted) = self.counted(piece) else { return 0.0 };
        let exponent = LN_10 * (counted.last - counted.first) / self.z_k;
        self.rate(counted.first) * counted.seconds() / 60.0 * mean_of_exponential(exponent)
    }

    /// The part of a straight piece that counts.
    fn counted(&self, piece: Segment) -> Option<Segment> {
        let Some(least) = self.least_degc else { return Some(piece) };
        let (first, last) = (piece.first >= least, piece.last >= least);
        match (first, last) {
            (true, true) => Some(piece),
            (false, false) => None,
            (true, false) => Some(Segment { to: piece.first_at(least)?, last: least, ..piece }),
            (false, true) => Some(Segment { from: piece.first_at(least)?, first: least, ..piece }),
        }
    }
}

/// `(e^x - 1) / x`: the mean of `e^s` for `s` from 0 to `x`. Exact near zero too.
fn mean_of_exponential(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { libm::expm1(x) / x }
}

/// A dose, as far as the record allows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dose {
    /// Equivalent minutes in the time that is known. The true dose is not less.
    pub minutes: f64,
    /// How long the temperature was not known, s.
    pub unknown_s: f64,
}

/// The dose of a temperature record, degC, over a span.
#[must_use]
pub fn dose(temperature: &Trace<'_>, span: Span, reference: &Reference) -> Dose {
    let minutes = temperature.segments_within(span).map(|piece| reference.minutes(piece)).sum();
    Dose { minutes, unknown_s: temperature.unknown_s(span) }
}

/// How long a temperature was held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Held {
    /// Seconds at or above the limit in the time that is known.
    pub seconds: f64,
    /// How long the temperature was not known, s: at most this much more.
    pub unknown_s: f64,
}

/// Seconds of a span at or above a limit: a hold counts by temperature, never by the timer.
#[must_use]
pub fn held_at_or_above(temperature: &Trace<'_>, span: Span, limit_degc: f64) -> Held {
    let seconds = temperature.segments_within(span).map(|piece| piece.seconds_at_or_above(limit_degc)).sum();
    Held { seconds, unknown_s: temperature.unknown_s(span) }
}

/// When a temperature first stood at or above a limit within a span; `None` if it is not seen to.
#[must_use]
pub fn first_at_or_above(temperature: &Trace<'_>, span: Span, limit_degc: f64) -> Option<Uptime> {
    temperature.segments_within(span).find_map(|piece| {
        if piece.first >= limit_degc { Some(piece.from) } else { piece.first_at(limit_degc) }
    })
}

/// Come-up time, s: from the last time at or below `from_degc` to the first time at or above `to_degc` after it.
///
/// `None` if either is not seen within the span, or a gap lies between the two (then a step could hide in it).
#[must_use]
pub fn come_up_s(temperature: &Trace<'_>, span: Span, from_degc: f64, to_degc: f64) -> Option<f64> {
    let reached = first_at_or_above(temperature, span, to_degc)?;
    let before = Span::new(span.from, reached)?;
    let left = temperature
        .segments_within(before)
        .filter(|piece| piece.first <= from_degc)
        .filter_map(|piece| if piece.last <= from_degc { Some(piece.to) } else { piece.first_at(from_degc) })
        .last()?;
    let climb = Span::new(left, reached)?;
    (temperature.unknown_s(climb) < 1e-6).then(|| climb.seconds())
}

/// Mean heating rate, K/min, between two temperatures, degC; `None` as for [`come_up_s`].
#[must_use]
pub fn heating_rate_k_per_min(
    temperature: &Trace<'_>,
    span: Span,
    from_degc: f64,
    to_degc: f64,
) -> Option<f64> {
    let climb_s = come_up_s(temperature, span, from_degc, to_degc)?;
    (climb_s > 0.0).then(|| (to_degc - from_degc) / climb_s * 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;
    use core::time::Duration;
    use proptest::prelude::*;

    const DAY: Duration = Duration::from_secs(86_400);

    fn minutes(points: &[(f64, f64)]) -> Vec<(Uptime, f64)> {
        points.iter().map(|&(minute, degc)| (Uptime::from_secs_f64(minute * 60.0), degc)).collect()
    }

    fn dose_of(points: &[(f64, f64)], reference: &Reference) -> f64 {
        let points = minutes(points);
        let trace = Trace::new(&points, DAY).unwrap();
        dose(&trace, trace.span(), reference).minutes
    }

    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found}, not {expected} within {within}");
    }

    /// Published by dairyscience.info: at 110 degC a minute is worth 0.077 min at 121.11, z = 10 K (0.07745 recomputed).
    #[test]
    fn the_dairy_textbook_rate() {
        close(Reference::new(121.11, 10.0).unwrap().rate(110.0), 0.077_45, 5e-6);
    }

    /// A sterilising example, 14.0512 min as the log mean and on a fine grid (computed with numpy; from 100 degC up
    /// to 121.1 and back, reference 121.1); the trapezium over the rates gives 16.2662, 16 % high.
    #[test]
    fn straight_pieces_are_exact() {
        let retort = [(0.0, 100.0), (5.0, 115.0), (10.0, 121.1), (20.0, 121.1), (25.0, 100.0)];
        close(dose_of(&retort, &Reference::new(121.1, 10.0).unwrap()), 14.0512, 5e-5);
    }

    /// The meat-industry foundation's published lethality sheet, degF: z 10 F, reference 150 F, every half minute. It
    /// uses the trapezium over the rates; the exact integral of straight lines lies below it and above a fine limit.
    #[test]
    fn the_meat_industry_sheet() {
        let sheet_degf =
            [40., 64., 82., 97., 113., 128., 138., 142., 145., 148., 145., 140., 137., 136., 135., 134.];
        let printed =
            [0., 0., 0., 0., 0., 0.002, 0.019, 0.074, 0.193, 0.430, 0.667, 0.771, 0.808, 0.831, 0.849, 0.863];
        let reference = Reference::new(150.0, 10.0).unwrap();
        let mut trapezium = 0.0;
        for (at, pair) in sheet_degf.windows(2).enumerate() {
            trapezium += 0.25 * (reference.rate(pair[0]) + reference.rate(pair[1]));
            close(trapezium, printed[at + 1], 5e-4);
        }
        let points: Vec<_> =
            sheet_degf.iter().enumerate().map(|(at, &degf)| (at as f64 / 2.0, degf)).collect();
        let exact = dose_of(&points, &reference);
        assert!(exact < trapezium && exact > 0.9 * trapezium, "{exact} {trapezium}");
    }

    /// The dose does not depend on the scale: degF with z in degF gives what degC with z in K gives.
    #[test]
    fn fahrenheit_gives_the_same_dose() {
        let degc = [(0.0, 20.0), (10.0, 95.0), (30.0, 96.0), (40.0, 60.0)];
        let degf = degc.map(|(minute, degc)| (minute, degc * 1.8 + 32.0));
        let in_degc = dose_of(&degc, &Reference::new(95.0, 33.0).unwrap());
        close(dose_of(&degf, &Reference::new(203.0, 33.0 * 1.8).unwrap()), in_degc, 1e-9);
    }

    /// Pasteurisation units are `1.393^(T - 60)` (published): z = 6.95 K, not the 7.0 some instruments use.
    #[test]
    fn pasteurisation_units_have_their_own_z() {
        let z_k = LN_10 / libm::log(1.393);
        close(z_k, 6.95, 0.005);
        close(Reference::new(60.0, z_k).unwrap().rate(64.0), libm::pow(1.393, 4.0), 1e-12);
    }

    /// Published legal milk pairs (Michigan MCL 288.697; 25 TAC 217.1): 89 degC 1 s and 100 degC 0.01 s give z 5.5 K;
    /// 63 degC 30 min and 72 degC 15 s give 4.33 K.
    #[test]
    fn legal_milk_pairs_are_equal_under_their_z() {
        let of = |degc: f64, seconds: f64, reference: &Reference| {
            dose_of(&[(0.0, degc), (seconds / 60.0, degc)], reference)
        };
        let hot = Reference::new(89.0, 5.5).unwrap();
        close(of(89.0, 1.0, &hot) / of(100.0, 0.01, &hot), 1.0, 1e-6);
        let batch = Reference::new(63.0, 9.0 / libm::log10(120.0)).unwrap();
        close(batch.z_k(), 4.33, 0.005);
        close(of(63.0, 1800.0, &batch) / of(72.0, 15.0, &batch), 1.0, 1e-6);
    }

    /// Cook value at 100 degC, z 33 K (common practice, from memory; computed): 20 min at 95 degC are 14.11 min, and
    /// 12 h of soak at 60 degC are 44.2: why the two never share a limit.
    #[test]
    fn a_long_soak_outweighs_a_cook() {
        let reference = Reference::new(100.0, 33.0).unwrap();
        close(dose_of(&[(0.0, 95.0), (20.0, 95.0)], &reference), 14.11, 0.005);
        close(dose_of(&[(0.0, 60.0), (720.0, 60.0)], &reference), 44.2, 0.05);
    }

    /// The demo recipe's batch (computed there): come-up 4.9 in its 24 to 26 min, hold 21.5, quench 4.0 at 95 degC. Water
    /// at 17 degC is the recipe's quench water, taken for the fill too.
    #[test]
    fn the_blue_corn_batch_is_worth_what_its_recipe_says() {
        let reference = Reference::new(95.0, 33.0).unwrap();
        let come_up = |minutes: f64| dose_of(&[(0.0, 17.0), (minutes, 96.0)], &reference);
        assert!(come_up(24.0) < 4.9 && come_up(26.0) > 4.9, "{} {}", come_up(24.0), come_up(26.0));
        close(dose_of(&[(0.0, 96.0), (20.0, 96.0)], &reference), 21.5, 0.06);
        close(dose_of(&[(0.0, 96.0), (8.0, 70.0)], &reference), 4.0, 0.05);
    }

    /// Activation energies near 180 degC (computed): 100 kJ/mol is z 39.31 K, 80 kJ/mol 49.14 K; and a fry of 20 s at
    /// 170 and 35 s at 185 degC is worth 58.04 s at 180.
    #[test]
    fn z_from_an_activation_energy() {
        let fry = Reference::from_activation_energy(180.0, 100e3).unwrap();
        close(fry.z_k(), 39.31, 0.005);
        close(Reference::from_activation_energy(180.0, 80e3).unwrap().z_k(), 49.14, 0.005);
        close(20.0 * fry.rate(170.0) + 35.0 * fry.rate(185.0), 58.04, 0.005);
    }

    #[test]
    fn a_reference_that_is_none_is_refused() {
        assert_eq!(Reference::new(95.0, 0.0), Err(ReferenceError::Z(0.0)));
        assert_eq!(Reference::new(-300.0, 10.0), Err(ReferenceError::Temperature(-300.0)));
        assert!(matches!(Reference::new(95.0, f64::NAN), Err(ReferenceError::Z(_))));
        assert_eq!(
            Reference::from_activation_energy(95.0, -1.0),
            Err(ReferenceError::ActivationEnergy(-1.0))
        );
    }

    #[test]
    fn below_the_counting_limit_nothing_counts_and_the_crossing_is_exact() {
        let reference = Reference::new(60.0, 7.0).unwrap();
        let counting = reference.counting_from(60.0);
        let whole = dose_of(&[(0.0, 50.0), (20.0, 70.0), (40.0, 50.0)], &counting);
        close(whole, dose_of(&[(0.0, 60.0), (10.0, 70.0), (20.0, 60.0)], &reference), 1e-9);
        close(dose_of(&[(0.0, 20.0), (100.0, 59.9)], &counting), 0.0, 0.0);
    }

    /// 30 s of each minute above: a hold counts by temperature, and what nobody saw is said.
    #[test]
    fn a_hold_counts_above_the_limit_only() {
        let points =
            minutes(&[(0.0, 93.0), (1.0, 95.0), (2.0, 93.0), (3.0, 95.0), (10.0, 95.0), (11.0, 95.0)]);
        let trace = Trace::new(&points, Duration::from_secs(90)).unwrap();
        let held = held_at_or_above(&trace, trace.span(), 94.0);
        close(held.seconds, 30.0 * 3.0 + 60.0, 1e-6);
        close(held.unknown_s, 420.0, 1e-6);
    }

    /// 3 K/min from 20 degC, with a fall back to 25 on the way: the climb counts from the last time at 40.
    #[test]
    fn come_up_counts_from_the_last_time_below() {
        let climb = minutes(&[(0.0, 20.0), (10.0, 50.0), (12.0, 25.0), (32.0, 85.0), (36.0, 97.0)]);
        let trace = Trace::new(&climb, DAY).unwrap();
        close(come_up_s(&trace, trace.span(), 40.0, 85.0).unwrap(), 900.0, 1e-6);
        close(heating_rate_k_per_min(&trace, trace.span(), 40.0, 85.0).unwrap(), 3.0, 1e-9);
        assert_eq!(come_up_s(&trace, trace.span(), 40.0, 99.0), None, "it never got there");
        let blind = Trace::new(&climb, Duration::from_secs(700)).unwrap();
        assert_eq!(come_up_s(&blind, blind.span(), 40.0, 85.0), None, "nobody saw the climb");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// Samples added on the line change nothing, and a fine sum of the rates agrees.
        #[test]
        fn a_dose_is_unchanged_by_subdivision(degc in prop::collection::vec(20.0..130.0, 2..6), cut in 0.05..0.95) {
            let reference = Reference::new(95.0, 15.0).unwrap();
            let coarse: Vec<_> = degc.iter().enumerate().map(|(at, &degc)| (at as f64 * 5.0, degc)).collect();
            let mut fine = Vec::new();
            for pair in coarse.windows(2) {
                fine.push(pair[0]);
                fine.push((pair[0].0 + 5.0 * cut, pair[0].1 + (pair[1].1 - pair[0].1) * cut));
            }
            fine.push(coarse[coarse.len() - 1]);
            let (whole, cut_up) = (dose_of(&coarse, &reference), dose_of(&fine, &reference));
            prop_assert!((whole - cut_up).abs() <= 1e-7 * whole, "{whole} {cut_up}");
            let mut summed = 0.0;
            for pair in coarse.windows(2) {
                for step in 0..500 {
                    let share = (f64::from(step) + 0.5) / 500.0;
                    summed += 0.01 * reference.rate(pair[0].1 + (pair[1].1 - pair[0].1) * share);
                }
            }
            prop_assert!((whole - summed).abs() <= 1e-3 * whole, "{whole} {summed}");
        }
    }
}
