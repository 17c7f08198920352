//! What the controllers' registers hold, written with the same encodings by which the supervisor decodes them.
//!
//! Only addresses that the line file occupies or declares readable exist. Bits that share a word are merged. Signals that
//! are computed from others have no registers.

use crate::active::{ActiveFaults, Override};
use setward_config::line::{Line, Meaning};
use setward_protocol::encoding::MAX_WORDS;
use setward_protocol::{Encoding, Place, Raw, Reading, Signal, SignalId, Table};
use std::collections::BTreeSet;
use std::time::Duration;

/// The tables of one controller: addresses in their order, each with its word.
#[derive(Debug, Clone, Default)]
struct Tables {
    addresses: Vec<(Table, u16)>,
    words: Vec<u16>,
}

#[derive(Debug, Clone)]
struct Entry {
    controller: usize,
    wire: Signal,
    /// Place of its first word in the controller's tables.
    first: usize,
    /// Bits of a word that are its own.
    mask: u16,
    heartbeat: bool,
}

/// The registers of every controller.
#[derive(Debug, Clone)]
pub(crate) struct Image {
    controllers: Vec<Tables>,
    entries: Vec<Option<Entry>>,
}

impl Tables {
    fn new(addresses: BTreeSet<(Table, u16)>) -> Self {
        let addresses: Vec<_> = addresses.into_iter().collect();
        let words = vec![0; addresses.len()];
        Self { addresses, words }
    }

    fn place_of(&self, table: Table, address: u16) -> Option<usize> {
        self.addresses.binary_search(&(table, address)).ok()
    }

    /// `count` words from `first` on; `None` if one of them doesn't exist.
    fn read(&self, table: Table, first: u16, count: u16) -> Option<&[u16]> {
        let last = first.checked_add(count.checked_sub(1)?)?;
        let (from, to) = (self.place_of(table, first)?, self.place_of(table, last)?);
        // Addresses are in order, each once: without a hole the last stands as far behind the first as it is higher.
        (to - from == usize::from(last - first)).then(|| self.words.get(from..=to)).flatten()
    }
}

impl Image {
    /// Every address of `line`, all zero.
    pub(crate) fn new(line: &Line) -> Self {
        let mut addresses: Vec<BTreeSet<(Table, u16)>> = vec![BTreeSet::new(); line.controllers.len()];
        for (own, controller) in addresses.iter_mut().zip(&line.controllers) {
            for span in &controller.readable {
                own.extend((span.first..=span.last).map(|address| (span.table, address)));
            }
        }
        for register in line.signals.iter().filter_map(|signal| signal.register()) {
            if let Some(own) = addresses.get_mut(register.controller.index()) {
                own.extend(addresses_of(register.wire.place()));
            }
        }
        let controllers: Vec<_> = addresses.into_iter().map(Tables::new).collect();
        let entry = |signal: &setward_config::line::LineSignal| {
            let register = signal.register()?;
            let wire = register.wire.clone();
            let controller = register.controller.index();
            let first = controllers.get(controller)?.place_of(wire.table, wire.address)?;
            let heartbeat = signal.means == Some(Meaning::Heartbeat);
            Some(Entry { controller, first, mask: mask_of(&wire), wire, heartbeat })
        };
        let entries = line.signals.iter().map(entry).collect();
        Self { controllers, entries }
    }

    /// Writes what every signal's instrument says, in the order of the line, as far as no fault forbids at `now`.
    pub(crate) fn refresh(
        &mut self,
        sensed: impl Iterator<Item = f64>,
        faults: &ActiveFaults,
        now: Duration,
    ) {
        for ((id, entry), value) in (0..=u16::MAX).map(SignalId).zip(&self.entries).zip(sensed) {
            let Some(entry) = entry else { continue };
            let words = match faults.instead(id, entry.controller, now) {
                None => words_for(&entry.wire, value),
                // Not held to the range: a wrong register may say anything.
                Some(Override::Shows(shown)) => {
                    entry.wire.encode(shown).unwrap_or_else(|_| words_when_broken(&entry.wire))
                }
                Some(Override::Broken) => words_when_broken(&entry.wire),
                Some(Override::Frozen) => continue,
                // A program that starts again counts from the beginning while its other words are still empty.
                Some(Override::Zeroed) if entry.heartbeat => words_for(&entry.wire, value),
                Some(Override::Zeroed) => [0; MAX_WORDS],
            };
            if let Some(tables) = self.controllers.get_mut(entry.controller) {
                let own = usize::from(entry.wire.place().words);
                for (old, word) in tables.words.iter_mut().skip(entry.first).zip(words).take(own) {
                    *old = (*old & !entry.mask) | (word & entry.mask);
                }
            }
        }
    }

    /// `count` words from the 0-based `first` on; `None` if the controller lacks any of them.
    pub(crate) fn read(&self, controller: usize, table: Table, first: u16, count: u16) -> Option<Vec<u16>> {
        Some(self.controllers.get(controller)?.read(table, first, count)?.to_vec())
    }

    /// What the register of a signal says.
    pub(crate) fn reading(&self, signal: SignalId) -> Option<Reading> {
        let entry = self.entries.get(signal.index())?.as_ref()?;
        let own = entry.first..entry.first + usize::from(entry.wire.place().words);
        let words = self.controllers.get(entry.controller)?.words.get(own)?;
        Some(entry.wire.decode_words(words))
    }
}

fn addresses_of(place: Place) -> impl Iterator<Item = (Table, u16)> {
    (0..place.words).filter_map(move |offset| Some((place.table, place.address.checked_add(offset)?)))
}

/// A bit owns one bit of its word and leaves the others as they are.
fn mask_of(wire: &Signal) -> u16 {
    match wire.encoding {
        Encoding::Bit(_) if !wire.table.is_bits() => {
            // Where the order swaps the bytes of the word, the bit stands in the other one.
            wire.encoding.encode(Raw::Whole(1), wire.order).map_or(0, |[word, ..]| word)
        }
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
