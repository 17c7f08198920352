//! The oil itself: its properties, how soon it is renewed, where it goes, and how well its heater gives off heat.

use super::measured::{Measured, all_good};

/// Heat capacity of fat, kJ/(kg K), at a temperature, degC. Choi and Okos, from memory; stated up to 150 degC, so beyond
/// that it is an extrapolation. Measured oils differ from it and from each other by some 20 %.
#[must_use]
pub fn fat_kj_per_kg_k(temperature_degc: f64) -> f64 {
    1.9842 + 1.4733e-3 * temperature_degc - 4.8008e-6 * temperature_degc * temperature_degc
}

/// Density of fat, `kg/m3`, at a temperature, degC. Choi and Okos, from memory; stated up to 150 degC.
#[must_use]
pub fn fat_kg_per_m3(temperature_degc: f64) -> f64 {
    925.59 - 0.41757 * temperature_degc
}

/// Hours until product has carried off as much oil as the system holds. Under some 8 to 10 h the oil stays fresh (common
/// practice, from memory). `None` without a pick-up above zero.
#[must_use]
pub fn turnover_h(in_system_kg: f64, pick_up_kg_per_h: f64) -> Option<f64> {
    let usable = in_system_kg >= 0.0 && in_system_kg.is_finite() && pick_up_kg_per_h > 0.0;
    usable.then(|| in_system_kg / pick_up_kg_per_h)
}

/// Oil that went in over a time and is neither in the product nor in the system, kg: a leak, a carry-over, or a meter
/// that is off. `None` for inputs that are no numbers.
#[must_use]
pub fn unaccounted_kg(
    make_up_kg: Measured,
    product_kg: Measured,
    oil_share: Measured,
    gained_kg: Measured,
) -> Option<Measured> {
    let inputs = [make_up_kg, product_kg, oil_share, gained_kg];
    all_good(&inputs)?;
    Some(Measured::propagated(
        |[make_up, product, share, gained]| make_up - product * share - gained,
        &inputs,
    ))
}

/// What a heat exchanger transfers per kelvin, kW/K, from its duty, kW, and the temperatures at both ends, degC, in
/// counter-current flow: duty over the logarithmic mean difference. It falls as the surface fouls.
///
/// `None` if the hot side is not hotter at both ends, or the duty is not above zero.
#[must_use]
pub fn transfer_kw_per_k(duty_kw: f64, hot_degc: (f64, f64), oil_degc: (f64, f64)) -> Option<f64> {
    let ((hot_in, hot_out), (oil_in, oil_out)) = (hot_degc, oil_degc);
    let (warm_end_k, cool_end_k) = (hot_in - oil_out, hot_out - oil_in);
    let usable = warm_end_k > 0.0 && cool_end_k > 0.0 && duty_kw > 0.0 && duty_kw.is_finite();
    if !usable || !warm_end_k.is_finite() || !cool_end_k.is_finite() {
        return None;
    }
    let ratio = warm_end_k / cool_end_k;
    // Near equal ends the logarithm vanishes with the difference: the plain mean is then exact to 1e-13.
    let mean_k = if (ratio - 1.0).abs() < 1e-6 {
        f64::midpoint(warm_end_k, cool_end_k)
    } else {
        (warm_end_k - cool_end_k) / libm::log(ratio)
    };
    Some(duty_kw / mean_k)
}
