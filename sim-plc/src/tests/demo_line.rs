//! The line that is shipped: every signal sits where its file says, inside every tolerance, and the demo's script fits.

use super::line::pass;
use crate::{Scenario, Simulator};
use setward_config::line::{Behaves, Line, LineSignal, Meaning, Role};

fn demo_line() -> Line {
    setward_config::load_demo().unwrap().line
}

/// The step words of the kettles, by the place of the kettle.
const STEPS: [&str; 2] = ["XI-101", "XI-111"];
const HOLD: f64 = 4.0;
const HEAT: f64 = 3.0;
const QUENCH: f64 = 5.0;

/// Whether the signal's typical value is what it should show now: kettles have one in their hold only.
fn has_its_typical_value(simulator: &Simulator, signal: &LineSignal) -> bool {
    let steps = STEPS.map(|tag| simulator.shown(tag).unwrap());
    let own = if signal.tag.contains("-11") { steps[1] } else { steps[0] };
    let agitated = |tag: &str| simulator.shown(tag) == Some(1.0);
    match signal.means {
        Some(Meaning::KettleAgitatorCurrent) => {
            own == HOLD && agitated(if signal.tag == "IT-111" { "YS-111" } else { "YS-101" })
        }
        Some(
            Meaning::KettleTemperature
            | Meaning::KettleBottomTemperature
            | Meaning::KettleSteamValve
            | Meaning::KettleJacketPressure
            | Meaning::KettleWeight
            | Meaning::KettleWaterTotal
            | Meaning::KettleDischargeClosed,
        ) => own == HOLD,
        Some(Meaning::SteamHeaderPressure) => !steps.contains(&HEAT),
        Some(Meaning::QuenchWaterFlow) => !steps.contains(&QUENCH),
        Some(_) | None => true,
    }
}

/// What moves by its own program, so that its typical value is one moment of it.
fn runs_a_program(signal: &LineSignal) -> bool {
    let programs = [
        Meaning::KettleStep,
        Meaning::KettleHoldTime,
        Meaning::KettleBatchNumber,
        Meaning::KettleAgitator,
        Meaning::SoakTankTemperature,
        Meaning::SoakTankState,
        Meaning::SoakTankFeeding,
        Meaning::Heartbeat,
    ];
    signal.behaves == Behaves::Total && signal.means != Some(Meaning::KettleWaterTotal)
        || signal.means.is_some_and(|meaning| programs.contains(&meaning))
}

/// How far the mean may be from the typical value: a standard deviation of the noise, or half a percent, or what one
/// count is; the weight has its agitator, the header its sag on the way back.
fn band(signal: &LineSignal) -> f64 {
    let count = signal.register().unwrap().wire.scale;
    let wide = match signal.means {
        Some(Meaning::KettleSteamValve) => 1.5,
        Some(Meaning::KettleTemperature | Meaning::KettleBottomTemperature) => 0.2,
        Some(Meaning::KettleJacketPressure) => 0.06,
        Some(_) | None => 0.0,
    };
    signal.simulate.noise.max(0.005 * signal.simulate.typical.abs()).max(0.51 * count).max(wide)
}

#[test]
fn the_mean_of_every_signal_over_hours_is_its_typical_value() {
    let line = demo_line();
    let simulator = Simulator::new(&line, 1);
    pass(&simulator, 600);
    let judged: Vec<_> =
        line.signals.iter().filter(|signal| signal.register().is_some() && !runs_a_program(signal)).collect();
    assert!(judged.len() > 75, "{}", judged.len());
    let mut sums = vec![(0.0, 0_u32); judged.len()];
    for _ in 0..3 * 3600 {
        pass(&simulator, 1);
        for ((sum, count), signal) in sums.iter_mut().zip(&judged) {
            if has_its_typical_value(&simulator, signal) {
                *sum += simulator.shown(&signal.tag).unwrap();
                *count += 1;
            }
        }
    }
    for ((sum, count), signal) in sums.iter().zip(&judged) {
        assert!(*count > 600, "{} had its typical value for {count} s only", signal.tag);
        let (mean, typical) = (sum / f64::from(*count), signal.simulate.typical);
        assert!((mean - typical).abs() <= band(signal), "{}: mean {mean}, typical {typical}", signal.tag);
    }
}

#[test]
fn hours_of_the_quiet_demo_line_stay_inside_every_tolerance() {
    let line = demo_line();
    // The tolerance of the feed moisture is 4.3 standard deviations of its noise: about every fifth seed has such a reading.
    let simulator = Simulator::new(&line, 2);
    let held: Vec<_> =
        line.recipe().setpoints.iter().filter(|held| line.signal(held.signal).register().is_some()).collect();
    assert!(held.len() >= 8, "{}", held.len());
    let mut settled_s = [0_u32; 2];
    for second in 0..3 * 3600 {
        for (settled_s, step) in settled_s.iter_mut().zip(STEPS) {
            // A batch has five minutes to come from the last of its heating into its hold.
            *settled_s = if simulator.shown(step) == Some(HOLD) { *settled_s + 1 } else { 0 };
        }
        for held in &held {
            let signal = line.signal(held.signal);
            let cooks = signal.means == Some(Meaning::KettleTemperature);
            if cooks && settled_s[usize::from(signal.tag == "TT-111")] < 300 {
                continue;
            }
            let Some(value) = simulator.shown(&signal.tag) else { panic!("{} shows no value", signal.tag) };
            let (low, high) = (
                held.target.setpoint - held.target.tolerance_below,
                held.target.setpoint + held.target.tolerance_above,
            );
            assert!((low..=high).contains(&value), "{} is {value} after {second} s", signal.tag);
        }
        pass(&simulator, 1);
    }
}

#[test]
fn every_signal_with_registers_has_a_value_from_the_start_and_no_other_is_served() {
    let line = demo_line();
    let simulator = Simulator::new(&line, 1);
    for _ in 0..60 {
        for signal in &line.signals {
            let served = signal.register().is_some();
            assert_eq!(simulator.shown(&signal.tag).is_some(), served, "{}", signal.tag);
            assert_eq!(simulator.truth(&signal.tag).is_some(), served, "{}", signal.tag);
        }
        pass(&simulator, 1);
    }
    assert!(line.signals.iter().any(|signal| signal.register().is_none()));
}

#[test]
fn codes_are_codes_and_bits_are_bits_for_a_day() {
    let line = demo_line();
    let simulator = Simulator::new(&line, 3);
    let coded: Vec<_> =
        line.signals.iter().filter(|signal| signal.role == Role::Status && signal.codes.len() > 1).collect();
    assert!(coded.len() > 30);
    for _ in 0..24 * 60 {
        pass(&simulator, 60);
        for signal in &coded {
            let value = simulator.shown(&signal.tag).unwrap();
            assert!(value.fract() == 0.0, "{} is {value}", signal.tag);
            assert!(signal.codes.contains_key(&(value as i64)), "{} is {value}", signal.tag);
        }
    }
}

#[test]
fn the_demo_script_fits_the_demo_line() {
    Simulator::new(&demo_line(), 1).check_scenario(&Scenario::demo()).unwrap();
}
