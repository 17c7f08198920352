//! How many rows were put into the tables from which nothing is ever taken out, kept beside them, and what must be there because
//! something else names it: so that what was taken out shows.
//!
//! An older history has no such numbers; its own begin with its next row. A number that is lower than what is there tells nothing: an
//! older program may have added rows without counting them.

use super::layout;
use super::verify::Verification;
use rusqlite::{Connection, OptionalExtension as _, Row, params};

/// The tables, and what to call their rows.
const TABLES: [(&str, &str); 5] = [
    ("runs", "runs"),
    ("layouts", "lists of a run's signals"),
    ("files", "files of line folders"),
    ("folder", "names of files of line folders"),
    ("events", "events"),
];

/// The keys of what a damaged file may lack: it was taken over up to this run, and up to this row.
const DAMAGED_RUN: &str = "damaged until run";
const DAMAGED_ROW: &str = "damaged until row";

/// A number that is kept under a key.
pub(super) fn kept(connection: &Connection, key: &str) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached("SELECT value FROM meta WHERE key = ?1")?
        .query_row([key], |row| row.get(0))
        .optional()
}

fn keep(connection: &Connection, key: &str, value: i64) -> rusqlite::Result<()> {
    connection.prepare_cached("INSERT OR REPLACE INTO meta VALUES (?1, ?2)")?.execute(params![key, value])?;
    Ok(())
}

/// Counts rows that were added just now, in the same transaction.
pub(super) fn count(connection: &Connection, table: &str, added: usize) -> rusqlite::Result<()> {
    if added == 0 {
        return Ok(());
    }
    let key = format!("rows of {table}");
    let is_counted = connection
        .prepare_cached("UPDATE meta SET value = value + ?2 WHERE key = ?1")?
        .execute(params![key, added as i64])?;
    if is_counted == 0 {
        connection.execute(&format!("INSERT INTO meta SELECT ?1, count(*) FROM {table}"), [key])?;
    }
    Ok(())
}

/// What was taken over from a damaged file lacks what lay on the damaged pages: that was told, and is not told as taken out.
pub(super) fn excuse_what_was_damaged(connection: &Connection) -> rusqlite::Result<()> {
    let newest = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0));
    let run = newest(
        "SELECT coalesce(max(run), 0) FROM (SELECT max(run) AS run FROM runs UNION ALL SELECT max(run) FROM events
            UNION ALL SELECT max(run) FROM time_chunks)",
    )?;
    keep(connection, DAMAGED_RUN, run)?;
    keep(connection, DAMAGED_ROW, newest("SELECT coalesce(max(first), 0) FROM time_chunks")?)
}

/// The row up to which a damaged file may lack blocks; 0 if none was.
pub(super) fn damaged_row(connection: &Connection) -> rusqlite::Result<i64> {
    Ok(kept(connection, DAMAGED_ROW)?.unwrap_or(0))
}

/// Old roll-ups went, those that began before this time. The key is the table's.
pub(super) fn keep_dropped_until(connection: &Connection, table: &str, utc_ms: i64) -> rusqlite::Result<()> {
    let until = kept(connection, &dropped_key(table))?.unwrap_or(i64::MIN);
    keep(connection, &dropped_key(table), until.max(utc_ms))
}

/// The time before which roll-ups may have gone.
pub(super) fn dropped_until(connection: &Connection, table: &str) -> rusqlite::Result<i64> {
    Ok(kept(connection, &dropped_key(table))?.unwrap_or(i64::MIN))
}

fn dropped_key(table: &str) -> String {
    format!("{table} dropped until")
}

/// Looks whether as many rows are there as were put there, and whatever others name.
///
/// # Errors
/// When the file can't be read for another reason than damage.
pub(super) fn check(connection: &Connection, found: &mut Verification) -> rusqlite::Result<()> {
    for (table, what) in TABLES {
        check_count(connection, table, what, found).or_else(|error| found.unread(table, error))?;
    }
    check_named(connection, found).or_else(|error| found.unread("runs and their files", error))
}

fn check_count(
    connection: &Connection,
    table: &str,
    what: &str,
    found: &mut Verification,
) -> rusqlite::Result<()> {
    let Some(put) = kept(connection, &format!("rows of {table}"))? else { return Ok(()) };
    let there: i64 = connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0))?;
    if there < put {
        found.fault(format!("{} of {put} {what} are missing", put - there));
    }
    Ok(())
}

/// What is said of a row that is missing, by what it was called.
type Told = fn(&str) -> String;

fn check_named(connection: &Connection, found: &mut Verification) -> rusqlite::Result<()> {
    let damaged = kept(connection, DAMAGED_RUN)?.unwrap_or(0);
    let without_run = |table: &str| {
        format!(
            "SELECT DISTINCT CAST(run AS TEXT) FROM {table} WHERE run > ?1 AND run NOT IN (SELECT run FROM runs)"
        )
    };
    let without_list =
        "SELECT CAST(run AS TEXT) FROM runs WHERE run > ?1 AND layout NOT IN (SELECT sha256 FROM layouts)";
    let without_content = "SELECT DISTINCT path FROM folder WHERE sha256 NOT IN (SELECT sha256 FROM files)
        AND fingerprint NOT IN (SELECT fingerprint FROM runs WHERE run <= ?1)";
    let questions: [(String, Told); 4] = [
        (without_run("time_chunks"), |run| format!("run {run} has readings, but its own row is missing")),
        (without_run("events"), |run| format!("run {run} has events, but its own row is missing")),
        (without_list.to_owned(), |run| format!("the list of signals of run {run} is missing")),
        (without_content.to_owned(), |path| {
            format!("the content of the line folder's file {path} is missing")
        }),
    ];
    for (question, told) in questions {
        let mut statement = connection.prepare(&question)?;
        let mut rows = statement.query([damaged])?;
        while let Some(row) = rows.next()? {
            found.fault(told(&row.get::<_, String>(0)?));
        }
    }
    Ok(())
}

/// Whether a run's list of signals is what its hash says.
pub(super) fn layout(row: &Row<'_>) -> rusqlite::Result<bool> {
    let (sha256, signals): (String, String) = (row.get("sha256")?, row.get("signals")?);
    Ok(layout::read(&signals, &sha256).is_ok())
}

#[cfg(test)]
#[path = "counts_tests.rs"]
mod tests;
