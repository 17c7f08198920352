//! What a run says of its signals, and how a value becomes the whole number its register had.
//!
//! A layout is kept as text under its SHA-256, so that a restart without a change adds nothing and damage is seen.

use super::HistoryError;
use serde_json::{Value, json};
use setward_protocol::Encoding;
use sha2::{Digest as _, Sha256};
use std::time::Duration;

/// A signal as a run has it.
#[derive(Debug, Clone, PartialEq)]
pub struct RunSignal {
    /// Its tag.
    pub tag: String,
    /// Its tag before, if it was renamed: its past goes on under the new one.
    pub was: Option<String>,
    /// Symbol of its unit.
    pub unit: String,
    /// How its registers hold it; `None` if it has none.
    pub encoding: Option<Encoding>,
    /// Value per count.
    pub scale: f64,
    /// Value at count zero.
    pub offset: f64,
    /// Signals of one group are read together and share a time stamp.
    pub poll_group: u16,
    /// The longest time between two good samples that still counts as known.
    pub gap_limit: Duration,
}

impl RunSignal {
    /// A signal of which only the tag is known: its values are kept as floats.
    #[must_use]
    pub fn of_tag(tag: &str) -> Self {
        Self {
            tag: tag.to_owned(),
            was: None,
            unit: String::new(),
            encoding: None,
            scale: 1.0,
            offset: 0.0,
            poll_group: 0,
            gap_limit: Duration::from_secs(3),
        }
    }

    /// How its values are kept if they allow it.
    pub(super) fn numbers(&self) -> Numbers {
        match self.encoding {
            Some(encoding) if encoding.is_whole() && self.scale != 0.0 => {
                Numbers::Counts { scale: self.scale, offset: self.offset }
            }
            Some(Encoding::F32) => Numbers::F32,
            Some(_) | None => Numbers::F64,
        }
    }
}

/// How values are kept: exactly, in each of the three ways.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Numbers {
    /// The whole number of the register: `value = count * scale + offset`.
    Counts {
        /// Value per count.
        scale: f64,
        /// Value at count zero.
        offset: f64,
    },
    /// As 32-bit floats.
    F32,
    /// As 64-bit floats.
    F64,
}

/// Means are kept to this share of a count.
pub(super) const MEAN_SHARES: f64 = 64.0;

impl Numbers {
    /// The count of a value, if counting gives back the value to the bit.
    pub(super) fn count_of(scale: f64, offset: f64, value: f64) -> Option<i64> {
        let count = ((value - offset) / scale).round();
        // Beyond 2^53 neighbouring counts are one float.
        let fits = count.abs() <= 9_007_199_254_740_992.0;
        (fits && (count * scale + offset).to_bits() == value.to_bits()).then_some(count as i64)
    }

    /// The most frugal way that keeps every one of `values`, no wider than `self`.
    pub(super) fn fitting(self, values: &[f64]) -> Self {
        let fits = match self {
            Self::Counts { scale, offset } => {
                values.iter().all(|value| Self::count_of(scale, offset, *value).is_some())
            }
            Self::F32 => values.iter().all(|value| f64::from(*value as f32).to_bits() == value.to_bits()),
            Self::F64 => true,
        };
        if fits { self } else { Self::F64 }
    }

    /// A value as a whole number whose order is the value's.
    pub(super) fn key_of(self, value: f64) -> i64 {
        match self {
            Self::Counts { scale, offset } => ((value - offset) / scale).round() as i64,
            Self::F32 => i64::from(ordered_32((value as f32).to_bits())),
            Self::F64 => ordered_64(value.to_bits()),
        }
    }

    /// The value of a key.
    pub(super) fn value_of(self, key: i64) -> f64 {
        match self {
            Self::Counts { scale, offset } => key as f64 * scale + offset,
            Self::F32 => f64::from(f32::from_bits(ordered_32(key as i32 as u32) as u32)),
            Self::F64 => f64::from_bits(ordered_64(key as u64) as u64),
        }
    }

    /// As [`Self::key_of`], finer: for means.
    pub(super) fn fine_key_of(self, value: f64) -> i64 {
        match self {
            Self::Counts { scale, offset } => ((value - offset) / scale * MEAN_SHARES).round() as i64,
            Self::F32 | Self::F64 => self.key_of(value),
        }
    }

    /// The value of a fine key.
    pub(super) fn value_of_fine(self, key: i64) -> f64 {
        match self {
            Self::Counts { scale, offset } => key as f64 / MEAN_SHARES * scale + offset,
            Self::F32 | Self::F64 => self.value_of(key),
        }
    }
}

/// Floats of one sign are ordered as their bits; of the other, the other way round. Its own inverse.
const fn ordered_64(bits: u64) -> i64 {
    let bits = bits as i64;
    bits ^ ((bits >> 63) & i64::MAX)
}

/// As [`ordered_64`].
const fn ordered_32(bits: u32) -> i32 {
    let bits = bits as i32;
    bits ^ ((bits >> 31) & i32::MAX)
}

/// A signal with the number the store knows it by.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct StoredSignal {
    /// The store's number, never reused.
    pub id: i64,
    /// What the run says of it.
    pub signal: RunSignal,
}

/// The text of a layout, and its SHA-256 in lower-case hex.
pub(super) fn write(signals: &[StoredSignal]) -> (String, String) {
    let rows: Vec<Value> = signals.iter().map(signal_to_json).collect();
    let text = Value::Array(rows).to_string();
    let sha256 = sha256_hex(text.as_bytes());
    (text, sha256)
}

/// The layout in `text`, if it is the one with this SHA-256.
pub(super) fn read(text: &str, sha256: &str) -> Result<Vec<StoredSignal>, HistoryError> {
    let damaged = || HistoryError { text: "a run's list of signals is damaged".to_owned() };
    if sha256_hex(text.as_bytes()) != sha256 {
        return Err(damaged());
    }
    let Ok(Value::Array(rows)) = serde_json::from_str(text) else { return Err(damaged()) };
    rows.iter().map(signal_from_json).collect::<Option<_>>().ok_or_else(damaged)
}

fn signal_to_json(stored: &StoredSignal) -> Value {
    let signal = &stored.signal;
    json!({
        "id": stored.id,
        "tag": signal.tag,
        "was": signal.was,
        "unit": signal.unit,
        "encoding": signal.encoding.map(encoding_name),
        // As text: read back to the bit.
        "scale": signal.scale.to_string(),
        "offset": signal.offset.to_string(),
        "poll_group": signal.poll_group,
        "gap_limit_ms": u64::try_from(signal.gap_limit.as_millis()).unwrap_or(u64::MAX),
    })
}

fn signal_from_json(row: &Value) -> Option<StoredSignal> {
    let text = |key: &str| row.get(key)?.as_str().map(str::to_owned);
    Some(StoredSignal {
        id: row.get("id")?.as_i64()?,
        signal: RunSignal {
            tag: text("tag")?,
            was: text("was"),
            unit: text("unit")?,
            encoding: text("encoding").and_then(|name| encoding_from_name(&name)),
            scale: text("scale")?.parse().ok()?,
            offset: text("offset")?.parse().ok()?,
            poll_group: row.get("poll_group")?.as_u64()?.try_into().ok()?,
            gap_limit: Duration::from_millis(row.get("gap_limit_ms")?.as_u64()?),
        },
    })
}

/// The name by which the line file calls the encoding; a bit with its number.
pub(super) fn encoding_name(encoding: Encoding) -> String {
    match encoding {
        Encoding::Bit(bit) => format!("bit{bit}"),
        Encoding::U16
        | Encoding::I16
        | Encoding::U32
        | Encoding::I32
        | Encoding::U64
        | Encoding::I64
        | Encoding::F32
        | Encoding::F64
        | Encoding::Bcd4
        | Encoding::Bcd8 => encoding.name().to_owned(),
    }
}

/// The inverse of [`encoding_name`].
pub(super) fn encoding_from_name(name: &str) -> Option<Encoding> {
    match name.strip_prefix("bit") {
        Some(bit) => bit.parse().ok().map(Encoding::Bit),
        None => Encoding::NAMED.into_iter().find(|(known, _)| *known == name).map(|(_, encoding)| encoding),
    }
}

/// SHA-256 in lower-case hex.
pub(crate) fn sha256_hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    Sha256::digest(bytes).iter().fold(String::with_capacity(64), |mut hex, byte| {
        // Writing to a string can't fail.
        let _infallible = write!(hex, "{byte:02x}");
        hex
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_layout_is_read_back_and_a_changed_one_is_refused() {
        let signal = RunSignal {
            was: Some("TT-301".to_owned()),
            unit: "degC".to_owned(),
            encoding: Some(Encoding::Bit(3)),
            scale: 0.1,
            offset: -17.777_777_777_777_78,
            poll_group: 4,
            ..RunSignal::of_tag("TT-310")
        };
        let signals =
            [StoredSignal { id: 7, signal }, StoredSignal { id: 9, signal: RunSignal::of_tag("X") }];
        let (text, sha256) = write(&signals);
        assert_eq!(read(&text, &sha256).unwrap(), signals);
        assert!(read(&text.replace("310", "311"), &sha256).is_err());
    }

    proptest! {
        #[test]
        fn counts_of_a_register_are_whole_numbers_again(count: i16, scale in 0.0001..10.0_f64, offset in -300.0..300.0_f64) {
            let value = f64::from(count) * scale + offset;
            prop_assert_eq!(Numbers::count_of(scale, offset, value), Some(i64::from(count)));
        }

        #[test]
        fn keys_keep_order_and_value(a: f64, b: f64) {
            let keys = [a, b].map(|value| Numbers::F64.key_of(value));
            prop_assert_eq!(Numbers::F64.value_of(keys[0]).to_bits(), a.to_bits());
            prop_assert_eq!(a.total_cmp(&b), keys[0].cmp(&keys[1]));
            let a32 = f64::from(a as f32);
            prop_assert_eq!(Numbers::F32.value_of(Numbers::F32.key_of(a32)).to_bits(), a32.to_bits());
        }

        #[test]
        fn no_value_is_counted_that_counting_does_not_give_back(value: f64, scale in 0.001..1.0_f64) {
            if let Some(count) = Numbers::count_of(scale, 0.0, value) {
                prop_assert_eq!((count as f64 * scale).to_bits(), value.to_bits());
            }
        }
    }
}
