//! Registers: no two signals in the same place, and no value longer than its controller answers in one go.

use super::signals::label;
use crate::problem::Code;
use crate::raw::line::RawLine;
use crate::reader::Sink;
use setward_protocol::{Encoding, Table};
use std::collections::BTreeMap;
use std::fmt;

/// Who holds one register: a signal that takes all of it, or signals that take a bit each.
#[derive(Default)]
struct Occupant {
    whole: Option<usize>,
    bits: BTreeMap<u8, usize>,
}

/// Where a signal is, known also while something else about it is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Placed {
    pub(crate) controller: u16,
    pub(crate) table: Table,
    pub(crate) address: u16,
    pub(crate) encoding: Encoding,
}

impl Placed {
    fn words(self) -> u16 {
        if self.table.is_bits() { 1 } else { self.encoding.words() }
    }

    /// Which bit of its register the signal is; nothing for a whole register and for a bit table.
    fn bit_in_register(self) -> Option<u8> {
        if let Encoding::Bit(bit) = self.encoding
            && !self.table.is_bits()
        {
            return Some(bit);
        }
        None
    }
}

/// "holding 130 to 131", "holding 16 bit 3".
impl fmt::Display for Placed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (table, first) = (self.table, self.address);
        match self.bit_in_register() {
            Some(bit) => write!(f, "{table} {first} bit {bit}"),
            None if self.words() > 1 => {
                write!(f, "{table} {first} to {}", u32::from(first) + u32::from(self.words()) - 1)
            }
            None => write!(f, "{table} {first}"),
        }
    }
}

/// Reports every signal that shares registers with an earlier one. Different bits of one register are no overlap.
pub(crate) fn check(raw: &RawLine, places: &[Option<Placed>], sink: &mut Sink) {
    let mut occupants: BTreeMap<(u16, Table, u32), Occupant> = BTreeMap::new();
    for (index, placed) in places.iter().enumerate() {
        let Some(placed) = placed else { continue };
        too_long(index, *placed, raw, sink);
        let first = u32::from(placed.address);
        let mut taken_by = None;
        for address in first..first + u32::from(placed.words()) {
            let occupant = occupants.entry((placed.controller, placed.table, address)).or_default();
            taken_by = taken_by.or(occupant.take(index, *placed));
        }
        if let Some(earlier) = taken_by {
            report(index, earlier, raw, places, sink);
        }
    }
}

impl Occupant {
    /// Puts the signal here; the one that was here before, if they are in each other's way.
    fn take(&mut self, index: usize, placed: Placed) -> Option<usize> {
        let Some(bit) = placed.bit_in_register() else {
            let earlier = self.whole.or_else(|| self.bits.values().next().copied());
            self.whole = self.whole.or(Some(index));
            return earlier;
        };
        let earlier = self.whole.or_else(|| self.bits.get(&bit).copied());
        self.bits.entry(bit).or_insert(index);
        earlier
    }
}

fn report(index: usize, earlier: usize, raw: &RawLine, places: &[Option<Placed>], sink: &mut Sink) {
    let (Some(one), Some(other)) = (raw.signals.get(index), raw.signals.get(earlier)) else { return };
    let (Some(at), Some(other_at)) = (one.places.first(), other.places.first()) else { return };
    let (Some(Some(place)), Some(Some(other_place))) = (places.get(index), places.get(earlier)) else {
        return;
    };
    let message = format!("{} takes {place}, which {} holds already", label(one), label(other));
    let hint =
        "correct one of the two addresses; bits of one register need different `bit` numbers".to_owned();
    let also = format!("{} takes {other_place}", label(other));
    sink.report_pair(Code::Overlap, at.at, (message, hint), (other_at.at, also));
}

/// A value is never split over two requests.
fn too_long(index: usize, placed: Placed, raw: &RawLine, sink: &mut Sink) {
    let most = raw.controllers.get(usize::from(placed.controller)).and_then(|one| one.max_registers.as_ref());
    let (Some(most), Some(one)) = (most, raw.signals.get(index)) else { return };
    if !placed.table.is_bits() && i64::from(placed.words()) > most.value {
        let words = placed.words();
        let message = format!(
            "{} takes {words} registers, and its controller answers {} in one go",
            label(one),
            most.value
        );
        let at = one.places.first().map_or(one.at, |place| place.at);
        let hint = "raise `max_registers` of the controller, or read a shorter value".to_owned();
        sink.report_pair(Code::Place, at, (message, hint), (most.at, "its `max_registers`".to_owned()));
    }
}
