//! Without faults: everything in balance, everything in its register.

use super::line::{FRYER, pass, running, shown, small_line};
use crate::Simulator;
use crate::image::Image;
use crate::plant::Plant;
use proptest::prelude::*;
use setward_protocol::{Encoding, Reading, SignalId, Table};
use std::time::Duration;

#[test]
fn a_virtual_hour_in_run_keeps_every_temperature_at_its_setpoint() {
    let simulator = running(0);
    let bands =
        [("TT-101", 96.0, 0.6), ("TT-202", 645.0, 9.5), ("TT-310", 182.0, 1.0), ("TT-313", 168.0, 2.0)];
    for second in 0..=3600 {
        for (tag, setpoint, band) in bands {
            let value = shown(&simulator, tag);
            assert!((value - setpoint).abs() < band, "{tag} is {value} after {second} s");
        }
        pass(&simulator, 1);
    }
    let demand = shown(&simulator, "TIC-310-OUT");
    assert!((50.0..70.0).contains(&demand), "{demand}");
    let drop = simulator.truth("TT-310").unwrap() - simulator.truth("TT-313").unwrap();
    assert!((13.0..15.0).contains(&drop), "{drop}");
}

#[test]
fn there_is_no_transient_at_the_start() {
    let simulator = running(0);
    assert_eq!(simulator.shown("TT-310"), Some(182.0));
    assert_eq!(simulator.shown("XI-394"), Some(3_600.0));
    pass(&simulator, 5);
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 1.0);
    assert!((shown(&simulator, "TIC-202-OUT") - 52.0).abs() < 6.0);
    assert!((shown(&simulator, "TIC-101-OUT") - 22.0).abs() < 4.0);
}

#[test]
fn the_same_seed_shows_the_same_registers() {
    let play = |seed| {
        let simulator = Simulator::new(&small_line(), seed);
        let tags: Vec<_> = small_line().signals.into_iter().map(|signal| signal.tag).collect();
        let mut seen = Vec::new();
        for _ in 0..200 {
            simulator.step(Duration::from_millis(300));
            seen.extend(tags.iter().map(|tag| simulator.shown(tag)));
        }
        seen
    };
    assert_eq!(play(4), play(4));
    assert_ne!(play(4), play(5));
}

#[test]
fn setpoints_and_totals_are_shown_exactly() {
    let simulator = running(100);
    for (tag, value) in
        [("TIC-310-SP", 182.0), ("KIC-340-SP", 55.0), ("FQ-101", 1200.0), ("XI-102", 26_114_071.0)]
    {
        assert!((shown(&simulator, tag) - value).abs() < 1e-9, "{tag}");
    }
}

#[test]
fn belts_run_as_fast_as_the_panels_seconds_ask() {
    let simulator = running(60);
    assert!((simulator.truth("ST-340").unwrap() - 3.6).abs() < 1e-9);
    assert!((shown(&simulator, "ST-220") - 147.6).abs() < 2.5);
}

#[test]
fn the_heartbeat_counts_seconds_and_wraps() {
    let simulator = running(0);
    simulator.step(Duration::from_millis(1900));
    assert_eq!(simulator.shown("XI-394"), Some(3_601.0), "it has been running for an hour");
    simulator.step(Duration::from_secs(65_533 - 3_600));
    assert_eq!(simulator.shown("XI-394"), Some(65_534.0));
    simulator.step(Duration::from_secs(2));
    assert_eq!(simulator.shown("XI-394"), Some(0.0));
    assert_eq!(simulator.elapsed(), Duration::from_millis(61_936_900));
}

#[test]
fn every_signal_decodes_to_what_its_instrument_says() {
    let line = small_line();
    let mut plant = Plant::new(&line, 9);
    let mut image = Image::new(&line);
    let (step, span) = crate::physics::StepTime::pieces(Duration::from_secs(1)).next().unwrap();
    for _ in 0..50 {
        plant.step(step, span);
        image.refresh(plant.sensed(), &plant.faults, plant.elapsed());
        for ((id, signal), said) in line.signals_with_ids().zip(plant.sensed()) {
            let Some(Reading::Good(value)) = image.reading(id) else { panic!("{} has no value", signal.tag) };
            // A whole number is rounded to its nearest count; a 32-bit float keeps seven digits.
            let wire = &signal.register().unwrap().wire;
            let slack = if wire.encoding == Encoding::F32 { 1e-5 } else { 0.5001 * wire.scale };
            assert!((value - said).abs() <= slack, "{}: {value}, said {said}", signal.tag);
        }
    }
}

#[test]
fn bits_of_one_word_are_merged() {
    let line = small_line();
    let plant = Plant::new(&line, 1);
    let mut image = Image::new(&line);
    image.refresh(plant.sensed(), &plant.faults, plant.elapsed());
    assert_eq!(image.read(0, Table::Holding, 16, 1), Some(vec![0b1001]));
}

#[test]
fn only_addresses_of_the_line_file_exist() {
    let image = Image::new(&small_line());
    let fryer = usize::from(FRYER);
    assert!(image.read(fryer, Table::Holding, 103, 8).is_some(), "declared readable between two signals");
    assert_eq!(image.read(fryer, Table::Holding, 100, 4), None, "101 and 102 are holes");
    assert_eq!(image.read(fryer, Table::Input, 100, 1), None);
    assert_eq!(image.read(fryer, Table::Holding, u16::MAX, 2), None);
    assert_eq!(image.read(99, Table::Holding, 100, 1), None);
}

proptest! {
    #[test]
    fn whatever_an_instrument_says_its_register_has_a_value(values in proptest::collection::vec(any::<f64>(), 23)) {
        let line = small_line();
        let plant = Plant::new(&line, 1);
        let mut image = Image::new(&line);
        image.refresh(values.iter().copied(), &plant.faults, plant.elapsed());
        for (index, value) in values.iter().enumerate() {
            let signal = &line.signals[index];
            let reading = image.reading(SignalId(index as u16));
            if value.is_finite() {
                let Some(Reading::Good(shown)) = reading else { panic!("{}: {value} became {reading:?}", signal.tag) };
                let (low, high) = signal.range;
                let wire = &signal.register().unwrap().wire;
                prop_assert!((shown - value.clamp(low, high)).abs() <= 0.5001 * wire.scale);
            }
        }
    }
}
