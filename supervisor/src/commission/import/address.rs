//! Addresses in every notation: counted from 0 or 1, printed as 4xxxx, hexadecimal, with a bit behind.

use super::Notes;
use super::sheet::{Meaning, Sheet};
use setward_protocol::Table;

/// How a list writes its addresses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Notation {
    /// As drawings print them: 40101, 300011.
    Printed,
    /// Hexadecimal, counted from 0.
    Hex,
    /// Plain, counted from this.
    Plain {
        /// 0 or 1.
        base: u8,
    },
}

/// What a cell holds, before the list's notation is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Token {
    number: u32,
    is_hex: bool,
    /// It is hexadecimal by its letters alone, without a mark: `abc`, and not `0xabc` or `abch`.
    is_unmarked: bool,
    table: Option<Table>,
    bit: Option<u8>,
}

/// An address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Address {
    /// The table, where the notation says it.
    pub(super) table: Option<Table>,
    /// 0-based.
    pub(super) address: u16,
    /// The bit behind it.
    pub(super) bit: Option<u8>,
}

/// Letters in front of an address that name its table.
const PREFIXES: [(&str, Table); 8] = [
    ("hr", Table::Holding),
    ("ir", Table::Input),
    ("%mw", Table::Holding),
    ("mw", Table::Holding),
    ("4x", Table::Holding),
    ("3x", Table::Input),
    ("di", Table::Discrete),
    ("co", Table::Coil),
];

fn token(text: &str) -> Option<Token> {
    let text = text.trim().to_lowercase();
    let (text, table) = PREFIXES
        .iter()
        .find_map(|(prefix, table)| {
            text.strip_prefix(prefix).map(|rest| (rest.trim().to_owned(), Some(*table)))
        })
        .unwrap_or((text, None));
    let (number, bit) = match text.split_once(['.', '/', ':']) {
        Some((number, bit)) => (number.to_owned(), Some(bit.trim().parse::<u8>().ok()?)),
        None => (text, None),
    };
    let digits = number.trim().replace(['\u{a0}', ' ', '\''], "");
    let hex =
        digits.strip_prefix("0x").or_else(|| digits.strip_prefix("16#")).or_else(|| digits.strip_suffix('h'));
    let has_letters = digits.chars().any(|letter| letter.is_ascii_alphabetic());
    let is_unmarked = hex.is_none() && has_letters;
    let (number, is_hex) = match hex {
        Some(hex) => (u32::from_str_radix(hex, 16).ok()?, true),
        None if has_letters => (u32::from_str_radix(&digits, 16).ok()?, true),
        None => (digits.parse().ok()?, false),
    };
    Some(Token { number, is_hex, is_unmarked, table, bit })
}

/// Table and 0-based address of a number as drawings print it.
fn printed(number: u32) -> Option<(Table, u16)> {
    let of = |table, first: u32| Some((table, u16::try_from(number - first).ok()?));
    match number {
        10_001..=19_999 => of(Table::Discrete, 10_001),
        30_001..=39_999 => of(Table::Input, 30_001),
        40_001..=49_999 => of(Table::Holding, 40_001),
        100_001..=165_536 => of(Table::Discrete, 100_001),
        300_001..=365_536 => of(Table::Input, 300_001),
        400_001..=465_536 => of(Table::Holding, 400_001),
        _ => None,
    }
}

/// Coils are printed as 00001 on, with the zeros: a plain 1 is none.
fn is_printed_coil(text: &str) -> bool {
    let number = text.split(['.', '/', ':']).next().unwrap_or_default().trim();
    let is_number = number.chars().all(|letter| letter.is_ascii_digit());
    is_number && matches!(number.len(), 5 | 6) && number.starts_with('0') && number.parse() != Ok(0_u32)
}

impl Notation {
    /// What most cells of the list look like.
    pub(super) fn of(sheet: &Sheet, base: Option<u8>, notes: &mut Notes) -> Self {
        let header = sheet.header(Meaning::Address).to_owned();
        let tokens: Vec<Token> = sheet.rows().filter_map(|row| token(row.get(Meaning::Address)?.1)).collect();
        let hex = tokens.iter().filter(|token| token.is_hex).count();
        let plain = || tokens.iter().filter(|token| !token.is_hex && token.table.is_none());
        let four = plain()
            .filter(|token| printed(token.number).is_some_and(|(table, _)| table != Table::Discrete))
            .count();
        if hex * 2 > tokens.len() {
            notes.guess(
                None,
                &header,
                "hexadecimal, counted from 0",
                format!("{hex} of {} addresses are", tokens.len()),
            );
            return Self::Hex;
        }
        if base.is_none() && four * 2 > tokens.len() {
            notes.guess(
                None,
                &header,
                "numbers of drawings: 4xxxx holding, 3xxxx input; the address is one less",
                format!("{four} of {} look like that", tokens.len()),
            );
            return Self::Printed;
        }
        let (base, why) = plain_base(&header, base, plain().any(|token| token.number == 0));
        if let Some(why) = why {
            notes.guess(None, &header, format!("counted from {base}"), why);
        }
        Self::Plain { base }
    }

    /// The address in a cell.
    pub(super) fn read(self, text: &str) -> Result<Address, String> {
        let Some(Token { number, is_hex, is_unmarked, table, bit }) = token(text) else {
            return Err(format!("`{text}` is no address; an address is 100, 0x64, 40101 or 40101.3"));
        };
        // A word such as `bad` is a number too, for a list that is hexadecimal throughout.
        if is_unmarked && self != Self::Hex {
            return Err(format!(
                "`{text}` has letters and is not marked as hexadecimal, and the other rows have none: write 0x before it, or \
                 is it no address?"
            ));
        }
        let zero_based = match self {
            _ if table.is_some() || is_hex => Ok((table, number)),
            Self::Printed => match printed(number) {
                Some((table, address)) => Ok((Some(table), u32::from(address))),
                None if is_printed_coil(text) => Ok((Some(Table::Coil), number - 1)),
                None if number < 10_000 => Err(format!(
                    "`{text}` is no 4xxxx or 3xxxx, and the other rows are: one list, one notation"
                )),
                None => {
                    Err(format!("`{text}` is beyond the last register: 49999, or 465536 with six digits"))
                }
            },
            Self::Hex => Err(format!(
                "`{text}` is not marked as hexadecimal, and the other rows are: 0x{text} or plain?"
            )),
            Self::Plain { base } => match number.checked_sub(u32::from(base)) {
                Some(address) => Ok((None, address)),
                None => Err(format!("`{text}` can't be in a list that counts from 1")),
            },
        };
        let (table, address) = zero_based?;
        match u16::try_from(address) {
            Ok(address) => Ok(Address { table, address, bit }),
            Err(_) => Err(format!("`{text}` is beyond the last address, 65535")),
        }
    }
}

/// From where plain addresses count, and why, if nobody said it.
fn plain_base(header: &str, told: Option<u8>, has_zero: bool) -> (u8, Option<String>) {
    if let Some(base) = told {
        return (base, None);
    }
    let header = header.to_lowercase();
    let says = |words: &[&str]| words.iter().any(|word| header.contains(word));
    if has_zero {
        (0, Some("one of them is 0".to_owned()))
    } else if says(&["0-based", "0 based", "zero", "pdu", "offset", "protocol"]) {
        (0, Some("the header says so".to_owned()))
    } else if says(&["1-based", "1 based", "number", "no.", "nr"]) {
        (1, Some("the header says number, and numbers of registers count from 1".to_owned()))
    } else {
        let check = "nothing says from where; off by one reads a neighbour without an error: prove it with `setward probe`, or say \
                     --base 1";
        (0, Some(check.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(notation: Notation, text: &str) -> Option<(Option<Table>, u16, Option<u8>)> {
        notation.read(text).ok().map(|found| (found.table, found.address, found.bit))
    }

    #[test]
    fn every_notation_gives_the_same_register() {
        let holding = Some(Table::Holding);
        assert_eq!(read(Notation::Printed, "40101"), Some((holding, 100, None)));
        assert_eq!(read(Notation::Printed, "400101"), Some((holding, 100, None)));
        assert_eq!(read(Notation::Printed, "40101.3"), Some((holding, 100, Some(3))));
        assert_eq!(read(Notation::Hex, "0x64"), Some((None, 100, None)));
        assert_eq!(read(Notation::Hex, "64h"), Some((None, 100, None)));
        assert_eq!(read(Notation::Plain { base: 0 }, "100"), Some((None, 100, None)));
        assert_eq!(read(Notation::Plain { base: 1 }, "101"), Some((None, 100, None)));
        assert_eq!(read(Notation::Plain { base: 0 }, "HR 100"), Some((holding, 100, None)));
        assert_eq!(read(Notation::Printed, "30011"), Some((Some(Table::Input), 10, None)));
        assert_eq!(read(Notation::Printed, "00011"), Some((Some(Table::Coil), 10, None)));
        assert_eq!(read(Notation::Printed, "000001"), Some((Some(Table::Coil), 0, None)));
    }

    #[test]
    fn what_is_no_address_says_why() {
        let told = |notation: Notation, text: &str| notation.read(text).unwrap_err();
        assert!(told(Notation::Printed, "tbd").contains("is no address"));
        assert!(told(Notation::Printed, "abc").contains("is not marked as hexadecimal"));
        assert!(told(Notation::Plain { base: 0 }, "HR 6a").contains("is not marked as hexadecimal"));
        assert_eq!(read(Notation::Plain { base: 0 }, "0x6a"), Some((None, 106, None)));
        assert_eq!(read(Notation::Hex, "6a"), Some((None, 106, None)));
        assert!(told(Notation::Printed, "12").contains("one list, one notation"));
        assert!(told(Notation::Printed, "00000").contains("one list, one notation"));
        assert!(told(Notation::Printed, "499999").contains("beyond the last"));
        assert!(told(Notation::Hex, "100").contains("not marked as hexadecimal"));
        assert!(told(Notation::Plain { base: 1 }, "0").contains("counts from 1"));
        assert!(told(Notation::Plain { base: 0 }, "70000").contains("65535"));
    }

    #[test]
    fn where_plain_addresses_count_from_is_reasoned() {
        assert_eq!(plain_base("Register", Some(1), true), (1, None));
        assert_eq!(plain_base("Register", None, true).0, 0);
        assert_eq!(plain_base("Register number", None, false).0, 1);
        assert_eq!(plain_base("PDU address", None, false).0, 0);
        assert!(plain_base("Register", None, false).1.unwrap().contains("setward probe"));
    }
}
