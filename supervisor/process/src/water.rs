//! Water and steam on the saturation line: what boiling it away costs.
//!
//! By IAPWS SR1-86 (1992), "Revised Supplementary Release on Saturation Properties of Ordinary Water Substance": vapour
//! pressure and both densities in closed form; the latent heat follows from them by Clapeyron's equation. Valid from the
//! triple point (0.01 degC) to the critical point (373.946 degC). Its equations agree with the larger formulations
//! within 0.03 %, far better than anything else in a fryer's balance is known.
//!
//! Check values: the release's own table (page 7) and saturation rows of IAPWS-IF97.

use crate::thermal::ZERO_DEGC_K;
use core::fmt;

const CRITICAL_K: f64 = 647.096;
const CRITICAL_PA: f64 = 22.064e6;
const CRITICAL_KG_PER_M3: f64 = 322.0;
const TRIPLE_K: f64 = 273.16;
const TRIPLE_PA: f64 = 611.657;

/// Exponents and coefficients of the vapour pressure, equation (1).
const PRESSURE: [(f64, f64); 6] = [
    (1.0, -7.859_517_83),
    (1.5, 1.844_082_59),
    (3.0, -11.786_649_7),
    (3.5, 22.680_741_1),
    (4.0, -15.961_871_9),
    (7.5, 1.801_225_02),
];
/// Exponents and coefficients of the liquid's density, equation (2).
const LIQUID: [(f64, f64); 6] = [
    (1.0 / 3.0, 1.992_740_64),
    (2.0 / 3.0, 1.099_653_42),
    (5.0 / 3.0, -0.510_839_303),
    (16.0 / 3.0, -1.754_934_79),
    (43.0 / 3.0, -45.517_035_2),
    (110.0 / 3.0, -674_694.45),
];
/// Exponents and coefficients of the vapour's density, equation (3).
const VAPOUR: [(f64, f64); 6] = [
    (2.0 / 6.0, -2.031_502_40),
    (4.0 / 6.0, -2.683_029_40),
    (8.0 / 6.0, -5.386_264_92),
    (18.0 / 6.0, -17.299_160_5),
    (37.0 / 6.0, -44.758_658_1),
    (71.0 / 6.0, -63.920_106_3),
];

/// A temperature or a pressure that is not on the saturation line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotSaturated {
    /// This temperature, degC.
    Temperature(f64),
    /// This pressure, kPa absolute.
    Pressure(f64),
}

impl fmt::Display for NotSaturated {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Temperature(found) => {
                write!(f, "{found} degC: water boils from 0.01 up to 373.9 degC; check the unit")
            }
            Self::Pressure(found) => {
                write!(
                    f,
                    "{found} kPa: water boils from 0.612 to 22064 kPa absolute; check the unit, and add the air's"
                )
            }
        }
    }
}

impl core::error::Error for NotSaturated {}

/// What water and its steam are like where they stand beside each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Saturation {
    /// Absolute pressure, kPa.
    pub pressure_kpa: f64,
    /// How it rises with temperature, kPa/K.
    pub pressure_rise_kpa_per_k: f64,
    /// Density of the water, `kg/m3`.
    pub liquid_kg_per_m3: f64,
    /// Density of the steam, `kg/m3`.
    pub vapour_kg_per_m3: f64,
    /// Heat that turns water to steam at this temperature, kJ/kg.
    pub latent_heat_kj_per_kg: f64,
}

/// The saturation line at a temperature, degC.
///
/// # Errors
/// Below the triple point or not below the critical point.
pub fn saturation(temperature_degc: f64) -> Result<Saturation, NotSaturated> {
    let kelvin = temperature_degc + ZERO_DEGC_K;
    // The triple point itself must not fail by rounding.
    if !(TRIPLE_K - 1e-9..CRITICAL_K).contains(&kelvin) {
        return Err(NotSaturated::Temperature(temperature_degc));
    }
    let tau = 1.0 - kelvin / CRITICAL_K;
    let (sum, slope) = (series(&PRESSURE, tau), series_slope(&PRESSURE, tau));
    let pressure_pa = CRITICAL_PA * libm::exp(CRITICAL_K / kelvin * sum);
    let rise_pa_per_k = -pressure_pa / kelvin * (CRITICAL_K / kelvin * sum + slope);
    let liquid_kg_per_m3 = CRITICAL_KG_PER_M3 * (1.0 + series(&LIQUID, tau));
    let vapour_kg_per_m3 = CRITICAL_KG_PER_M3 * libm::exp(series(&VAPOUR, tau));
    let latent_heat_j_per_kg = kelvin * rise_pa_per_k * (1.0 / vapour_kg_per_m3 - 1.0 / liquid_kg_per_m3);
    Ok(Saturation {
        pressure_kpa: pressure_pa / 1000.0,
        pressure_rise_kpa_per_k: rise_pa_per_k / 1000.0,
        liquid_kg_per_m3,
        vapour_kg_per_m3,
        latent_heat_kj_per_kg: latent_heat_j_per_kg / 1000.0,
    })
}

/// The temperature at which water boils, degC, under an absolute pressure, kPa. Within 1e-6 K of the pressure equation.
///
/// # Errors
/// Below the triple point's pressure or not below the critical one.
pub fn boiling_point_degc(pressure_kpa: f64) -> Result<f64, NotSaturated> {
    if !(TRIPLE_PA / 1000.0..CRITICAL_PA / 1000.0).contains(&pressure_kpa) {
        return Err(NotSaturated::Pressure(pressure_kpa));
    }
    let (mut low_degc, mut high_degc) = (TRIPLE_K - ZERO_DEGC_K, CRITICAL_K - ZERO_DEGC_K - 1e-9);
    // Halving 374 K thirty times leaves less than a millionth of a kelvin, and can't run away.
    for _ in 0..30 {
        let middle_degc = f64::midpoint(low_degc, high_degc);
        if saturation(middle_degc)?.pressure_kpa < pressure_kpa {
            low_degc = middle_degc;
        } else {
            high_degc = middle_degc;
        }
    }
    Ok(f64::midpoint(low_degc, high_degc))
}

fn series(terms: &[(f64, f64); 6], tau: f64) -> f64 {
    terms.iter().map(|(exponent, factor)| factor * libm::pow(tau, *exponent)).sum()
}

fn series_slope(terms: &[(f64, f64); 6], tau: f64) -> f64 {
    terms.iter().map(|(exponent, factor)| factor * exponent * libm::pow(tau, exponent - 1.0)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, relative: f64) {
        assert!((found / expected - 1.0).abs() <= relative, "{found}, not {expected} within {relative}");
    }

    /// SR1-86 (1992), page 7: at 273.16 K and 373.1243 K, as printed (p, dp/dT, both densities).
    #[test]
    fn the_releases_own_table() {
        let triple = saturation(273.16 - ZERO_DEGC_K).unwrap();
        close(triple.pressure_kpa, 0.611_657, 2e-6);
        close(triple.pressure_rise_kpa_per_k, 0.044_436_693, 2e-6);
        close(triple.liquid_kg_per_m3, 999.789, 1e-6);
        close(triple.vapour_kg_per_m3, 0.004_854_26, 2e-6);
        let boiling = saturation(373.1243 - ZERO_DEGC_K).unwrap();
        close(boiling.pressure_kpa, 101.325, 2e-6);
        close(boiling.pressure_rise_kpa_per_k, 3.616, 1.4e-4);
        close(boiling.liquid_kg_per_m3, 958.365, 1e-6);
        close(boiling.vapour_kg_per_m3, 0.597_586, 2e-6);
    }

    /// Saturation by IAPWS-IF97 (computed with the iapws package): pressure kPa, latent heat kJ/kg.
    #[test]
    fn the_industrial_formulation_agrees() {
        let rows =
            [(25.0, 2441.706), (60.0, 2357.691), (80.0, 2308.066), (90.0, 2282.560), (100.0, 2256.473)];
        for (degc, latent) in rows {
            close(saturation(degc).unwrap().latent_heat_kj_per_kg, latent, 1e-4);
        }
        close(saturation(120.0).unwrap().latent_heat_kj_per_kg, 2202.150, 1e-4);
        close(saturation(180.0).unwrap().latent_heat_kj_per_kg, 2014.031, 3e-4);
        for (degc, kpa) in [(25.0, 3.169_75), (100.0, 101.418), (120.0, 198.665), (180.0, 1002.63)] {
            close(saturation(degc).unwrap().pressure_kpa, kpa, 3e-4);
        }
        close(saturation(25.0).unwrap().liquid_kg_per_m3, 997.004, 1e-4);
        close(saturation(100.0).unwrap().liquid_kg_per_m3, 958.354, 1e-4);
    }

    /// IAPWS-IF97's published check values for the saturation line: 300, 500, 600 K; 0.1, 1, 10 MPa.
    #[test]
    fn the_industrial_formulations_published_line() {
        for (kelvin, mpa) in [(300.0, 0.353_658_941e-2), (500.0, 2.638_897_76), (600.0, 12.344_314_6)] {
            close(saturation(kelvin - ZERO_DEGC_K).unwrap().pressure_kpa, mpa * 1000.0, 3e-4);
        }
        for (mpa, kelvin) in [(0.1, 372.755_919), (1.0, 453.035_632), (10.0, 584.149_488)] {
            let found = boiling_point_degc(mpa * 1000.0).unwrap() + ZERO_DEGC_K;
            assert!((found - kelvin).abs() < 0.01, "{found} {kelvin}");
        }
    }

    /// Water boils at 99.974 degC under one atmosphere, and at about 95 degC 1600 m up (83.5 kPa, from memory).
    #[test]
    fn water_boils_sooner_on_a_mountain() {
        assert!((boiling_point_degc(101.325).unwrap() - 99.974).abs() < 0.001);
        assert!((boiling_point_degc(83.5).unwrap() - 95.0).abs() < 0.4);
    }

    #[test]
    fn off_the_line_there_is_nothing() {
        assert_eq!(saturation(-5.0), Err(NotSaturated::Temperature(-5.0)));
        assert_eq!(saturation(400.0), Err(NotSaturated::Temperature(400.0)));
        assert!(saturation(f64::NAN).is_err() && boiling_point_degc(f64::NAN).is_err());
        assert_eq!(boiling_point_degc(0.5), Err(NotSaturated::Pressure(0.5)));
        assert!(saturation(0.01).is_ok() && saturation(373.9).is_ok());
    }
}
