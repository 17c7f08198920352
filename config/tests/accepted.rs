//! What is right and reads in more than one way: units, defaults, places, one alarm over several signals.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests may fail the test")]

use setward_alarm::{Allowance, Kind};
use setward_config::{Line, SourceFile, check_files};
use setward_protocol::{Encoding, ReadLimits, RegisterSpan, Table, Unit};
use std::path::Path;
use std::time::Duration;

/// The small line with each `from` replaced by its `to`, wherever it stands; it must load without a word.
fn line_with(edits: &[(&str, &str)]) -> Line {
    let texts = [
        ("line.toml", include_str!("small/line.toml")),
        ("alarms.toml", include_str!("small/alarms.toml")),
        ("site.toml", include_str!("small/site.toml")),
        ("recipes/rounds.toml", include_str!("small/recipes/rounds.toml")),
    ];
    for (from, _) in edits {
        assert!(texts.iter().any(|(_, text)| text.contains(from)), "nothing has {from:?}");
    }
    let change = |text: &str| edits.iter().fold(text.to_owned(), |text, (from, to)| text.replace(from, to));
    let files = texts.map(|(path, text)| SourceFile { path: path.to_owned(), text: change(text) });
    let loaded = check_files(&files).unwrap();
    assert!(loaded.warnings.is_empty(), "{}", loaded.warnings);
    loaded.line
}

fn check_allowance(written: &str, shape: &str, expected: Allowance) {
    let line = line_with(&[("\"240 K.s\"", written), ("shape = 1.0", shape)]);
    let Kind::TimeWeighted(settings) = line.alarms[1].settings.kind else { panic!("{:?}", line.alarms[1]) };
    let (found, wanted) = match (settings.allowance, expected) {
        (Allowance::Area(found), Allowance::Area(wanted))
        | (Allowance::AtTwice(found), Allowance::AtTwice(wanted)) => (found, wanted),
        (found, wanted) => panic!("{written}: {found:?} against {wanted:?}"),
    };
    assert!((found - wanted).abs() <= 1e-9 * wanted, "{written}: {found} against {wanted}");
}

#[test]
fn an_allowance_is_an_area_in_any_unit_or_a_time() {
    check_allowance("\"240 K.s\"", "shape = 1", Allowance::Area(240.0));
    check_allowance("\"6 K.min\"", "shape = 1", Allowance::Area(360.0));
    check_allowance("\"6 K.h\"", "shape = 1", Allowance::Area(21_600.0));
    check_allowance("\"240 degC.s\"", "shape = 1", Allowance::Area(240.0));
    check_allowance("\"600 degF.s\"", "shape = 1", Allowance::Area(1_000.0 / 3.0));
    check_allowance("\"80 s\"", "shape = 1", Allowance::AtTwice(80.0));
    check_allowance("\"1.5 min\"", "shape = 2.5", Allowance::AtTwice(90.0));
    check_allowance("\"80 s\"", "shape = 0.02", Allowance::AtTwice(80.0));
}

fn check_deadband(written: &str, expected: f64) {
    let line = line_with(&[("deadband = \"3 K\"", &format!("deadband = {written}"))]);
    let Kind::Limit(settings) = line.alarms[0].settings.kind else { panic!("{:?}", line.alarms[0]) };
    assert!((settings.deadband - expected).abs() < 1e-12, "{written}: {}", settings.deadband);
}

#[test]
fn a_difference_of_temperatures_has_no_offset() {
    check_deadband("\"3 K\"", 3.0);
    check_deadband("\"3 degC\"", 3.0);
    check_deadband("\"5.4 degF\"", 3.0);
    check_deadband("\"3K\"", 3.0);
    check_deadband("\" 3.0  K \"", 3.0);
}

#[test]
fn everything_is_in_the_unit_of_its_signal() {
    let line = line_with(&[
        ("limit = \"200 degC\"", "limit = \"392 degF\""),
        ("[\"0 m/min\", \"15 m/min\"]", "[\"0 m/s\", \"0.25 m/s\"]"),
        ("\"3.30 m\"", "\"3300 mm\""),
    ]);
    let Kind::Limit(settings) = line.alarms[0].settings.kind else { panic!("{:?}", line.alarms[0]) };
    assert!((settings.limit - 200.0).abs() < 1e-9);
    let speed = line.signal(line.signal_by_tag("ST-340").unwrap());
    assert!((speed.range.1 - 15.0).abs() < 1e-9 && speed.unit == Unit::MetrePerMinute);
    assert!((line.belts[0].effective_length_m - 3.3).abs() < 1e-12);
}

#[test]
fn a_pressure_above_the_atmosphere_takes_both_kinds_of_difference() {
    for noise in ["0.1 bar", "0.1 bar(g)", "10 kPa"] {
        let line = line_with(&[(
            "unit = \"m3/h\"\nrange = [\"0 m3/h\", \"80 m3/h\"]",
            &format!(
                "unit = \"bar(g)\"\nrange = [\"0 bar(g)\", \"600 kPa(g)\"]\nsimulate = {{ noise = \"{noise}\" }}"
            ),
        )]);
        let pressure = line.signal(line.signal_by_tag("FT-320").unwrap());
        assert!(
            (pressure.simulate.noise - 0.1).abs() < 1e-9 && (pressure.range.1 - 6.0).abs() < 1e-9,
            "{noise}"
        );
    }
}

#[test]
fn one_alarm_over_several_signals_becomes_one_each() {
    let line = line_with(&[(
        "signal = \"TT-310\"\nside = \"above\"",
        "signals = [\"TT-310\", \"TIC-310-SP\"]\nside = \"above\"",
    )]);
    let ids: Vec<&str> = line.alarms.iter().map(|alarm| alarm.id.as_str()).collect();
    assert_eq!(ids, ["oil-high.TT-310", "oil-high.TIC-310-SP", "oil-cold"]);
    assert_eq!(line.signal(line.alarms[1].settings.watches.signal().unwrap()).tag, "TIC-310-SP");
    assert_eq!(line.alarms[1].name, "Oil too hot (TIC-310-SP)");
}

#[test]
fn bits_of_one_register_are_no_overlap() {
    let twin = "bit = 3\n\n[[signal]]\ntag = \"YS-361\"\nname = \"Twin\"\nstation = \"fryer\"\ncontroller = \"fryer\"\nrole = \"status\"\nholding = 14\nencoding = \"bit\"\nbit = 4";
    let line = line_with(&[("bit = 3", twin)]);
    assert_eq!(
        line.signal(line.signal_by_tag("YS-361").unwrap()).register().unwrap().wire.encoding,
        Encoding::Bit(4)
    );
}

#[test]
fn the_same_register_of_two_controllers_is_no_overlap() {
    let line = line_with(&[("number = 40151", "holding = 0")]);
    assert_eq!(line.signal(line.signal_by_tag("ST-340").unwrap()).register().unwrap().wire.address, 0);
}

fn check_number(number: &str, table: Table, address: u16) {
    let line = line_with(&[("number = 40151", &format!("number = {number}"))]);
    let wire = &line.signal(line.signal_by_tag("ST-340").unwrap()).register().unwrap().wire;
    assert_eq!((wire.table, wire.address), (table, address), "{number}");
}

/// Numbers count from 1 where the wire counts from 0.
#[test]
fn numbers_as_drawings_print_them() {
    check_number("40151", Table::Holding, 150);
    check_number("400151", Table::Holding, 150);
    check_number("465536", Table::Holding, 65_535);
    check_number("40001", Table::Holding, 0);
    check_number("30101", Table::Input, 100);
    check_number("300101", Table::Input, 100);
}

#[test]
fn what_is_not_said_has_its_default() {
    let line = line_with(&[
        ("recovery = \"90 s\"\nshape = 1.0\nclear_below = 0.5", "recovery = \"none\""),
        ("deadband = \"3 K\"\n", ""),
        ("page = \"127.0.0.1:8470\"\n", ""),
    ]);
    let feed = &line.controllers[1];
    assert_eq!(
        (feed.answer_within, feed.limits, &feed.heartbeat),
        (Duration::from_millis(500), ReadLimits::STANDARD, &None)
    );
    assert_eq!((feed.endpoint.as_str(), feed.unit_id), ("127.0.0.1:15504", 7));
    assert_eq!(line.controllers[0].unit_id, 1);
    assert_eq!(line.controllers[0].readable, [RegisterSpan { table: Table::Holding, first: 1, last: 9 }]);
    assert_eq!(
        (line.page_address.to_string().as_str(), line.data_dir.as_path()),
        ("127.0.0.1:8470", Path::new(".setward"))
    );
    let Kind::TimeWeighted(weighted) = line.alarms[1].settings.kind else { panic!("{:?}", line.alarms[1]) };
    assert_eq!((weighted.recovery, weighted.shape, weighted.clear_below), (None, 1.0, 0.5));
    let Kind::Limit(limit) = line.alarms[0].settings.kind else { panic!("{:?}", line.alarms[0]) };
    assert_eq!((limit.deadband, limit.on_delay, limit.off_delay), (0.0, Duration::ZERO, Duration::ZERO));
    assert!(!line.alarms[0].settings.latching);
    let fan = line.signal(line.signal_by_tag("YS-360").unwrap());
    assert_eq!(
        (fan.unit, fan.range, fan.register().unwrap().wire.scale, fan.simulate.typical),
        (Unit::Bit, (0.0, 1.0), 1.0, 0.0)
    );
    assert_eq!(line.signal(line.signal_by_tag("FT-320").unwrap()).simulate.typical, 40.0);
}

#[test]
fn a_fast_poll_waits_half_of_it_for_an_answer() {
    let line = line_with(&[("poll_every = \"2 s\"", "poll_every = \"200 ms\"")]);
    assert_eq!(line.controllers[1].answer_within, Duration::from_millis(100));
}

#[test]
fn controllers_behind_one_gateway_differ_in_their_unit_id() {
    let line = line_with(&[("127.0.0.1:15504", "127.0.0.1:15503")]);
    assert_eq!(line.controllers[0].endpoint, line.controllers[1].endpoint);
}
