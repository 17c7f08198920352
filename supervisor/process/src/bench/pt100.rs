//! Platinum resistance thermometers by IEC 60751: `R = 100 (1 + A t + B t^2)`, below 0 degC with `C (t - 100) t^3` more.

use super::{OutOfRange, within};

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;
/// Ohms at 0 degC.
const AT_ZERO: f64 = 100.0;
/// Half of the last digit that tables print, ohms.
const ROUNDED_OHMS: f64 = 0.005;
const COVERED_DEGC: (f64, f64) = (-200.0, 850.0);

/// A Pt100.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pt100;

/// Tolerance class of the sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// 0.15 K and 0.2 % of the temperature.
    A,
    /// 0.3 K and 0.5 % of the temperature.
    B,
}

impl Class {
    /// How far a sensor of this class may be off at a temperature, degC, to either side, K.
    #[must_use]
    pub fn tolerance_k(self, degc: f64) -> f64 {
        match self {
            Self::A => 0.15 + 0.002 * degc.abs(),
            Self::B => 0.3 + 0.005 * degc.abs(),
        }
    }
}

impl Pt100 {
    /// Ohms at a temperature, degC.
    ///
    /// # Errors
    /// Outside -200 to 850 degC.
    pub fn ohms(self, degc: f64) -> Result<f64, OutOfRange> {
        within(degc, COVERED_DEGC, "degC").map(ohms)
    }

    /// The temperature, degC, of a resistance, ohms. Leads of a two-wire sensor count as temperature: 0.385 ohms are 1 K.
    ///
    /// # Errors
    /// Outside the ohms of -200 to 850 degC: a broken wire or a short is far outside.
    pub fn degc(self, resistance_ohms: f64) -> Result<f64, OutOfRange> {
        // A table's ends are rounded to a hundredth of an ohm, and are covered.
        let covered = (ohms(COVERED_DEGC.0) - ROUNDED_OHMS, ohms(COVERED_DEGC.1) + ROUNDED_OHMS);
        let found = within(resistance_ohms, covered, "ohms")?;
        let quadratic = (-A + libm::sqrt(A * A - 4.0 * B * (1.0 - found / AT_ZERO))) / (2.0 * B);
        if found >= AT_ZERO {
            return Ok(quadratic);
        }
        // Below 0 degC the quadratic is a good start for Newton's way; the slope is never far from 0.4 ohms/K.
        let mut degc = quadratic;
        for _ in 0..8 {
            degc -= (ohms(degc) - found) / slope(degc);
        }
        Ok(degc)
    }

    /// Ohms per kelvin at a temperature, degC: what a lead's resistance is worth.
    ///
    /// # Errors
    /// Outside -200 to 850 degC.
    pub fn ohms_per_k(self, degc: f64) -> Result<f64, OutOfRange> {
        within(degc, COVERED_DEGC, "degC").map(slope)
    }
}

fn ohms(degc: f64) -> f64 {
    let below = if degc < 0.0 { C * (degc - 100.0) * degc * degc * degc } else { 0.0 };
    AT_ZERO * (1.0 + A * degc + B * degc * degc + below)
}

fn slope(degc: f64) -> f64 {
    let below = if degc < 0.0 { C * (4.0 * degc - 300.0) * degc * degc } else { 0.0 };
    AT_ZERO * (A + 2.0 * B * degc + below)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found}, not {expected} within {within}");
    }

    /// The published table of IEC 60751, as printed to 0.01 ohm; more digits at 95, 168, 180 and 850 degC computed.
    #[test]
    fn the_published_table() {
        let table = [
            (-200.0, 18.52),
            (-100.0, 60.26),
            (0.0, 100.0),
            (50.0, 119.40),
            (100.0, 138.51),
            (150.0, 157.33),
            (170.0, 164.77),
            (180.0, 168.48),
            (190.0, 172.17),
            (200.0, 175.86),
            (250.0, 194.10),
            (300.0, 212.05),
            (340.0, 226.21),
            (350.0, 229.72),
            (400.0, 247.09),
            (600.0, 313.71),
        ];
        for (degc, printed) in table {
            close(Pt100.ohms(degc).unwrap(), printed, 0.005_000_1);
            close(Pt100.degc(printed).unwrap(), degc, 0.02);
        }
        for (degc, computed) in [(95.0, 136.6077), (168.0, 164.0295), (180.0, 168.4783), (850.0, 390.4811)] {
            close(Pt100.ohms(degc).unwrap(), computed, 5e-5);
        }
        close(Pt100.degc(168.48).unwrap(), 180.0046, 5e-5);
    }

    #[test]
    fn both_ways_agree_everywhere() {
        for tenth in -2000..=8500 {
            let degc = f64::from(tenth) / 10.0;
            close(Pt100.degc(Pt100.ohms(degc).unwrap()).unwrap(), degc, 1e-6);
        }
    }

    #[test]
    fn a_broken_wire_is_no_temperature() {
        assert!(
            Pt100.degc(f64::INFINITY).is_err() && Pt100.degc(0.0).is_err() && Pt100.degc(f64::NAN).is_err()
        );
        assert!(Pt100.ohms(-200.1).is_err() && Pt100.ohms(850.1).is_err());
    }

    /// Classes at 180 degC: 0.51 and 1.20 K. Leads: 0.385 ohms a kelvin about 0 to 100 degC.
    #[test]
    fn tolerances_and_leads() {
        close(Class::A.tolerance_k(180.0), 0.51, 1e-12);
        close(Class::B.tolerance_k(-180.0), 1.20, 1e-12);
        close(Pt100.ohms_per_k(50.0).unwrap(), 0.385, 5e-4);
        close(
            Pt100.ohms_per_k(-100.0).unwrap(),
            100.0 * (Pt100.ohms(-99.9995).unwrap() - Pt100.ohms(-100.0005).unwrap()) * 10.0,
            1e-5,
        );
    }
}
