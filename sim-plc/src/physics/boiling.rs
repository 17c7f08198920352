//! Where water boils: by the pressure of the air, which falls with the height of the plant.

/// The standard atmosphere up to 11 km (ISO 2533): pressure at the sea, Pa; fall of its base per metre, and power.
const SEA_PA: f64 = 101_325.0;
const FALL_PER_M: f64 = 2.255_77e-5;
const POWER: f64 = 5.255_88;
/// Coefficients of the saturation line (IAPWS-IF97, region 4, table 34).
const N: [f64; 10] = [
    0.116_705_214_527_67e4,
    -0.724_213_167_032_06e6,
    -0.170_738_469_400_92e2,
    0.120_208_247_024_70e5,
    -0.323_255_503_223_33e7,
    0.149_151_086_135_30e2,
    -0.482_326_573_615_91e4,
    0.405_113_405_420_57e6,
    -0.238_555_575_678_49,
    0.650_175_348_447_98e3,
];
const ZERO_DEGC_K: f64 = 273.15;

/// Pressure of the air so many metres above the sea, Pa. Heights are taken as -500 to 5,000 m.
#[must_use]
pub fn air_pa(height_m: f64) -> f64 {
    SEA_PA * libm::pow(1.0 - FALL_PER_M * height_m.clamp(-500.0, 5_000.0), POWER)
}

/// Boiling point of water under a pressure, degC (IAPWS-IF97, equation 31: 611 Pa to 22 MPa).
#[must_use]
pub fn boiling_degc(pressure_pa: f64) -> f64 {
    let [n1, n2, n3, n4, n5, n6, n7, n8, n9, n10] = N;
    let root = libm::sqrt(libm::sqrt(pressure_pa.max(611.213) / 1e6));
    let of = |square: f64, linear: f64, constant: f64| square * root * root + linear * root + constant;
    let (e, f, g) = (of(1.0, n3, n6), of(n1, n4, n7), of(n2, n5, n8));
    let d = 2.0 * g / (-f - libm::sqrt(f * f - 4.0 * e * g));
    let sum = n10 + d;
    (sum - libm::sqrt(sum * sum - 4.0 * (n9 + n10 * d))) / 2.0 - ZERO_DEGC_K
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IAPWS-IF97 (revised release of 2007), table 36: 0.1, 1 and 10 MPa.
    #[test]
    fn the_saturation_line_has_the_published_temperatures() {
        for (mpa, kelvin) in [(0.1, 372.755_919), (1.0, 453.035_632), (10.0, 584.149_488)] {
            let found = boiling_degc(mpa * 1e6) + ZERO_DEGC_K;
            assert!((found - kelvin).abs() < 1e-6, "{mpa} MPa: {found} K");
        }
    }

    /// ISO 2533: 101,325 Pa at the sea, 84,556 Pa at 1,500 m, 70,109 Pa at 3,000 m.
    #[test]
    fn the_air_gets_thinner_as_the_standard_atmosphere_says() {
        for (height_m, pa) in [(0.0, 101_325.0), (1_500.0, 84_556.0), (3_000.0, 70_109.0)] {
            assert!((air_pa(height_m) - pa).abs() < 10.0, "{height_m} m: {}", air_pa(height_m));
        }
    }

    /// At 1,500 m water boils at 95 degC: a hold at 96 can't be had there.
    #[test]
    fn water_boils_colder_the_higher_the_plant_lies() {
        let at = |height_m: f64| boiling_degc(air_pa(height_m));
        assert!((at(0.0) - 99.97).abs() < 0.01 && (at(200.0) - 99.3).abs() < 0.05, "{}", at(200.0));
        assert!((at(1_500.0) - 95.0).abs() < 0.05, "{}", at(1_500.0));
    }
}
