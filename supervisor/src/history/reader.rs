//! A history as a command reads it: one moment of it, beside a daemon that writes it or after one. Writes nothing.
//!
//! The journal is read before the file's moment is fixed: what has left it by then is in the file, and what lies in both is
//! told apart by its number.

use super::open::OpenRun;
use super::query::check_tags;
use super::read::{Reading, signal_row};
use super::runs::load_run;
use super::store::{open_part, take_rows};
use super::tables::{SCHEMA_VERSION, open_to_read, store_number};
use super::{
    AlarmRecord, AuditEntry, Batch, BatchRow, Envelope, EventsAsked, HistoryError, HistoryStore, KeptRecord,
    KeptRows, KnownBand, NewRun, Note, SignalSamples, Span, StoredEntry, StoredEvent, StoredSample, Window,
    batches, entries, events, journal, kept, records, ring,
};
use crate::snapshot::RunId;
use async_trait::async_trait;
use rusqlite::{Connection, OptionalExtension as _};
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// A history that is only read.
#[derive(Debug)]
pub struct HistoryReader {
    inner: Mutex<Inner>,
}

#[derive(Debug)]
struct Inner {
    connection: Connection,
    /// What the journal holds beyond the file.
    runs: Vec<OpenRun>,
}

/// A run, as the history knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KnownRun {
    /// The run.
    pub run: RunId,
    /// Wall time of its start.
    pub started: UtcMillis,
    /// Fingerprint of the line folder.
    pub fingerprint: String,
    /// Version of the program.
    pub version: String,
}

impl HistoryReader {
    /// Opens the history in `folder`, as it is at this moment.
    ///
    /// # Errors
    /// When there is none, it is of another version, or it can't be read.
    pub fn open(folder: &Path) -> Result<Self, HistoryError> {
        let file = folder.join("history.sqlite");
        if !file.exists() {
            let text = format!("there is no history in {}; `setward run` begins one", folder.display());
            return Err(HistoryError { text });
        }
        let doing = format!("opening {} to read", file.display());
        let failed = |error| HistoryError::during(&doing, &error);
        let connection = open_to_read(&file).map_err(failed)?;
        check_version(&connection, &doing)?;
        let number = store_number(&connection).map_err(failed)?;
        let found = ring::look(&folder.join("history.journal"), number)?;
        connection.execute_batch("BEGIN").map_err(failed)?;
        let runs = open_runs(&connection, &found).map_err(failed)?;
        Ok(Self { inner: Mutex::new(Inner { connection, runs }) })
    }

    fn with<T>(&self, work: impl FnOnce(&Inner) -> T) -> T {
        work(&self.inner.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn read<T>(&self, tags: &[String], work: impl FnOnce(&mut Reading<'_>) -> T) -> T {
        self.read_in(Span::EVER, tags, work)
    }

    fn read_in<T>(&self, span: Span, tags: &[String], work: impl FnOnce(&mut Reading<'_>) -> T) -> T {
        self.with(|inner| {
            let open = open_part(&inner.runs, tags, span);
            work(&mut Reading::new(&inner.connection, &open))
        })
    }

    /// Tags of every signal there ever was, in their order.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn tags(&self) -> Result<Vec<String>, HistoryError> {
        self.with(|inner| {
            let mut statement = inner.connection.prepare_cached("SELECT tag FROM signals ORDER BY tag")?;
            statement.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()
        })
        .map_err(|error| HistoryError::during("reading the signals", &error))
    }

    /// Whether there ever was a signal of this tag, now or before a rename.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn knows(&self, tag: &str) -> Result<bool, HistoryError> {
        self.with(|inner| signal_row(&inner.connection, tag))
            .map(|id| id.is_some())
            .map_err(|error| HistoryError::during("reading the signals", &error))
    }

    /// Earliest and latest wall time of any reading; `None` without one.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn extent(&self) -> Result<Option<(UtcMillis, UtcMillis)>, HistoryError> {
        let sql = "SELECT min(start_utc_ms), max(end_utc_ms) FROM time_chunks";
        let (first, last): (Option<i64>, Option<i64>) = self
            .with(|inner| inner.connection.query_row(sql, [], |row| Ok((row.get(0)?, row.get(1)?))))
            .map_err(|error| HistoryError::during("reading history", &error))?;
        let kept = first.zip(last);
        let open = self.with(|inner| {
            let spans = inner.runs.iter().flat_map(OpenRun::chunks).filter_map(|chunk| chunk.utc_span());
            spans.reduce(|all, one| (all.0.min(one.0), all.1.max(one.1)))
        });
        let both = match (kept, open) {
            (Some(kept), Some(open)) => Some((kept.0.min(open.0), kept.1.max(open.1))),
            (one, None) | (None, one) => one,
        };
        Ok(both.map(|(first, last)| (UtcMillis(first), UtcMillis(last))))
    }

    /// What was asked of a signal, in the order in which it came into force; nothing for a signal that is not known.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn bands(&self, tag: &str) -> Result<Vec<KnownBand>, HistoryError> {
        self.read(&[], |reading| {
            let signal = reading.signal_id(tag)?;
            reading.known_bands(signal)
        })
        .map_err(|error| HistoryError::during("reading history", &error))
    }

    /// Every run, in their order.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn runs(&self) -> Result<Vec<KnownRun>, HistoryError> {
        let sql = "SELECT run, started_utc_ms, fingerprint, version FROM runs ORDER BY run";
        self.with(|inner| {
            let mut statement = inner.connection.prepare_cached(sql)?;
            let run = |row: &rusqlite::Row<'_>| {
                Ok(KnownRun {
                    run: RunId(row.get(0)?),
                    started: UtcMillis(row.get(1)?),
                    fingerprint: row.get(2)?,
                    version: row.get(3)?,
                })
            };
            statement.query_map([], run)?.collect::<rusqlite::Result<_>>()
        })
        .map_err(|error| HistoryError::during("reading the runs", &error))
    }

    /// Path, SHA-256 and content of the files of a line folder, in the order of paths; none if its files were not kept.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn folder(&self, fingerprint: &str) -> Result<Vec<(String, String, Vec<u8>)>, HistoryError> {
        let sql = "SELECT path, sha256, content FROM folder JOIN files USING (sha256) WHERE fingerprint = ?1
            ORDER BY path";
        self.with(|inner| {
            let mut statement = inner.connection.prepare_cached(sql)?;
            let file = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?));
            statement.query_map([fingerprint], file)?.collect::<rusqlite::Result<_>>()
        })
        .map_err(|error| HistoryError::during("reading the kept files", &error))
    }
}

fn check_version(connection: &Connection, doing: &str) -> Result<(), HistoryError> {
    let failed = |error| HistoryError::during(doing, &error);
    let version: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(failed)?;
    if version == SCHEMA_VERSION {
        return Ok(());
    }
    let advice = if version < SCHEMA_VERSION {
        "`setward run` takes it over when it starts"
    } else {
        "use the newer program"
    };
    let text =
        format!("{doing}: it has version {version}, this program reads version {SCHEMA_VERSION}; {advice}");
    Err(HistoryError { text })
}

/// What the journal holds beyond the file. Called first in a transaction: it fixes the moment.
pub(super) fn open_runs(connection: &Connection, found: &[ring::Found]) -> rusqlite::Result<Vec<OpenRun>> {
    // A journal without records fixes the moment too.
    let _count: Option<i64> =
        connection.query_row("SELECT max(run) FROM runs", [], |row| row.get(0)).optional()?.flatten();
    let mut runs: BTreeMap<i64, Option<OpenRun>> = BTreeMap::new();
    for record in found {
        let run = match runs.entry(record.run) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(place) => place.insert(load_run(connection, record.run)?),
        };
        let Some(run) = run else { continue };
        if let Ok(rows) = journal::read(run, &record.payload) {
            take_rows(run, rows);
        }
    }
    Ok(runs.into_values().flatten().collect())
}

fn only_read() -> HistoryError {
    HistoryError { text: "this history is only read".to_owned() }
}

#[async_trait]
impl HistoryStore for HistoryReader {
    async fn start_run(&self, _run: NewRun) -> Result<RunId, HistoryError> {
        Err(only_read())
    }

    async fn append(&self, _run: RunId, _batch: Batch) -> Result<(), HistoryError> {
        Err(only_read())
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.with(|inner| events::alarm_records(&inner.connection))
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.read(std::slice::from_ref(&tag), |reading| reading.newest(&tag, from, to, limit))
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        self.events_of(EventsAsked { alarm, limit, ..EventsAsked::default() }).await
    }

    async fn events_of(&self, asked: EventsAsked) -> Result<Vec<StoredEvent>, HistoryError> {
        self.with(|inner| events::events(&inner.connection, &asked))
    }

    async fn envelopes(&self, window: Window) -> Result<Vec<Envelope>, HistoryError> {
        self.read(window.tags(), |reading| reading.envelopes(&window))
    }

    async fn exact(&self, tags: Vec<String>, span: Span) -> Result<Vec<SignalSamples>, HistoryError> {
        check_tags(&tags).map_err(|error| HistoryError { text: error.text })?;
        self.read_in(span, &tags, |reading| reading.exact_of(&tags, span))
    }

    async fn kept_rows(&self, tags: Vec<String>, span: Span) -> Result<KeptRows, HistoryError> {
        self.read_in(span, &tags, |reading| reading.kept_rows(&tags, span))
    }

    async fn batches(
        &self,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<BatchRow>, HistoryError> {
        self.with(|inner| batches::between(&inner.connection, (from, to), limit))
    }

    async fn batch(&self, id: String) -> Result<Option<BatchRow>, HistoryError> {
        self.with(|inner| batches::one(&inner.connection, &id))
    }

    async fn records(&self, kind: String, limit: usize) -> Result<Vec<KeptRecord>, HistoryError> {
        self.with(|inner| kept::of_kind(&inner.connection, &kind, limit))
    }

    async fn broken_audit(&self) -> Result<(u64, Vec<String>), HistoryError> {
        self.with(|inner| records::broken_audit(&inner.connection))
    }

    async fn audit_trail(&self, limit: usize) -> Result<Vec<AuditEntry>, HistoryError> {
        self.with(|inner| records::audit_trail(&inner.connection, limit))
    }

    async fn entries(&self, tag: Option<String>, limit: usize) -> Result<Vec<StoredEntry>, HistoryError> {
        self.with(|inner| entries::entries(&inner.connection, tag.as_deref(), limit))
    }

    async fn notes(&self, about: String, limit: usize) -> Result<Vec<Note>, HistoryError> {
        self.with(|inner| records::notes(&inner.connection, &about, limit))
    }
}

#[cfg(test)]
#[path = "reader_tests.rs"]
mod tests;
