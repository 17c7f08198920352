//! SQLite as plain rows: one a reading. Blocking; see `sqlite.rs` for how it is called.
//!
//! Keyed by time first: a second of a whole line lands on one page, so the card writes it once.

use super::{AlarmRecord, Batch, Event, HistoryError, NewRun, NewSample, StoredEvent, StoredSample};
use super::{no_data_code, no_data_from_code};
use crate::snapshot::RunId;
use rusqlite::{Connection, ErrorCode, OptionalExtension as _, Row, Transaction, params};
use setward_protocol::{Doubt, Reading, Uptime, UtcMillis};
use std::path::Path;

/// Version of the tables below. A newer file is refused untouched.
const SCHEMA_VERSION: i64 = 1;

const TABLES: &str = "
CREATE TABLE runs (run INTEGER PRIMARY KEY, started_utc_ms INTEGER NOT NULL, fingerprint TEXT NOT NULL,
    version TEXT NOT NULL) STRICT;
CREATE TABLE signals (id INTEGER PRIMARY KEY, tag TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE samples (utc_ms INTEGER NOT NULL, signal INTEGER NOT NULL REFERENCES signals, run INTEGER NOT NULL
    REFERENCES runs, uptime_ns INTEGER NOT NULL, value REAL, quality INTEGER NOT NULL,
    PRIMARY KEY (utc_ms, signal, run, uptime_ns)) STRICT, WITHOUT ROWID;
CREATE TABLE events (run INTEGER NOT NULL REFERENCES runs, sequence INTEGER NOT NULL, utc_ms INTEGER NOT NULL,
    uptime_ns INTEGER NOT NULL, alarm TEXT, occurrence INTEGER NOT NULL, what TEXT NOT NULL, states TEXT NOT NULL,
    onset_utc_ms INTEGER, value REAL, exposure REAL, by TEXT, note TEXT, PRIMARY KEY (run, sequence)) STRICT;
CREATE INDEX events_by_alarm ON events (alarm, run, sequence);
CREATE TABLE alarm_records (id TEXT PRIMARY KEY, state TEXT NOT NULL, occurrence INTEGER NOT NULL,
    exposure REAL NOT NULL, onset_utc_ms INTEGER, raised_utc_ms INTEGER, cleared_utc_ms INTEGER,
    acknowledged_utc_ms INTEGER, acknowledged_by TEXT) STRICT;
";

/// The open store.
#[derive(Debug)]
pub struct Rows {
    connection: Connection,
    /// Store ids of the run's signals, by their index in the run.
    signal_ids: Vec<i64>,
}

impl HistoryError {
    fn during(doing: &str, error: &rusqlite::Error) -> Self {
        Self { text: format!("{doing}: {error}{}", advice(error)) }
    }
}

/// What a person can do about it.
fn advice(error: &rusqlite::Error) -> &'static str {
    let code = error.sqlite_error_code();
    if code == Some(ErrorCode::DiskFull) {
        "; free some room on the disk that holds data_dir: alarms go on meanwhile, and history goes on by itself"
    } else if code == Some(ErrorCode::ReadOnly) {
        "; the disk or the file can't be written: check its mount and its owner"
    } else if code == Some(ErrorCode::SystemIoFailure) {
        "; the disk reports an error: check its cable, its card and the system log"
    } else {
        ""
    }
}

impl Rows {
    /// Opens or makes the store in `file`.
    ///
    /// # Errors
    /// When the file can't be opened, is no store, or was written by a newer version.
    pub fn open(file: &Path) -> Result<Self, HistoryError> {
        let doing = format!("opening the history file {}", file.display());
        let connection = Connection::open(file).map_err(|error| HistoryError::during(&doing, &error))?;
        Self::prepare(connection).map_err(|error| HistoryError {
            text: format!(
                "{doing}: {}; the file is left as it is: move it away to start a new history",
                error.text
            ),
        })
    }

    /// A store in memory, for virtual time and tests.
    ///
    /// # Errors
    /// When SQLite has no memory.
    pub fn in_memory() -> Result<Self, HistoryError> {
        let open = Connection::open_in_memory();
        Self::prepare(open.map_err(|error| HistoryError::during("opening a history in memory", &error))?)
    }

    fn prepare(connection: Connection) -> Result<Self, HistoryError> {
        let failed = |error: rusqlite::Error| HistoryError { text: error.to_string() };
        let version: i64 =
            connection.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(failed)?;
        if version > SCHEMA_VERSION {
            // Before anything is written to the file: a newer one must stay as it is.
            let text = format!("it has version {version}, this program reads version {SCHEMA_VERSION}");
            return Err(HistoryError { text });
        }
        connection.pragma_update(None, "journal_mode", "WAL").map_err(failed)?;
        // FULL syncs at each commit: what append() has confirmed survives the power cord.
        connection.pragma_update(None, "synchronous", "FULL").map_err(failed)?;
        if version < SCHEMA_VERSION {
            let make = format!("BEGIN; {TABLES} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;");
            connection.execute_batch(&make).map_err(failed)?;
        }
        Ok(Self { connection, signal_ids: Vec::new() })
    }

    pub(super) fn start_run(&mut self, run: &NewRun) -> Result<RunId, HistoryError> {
        let (id, signal_ids) =
            self.try_start_run(run).map_err(|error| HistoryError::during("starting a run", &error))?;
        self.signal_ids = signal_ids;
        Ok(id)
    }

    fn try_start_run(&mut self, run: &NewRun) -> rusqlite::Result<(RunId, Vec<i64>)> {
        let transaction = self.connection.transaction()?;
        transaction.execute(
            "INSERT INTO runs (started_utc_ms, fingerprint, version) VALUES (?1, ?2, ?3)",
            params![run.started.0, run.fingerprint, run.version],
        )?;
        let id = RunId(transaction.last_insert_rowid());
        let mut signal_ids = Vec::with_capacity(run.tags.len());
        for tag in &run.tags {
            transaction.execute("INSERT OR IGNORE INTO signals (tag) VALUES (?1)", [tag])?;
            signal_ids.push(transaction.query_row(
                "SELECT id FROM signals WHERE tag = ?1",
                [tag],
                |row| row.get(0),
            )?);
        }
        transaction.commit()?;
        Ok((id, signal_ids))
    }

    pub(super) fn append(&mut self, run: RunId, batch: &Batch) -> Result<(), HistoryError> {
        self.try_append(run, batch).map_err(|error| HistoryError::during("writing history", &error))
    }

    fn try_append(&mut self, run: RunId, batch: &Batch) -> rusqlite::Result<()> {
        let transaction = self.connection.transaction()?;
        insert_samples(&transaction, run, &self.signal_ids, &batch.samples)?;
        for event in &batch.events {
            insert_event(&transaction, run, event)?;
        }
        for record in &batch.alarms {
            keep_record(&transaction, record)?;
        }
        transaction.commit()
    }

    pub(super) fn alarm_records(&mut self) -> Result<Vec<AlarmRecord>, HistoryError> {
        let doing = |error| HistoryError::during("reading alarm states", &error);
        let mut statement = self.connection.prepare_cached("SELECT * FROM alarm_records").map_err(doing)?;
        let records = statement.query_map([], read_record).map_err(doing)?;
        records.collect::<rusqlite::Result<_>>().map_err(doing)
    }

    pub(super) fn samples(
        &mut self,
        tag: &str,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.try_samples(tag, from, to, limit)
            .map_err(|error| HistoryError::during("reading history", &error))
    }

    fn try_samples(
        &mut self,
        tag: &str,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> rusqlite::Result<Vec<StoredSample>> {
        let id = self
            .connection
            .query_row("SELECT id FROM signals WHERE tag = ?1", [tag], |row| row.get::<_, i64>(0));
        let Some(id) = id.optional()? else { return Ok(Vec::new()) };
        let mut statement = self.connection.prepare_cached(
            "SELECT utc_ms, value, quality FROM samples WHERE utc_ms >= ?1 AND utc_ms < ?2 AND signal = ?3
             ORDER BY utc_ms DESC, run DESC, uptime_ns DESC LIMIT ?4",
        )?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let newest_first = statement.query_map(params![from.0, to.0, id, limit], read_sample)?;
        let mut samples: Vec<StoredSample> = newest_first.collect::<rusqlite::Result<_>>()?;
        samples.reverse();
        Ok(samples)
    }

    pub(super) fn events(
        &mut self,
        alarm: Option<&str>,
        limit: usize,
    ) -> Result<Vec<StoredEvent>, HistoryError> {
        let doing = |error| HistoryError::during("reading events", &error);
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT * FROM events WHERE ?1 IS NULL OR alarm = ?1 ORDER BY run DESC, sequence DESC LIMIT ?2",
            )
            .map_err(doing)?;
        let events = statement.query_map(params![alarm, limit], read_event).map_err(doing)?;
        events.collect::<rusqlite::Result<_>>().map_err(doing)
    }
}

fn insert_samples(
    transaction: &Transaction<'_>,
    run: RunId,
    signal_ids: &[i64],
    samples: &[NewSample],
) -> rusqlite::Result<()> {
    let mut statement = transaction.prepare_cached(
        "INSERT OR IGNORE INTO samples (utc_ms, signal, run, uptime_ns, value, quality) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )?;
    for sample in samples {
        let Some(id) = signal_ids.get(usize::from(sample.signal)) else { continue };
        let (value, quality) = encode_reading(sample.reading);
        statement.execute(params![sample.utc.0, id, run.0, nanos(sample.at), value, quality])?;
    }
    Ok(())
}

fn insert_event(transaction: &Transaction<'_>, run: RunId, event: &Event) -> rusqlite::Result<()> {
    let mut statement = transaction.prepare_cached(
        "INSERT INTO events VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
    )?;
    statement.execute(params![
        run.0,
        i64::try_from(event.sequence).unwrap_or(i64::MAX),
        event.utc.0,
        nanos(event.at),
        event.alarm,
        event.occurrence,
        event.what,
        event.states,
        event.onset.map(|utc| utc.0),
        event.value,
        event.exposure,
        event.by,
        event.note,
    ])?;
    Ok(())
}

fn keep_record(transaction: &Transaction<'_>, record: &AlarmRecord) -> rusqlite::Result<()> {
    let mut statement = transaction
        .prepare_cached("INSERT OR REPLACE INTO alarm_records VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?;
    let (acknowledged, by) = record.acknowledged.as_ref().map(|(utc, by)| (utc.0, by)).unzip();
    statement.execute(params![
        record.id,
        record.state.to_string(),
        record.occurrence,
        record.exposure,
        record.onset.map(|utc| utc.0),
        record.raised.map(|utc| utc.0),
        record.cleared.map(|utc| utc.0),
        acknowledged,
        by,
    ])?;
    Ok(())
}

fn read_record(row: &Row<'_>) -> rusqlite::Result<AlarmRecord> {
    let state: String = row.get(1)?;
    let acknowledged: Option<i64> = row.get(7)?;
    let by: Option<String> = row.get(8)?;
    Ok(AlarmRecord {
        id: row.get(0)?,
        state: state.chars().next().unwrap_or('A'),
        occurrence: row.get(2)?,
        exposure: row.get(3)?,
        onset: utc(row, 4)?,
        raised: utc(row, 5)?,
        cleared: utc(row, 6)?,
        acknowledged: acknowledged.map(|at| (UtcMillis(at), by.unwrap_or_default())),
    })
}

fn read_event(row: &Row<'_>) -> rusqlite::Result<StoredEvent> {
    Ok(StoredEvent {
        run: RunId(row.get(0)?),
        event: Event {
            sequence: u64::try_from(row.get::<_, i64>(1)?).unwrap_or(0),
            utc: UtcMillis(row.get(2)?),
            at: Uptime::from_nanos(u64::try_from(row.get::<_, i64>(3)?).unwrap_or(0)),
            alarm: row.get(4)?,
            occurrence: row.get(5)?,
            what: row.get(6)?,
            states: row.get(7)?,
            onset: utc(row, 8)?,
            value: row.get(9)?,
            exposure: row.get(10)?,
            by: row.get(11)?,
            note: row.get(12)?,
        },
    })
}

fn read_sample(row: &Row<'_>) -> rusqlite::Result<StoredSample> {
    Ok(StoredSample { utc: UtcMillis(row.get(0)?), reading: decode_reading(row.get(1)?, row.get(2)?) })
}

fn utc(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<UtcMillis>> {
    Ok(row.get::<_, Option<i64>>(column)?.map(UtcMillis))
}

fn nanos(at: Uptime) -> i64 {
    i64::try_from(at.as_nanos()).unwrap_or(i64::MAX)
}

/// Quality codes: 0 good, 1 to 3 uncertain, from 0x1000 on no data with its reason.
fn encode_reading(reading: Reading) -> (Option<f64>, i64) {
    match reading {
        Reading::Good(value) => (Some(value), 0),
        Reading::Uncertain(value, Doubt::Late) => (Some(value), 1),
        Reading::Uncertain(value, Doubt::Disagrees) => (Some(value), 2),
        Reading::Uncertain(value, Doubt::Unverified) => (Some(value), 3),
        Reading::Uncertain(value, Doubt::Unconfirmed) => (Some(value), 4),
        Reading::Bad(why) => (None, 0x1000 + no_data_code(why)),
    }
}

/// A row that makes no sense reads as no data: history never invents a value.
fn decode_reading(value: Option<f64>, quality: i64) -> Reading {
    use setward_protocol::NoData;
    match (value, quality) {
        (Some(value), 0) => Reading::Good(value),
        (Some(value), 1) => Reading::Uncertain(value, Doubt::Late),
        (Some(value), 2) => Reading::Uncertain(value, Doubt::Disagrees),
        (Some(value), 3) => Reading::Uncertain(value, Doubt::Unverified),
        (Some(value), 4) => Reading::Uncertain(value, Doubt::Unconfirmed),
        (_, code) => Reading::Bad(no_data_from_code(code - 0x1000).unwrap_or(NoData::NoReply)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SQLite's own refusal when the file can't grow: told with what to do, nothing of the batch kept in part, and kept
    /// whole once there is room.
    #[test]
    fn a_full_disk_is_told_with_what_to_do_and_the_batch_is_kept_later() {
        let mut rows = Rows::in_memory().unwrap();
        let run = NewRun {
            started: UtcMillis(0),
            fingerprint: String::new(),
            version: String::new(),
            tags: vec!["TT-310".to_owned()],
        };
        let run = rows.start_run(&run).unwrap();
        let sample = |second: i64| NewSample {
            signal: 0,
            utc: UtcMillis(second * 1000),
            at: Uptime::from_millis(second as u64 * 1000),
            reading: Reading::Good(182.0),
        };
        let batch = Batch { samples: (0..5000).map(sample).collect(), ..Batch::default() };
        rows.connection.pragma_update(None, "max_page_count", 20).unwrap();
        let refused = rows.append(run, &batch).unwrap_err().text;
        assert!(refused.contains("full") && refused.contains("free some room"), "{refused}");
        let count = |rows: &mut Rows| {
            rows.samples("TT-310", UtcMillis(0), UtcMillis(i64::MAX), 10_000).unwrap().len()
        };
        assert_eq!(count(&mut rows), 0);
        rows.connection.pragma_update(None, "max_page_count", 1_000_000).unwrap();
        rows.append(run, &batch).unwrap();
        assert_eq!(count(&mut rows), 5000);
    }
}
