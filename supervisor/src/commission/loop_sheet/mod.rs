//! Loop sheets: for each signal what to inject at its terminals, what must be read then, and room for what was read; for
//! each alarm how to bring it about. To be printed, filled in by hand and signed.
//!
//! Figures come from the line file alone. Where it does not say what is needed (a transmitter's range, the accuracy that
//! is asked for), the sheet says what it assumed.

mod alarms;
mod csv;
mod html;
mod injection;

use super::cautions::CAUTIONS;
pub use alarms::AlarmCheck;
pub use injection::{Injection, Sensor};
use serde::Serialize;
use setward_config::line::{Line, LineSignal, Origin, Register, Wiring};
use setward_protocol::ControllerId;

/// Points of the range that are checked, percent.
pub const POINTS_PERCENT: [f64; 5] = [0.0, 25.0, 50.0, 75.0, 100.0];

/// A line's loop sheets.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LoopSheets {
    /// Version of this report's form.
    pub schema_version: u32,
    /// The line's name.
    pub line: String,
    /// The plant's name.
    pub plant: String,
    /// When they were made, RFC 3339.
    pub made_utc: String,
    /// Version of the program.
    pub setward_version: &'static str,
    /// SHA-256 of the line folder.
    pub configuration_sha256: String,
    /// Accuracy that is asked of a loop, percent of the span.
    pub tolerance_percent: f64,
    /// What a reader must know.
    pub cautions: [&'static str; 8],
    /// Signals with a register, in the order of the files.
    pub signals: Vec<SignalSheet>,
    /// Signals without one: entered by people, or computed.
    pub without_injection: Vec<Uninjected>,
    /// Alarms of the files.
    pub alarms: Vec<AlarmCheck>,
    /// Alarms that each signal and controller has by itself.
    pub automatic_alarms: Vec<AlarmCheck>,
}

/// One signal's sheet.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SignalSheet {
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// Its station's name.
    pub station: String,
    /// Its role.
    pub role: &'static str,
    /// Its controller.
    pub controller: String,
    /// Which table.
    pub table: &'static str,
    /// First address, 0-based.
    pub address: u16,
    /// What a drawing prints for it.
    pub number: u32,
    /// Type, order, scale and offset in words.
    pub encoding: String,
    /// Unit of its value.
    pub unit: &'static str,
    /// Lowest and highest.
    pub range: (f64, f64),
    /// Codes that mean "no value".
    pub no_value: Vec<i64>,
    /// Where a technician finds it.
    pub wiring: SheetWiring,
    /// Whether it is wired yet.
    pub commissioned: bool,
    /// What its sensor is, as far as the files say.
    pub sensor: Sensor,
    /// What was assumed, and what to mind.
    pub notes: Vec<String>,
    /// The points to check.
    pub points: Vec<Point>,
}

/// The wiring of the line file.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct SheetWiring {
    /// The instrument.
    pub sensor: Option<String>,
    /// Card and channel.
    pub channel: Option<String>,
    /// Terminals.
    pub terminals: Option<String>,
    /// Drawing and sheet.
    pub drawing: Option<String>,
    /// Where to stand to touch it.
    pub location: Option<String>,
}

/// A point to check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Point {
    /// Where in the range, percent; or, for a code or bit, `None`.
    pub percent: Option<f64>,
    /// What to inject, if the sensor says it.
    pub inject: Option<Injection>,
    /// What must be read.
    pub expected: f64,
    /// The word for it, of a code.
    pub expected_word: Option<String>,
    /// How far off may be read, in the unit.
    pub tolerance: f64,
    /// The number in the register.
    pub raw: String,
    /// Its words, in hexadecimal.
    pub raw_hex: String,
}

/// A signal that nothing is injected for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Uninjected {
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// Its station's name.
    pub station: String,
    /// Where its value comes from instead.
    pub origin: &'static str,
}

impl LoopSheets {
    /// The sheets of `line`, made at `made_utc`, with `tolerance_percent` of the span asked of each loop.
    #[must_use]
    pub fn new(line: &Line, made_utc: String, tolerance_percent: f64) -> Self {
        let wired = line.signals.iter().filter_map(|signal| Some((signal, signal.register()?)));
        let (automatic_alarms, alarms) =
            line.alarms.iter().map(|alarm| AlarmCheck::new(line, alarm)).partition(|alarm| alarm.automatic);
        Self {
            schema_version: 1,
            line: line.name.clone(),
            plant: line.plant.clone(),
            made_utc,
            setward_version: env!("CARGO_PKG_VERSION"),
            configuration_sha256: line.fingerprint.clone(),
            tolerance_percent,
            cautions: CAUTIONS,
            signals: wired
                .map(|(signal, register)| sheet(line, signal, register, tolerance_percent))
                .collect(),
            without_injection: line.signals.iter().filter_map(|signal| uninjected(line, signal)).collect(),
            alarms,
            automatic_alarms,
        }
    }
}

fn uninjected(line: &Line, signal: &LineSignal) -> Option<Uninjected> {
    let origin = match &signal.origin {
        Origin::Register(_) => return None,
        Origin::Derived(_) => "computed from other signals",
        Origin::Entered => "entered by a person",
        Origin::Followed(_) => "follows from entries and tanks",
    };
    Some(Uninjected {
        tag: signal.tag.clone(),
        name: signal.name.clone(),
        station: line.station(signal.station).name.clone(),
        origin,
    })
}

fn sheet(line: &Line, signal: &LineSignal, register: &Register, tolerance_percent: f64) -> SignalSheet {
    let wire = &register.wire;
    let wiring = &signal.wiring;
    let sensor = Sensor::of(signal);
    SignalSheet {
        tag: signal.tag.clone(),
        name: signal.name.clone(),
        station: line.station(signal.station).name.clone(),
        role: signal.role.name(),
        controller: controller_name(line, register.controller),
        table: wire.table.name(),
        address: wire.address,
        number: wire.table.printed_number(wire.address),
        encoding: encoding(register),
        unit: signal.unit.display(),
        range: signal.range,
        no_value: wire.no_value.clone(),
        wiring: sheet_wiring(wiring),
        commissioned: signal.commissioned,
        notes: injection::notes(signal, sensor),
        points: injection::points(signal, register, sensor, tolerance_percent),
        sensor,
    }
}

fn controller_name(line: &Line, id: ControllerId) -> String {
    line.controller(id).name.clone()
}

fn encoding(register: &Register) -> String {
    let wire = &register.wire;
    if wire.table.is_bits() {
        return "a bit".to_owned();
    }
    let mut text = match wire.encoding {
        setward_protocol::Encoding::Bit(bit) => format!("bit {bit}"),
        setward_protocol::Encoding::U16
        | setward_protocol::Encoding::I16
        | setward_protocol::Encoding::U32
        | setward_protocol::Encoding::I32
        | setward_protocol::Encoding::U64
        | setward_protocol::Encoding::I64
        | setward_protocol::Encoding::F32
        | setward_protocol::Encoding::F64
        | setward_protocol::Encoding::Bcd4
        | setward_protocol::Encoding::Bcd8 => wire.encoding.name().to_owned(),
    };
    if wire.encoding.words() > 1 {
        text.push_str(&format!(" {}", wire.order.name()));
    }
    if wire.scale != 1.0 {
        text.push_str(&format!(", \u{d7} {}", wire.scale));
    }
    if wire.offset != 0.0 {
        text.push_str(&format!(", offset {}", wire.offset));
    }
    text
}

fn sheet_wiring(wiring: &Wiring) -> SheetWiring {
    let Wiring { sensor, channel, terminals, drawing, location } = wiring.clone();
    SheetWiring { sensor, channel, terminals, drawing, location }
}

#[cfg(test)]
mod tests;
