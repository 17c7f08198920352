//! Scripts at work: the demo's, and what they do to time.

use super::line::{pass, running, shown, small_line};
use crate::scenario::{Action, Cue};
use crate::{Operation, Scenario, Simulator};
use setward_config::line::Line;
use std::time::Duration;

/// What the cold stretch of the demo looks like on the fryer inlet, in seconds from the start and in degC.
struct ColdStretch {
    /// When the exposure beyond 3 K below the setpoint has passed 240 K.s.
    raised_at_s: u64,
    lowest: f64,
    /// When the oil is within half a kelvin of its setpoint again.
    back_at_s: u64,
}

/// The naive reading of the demo's setting: before the fault nothing is exposed, so recovery plays no part.
fn play_cold_stretch(line: &Line, seed: u64) -> ColdStretch {
    let simulator = Simulator::new(line, seed);
    simulator.check_scenario(&Scenario::demo()).unwrap();
    simulator.run_scenario(Scenario::demo());
    let (mut exposure_k_s, mut raised_at_s, mut lowest, mut back_at_s) = (0.0, None, f64::MAX, None);
    for second in 1..560 {
        pass(&simulator, 1);
        let inlet = shown(&simulator, "TT-310");
        exposure_k_s += (182.0 - 3.0 - inlet).max(0.0);
        if exposure_k_s >= 240.0 {
            raised_at_s = raised_at_s.or(Some(second));
        }
        lowest = f64::min(lowest, inlet);
        if second > 235 && inlet > 181.5 {
            back_at_s = back_at_s.or(Some(second));
        }
    }
    ColdStretch { raised_at_s: raised_at_s.unwrap(), lowest, back_at_s: back_at_s.unwrap() }
}

#[test]
fn the_demo_passes_the_real_setting_by_half_a_minute_and_recovers() {
    let lines = [small_line(), setward_config::load_demo().unwrap().line];
    for (seed, line) in (1..=20).flat_map(|seed| lines.iter().map(move |line| (seed, line))) {
        let ColdStretch { raised_at_s, lowest, back_at_s } = play_cold_stretch(line, seed);
        assert!((175.0..176.0).contains(&lowest), "seed {seed}: {lowest}");
        assert!((195..=215).contains(&raised_at_s), "seed {seed}: raised after {raised_at_s} s");
        assert!((295..=355).contains(&back_at_s), "seed {seed}: back after {back_at_s} s");
    }
}

#[test]
fn a_scripts_first_moment_is_the_moment_it_is_given() {
    let simulator = running(7);
    let begin = Action::Begin("heat-low 2".parse().unwrap());
    simulator.run_scenario(Scenario::new(vec![Cue { at: Duration::ZERO, action: begin }], None));
    assert_eq!(simulator.active_faults(), ["heat-low 2"]);
}

#[test]
fn the_demo_turns_a_setpoint_breaks_a_sensor_silences_the_oven_and_starts_again() {
    let simulator = running(0);
    simulator.run_scenario(Scenario::demo());
    let mut seen = Vec::new();
    for second in 0..1000 {
        let active = simulator.active_faults();
        if seen.last().is_none_or(|(_, last)| *last != active) {
            seen.push((second, active));
        }
        pass(&simulator, 1);
    }
    let seen: Vec<_> = seen.into_iter().map(|(second, active)| (second, active.join(", "))).collect();
    let expected = [
        (0, ""),
        (60, "heat-low 6"),
        (235, ""),
        (570, "setpoint-turned TIC-310-SP 183.5"),
        (690, ""),
        (750, "sensor-break TT-313"),
        (790, ""),
        (850, "controller-silent oven"),
        (870, ""),
        (960, "heat-low 6"),
    ];
    assert_eq!(seen, expected.map(|(second, active)| (second, active.to_owned())));
}

#[test]
fn a_script_from_a_file_stops_the_feed_and_starts_it_again() {
    let simulator = running(0);
    simulator.run_scenario("5 s operators stop-feed\n10 s operators run\nagain after 20 s".parse().unwrap());
    let mut changes = Vec::new();
    for second in 0..30 {
        let doing = simulator.doing();
        if changes.last().is_none_or(|(_, last)| *last != doing) {
            changes.push((second, doing));
        }
        pass(&simulator, 1);
    }
    use Operation::{Run, StopFeed};
    assert_eq!(changes, [(0, Run), (5, StopFeed), (10, Run), (25, StopFeed)]);
}

#[test]
fn a_script_that_the_line_cant_do_names_the_line_of_the_text() {
    let simulator = running(0);
    let refused = |text: &str| simulator.read_scenario(text).unwrap_err().to_string();
    assert_eq!(
        refused("5 s begins heat-low\n9 s begins sensor-break TT-311\n"),
        "line 2: the line has no signal \"TT-311\", nearest is \"TT-310\""
    );
    assert_eq!(
        refused("5 s begins make-up-closed"),
        "line 1: \"make-up-closed\" does nothing on this line: it has no signal that means fryer-oil-level"
    );
    assert_eq!(
        refused("\n5 s begins controller-silent packing"),
        "line 2: the line has no controller \"packing\"; it has cook, oven, fryer"
    );
    assert!(simulator.read_scenario("5 s begins heat-low").is_ok());
}
