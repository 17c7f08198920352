//! Loops against figures computed from the formulas, and against processes made here of which the truth is known.

use super::oscillation::oscillation;
use super::step_fit::{NoFit, Process, fit};
use super::tuning::{NoAdvice, half_rule, simc_pi};
use crate::statistics::{Refused, Samples};
use alloc::string::ToString;
use alloc::vec::Vec;
use core::time::Duration;

fn close(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found}, not {expected} within {within}");
}

/// Deterministic noise between -1 and 1.
fn noise(at: u32) -> f64 {
    let mixed = at.wrapping_mul(2_654_435_761) ^ (at.wrapping_mul(40_503) >> 7);
    f64::from(mixed.wrapping_mul(2_246_822_519) >> 8) / f64::from(1_u32 << 23) - 1.0
}

fn answer(process: Process, step: f64, every_s: f64, until_s: f64, scatter: f64) -> Vec<(f64, f64)> {
    let count = ((until_s + 20.0) / every_s) as u32;
    (0..=count)
        .map(|n| {
            let at = f64::from(n) * every_s - 20.0;
            let since = at - process.dead_time_s;
            let done = if since > 0.0 { 1.0 - libm::exp(-since / process.lag_s) } else { 0.0 };
            (at, 180.0 + process.gain * step * done + scatter * noise(n))
        })
        .collect()
}

/// Gain 2, dead time 5 s, lag 20 s, step 10: 4.423984 at 10 s, 12.642411 at 25, 17.293294 at 45 (computed).
#[test]
fn the_model_itself() {
    let process = Process { gain: 2.0, dead_time_s: 5.0, lag_s: 20.0 };
    let points = answer(process, 10.0, 5.0, 100.0, 0.0);
    let at = |time: f64| points.iter().find(|point| point.0 == time).unwrap().1 - 180.0;
    close(at(10.0), 4.423_984, 5e-7);
    close(at(25.0), 12.642_411, 5e-7);
    close(at(45.0), 17.293_294, 5e-7);
    let told = fit(&points, 10.0).unwrap();
    close(told.process.gain, 2.0, 1e-5);
    close(told.process.dead_time_s, 5.0, 1e-4);
    close(told.process.lag_s, 20.0, 1e-3);
    close(told.start, 180.0, 1e-5);
}

/// An oven zone (0.6 degC per %, 8 s, 120 s) polled each second with its noise, stepped down by 5 %.
#[test]
fn a_process_is_found_under_noise() {
    let oven = Process { gain: 0.6, dead_time_s: 8.0, lag_s: 120.0 };
    let told = fit(&answer(oven, -5.0, 1.0, 480.0, 0.2), -5.0).unwrap();
    close(told.process.gain, 0.6, 0.01);
    close(told.process.dead_time_s, 8.0, 2.0);
    close(told.process.lag_s, 120.0, 5.0);
    close(told.scatter, 0.2 / libm::sqrt(3.0), 0.01);
    assert!(told.explained > 0.97, "{told:?}");
}

#[test]
fn a_step_that_cannot_be_read_is_refused() {
    let oven = Process { gain: 0.6, dead_time_s: 8.0, lag_s: 120.0 };
    assert_eq!(fit(&answer(oven, 5.0, 1.0, 100.0, 0.05), 5.0), Err(NoFit::TooShort));
    assert_eq!(fit(&answer(oven, 0.05, 1.0, 480.0, 1.0), 0.05), Err(NoFit::NoAnswer));
    assert_eq!(fit(&answer(oven, 5.0, 1.0, 6.0, 0.0), 5.0), Err(NoFit::TooFew(6)));
    assert_eq!(fit(&answer(oven, 5.0, 1.0, 480.0, 0.0), 0.0), Err(NoFit::Input));
    assert_eq!(fit(&[], 1.0), Err(NoFit::TooFew(0)));
    let mut back = answer(oven, 5.0, 1.0, 480.0, 0.0);
    back.swap(3, 4);
    assert_eq!(fit(&back, 5.0), Err(NoFit::Input));
    let doubtful = fit(&answer(oven, 1.5, 1.0, 480.0, 0.45), 1.5).unwrap_err();
    assert!(matches!(doubtful, NoFit::OtherShape { explained } if explained > 0.3), "{doubtful:?}");
    // It swings about where it was: no answer to a step, whatever it is.
    let swings: Vec<_> = (-20..400).map(|n| (f64::from(n), 180.0 + libm::sin(f64::from(n) / 9.0))).collect();
    let why = fit(&swings, 5.0).unwrap_err();
    assert!(matches!(why, NoFit::NoAnswer | NoFit::OtherShape { .. }), "{why:?}");
    assert!(NoFit::OtherShape { explained: 0.5 }.to_string().starts_with("only 50 %"));
}

fn samples(values: Vec<f64>) -> Samples {
    Samples::new([values].to_vec(), Duration::from_secs(2)).unwrap()
}

/// A valve that sticks: a swing of 1.5 K in 84 s under noise as large.
#[test]
fn a_swing_is_found_under_noise_as_large() {
    let swing = |n: u32| 1.5 * libm::sin(2.0 * core::f64::consts::PI * f64::from(n) * 2.0 / 84.0);
    let told = oscillation(&samples((0..900).map(|n| swing(n) + 1.5 * noise(n)).collect())).unwrap().unwrap();
    close(told.period_s, 84.0, 1.0);
    close(told.amplitude, 1.5, 0.15);
    assert!(told.regularity > 3.0, "{told:?}");
    let clean = oscillation(&samples((0..900).map(swing).collect())).unwrap().unwrap();
    close(clean.period_s, 84.0, 0.1);
    close(clean.amplitude, 1.5, 0.02);
}

/// Two days at 2 s: only the newest eleven hours are looked at, so a swing that ended before is none any more.
#[test]
fn a_long_record_is_judged_by_its_newest_part() {
    let swing = |n: u32| libm::sin(2.0 * core::f64::consts::PI * f64::from(n) / 40.0);
    let ended = (0..86_400).map(|n| if n < 60_000 { swing(n) } else { 0.0 } + 0.2 * noise(n));
    assert_eq!(oscillation(&samples(ended.collect())), Ok(None));
    let began = (0..86_400).map(|n| if n > 60_000 { swing(n) } else { 0.0 } + 0.2 * noise(n));
    close(oscillation(&samples(began.collect())).unwrap().unwrap().period_s, 80.0, 0.1);
}

#[test]
fn noise_and_a_slow_drift_are_no_swing() {
    assert_eq!(oscillation(&samples((0..900).map(noise).collect())), Ok(None));
    let mut level = 0.0;
    let wander = (0..900).map(|n| {
        level = 0.95 * level + noise(n);
        level
    });
    assert_eq!(oscillation(&samples(wander.collect())), Ok(None));
    assert_eq!(oscillation(&samples((0..900).map(f64::from).collect())), Ok(None));
    assert_eq!(oscillation(&samples([1.0].repeat(900))), Err(Refused::NoSpread));
    assert!(matches!(oscillation(&samples([1.0].repeat(9))), Err(Refused::TooFew { count: 9, .. })));
}

/// The paper's first example, 1 / ((s + 1)(0.2 s + 1)): lag 1.1, dead time 0.1, gain 5.5, integral time 0.8.
#[test]
fn the_rules_own_example() {
    let (lag_s, dead_time_s) = half_rule(&[0.2, 1.0], 0.0).unwrap();
    close(lag_s, 1.1, 1e-12);
    close(dead_time_s, 0.1, 1e-12);
    let told = simc_pi(Process { gain: 1.0, dead_time_s, lag_s }, dead_time_s).unwrap();
    close(told.gain, 5.5, 1e-9);
    close(told.integral_s, 0.8, 1e-12);
    assert_eq!(half_rule(&[], 1.0), None);
    assert_eq!(half_rule(&[3.0, 2.0, 0.5, 0.25], 1.0), Some((4.0, 2.75)));
}

/// The oven zone: 12.5 %/K, 64 s, which is a proportional band of 8 K and 0.9375 repeats a minute (computed).
#[test]
fn advice_in_the_notations_of_controllers() {
    let oven = Process { gain: 0.6, dead_time_s: 8.0, lag_s: 120.0 };
    let told = simc_pi(oven, 8.0).unwrap();
    close(told.gain, 12.5, 1e-12);
    close(told.integral_s, 64.0, 1e-12);
    close(told.proportional_band(), 8.0, 1e-12);
    close(told.repeats_per_min(), 0.9375, 1e-12);
    assert_eq!(simc_pi(oven, 4.0), Err(NoAdvice::TooFast));
    assert_eq!(simc_pi(Process { gain: 0.0, ..oven }, 8.0), Err(NoAdvice::Process));
    assert_eq!(simc_pi(Process { lag_s: f64::NAN, ..oven }, 8.0), Err(NoAdvice::Process));
    assert_eq!(simc_pi(Process { dead_time_s: 0.0, ..oven }, 0.0), Err(NoAdvice::TooFast));
}
