//! What the controllers' registers hold, written with the same encodings by which the supervisor decodes them.
//!
//! Only addresses that the line file occupies or declares readable exist. Bits that share a word are merged.

use crate::active::{ActiveFaults, Override};
use setward_config::line::Line;
use setward_protocol::encoding::MAX_WORDS;
use setward_protocol::{Encoding, Place, Raw, Reading, Signal, SignalId, Table};
use std::collections::BTreeMap;

/// The tables of one controller.
type Tables = BTreeMap<(Table, u16), u16>;

#[derive(Debug, Clone)]
struct Entry {
    controller: usize,
    wire: Signal,
}

/// The registers of every controller.
#[derive(Debug, Clone)]
pub(crate) struct Image {
    controllers: Vec<Tables>,
    entries: Vec<Option<Entry>>,
}

impl Image {
    /// Every address of `line`, all zero.
    pub(crate) fn new(line: &Line) -> Self {
        let mut controllers: Vec<Tables> = vec![Tables::new(); line.controllers.len()];
        for (tables, controller) in controllers.iter_mut().zip(&line.controllers) {
            for span in &controller.readable {
                tables.extend((span.first..=span.last).map(|address| ((span.table, address), 0)));
            }
        }
        for signal in &line.signals {
            let Some(register) = signal.register() else { continue };
            if let Some(tables) = controllers.get_mut(register.controller.index()) {
                tables.extend(addresses(register.wire.place()).map(|address| (address, 0)));
            }
        }
        let entries = line
            .signals
            .iter()
            .map(|signal| {
                let register = signal.register()?;
                Some(Entry { controller: register.controller.index(), wire: register.wire.clone() })
            })
            .collect();
        Self { controllers, entries }
    }

    /// Writes what every signal's instrument says, in the order of the line, as far as no fault forbids.
    pub(crate) fn refresh(&mut self, sensed: impl Iterator<Item = f64>, faults: &ActiveFaults) {
        for ((id, entry), value) in (0..=u16::MAX).map(SignalId).zip(&self.entries).zip(sensed) {
            let Some(entry) = entry else { continue };
            let words = match faults.instead(id, entry.controller) {
                None => words_for(&entry.wire, value),
                Some(Override::Broken) => words_when_broken(&entry.wire),
                Some(Override::Frozen) => continue,
            };
            if let Some(tables) = self.controllers.get_mut(entry.controller) {
                write(tables, &entry.wire, words);
            }
        }
    }

    /// `count` words from the 0-based `first` on; `None` if the controller lacks any of them.
    pub(crate) fn read(&self, controller: usize, table: Table, first: u16, count: u16) -> Option<Vec<u16>> {
        let tables = self.controllers.get(controller)?;
        (0..count).map(|offset| tables.get(&(table, first.checked_add(offset)?)).copied()).collect()
    }

    /// What the register of a signal says.
    pub(crate) fn reading(&self, signal: SignalId) -> Option<Reading> {
        let entry = self.entries.get(signal.index())?.as_ref()?;
        let place = entry.wire.place();
        let words = self.read(entry.controller, place.table, place.address, place.words)?;
        Some(entry.wire.decode_words(&words))
    }
}

fn addresses(place: Place) -> impl Iterator<Item = (Table, u16)> {
    (0..place.words).filter_map(move |offset| Some((place.table, place.address.checked_add(offset)?)))
}

fn write(tables: &mut Tables, wire: &Signal, words: [u16; MAX_WORDS]) {
    // A bit owns one bit of its word and leaves the others as they are.
    let mask = match wire.encoding {
        Encoding::Bit(bit) if !wire.table.is_bits() => 1_u16.checked_shl(u32::from(bit)).unwrap_or_default(),
        Encoding::Bit(_)
        | Encoding::U16
        | Encoding::I16
        | Encoding::U32
        | Encoding::I32
        | Encoding::U64
        | Encoding::I64
        | Encoding::F32
        | Encoding::F64
        | Encoding::Bcd4
        | Encoding::Bcd8 => u16::MAX,
    };
    for (address, word) in addresses(wire.place()).zip(words) {
        let old = tables.entry(address).or_default();
        *old = (*old & !mask) | (word & mask);
    }
}

/// The words for `value`. A transmitter stops at the ends of its range, and so does this.
fn words_for(wire: &Signal, value: f64) -> [u16; MAX_WORDS] {
    let (low, high) = wire.range;
    // Not `clamp`, which panics on a range that is upside down.
    let within = value.max(low).min(high);
    wire.encode(within).unwrap_or_else(|_| words_when_broken(wire))
}

/// How the controller says that the sensor is broken: by its first "no value" code, by a float that is no number, by
/// an open contact, or by driving to the end of the range.
fn words_when_broken(wire: &Signal) -> [u16; MAX_WORDS] {
    let raw = match (wire.no_value.first(), wire.encoding) {
        _ if wire.table.is_bits() => Raw::Whole(0),
        (_, Encoding::Bit(_)) => Raw::Whole(0),
        (_, Encoding::F32 | Encoding::F64) => Raw::Float(f64::NAN),
        (Some(code), _) => Raw::Whole(i128::from(*code)),
        (None, _) => Raw::Float((wire.range.1 - wire.offset) / wire.scale),
    };
    let encoding = if wire.table.is_bits() { Encoding::Bit(0) } else { wire.encoding };
    // What fits neither way is shown as all ones, as an input card at its end would.
    encoding.encode(raw, wire.order).unwrap_or([u16::MAX; MAX_WORDS])
}
