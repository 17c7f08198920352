//! `line.toml`: stations, controllers, signals, loops, belts.

use crate::line::{Meaning, Role};
use crate::problem::{At, Code, Span};
use crate::quantity::Quantity;
use crate::reader::TableReader;
use setward_protocol::{ByteOrder, Encoding, RegisterSpan, Table};
use std::time::Duration;

/// All of `line.toml`.
#[derive(Debug, Default)]
pub(crate) struct RawLine {
    pub(crate) head: Option<RawHead>,
    pub(crate) stations: Vec<RawStation>,
    pub(crate) controllers: Vec<RawController>,
    pub(crate) signals: Vec<RawSignal>,
    pub(crate) loops: Vec<RawLoop>,
    pub(crate) belts: Vec<RawBelt>,
}

#[derive(Debug)]
pub(crate) struct RawHead {
    pub(crate) name: Option<At<String>>,
    pub(crate) plant: Option<At<String>>,
    pub(crate) time_zone: Option<At<String>>,
    pub(crate) recipe: Option<At<String>>,
}

#[derive(Debug)]
pub(crate) struct RawStation {
    pub(crate) key: Option<At<String>>,
    pub(crate) name: Option<At<String>>,
}

#[derive(Debug)]
pub(crate) struct RawController {
    pub(crate) name: Option<At<String>>,
    pub(crate) poll_every: Option<At<Duration>>,
    pub(crate) answer_within: Option<At<Duration>>,
    pub(crate) max_registers: Option<At<i64>>,
    pub(crate) max_bits: Option<At<i64>>,
    pub(crate) readable: Vec<RegisterSpan>,
    pub(crate) heartbeat: Option<RawHeartbeat>,
}

#[derive(Debug)]
pub(crate) struct RawHeartbeat {
    pub(crate) signal: Option<At<String>>,
    pub(crate) within: Option<At<Duration>>,
}

#[derive(Debug)]
pub(crate) struct RawSignal {
    pub(crate) at: Span,
    /// Keys that are there, also where their value was refused: they are wrong, not missing.
    pub(crate) given: Vec<&'static str>,
    pub(crate) tag: Option<At<String>>,
    pub(crate) name: Option<At<String>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) controller: Option<At<String>>,
    pub(crate) role: Option<At<Role>>,
    pub(crate) means: Option<At<Meaning>>,
    /// Every place given; exactly one is right.
    pub(crate) places: Vec<RawPlace>,
    pub(crate) encoding: Option<At<RawEncoding>>,
    pub(crate) bit: Option<At<i64>>,
    pub(crate) order: Option<At<ByteOrder>>,
    pub(crate) scale: Option<At<f64>>,
    pub(crate) offset: Option<At<f64>>,
    pub(crate) unit: Option<At<String>>,
    pub(crate) range: Option<At<(At<Quantity>, At<Quantity>)>>,
    pub(crate) no_value: Option<At<Vec<At<i64>>>>,
    pub(crate) decimals: Option<At<i64>>,
    pub(crate) codes: Vec<(At<String>, Option<At<String>>)>,
    pub(crate) simulate: Option<RawSimulate>,
    pub(crate) wiring: Option<RawWiring>,
}

/// Table and address by one of the keys `holding`, `input`, `coil`, `discrete`; or the number on a drawing.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RawPlace {
    pub(crate) at: Span,
    pub(crate) key: &'static str,
    /// Absent for a `number`.
    pub(crate) table: Option<Table>,
    pub(crate) value: i64,
}

/// An encoding as a word; the bit's number is a key of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum RawEncoding {
    Number(Encoding),
    Bit,
}

#[derive(Debug)]
pub(crate) struct RawSimulate {
    pub(crate) typical: Option<At<Quantity>>,
    pub(crate) noise: Option<At<Quantity>>,
    pub(crate) time_constant: Option<At<Duration>>,
}

#[derive(Debug)]
pub(crate) struct RawWiring {
    pub(crate) sensor: Option<At<String>>,
    pub(crate) channel: Option<At<String>>,
    pub(crate) terminals: Option<At<String>>,
    pub(crate) drawing: Option<At<String>>,
    pub(crate) location: Option<At<String>>,
}

#[derive(Debug)]
pub(crate) struct RawLoop {
    pub(crate) tag: Option<At<String>>,
    pub(crate) entered: Option<At<String>>,
    pub(crate) measured: Option<At<String>>,
    pub(crate) output: Option<At<String>>,
    pub(crate) mode: Option<At<String>>,
    pub(crate) manual_codes: Option<At<Vec<At<i64>>>>,
}

#[derive(Debug)]
pub(crate) struct RawBelt {
    pub(crate) name: Option<At<String>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) speed: Option<At<String>>,
    pub(crate) effective_length: Option<At<Quantity>>,
}

const ROLES: [(&str, Role); 4] = [
    (Role::Measured.name(), Role::Measured),
    (Role::Setpoint.name(), Role::Setpoint),
    (Role::Output.name(), Role::Output),
    (Role::Status.name(), Role::Status),
];

/// Tables by their key.
const TABLES: [(&str, Table); 4] = [
    (Table::Holding.name(), Table::Holding),
    (Table::Input.name(), Table::Input),
    (Table::Coil.name(), Table::Coil),
    (Table::Discrete.name(), Table::Discrete),
];

/// Keys of a signal that are needed or not depending on others.
const SOMETIMES_NEEDED: [&str; 10] =
    ["holding", "input", "coil", "discrete", "number", "encoding", "bit", "order", "unit", "range"];

/// Reads all of `line.toml`.
pub(crate) fn read(reader: &mut TableReader<'_, '_>) -> RawLine {
    RawLine {
        head: reader.need_table("line", "[line]", head),
        stations: reader.tables("station", "[[station]]", station),
        controllers: reader.tables("controller", "[[controller]]", controller),
        signals: reader.tables("signal", "[[signal]]", signal),
        loops: reader.tables("loop", "[[loop]]", control_loop),
        belts: reader.tables("belt", "[[belt]]", belt),
    }
}

fn head(reader: &mut TableReader<'_, '_>) -> RawHead {
    RawHead {
        name: reader.need_text("name", "\"Line 1\""),
        plant: reader.need_text("plant", "\"Example plant\""),
        time_zone: reader.need_text("time_zone", "\"America/Chicago\""),
        recipe: reader.need_text("recipe", "\"blue-corn-rounds\""),
    }
}

fn station(reader: &mut TableReader<'_, '_>) -> RawStation {
    RawStation { key: reader.need_text("key", "\"fryer\""), name: reader.need_text("name", "\"Fryer\"") }
}

fn controller(reader: &mut TableReader<'_, '_>) -> RawController {
    RawController {
        name: reader.need_text("name", "\"fryer\""),
        poll_every: reader.need_time("poll_every", "\"1 s\""),
        answer_within: reader.may_time("answer_within", "\"500 ms\""),
        max_registers: reader.may_whole("max_registers", "100", 1, 125),
        max_bits: reader.may_whole("max_bits", "2000", 1, 2000),
        readable: reader
            .tables("readable", "[[controller.readable]]", readable)
            .into_iter()
            .flatten()
            .collect(),
        heartbeat: reader.may_table("heartbeat", "[controller.heartbeat]", heartbeat),
    }
}

/// One gap of a controller: exactly one table with first and last address.
fn readable(reader: &mut TableReader<'_, '_>) -> Option<RegisterSpan> {
    let spans: Vec<_> =
        TABLES.iter().filter_map(|(key, table)| Some((table, span_of(reader, key)?))).collect();
    match spans.as_slice() {
        [(table, (first, last))] => Some(RegisterSpan { table: **table, first: *first, last: *last }),
        [] if reader.is_blank() => {
            reader.missing("holding", "[104, 109]");
            None
        }
        [_, _, ..] => {
            let at = reader.at();
            let hint = "give each table a gap of its own: { holding = [104, 109] }";
            reader.sink().report(Code::Place, at, "one gap names two tables", hint);
            None
        }
        [] => None,
    }
}

/// First and last address under `key`, if they are there and in order.
fn span_of(reader: &mut TableReader<'_, '_>, key: &'static str) -> Option<(u16, u16)> {
    let pair = reader.may::<(At<i64>, At<i64>)>(key, "[104, 109]")?;
    let (low, high) = (&pair.value.0, &pair.value.1);
    match (u16::try_from(low.value), u16::try_from(high.value)) {
        (Ok(first), Ok(last)) if first <= last => Some((first, last)),
        (Ok(_) | Err(_), Ok(_) | Err(_)) => {
            let message = format!("`{key}` runs from {} to {}", low.value, high.value);
            let hint = "write the first and the last address, each 0 to 65535, such as [104, 109]";
            reader.sink().report(Code::OutOfBounds, pair.at, message, hint);
            None
        }
    }
}

fn heartbeat(reader: &mut TableReader<'_, '_>) -> RawHeartbeat {
    RawHeartbeat {
        signal: reader.need_text("signal", "\"XI-394\""),
        within: reader.need_time("within", "\"5 s\""),
    }
}

fn signal(reader: &mut TableReader<'_, '_>) -> RawSignal {
    let encodings: Vec<(&'static str, RawEncoding)> = Encoding::NAMED
        .iter()
        .map(|(name, encoding)| (*name, RawEncoding::Number(*encoding)))
        .chain([("bit", RawEncoding::Bit)])
        .collect();
    RawSignal {
        at: reader.at(),
        given: reader.given(&SOMETIMES_NEEDED),
        tag: reader.need_text("tag", "\"TT-310\""),
        name: reader.need_text("name", "\"Fryer oil inlet\""),
        station: reader.need_text("station", "\"fryer\""),
        controller: reader.need_text("controller", "\"fryer\""),
        role: reader.need_word("role", &ROLES),
        means: reader.may_word("means", &Meaning::NAMED),
        places: places(reader),
        encoding: reader.may_word("encoding", &encodings),
        bit: reader.may_whole("bit", "0", 0, 15),
        order: reader.may_word("order", &ByteOrder::ALL.map(|order| (order.name(), order))),
        scale: reader.may("scale", "0.1"),
        offset: reader.may("offset", "0.0"),
        unit: reader.may_text("unit", "\"degC\""),
        range: reader.may("range", "[\"0 degC\", \"250 degC\"]"),
        no_value: reader.may("no_value", "[32767, -32768]"),
        decimals: reader.may_whole("decimals", "1", 0, 6),
        codes: reader.may_table("codes", "[signal.codes]", |reader| reader.entries()).unwrap_or_default(),
        simulate: reader.may_table("simulate", "[signal.simulate]", simulate),
        wiring: reader.may_table("wiring", "[signal.wiring]", wiring),
    }
}

fn places(reader: &mut TableReader<'_, '_>) -> Vec<RawPlace> {
    let mut found = Vec::new();
    for (key, table) in TABLES {
        if let Some(address) = reader.may_whole(key, "100", 0, 65_535) {
            found.push(RawPlace { at: address.at, key, table: Some(table), value: address.value });
        }
    }
    if let Some(number) = reader.may::<i64>("number", "40101") {
        found.push(RawPlace { at: number.at, key: "number", table: None, value: number.value });
    }
    found
}

fn simulate(reader: &mut TableReader<'_, '_>) -> RawSimulate {
    RawSimulate {
        typical: reader.may("typical", "\"182 degC\""),
        noise: reader.may("noise", "\"0.12 K\""),
        time_constant: reader.may_time("time_constant", "\"8 s\""),
    }
}

fn wiring(reader: &mut TableReader<'_, '_>) -> RawWiring {
    RawWiring {
        sensor: reader.may_text("sensor", "\"Pt100 class A, 4-wire\""),
        channel: reader.may_text("channel", "\"card 2, channel 1\""),
        terminals: reader.may_text("terminals", "\"X4: 1-4\""),
        drawing: reader.may_text("drawing", "\"E-310 sheet 4\""),
        location: reader.may_text("location", "\"feed end, operator side\""),
    }
}

fn control_loop(reader: &mut TableReader<'_, '_>) -> RawLoop {
    RawLoop {
        tag: reader.need_text("tag", "\"TIC-310\""),
        entered: reader.may_text("entered", "\"TIC-310-SP\""),
        measured: reader.need_text("measured", "\"TT-310\""),
        output: reader.may_text("output", "\"TIC-310-OUT\""),
        mode: reader.may_text("mode", "\"XI-310\""),
        manual_codes: reader.may("manual_codes", "[1]"),
    }
}

fn belt(reader: &mut TableReader<'_, '_>) -> RawBelt {
    RawBelt {
        name: reader.need_text("name", "\"Fry time\""),
        station: reader.need_text("station", "\"fryer\""),
        speed: reader.need_text("speed", "\"ST-340\""),
        effective_length: reader.need("effective_length", "\"3.30 m\""),
    }
}
