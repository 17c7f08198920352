//! Runs in the file: what each said of its signals, and the numbers by which the store knows those.

use super::layout::{self, StoredSignal};
use super::open::OpenRun;
use super::read::{signal_check, signal_row};
use super::{NewRun, bytes, counts, events, tables};
use rusqlite::{Connection, OptionalExtension as _, Transaction, params};
use std::collections::HashMap;

/// A run that the journal names, with what of it is already in the file; `None` if the file does not know it.
pub(super) fn load_run(connection: &Connection, run: i64) -> rusqlite::Result<Option<OpenRun>> {
    let found: Option<(String, String, String)> = connection
        .query_row(
            "SELECT fingerprint, layout, signals FROM runs JOIN layouts ON layout = sha256 WHERE run = ?1",
            [run],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .optional()?;
    let Some((fingerprint, sha256, text)) = found else { return Ok(None) };
    let Ok(signals) = layout::read(&text, &sha256) else { return Ok(None) };
    let mut open = OpenRun::new(run, &fingerprint, signals);
    for group in &mut open.groups {
        let last: Option<i64> = connection.query_row(
            "SELECT max(last) FROM time_chunks WHERE run = ?1 AND poll_group = ?2",
            params![run, group.number],
            |row| row.get(0),
        )?;
        group.closed = last.map_or(0, |last| last as u64);
    }
    let places: HashMap<i64, usize> =
        open.signals.iter().enumerate().map(|(index, stored)| (stored.id, index)).collect();
    for band in events::bands_of_run(connection, run)? {
        if let Some(index) = places.get(&band.signal) {
            open.take_stored_band(*index, &band);
        }
    }
    Ok(Some(open))
}

/// Checksum of a run's row.
pub(super) fn run_check(run: i64, started: i64, fingerprint: &str, version: &str, layout: &str) -> u32 {
    let numbers = [run, started].map(i64::to_le_bytes).concat();
    bytes::check_of(&[&numbers, fingerprint.as_bytes(), version.as_bytes(), layout.as_bytes()])
}

/// One more than any run that anything is known of.
pub(super) fn next_run(transaction: &Transaction<'_>) -> rusqlite::Result<i64> {
    let newest =
        "SELECT max(run) FROM (SELECT max(run) AS run FROM runs UNION ALL SELECT max(run) FROM events
        UNION ALL SELECT max(run) FROM time_chunks)";
    let newest: Option<i64> = transaction.query_row(newest, [], |row| row.get(0))?;
    Ok(newest.unwrap_or(0) + 1)
}

pub(super) fn insert_run(
    transaction: &Transaction<'_>,
    id: i64,
    run: &NewRun,
) -> rusqlite::Result<Vec<StoredSignal>> {
    let mut signals = Vec::with_capacity(run.signals.len());
    for signal in &run.signals {
        let id = signal_id(transaction, &signal.tag, signal.was.as_deref())?;
        signals.push(StoredSignal { id, signal: signal.clone() });
    }
    let (text, sha256) = layout::write(&signals);
    let added =
        transaction.execute("INSERT OR IGNORE INTO layouts VALUES (?1, ?2)", params![sha256, text])?;
    counts::count(transaction, "layouts", added)?;
    let (mut files, mut names) = (0, 0);
    for (path, content) in &run.files {
        let sha256 = layout::sha256_hex(content);
        files +=
            transaction.execute("INSERT OR IGNORE INTO files VALUES (?1, ?2)", params![sha256, content])?;
        names += transaction.execute(
            "INSERT OR IGNORE INTO folder VALUES (?1, ?2, ?3)",
            params![run.fingerprint, path, sha256],
        )?;
    }
    counts::count(transaction, "files", files)?;
    counts::count(transaction, "folder", names)?;
    let check = run_check(id, run.started.0, &run.fingerprint, &run.version, &sha256);
    let added = transaction.execute(
        "INSERT INTO runs VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        params![id, run.started.0, run.fingerprint, run.version, sha256, check],
    )?;
    counts::count(transaction, "runs", added)?;
    Ok(signals)
}

/// The store's number of a signal; a renamed one keeps its number, a new one gets the next.
fn signal_id(transaction: &Connection, tag: &str, was: Option<&str>) -> rusqlite::Result<i64> {
    let known = |tag: &str| signal_row(transaction, tag);
    if let Some(id) = known(tag)? {
        return Ok(id);
    }
    if let Some(was) = was
        && let Some(id) = known(was)?
    {
        let check = signal_check(id, tag, Some(was));
        transaction.execute(
            "UPDATE signals SET tag = ?2, was = ?3, row_check = ?4 WHERE id = ?1",
            params![id, tag, was, check],
        )?;
        return Ok(id);
    }
    // A row of this tag that contradicts its checksum can't be told from another's: it makes way.
    transaction.execute("DELETE FROM signals WHERE tag = ?1", [tag])?;
    let next = "SELECT max(coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'signals'), 0),
        coalesce((SELECT max(id) FROM signals), 0)) + 1";
    let id: i64 = transaction.query_row(next, [], |row| row.get(0))?;
    if id > tables::SIGNAL_MAX {
        // Sixty-five thousand names in the life of one history.
        return Err(rusqlite::Error::IntegralValueOutOfRange(0, id));
    }
    transaction.execute(
        "INSERT INTO signals VALUES (?1, ?2, NULL, ?3)",
        params![id, tag, signal_check(id, tag, None)],
    )?;
    Ok(id)
}
