//! Closed chunks as bytes: the times of a poll group, and the values of each of its signals. Pure.
//!
//! Every block names what it is of, so that a block in the wrong place is seen; each has a checksum.
//!
//! ```text
//! times   1 | run, first, last - first, rows | group, previous | start utc ms | columns: utc ms - start, uptime us - utc, sequence - first
//!           | blocks of values (not in those of an older program)
//! values  2 | signal, tag, unit, encoding, scale, offset, gap limit ms, configuration (8 bytes) | run, first, last - first, rows
//!           | column: quality | kind of numbers | values that are there
//! ```
//! Numbers are of variable length (7 bits a byte, lowest first; signed ones interleaved); see `column.rs` for columns.

use super::bytes::{Damage, Reader, Writer, seal, unseal};
use super::column::{self, ROWS_MAX};
use super::layout::{Numbers, RunSignal, StoredSignal, encoding_from_name, encoding_name};
use super::quality::has_value;
use super::tables::SIGNAL_MAX;
use std::time::Duration;

pub(super) const TIMES: u8 = 0x11;
pub(super) const VALUES: u8 = 0x12;

const COUNTS: u8 = 0;
const FLOATS_32: u8 = 1;
const FLOATS_64: u8 = 2;

/// Which chunk: a store never gives a sequence number twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ChunkName {
    /// The run it is of.
    pub run: i64,
    /// Sequence number of its first row.
    pub first: u64,
    /// Sequence number of its last row.
    pub last: u64,
    /// How many rows.
    pub rows: usize,
}

impl ChunkName {
    fn put(&self, out: &mut Writer) {
        out.signed(self.run);
        out.whole(self.first);
        out.whole(self.last.saturating_sub(self.first));
        out.whole(self.rows as u64);
    }

    fn get(reader: &mut Reader<'_>) -> Result<Self, Damage> {
        let run = reader.signed()?;
        let first = reader.whole()?;
        let last = first.checked_add(reader.whole()?).ok_or(Damage::Contradiction)?;
        Ok(Self { run, first, last, rows: reader.count(ROWS_MAX)? })
    }
}

/// The times of a chunk, one of each a row.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Times {
    /// Wall time, ms.
    pub utc_ms: Vec<i64>,
    /// Time of the run, us.
    pub uptime_us: Vec<u64>,
    /// Number of the row in the store.
    pub sequence: Vec<u64>,
}

/// A block of times, taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct TimeChunk {
    /// Which chunk.
    pub name: ChunkName,
    /// The poll group, as its run numbers them.
    pub group: u16,
    /// Last sequence number of the group's chunk before, 0 without one: a missing chunk shows.
    pub previous: u64,
    /// The times.
    pub times: Times,
    /// How many signals have a block of values: one that is missing shows. `None` in a block that an older program wrote.
    pub signals: Option<usize>,
}

impl TimeChunk {
    /// As bytes.
    pub(super) fn write(&self) -> Vec<u8> {
        let mut out = Writer::default();
        self.name.put(&mut out);
        out.whole(u64::from(self.group));
        out.whole(self.previous);
        let Times { utc_ms, uptime_us, sequence } = &self.times;
        let start = utc_ms.first().copied().unwrap_or(0);
        out.signed(start);
        let after: Vec<i64> = utc_ms.iter().map(|utc| utc.wrapping_sub(start)).collect();
        // The two clocks run alike, so their difference is small and steady.
        let apart: Vec<i64> = uptime_us
            .iter()
            .zip(&after)
            .map(|(uptime, after)| (*uptime as i64).wrapping_sub(after.wrapping_mul(1000)))
            .collect();
        let numbers: Vec<i64> =
            sequence.iter().map(|number| number.wrapping_sub(self.name.first) as i64).collect();
        for values in [&after, &apart, &numbers] {
            column::put(&mut out, values);
        }
        if let Some(signals) = self.signals {
            out.whole(signals as u64);
        }
        seal(TIMES, out)
    }

    /// From bytes.
    pub(super) fn read(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = unseal(TIMES, bytes)?;
        let name = ChunkName::get(&mut reader)?;
        let group = u16::try_from(reader.whole()?).map_err(|_| Damage::Contradiction)?;
        let previous = reader.whole()?;
        let start = reader.signed()?;
        let after = column::get(&mut reader, name.rows)?;
        let apart = column::get(&mut reader, name.rows)?;
        let numbers = column::get(&mut reader, name.rows)?;
        let signals = if reader.is_empty() { None } else { Some(reader.count(SIGNAL_MAX as usize)?) };
        let uptime_us = apart.iter().zip(&after);
        let times = Times {
            uptime_us: uptime_us
                .map(|(apart, after)| apart.wrapping_add(after.wrapping_mul(1000)) as u64)
                .collect(),
            utc_ms: after.iter().map(|after| after.wrapping_add(start)).collect(),
            sequence: numbers.iter().map(|number| name.first.wrapping_add(*number as u64)).collect(),
        };
        Ok(Self { name, group, previous, times, signals })
    }
}

/// A block of values, taken apart.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ValueChunk {
    /// The signal as it was then.
    pub signal: StoredSignal,
    /// First bytes of the configuration's fingerprint.
    pub configuration: [u8; 8],
    /// Which chunk.
    pub name: ChunkName,
    /// Quality of each row.
    pub codes: Vec<u16>,
    /// Values of the rows that have one.
    pub values: Vec<f64>,
}

impl ValueChunk {
    /// As bytes.
    pub(super) fn write(&self) -> Vec<u8> {
        let mut out = Writer::default();
        let RunSignal { tag, unit, encoding, scale, offset, .. } = &self.signal.signal;
        out.signed(self.signal.id);
        out.block(tag.as_bytes());
        out.block(unit.as_bytes());
        out.block(encoding.map(encoding_name).unwrap_or_default().as_bytes());
        out.float(*scale);
        out.float(*offset);
        out.whole(self.signal.signal.gap_limit.as_millis() as u64);
        out.raw(&self.configuration);
        self.name.put(&mut out);
        let codes: Vec<i64> = self.codes.iter().map(|code| i64::from(*code)).collect();
        column::put(&mut out, &codes);
        put_values(&mut out, self.signal.signal.numbers().fitting(&self.values), &self.values);
        seal(VALUES, out)
    }

    /// From bytes.
    pub(super) fn read(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = unseal(VALUES, bytes)?;
        let id = reader.signed()?;
        let [tag, unit, encoding] = [text(&mut reader)?, text(&mut reader)?, text(&mut reader)?];
        let [scale, offset] = [reader.float()?, reader.float()?];
        let gap_limit = Duration::from_millis(reader.whole()?);
        let configuration = reader.take(8)?.try_into().map_err(|_| Damage::Short)?;
        let name = ChunkName::get(&mut reader)?;
        let codes = column::get(&mut reader, name.rows)?;
        let codes: Vec<u16> = codes.iter().map(|code| *code as u16).collect();
        let count = codes.iter().filter(|code| has_value(**code)).count();
        let values = get_values(&mut reader, scale, offset, count)?;
        let encoding = encoding_from_name(&encoding);
        let signal = RunSignal { unit, encoding, scale, offset, gap_limit, ..RunSignal::of_tag(&tag) };
        Ok(Self { signal: StoredSignal { id, signal }, configuration, name, codes, values })
    }
}

fn put_values(out: &mut Writer, numbers: Numbers, values: &[f64]) {
    match numbers {
        Numbers::Counts { .. } => {
            out.byte(COUNTS);
            let counts: Vec<i64> = values.iter().map(|value| numbers.key_of(*value)).collect();
            column::put(out, &counts);
        }
        Numbers::F32 => {
            out.byte(FLOATS_32);
            let floats: Vec<f32> = values.iter().map(|value| *value as f32).collect();
            column::put_floats(out, &floats);
        }
        Numbers::F64 => {
            out.byte(FLOATS_64);
            column::put_floats(out, values);
        }
    }
}

fn get_values(reader: &mut Reader<'_>, scale: f64, offset: f64, count: usize) -> Result<Vec<f64>, Damage> {
    match reader.byte()? {
        COUNTS => {
            let numbers = Numbers::Counts { scale, offset };
            Ok(column::get(reader, count)?.into_iter().map(|count| numbers.value_of(count)).collect())
        }
        FLOATS_32 => Ok(column::get_floats::<f32>(reader, count)?.into_iter().map(f64::from).collect()),
        FLOATS_64 => column::get_floats(reader, count),
        _ => Err(Damage::Foreign),
    }
}

fn text(reader: &mut Reader<'_>) -> Result<String, Damage> {
    std::str::from_utf8(reader.block()?).map(str::to_owned).map_err(|_| Damage::Contradiction)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::quality::{ABSENT, code_of};
    use proptest::prelude::*;
    use setward_protocol::{Encoding, NoData, Reading};

    fn name(rows: usize) -> ChunkName {
        ChunkName { run: 3, first: 1000, last: 1000 + rows as u64, rows }
    }

    fn chunk(encoding: Option<Encoding>, scale: f64, readings: &[Reading]) -> ValueChunk {
        let signal = RunSignal { encoding, scale, unit: "degC".to_owned(), ..RunSignal::of_tag("TT-310") };
        let coded: Vec<_> = readings.iter().map(|reading| code_of(*reading)).collect();
        ValueChunk {
            signal: StoredSignal { id: 12, signal },
            configuration: *b"ABCDEFGH",
            name: name(readings.len()),
            codes: coded.iter().map(|(code, _)| *code).collect(),
            values: coded.iter().filter_map(|(_, value)| *value).collect(),
        }
    }

    fn comes_back(chunk: &ValueChunk) -> usize {
        let bytes = chunk.write();
        let back = ValueChunk::read(&bytes).unwrap();
        let bits = |values: &[f64]| values.iter().map(|value| value.to_bits()).collect::<Vec<_>>();
        assert_eq!(bits(&back.values), bits(&chunk.values));
        let rest =
            |chunk: &ValueChunk| (chunk.signal.clone(), chunk.name, chunk.codes.clone(), chunk.configuration);
        assert_eq!(rest(&back), rest(chunk));
        bytes.len()
    }

    #[test]
    fn a_flat_hour_of_a_register_takes_less_than_a_hundred_bytes() {
        let readings: Vec<_> = (0..3600).map(|_| Reading::Good(1820_f64 * 0.1)).collect();
        assert!(comes_back(&chunk(Some(Encoding::I16), 0.1, &readings)) < 100);
    }

    #[test]
    fn a_row_without_a_value_and_a_row_that_is_absent_stay_apart() {
        let readings = [Reading::Good(1.5), Reading::Bad(NoData::SensorFault), Reading::Good(2.5)];
        let mut chunk = chunk(None, 1.0, &readings);
        chunk.codes.push(ABSENT);
        chunk.name = name(4);
        comes_back(&chunk);
        assert_eq!(chunk.codes, [0, 0x1005, 0, ABSENT]);
    }

    proptest! {
        #[test]
        fn any_values_come_back_to_the_bit(values in prop::collection::vec(any::<f64>(), 0..300), pick in 0..4_usize) {
            let encoding = [None, Some(Encoding::I16), Some(Encoding::F32), Some(Encoding::F64)][pick];
            let readings: Vec<_> = values.into_iter().map(Reading::Good).collect();
            comes_back(&chunk(encoding, 0.1, &readings));
        }

        #[test]
        fn any_times_come_back(
            rows in prop::collection::vec(any::<(i64, u64, u64)>(), 1..300),
            signals in prop::option::of(0..60_000_usize),
        ) {
            let times = Times {
                utc_ms: rows.iter().map(|row| row.0).collect(),
                uptime_us: rows.iter().map(|row| row.1).collect(),
                sequence: rows.iter().map(|row| row.2).collect(),
            };
            let chunk = TimeChunk { name: name(rows.len()), group: 2, previous: 5, times, signals };
            prop_assert_eq!(TimeChunk::read(&chunk.write()), Ok(chunk));
        }

        /// A frame keeps damage out; this is what is behind it.
        #[test]
        fn any_bytes_behind_a_right_checksum_are_refused_or_make_sense(bytes: Vec<u8>) {
            let sealed = |kind| {
                let mut out = Writer::default();
                out.raw(&bytes);
                seal(kind, out)
            };
            if let Ok(chunk) = ValueChunk::read(&sealed(VALUES)) {
                prop_assert_eq!(chunk.codes.len(), chunk.name.rows);
            }
            let _refused = TimeChunk::read(&sealed(TIMES));
        }
    }
}
