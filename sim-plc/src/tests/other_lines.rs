//! Lines that are not the demo's: parts of it, one controller, meanings that belong to nothing.

use super::line::{inject, pass, shown, small_line};
use crate::{Operation, Simulator};
use proptest::prelude::*;
use setward_config::line::{Line, Meaning};

/// The demo line with only those signals that `keep` says.
fn demo_with(keep: impl Fn(usize, Option<Meaning>) -> bool) -> Line {
    let mut line = setward_config::load_demo().unwrap().line;
    let mut index = 0;
    line.signals.retain(|signal| {
        index += 1;
        signal.register().is_some() && keep(index - 1, signal.means)
    });
    // What names signals by their place has no meaning any more.
    line.loops.clear();
    line.belts.clear();
    line.alarms.clear();
    line
}

fn play(line: &Line) {
    let simulator = Simulator::new(line, 1);
    for operation in Operation::ALL {
        simulator.operate(*operation);
        pass(&simulator, 120);
        for signal in &line.signals {
            assert!(simulator.shown(&signal.tag).is_some(), "{} after {operation}", signal.tag);
        }
    }
}

#[test]
fn a_line_without_a_cook_house_runs() {
    let line = demo_with(|_, means| means.is_none_or(|means| means >= Meaning::WashWaterFlow));
    let simulator = Simulator::new(&line, 1);
    pass(&simulator, 600);
    assert_eq!(shown(&simulator, "YS-411"), 1.0);
    assert!(simulator.inject("steam-low".parse().unwrap()).is_err());
    play(&line);
}

#[test]
fn a_line_with_one_controller_and_one_kettle_runs_its_program() {
    let mut line = demo_with(|index, _| index < 13);
    line.controllers.truncate(1);
    let simulator = Simulator::new(&line, 1);
    pass(&simulator, 2 * 3600);
    assert!(shown(&simulator, "XI-102") > 26_114_071.0, "a line without tanks pumps into nothing we know");
    play(&line);
}

#[test]
fn a_kettle_without_a_step_word_stays_in_its_hold() {
    let simulator = Simulator::new(&small_line(), 1);
    pass(&simulator, 2 * 3600);
    assert!((shown(&simulator, "TT-101") - 96.0).abs() < 1.0);
}

#[test]
fn a_third_kettle_takes_its_own_place_in_the_round() {
    let mut line = demo_with(|index, _| index < 26);
    let third: Vec<_> = line
        .signals
        .iter()
        .take(13)
        .map(|signal| {
            let mut signal = signal.clone();
            signal.tag = format!("{}-C", signal.tag);
            signal
        })
        .collect();
    // The same registers: the last one written is shown, so only the truth is asked.
    line.signals.extend(third);
    let simulator = Simulator::new(&line, 1);
    let truth = |tag: &str| simulator.truth(tag).unwrap();
    let mut seen = [0_u32; 3];
    for _ in 0..5000 {
        pass(&simulator, 1);
        for (count, tag) in seen.iter_mut().zip(["XI-101", "XI-111", "XI-101-C"]) {
            *count += u32::from(truth(tag) == 3.0);
        }
    }
    assert!(seen.iter().all(|count| (1200..2000).contains(count)), "{seen:?}");
}

#[test]
fn meanings_in_units_that_measure_something_else_rest_at_their_typical_values() {
    let mut line = small_line();
    let heartbeat = line.signals.len() - 1;
    line.signals[heartbeat].means = Some(Meaning::FryerOilInletSecond);
    let level = line.signals.iter().position(|signal| signal.tag == "LT-330").unwrap();
    line.signals[level].means = Some(Meaning::FryerOilMid);
    let simulator = Simulator::new(&line, 1);
    pass(&simulator, 60);
    assert!(shown(&simulator, "LT-330").abs() < 15.0);
    assert_eq!(shown(&simulator, "XI-394"), 0.0);
}

#[test]
fn an_empty_line_is_a_line() {
    let mut line = small_line();
    line.signals.clear();
    line.controllers.clear();
    let simulator = Simulator::new(&line, 1);
    pass(&simulator, 60);
    assert_eq!(simulator.elapsed().as_secs(), 60);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Any part of the demo line, through every operation and with a few faults.
    #[test]
    fn any_part_of_the_line_runs(kept in proptest::collection::vec(any::<bool>(), 120)) {
        play(&demo_with(|index, _| kept.get(index).copied().unwrap_or_default()));
    }

    #[test]
    fn any_typical_values_give_values(typicals in proptest::collection::vec(-1e4..1e4_f64, 23)) {
        let mut line = small_line();
        for (signal, typical) in line.signals.iter_mut().zip(typicals) {
            signal.simulate.typical = typical;
        }
        let simulator = Simulator::new(&line, 1);
        inject(&simulator, "heat-low");
        pass(&simulator, 300);
        for signal in &line.signals {
            prop_assert!(simulator.truth(&signal.tag).is_some_and(f64::is_finite), "{}", signal.tag);
        }
    }
}
