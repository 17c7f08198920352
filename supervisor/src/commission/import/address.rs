//! Addresses in every notation: counted from 0 or 1, printed as 4xxxx, hexadecimal, with a bit behind.

use super::Notes;
use super::cells::{self, ListedType};
use super::meaning::Meaning;
use super::sheet::Sheet;
use setward_protocol::Table;

/// How a list writes its addresses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Notation {
    /// As drawings print them: 40101, 300011.
    Printed,
    /// Hexadecimal, counted from 0.
    Hex,
    /// Hexadecimal digits of one width without a mark, `000A` after `0009`, counted from 0.
    HexDigits,
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
    /// Its digits read as hexadecimal ones.
    as_hex: Option<u32>,
    /// How many digits there are, zeros in front included.
    width: usize,
    has_zero_in_front: bool,
    prefix: Option<Prefix>,
    bit: Option<u8>,
}

/// What stands in front of an address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Prefix {
    table: Table,
    from: CountsFrom,
}

/// CountsFrom where an address behind a prefix counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CountsFrom {
    Zero,
    One,
    /// As the other addresses of the list.
    List,
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
const PREFIXES: [(&str, Table, CountsFrom); 8] = [
    ("hr", Table::Holding, CountsFrom::List),
    ("ir", Table::Input, CountsFrom::List),
    ("%mw", Table::Holding, CountsFrom::Zero),
    ("mw", Table::Holding, CountsFrom::Zero),
    ("4x", Table::Holding, CountsFrom::One),
    ("3x", Table::Input, CountsFrom::One),
    ("di", Table::Discrete, CountsFrom::List),
    ("co", Table::Coil, CountsFrom::List),
];

fn token(text: &str) -> Option<Token> {
    let text = text.trim().to_lowercase();
    let (text, prefix) = PREFIXES
        .iter()
        .find_map(|(prefix, table, from)| {
            let rest = text.strip_prefix(prefix)?;
            Some((rest.trim().to_owned(), Some(Prefix { table: *table, from: *from })))
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
    let as_hex = u32::from_str_radix(hex.unwrap_or(&digits), 16).ok();
    let is_hex = hex.is_some() || has_letters;
    let number = if is_hex { as_hex? } else { digits.parse().ok()? };
    let (width, has_zero_in_front) = (digits.len(), digits.starts_with('0'));
    Some(Token { number, is_hex, is_unmarked, as_hex, width, has_zero_in_front, prefix, bit })
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
    ///
    /// # Errors
    /// When `base` is told for a list that says by itself from where it counts.
    pub(super) fn of(sheet: &Sheet, base: Option<u8>, notes: &mut Notes) -> Result<Self, String> {
        let header = sheet.header(Meaning::Address).to_owned();
        let cells: Vec<(&str, Token)> =
            sheet.addresses().filter_map(|text| Some((text, token(text)?))).collect();
        if are_hex_digits(&cells) {
            notes.guess(
                None,
                &header,
                "hexadecimal, counted from 0",
                "they have one width, and letters among them",
            );
            return Ok(Self::HexDigits);
        }
        let hex = cells.iter().filter(|(_, token)| token.is_hex).count();
        if hex * 2 > cells.len() {
            let why = format!("{hex} of {} addresses are", cells.len());
            notes.guess(None, &header, "hexadecimal, counted from 0", why);
            return Ok(Self::Hex);
        }
        // A word such as `bad` says nothing of how numbers are written.
        let numbers = || cells.iter().filter(|(_, token)| !token.is_hex && token.prefix.is_none());
        let (seen, look_printed) = (numbers().count(), printed_count(numbers()));
        if look_printed * 2 > seen {
            if let Some(base) = base {
                return Err(format!(
                    "--base {base} says from where plain addresses count, and {look_printed} of {seen} in column `{header}` are \
                     numbers of drawings, such as 40101, which say it themselves: leave --base out"
                ));
            }
            notes.guess(
                None,
                &header,
                "numbers of drawings: 4xxxx holding, 3xxxx input, 1xxxx discrete; the address is one less",
                format!("{look_printed} of {seen} look like that"),
            );
            return Ok(Self::Printed);
        }
        let has_zero = cells.iter().any(|(_, token)| !token.is_hex && token.number == 0);
        let (base, why) = plain_base(&header, base, has_zero);
        if let Some(why) = why {
            notes.guess(None, &header, format!("counted from {base}"), why);
        }
        Ok(Self::Plain { base })
    }

    /// The address in a cell.
    pub(super) fn read(self, text: &str) -> Result<Address, String> {
        let Some(Token { number, is_hex, is_unmarked, as_hex, prefix, bit, .. }) = token(text) else {
            return Err(format!("`{text}` is no address; an address is 100, 0x64, 40101 or 40101.3"));
        };
        // A word such as `bad` is a number too, for a list that is hexadecimal throughout.
        if is_unmarked && !matches!(self, Self::Hex | Self::HexDigits) {
            return Err(format!(
                "`{text}` has letters and is not marked as hexadecimal, and the other rows have none: write 0x before it, or \
                 is it no address?"
            ));
        }
        let table = prefix.map(|prefix| prefix.table);
        let counted_from = match (prefix.map(|prefix| prefix.from), self) {
            (Some(CountsFrom::One), _) => 1,
            (Some(CountsFrom::List) | None, Self::Plain { base }) => u32::from(base),
            (Some(CountsFrom::List | CountsFrom::Zero) | None, _) => 0,
        };
        let zero_based = match self {
            _ if is_hex => Ok((table, number)),
            _ if table.is_some() => match number.checked_sub(counted_from) {
                Some(address) => Ok((table, address)),
                None => Err(format!("`{text}` can't be where addresses count from 1")),
            },
            Self::HexDigits => match as_hex {
                Some(address) => Ok((None, address)),
                None => Err(format!("`{text}` is no hexadecimal number")),
            },
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
            Self::Plain { .. } => match number.checked_sub(counted_from) {
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

/// How many look as drawings print them. Bits count where a register shows that the list does so: 10001 alone may be a plain address.
fn printed_count<'a>(numbers: impl Iterator<Item = &'a (&'a str, Token)>) -> usize {
    let (mut registers, mut bits) = (0, 0);
    for (text, token) in numbers {
        match printed(token.number) {
            Some((Table::Holding | Table::Input, _)) => registers += 1,
            Some((Table::Discrete | Table::Coil, _)) => bits += 1,
            None => bits += usize::from(is_printed_coil(text)),
        }
    }
    if registers > 0 { registers + bits } else { 0 }
}

/// `0009, 000A, 0010`: of one width, with zeros in front, and a letter among them.
fn are_hex_digits(cells: &[(&str, Token)]) -> bool {
    let Some((_, first)) = cells.first() else { return false };
    let is_alike =
        |token: &Token| token.width == first.width && token.prefix.is_none() && token.as_hex.is_some();
    let is_lettered = |token: &Token| token.is_unmarked && token.has_zero_in_front;
    first.width >= 3
        && cells.iter().all(|(_, token)| is_alike(token) && (token.is_unmarked || !token.is_hex))
        && cells.iter().any(|(_, token)| is_lettered(token))
}

/// Whether every address has `.0` behind it and no row says that it is a bit: a sheet that took addresses for numbers with decimals.
pub(super) fn are_floats(sheet: &Sheet, notes: &mut Notes) -> bool {
    let has_bits = sheet.rows().any(|row| {
        let is_bit = |(_, text)| matches!(cells::listed_type(text), Some(ListedType::Bit));
        row.get(Meaning::Type).is_some_and(is_bit) || row.get(Meaning::Bit).is_some()
    });
    let mut count = 0;
    let are_all = sheet.addresses().all(|text| {
        count += 1;
        text.split_once('.').is_some_and(|(_, behind)| behind == "0")
    });
    let are_floats = are_all && count > 0 && !has_bits;
    if are_floats {
        let header = sheet.header(Meaning::Address).to_owned();
        let why = "every one of them has it: a sheet that takes addresses for numbers with decimals";
        notes.guess(None, &header, "`.0` behind an address is no bit", why);
    }
    are_floats
}

/// CountsFrom where plain addresses count, and why, if nobody said it.
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
