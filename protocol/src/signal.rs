//! Where a signal lives and how its words become a reading.
//!
//! Names, stations and wiring belong to the line file (crate `setward-config`); this is only what the wire needs.

use crate::encoding::{ByteOrder, EncodeError, Encoding, MAX_WORDS, Raw};
use crate::registers::{RegisterBlock, Table};
use crate::sample::{NoData, Reading};
use alloc::vec::Vec;

/// How far beyond an end of the range, as a share of it, a value may lie by rounding alone: more than half of what a 32-bit float
/// tells apart, far less than one count.
const ROUNDING: f64 = 1e-7;

/// Index of a signal in its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SignalId(pub u16);

impl SignalId {
    /// The index into the line's list of signals.
    #[must_use]
    #[inline]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// The registers a signal occupies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Place {
    /// Which table.
    pub table: Table,
    /// First address, 0-based.
    pub address: u16,
    /// How many registers (or, in a bit table, bits).
    pub words: u16,
}

/// A signal as the wire knows it: `value = raw * scale + offset`.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// Which table.
    pub table: Table,
    /// First address, 0-based.
    pub address: u16,
    /// Type of the number.
    pub encoding: Encoding,
    /// Order of registers and bytes.
    pub order: ByteOrder,
    /// Value per count; not zero.
    pub scale: f64,
    /// Value at count zero.
    pub offset: f64,
    /// Lowest and highest value the signal can have, in its unit.
    pub range: (f64, f64),
    /// Raw numbers by which the controller says that it has no value. Tested before scaling.
    pub no_value: Vec<i64>,
}

impl Signal {
    /// The registers the signal occupies.
    #[must_use]
    pub const fn place(&self) -> Place {
        let words = if self.table.is_bits() { 1 } else { self.encoding.words() };
        Place { table: self.table, address: self.address, words }
    }

    /// The words of this signal in `block`, if they are there.
    #[must_use]
    pub fn words<'a>(&self, block: &RegisterBlock<'a>) -> Option<&'a [u16]> {
        let place = self.place();
        block.words(place.table, place.address, place.words)
    }

    /// What `block` says about this signal. Words that are not there are no reply; words that make no number, or say
    /// "no value", are a sensor fault.
    #[must_use]
    pub fn decode(&self, block: &RegisterBlock<'_>) -> Reading {
        match self.words(block) {
            Some(words) => self.decode_words(words),
            None => Reading::Bad(NoData::NoReply),
        }
    }

    /// What these words say about this signal.
    #[must_use]
    pub fn decode_words(&self, words: &[u16]) -> Reading {
        let Some(raw) = self.raw(words) else { return Reading::Bad(NoData::SensorFault) };
        if let Raw::Whole(whole) = raw
            && self.no_value.iter().any(|code| i128::from(*code) == whole)
        {
            return Reading::Bad(NoData::SensorFault);
        }
        let value = raw.as_f64() * self.scale + self.offset;
        let (low, high) = self.range;
        if value >= low && value <= high {
            return Reading::Good(value);
        }
        beyond(value, self.range)
    }

    /// The number in these words before scaling, if they make one.
    #[must_use]
    pub fn raw(&self, words: &[u16]) -> Option<Raw> {
        // In a bit table the word is the bit; a bit number only means something inside a register.
        let encoding = if self.table.is_bits() { Encoding::Bit(0) } else { self.encoding };
        encoding.decode(words, self.order)
    }

    /// The words by which a controller would say `value`, in the first `place().words` places.
    ///
    /// # Errors
    /// When the value does not fit the encoding.
    pub fn encode(&self, value: f64) -> Result<[u16; MAX_WORDS], EncodeError> {
        let encoding = if self.table.is_bits() { Encoding::Bit(0) } else { self.encoding };
        encoding.encode(Raw::Float((value - self.offset) / self.scale), self.order)
    }
}

/// What a value that is not within its range is. Seven counts of 0.1 are a hair more than 0.7: full scale is good, and reads as full
/// scale.
#[cold]
fn beyond(value: f64, (low, high): (f64, f64)) -> Reading {
    let hair = low.abs().max(high.abs()) * ROUNDING;
    if !value.is_finite() {
        Reading::Bad(NoData::SensorFault)
    } else if value < low - hair || value > high + hair {
        Reading::Bad(NoData::OutOfRange)
    } else {
        Reading::Good(value.max(low).min(high))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec;

    fn fryer_inlet() -> Signal {
        Signal {
            table: Table::Holding,
            address: 100,
            encoding: Encoding::I16,
            order: ByteOrder::Abcd,
            scale: 0.1,
            offset: 0.0,
            range: (0.0, 250.0),
            no_value: vec![32_767, -32_768],
        }
    }

    fn check(signal: &Signal, words: &[u16], expected: Reading) {
        let block = RegisterBlock::new(signal.table, signal.address, words.len() as u16, words).unwrap();
        assert_eq!(signal.decode(&block), expected);
    }

    #[test]
    fn scaled_counts_become_degrees() {
        check(&fryer_inlet(), &[1820], Reading::Good(182.0));
    }

    #[test]
    fn a_broken_probe_is_a_fault_never_a_temperature() {
        check(&fryer_inlet(), &[32_767], Reading::Bad(NoData::SensorFault));
        check(&fryer_inlet(), &[0x8000], Reading::Bad(NoData::SensorFault));
    }

    #[test]
    fn beyond_the_range_is_bad() {
        check(&fryer_inlet(), &[2501], Reading::Bad(NoData::OutOfRange));
        check(&fryer_inlet(), &[0xFFFF], Reading::Bad(NoData::OutOfRange));
    }

    #[test]
    fn full_scale_is_good_where_scaling_rounds_it_beyond_the_range() {
        let signal = Signal { range: (-0.7, 0.7), no_value: vec![], ..fryer_inlet() };
        check(&signal, &[7], Reading::Good(0.7));
        check(&signal, &[0xFFF9], Reading::Good(-0.7));
        check(&signal, &[8], Reading::Bad(NoData::OutOfRange));
        // 0.1 as a 32-bit float is a hair more than 0.1.
        let float = Signal { encoding: Encoding::F32, scale: 1.0, range: (0.0, 0.1), ..signal };
        check(&float, &[0x3DCC, 0xCCCD], Reading::Good(0.1));
    }

    #[test]
    fn a_float_that_is_not_a_number_is_a_fault() {
        let flow = Signal { encoding: Encoding::F32, scale: 1.0, no_value: vec![], ..fryer_inlet() };
        check(&flow, &[0x7FC0, 0x0000], Reading::Bad(NoData::SensorFault));
        check(&flow, &[0x7F80, 0x0000], Reading::Bad(NoData::SensorFault));
    }

    #[test]
    fn words_of_another_block_are_no_reply() {
        let block = RegisterBlock::new(Table::Holding, 0, 1, &[1820]).unwrap();
        assert_eq!(fryer_inlet().decode(&block), Reading::Bad(NoData::NoReply));
    }

    #[test]
    fn twelve_bit_counts_scale_about_an_offset() {
        let level = Signal {
            encoding: Encoding::U16,
            scale: 0.048_84,
            offset: -100.0,
            range: (-100.0, 100.01),
            no_value: vec![],
            ..fryer_inlet()
        };
        check(&level, &[0], Reading::Good(-100.0));
        check(&level, &[4095], Reading::Good(4095.0 * 0.048_84 - 100.0));
        assert_eq!(level.encode(0.0).unwrap()[0], 2048);
    }

    #[test]
    fn a_bit_table_gives_the_bit_itself() {
        let flame = Signal {
            table: Table::Discrete,
            encoding: Encoding::Bit(0),
            scale: 1.0,
            range: (0.0, 1.0),
            ..fryer_inlet()
        };
        check(&flame, &[1], Reading::Good(1.0));
        assert_eq!(flame.encode(1.0).unwrap()[0], 1);
    }
}
