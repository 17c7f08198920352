//! The shipped demo line: it loads, it says what its register list and alarm list say, and it is polled in few requests.
#![expect(clippy::unwrap_used, reason = "helpers of tests may fail the test")]

use setward_alarm::{Allowance, Kind, Side};
use setward_config::line::{ControllerId, LoopMode, Meaning, Role};
use setward_config::{Line, SourceFile, check_files, demo_files, load_demo};
use setward_protocol::{ByteOrder, Encoding, Place, Table, plan_reads};
use std::path::Path;
use std::time::Duration;

fn demo() -> Line {
    load_demo().unwrap().line
}

#[test]
fn the_demo_loads_with_no_problem_and_no_warning() {
    let loaded = load_demo().unwrap();
    assert!(loaded.warnings.is_empty(), "{}", loaded.warnings);
    let line = loaded.line;
    assert_eq!(line.controllers.len(), 3);
    assert_eq!(line.signals.len(), 23);
    assert_eq!(line.alarms.len(), 8);
    assert_eq!((line.recipes.len(), line.recipe().key.as_str()), (2, "blue-corn-rounds"));
    assert!(line.simulated && line.page_address.ip().is_loopback());
    assert_eq!(line.data_dir, Path::new(".setward"));
    let stations: Vec<&str> = line.stations.iter().map(|station| station.key.as_str()).collect();
    assert_eq!(stations, ["kettle", "oven", "fryer"]);
}

fn check_signal(
    tag: &str,
    table: Table,
    address: u16,
    encoding: Encoding,
    scale: f64,
    range: (f64, f64),
    no_value: &[i64],
) {
    let line = demo();
    let wire = &line.signal(line.signal_by_tag(tag).unwrap()).register().unwrap().wire;
    assert_eq!(
        (wire.table, wire.address, wire.encoding, wire.scale),
        (table, address, encoding, scale),
        "{tag}"
    );
    assert_eq!((wire.range, wire.no_value.as_slice()), (range, no_value), "{tag}");
}

/// Registers as the plant's register list prints them.
#[test]
fn signals_are_where_the_register_list_says() {
    use Encoding::{Bit, F32, I16, U16, U32};
    use Table::{Discrete, Holding, Input};
    check_signal("TT-101", Holding, 0, I16, 0.1, (0.0, 130.0), &[32_767, -32_768]);
    check_signal("TIC-101-OUT", Holding, 4, U16, 0.1, (0.0, 100.0), &[]);
    check_signal("FQ-101", Holding, 10, U32, 1.0, (0.0, 4_000.0), &[]);
    check_signal("YS-101", Holding, 16, Bit(0), 1.0, (0.0, 1.0), &[]);
    check_signal("XI-124", Holding, 94, U16, 1.0, (0.0, 65_535.0), &[]);
    check_signal("TT-201", Input, 1_000, I16, 1.0, (32.0, 1_000.0), &[9_999, -999]);
    check_signal("TIC-201-SP", Holding, 1_001, I16, 1.0, (32.0, 900.0), &[]);
    check_signal("BS-201", Discrete, 11, Bit(0), 1.0, (0.0, 1.0), &[]);
    check_signal("ST-220", Input, 1_041, U16, 0.1, (0.0, 300.0), &[]);
    check_signal("TT-310", Holding, 100, I16, 0.1, (0.0, 250.0), &[32_767, -32_768]);
    check_signal("FT-320", Holding, 130, F32, 1.0, (0.0, 80.0), &[]);
    check_signal("ST-340", Holding, 150, U16, 0.001, (0.0, 15.0), &[]);
}

#[test]
fn long_values_have_the_low_word_first() {
    let line = demo();
    for tag in ["FQ-101", "FT-320"] {
        assert_eq!(
            line.signal(line.signal_by_tag(tag).unwrap()).register().unwrap().wire.order,
            ByteOrder::Cdab
        );
    }
}

#[test]
fn pages_show_as_many_digits_as_one_count_needs() {
    let line = demo();
    let shown = |tag: &str| {
        let signal = line.signal(line.signal_by_tag(tag).unwrap());
        (signal.decimals, signal.unit.display())
    };
    assert_eq!(shown("TT-310"), (1, "°C"));
    assert_eq!(shown("TT-201"), (0, "°F"));
    assert_eq!(shown("ST-340"), (3, "m/min"));
    assert_eq!(shown("FT-320"), (1, "m³/h"));
}

fn check_setting(id: &str, tag: &str, side: Side, allowance: f64, recovery_s: u64) {
    let line = demo();
    let settings = line.alarm(line.alarm_by_id(id).unwrap()).settings;
    assert_eq!(settings.watches.signal(), line.signal_by_tag(tag), "{id}");
    let Kind::TimeWeighted(weighted) = settings.kind else { panic!("{id} is {settings:?}") };
    assert_eq!((weighted.side, weighted.allowance), (side, Allowance::Area(allowance)), "{id}");
    assert_eq!((weighted.recovery, weighted.shape), (Some(Duration::from_secs(recovery_s)), 1.0), "{id}");
}

#[test]
fn alarms_keep_their_settings_of_day_one() {
    check_setting("kettle-hold-cold", "TT-101", Side::Below, 360.0, 300);
    check_setting("oven-zone-cold", "TT-201", Side::Below, 600.0, 300);
    check_setting("oven-zone-hot", "TT-201", Side::Above, 600.0, 300);
    check_setting("fryer-inlet-cold", "TT-310", Side::Below, 240.0, 90);
    check_setting("fryer-inlet-hot", "TT-310", Side::Above, 180.0, 90);
    check_setting("fryer-outlet-cold", "TT-313", Side::Below, 300.0, 90);
    let line = demo();
    let Kind::Limit(high) = line.alarm(line.alarm_by_id("fryer-oil-high").unwrap()).settings.kind else {
        panic!()
    };
    assert_eq!(
        (high.side, high.limit, high.deadband, high.on_delay),
        (Side::Above, 200.0, 3.0, Duration::from_secs(2))
    );
    let Kind::Limit(flow) = line.alarm(line.alarm_by_id("oil-flow-low").unwrap()).settings.kind else {
        panic!()
    };
    assert_eq!(
        (flow.side, flow.limit, flow.deadband, flow.on_delay),
        (Side::Below, 38.0, 2.0, Duration::from_secs(5))
    );
}

#[test]
fn a_gap_is_three_polls_and_one_reply_of_the_signals_controller() {
    let line = demo();
    let gap = |id: &str| line.alarm(line.alarm_by_id(id).unwrap()).settings.gap_limit;
    assert_eq!(gap("kettle-hold-cold"), Duration::from_millis(6500));
    assert_eq!(gap("fryer-inlet-cold"), Duration::from_millis(3500));
}

#[test]
fn each_controller_needs_one_request_a_table() {
    let line = demo();
    let requests = |index: u16| {
        let controller = line.controller(ControllerId(index));
        let own =
            line.signals.iter().filter(|signal| signal.register().unwrap().controller == ControllerId(index));
        let places: Vec<Place> = own.map(|signal| signal.register().unwrap().wire.place()).collect();
        plan_reads(&places, &controller.readable, controller.limits).len()
    };
    assert_eq!([requests(0), requests(1), requests(2)], [1, 3, 1]);
}

#[test]
fn loops_belts_and_heartbeats_point_at_the_right_signals() {
    let line = demo();
    let tag = |id| line.signal(id).tag.as_str();
    let fryer = &line.loops[2];
    assert_eq!(
        (fryer.tag.as_str(), tag(fryer.measured), tag(fryer.entered.unwrap())),
        ("TIC-310", "TT-310", "TIC-310-SP")
    );
    assert_eq!((tag(fryer.mode.unwrap()), fryer.modes.get(&1)), ("XI-310", Some(&LoopMode::Manual)));
    let belts: Vec<_> = line
        .belts
        .iter()
        .map(|belt| (belt.name.as_str(), tag(belt.speed), belt.effective_length_m))
        .collect();
    assert_eq!(belts, [("Bake time", "ST-220", 12.0), ("Fry time", "ST-340", 3.3)]);
    let beats: Vec<_> =
        line.controllers.iter().map(|one| one.heartbeat.map(|beat| tag(beat.signal))).collect();
    assert_eq!(beats, [Some("XI-124"), None, Some("XI-394")]);
}

#[test]
fn every_meaning_has_its_signal() {
    let line = demo();
    for (word, meaning) in Meaning::NAMED {
        assert!(line.signals.iter().any(|signal| signal.means == Some(meaning)), "{word}");
    }
    assert!(
        line.signals.iter().all(|signal| signal.wiring.drawing.is_some() && signal.wiring.location.is_some())
    );
    assert!(
        line.signals
            .iter()
            .filter(|signal| signal.role == Role::Measured)
            .all(|signal| signal.wiring.sensor.is_some())
    );
}

#[test]
fn the_same_recipe_in_fahrenheit_gives_the_same_targets() {
    let celsius = demo();
    let change = |path: &str, text: &str| match path {
        "recipes/blue-corn-rounds.toml" => text
            .replace("\"182 degC\"", "\"359.6 degF\"")
            .replace("latitude = \"2 K\"", "latitude = \"3.6 degF\"")
            .replace("{ below = \"3 K\", above = \"3 K\" }", "{ below = \"5.4 degF\", above = \"5.4 degF\" }")
            .replace("[\"176 degC\", \"188 degC\"]", "[\"348.8 degF\", \"370.4 degF\"]")
            .replace("\"635 degF\"", "\"335 degC\""),
        _ => text.to_owned(),
    };
    let files: Vec<SourceFile> = demo_files()
        .iter()
        .map(|(path, text)| SourceFile { path: (*path).to_owned(), text: change(path, text) })
        .collect();
    assert!(files[2].text.contains("359.6 degF") && files[2].text.contains("370.4 degF"));
    let fahrenheit = check_files(&files).unwrap().line;
    for (one, other) in celsius.recipe().setpoints.iter().zip(&fahrenheit.recipe().setpoints) {
        let near = |left: f64, right: f64| assert!((left - right).abs() <= 1e-9, "{left} against {right}");
        near(one.target.setpoint, other.target.setpoint);
        near(one.target.tolerance_below, other.target.tolerance_below);
        near(one.target.tolerance_above, other.target.tolerance_above);
        near(one.target.latitude.unwrap_or(0.0), other.target.latitude.unwrap_or(0.0));
        near(
            one.target.specification.unwrap_or_default().0,
            other.target.specification.unwrap_or_default().0,
        );
        near(
            one.target.specification.unwrap_or_default().1,
            other.target.specification.unwrap_or_default().1,
        );
    }
    assert_ne!(celsius.fingerprint, fahrenheit.fingerprint);
}
