//! Thermocouples J and K by ITS-90: the reference functions and their approximate inverses, NIST Monograph 175.
//!
//! A thermocouple measures a difference. The reference junction's *voltage* is added before the temperature is looked up;
//! adding its temperature afterwards looks right on type K and is 2 K wrong on type J.

use super::{OutOfRange, within};

/// K from 0 to 1372 degC, mV.
const K_FORWARD: [f64; 10] = [
    -0.017_600_413_686,
    0.038_921_204_975,
    1.855_877_003_2e-5,
    -9.945_759_287_4e-8,
    3.184_094_571_9e-10,
    -5.607_284_488_9e-13,
    5.607_505_905_9e-16,
    -3.202_072_000_3e-19,
    9.715_114_715_2e-23,
    -1.210_472_127_5e-26,
];
/// K's bulge about 127 degC, mV, 1/K2 and degC.
const K_BULGE: (f64, f64, f64) = (0.118_597_6, -1.183_432e-4, 126.9686);
/// K from 0 to 20.644 mV, degC: within -0.05 and +0.04 K of the reference function.
const K_INVERSE: [f64; 10] = [
    0.0,
    25.083_55,
    0.078_601_06,
    -0.250_313_1,
    0.083_152_7,
    -0.012_280_34,
    9.804_036e-4,
    -4.413_03e-5,
    1.057_734e-6,
    -1.052_755e-8,
];
/// Where K's first inverse ends and the second begins, mV: 500 degC.
const K_INVERSES_MEET_MV: f64 = 20.644;
/// K from 20.644 to 54.886 mV, degC: within -0.05 and +0.06 K of the reference function.
const K_INVERSE_HOT: [f64; 7] =
    [-131.805_8, 48.302_22, -1.646_031, 5.464_731e-2, -9.650_715e-4, 8.802_193e-6, -3.110_810e-8];
/// J from -210 to 760 degC, mV.
const J_FORWARD: [f64; 9] = [
    0.0,
    0.050_381_187_815,
    3.047_583_693_0e-5,
    -8.568_106_572_0e-8,
    1.322_819_529_5e-10,
    -1.705_295_833_7e-13,
    2.094_809_069_7e-16,
    -1.253_839_533_6e-19,
    1.563_172_569_7e-23,
];
/// J from 0 to 42.919 mV, degC: within 0.04 K of the reference function.
const J_INVERSE: [f64; 8] =
    [0.0, 19.784_25, -0.200_120_4, 0.010_369_69, -2.549_687e-4, 3.585_153e-6, -5.344_285e-8, 5.099_890e-10];

/// Half of the last digit that tables print, mV.
const ROUNDED_MV: f64 = 0.000_5;

/// A type of thermocouple.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Thermocouple {
    /// Iron and copper-nickel.
    J,
    /// Nickel-chromium and nickel-aluminium.
    K,
}

impl Thermocouple {
    /// Temperatures that both ways cover, degC: J as far as it lasts, K as far as it is defined. Cold ends are left out.
    #[must_use]
    pub const fn covered_degc(self) -> (f64, f64) {
        match self {
            Self::J => (0.0, 760.0),
            Self::K => (0.0, 1372.0),
        }
    }

    /// Millivolts of a junction at a temperature, degC, against one at 0 degC.
    ///
    /// # Errors
    /// Outside the range covered.
    pub fn millivolts(self, degc: f64) -> Result<f64, OutOfRange> {
        within(degc, self.covered_degc(), "degC").map(|degc| self.reference(degc))
    }

    /// The temperature, degC, of millivolts against 0 degC. The published inverse is the start; two of Newton's steps on
    /// the reference function take away its error of up to 0.05 K.
    ///
    /// # Errors
    /// Outside the millivolts of the range covered.
    pub fn degc(self, millivolts: f64) -> Result<f64, OutOfRange> {
        let (low, high) = self.covered_degc();
        // A table's ends are rounded to a thousandth of a millivolt, and are covered.
        let covered = (self.reference(low) - ROUNDED_MV, self.reference(high) + ROUNDED_MV);
        let found = within(millivolts, covered, "mV")?;
        let mut degc = self.published_inverse(found);
        for _ in 0..2 {
            degc -= (self.reference(degc) - found) / self.slope(degc);
        }
        Ok(degc)
    }

    /// Millivolts that a meter shows: hot junction at one temperature, the meter's terminals at another, both degC.
    ///
    /// # Errors
    /// Either outside the range covered.
    pub fn measured_millivolts(self, hot_degc: f64, terminals_degc: f64) -> Result<f64, OutOfRange> {
        Ok(self.millivolts(hot_degc)? - self.millivolts(terminals_degc)?)
    }

    /// The hot junction's temperature, degC, from what a meter shows and the temperature of its terminals, degC.
    ///
    /// # Errors
    /// A temperature or a voltage outside the range covered.
    pub fn hot_degc(self, measured_millivolts: f64, terminals_degc: f64) -> Result<f64, OutOfRange> {
        self.degc(measured_millivolts + self.millivolts(terminals_degc)?)
    }

    /// The published inverse alone, degC.
    fn published_inverse(self, millivolts: f64) -> f64 {
        match self {
            Self::J => polynomial(&J_INVERSE, millivolts),
            Self::K if millivolts <= K_INVERSES_MEET_MV => polynomial(&K_INVERSE, millivolts),
            Self::K => polynomial(&K_INVERSE_HOT, millivolts),
        }
    }

    fn reference(self, degc: f64) -> f64 {
        match self {
            Self::J => polynomial(&J_FORWARD, degc),
            Self::K => polynomial(&K_FORWARD, degc) + k_bulge(degc),
        }
    }

    fn slope(self, degc: f64) -> f64 {
        match self {
            Self::J => polynomial_slope(&J_FORWARD, degc),
            Self::K => {
                polynomial_slope(&K_FORWARD, degc) + 2.0 * K_BULGE.1 * (degc - K_BULGE.2) * k_bulge(degc)
            }
        }
    }
}

fn k_bulge(degc: f64) -> f64 {
    let (height, width, middle) = K_BULGE;
    height * libm::exp(width * (degc - middle) * (degc - middle))
}

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, coefficient| sum * x + coefficient)
}

fn polynomial_slope(coefficients: &[f64], x: f64) -> f64 {
    let with_power = coefficients.iter().enumerate().skip(1).rev();
    with_power.fold(0.0, |sum, (power, coefficient)| sum * x + coefficient * power as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use Thermocouple::{J, K};

    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found}, not {expected} within {within}");
    }

    /// ITS-90 tables (NIST SRD 60), to 0.001 mV: 25, 100, 180, 200, 340 degC computed with NIST's coefficients; 500 degC of
    /// K and more, and 760 degC of J as any table prints them (from memory).
    #[test]
    fn the_reference_tables() {
        for (degc, printed) in [
            (0.0, 0.0),
            (25.0, 1.0002),
            (100.0, 4.0962),
            (180.0, 7.3400),
            (200.0, 8.1385),
            (340.0, 13.8745),
            (500.0, 20.644),
            (600.0, 24.905),
            (800.0, 33.275),
            (1000.0, 41.276),
            (1200.0, 48.838),
            (1372.0, 54.886),
        ] {
            close(K.millivolts(degc).unwrap(), printed, 5.1e-4);
            close(K.degc(printed).unwrap(), degc, 0.02);
        }
        for (degc, printed) in [
            (0.0, 0.0),
            (25.0, 1.2773),
            (100.0, 5.2689),
            (180.0, 9.6694),
            (200.0, 10.7787),
            (340.0, 18.5385),
            (760.0, 42.919),
        ] {
            close(J.millivolts(degc).unwrap(), printed, 5.1e-4);
            close(J.degc(printed).unwrap(), degc, 0.02);
        }
    }

    /// The published inverses are within their published errors of the reference functions: one of the two would be
    /// mistyped otherwise.
    #[test]
    fn the_published_inverses_keep_their_published_errors() {
        for (couple, (from, to), low, high) in [
            (K, (0.0, 500.0), -0.05, 0.04),
            (K, (500.1, 1372.0), -0.05, 0.06),
            (J, J.covered_degc(), -0.04, 0.04),
        ] {
            for tenth in ((from * 10.0_f64).round() as i32)..=((to * 10.0_f64).round() as i32) {
                let degc = f64::from(tenth) / 10.0;
                let off = couple.published_inverse(couple.millivolts(degc).unwrap()) - degc;
                assert!(off > low - 0.005 && off < high + 0.005, "{couple:?} {degc}: off by {off}");
                close(couple.degc(couple.millivolts(degc).unwrap()).unwrap(), degc, 1e-6);
            }
        }
    }

    /// Terminals at 25 degC, hot end at 180: K shows 6.33978 mV, J 8.39207 (computed). Looking the voltage up alone and
    /// adding 25 degC gives 180.007 and 181.92: type J shows the mistake, type K hides it.
    #[test]
    fn the_reference_junction_is_added_as_a_voltage() {
        close(K.measured_millivolts(180.0, 25.0).unwrap(), 6.339_78, 5e-5);
        close(J.measured_millivolts(180.0, 25.0).unwrap(), 8.392_07, 5e-5);
        close(K.hot_degc(6.339_78, 25.0).unwrap(), 180.0, 1e-3);
        close(J.hot_degc(8.392_07, 25.0).unwrap(), 180.0, 1e-3);
        close(K.degc(6.339_78).unwrap() + 25.0, 180.007, 0.05);
        close(J.degc(8.392_07).unwrap() + 25.0, 181.92, 0.05);
    }

    #[test]
    fn what_is_not_covered_is_refused() {
        assert!(
            K.millivolts(-1.0).is_err()
                && K.millivolts(1373.0).is_err()
                && J.millivolts(761.0).is_err()
                && K.degc(f64::NAN).is_err()
        );
        assert!(K.degc(60.0).is_err() && J.degc(-5.0).is_err(), "an open or reversed thermocouple");
    }
}
