//! What a signal is called and what it is for: mostly guessed, by ISA-5.1 letters and by words in its name.

use super::meaning::Meaning;
use super::row::Field;
use super::sheet::Cells;
use super::{Facts, Notes};
use setward_protocol::{Dimension, Table, Unit};

pub(super) fn name(cells: &Cells<'_>, address: u16, table: Table) -> Field<String> {
    let clean = |text: &str| {
        text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect::<String>()
    };
    match (cells.get(Meaning::Name), cells.get(Meaning::Tag)) {
        (Some((_, text)), _) => Field::said(clean(text)),
        (None, Some((_, tag))) => Field::guessed(clean(tag), "there is no name; the tag stands for it"),
        (None, None) => Field::guessed(format!("{table} {address}"), "there is neither name nor tag"),
    }
}

/// The tag of the list; or one by ISA-5.1 letters, the unit and the address.
pub(super) fn tag(
    cells: &Cells<'_>,
    name: &str,
    unit: Unit,
    (address, bit): (u16, Option<u8>),
    notes: &mut Notes,
) -> Field<String> {
    if let Some((column, text)) = cells.get(Meaning::Tag) {
        let is_fine = |letter: char| letter.is_ascii_alphanumeric() || "-_.".contains(letter);
        let clean: String =
            text.chars().map(|letter| if is_fine(letter) { letter } else { '-' }).take(64).collect();
        if clean == text {
            return Field::said(clean);
        }
        let why = format!("`{text}` is no tag: up to 64 letters, digits, - _ .");
        notes.mended(cells.row, column, why, format!("written as {clean}"));
        return Field::guessed(clean, format!("`{text}` is no tag"));
    }
    let is_setpoint = is_setpoint(name);
    let letters = match unit.dimension() {
        Dimension::Temperature | Dimension::TemperatureDifference => "TT",
        Dimension::Pressure | Dimension::GaugePressure => "PT",
        Dimension::MassFlow | Dimension::VolumeFlow => "FT",
        Dimension::Mass => "WT",
        Dimension::Speed => "ST",
        Dimension::Current => "IT",
        Dimension::Power => "JT",
        Dimension::Density => "DT",
        Dimension::HeatTransfer | Dimension::HeatCapacity => "XT",
        Dimension::Time => "KI",
        Dimension::Bit => "XS",
        Dimension::Volume | Dimension::Length | Dimension::Share | Dimension::Number => "XI",
    };
    let address = bit.map_or_else(|| address.to_string(), |bit| format!("{address}.{bit}"));
    let tag = if is_setpoint { format!("{letters}-{address}-SP") } else { format!("{letters}-{address}") };
    Field::guessed(tag, "no tag; made of the unit's ISA-5.1 letters and the address")
}

fn is_setpoint(name: &str) -> bool {
    let name = name.to_lowercase();
    ["setpoint", "set point", "sollwert", "consigna"].iter().any(|word| name.contains(word))
        || name.ends_with(" sp")
}

/// Stations by words in the name.
pub(super) fn station(cells: &Cells<'_>, name: &str) -> Field<&'static str> {
    const STATIONS: [(&str, &[&str]); 11] = [
        ("kettle", &["kettle", "cook", "kessel"]),
        ("soak", &["soak", "steep"]),
        ("wash", &["wash"]),
        ("mill", &["mill", "masa"]),
        ("sheeter", &["sheeter", "cutter"]),
        ("oven", &["oven", "burner", "zone", "ofen"]),
        ("equilibrator", &["equilibrator", "proof"]),
        ("fryer", &["fryer", "oil", "fritteuse"]),
        ("cooling", &["cooling"]),
        ("seasoning", &["season"]),
        ("packing", &["pack", "bagger"]),
    ];
    let by_words = |text: &str| {
        let text = text.to_lowercase();
        STATIONS.iter().find(|(_, words)| words.iter().any(|word| text.contains(word))).map(|(key, _)| *key)
    };
    let listed = cells.get(Meaning::Station).map(|(_, text)| text);
    match (listed.and_then(by_words), by_words(name)) {
        (Some(station), _) => Field::said(station),
        (None, Some(station)) => Field::guessed(station, "by a word in the name"),
        (None, None) => Field::guessed("line", "nothing says the station"),
    }
}

pub(super) fn controller(cells: &Cells<'_>, facts: &Facts) -> Field<String> {
    let name = |text: &str| {
        let fine = |letter: char| letter.is_ascii_alphanumeric() || "-_.".contains(letter);
        text.chars().map(|letter| if fine(letter) { letter } else { '-' }).take(64).collect::<String>()
    };
    match cells.get(Meaning::Controller) {
        Some((_, text)) if cells.is_as_above => {
            Field::guessed(name(text), "its cell is empty: as the row above")
        }
        Some((_, text)) => Field::said(name(text)),
        None if cells.has(Meaning::Controller) => {
            Field::guessed(name(&facts.controller), "its cell is empty, and no row above names one")
        }
        None => Field::said(name(&facts.controller)),
    }
}

pub(super) fn role(cells: &Cells<'_>, name: &str, unit: Unit) -> Field<&'static str> {
    let lower = name.to_lowercase();
    let has = |words: &[&str]| words.iter().any(|word| lower.contains(word));
    let can_be_written =
        cells.get(Meaning::Access).is_some_and(|(_, text)| text.to_lowercase().contains('w'));
    if is_setpoint(name) {
        Field::guessed("setpoint", "by a word in the name")
    } else if unit == Unit::Bit
        || has(&["status", "alarm", "state", "mode", "step", "fault", "heartbeat", "counter"])
    {
        Field::guessed("status", if unit == Unit::Bit { "a bit" } else { "by a word in the name" })
    } else if has(&["output", "valve", "demand", "stellgr"]) {
        Field::guessed("output", "by a word in the name")
    } else if can_be_written {
        Field::guessed("setpoint", "it can be written")
    } else {
        Field::guessed("measured", "nothing says otherwise")
    }
}
