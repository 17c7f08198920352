//! Registers: no two signals in the same place, and no value longer than its controller answers in one go.

use super::signals::label;
use crate::line::LineSignal;
use crate::problem::Code;
use crate::raw::line::RawLine;
use crate::reader::Sink;
use setward_protocol::{Encoding, Table};
use std::collections::BTreeMap;

/// Who holds one register: a signal that takes all of it, or signals that take a bit each.
#[derive(Default)]
struct Occupant {
    whole: Option<usize>,
    bits: BTreeMap<u8, usize>,
}

/// Reports every signal that shares registers with an earlier one. Different bits of one register are no overlap.
pub(crate) fn check(raw: &RawLine, signals: &[Option<LineSignal>], sink: &mut Sink) {
    let mut occupants: BTreeMap<(u16, Table, u32), Occupant> = BTreeMap::new();
    for (index, signal) in signals.iter().enumerate() {
        let Some(signal) = signal else { continue };
        too_long(index, signal, raw, sink);
        let place = signal.wire.place();
        let first = u32::from(place.address);
        let mut taken_by = None;
        for address in first..first + u32::from(place.words) {
            let occupant = occupants.entry((signal.controller.0, place.table, address)).or_default();
            taken_by = taken_by.or(occupant.take(index, signal));
        }
        if let Some(earlier) = taken_by {
            report(index, earlier, raw, signals, sink);
        }
    }
}

impl Occupant {
    /// Puts the signal here; the one that was here before, if they are in each other's way.
    fn take(&mut self, index: usize, signal: &LineSignal) -> Option<usize> {
        let Some(bit) = bit_in_register(signal) else {
            let earlier = self.whole.or_else(|| self.bits.values().next().copied());
            self.whole = self.whole.or(Some(index));
            return earlier;
        };
        let earlier = self.whole.or_else(|| self.bits.get(&bit).copied());
        self.bits.entry(bit).or_insert(index);
        earlier
    }
}

fn report(index: usize, earlier: usize, raw: &RawLine, signals: &[Option<LineSignal>], sink: &mut Sink) {
    let (Some(one), Some(other)) = (raw.signals.get(index), raw.signals.get(earlier)) else { return };
    let (Some(at), Some(other_at)) = (one.places.first(), other.places.first()) else { return };
    let place =
        |index: usize| signals.get(index).and_then(Option::as_ref).map_or_else(String::new, place_text);
    let message = format!("{} takes {}, which {} holds already", label(one), place(index), label(other));
    let hint =
        "correct one of the two addresses; bits of one register need different `bit` numbers".to_owned();
    let also = format!("{} takes {}", label(other), place(earlier));
    sink.report_pair(Code::Overlap, at.at, (message, hint), (other_at.at, also));
}

/// "holding 130 to 131", "holding 16 bit 3".
fn place_text(signal: &LineSignal) -> String {
    let place = signal.wire.place();
    let (table, first) = (place.table, place.address);
    match bit_in_register(signal) {
        Some(bit) => format!("{table} {first} bit {bit}"),
        None if place.words > 1 => {
            format!("{table} {first} to {}", u32::from(first) + u32::from(place.words) - 1)
        }
        None => format!("{table} {first}"),
    }
}

/// Which bit of its register the signal is; nothing for a whole register and for a bit table.
fn bit_in_register(signal: &LineSignal) -> Option<u8> {
    if let Encoding::Bit(bit) = signal.wire.encoding
        && !signal.wire.table.is_bits()
    {
        return Some(bit);
    }
    None
}

/// A value is never split over two requests.
fn too_long(index: usize, signal: &LineSignal, raw: &RawLine, sink: &mut Sink) {
    let place = signal.wire.place();
    let most =
        raw.controllers.get(usize::from(signal.controller.0)).and_then(|one| one.max_registers.as_ref());
    let (Some(most), Some(one)) = (most, raw.signals.get(index)) else { return };
    if !place.table.is_bits() && i64::from(place.words) > most.value {
        let message = format!(
            "{} takes {} registers, and its controller answers {} in one go",
            label(one),
            place.words,
            most.value
        );
        let at = one.places.first().map_or(one.at, |place| place.at);
        let hint = "raise `max_registers` of the controller, or read a shorter value".to_owned();
        sink.report_pair(Code::Place, at, (message, hint), (most.at, "its `max_registers`".to_owned()));
    }
}
