//! The hydration law against published constants and numbers computed with numpy and scipy.

use super::*;
use alloc::string::ToString;
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// The illustrative soak of the simulator (judgement, not published): from 36 to at most 50 % wet, 45 % after 12 h.
const SOAK: Validity = Validity { temperature_degc: (40.0, 75.0), longest_h: 16.0 };

fn soak() -> Peleg {
    Peleg::new(0.195_048, 0.022_857_1, SOAK).unwrap()
}

fn close(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found}, not {expected} within {within}");
}

fn hours(points: &[(f64, f64)]) -> Vec<(Uptime, f64)> {
    points.iter().map(|&(hour, degc)| (Uptime::from_secs_f64(hour * 3600.0), degc)).collect()
}

/// Published for teff in full (CIGR Journal 2272): k1 0.714 min/%, k2 0.043 1/% at 20 degC. Predicted from M0 = 10 %:
/// 18.74, 28.21, 31.07 % at 10, 60, 160 min, 33.26 at the end (computed).
#[test]
fn teff_by_its_published_constants() {
    let validity = Validity { temperature_degc: (20.0, 20.0), longest_h: 160.0 / 60.0 };
    let teff = Peleg::new(0.714 / 60.0, 0.043, validity).unwrap();
    for (minutes, expected) in [(10.0, 18.74), (60.0, 28.21), (160.0, 31.07)] {
        close(teff.moisture_percent(10.0, minutes / 60.0, 20.0).unwrap(), expected, 0.005);
    }
    close(teff.equilibrium_percent(10.0), 33.26, 0.005);
}

/// Between its published 20 and 50 degC (k1 0.714 and 0.272 min/%) two points give 25.34 kJ/mol (computed); the
/// published regression over four temperatures gives 24.59.
#[test]
fn teff_by_its_activation_energy() {
    let energy = activation_energy_j_per_mol((20.0, 1.0 / 0.714), (50.0, 1.0 / 0.272)).unwrap();
    close(energy / 1000.0, 25.34, 0.01);
}

/// Published: diffusivity of dent white maize 4.25 and 5.69e-11 m2/s at 30 and 60 degC, 8.17 kJ/mol (Afolabi et al.).
#[test]
fn dent_white_maize_by_its_diffusivities() {
    let energy = activation_energy_j_per_mol((30.0, 4.25e-11), (60.0, 5.69e-11)).unwrap();
    close(energy / 1000.0, 8.17, 0.005);
    assert_eq!(activation_energy_j_per_mol((30.0, 1.0), (30.0, 2.0)), None);
    assert_eq!(activation_energy_j_per_mol((30.0, 0.0), (60.0, 2.0)), None);
}

/// 60 kJ/mol from 80 to 90 degC: 1.7554 times (computed).
#[test]
fn arrhenius_between_two_temperatures() {
    close(arrhenius_factor(60e3, 80.0, 90.0), 1.7554, 5e-5);
}

/// The illustrative soak hour by hour (computed), 45 % wet at 12 h.
#[test]
fn the_illustrative_soak_reaches_45_percent_after_12_h() {
    let start = dry_basis_percent(36.0).unwrap();
    for (hour, expected) in
        [(1.0, 60.84), (2.0, 64.56), (4.0, 70.21), (8.0, 77.42), (12.0, 81.82), (16.0, 84.78)]
    {
        close(soak().moisture_percent(start, hour, 60.0).unwrap(), expected, 0.005);
    }
    let end = soak().moisture_percent(start, 12.0, 60.0).unwrap();
    close(wet_basis_percent(end).unwrap(), 45.0, 0.001);
}

/// 15 % wet is 17.647 % dry, 36 is 56.25, 45 is 81.818, 50 is 100 (computed).
#[test]
fn the_two_bases() {
    for (wet, dry) in [(0.0, 0.0), (15.0, 17.647), (36.0, 56.25), (45.0, 81.818), (50.0, 100.0)] {
        close(dry_basis_percent(wet).unwrap(), dry, 5e-4);
        close(wet_basis_percent(dry_basis_percent(wet).unwrap()).unwrap(), wet, 1e-12);
    }
    assert_eq!(dry_basis_percent(100.0), Err(HydrationError::Moisture(100.0)));
    assert_eq!(wet_basis_percent(-1.0), Err(HydrationError::Moisture(-1.0)));
}

#[test]
fn outside_their_range_constants_say_nothing() {
    let outside = HydrationError::Temperature { found_degc: 80.0, valid_degc: (40.0, 75.0) };
    assert_eq!(soak().moisture_percent(56.25, 12.0, 80.0), Err(outside));
    assert_eq!(
        outside.to_string(),
        "80 degC is outside the 40 to 75 degC of the constants; measure there first"
    );
    let too_long = Err(HydrationError::Time { found_h: 17.0, valid_h: 16.0 });
    assert_eq!(soak().moisture_percent(56.25, 17.0, 60.0), too_long);
    assert!(matches!(soak().moisture_percent(56.25, f64::NAN, 60.0), Err(HydrationError::Time { .. })));
    assert!(matches!(soak().moisture_percent(56.25, 1.0, f64::NAN), Err(HydrationError::Temperature { .. })));
    assert_eq!(Peleg::new(0.0, 1.0, SOAK), Err(HydrationError::Constant(0.0)));
    let backward = Validity { temperature_degc: (75.0, 40.0), longest_h: 16.0 };
    assert_eq!(Peleg::new(1.0, 1.0, backward), Err(HydrationError::Range));
}

#[test]
fn a_soak_at_the_reference_is_the_law_itself() {
    let law = SoakLaw::new(soak(), 60.0, 40e3).unwrap();
    let points = hours(&[(0.0, 60.0), (12.0, 60.0)]);
    let trace = Trace::new(&points, Duration::from_secs(86_400)).unwrap();
    let told = law.moisture_percent(56.25, &trace, trace.span()).unwrap();
    close(told, soak().moisture_percent(56.25, 12.0, 60.0).unwrap(), 1e-9);
}

/// A soak that cools in a straight line from 70 to 45 degC in 12 h, at 40 kJ/mol about 60 degC: against a sum of 10 s
/// steps of the law's own differential equation `dM/dt = (1 - k2 x)^2 / k1(T)`.
#[test]
fn a_cooling_soak_is_the_integral_of_its_rate() {
    let law = SoakLaw::new(soak(), 60.0, 40e3).unwrap();
    let points = hours(&[(0.0, 70.0), (12.0, 45.0)]);
    let trace = Trace::new(&points, Duration::from_secs(86_400)).unwrap();
    let told = law.moisture_percent(56.25, &trace, trace.span()).unwrap();
    let mut taken = 0.0;
    for step in 0..4320 {
        let degc = 70.0 - 25.0 * (f64::from(step) + 0.5) / 4320.0;
        let left = 1.0 - soak().k2_per_percent() * taken;
        taken += left * left / soak().k1_h_per_percent() * law.factor(degc) * 10.0 / 3600.0;
    }
    close(told, 56.25 + taken, 0.01);
}

/// The mean of the factor along one straight piece of 30 K at 100 kJ/mol, against a sum of 10,000 parts: within 1e-4.
#[test]
fn the_factor_along_a_line_is_the_mean_of_its_parts() {
    let law = SoakLaw::new(soak(), 60.0, 100e3).unwrap();
    let along = |from: f64, to: f64| {
        let part = |n: u32| law.factor(from + (to - from) * (f64::from(n) + 0.5) / 10_000.0);
        (0..10_000).map(part).sum::<f64>() / 10_000.0
    };
    close(law.mean_factor(45.0, 75.0) / along(45.0, 75.0), 1.0, 1e-4);
    close(law.mean_factor(60.1, 60.0) / along(60.1, 60.0), 1.0, 1e-11);
}

#[test]
fn a_soak_nobody_watched_has_no_moisture() {
    let law = SoakLaw::new(soak(), 60.0, 40e3).unwrap();
    let points = hours(&[(0.0, 60.0), (1.0, 60.0), (3.0, 60.0), (4.0, 60.0)]);
    let trace = Trace::new(&points, Duration::from_secs(3600)).unwrap();
    assert_eq!(law.moisture_percent(56.25, &trace, trace.span()), Err(HydrationError::Unknown(7200.0)));
    let hot = hours(&[(0.0, 80.0), (1.0, 60.0)]);
    let hot = Trace::new(&hot, Duration::from_secs(3600)).unwrap();
    let too_hot = law.moisture_percent(56.25, &hot, hot.span());
    assert!(matches!(too_hot, Err(HydrationError::Temperature { found_degc: 80.0, .. })), "{too_hot:?}");
    let cold = hours(&[(0.0, 60.0), (1.0, 30.0)]);
    let cold = Trace::new(&cold, Duration::from_secs(3600)).unwrap();
    let too_cold = law.moisture_percent(56.25, &cold, cold.span());
    assert!(matches!(too_cold, Err(HydrationError::Temperature { found_degc: 30.0, .. })), "{too_cold:?}");
    assert!(matches!(SoakLaw::new(soak(), 20.0, 40e3), Err(HydrationError::Temperature { .. })));
    assert_eq!(SoakLaw::new(soak(), 60.0, 0.0), Err(HydrationError::Constant(0.0)));
}

#[test]
fn a_fit_finds_the_constants_its_samples_were_made_with() {
    let samples: Vec<_> = [1.0, 2.0, 4.0, 8.0, 12.0]
        .iter()
        .map(|&hour| (hour, soak().moisture_percent(56.25, hour, 60.0).unwrap()))
        .collect();
    let fitted = fit(56.25, &samples, (55.0, 65.0)).unwrap();
    close(fitted.law.k1_h_per_percent(), 0.195_048, 1e-9);
    close(fitted.law.k2_per_percent(), 0.022_857_1, 1e-9);
    close(fitted.r_squared, 1.0, 1e-9);
    assert!(fitted.law.moisture_percent(56.25, 13.0, 60.0).is_err(), "nobody sampled that long");
}

/// Four samples and two constants leave two degrees of freedom.
#[test]
fn a_fit_says_how_far_its_samples_lie_from_it() {
    let samples = [(1.0, 61.0), (4.0, 70.0), (12.0, 82.0), (16.0, 84.0)];
    let fitted = fit(56.25, &samples, (55.0, 65.0)).unwrap();
    let off =
        |&(hour, moisture): &(f64, f64)| moisture - fitted.law.moisture_percent(56.25, hour, 60.0).unwrap();
    let squares: f64 = samples.iter().map(|sample| off(sample) * off(sample)).sum();
    close(fitted.residual_percent, (squares / 2.0).sqrt(), 1e-12);
    assert!(fitted.r_squared > 0.99 && fitted.r_squared < 1.0, "{fitted:?}");
}

#[test]
fn a_fit_refuses_what_the_law_cannot_follow() {
    let temperatures = (55.0, 65.0);
    assert_eq!(fit(56.25, &[(1.0, 60.0), (2.0, 64.0)], temperatures), Err(HydrationError::Fit));
    assert_eq!(fit(56.25, &[(1.0, 60.0), (2.0, 64.0), (3.0, 50.0)], temperatures), Err(HydrationError::Fit));
    assert_eq!(fit(56.25, &[(1.0, 60.0), (1.0, 64.0), (1.0, 65.0)], temperatures), Err(HydrationError::Fit));
    let faster_and_faster = [(1.0, 57.0), (2.0, 60.0), (3.0, 80.0)];
    assert_eq!(fit(56.25, &faster_and_faster, temperatures), Err(HydrationError::Fit));
}

/// Crank's series (computed with scipy): Fo .01 .30851, .05 .60694, .1 .77048, .135 .83887, .2 .91550, .5 .99563.
#[test]
fn a_sphere_takes_up_water_by_the_series() {
    let known =
        [(0.01, 0.30851), (0.05, 0.60694), (0.1, 0.77048), (0.135, 0.83887), (0.2, 0.91550), (0.5, 0.99563)];
    for (fourier, expected) in known {
        close(sphere_uptake(fourier).unwrap(), expected, 5e-6);
    }
    close(sphere_uptake(0.009_999_999).unwrap(), sphere_uptake(0.01).unwrap(), 1e-6);
    assert_eq!(sphere_uptake(0.0), Some(0.0));
    assert_eq!(sphere_uptake(-1.0), None);
}
