//! Bytes to write and read: fixed and variable-length numbers, and a frame with a checksum. Reading never panics.

use std::fmt;

/// Why bytes were not what they should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Damage {
    /// They end too early.
    Short,
    /// The checksum differs.
    Checksum,
    /// They are of another kind or version.
    Foreign,
    /// They contradict themselves or what refers to them.
    Contradiction,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Short => "ends too early",
            Self::Checksum => "has a wrong checksum",
            Self::Foreign => "is of another kind or version",
            Self::Contradiction => "contradicts what belongs to it",
        })
    }
}

/// Bytes being put together.
#[derive(Debug, Default)]
pub(super) struct Writer {
    bytes: Vec<u8>,
}

impl Writer {
    pub(super) fn byte(&mut self, byte: u8) {
        self.bytes.push(byte);
    }

    /// Seven bits a byte, lowest first; the high bit says that more follow.
    pub(super) fn whole(&mut self, mut value: u64) {
        while value >= 0x80 {
            self.bytes.push(value as u8 | 0x80);
            value >>= 7;
        }
        self.bytes.push(value as u8);
    }

    /// A whole number of either sign, small ones short.
    pub(super) fn signed(&mut self, value: i64) {
        self.whole(zigzag(value));
    }

    /// Eight bytes, lowest first, IEEE 754.
    pub(super) fn float(&mut self, value: f64) {
        self.bytes.extend_from_slice(&value.to_bits().to_le_bytes());
    }

    /// A length and as many bytes.
    pub(super) fn block(&mut self, bytes: &[u8]) {
        self.whole(bytes.len() as u64);
        self.bytes.extend_from_slice(bytes);
    }

    pub(super) fn raw(&mut self, bytes: &[u8]) {
        self.bytes.extend_from_slice(bytes);
    }

    pub(super) fn into_bytes(self) -> Vec<u8> {
        self.bytes
    }
}

/// Bytes being taken apart.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reader<'a> {
    rest: &'a [u8],
}

impl<'a> Reader<'a> {
    pub(super) const fn new(bytes: &'a [u8]) -> Self {
        Self { rest: bytes }
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.rest.is_empty()
    }

    pub(super) fn take(&mut self, count: usize) -> Result<&'a [u8], Damage> {
        let (taken, rest) = self.rest.split_at_checked(count).ok_or(Damage::Short)?;
        self.rest = rest;
        Ok(taken)
    }

    pub(super) fn byte(&mut self) -> Result<u8, Damage> {
        let (byte, rest) = self.rest.split_first().ok_or(Damage::Short)?;
        self.rest = rest;
        Ok(*byte)
    }

    pub(super) fn whole(&mut self) -> Result<u64, Damage> {
        let mut value = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7F) << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(Damage::Contradiction)
    }

    /// A whole number that is to be a count of at most `most`.
    pub(super) fn count(&mut self, most: usize) -> Result<usize, Damage> {
        let count = usize::try_from(self.whole()?).map_err(|_| Damage::Contradiction)?;
        if count <= most { Ok(count) } else { Err(Damage::Contradiction) }
    }

    pub(super) fn signed(&mut self) -> Result<i64, Damage> {
        Ok(unzigzag(self.whole()?))
    }

    pub(super) fn float(&mut self) -> Result<f64, Damage> {
        let bytes = self.take(8)?.try_into().map_err(|_| Damage::Short)?;
        Ok(f64::from_bits(u64::from_le_bytes(bytes)))
    }

    pub(super) fn block(&mut self) -> Result<&'a [u8], Damage> {
        let length = self.count(self.rest.len())?;
        self.take(length)
    }
}

/// Interleaves the signs, so that small numbers of either sign are small.
pub(super) const fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

/// The inverse of [`zigzag`].
pub(super) const fn unzigzag(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

/// Puts a kind in front and a checksum behind.
pub(super) fn seal(kind: u8, writer: Writer) -> Vec<u8> {
    let mut bytes = writer.into_bytes();
    bytes.insert(0, kind);
    bytes.extend_from_slice(&crc32fast::hash(&bytes).to_le_bytes());
    bytes
}

/// What [`seal`] closed in, if it is of this kind and whole.
pub(super) fn unseal(kind: u8, bytes: &[u8]) -> Result<Reader<'_>, Damage> {
    let (framed, checksum) = bytes.split_last_chunk::<4>().ok_or(Damage::Short)?;
    if crc32fast::hash(framed) != u32::from_le_bytes(*checksum) {
        return Err(Damage::Checksum);
    }
    match framed.split_first() {
        Some((found, rest)) if *found == kind => Ok(Reader::new(rest)),
        Some(_) | None => Err(Damage::Foreign),
    }
}

/// Checksum over the parts of a row; each part is told from the next.
pub(super) fn check_of(parts: &[&[u8]]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    for part in parts {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part);
    }
    hasher.finalize()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_was_written_is_read(wholes: Vec<u64>, signed: Vec<i64>, float: f64) {
            let mut writer = Writer::default();
            wholes.iter().for_each(|value| writer.whole(*value));
            signed.iter().for_each(|value| writer.signed(*value));
            writer.float(float);
            let sealed = seal(7, writer);
            let mut reader = unseal(7, &sealed).unwrap();
            for value in wholes {
                prop_assert_eq!(reader.whole(), Ok(value));
            }
            for value in signed {
                prop_assert_eq!(reader.signed(), Ok(value));
            }
            prop_assert_eq!(reader.float().unwrap().to_bits(), float.to_bits());
            prop_assert!(reader.is_empty());
        }

        #[test]
        fn a_changed_byte_is_seen(mut bytes: Vec<u8>, place: prop::sample::Index, change in 1..=255_u8) {
            let mut writer = Writer::default();
            writer.raw(&bytes);
            bytes = seal(1, writer);
            let place = place.index(bytes.len());
            bytes[place] ^= change;
            prop_assert_eq!(unseal(1, &bytes).err(), Some(Damage::Checksum));
        }
    }

    #[test]
    fn another_kind_and_nothing_at_all_are_refused() {
        assert_eq!(unseal(2, &seal(1, Writer::default())).err(), Some(Damage::Foreign));
        assert_eq!(unseal(2, &[]).err(), Some(Damage::Short));
        assert_eq!(Reader::new(&[0xFF; 20]).whole(), Err(Damage::Contradiction));
    }
}
