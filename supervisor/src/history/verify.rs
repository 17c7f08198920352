//! Looks at everything: the file's structure, every block's checksum and whether it fits what belongs to it, the sequence
//! of chunks, the audit chain; rows of text are `verify_rows.rs`'s.

use super::chunk::{TimeChunk, ValueChunk};
use super::entries::broken_entries;
use super::quality::ABSENT;
use super::records::broken_audit;
use super::rollup::RollUp;
use super::runs::load_run;
use super::tables::{is_damage, of_roll_up_key, of_value_key, open_to_read, store_number};
use super::{HistoryError, journal, ring, verify_rows};
use rusqlite::{Connection, Row};
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fmt;
use std::path::Path;

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
    let mut times = Names::new();
    check_times(&connection, &mut times, &mut found)
        .or_else(|error| found.unread("the times", error))
        .map_err(failed)?;
    check_values(&connection, &times, &mut found)
        .or_else(|error| found.unread("the readings", error))
        .map_err(failed)?;
    for table in ["minutes", "hours"] {
        check_roll_ups(&connection, table, &mut found)
            .or_else(|error| found.unread(table, error))
            .map_err(failed)?;
    }
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

type Names = BTreeMap<i64, (i64, usize)>;

/// Times: whole, under their own number, each naming the one before it in its group.
fn check_times(connection: &Connection, names: &mut Names, found: &mut Verification) -> rusqlite::Result<()> {
    let mut last: BTreeMap<(i64, u16), u64> = BTreeMap::new();
    each(connection, "SELECT first, block FROM time_chunks ORDER BY first", |row| {
        let first: i64 = row.get(0)?;
        match TimeChunk::read(row.get_ref(1)?.as_blob()?) {
            Ok(times) if times.name.first as i64 == first => {
                let before = last.insert((times.name.run, times.group), times.name.last);
                if before.is_some_and(|before| before != times.previous) {
                    found.fault(format!("a chunk of run {} is missing before row {first}", times.name.run));
                }
                names.insert(first, (times.name.run, times.name.rows));
            }
            Ok(_) => found.fault(format!("the times of row {first} are another chunk's")),
            Err(damage) => found.fault(format!("the times of row {first}: the block {damage}")),
        }
        Ok(())
    })
}

fn check_values(connection: &Connection, times: &Names, found: &mut Verification) -> rusqlite::Result<()> {
    each(connection, "SELECT key, block FROM chunks ORDER BY key", |row| {
        let (first, signal) = of_value_key(row.get(0)?);
        found.chunks += 1;
        match ValueChunk::read(row.get_ref(1)?.as_blob()?) {
            Ok(chunk) => {
                let is_own = chunk.signal.id == signal && chunk.name.first == first;
                let name = times.get(&(first as i64));
                if !is_own || name != Some(&(chunk.name.run, chunk.name.rows)) {
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

fn check_roll_ups(connection: &Connection, table: &str, found: &mut Verification) -> rusqlite::Result<()> {
    each(connection, &format!("SELECT key, block FROM {table} ORDER BY key"), |row| {
        let (signal, second) = of_roll_up_key(row.get(0)?);
        found.roll_ups += 1;
        match RollUp::read(row.get_ref(1)?.as_blob()?) {
            Ok(rolled) if rolled.signal == signal => {}
            Ok(_) => found.fault(format!("{table} of signal {signal} at {second} s are another signal's")),
            Err(damage) => {
                found.fault(format!("{table} of signal {signal} at {second} s: the block {damage}"))
            }
        }
        Ok(())
    })
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
