//! The tables of the file, and how it is opened.
//!
//! Text that must not be believed when a bit has flipped carries a checksum in its row; blocks carry their own.

use super::HistoryError;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, ErrorCode, OpenFlags};
use std::collections::BTreeSet;
use std::fs::File;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

/// Version of the tables. A newer file is refused untouched, an older one migrated.
pub(super) const SCHEMA_VERSION: i64 = 4;

/// Version 1 kept a row a reading.
pub(super) const ROWS_VERSION: i64 = 1;

/// A history is its owner's, and its group may look: it holds the audit trail and the line folder's files.
pub(super) const OWNER_AND_GROUP: u32 = 0o640;

/// Pages that a connection keeps in memory, KiB. Enough for the upper levels of every index; the system keeps the rest of the file, and a
/// small cache is full within the first hour, so that memory tells what the program itself does.
const CACHE_KIB: i64 = 512;

/// What later versions added to the tables of version 2: a file gets what it lacks, in place.
const ADDED: [(i64, &str); 2] = [(3, super::entries::TABLE), (4, super::kept::TABLE)];
/// The oldest version that is completed in place.
pub(super) const OLDEST_COMPLETED: i64 = 2;

/// Files up to this size are checked whole at the start, bytes.
const CHECKED_AT_START_MAX: u64 = 64 * 1024 * 1024;

pub(super) const SCHEMA: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT;
CREATE TABLE runs (run INTEGER PRIMARY KEY, started_utc_ms INTEGER NOT NULL, fingerprint TEXT NOT NULL,
    version TEXT NOT NULL, layout TEXT NOT NULL, row_check INTEGER NOT NULL) STRICT;
CREATE TABLE layouts (sha256 TEXT PRIMARY KEY, signals TEXT NOT NULL) STRICT;
CREATE TABLE files (sha256 TEXT PRIMARY KEY, content BLOB NOT NULL) STRICT;
CREATE TABLE folder (fingerprint TEXT NOT NULL, path TEXT NOT NULL, sha256 TEXT NOT NULL,
    PRIMARY KEY (fingerprint, path)) STRICT;
CREATE TABLE signals (id INTEGER PRIMARY KEY AUTOINCREMENT, tag TEXT NOT NULL UNIQUE, was TEXT,
    row_check INTEGER NOT NULL) STRICT;
CREATE TABLE time_chunks (first INTEGER PRIMARY KEY, last INTEGER NOT NULL, run INTEGER NOT NULL,
    poll_group INTEGER NOT NULL, start_utc_ms INTEGER NOT NULL, end_utc_ms INTEGER NOT NULL, block BLOB NOT NULL) STRICT;
CREATE INDEX time_chunks_by_group ON time_chunks (run, poll_group, last);
CREATE INDEX time_chunks_by_start ON time_chunks (start_utc_ms);
CREATE TABLE chunks (key INTEGER PRIMARY KEY, block BLOB NOT NULL) STRICT;
CREATE TABLE minutes (key INTEGER PRIMARY KEY, block BLOB NOT NULL) STRICT;
CREATE TABLE hours (key INTEGER PRIMARY KEY, block BLOB NOT NULL) STRICT;
CREATE TABLE bands (run INTEGER NOT NULL, signal INTEGER NOT NULL, uptime_us INTEGER NOT NULL, utc_ms INTEGER NOT NULL,
    setpoint REAL, low REAL, high REAL, row_check INTEGER NOT NULL, PRIMARY KEY (run, signal, uptime_us)) STRICT;
CREATE INDEX bands_by_signal ON bands (signal, run, uptime_us);
CREATE TABLE events (run INTEGER NOT NULL, sequence INTEGER NOT NULL, utc_ms INTEGER NOT NULL, alarm TEXT,
    event TEXT NOT NULL, row_check INTEGER NOT NULL, PRIMARY KEY (run, sequence)) STRICT;
CREATE INDEX events_by_alarm ON events (alarm, run, sequence);
CREATE TABLE alarm_records (id TEXT PRIMARY KEY, record TEXT NOT NULL, row_check INTEGER NOT NULL) STRICT;
CREATE TABLE batches (id TEXT PRIMARY KEY, start_utc_ms INTEGER NOT NULL, end_utc_ms INTEGER, batch TEXT NOT NULL,
    row_check INTEGER NOT NULL) STRICT;
CREATE TABLE notes (n INTEGER PRIMARY KEY AUTOINCREMENT, utc_ms INTEGER NOT NULL, about TEXT NOT NULL, by TEXT NOT NULL,
    text TEXT NOT NULL, replaces INTEGER, row_check INTEGER NOT NULL) STRICT;
CREATE INDEX notes_by_about ON notes (about, n);
CREATE TABLE audit (n INTEGER PRIMARY KEY AUTOINCREMENT, utc_ms INTEGER NOT NULL, by TEXT NOT NULL, what TEXT NOT NULL,
    about TEXT NOT NULL, old TEXT, new TEXT, why TEXT, previous TEXT NOT NULL, hash TEXT NOT NULL) STRICT;
CREATE TRIGGER audit_stays_as_it_is BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;
CREATE TRIGGER audit_is_never_shortened BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;
CREATE TRIGGER notes_stay_as_they_are BEFORE UPDATE ON notes BEGIN SELECT RAISE(ABORT, 'a note is corrected by another'); END;
";

/// What is said of a full disk.
pub(super) const FREE_ROOM: &str =
    "; free some room on the disk that holds data_dir: alarms go on meanwhile, and history goes on by itself";

impl HistoryError {
    pub(super) fn during(doing: &str, error: &rusqlite::Error) -> Self {
        Self { text: format!("{doing}: {error}{}", advice(error)) }
    }
}

/// What a person can do about it.
fn advice(error: &rusqlite::Error) -> &'static str {
    let code = error.sqlite_error_code();
    if code == Some(ErrorCode::DiskFull) {
        FREE_ROOM
    } else if code == Some(ErrorCode::ReadOnly) {
        "; the disk or the file can't be written: check its mount and its owner"
    } else if code == Some(ErrorCode::SystemIoFailure) {
        "; the disk reports an error: check its cable, its card and the system log"
    } else {
        ""
    }
}

/// Whether the error says that the file itself is damaged or no database, or that a row holds what no program of ours wrote.
pub(super) fn is_damage(error: &rusqlite::Error) -> bool {
    use rusqlite::Error::{FromSqlConversionFailure, InvalidColumnType, Utf8Error};
    let code = error.sqlite_error_code();
    matches!(code, Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
        || matches!(error, FromSqlConversionFailure(..) | InvalidColumnType(..) | Utf8Error(..))
}

/// What a file turned out to be.
#[derive(Debug)]
pub(super) enum Opened {
    /// A history of this version, empty or not.
    Sound(Connection),
    /// One of version 1.
    Rows,
    /// Damaged or foreign, and why.
    Damaged(String),
}

/// Opens or makes the file.
///
/// # Errors
/// When it can't be opened, or is of a newer version: that file stays as it is.
pub(super) fn open(file: &Path) -> Result<Opened, HistoryError> {
    let doing = format!("opening the history file {}", file.display());
    let connection = make_or_open(file).map_err(|error| HistoryError::during(&doing, &error))?;
    let version = match version(&connection) {
        Ok(version) => version,
        Err(error) if is_of_the_file(&error, file) => return Ok(Opened::Damaged(error.to_string())),
        Err(error) => return Err(HistoryError::during(&doing, &error)),
    };
    match version {
        ROWS_VERSION => return Ok(Opened::Rows),
        0 | OLDEST_COMPLETED..=SCHEMA_VERSION => {}
        newer if (0..1000).contains(&newer) => {
            // Before anything is written to the file: a newer one must stay as it is.
            let text = format!(
                "{doing}: it has version {newer}, this program reads version {SCHEMA_VERSION}; the file is left as it is: \
                 use the newer program, or move the file away to start a new history"
            );
            return Err(HistoryError { text });
        }
        _ => return Ok(Opened::Damaged("its version number makes no sense".to_owned())),
    }
    match prepare(&connection, version).and_then(|()| check(&connection, file)) {
        Ok(None) => Ok(Opened::Sound(connection)),
        Ok(Some(damage)) => Ok(Opened::Damaged(damage)),
        Err(error) if is_of_the_file(&error, file) => Ok(Opened::Damaged(error.to_string())),
        Err(error) => Err(HistoryError::during(&doing, &error)),
    }
}

/// A file that is made new is its owner's, and its group may look. SQLite gives what it keeps beside it the same rights.
pub(super) fn make_or_open(file: &Path) -> rusqlite::Result<Connection> {
    let made = File::options().write(true).create_new(true).mode(OWNER_AND_GROUP).open(file);
    // There already, or it can't be made: SQLite says so.
    drop(made);
    Connection::open(file)
}

/// Whether it is the file that is wrong, and not the disk, its rights or another program. A flipped bit in a file's header
/// has many names: an unknown format, a file that calls itself read-only.
fn is_of_the_file(error: &rusqlite::Error, file: &Path) -> bool {
    use ErrorCode::{
        CannotOpen, DatabaseBusy, DatabaseLocked, DiskFull, OutOfMemory, PermissionDenied, ReadOnly,
        SystemIoFailure,
    };
    let Some(code) = error.sqlite_error_code() else { return true };
    let can_be_written = || std::fs::File::options().write(true).open(file).is_ok();
    if code == ReadOnly {
        return can_be_written();
    }
    let others =
        [CannotOpen, DatabaseBusy, DatabaseLocked, DiskFull, OutOfMemory, PermissionDenied, SystemIoFailure];
    !others.contains(&code)
}

fn version(connection: &Connection) -> rusqlite::Result<i64> {
    // The number alone lies in the first page's header; the count of tables shows whether that page can be read at all.
    let version = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    let tables: i64 = connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    // A database with tables and no version is somebody else's.
    Ok(if version == 0 && tables > 0 { -1 } else { version })
}

/// Sets how the connection works, and makes the tables of a new file.
pub(super) fn prepare(connection: &Connection, version: i64) -> rusqlite::Result<()> {
    connection.pragma_update(None, "journal_mode", "WAL")?;
    // FULL syncs at each commit: what has been confirmed survives the power cord.
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "cache_size", -CACHE_KIB)?;
    plan_once(connection)?;
    // Nothing in the file may run anything or be believed blindly.
    connection.pragma_update(None, "trusted_schema", false)?;
    connection.pragma_update(None, "cell_size_check", true)?;
    connection.set_prepared_statement_cache_capacity(64);
    if version == 0 {
        let id = fastrand::i64(1..=i64::MAX);
        let added = ADDED.map(|(_, tables)| tables).concat();
        let make = format!(
            "BEGIN; {SCHEMA} {added} INSERT INTO meta VALUES ('store', {id}); PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;"
        );
        connection.execute_batch(&make)?;
    }
    for (since, tables) in ADDED.iter().filter(|(since, _)| (1..*since).contains(&version)) {
        connection.execute_batch(&format!("BEGIN; {tables} PRAGMA user_version = {since}; COMMIT;"))?;
    }
    Ok(())
}

/// A statement is planned when it is prepared, and not again for each value it is given: no statistics are kept that could make
/// another plan better.
fn plan_once(connection: &Connection) -> rusqlite::Result<()> {
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    Ok(())
}

/// What is wrong with the file, if it is small enough to look at whole.
fn check(connection: &Connection, file: &Path) -> rusqlite::Result<Option<String>> {
    store_number(connection)?;
    if let Some(missing) = missing_table(connection)? {
        return Ok(Some(format!("{missing} is not as it was made")));
    }
    let size = std::fs::metadata(file).map_or(0, |metadata| metadata.len());
    if size > CHECKED_AT_START_MAX {
        return Ok(None);
    }
    let verdict: String = connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
    Ok((verdict != "ok").then_some(verdict))
}

/// A table, index or trigger that is not there word for word: a flipped bit may have renamed a column. More than ours may be.
fn missing_table(connection: &Connection) -> rusqlite::Result<Option<String>> {
    let made = |connection: &Connection| -> rusqlite::Result<BTreeSet<(String, Option<String>)>> {
        let mut statement = connection.prepare("SELECT name, sql FROM sqlite_schema")?;
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
    };
    let pattern = Connection::open_in_memory()?;
    pattern.execute_batch(SCHEMA)?;
    pattern.execute_batch(&ADDED.map(|(_, tables)| tables).concat())?;
    let (wanted, found) = (made(&pattern)?, made(connection)?);
    Ok(wanted.difference(&found).next().map(|(name, _)| name.clone()))
}

/// The number by which the journal knows its store.
pub(super) fn store_number(connection: &Connection) -> rusqlite::Result<u64> {
    let number: i64 =
        connection.query_row("SELECT value FROM meta WHERE key = 'store'", [], |row| row.get(0))?;
    Ok(number as u64)
}

/// A second connection, for reading only.
pub(super) fn open_to_read(file: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(file, flags)?;
    plan_once(&connection)?;
    connection.pragma_update(None, "cache_size", -2000)?;
    connection.pragma_update(None, "trusted_schema", false)?;
    connection.pragma_update(None, "cell_size_check", true)?;
    // A checkpoint may hold the file for a moment.
    connection.busy_timeout(std::time::Duration::from_secs(2))?;
    connection.set_prepared_statement_cache_capacity(32);
    Ok(connection)
}

/// The key of a block of values: first row, then signal. In the order of writing, so pages are filled and dropped as wholes.
pub(super) const fn value_key(first: u64, signal: i64) -> i64 {
    (first << SIGNAL_BITS) as i64 | (signal & SIGNAL_MAX)
}

/// The first row and the signal of such a key.
pub(super) const fn of_value_key(key: i64) -> (u64, i64) {
    (key as u64 >> SIGNAL_BITS, key & SIGNAL_MAX)
}

/// The keys of all signals of one chunk.
pub(super) const fn value_keys(first: u64) -> [i64; 2] {
    [value_key(first, 0), value_key(first, SIGNAL_MAX)]
}

const SIGNAL_BITS: u32 = 16;
/// The largest number a signal can have. They are never reused, but a line has a few hundred.
pub(super) const SIGNAL_MAX: i64 = (1 << SIGNAL_BITS) - 1;

/// The key of a block of roll-ups: signal, then second of its start, so that one range gives a signal's window in order.
pub(super) fn roll_up_key(signal: i64, utc_ms: i64) -> i64 {
    (signal << SECOND_BITS) | utc_ms.div_euclid(1000).clamp(0, SECOND_MAX)
}

/// The signal and the second of such a key.
pub(super) const fn of_roll_up_key(key: i64) -> (i64, i64) {
    (key >> SECOND_BITS, key & SECOND_MAX)
}

const SECOND_BITS: u32 = 34;
const SECOND_MAX: i64 = (1 << SECOND_BITS) - 1;
