//! Words to a number and back: every type, every order.
//!
//! The Modbus standard fixes the order of the two bytes in a register and leaves the order of registers in a longer
//! value open; devices use all four combinations, named here by where the bytes of the value A B C D land.

use core::fmt;

/// How a number is laid into registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Encoding {
    /// 16-bit unsigned.
    U16,
    /// 16-bit two's complement.
    I16,
    /// 32-bit unsigned.
    U32,
    /// 32-bit two's complement.
    I32,
    /// 64-bit unsigned.
    U64,
    /// 64-bit two's complement.
    I64,
    /// 32-bit IEEE 754.
    F32,
    /// 64-bit IEEE 754.
    F64,
    /// Four decimal digits, one a nibble.
    Bcd4,
    /// Eight decimal digits, one a nibble, in two registers.
    Bcd8,
    /// One bit of a register, 0 the least significant; or, in a bit table, the bit itself.
    Bit(u8),
}

/// Order of registers, and of bytes in a register, for values longer than the unit in question.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ByteOrder {
    /// High register first, high byte first.
    #[default]
    Abcd,
    /// Low register first, high byte first.
    Cdab,
    /// High register first, low byte first.
    Badc,
    /// Low register first, low byte first.
    Dcba,
}

impl ByteOrder {
    /// All four orders.
    pub const ALL: [Self; 4] = [Self::Abcd, Self::Cdab, Self::Badc, Self::Dcba];

    /// The four letters by which the trade names the order.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Abcd => "ABCD",
            Self::Cdab => "CDAB",
            Self::Badc => "BADC",
            Self::Dcba => "DCBA",
        }
    }

    /// The order by its four letters.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|order| order.name() == name)
    }

    const fn low_register_first(self) -> bool {
        matches!(self, Self::Cdab | Self::Dcba)
    }

    const fn low_byte_first(self) -> bool {
        matches!(self, Self::Badc | Self::Dcba)
    }
}

/// A number as the registers hold it, before scale and offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Raw {
    /// A whole number. Holds every 64-bit value of either sign.
    Whole(i128),
    /// A float; may be not-a-number or infinite.
    Float(f64),
}

impl Raw {
    /// The number as a float. Whole numbers beyond 2^53 are rounded.
    #[must_use]
    pub fn as_f64(self) -> f64 {
        match self {
            Self::Whole(whole) => whole as f64,
            Self::Float(float) => float,
        }
    }
}

impl fmt::Display for Raw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Whole(whole) => write!(f, "{whole}"),
            Self::Float(float) => write!(f, "{float}"),
        }
    }
}

/// Why a number does not fit its encoding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum EncodeError {
    /// The number lies outside what the encoding can hold.
    TooLarge(f64),
    /// The encoding can't hold a number that is not finite.
    NotFinite,
}

/// The most registers one value takes.
pub const MAX_WORDS: usize = 4;

impl Encoding {
    /// The encodings a file can name without a parameter, with their names.
    pub const NAMED: [(&'static str, Self); 10] = [
        ("u16", Self::U16),
        ("i16", Self::I16),
        ("u32", Self::U32),
        ("i32", Self::I32),
        ("u64", Self::U64),
        ("i64", Self::I64),
        ("f32", Self::F32),
        ("f64", Self::F64),
        ("bcd4", Self::Bcd4),
        ("bcd8", Self::Bcd8),
    ];

    /// The name by which a file calls the encoding.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::U16 => "u16",
            Self::I16 => "i16",
            Self::U32 => "u32",
            Self::I32 => "i32",
            Self::U64 => "u64",
            Self::I64 => "i64",
            Self::F32 => "f32",
            Self::F64 => "f64",
            Self::Bcd4 => "bcd4",
            Self::Bcd8 => "bcd8",
            Self::Bit(_) => "bit",
        }
    }

    /// How many registers the value takes.
    #[must_use]
    pub const fn words(self) -> u16 {
        match self {
            Self::U16 | Self::I16 | Self::Bcd4 | Self::Bit(_) => 1,
            Self::U32 | Self::I32 | Self::F32 | Self::Bcd8 => 2,
            Self::U64 | Self::I64 | Self::F64 => 4,
        }
    }

    /// Whether the registers hold a whole number (so history can keep it exactly).
    #[must_use]
    pub const fn is_whole(self) -> bool {
        !matches!(self, Self::F32 | Self::F64)
    }

    /// The number in `words`; `None` if the count is wrong, a BCD nibble is no digit or a register has no such bit.
    #[must_use]
    pub fn decode(self, words: &[u16], order: ByteOrder) -> Option<Raw> {
        if words.len() != usize::from(self.words()) {
            return None;
        }
        let bits = join(words, order);
        Some(match self {
            Self::U16 | Self::U32 | Self::U64 => Raw::Whole(i128::from(bits)),
            Self::I16 => Raw::Whole(i128::from(bits as u16 as i16)),
            Self::I32 => Raw::Whole(i128::from(bits as u32 as i32)),
            Self::I64 => Raw::Whole(i128::from(bits as i64)),
            Self::F32 => Raw::Float(f64::from(f32::from_bits(bits as u32))),
            Self::F64 => Raw::Float(f64::from_bits(bits)),
            Self::Bcd4 | Self::Bcd8 => Raw::Whole(i128::from(bcd_to_whole(bits)?)),
            Self::Bit(bit) if bit < 16 => Raw::Whole(i128::from((bits >> bit) & 1)),
            Self::Bit(_) => return None,
        })
    }

    /// The words that decode to `raw`, in the first [`Self::words`] places of the array.
    ///
    /// A [`Encoding::Bit`] gives a word in which only that bit can be set; the caller merges words.
    ///
    /// # Errors
    /// When the number does not fit, or a register has no such bit. A float for a whole-number encoding is rounded half
    /// away from zero.
    pub fn encode(self, raw: Raw, order: ByteOrder) -> Result<[u16; MAX_WORDS], EncodeError> {
        let bits = match self {
            Self::F32 => u64::from(narrow(raw.as_f64())?.to_bits()),
            Self::F64 => raw.as_f64().to_bits(),
            Self::U16 => whole_within(raw, 0, i128::from(u16::MAX))? as u64,
            Self::U32 => whole_within(raw, 0, i128::from(u32::MAX))? as u64,
            Self::U64 => whole_within(raw, 0, i128::from(u64::MAX))? as u64,
            Self::I16 => whole_within(raw, i128::from(i16::MIN), i128::from(i16::MAX))? as u64 & 0xFFFF,
            Self::I32 => whole_within(raw, i128::from(i32::MIN), i128::from(i32::MAX))? as u64 & 0xFFFF_FFFF,
            Self::I64 => whole_within(raw, i128::from(i64::MIN), i128::from(i64::MAX))? as u64,
            Self::Bcd4 => whole_to_bcd(whole_within(raw, 0, 9_999)? as u64),
            Self::Bcd8 => whole_to_bcd(whole_within(raw, 0, 99_999_999)? as u64),
            Self::Bit(bit) if bit < 16 => (whole_within(raw, 0, 1)? as u64) << bit,
            Self::Bit(bit) => return Err(EncodeError::TooLarge(f64::from(bit))),
        };
        Ok(split(bits, self.words(), order))
    }
}

fn whole_within(raw: Raw, low: i128, high: i128) -> Result<i128, EncodeError> {
    let whole = match raw {
        Raw::Whole(whole) => whole,
        Raw::Float(float) if float.is_finite() => libm::round(float) as i128,
        Raw::Float(_) => return Err(EncodeError::NotFinite),
    };
    if (low..=high).contains(&whole) { Ok(whole) } else { Err(EncodeError::TooLarge(raw.as_f64())) }
}

/// The nearest 32-bit float. What is infinite or not a number stays so; what is finite must not become infinite.
fn narrow(float: f64) -> Result<f32, EncodeError> {
    let narrowed = float as f32;
    if float.is_finite() && narrowed.is_infinite() { Err(EncodeError::TooLarge(float)) } else { Ok(narrowed) }
}

/// The value's bits, most significant first, from registers in `order`.
fn join(words: &[u16], order: ByteOrder) -> u64 {
    let place = |bits: u64, word: &u16| {
        let word = if order.low_byte_first() { word.swap_bytes() } else { *word };
        (bits << 16) | u64::from(word)
    };
    if order.low_register_first() { words.iter().rev().fold(0, place) } else { words.iter().fold(0, place) }
}

fn split(bits: u64, count: u16, order: ByteOrder) -> [u16; MAX_WORDS] {
    let mut words = [0; MAX_WORDS];
    for (index, word) in words.iter_mut().take(usize::from(count)).enumerate() {
        let from_low = if order.low_register_first() { index } else { usize::from(count) - 1 - index };
        let plain = (bits >> (16 * from_low)) as u16;
        *word = if order.low_byte_first() { plain.swap_bytes() } else { plain };
    }
    words
}

fn bcd_to_whole(bits: u64) -> Option<u64> {
    (0..8).rev().try_fold(0, |whole, nibble| {
        let digit = (bits >> (4 * nibble)) & 0xF;
        (digit <= 9).then_some(whole * 10 + digit)
    })
}

fn whole_to_bcd(mut whole: u64) -> u64 {
    let mut bits = 0;
    for nibble in 0..8 {
        bits |= (whole % 10) << (4 * nibble);
        whole /= 10;
    }
    bits
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(encoding: Encoding, order: ByteOrder, words: &[u16], raw: Raw) {
        assert_eq!(encoding.decode(words, order), Some(raw), "{encoding:?} {order:?}");
        let encoded = encoding.encode(raw, order).unwrap();
        assert_eq!(&encoded[..words.len()], words, "{encoding:?} {order:?}");
    }

    /// 123.45 as a 32-bit float is 42F6E666 (IEEE 754).
    #[test]
    fn one_float_in_all_four_orders() {
        let value = Raw::Float(f64::from(123.45_f32));
        check(Encoding::F32, ByteOrder::Abcd, &[0x42F6, 0xE666], value);
        check(Encoding::F32, ByteOrder::Cdab, &[0xE666, 0x42F6], value);
        check(Encoding::F32, ByteOrder::Badc, &[0xF642, 0x66E6], value);
        check(Encoding::F32, ByteOrder::Dcba, &[0x66E6, 0xF642], value);
    }

    /// The reply of the standard's example for function 03 (Modbus Application Protocol V1.1b3, 6.3).
    #[test]
    fn the_standards_three_registers() {
        check(Encoding::U16, ByteOrder::Abcd, &[0x022B], Raw::Whole(555));
        check(Encoding::U16, ByteOrder::Abcd, &[0x0064], Raw::Whole(100));
    }

    #[test]
    fn signs_and_lengths() {
        check(Encoding::I16, ByteOrder::Abcd, &[0xFFFF], Raw::Whole(-1));
        check(Encoding::I32, ByteOrder::Cdab, &[0xFFFE, 0xFFFF], Raw::Whole(-2));
        check(Encoding::U32, ByteOrder::Abcd, &[0x0001, 0x0000], Raw::Whole(65_536));
        check(Encoding::U64, ByteOrder::Abcd, &[0xFFFF; 4], Raw::Whole(i128::from(u64::MAX)));
        check(Encoding::I64, ByteOrder::Dcba, &[0xFFFF; 4], Raw::Whole(-1));
        check(Encoding::F64, ByteOrder::Cdab, &[0, 0, 0, 0x4000], Raw::Float(2.0));
    }

    #[test]
    fn decimal_digits_and_what_is_none() {
        check(Encoding::Bcd4, ByteOrder::Abcd, &[0x1234], Raw::Whole(1234));
        check(Encoding::Bcd8, ByteOrder::Abcd, &[0x2611, 0x4071], Raw::Whole(26_114_071));
        assert_eq!(Encoding::Bcd4.decode(&[0x12A4], ByteOrder::Abcd), None);
        assert_eq!(
            Encoding::Bcd4.encode(Raw::Whole(10_000), ByteOrder::Abcd),
            Err(EncodeError::TooLarge(10_000.0))
        );
    }

    #[test]
    fn a_bit_of_a_word() {
        check(Encoding::Bit(3), ByteOrder::Abcd, &[0b1000], Raw::Whole(1));
        assert_eq!(Encoding::Bit(0).decode(&[0b1000], ByteOrder::Abcd), Some(Raw::Whole(0)));
        assert_eq!(Encoding::Bit(200).decode(&[1], ByteOrder::Abcd), None);
    }

    #[test]
    fn a_wrong_count_is_no_number() {
        assert_eq!(Encoding::F32.decode(&[1], ByteOrder::Abcd), None);
        assert_eq!(Encoding::U16.decode(&[1, 2], ByteOrder::Abcd), None);
        assert_eq!(Encoding::U16.decode(&[], ByteOrder::Abcd), None);
    }

    proptest! {
        #[test]
        fn whatever_decodes_encodes_back(bits: [u16; 4], pick in 0..10_usize, order in 0..4_usize) {
            let (_, encoding) = Encoding::NAMED[pick];
            let order = ByteOrder::ALL[order];
            let words = &bits[..usize::from(encoding.words())];
            if let Some(raw) = encoding.decode(words, order) {
                // Not-a-number has many bit patterns; all that matters is that it stays not-a-number.
                if !raw.as_f64().is_nan() {
                    prop_assert_eq!(&encoding.encode(raw, order).unwrap()[..words.len()], words);
                }
            }
        }
    }
}
