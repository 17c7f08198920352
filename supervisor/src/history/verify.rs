//! Looks at everything: the file's structure, every block's checksum and whether it fits what belongs to it, the sequence
//! of chunks and whether each has all its blocks, the audit chain; rows of text are `verify_rows.rs`'s, how many there must be is
//! `counts.rs`'s.

use super::chunk::{TimeChunk, ValueChunk};
use super::entries::broken_entries;
use super::quality::ABSENT;
use super::records::broken_audit;
use super::rollup::RollUp;
use super::runs::load_run;
use super::tables::{is_damage, of_roll_up_key, of_value_key, open_to_read, store_number};
use super::{HistoryError, counts, journal, ring, verify_rows};
use rusqlite::{Connection, Row};
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fmt;
use std::path::Path;

const HOUR_MS: i64 = 3_600_000;
/// Most faults that are told one by one.
const FAULTS_TOLD_MAX: usize = 100;

/// What looking at everything found.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize)]
pub struct Verification {
    /// Chunks of readings looked at.
    pub chunks: u64,
    /// Readings in them, absent ones not counted.
    pub readings: u64,
    /// Blocks of roll-ups looked at.
    pub roll_ups: u64,
    /// Entries of the audit trail looked at.
    pub audit_entries: u64,
    /// Records of what people decided, each held against its entry of the audit trail.
    pub kept_records: u64,
    /// Records of batches.
    pub batches: u64,
    /// Rows of the other tables: events, states of alarms, tolerances, notes, entries, runs, signals, files.
    pub other_rows: u64,
    /// Rows of the journal looked at; each holds the readings of one poll of one group. 0 for a copy, which has no journal.
    pub journal_rows: u64,
    /// What is wrong, in words; the first hundred.
    pub faults: Vec<String>,
    /// How many faults there are in all.
    pub fault_count: u64,
}

impl Verification {
    /// Whether nothing is wrong.
    #[must_use]
    pub const fn is_sound(&self) -> bool {
        self.fault_count == 0
    }

    /// A damaged page ends the reading of a table: a fault like any other. Any other error is none of the file's.
    pub(super) fn unread(&mut self, what: &str, error: rusqlite::Error) -> rusqlite::Result<()> {
        if !is_damage(&error) {
            return Err(error);
        }
        self.fault(format!("{what} can't be read to the end: {error}"));
        Ok(())
    }

    pub(super) fn fault(&mut self, text: String) {
        self.fault_count += 1;
        if self.faults.len() < FAULTS_TOLD_MAX {
            self.faults.push(text);
        }
    }
}

impl fmt::Display for Verification {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "chunks           {:>12}", self.chunks)?;
        writeln!(f, "readings         {:>12}", self.readings)?;
        writeln!(f, "roll-ups         {:>12}", self.roll_ups)?;
        writeln!(f, "audit entries    {:>12}", self.audit_entries)?;
        writeln!(f, "kept records     {:>12}", self.kept_records)?;
        writeln!(f, "batch records    {:>12}", self.batches)?;
        writeln!(f, "other rows       {:>12}", self.other_rows)?;
        writeln!(f, "journal rows     {:>12}", self.journal_rows)?;
        write!(f, "faults           {:>12}", self.fault_count)?;
        self.faults.iter().try_for_each(|fault| write!(f, "\n  {fault}"))
    }
}

/// Looks at a whole history file; another program may write it meanwhile.
///
/// # Errors
/// When the file can't be opened or read at all.
pub fn verify(file: &Path) -> Result<Verification, HistoryError> {
    let doing = format!("verifying {}", file.display());
    let failed = |error| HistoryError::during(&doing, &error);
    let connection = open_to_read(file).map_err(failed)?;
    // One moment of the file, however long it takes.
    let connection = connection.unchecked_transaction().map_err(failed)?;
    let mut found = Verification::default();
    check_structure(&connection, &mut found)
        .or_else(|error| found.unread("the file's structure", error))
        .map_err(failed)?;
    let mut times = Chunks::new();
    check_times(&connection, &mut times, &mut found)
        .or_else(|error| found.unread("the times", error))
        .map_err(failed)?;
    check_values(&connection, &mut times, &mut found)
        .or_else(|error| found.unread("the readings", error))
        .map_err(failed)?;
    for level in [Level::Minutes, Level::Hours] {
        check_roll_ups(&connection, level, &mut times, &mut found)
            .or_else(|error| found.unread(level.table(), error))
            .map_err(failed)?;
    }
    check_all_there(&connection, &times, &mut found)
        .or_else(|error| found.unread("what was dropped", error))
        .map_err(failed)?;
    match broken_audit(&connection) {
        Ok((entries, broken)) => {
            found.audit_entries = entries;
            broken.into_iter().for_each(|fault| found.fault(fault));
        }
        Err(error) => found.fault(error.text),
    }
    match broken_entries(&connection) {
        Ok(broken) => broken.into_iter().for_each(|fault| found.fault(fault)),
        Err(error) => found.unread("the entries", error).map_err(failed)?,
    }
    verify_rows::check(&connection, &mut found).map_err(failed)?;
    counts::check(&connection, &mut found).map_err(failed)?;
    Ok(found)
}

/// Looks at the history in `folder`, with its journal; a daemon may write it meanwhile.
///
/// # Errors
/// When there is none, or it can't be opened or read at all.
pub fn verify_folder(folder: &Path) -> Result<Verification, HistoryError> {
    let file = folder.join("history.sqlite");
    if !file.exists() {
        return Err(HistoryError { text: format!("there is no history in {}", folder.display()) });
    }
    let failed = |error| HistoryError::during("verifying the journal", &error);
    let connection = open_to_read(&file).map_err(failed)?;
    let number = store_number(&connection).map_err(failed)?;
    let records = ring::look(&folder.join("history.journal"), number)?;
    let mut found = verify(&file)?;
    let mut runs = BTreeMap::new();
    for record in &records {
        let run = match runs.entry(record.run) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(place) => place.insert(load_run(&connection, record.run).map_err(failed)?),
        };
        let rows = run.as_ref().map(|run| journal::read(run, &record.payload));
        match rows {
            Some(Ok(rows)) => found.journal_rows += rows.len() as u64,
            Some(Err(damage)) => {
                found.fault(format!("the journal up to row {}: the record {damage}", record.last_sequence));
            }
            None => {
                found.fault(format!("the journal names run {}, which the file does not know", record.run))
            }
        }
    }
    Ok(found)
}

fn check_structure(connection: &Connection, found: &mut Verification) -> rusqlite::Result<()> {
    let mut statement = connection.prepare("PRAGMA integrity_check(100)")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let verdict: String = row.get(0)?;
        if verdict != "ok" {
            found.fault(format!("the file's structure: {verdict}"));
        }
    }
    Ok(())
}

/// A chunk by its times, and how many blocks of it there are.
#[derive(Debug)]
struct ChunkFound {
    run: i64,
    rows: usize,
    /// Its earliest wall time, ms.
    start_ms: i64,
    /// Signals that had a reading in it; `None` in one that an older program wrote.
    signals: Option<usize>,
    values: usize,
    minutes: usize,
    hours: usize,
}

type Chunks = BTreeMap<i64, ChunkFound>;

/// Whose roll-ups.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Level {
    Minutes,
    Hours,
}

impl Level {
    const fn table(self) -> &'static str {
        match self {
            Self::Minutes => "minutes",
            Self::Hours => "hours",
        }
    }
}

/// Times: whole, under their own number, each naming the one before it in its group.
fn check_times(
    connection: &Connection,
    chunks: &mut Chunks,
    found: &mut Verification,
) -> rusqlite::Result<()> {
    let mut last: BTreeMap<(i64, u16), u64> = BTreeMap::new();
    each(connection, "SELECT first, block FROM time_chunks ORDER BY first", |row| {
        let first: i64 = row.get(0)?;
        match TimeChunk::read(row.get_ref(1)?.as_blob()?) {
            Ok(times) if times.name.first as i64 == first => {
                let before = last.insert((times.name.run, times.group), times.name.last);
                if before.is_some_and(|before| before != times.previous) {
                    found.fault(format!("a chunk of run {} is missing before row {first}", times.name.run));
                }
                let start_ms = times.times.utc_ms.iter().min().copied().unwrap_or(i64::MIN);
                let (run, rows, signals) = (times.name.run, times.name.rows, times.signals);
                let none = ChunkFound { run, rows, start_ms, signals, values: 0, minutes: 0, hours: 0 };
                chunks.insert(first, none);
            }
            Ok(_) => found.fault(format!("the times of row {first} are another chunk's")),
            Err(damage) => found.fault(format!("the times of row {first}: the block {damage}")),
        }
        Ok(())
    })
}

fn check_values(
    connection: &Connection,
    chunks: &mut Chunks,
    found: &mut Verification,
) -> rusqlite::Result<()> {
    each(connection, "SELECT key, block FROM chunks ORDER BY key", |row| {
        let (first, signal) = of_value_key(row.get(0)?);
        found.chunks += 1;
        let mut times = chunks.get_mut(&(first as i64));
        if let Some(times) = &mut times {
            times.values += 1;
        }
        match ValueChunk::read(row.get_ref(1)?.as_blob()?) {
            Ok(chunk) => {
                let is_own = chunk.signal.id == signal && chunk.name.first == first;
                let name = times.map(|times| (times.run, times.rows));
                if !is_own || name != Some((chunk.name.run, chunk.name.rows)) {
                    found.fault(format!(
                        "signal {signal} from row {first} on: the block is another chunk's, or its times are missing"
                    ));
                }
                found.readings += chunk.codes.iter().filter(|code| **code != ABSENT).count() as u64;
            }
            Err(damage) => found.fault(format!("signal {signal} from row {first} on: the block {damage}")),
        }
        Ok(())
    })
}

fn check_roll_ups(
    connection: &Connection,
    level: Level,
    chunks: &mut Chunks,
    found: &mut Verification,
) -> rusqlite::Result<()> {
    let table = level.table();
    each(connection, &format!("SELECT key, block FROM {table} ORDER BY key"), |row| {
        let (signal, second) = of_roll_up_key(row.get(0)?);
        found.roll_ups += 1;
        match RollUp::read(row.get_ref(1)?.as_blob()?) {
            Ok(rolled) if rolled.signal == signal => {
                if let Some(times) = chunks.get_mut(&(rolled.first as i64)) {
                    match level {
                        Level::Minutes => times.minutes += 1,
                        Level::Hours => times.hours += 1,
                    }
                }
            }
            Ok(_) => found.fault(format!("{table} of signal {signal} at {second} s are another signal's")),
            Err(damage) => {
                found.fault(format!("{table} of signal {signal} at {second} s: the block {damage}"))
            }
        }
        Ok(())
    })
}

/// Each chunk has as many blocks as its times say: none was taken out. Roll-ups that are old enough to have gone may have gone.
fn check_all_there(
    connection: &Connection,
    chunks: &Chunks,
    found: &mut Verification,
) -> rusqlite::Result<()> {
    let damaged = counts::damaged_row(connection)?;
    let gone_ms = [
        counts::dropped_until(connection, Level::Minutes.table())?,
        counts::dropped_until(connection, Level::Hours.table())?,
    ];
    for (first, chunk) in chunks.range(damaged + 1..) {
        let Some(signals) = chunk.signals else { continue };
        // A roll-up is kept under a second of its hour.
        let hour_ms = chunk.start_ms.div_euclid(HOUR_MS) * HOUR_MS;
        let is_kept = |gone_ms: i64| hour_ms >= gone_ms;
        let [minutes, hours] = gone_ms.map(is_kept);
        for (what, there, is_kept) in [
            ("readings", chunk.values, true),
            ("minutes", chunk.minutes, minutes),
            ("hours", chunk.hours, hours),
        ] {
            if is_kept && there < signals {
                let missing = signals - there;
                found.fault(format!(
                    "{missing} of the {signals} blocks of {what} from row {first} on are missing"
                ));
            }
        }
    }
    Ok(())
}

fn each(
    connection: &Connection,
    sql: &str,
    mut visit: impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let mut statement = connection.prepare(sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        visit(row)?;
    }
    Ok(())
}
