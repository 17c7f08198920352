//! Rows of a window as they were kept, all signals of a poll side by side: for whoever follows the line again.
//!
//! `read.rs` answers by signal. Following a line by signal means putting millions of readings back into their polls; here each
//! chunk of a poll group is read once and its rows come out whole. Nothing is left out silently: what can't be read is counted.

use super::HistoryError;
use super::chunk::{TimeChunk, ValueChunk};
use super::open::RawRow;
use super::quality::{ABSENT, has_value, reading_of};
use super::query::Span;
use super::read::{Reading, hour_of};
use super::tables::{of_value_key, value_keys};
use setward_protocol::{Sample, SignalId, Uptime, UtcMillis};
use std::collections::BTreeMap;
use std::ops::{ControlFlow, Range};

/// What one poll of one group brought.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptRow {
    /// The run it is of.
    pub run: i64,
    /// Its number in the store: never given twice, in the order of keeping.
    pub sequence: u64,
    /// Wall time.
    pub utc: UtcMillis,
    /// Time of the run, to the microsecond.
    pub at: Uptime,
    /// Where its readings are in [`KeptRows::samples`].
    pub samples: Range<usize>,
}

/// The rows of a window.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct KeptRows {
    /// In the order in which they were kept.
    pub rows: Vec<KeptRow>,
    /// The readings of all rows; those of a row lie together, in the order of the tags that were asked for. A signal is known
    /// by its place among these.
    pub samples: Vec<Sample>,
    /// Chunks that could not be read.
    pub unreadable: u32,
    /// A signal that has something in one of these; `None` also where whole rows can't be read.
    pub unreadable_tag: Option<String>,
}

/// Which signals are asked for.
struct Asked<'a> {
    tags: &'a [String],
    /// By the store's number, the place among the tags.
    places: BTreeMap<i64, SignalId>,
    span: Span,
}

/// One signal's part of a chunk, and how many of its values have been given.
struct Column {
    signal: SignalId,
    chunk: ValueChunk,
    next: usize,
}

impl Reading<'_> {
    /// The rows of a window with what they hold of these signals.
    pub(super) fn kept_rows(&mut self, tags: &[String], span: Span) -> Result<KeptRows, HistoryError> {
        let failed = |error| HistoryError::during("reading history", &error);
        let asked = Asked { tags, places: self.places(tags).map_err(failed)?, span };
        let mut found = KeptRows::default();
        let before = self.unreadable;
        let range = [hour_of(span.from().0), span.to().0 - 1];
        self.rows(
            "SELECT first FROM time_chunks WHERE start_utc_ms BETWEEN ?1 AND ?2 ORDER BY start_utc_ms",
            range,
            |reading, row| {
                let first = row.get::<_, i64>(0)? as u64;
                if !reading.open.firsts.contains(&first) {
                    reading.take_chunk(first, &asked, &mut found)?;
                }
                Ok(ControlFlow::Continue(()))
            },
        )
        .map_err(failed)?;
        self.take_open(&asked, &mut found);
        found.rows.sort_by_key(|row| row.sequence);
        found.unreadable = self.unreadable - before;
        Ok(found)
    }

    /// Where each signal that the store knows stands among the tags.
    fn places(&mut self, tags: &[String]) -> rusqlite::Result<BTreeMap<i64, SignalId>> {
        let mut places = BTreeMap::new();
        for (tag, place) in tags.iter().zip(0..) {
            if let Some(known) = self.signal_id(tag)? {
                places.insert(known, SignalId(place));
            }
        }
        Ok(places)
    }

    fn take_chunk(&mut self, first: u64, asked: &Asked<'_>, found: &mut KeptRows) -> rusqlite::Result<()> {
        let times = self.times_of(first)?;
        // Before its values are taken apart: a window may be much shorter than a chunk.
        if let Some(times) = &times
            && !times.times.utc_ms.iter().any(|utc| asked.span.contains(UtcMillis(*utc)))
        {
            return Ok(());
        }
        let mut columns = Vec::new();
        let mut statement =
            self.connection.prepare_cached("SELECT key, block FROM chunks WHERE key BETWEEN ?1 AND ?2")?;
        let mut blocks = statement.query(value_keys(first))?;
        while let Some(block) = blocks.next()? {
            let (_, signal) = of_value_key(block.get(0)?);
            let Some(place) = asked.places.get(&signal).copied() else { continue };
            let chunk = block.get_ref(1)?.as_blob().ok().and_then(|bytes| ValueChunk::read(bytes).ok());
            let name = times.as_ref().map(|times| times.name);
            let chunk = chunk.filter(|chunk| chunk.signal.id == signal && Some(chunk.name) == name);
            match chunk {
                Some(chunk) => columns.push(Column { signal: place, chunk, next: 0 }),
                None => {
                    self.unreadable += 1;
                    found.unreadable_tag = asked.tags.get(place.index()).cloned();
                }
            }
        }
        columns.sort_by_key(|column| column.signal);
        if let Some(times) = times {
            found.put_chunk(&times, columns, asked.span);
        }
        Ok(())
    }

    /// What is not in the file yet: at most an hour.
    fn take_open(&self, asked: &Asked<'_>, found: &mut KeptRows) {
        // Each with its number, so that putting them in order looks at nothing else.
        let mut pieces: Vec<(u64, i64, SignalId, &RawRow)> = Vec::new();
        for (tag, place) in asked.tags.iter().zip(0..) {
            for slice in self.open.slices_of(tag) {
                let own = slice.rows.iter().filter(|row| asked.span.contains(UtcMillis(row.utc_ms)));
                pieces.extend(own.map(|row| (row.sequence, slice.run, SignalId(place), row)));
            }
        }
        pieces.sort_by_key(|(sequence, ..)| *sequence);
        found.samples.reserve(pieces.len());
        for row in pieces.chunk_by(|(one, ..), (next, ..)| one == next) {
            let Some((sequence, run, _, first)) = row.first() else { continue };
            let (start, at) = (found.samples.len(), uptime(first.uptime_us));
            let sample = |(_, _, signal, row): &(u64, i64, SignalId, &RawRow)| Sample {
                signal: *signal,
                at,
                reading: reading_of(row.code, row.value),
            };
            found.samples.extend(row.iter().map(sample));
            let (samples, utc) = (start..found.samples.len(), UtcMillis(first.utc_ms));
            found.rows.push(KeptRow { run: *run, sequence: *sequence, utc, at, samples });
        }
    }
}

impl KeptRows {
    /// The rows of a chunk that lie in the window.
    fn put_chunk(&mut self, times: &TimeChunk, mut columns: Vec<Column>, span: Span) {
        self.samples.reserve(columns.iter().map(|column| column.chunk.codes.len()).sum());
        let clocks = times.times.utc_ms.iter().zip(&times.times.uptime_us).zip(&times.times.sequence);
        for (row, ((utc_ms, uptime_us), sequence)) in clocks.enumerate() {
            let (start, at) = (self.samples.len(), uptime(*uptime_us));
            for column in &mut columns {
                let code = column.chunk.codes.get(row).copied().unwrap_or(ABSENT);
                let value = column.value(code);
                if code != ABSENT {
                    self.samples.push(Sample { signal: column.signal, at, reading: reading_of(code, value) });
                }
            }
            if !span.contains(UtcMillis(*utc_ms)) {
                self.samples.truncate(start);
            } else if self.samples.len() > start {
                let samples = start..self.samples.len();
                let (run, sequence) = (times.name.run, *sequence);
                self.rows.push(KeptRow { run, sequence, utc: UtcMillis(*utc_ms), at, samples });
            }
        }
    }
}

impl Column {
    /// The value of the next row, if its code says that it has one.
    fn value(&mut self, code: u16) -> f64 {
        if !has_value(code) {
            return 0.0;
        }
        let value = self.chunk.values.get(self.next).copied().unwrap_or_default();
        self.next += 1;
        value
    }
}

const fn uptime(us: u64) -> Uptime {
    Uptime::from_nanos(us.saturating_mul(1000))
}

#[cfg(test)]
#[path = "rows_tests.rs"]
mod tests;
