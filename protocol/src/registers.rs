//! A checked view of the registers or bits that one read returned.
//!
//! [`RegisterBlock::new`] refuses an answer of the wrong length; after that no accessor panics: an address outside the
//! block is `None`.

use core::fmt;

/// The four tables of a Modbus device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// Output bits, function code 01.
    Coil,
    /// Input bits, function code 02.
    Discrete,
    /// Holding registers, function code 03.
    Holding,
    /// Input registers, function code 04.
    Input,
}

impl Table {
    /// The function code that reads this table.
    #[must_use]
    pub const fn read_function(self) -> u8 {
        match self {
            Self::Coil => 1,
            Self::Discrete => 2,
            Self::Holding => 3,
            Self::Input => 4,
        }
    }

    /// Whether the table holds single bits rather than 16-bit registers.
    #[must_use]
    pub const fn is_bits(self) -> bool {
        matches!(self, Self::Coil | Self::Discrete)
    }

    /// The word a person uses for the table.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Coil => "coil",
            Self::Discrete => "discrete",
            Self::Holding => "holding",
            Self::Input => "input",
        }
    }

    /// The six-digit number that drawings print for the 0-based `address`: 400101 for holding 100.
    #[must_use]
    pub const fn printed_number(self, address: u16) -> u32 {
        let first = match self {
            Self::Coil => 0,
            Self::Discrete => 100_000,
            Self::Input => 300_000,
            Self::Holding => 400_000,
        };
        first + address as u32 + 1
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A run of addresses in one table: `first ..= last`, 0-based.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct RegisterSpan {
    /// The table.
    pub table: Table,
    /// First address, 0-based.
    pub first: u16,
    /// Last address, 0-based, included.
    pub last: u16,
}

/// The answer to one read: `words.len()` registers (or bits, one a word, 0 or 1) from `start` on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RegisterBlock<'a> {
    table: Table,
    start: u16,
    words: &'a [u16],
}

impl<'a> RegisterBlock<'a> {
    /// A view of an answer to a read of `count` from `start`.
    ///
    /// # Errors
    /// The number of words found, when it is not the number asked for.
    pub fn new(table: Table, start: u16, count: u16, words: &'a [u16]) -> Result<Self, usize> {
        if words.len() == usize::from(count) { Ok(Self { table, start, words }) } else { Err(words.len()) }
    }

    /// The table that was read.
    #[must_use]
    pub const fn table(&self) -> Table {
        self.table
    }

    /// `count` words from the 0-based `address` on, if the block holds them all.
    #[must_use]
    pub fn words(&self, table: Table, address: u16, count: u16) -> Option<&'a [u16]> {
        if table != self.table {
            return None;
        }
        let first = usize::from(address.checked_sub(self.start)?);
        self.words.get(first..first.checked_add(usize::from(count))?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_of_another_length_is_refused() {
        assert_eq!(RegisterBlock::new(Table::Holding, 107, 3, &[1, 2]), Err(2));
        assert_eq!(RegisterBlock::new(Table::Holding, 107, 3, &[1, 2, 3, 4]), Err(4));
    }

    #[test]
    fn addresses_outside_the_block_are_absent() {
        let block = RegisterBlock::new(Table::Holding, 107, 3, &[555, 0, 100]).unwrap();
        assert_eq!(block.words(Table::Holding, 107, 3), Some(&[555, 0, 100][..]));
        assert_eq!(block.words(Table::Holding, 109, 1), Some(&[100][..]));
        assert_eq!(block.words(Table::Holding, 109, 2), None);
        assert_eq!(block.words(Table::Holding, 106, 1), None);
        assert_eq!(block.words(Table::Input, 107, 1), None);
    }

    #[test]
    fn drawings_print_one_more_than_the_wire_carries() {
        assert_eq!(Table::Holding.printed_number(100), 400_101);
        assert_eq!(Table::Input.printed_number(1010), 301_011);
        assert_eq!(Table::Discrete.printed_number(11), 100_012);
        assert_eq!(Table::Coil.printed_number(0), 1);
    }
}
