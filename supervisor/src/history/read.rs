//! Answers from the file's chunks and the open ones together. Works on any connection, the writer's or a reader's.
//!
//! What can't be read is left out and counted: never a wrong value.

use super::bytes::check_of;
use super::chunk::{TimeChunk, ValueChunk};
use super::events::{StoredBand, bands_of};
use super::open::{RawRow, rows_of};
use super::quality::reading_of;
use super::query::{ExactSample, KnownBand, POINTS_MAX, SignalSamples, Span};
use super::tables::{is_damage, roll_up_key, value_key};
use super::{HistoryError, StoredSample};
use rusqlite::{Connection, OptionalExtension as _, Row};
use setward_protocol::{Uptime, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::rc::Rc;

const HOUR_MS: i64 = 3_600_000;
/// Blocks of times kept at hand: signals of one group share them.
const TIMES_KEPT: usize = 64;

/// The open readings of one signal.
#[derive(Debug, Clone, Default)]
pub(super) struct OpenSlice {
    pub run: i64,
    pub gap_limit_us: u64,
    pub unit: String,
    pub rows: Vec<RawRow>,
}

/// What is not in the file yet, as far as a question needs it.
#[derive(Debug, Clone, Default)]
pub(super) struct OpenPart {
    /// How often the file has been replaced.
    pub generation: u64,
    /// First sequence numbers of the open chunks: should one have been put into the file meanwhile, it is not read twice.
    pub firsts: BTreeSet<u64>,
    /// By tag.
    pub slices: BTreeMap<String, Vec<OpenSlice>>,
}

impl OpenPart {
    pub(super) fn slices_of(&self, tag: &str) -> &[OpenSlice] {
        self.slices.get(tag).map_or(&[], Vec::as_slice)
    }
}

/// Reads chunks; remembers what was damaged.
#[derive(Debug)]
pub(super) struct Reading<'a> {
    pub connection: &'a Connection,
    pub open: &'a OpenPart,
    /// Blocks that could not be read.
    pub unreadable: u32,
    /// Whether the file itself is damaged, beyond single blocks.
    pub is_file_damaged: bool,
    times: BTreeMap<u64, Option<Rc<TimeChunk>>>,
}

impl<'a> Reading<'a> {
    pub(super) fn new(connection: &'a Connection, open: &'a OpenPart) -> Self {
        Self { connection, open, unreadable: 0, is_file_damaged: false, times: BTreeMap::new() }
    }

    /// The store's number of a tag, or of a tag that it once had.
    pub(super) fn signal_id(&mut self, tag: &str) -> rusqlite::Result<Option<i64>> {
        let found = signal_row(self.connection, tag);
        match found {
            Err(error) if is_damage(&error) => {
                self.is_file_damaged = true;
                Ok(None)
            }
            found => found,
        }
    }

    /// Every chunk of a signal that may hold something of the window, in order of its hour.
    pub(super) fn chunks(
        &mut self,
        signal: i64,
        from_ms: i64,
        to_ms: i64,
        newest_first: bool,
        mut visit: impl FnMut(&mut Self, i64, &ValueChunk, &TimeChunk) -> ControlFlow<()>,
    ) -> rusqlite::Result<()> {
        let sql = if newest_first {
            "SELECT first, start_utc_ms FROM time_chunks WHERE start_utc_ms BETWEEN ?1 AND ?2 ORDER BY start_utc_ms DESC"
        } else {
            "SELECT first, start_utc_ms FROM time_chunks WHERE start_utc_ms BETWEEN ?1 AND ?2 ORDER BY start_utc_ms"
        };
        // A chunk never crosses an hour.
        let range = [hour_of(from_ms), to_ms];
        self.rows(sql, range, |reading, row| {
            let (first, start_ms) = (row.get::<_, i64>(0)? as u64, row.get::<_, i64>(1)?);
            if reading.open.firsts.contains(&first) {
                return Ok(ControlFlow::Continue(()));
            }
            let Some(block) = reading.values_of(first, signal)? else { return Ok(ControlFlow::Continue(())) };
            let chunk = ValueChunk::read(&block).ok();
            let chunk = chunk.filter(|chunk| chunk.signal.id == signal && chunk.name.first == first);
            let (Some(chunk), Some(times)) = (chunk, reading.times_of(first)?) else {
                reading.unreadable += 1;
                return Ok(ControlFlow::Continue(()));
            };
            if times.name != chunk.name {
                reading.unreadable += 1;
                return Ok(ControlFlow::Continue(()));
            }
            Ok(visit(reading, start_ms, &chunk, &times))
        })
    }

    /// The roll-ups of a signal that may hold something of the window.
    pub(super) fn roll_ups(
        &mut self,
        sql: &str,
        signal: i64,
        from_ms: i64,
        to_ms: i64,
        visit: impl FnMut(&mut Self, &Row<'_>) -> rusqlite::Result<ControlFlow<()>>,
    ) -> rusqlite::Result<()> {
        let last = hour_of(to_ms).saturating_add(HOUR_MS - 1);
        self.rows(sql, [roll_up_key(signal, hour_of(from_ms)), roll_up_key(signal, last)], visit)
    }

    /// Runs over rows; a damaged page ends it and is counted.
    pub(super) fn rows(
        &mut self,
        sql: &str,
        range: [i64; 2],
        mut visit: impl FnMut(&mut Self, &Row<'_>) -> rusqlite::Result<ControlFlow<()>>,
    ) -> rusqlite::Result<()> {
        let mut statement = self.connection.prepare_cached(sql)?;
        let mut rows = statement.query(range)?;
        loop {
            let step = match rows.next() {
                Ok(Some(row)) => visit(self, row),
                Ok(None) => return Ok(()),
                Err(error) => Err(error),
            };
            match step {
                Ok(ControlFlow::Continue(())) => {}
                Ok(ControlFlow::Break(())) => return Ok(()),
                Err(error) if is_damage(&error) => {
                    self.unreadable += 1;
                    self.is_file_damaged = true;
                    return Ok(());
                }
                Err(error) => return Err(error),
            }
        }
    }

    fn values_of(&self, first: u64, signal: i64) -> rusqlite::Result<Option<Vec<u8>>> {
        let mut statement = self.connection.prepare_cached("SELECT block FROM chunks WHERE key = ?1")?;
        statement.query_row([value_key(first, signal)], |row| row.get(0)).optional()
    }

    pub(super) fn times_of(&mut self, first: u64) -> rusqlite::Result<Option<Rc<TimeChunk>>> {
        if let Some(known) = self.times.get(&first) {
            return Ok(known.clone());
        }
        let mut statement =
            self.connection.prepare_cached("SELECT block FROM time_chunks WHERE first = ?1")?;
        let block: Option<Vec<u8>> = statement.query_row([first as i64], |row| row.get(0)).optional()?;
        let times = block.and_then(|block| TimeChunk::read(&block).ok()).map(Rc::new);
        if self.times.len() >= TIMES_KEPT {
            self.times.clear();
        }
        self.times.insert(first, times.clone());
        Ok(times)
    }

    /// The newest `limit` readings of a window, in order of time.
    pub(super) fn newest(
        &mut self,
        tag: &str,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        let in_window = |row: &RawRow| from.0 <= row.utc_ms && row.utc_ms < to.0;
        let open = self.open.slices_of(tag).iter().flat_map(|slice| slice.rows.iter().copied());
        let mut rows: Vec<RawRow> = open.filter(in_window).collect();
        let mut hour_before = i64::MAX;
        let failed = |error| HistoryError::during("reading history", &error);
        if let Some(signal) = self.signal_id(tag).map_err(failed)? {
            self.chunks(signal, from.0, to.0.saturating_sub(1), true, |_, start_ms, chunk, times| {
                let hour = hour_of(start_ms);
                // Chunks of one hour may overlap after a step of the clock; those of two never do.
                if hour < hour_before
                    && rows.iter().filter(|row| row.utc_ms >= hour_before).take(limit).count() >= limit
                {
                    return ControlFlow::Break(());
                }
                hour_before = hour;
                rows.extend(rows_of(&times.times, &chunk.codes, &chunk.values).into_iter().filter(in_window));
                ControlFlow::Continue(())
            })
            .map_err(failed)?;
        }
        rows.sort_by_key(|row| (row.utc_ms, row.sequence));
        rows.drain(..rows.len().saturating_sub(limit));
        let stored = |row: &RawRow| StoredSample {
            utc: UtcMillis(row.utc_ms),
            reading: reading_of(row.code, row.value),
        };
        Ok(rows.iter().map(stored).collect())
    }

    /// Every reading of a window with all its times, the oldest first, at most `limit`.
    pub(super) fn exact(
        &mut self,
        tag: &str,
        span: Span,
        limit: usize,
    ) -> Result<SignalSamples, HistoryError> {
        let mut rows: Vec<(i64, RawRow)> = Vec::new();
        let in_window = |row: &RawRow| span.contains(UtcMillis(row.utc_ms));
        let failed = |error| HistoryError::during("reading history", &error);
        let unreadable = self.unreadable;
        let signal = self.signal_id(tag).map_err(failed)?;
        let mut last_hour = i64::MIN;
        let mut unit = String::new();
        if let Some(signal) = signal {
            self.chunks(signal, span.from().0, span.to().0 - 1, false, |_, start_ms, chunk, times| {
                let hour = hour_of(start_ms);
                if hour > last_hour && rows.len() > limit {
                    return ControlFlow::Break(());
                }
                last_hour = hour;
                unit.clone_from(&chunk.signal.signal.unit);
                let own = rows_of(&times.times, &chunk.codes, &chunk.values).into_iter().filter(in_window);
                rows.extend(own.map(|row| (chunk.name.run, row)));
                ControlFlow::Continue(())
            })
            .map_err(failed)?;
        }
        for slice in self.open.slices_of(tag) {
            unit.clone_from(&slice.unit);
            rows.extend(slice.rows.iter().copied().filter(in_window).map(|row| (slice.run, row)));
        }
        rows.sort_by_key(|(_, row)| (row.utc_ms, row.sequence));
        let is_cut = rows.len() > limit;
        rows.truncate(limit);
        let exact = |(run, row): &(i64, RawRow)| ExactSample {
            run: *run,
            sequence: row.sequence,
            utc: UtcMillis(row.utc_ms),
            at: Uptime::from_nanos(row.uptime_us.saturating_mul(1000)),
            reading: reading_of(row.code, row.value),
        };
        Ok(SignalSamples {
            tag: tag.to_owned(),
            is_known: signal.is_some(),
            unit,
            bands: self.known_bands(signal).map_err(failed)?,
            samples: rows.iter().map(exact).collect(),
            is_cut,
            unreadable: self.unreadable - unreadable,
        })
    }

    pub(super) fn known_bands(&self, signal: Option<i64>) -> rusqlite::Result<Vec<KnownBand>> {
        let Some(signal) = signal else { return Ok(Vec::new()) };
        let stored = match bands_of(self.connection, signal) {
            Err(error) if is_damage(&error) => Vec::new(),
            bands => bands?,
        };
        let known = |band: &StoredBand| KnownBand {
            run: band.run,
            at: Uptime::from_nanos(u64::try_from(band.uptime_us).unwrap_or(0).saturating_mul(1000)),
            utc: UtcMillis(band.utc_ms),
            setpoint: band.setpoint,
            tolerance: band.tolerance,
        };
        Ok(stored.iter().map(known).collect())
    }

    /// [`Self::exact`] of several signals, which share the number of readings that may be given.
    pub(super) fn exact_of(
        &mut self,
        tags: &[String],
        span: Span,
    ) -> Result<Vec<SignalSamples>, HistoryError> {
        let each = POINTS_MAX / tags.len().max(1);
        tags.iter().map(|tag| self.exact(tag, span, each)).collect()
    }

    /// The newest reading of a signal.
    pub(super) fn latest(&mut self, tag: &str) -> Result<Option<StoredSample>, HistoryError> {
        let newest = self.newest(tag, UtcMillis(i64::MIN), UtcMillis(i64::MAX), 1)?;
        Ok(newest.last().copied())
    }
}

/// The beginning of the hour of UTC.
pub(super) const fn hour_of(utc_ms: i64) -> i64 {
    utc_ms.div_euclid(HOUR_MS).saturating_mul(HOUR_MS)
}

/// Checksum of a row of signals.
pub(super) fn signal_check(id: i64, tag: &str, was: Option<&str>) -> u32 {
    check_of(&[&id.to_le_bytes(), tag.as_bytes(), was.unwrap_or_default().as_bytes()])
}

/// The store's number of a tag, or of a tag that it once had.
pub(super) fn signal_row(connection: &Connection, tag: &str) -> rusqlite::Result<Option<i64>> {
    let mut statement = connection.prepare_cached(
        "SELECT id, tag, was, row_check FROM signals WHERE tag = ?1 OR was = ?1 ORDER BY tag != ?1",
    )?;
    let read = |row: &Row<'_>| -> rusqlite::Result<Option<i64>> {
        let (id, tag, was): (i64, String, Option<String>) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let check: u32 = row.get(3)?;
        Ok((check == signal_check(id, &tag, was.as_deref())).then_some(id))
    };
    statement.query_row([tag], read).optional().map(Option::flatten)
}
