//! What a server is sent: the readings of rows after a number, in their order, from the file and from memory together; and how
//! far each server has come.
//!
//! The store is the queue: nothing is kept a second time. A place in it is a row's number, so a step of the clock neither skips
//! nor repeats anything.

use super::bytes::check_of;
use super::chunk::{TimeChunk, ValueChunk};
use super::open::{OpenRun, RawRow, rows_of};
use super::quality::reading_of;
use super::tables::value_keys;
use rusqlite::{Connection, OptionalExtension as _, params};
use setward_protocol::{Reading, UtcMillis};
use std::collections::BTreeSet;

/// Rows of one page.
const ROWS_A_PAGE: u64 = 8_192;
/// No chunk that begins so many rows before another row can still hold it: an hour of 64 controllers, ten times a second.
const CHUNK_REACH: u64 = 3_000_000;

/// A reading on its way.
#[derive(Debug, Clone, PartialEq)]
pub struct ForwardReading {
    /// Its row.
    pub sequence: u64,
    /// Its run.
    pub run: i64,
    /// Wall time.
    pub utc: UtcMillis,
    /// Its signal.
    pub tag: String,
    /// The reading.
    pub reading: Reading,
}

/// The next readings after some row.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ForwardPage {
    /// In the order of their rows.
    pub readings: Vec<ForwardReading>,
    /// The last row of the page: ask for what comes after it.
    pub last: u64,
    /// The newest row that the history has; less than what was asked for if it was begun anew.
    pub newest: u64,
    /// Rows of the page that can't be read any more: dropped for their age, or damaged.
    pub lost_rows: u64,
}

/// What of a page is not in the file.
#[derive(Debug, Clone, Default)]
pub(super) struct OpenRows {
    /// The lowest open row after the one asked for.
    pub start: Option<u64>,
    /// The newest row of all.
    pub newest: u64,
    /// First rows of the open chunks: what is in both is taken from here.
    pub firsts: BTreeSet<u64>,
    pub readings: Vec<ForwardReading>,
}

/// Where the open rows after `after` begin, and, up to `until`, what is in them.
pub(super) fn open_rows<'a>(
    runs: impl IntoIterator<Item = &'a OpenRun>,
    after: u64,
    until: Option<u64>,
) -> OpenRows {
    let mut open = OpenRows::default();
    for run in runs {
        for chunk in run.chunks() {
            open.firsts.extend(chunk.span().map(|(first, _)| first));
            let start = chunk.first_after(after);
            open.start = open.start.into_iter().chain(start).min();
            let (Some(until), Some(_)) = (until, start) else { continue };
            let signals = run.groups.get(chunk.group).map_or(&[][..], |group| &group.signals);
            for (column, signal) in signals.iter().enumerate() {
                let Some(stored) = run.signals.get(*signal) else { continue };
                let rows = chunk.column_between(column, after, until);
                open.readings.extend(rows.iter().map(|row| reading(row, run.run, &stored.signal.tag)));
            }
        }
    }
    open
}

fn reading(row: &RawRow, run: i64, tag: &str) -> ForwardReading {
    ForwardReading {
        sequence: row.sequence,
        run,
        utc: UtcMillis(row.utc_ms),
        tag: tag.to_owned(),
        reading: reading_of(row.code, row.value),
    }
}

/// The lowest row after `after` that the file has.
pub(super) fn start_in_file(connection: &Connection, after: u64) -> rusqlite::Result<Option<u64>> {
    let sql = "SELECT first FROM time_chunks WHERE first > ?1 AND last > ?2 ORDER BY first LIMIT 1";
    let reach = after.saturating_sub(CHUNK_REACH) as i64;
    let mut statement = connection.prepare_cached(sql)?;
    let first: Option<i64> = statement.query_row([reach, after as i64], |row| row.get(0)).optional()?;
    Ok(first.map(|first| (first as u64).max(after + 1)))
}

/// The last row of a page that begins at the lower of two rows; `None` if there is nothing after `after`.
pub(super) fn end_of_page(in_file: Option<u64>, in_memory: Option<u64>, newest: u64) -> Option<u64> {
    let start = in_file.into_iter().chain(in_memory).min()?;
    Some(start.saturating_add(ROWS_A_PAGE - 1).min(newest.max(start)))
}

/// The page: the open rows, and what the file has up to `until`.
pub(super) fn page(
    connection: &Connection,
    after: u64,
    until: u64,
    open: OpenRows,
) -> rusqlite::Result<ForwardPage> {
    let mut readings = open.readings;
    let sql = "SELECT first, block FROM time_chunks WHERE first > ?1 AND first <= ?2 AND last > ?3";
    let reach = after.saturating_sub(CHUNK_REACH) as i64;
    let mut statement = connection.prepare_cached(sql)?;
    let mut rows = statement.query(params![reach, until as i64, after as i64])?;
    while let Some(row) = rows.next()? {
        let first = row.get::<_, i64>(0)? as u64;
        let block = row.get_ref(1)?.as_blob().unwrap_or_default();
        let times = if open.firsts.contains(&first) { None } else { TimeChunk::read(block).ok() };
        if let Some(times) = times {
            from_chunk(connection, &times, (after, until), &mut readings)?;
        }
    }
    readings.sort_by(|one, other| (one.sequence, &one.tag).cmp(&(other.sequence, &other.tag)));
    let found: BTreeSet<u64> = readings.iter().map(|reading| reading.sequence).collect();
    let lost_rows = (until - after).saturating_sub(found.len() as u64);
    Ok(ForwardPage { readings, last: until, newest: open.newest.max(until), lost_rows })
}

fn from_chunk(
    connection: &Connection,
    times: &TimeChunk,
    (after, until): (u64, u64),
    readings: &mut Vec<ForwardReading>,
) -> rusqlite::Result<()> {
    let sql = "SELECT block FROM chunks WHERE key BETWEEN ?1 AND ?2";
    let mut statement = connection.prepare_cached(sql)?;
    let mut rows = statement.query(value_keys(times.name.first))?;
    while let Some(row) = rows.next()? {
        let block = row.get_ref(0)?.as_blob().unwrap_or_default();
        let Ok(chunk) = ValueChunk::read(block) else { continue };
        if chunk.name != times.name {
            continue;
        }
        let all = rows_of(&times.times, &chunk.codes, &chunk.values);
        let wanted = all.iter().filter(|row| after < row.sequence && row.sequence <= until);
        readings.extend(wanted.map(|row| reading(row, chunk.name.run, &chunk.signal.signal.tag)));
    }
    Ok(())
}

/// How far a server has come; `None` if nothing is known of it, or what is known contradicts its checksum.
pub(super) fn cursor(connection: &Connection, server: &str) -> rusqlite::Result<Option<u64>> {
    let value = |key: String| -> rusqlite::Result<Option<i64>> {
        let mut statement = connection.prepare_cached("SELECT value FROM meta WHERE key = ?1")?;
        statement.query_row([key], |row| row.get(0)).optional()
    };
    let (Some(sequence), Some(check)) = (value(key(server))?, value(key_of_check(server))?) else {
        return Ok(None);
    };
    let is_whole = check == i64::from(cursor_check(server, sequence));
    Ok(is_whole.then_some(sequence as u64))
}

/// Keeps how far a server has come.
pub(super) fn keep_cursor(connection: &mut Connection, server: &str, sequence: u64) -> rusqlite::Result<()> {
    let sequence = sequence as i64;
    let transaction = connection.transaction()?;
    let sql = "INSERT OR REPLACE INTO meta VALUES (?1, ?2)";
    transaction.execute(sql, params![key(server), sequence])?;
    transaction.execute(sql, params![key_of_check(server), i64::from(cursor_check(server, sequence))])?;
    transaction.commit()
}

fn key(server: &str) -> String {
    format!("server {server}")
}

fn key_of_check(server: &str) -> String {
    format!("server check {server}")
}

fn cursor_check(server: &str, sequence: i64) -> u32 {
    check_of(&[server.as_bytes(), &sequence.to_le_bytes()])
}

#[cfg(test)]
#[path = "forward_tests.rs"]
mod tests;
