//! Envelopes: what a trend draws, from the coarsest level that loses nothing at its width.

use super::HistoryError;
use super::bytes::Damage;
use super::events::{StoredBand, bands_of};
use super::open::{RawRow, rows_of};
use super::quality::{GOOD, has_value};
use super::query::{Envelope, Level, Window};
use super::read::{OpenSlice, Reading};
use super::rollup::{Builder, RollUp, Step, Stretch};
use super::tables::is_damage;
use std::ops::ControlFlow;

impl Reading<'_> {
    /// The envelope of each signal of the window.
    pub(super) fn envelopes(&mut self, window: &Window) -> Result<Vec<Envelope>, HistoryError> {
        window.tags().iter().map(|tag| self.envelope(tag, window)).collect()
    }

    fn envelope(&mut self, tag: &str, window: &Window) -> Result<Envelope, HistoryError> {
        let failed = |error| HistoryError::during("reading history", &error);
        let level = window.level();
        let mut envelope = Envelope::empty(tag, window, level);
        let unreadable = self.unreadable;
        let Some(signal) = self.signal_id(tag).map_err(failed)? else {
            self.count_known_open(tag, &mut envelope);
            return Ok(envelope);
        };
        envelope.is_known = true;
        let bands = match bands_of(self.connection, signal) {
            Err(error) if is_damage(&error) => Vec::new(),
            bands => bands.map_err(failed)?,
        };
        match level {
            Level::Samples => self.put_chunks(signal, window, &bands, &mut envelope),
            Level::Minutes => self.put_roll_ups(signal, window, Step::Minute, &mut envelope),
            Level::Hours => self.put_roll_ups(signal, window, Step::Hour, &mut envelope),
        }
        .map_err(failed)?;
        for slice in self.open.slices_of(tag) {
            put_open(slice, window, &bands, &mut envelope);
        }
        envelope.unreadable = self.unreadable - unreadable;
        Ok(envelope)
    }

    /// A signal whose row is damaged has nothing to show; it may still be known.
    fn count_known_open(&self, tag: &str, envelope: &mut Envelope) {
        envelope.is_known = !self.open.slices_of(tag).is_empty();
        envelope.unreadable = u32::from(self.is_file_damaged);
    }

    fn put_chunks(
        &mut self,
        signal: i64,
        window: &Window,
        bands: &[StoredBand],
        envelope: &mut Envelope,
    ) -> rusqlite::Result<()> {
        let span = window.span();
        self.chunks(signal, span.from().0, span.to().0 - 1, false, |_, _, chunk, times| {
            let slice = OpenSlice {
                run: chunk.name.run,
                gap_limit_us: chunk.signal.signal.gap_limit.as_micros() as u64,
                unit: String::new(),
                rows: rows_of(&times.times, &chunk.codes, &chunk.values),
            };
            put_samples(&slice, window, bands, envelope);
            ControlFlow::Continue(())
        })
    }

    fn put_roll_ups(
        &mut self,
        signal: i64,
        window: &Window,
        step: Step,
        envelope: &mut Envelope,
    ) -> rusqlite::Result<()> {
        let sql = match step {
            Step::Minute => "SELECT key, block FROM minutes WHERE key BETWEEN ?1 AND ?2 ORDER BY key",
            Step::Hour => "SELECT key, block FROM hours WHERE key BETWEEN ?1 AND ?2 ORDER BY key",
        };
        let span = window.span();
        self.roll_ups(sql, signal, span.from().0, span.to().0 - 1, |reading, row| {
            let block = row.get_ref(1)?.as_blob().map_err(|_| Damage::Foreign);
            let rolled = block.and_then(RollUp::read).ok();
            match rolled.filter(|rolled| rolled.signal == signal && rolled.step == step) {
                Some(rolled) if reading.open.firsts.contains(&rolled.first) => {}
                Some(rolled) => put_entries(&rolled.entries, step, window, envelope),
                None => reading.unreadable += 1,
            }
            Ok(ControlFlow::Continue(()))
        })
    }
}

/// An entry belongs to the column of its start; one that began before the window and reaches into it, to the first.
fn put_entries(entries: &[(i64, Stretch)], step: Step, window: &Window, envelope: &mut Envelope) {
    for (index, entry) in entries {
        let start = index.saturating_mul(step.ms());
        if start.saturating_add(step.ms()) > window.span().from().0 {
            envelope.put(window, start, |column| column.merge(entry));
        }
    }
}

fn put_open(slice: &OpenSlice, window: &Window, bands: &[StoredBand], envelope: &mut Envelope) {
    let step = match window.level() {
        Level::Samples => return put_samples(slice, window, bands, envelope),
        Level::Minutes => Step::Minute,
        Level::Hours => Step::Hour,
    };
    let mut builder = Builder::new(step, slice.gap_limit_us);
    for row in &slice.rows {
        let band = band_at(bands, slice.run, row.uptime_us);
        let value = has_value(row.code).then_some(row.value);
        builder.sample(row.utc_ms, row.uptime_us, value, row.code == GOOD, band);
    }
    put_entries(&builder.finish(), step, window, envelope);
}

/// Single readings; the line between two belongs to the column of its end.
fn put_samples(slice: &OpenSlice, window: &Window, bands: &[StoredBand], envelope: &mut Envelope) {
    let mut last: Option<&RawRow> = None;
    for row in &slice.rows {
        let is_inside = window.span().contains(setward_protocol::UtcMillis(row.utc_ms));
        if is_inside {
            let value = has_value(row.code).then_some(row.value);
            let piece = last.filter(|last| last.code == GOOD && row.code == GOOD).and_then(|last| {
                let apart_us = row.uptime_us.saturating_sub(last.uptime_us);
                (apart_us > 0 && apart_us <= slice.gap_limit_us)
                    .then_some((apart_us as f64 / 1e6, last.value))
            });
            envelope.put(window, row.utc_ms, |column| {
                column.take(value);
                if let Some((seconds, from)) = piece {
                    column.take_piece(seconds, from, row.value, band_at(bands, slice.run, row.uptime_us));
                }
            });
        }
        last = Some(row);
    }
}

/// The tolerance in force at a time of a run.
fn band_at(bands: &[StoredBand], run: i64, uptime_us: u64) -> Option<(f64, f64)> {
    let before = bands.iter().rev().filter(|band| band.run == run);
    let uptime_us = i64::try_from(uptime_us).unwrap_or(i64::MAX);
    before.into_iter().find(|band| band.uptime_us <= uptime_us)?.tolerance
}
