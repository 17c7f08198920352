//! From version 1, a row a reading, to chunks. The old file is kept as it was, under a name that is told.
//!
//! The new file is built beside the old one and takes its place only when it is whole, so a cut leaves one of the two.

use super::damage::free_name;
use super::layout::RunSignal;
use super::quality::reading_of;
use super::store::Store;
use super::tables::{self, open_to_read};
use super::{AlarmRecord, Batch, Event, HistoryError, NewRun, NewSample};
use rusqlite::{Connection, Row};
use setward_protocol::{Uptime, UtcMillis};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Rows that are read and kept at a time.
const ROWS_AT_ONCE: usize = 100_000;

fn beside(file: &Path) -> PathBuf {
    file.with_extension("migrating")
}

/// A migration that was cut between its two renames is finished; one cut earlier is begun anew.
pub(super) fn finish_interrupted(file: &Path) -> Result<(), HistoryError> {
    let new = beside(file);
    if !new.exists() || file.exists() {
        return Ok(());
    }
    rename(&new, file)
}

fn rename(from: &Path, to: &Path) -> Result<(), HistoryError> {
    fs::rename(from, to).map_err(|error| HistoryError {
        text: format!("renaming {} to {}: {error}", from.display(), to.display()),
    })
}

/// Migrates the file; gives what to tell.
pub(super) fn from_rows(file: &Path) -> Result<String, HistoryError> {
    let doing = |error| HistoryError::during("migrating the history file", &error);
    let new = beside(file);
    if new.exists() {
        fs::remove_file(&new).map_err(|error| HistoryError {
            text: format!("removing the unfinished {}: {error}", new.display()),
        })?;
    }
    // What is still in the old file's log goes into it, so that the one file is all.
    let old = Connection::open(file).map_err(doing)?;
    old.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_row| Ok(())).map_err(doing)?;
    drop(old);
    let old = open_to_read(file).map_err(doing)?;
    let count = build(&old, &new)?;
    drop(old);
    let kept = free_name(file, "version-1");
    rename(file, &kept)?;
    rename(&new, file)?;
    Ok(format!(
        "{count} readings were taken over from a history of version 1, which is kept as {}",
        kept.display()
    ))
}

/// The same history in the tables of today, on the disk when this returns.
fn build(old: &Connection, new: &Path) -> Result<u64, HistoryError> {
    let doing = |error| HistoryError::during("migrating the history file", &error);
    let connection = tables::make_or_open(new).map_err(doing)?;
    tables::prepare(&connection, 0).map_err(doing)?;
    let mut store = Store::migrating(connection);
    let mut runs = old
        .prepare("SELECT run, started_utc_ms, fingerprint, version FROM runs ORDER BY run")
        .map_err(doing)?;
    let runs: Vec<(i64, i64, String, String)> = runs
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))
        .and_then(Iterator::collect)
        .map_err(doing)?;
    let mut count = 0;
    for (run, started, fingerprint, version) in runs {
        let signals = signals_of(old, run).map_err(doing)?;
        let places: BTreeMap<i64, u16> = signals.iter().map(|(id, _)| *id).zip(0..).collect();
        let started = UtcMillis(started);
        let signals = signals.into_iter().map(|(_, signal)| signal).collect();
        store.start_numbered(run, &NewRun { started, fingerprint, version, signals, files: Vec::new() })?;
        count += take_run(old, &mut store, run, &places)?;
    }
    let alarms = read_all(old, "SELECT * FROM alarm_records", read_record).map_err(doing)?;
    store.keep_migrated(Batch { alarms, ..Batch::default() })?;
    store.finish_migration()?;
    Ok(count)
}

/// The signals of a run: those that first appeared at one time were read together.
fn signals_of(old: &Connection, run: i64) -> rusqlite::Result<Vec<(i64, RunSignal)>> {
    let mut statement = old.prepare(
        "SELECT id, tag, min(uptime_ns) FROM samples JOIN signals ON signal = id WHERE run = ?1 GROUP BY id ORDER BY id",
    )?;
    let found: Vec<(i64, String, i64)> = statement
        .query_map([run], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
        .collect::<rusqlite::Result<_>>()?;
    let mut groups: BTreeMap<i64, u16> = BTreeMap::new();
    let signal = |(id, tag, first): &(i64, String, i64)| {
        let next = groups.len() as u16;
        let poll_group = *groups.entry(*first).or_insert(next);
        (*id, RunSignal { poll_group, gap_limit: Duration::from_secs(5), ..RunSignal::of_tag(tag) })
    };
    Ok(found.iter().map(signal).collect())
}

fn take_run(
    old: &Connection,
    store: &mut Store,
    run: i64,
    places: &BTreeMap<i64, u16>,
) -> Result<u64, HistoryError> {
    let doing = |error| HistoryError::during("migrating the history file", &error);
    let sql = "SELECT signal, utc_ms, uptime_ns, value, quality FROM samples WHERE run = ?1 ORDER BY utc_ms, uptime_ns, signal";
    let mut statement = old.prepare(sql).map_err(doing)?;
    let mut rows = statement.query([run]).map_err(doing)?;
    let (mut count, mut samples) = (0, Vec::new());
    while let Some(row) = rows.next().map_err(doing)? {
        samples.extend(read_sample(row, places).map_err(doing)?);
        count += 1;
        if samples.len() >= ROWS_AT_ONCE {
            store.keep_migrated(Batch { samples: std::mem::take(&mut samples), ..Batch::default() })?;
        }
    }
    let events = "SELECT sequence, utc_ms, uptime_ns, alarm, occurrence, what, states, onset_utc_ms, value, exposure, by, note
        FROM events WHERE run = ?1 ORDER BY sequence";
    let mut statement = old.prepare(events).map_err(doing)?;
    let events = statement.query_map([run], read_event).and_then(Iterator::collect).map_err(doing)?;
    store.keep_migrated(Batch { samples, events, ..Batch::default() })?;
    Ok(count)
}

fn read_sample(row: &Row<'_>, places: &BTreeMap<i64, u16>) -> rusqlite::Result<Option<NewSample>> {
    let Some(signal) = places.get(&row.get(0)?).copied() else { return Ok(None) };
    let (utc, uptime_ns): (i64, i64) = (row.get(1)?, row.get(2)?);
    let (value, quality): (Option<f64>, i64) = (row.get(3)?, row.get(4)?);
    let at = Uptime::from_nanos(u64::try_from(uptime_ns).unwrap_or(0));
    // The numbers of qualities are the same in both versions; a value that is missing is no data.
    let code = match value {
        None if quality < 0x1000 => 0x1003,
        Some(_) | None => u16::try_from(quality).unwrap_or(0x1003),
    };
    let reading = reading_of(code, value.unwrap_or(0.0));
    Ok(Some(NewSample { signal, utc: UtcMillis(utc), at, reading }))
}

fn read_event(row: &Row<'_>) -> rusqlite::Result<Event> {
    Ok(Event {
        sequence: u64::try_from(row.get::<_, i64>(0)?).unwrap_or(0),
        utc: UtcMillis(row.get(1)?),
        at: Uptime::from_nanos(u64::try_from(row.get::<_, i64>(2)?).unwrap_or(0)),
        alarm: row.get(3)?,
        occurrence: row.get(4)?,
        what: row.get(5)?,
        states: row.get(6)?,
        onset: row.get::<_, Option<i64>>(7)?.map(UtcMillis),
        value: row.get(8)?,
        exposure: row.get(9)?,
        by: row.get(10)?,
        note: row.get(11)?,
    })
}

fn read_record(row: &Row<'_>) -> rusqlite::Result<AlarmRecord> {
    let state: String = row.get(1)?;
    let utc = |column: usize| row.get::<_, Option<i64>>(column).map(|utc| utc.map(UtcMillis));
    let by: Option<String> = row.get(8)?;
    Ok(AlarmRecord {
        id: row.get(0)?,
        state: state.chars().next().unwrap_or('A'),
        occurrence: row.get(2)?,
        was_told: true,
        drops_exposure: false,
        exposure: row.get(3)?,
        waited: std::time::Duration::ZERO,
        waited_under: 0,
        onset: utc(4)?,
        raised: utc(5)?,
        cleared: utc(6)?,
        acknowledged: utc(7)?.map(|at| (at, by.unwrap_or_default())),
        shelf: None,
        out_of_service: None,
    })
}

fn read_all<T>(
    old: &Connection,
    sql: &str,
    read: impl Fn(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    old.prepare(sql)?.query_map([], read)?.collect()
}

#[cfg(test)]
#[path = "migrate_tests.rs"]
mod tests;
