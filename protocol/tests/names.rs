//! The words by which files and people call things: each leads back to what it is of, and none is of two.

use setward_protocol::{
    ByteOrder, ControllerId, Doubt, Encoding, Mode, NoData, Raw, Reading, SignalId, StationId, Table, Unit,
    Uptime,
};
use std::collections::BTreeSet;

fn are_all_different(names: &[&str]) -> bool {
    names.iter().all(|name| !name.is_empty()) && names.iter().collect::<BTreeSet<_>>().len() == names.len()
}

#[test]
fn an_order_is_found_by_its_four_letters_and_by_nothing_else() {
    for order in ByteOrder::ALL {
        assert_eq!(ByteOrder::from_name(order.name()), Some(order));
    }
    for wrong in ["", "abcd", "ABCD ", "ACBD", "ABC"] {
        assert_eq!(ByteOrder::from_name(wrong), None, "{wrong:?}");
    }
    assert!(are_all_different(&ByteOrder::ALL.map(ByteOrder::name)));
}

#[test]
fn an_encoding_is_called_as_the_list_of_names_says() {
    for (name, encoding) in Encoding::NAMED {
        assert_eq!(encoding.name(), name);
    }
    let floats = Encoding::NAMED.into_iter().filter(|(_, encoding)| !encoding.is_whole());
    assert_eq!(
        floats.map(|(name, _)| name).collect::<Vec<_>>(),
        ["f32", "f64"],
        "all others are kept exactly"
    );
    let bits = [0, 7, 15].map(|bit| Encoding::Bit(bit).name());
    assert_eq!(bits, ["bit"; 3], "its number stands beside it");
    assert!(are_all_different(&Encoding::NAMED.map(|(name, _)| name)));
}

#[test]
fn a_mode_is_called_as_the_list_of_names_says() {
    for (name, mode) in Mode::NAMED {
        assert_eq!(mode.name(), name);
    }
    assert!(are_all_different(&Mode::NAMED.map(|(name, _)| name)));
}

/// Modbus Application Protocol V1.1b3, 4.3: four tables. Drawings print 000001, 100001, 300001 and 400001 for their first.
#[test]
fn tables_have_a_word_and_a_first_printed_number_each() {
    let tables = [Table::Coil, Table::Discrete, Table::Input, Table::Holding];
    assert_eq!(tables.map(Table::name), ["coil", "discrete", "input", "holding"]);
    assert_eq!(tables.map(|table| table.printed_number(0)), [1, 100_001, 300_001, 400_001]);
    assert_eq!(tables.map(Table::is_bits), [true, true, false, false]);
    // The same, 6.1 to 6.4.
    assert_eq!(tables.map(Table::read_function), [1, 2, 4, 3]);
}

/// Nothing was heard: two good readings may be joined across it.
const SILENT: [NoData; 6] = [
    NoData::NotPolled,
    NoData::NoReply,
    NoData::Refused,
    NoData::Exception(6),
    NoData::Stale,
    NoData::TooLittleKnown,
];

/// Known to be wrong: nothing is joined across it.
const WRONG: [NoData; 9] = [
    NoData::NotCommissioned,
    NoData::SensorFault,
    NoData::OutOfRange,
    NoData::Stuck,
    NoData::HeartbeatStopped,
    NoData::Restarting,
    NoData::TakenBack,
    NoData::NotSteady,
    NoData::TooUncertain,
];

/// A technician reads these: why there is no value, or why it is in doubt.
#[test]
fn every_reason_and_every_doubt_has_words_of_its_own() {
    let reasons = [&SILENT[..], &WRONG[..]].concat();
    let words: Vec<String> = reasons.iter().map(ToString::to_string).collect();
    assert!(are_all_different(&words.iter().map(String::as_str).collect::<Vec<_>>()), "{words:?}");
    assert_eq!(NoData::Exception(2).to_string(), "controller refused the read (exception 02)");
    let doubts = [Doubt::Late, Doubt::Disagrees, Doubt::Unconfirmed, Doubt::Unverified];
    let words: Vec<String> = doubts.iter().map(ToString::to_string).collect();
    assert!(are_all_different(&words.iter().map(String::as_str).collect::<Vec<_>>()), "{words:?}");
}

#[test]
fn only_what_was_not_heard_is_silence() {
    assert!(SILENT.into_iter().all(NoData::is_silence) && !WRONG.into_iter().any(NoData::is_silence));
}

#[test]
fn tables_units_numbers_and_times_are_written_as_people_write_them() {
    assert_eq!([Table::Coil, Table::Holding].map(|table| table.to_string()), ["coil", "holding"]);
    assert_eq!([Raw::Whole(-7), Raw::Float(1.5)].map(|raw| raw.to_string()), ["-7", "1.5"]);
    assert_eq!(Uptime::from_millis(1_234).to_string(), "1.234 s");
    let celsius = Unit::from_signal_symbol("degC").unwrap();
    assert_eq!((celsius.to_string().as_str(), celsius.display()), ("degC", "°C"), "in files; on pages");
}

#[test]
fn numbers_of_signals_stations_and_controllers_are_places_in_their_lists() {
    for place in [0, 1, 2, 4095] {
        assert_eq!(SignalId(place).index(), usize::from(place));
        assert_eq!(StationId(place).index(), usize::from(place));
        assert_eq!(ControllerId(place).index(), usize::from(place));
    }
}

#[test]
fn only_a_good_reading_is_one_to_act_on_and_a_doubtful_one_has_a_value_all_the_same() {
    let readings = [Reading::Good(2.5), Reading::Uncertain(2.5, Doubt::Late), Reading::Bad(NoData::NoReply)];
    assert_eq!(readings.map(Reading::good), [Some(2.5), None, None]);
    assert_eq!(readings.map(Reading::value), [Some(2.5), Some(2.5), None]);
}

#[test]
fn times_are_counted_in_seconds_from_the_start_of_the_run() {
    let time = Uptime::from_secs_f64(2.5);
    assert_eq!((time.as_nanos(), time.as_secs_f64()), (2_500_000_000, 2.5));
    assert_eq!(time.seconds_since(Uptime::from_millis(1_000)), 1.5);
    assert_eq!(time + std::time::Duration::from_millis(500), Uptime::from_millis(3_000));
}
