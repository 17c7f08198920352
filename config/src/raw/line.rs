//! `line.toml`: the head, signals, loops, belts. Stations and controllers are in `station.rs`, derived signals in `derived.rs`.

use super::condition::{self, RawCondition};
use super::derived::{RawDerived, derived};
use super::entry::{RawEntry, entry};
use super::heat_balance::{RawHeatBalance, heat_balance};
use super::lots::{RawLots, lots};
use super::product::{self, RawDelay, RawFeed, RawKettle, RawTank};
use super::recipe::{RawShift, shift};
use super::station::{RawController, RawStation, TABLES, controller, station};
use crate::line::{Behaves, LoopMode, Meaning, Role};
use crate::problem::{At, Span};
use crate::quantity::Quantity;
use crate::reader::{TableReader, TimeOrWord};
use setward_protocol::{ByteOrder, Encoding, Table};
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
    pub(crate) derived: Vec<RawDerived>,
    pub(crate) entries: Vec<RawEntry>,
    pub(crate) recipe_numbers: Vec<RawRecipeNumber>,
    pub(crate) kettles: Vec<RawKettle>,
    pub(crate) tanks: Vec<RawTank>,
    pub(crate) delays: Vec<RawDelay>,
    pub(crate) feed: Option<RawFeed>,
    pub(crate) shifts: Vec<RawShift>,
    pub(crate) heat_balance: Option<RawHeatBalance>,
    pub(crate) lots: Option<RawLots>,
}

impl RawLine {
    /// The tags of all signals: polled ones, then derived ones, then entered ones.
    pub(crate) fn tags(&self) -> impl Iterator<Item = Option<&At<String>>> {
        let derived = self.derived.iter().map(|one| one.tag.as_ref());
        let entered = self.entries.iter().map(|one| one.tag.as_ref());
        self.signals.iter().map(|signal| signal.tag.as_ref()).chain(derived).chain(entered)
    }
}

#[derive(Debug)]
pub(crate) struct RawHead {
    pub(crate) name: Option<At<String>>,
    pub(crate) plant: Option<At<String>>,
    pub(crate) time_zone: Option<At<String>>,
    pub(crate) recipe: Option<At<String>>,
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
    pub(crate) behaves: Option<At<Behaves>>,
    pub(crate) poll_every: Option<At<Duration>>,
    pub(crate) poll_group: Option<At<String>>,
    pub(crate) good_when: Option<Vec<RawCondition>>,
    pub(crate) stuck_after: Option<TimeOrWord>,
    pub(crate) commissioned: Option<At<bool>>,
    pub(crate) was: Option<At<String>>,
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
    pub(crate) working: Option<At<String>>,
    /// Codes of the mode word, by what they mean.
    pub(crate) codes: Vec<RawCodes>,
}

/// Codes of a mode word under one key.
#[derive(Debug)]
pub(crate) struct RawCodes {
    pub(crate) mode: LoopMode,
    pub(crate) key: &'static str,
    pub(crate) codes: At<Vec<At<i64>>>,
}

/// A word of a controller that says which recipe it runs.
#[derive(Debug)]
pub(crate) struct RawRecipeNumber {
    pub(crate) signal: Option<At<String>>,
    pub(crate) numbers: Vec<(At<String>, Option<At<String>>)>,
    /// The table is there, with or without numbers in it.
    pub(crate) numbers_given: bool,
    pub(crate) stations: Option<At<Vec<At<String>>>>,
    pub(crate) changeover: Option<At<Duration>>,
}

#[derive(Debug)]
pub(crate) struct RawBelt {
    pub(crate) name: Option<At<String>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) speed: Option<At<String>>,
    pub(crate) effective_length: Option<At<Quantity>>,
    pub(crate) dwell_setpoint: Option<At<String>>,
    pub(crate) proof: Option<RawProof>,
}

#[derive(Debug)]
pub(crate) struct RawProof {
    pub(crate) date: Option<At<String>>,
    pub(crate) by: Option<At<String>>,
}

const ROLES: [(&str, Role); 4] = [
    (Role::Measured.name(), Role::Measured),
    (Role::Setpoint.name(), Role::Setpoint),
    (Role::Output.name(), Role::Output),
    (Role::Status.name(), Role::Status),
];

const BEHAVES: [(&str, Behaves); 2] = [("value", Behaves::Value), ("total", Behaves::Total)];

/// Keys of a loop that name the codes of its mode word.
const CODES: [(LoopMode, &str); 4] = [
    (LoopMode::Manual, "manual_codes"),
    (LoopMode::Automatic, "automatic_codes"),
    (LoopMode::Cascade, "cascade_codes"),
    (LoopMode::Hold, "hold_codes"),
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
        recipe_numbers: reader.tables("recipe-number", "[[recipe-number]]", recipe_number),
        kettles: reader.tables("kettle", "[[kettle]]", product::kettle),
        tanks: reader.tables("tank", "[[tank]]", product::tank),
        delays: reader.tables("delay", "[[delay]]", product::delay),
        feed: reader.may_table("feed", "[feed]", product::feed),
        shifts: reader.tables("shift", "[[shift]]", shift),
        lots: reader.may_table("lots", "[lots]", lots),
        heat_balance: reader.may_table("heat-balance", "[heat-balance]", heat_balance),
        derived: reader.tables("derived", "[[derived]]", derived),
        entries: reader.tables("entry", "[[entry]]", entry),
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
        means: reader.may_word("means", Meaning::NAMED),
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
        behaves: reader.may_word("behaves", &BEHAVES),
        poll_every: reader.may_time("poll_every", "\"2 s\""),
        poll_group: reader.may_text("poll_group", "\"slow\""),
        good_when: condition::may(reader, "good_when"),
        stuck_after: reader.may_time_or("stuck_after", "never", "\"10 min\""),
        commissioned: reader.may("commissioned", "false"),
        was: reader.may_text("was", "\"TT-301\""),
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
        working: reader.may_text("working", "\"TIC-310-WSP\""),
        codes: CODES
            .iter()
            .filter_map(|(mode, key)| Some(RawCodes { mode: *mode, key, codes: reader.may(key, "[1]")? }))
            .collect(),
    }
}

fn belt(reader: &mut TableReader<'_, '_>) -> RawBelt {
    RawBelt {
        name: reader.need_text("name", "\"Fry time\""),
        station: reader.need_text("station", "\"fryer\""),
        speed: reader.need_text("speed", "\"ST-340\""),
        effective_length: reader.need("effective_length", "\"3.30 m\""),
        dwell_setpoint: reader.may_text("dwell_setpoint", "\"KIC-340-SP\""),
        proof: reader.may_table("proof", "[belt.proof]", |reader| RawProof {
            date: reader.need_text("date", "\"2026-09-14\""),
            by: reader.need_text("by", "\"day shift, line engineering\""),
        }),
    }
}

fn recipe_number(reader: &mut TableReader<'_, '_>) -> RawRecipeNumber {
    RawRecipeNumber {
        signal: reader.need_text("signal", "\"XI-393\""),
        numbers_given: reader.has("numbers"),
        numbers: reader
            .need_table("numbers", "[recipe-number.numbers]", |reader| reader.entries())
            .unwrap_or_default(),
        stations: reader.may("stations", "[\"oven\", \"fryer\"]"),
        changeover: reader.may_time("changeover", "\"20 min\""),
    }
}
