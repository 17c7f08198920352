//! A damaged or foreign file: set aside under a name that is told, what can be read taken over into a new one.
//!
//! Nothing is taken over that contradicts its checksum. Copying takes about a second for 50 MB.

use super::HistoryError;
use super::chunk::{TimeChunk, ValueChunk};
use super::entries::read_entry;
use super::events::{read_band, read_event, read_record};
use super::layout::{self, sha256_hex};
use super::open::OpenRun;
use super::read::signal_check;
use super::records::read_note;
use super::rollup::RollUp;
use super::runs::run_check;
use super::tables::{
    self, Opened, SIGNAL_MAX, of_roll_up_key, open_to_read, roll_up_key, store_number, value_key, value_keys,
};
use super::{batches, counts, kept};
use rusqlite::types::Value;
use rusqlite::{Connection, Row, params, params_from_iter};
use std::fs;
use std::path::{Path, PathBuf};

/// Rows of one table as taken over.
const COMMIT_EVERY: usize = 2_000;

/// Sets the file aside and makes a new one with what of it can be read. `number` is the store's, if it is known.
pub(super) fn replace(
    file: &Path,
    why: &str,
    number: Option<u64>,
    notices: &mut Vec<String>,
) -> Result<Connection, HistoryError> {
    let aside = set_aside(file)?;
    let connection = match tables::open(file)? {
        Opened::Sound(connection) => connection,
        Opened::Rows | Opened::Damaged(_) => {
            return Err(HistoryError {
                text: format!("a new history file can't be made at {}", file.display()),
            });
        }
    };
    let taken = take_over(&aside, &connection, number);
    counts::excuse_what_was_damaged(&connection)
        .map_err(|error| HistoryError::during("taking over what a damaged history file holds", &error))?;
    notices.push(format!(
        "the history file was damaged ({why}); it is kept as {}, and {taken} of its rows could be read and were taken over",
        aside.display()
    ));
    Ok(connection)
}

/// Renames a file and what SQLite keeps beside it.
fn set_aside(file: &Path) -> Result<PathBuf, HistoryError> {
    let aside = free_name(file, "damaged");
    for ending in ["", "-wal", "-shm"] {
        let (from, to) = (with_ending(file, ending), with_ending(&aside, ending));
        match fs::rename(&from, &to) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                let text = format!("setting the damaged file {} aside: {error}", from.display());
                return Err(HistoryError { text });
            }
            Ok(()) | Err(_) => {}
        }
    }
    Ok(aside)
}

/// Sets a journal aside whose records can't be used, so that a new one begins; gives what to tell.
pub(super) fn start_journal_anew(journal: &Path, why: &str) -> Result<String, HistoryError> {
    let aside = free_name(journal, "damaged");
    fs::rename(journal, &aside).map_err(|error| HistoryError {
        text: format!("setting the journal {} aside: {error}", journal.display()),
    })?;
    Ok(format!("the journal can't be used: {why}; it is kept as {}", aside.display()))
}

/// `history.sqlite` becomes `history.damaged-1.sqlite`, or the next number that is free.
pub(super) fn free_name(file: &Path, word: &str) -> PathBuf {
    let stem = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let ending = file.extension().unwrap_or_default().to_string_lossy().into_owned();
    let name = |number: u32| file.with_file_name(format!("{stem}.{word}-{number}.{ending}"));
    (1..).map(name).find(|name| !name.exists()).unwrap_or_else(|| name(0))
}

fn with_ending(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// Takes over every row that can be read and is whole; gives how many.
fn take_over(aside: &Path, new: &Connection, number: Option<u64>) -> usize {
    let old = open_to_read(aside);
    // The journal's word for it goes before the damaged file's.
    let number = number.or_else(|| store_number(old.as_ref().ok()?).ok());
    if let Some(number) = number {
        let kept = new.execute("UPDATE meta SET value = ?1 WHERE key = 'store'", [number as i64]);
        if let Err(error) = kept {
            tracing::warn!(code = "history-damage", "the store's number can't be kept: {error}");
        }
    }
    let Ok(old) = old else { return 0 };
    let mut taken = 0;
    // How far each server has come; a damaged place is known by its own checksum.
    let places =
        old.prepare("SELECT key, value FROM meta WHERE key LIKE 'server %'").and_then(|mut statement| {
            let place = |row: &Row<'_>| Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?));
            statement.query_map([], place)?.collect::<rusqlite::Result<Vec<_>>>()
        });
    for (key, value) in places.unwrap_or_default() {
        let _kept = new.execute("INSERT OR REPLACE INTO meta VALUES (?1, ?2)", params![key, value]);
    }
    for table in &TABLES {
        taken += take_table(&old, new, table);
    }
    taken + take_blocks(&old, new)
}

/// A table of few rows: its key, for reading it from both ends, and what makes a row whole.
struct Table {
    name: &'static str,
    key: &'static str,
    columns: usize,
    is_whole: fn(&Row<'_>) -> bool,
}

const TABLES: [Table; 14] = [
    Table { name: "signals", key: "id", columns: 4, is_whole: whole_signal },
    Table { name: "layouts", key: "sha256", columns: 2, is_whole: whole_layout },
    Table { name: "runs", key: "run", columns: 6, is_whole: whole_run },
    Table { name: "files", key: "sha256", columns: 2, is_whole: whole_file },
    Table { name: "folder", key: "rowid", columns: 3, is_whole: |_| true },
    Table { name: "bands", key: "rowid", columns: 8, is_whole: |row| matches!(read_band(row), Ok(Some(_))) },
    Table {
        name: "events",
        key: "rowid",
        columns: 6,
        is_whole: |row| matches!(read_event(row), Ok(Some(_))),
    },
    Table {
        name: "alarm_records",
        key: "rowid",
        columns: 3,
        is_whole: |row| matches!(read_record(row), Ok(Some(_))),
    },
    Table { name: "notes", key: "n", columns: 7, is_whole: |row| matches!(read_note(row), Ok(Some(_))) },
    Table {
        name: "batches",
        key: "rowid",
        columns: 5,
        is_whole: |row| matches!(batches::read(row), Ok(Some(_))),
    },
    Table { name: "records", key: "n", columns: 7, is_whole: |row| matches!(kept::read(row), Ok(Some(_))) },
    Table { name: "entries", key: "n", columns: 5, is_whole: |row| matches!(read_entry(row), Ok(Some(_))) },
    // The chain tells what is missing; see `verify.rs`.
    Table { name: "audit", key: "n", columns: 10, is_whole: |_| true },
    Table { name: "time_chunks", key: "first", columns: 7, is_whole: whole_times },
];

fn whole_signal(row: &Row<'_>) -> bool {
    let parts = || Ok::<_, rusqlite::Error>((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?));
    let whole = |(id, tag, was, check): (i64, String, Option<String>, u32)| {
        check == signal_check(id, &tag, was.as_deref())
    };
    parts().is_ok_and(whole)
}

fn whole_layout(row: &Row<'_>) -> bool {
    let parts = || Ok::<_, rusqlite::Error>((row.get(0)?, row.get(1)?));
    parts().is_ok_and(|(sha256, text): (String, String)| layout::read(&text, &sha256).is_ok())
}

fn whole_run(row: &Row<'_>) -> bool {
    let check = || -> rusqlite::Result<bool> {
        let (fingerprint, version, layout): (String, String, String) =
            (row.get(2)?, row.get(3)?, row.get(4)?);
        let found: u32 = row.get(5)?;
        Ok(found == run_check(row.get(0)?, row.get(1)?, &fingerprint, &version, &layout))
    };
    check().unwrap_or(false)
}

fn whole_file(row: &Row<'_>) -> bool {
    let parts = || Ok::<_, rusqlite::Error>((row.get(0)?, row.get(1)?));
    parts().is_ok_and(|(sha256, content): (String, Vec<u8>)| sha256_hex(&content) == sha256)
}

fn whole_times(row: &Row<'_>) -> bool {
    let block: rusqlite::Result<Vec<u8>> = row.get(6);
    let first = row.get::<_, i64>(0);
    block.is_ok_and(|block| TimeChunk::read(&block).is_ok_and(|times| first == Ok(times.name.first as i64)))
}

/// From the front until damage, then from the back until damage or what is known.
fn take_table(old: &Connection, new: &Connection, table: &Table) -> usize {
    let Table { name, key, columns, is_whole } = table;
    let marks = vec!["?"; *columns].join(", ");
    let insert = format!("INSERT OR IGNORE INTO {name} VALUES ({marks})");
    let mut taken = 0;
    for order in ["ASC", "DESC"] {
        let select = format!("SELECT * FROM {name} ORDER BY {key} {order}");
        let copied = copy_rows(old, new, &select, [], &insert, *columns, is_whole);
        taken += copied.taken;
        if copied.is_complete {
            break;
        }
    }
    taken
}

struct Copied {
    taken: usize,
    is_complete: bool,
}

/// Copies rows until one can't be read.
fn copy_rows(
    old: &Connection,
    new: &Connection,
    select: &str,
    params: impl rusqlite::Params,
    insert: &str,
    columns: usize,
    is_whole: &impl Fn(&Row<'_>) -> bool,
) -> Copied {
    let mut copied = Copied { taken: 0, is_complete: false };
    let copy = |copied: &mut Copied| -> rusqlite::Result<()> {
        let mut select = old.prepare_cached(select)?;
        let mut insert = new.prepare_cached(insert)?;
        let mut rows = select.query(params)?;
        while let Some(row) = rows.next()? {
            if !is_whole(row) {
                continue;
            }
            let values =
                (0..columns).map(|column| row.get(column)).collect::<rusqlite::Result<Vec<Value>>>()?;
            copied.taken += insert.execute(params_from_iter(values))?;
            if copied.taken.is_multiple_of(COMMIT_EVERY) {
                new.execute_batch("COMMIT; BEGIN")?;
            }
        }
        copied.is_complete = true;
        Ok(())
    };
    let begun = new.execute_batch("BEGIN");
    let result = begun.and_then(|()| copy(&mut copied));
    if let Err(error) = result {
        tracing::warn!(code = "history-damage", "reading on ends here: {error}");
    }
    if let Err(error) = new.execute_batch("COMMIT") {
        tracing::warn!(code = "history-damage", "what was read can't be kept: {error}");
    }
    copied
}

/// Readings chunk by chunk, roll-ups signal by signal, so that a damaged page costs what lies on it and nothing behind it.
fn take_blocks(old: &Connection, new: &Connection) -> usize {
    let mut taken = 0;
    for first in firsts(new) {
        let is_whole = |row: &Row<'_>| whole_values(row, new);
        taken += take_range(old, new, "chunks", value_keys(first as u64), &is_whole);
    }
    for signal in signals(old, new) {
        let range = [roll_up_key(signal, 0), roll_up_key(signal, i64::MAX)];
        let is_whole = |row: &Row<'_>| whole_roll_up(row, signal);
        for table in ["minutes", "hours"] {
            taken += take_range(old, new, table, range, &is_whole);
        }
    }
    taken
}

/// From the front until damage, then from the back.
fn take_range(
    old: &Connection,
    new: &Connection,
    table: &str,
    range: [i64; 2],
    is_whole: &impl Fn(&Row<'_>) -> bool,
) -> usize {
    let insert = format!("INSERT OR IGNORE INTO {table} VALUES (?, ?)");
    let mut taken = 0;
    for order in ["ASC", "DESC"] {
        let select = format!("SELECT * FROM {table} WHERE key BETWEEN ?1 AND ?2 ORDER BY key {order}");
        let copied = copy_rows(old, new, &select, range, &insert, 2, is_whole);
        taken += copied.taken;
        if copied.is_complete {
            break;
        }
    }
    taken
}

/// The chunks whose times were saved; without them values mean nothing.
fn firsts(new: &Connection) -> Vec<i64> {
    let read = || -> rusqlite::Result<Vec<i64>> {
        new.prepare("SELECT first FROM time_chunks ORDER BY first")?
            .query_map([], |row| row.get(0))?
            .collect()
    };
    read().unwrap_or_default()
}

/// Every number a signal may have had: the known ones, and those beyond in case their rows are lost.
fn signals(old: &Connection, new: &Connection) -> Vec<i64> {
    let most = |connection: &Connection, sql: &str| {
        connection.query_row(sql, [], |row| row.get::<_, Option<i64>>(0)).ok().flatten()
    };
    let known = most(new, "SELECT max(id) FROM signals").unwrap_or(0);
    let keyed = most(old, "SELECT max(key) FROM minutes").map_or(0, |key| of_roll_up_key(key).0);
    // A damaged key may be anything.
    (1..=known.max(keyed.clamp(0, SIGNAL_MAX))).collect()
}

/// Whether a row of chunks is whole and in its place; if its signal's own row was lost, the tag is in the block.
fn whole_values(row: &Row<'_>, new: &Connection) -> bool {
    let block: rusqlite::Result<Vec<u8>> = row.get(1);
    let Some(chunk) = block.ok().and_then(|block| ValueChunk::read(&block).ok()) else { return false };
    let (signal, tag) = (chunk.signal.id, &chunk.signal.signal.tag);
    let check = signal_check(signal, tag, None);
    let is_own = row.get(0) == Ok(value_key(chunk.name.first, signal));
    let known = "INSERT OR IGNORE INTO signals VALUES (?1, ?2, NULL, ?3)";
    is_own && new.execute(known, params![signal, tag, check]).is_ok()
}

fn whole_roll_up(row: &Row<'_>, signal: i64) -> bool {
    let block: rusqlite::Result<Vec<u8>> = row.get(1);
    block.is_ok_and(|block| RollUp::read(&block).is_ok_and(|rolled| rolled.signal == signal))
}

/// Makes sure that a new file knows a run that is still open.
pub(super) fn keep_run(new: &Connection, run: &OpenRun) -> Result<(), HistoryError> {
    let (text, sha256) = layout::write(&run.signals);
    let fingerprint = u64::from_be_bytes(run.configuration);
    let fingerprint = format!("{fingerprint:016x}");
    let check = run_check(run.run, 0, &fingerprint, "", &sha256);
    let keep = || -> rusqlite::Result<()> {
        new.execute("INSERT OR IGNORE INTO layouts VALUES (?1, ?2)", params![sha256, text])?;
        new.execute(
            "INSERT OR IGNORE INTO runs VALUES (?1, 0, ?2, '', ?3, ?4)",
            params![run.run, fingerprint, sha256, check],
        )?;
        for stored in &run.signals {
            let tag = &stored.signal.tag;
            let check = signal_check(stored.id, tag, None);
            new.execute(
                "INSERT OR IGNORE INTO signals VALUES (?1, ?2, NULL, ?3)",
                params![stored.id, tag, check],
            )?;
        }
        counts::excuse_what_was_damaged(new)
    };
    keep().map_err(|error| {
        HistoryError::during("taking the present run over into the new history file", &error)
    })
}

#[cfg(test)]
#[path = "damage_tests.rs"]
mod tests;
