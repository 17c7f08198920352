//! The store itself, blocking: opening and recovering, taking batches, closing chunks. See `sqlite.rs` for how it is called.
//!
//! Order within a batch: events and states first (kept twice they are kept once), then the journal, then memory. So a batch
//! that was refused may be tried again as it is, and what was confirmed is in the file or in the journal.

use super::close::close_one;
use super::damage;
use super::disk::Guard;
use super::forward::{OpenRows, open_rows};
use super::layout::StoredSignal;
use super::open::{OpenChunk, OpenRun, Row};
use super::read::{OpenPart, OpenSlice};
use super::ring::{self, Found, Ring};
use super::runs::{insert_run, load_run, next_run};
use super::tables::{self, Opened, is_damage, open_to_read, store_number};
use super::{Batch, HistoryError, NewRun, Settings, Span, entries, events, journal, migrate, retention};
use crate::snapshot::RunId;
use rusqlite::Connection;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::{Path, PathBuf};

/// Chunks put into the file by one batch: an hour's end is spread over some seconds.
const CLOSED_A_BATCH: usize = 4;
const HOUR_MS: i64 = 3_600_000;

/// The open store.
#[derive(Debug)]
pub(super) struct Store {
    pub(super) connection: Connection,
    pub(super) file: Option<PathBuf>,
    pub(super) settings: Settings,
    guard: Guard,
    pub(super) ring: Option<Ring>,
    /// The present run last; before it runs of which something still waits to be put into the file.
    pub(super) runs: VecDeque<OpenRun>,
    next_sequence: u64,
    /// Newest wall time kept before this run: until it is passed, the clock is doubtful.
    doubtful_until_ms: i64,
    retention_hour: i64,
    notices: Vec<String>,
    /// How often the file was replaced: readers must open the new one.
    generation: u64,
    /// Why chunks can't be put into the file.
    problem: Option<String>,
}

/// What the file knows, as far as a start needs it.
struct Kept {
    next_sequence: u64,
    runs: BTreeMap<i64, Option<OpenRun>>,
}

impl Store {
    /// Opens or makes the store in `folder`, and puts what the last run left in the journal into the file.
    pub(super) fn open(folder: &Path, settings: Settings) -> Result<Self, HistoryError> {
        let file = folder.join("history.sqlite");
        let journal = folder.join("history.journal");
        let owner = ring::owner(&journal)?;
        let mut notices = Vec::new();
        let connection = open_file(&file, owner, &mut notices)?;
        let number = store_number(&connection)
            .map_err(|error| HistoryError::during("reading the history file", &error))?;
        if owner.is_some_and(|owner| owner != number) {
            notices.push(damage::start_journal_anew(&journal, "it belongs to another history file")?);
        }
        let (ring, found) = Ring::open(&journal, settings.journal_bytes, number)?;
        let mut store = Self::over(connection, settings);
        store.file = Some(file);
        store.ring = Some(ring);
        notices.into_iter().for_each(|text| store.notice(text));
        let known = match store.read_what_is_kept(&found) {
            Err(error) if is_damage(&error) => {
                store.replace_file(&error.to_string())?;
                store.read_what_is_kept(&found)
            }
            known => known,
        };
        let known = known.map_err(|error| HistoryError::during("reading the history file", &error))?;
        let unknown = store.recover(found, known);
        if unknown > 0 && store.runs.is_empty() {
            let why = format!("{unknown} of its records are of runs that the history file does not know");
            let notice = damage::start_journal_anew(&journal, &why)?;
            store.ring = Some(Ring::open(&journal, settings.journal_bytes, number)?.0);
            store.notice(notice);
        }
        Ok(store)
    }

    /// A store in memory, for virtual time and tests.
    pub(super) fn in_memory() -> Result<Self, HistoryError> {
        let failed = |error| HistoryError::during("opening a history in memory", &error);
        let connection = Connection::open_in_memory().map_err(failed)?;
        tables::prepare(&connection, 0).map_err(failed)?;
        Ok(Self::over(connection, Settings::default()))
    }

    fn over(connection: Connection, settings: Settings) -> Self {
        Self {
            connection,
            file: None,
            settings,
            guard: Guard::default(),
            ring: None,
            runs: VecDeque::new(),
            next_sequence: 1,
            doubtful_until_ms: i64::MIN,
            retention_hour: i64::MIN,
            notices: Vec::new(),
            generation: 0,
            problem: None,
        }
    }

    /// A second connection to the file, for reading only.
    pub(super) fn reader(&self) -> Result<Option<Connection>, HistoryError> {
        let open = |file: &PathBuf| {
            open_to_read(file)
                .map_err(|error| HistoryError::during("opening the history file to read", &error))
        };
        self.file.as_ref().map(open).transpose()
    }

    /// The next row's number, and the runs that the journal names; `None` for one that the file does not know.
    fn read_what_is_kept(&self, found: &[Found]) -> rusqlite::Result<Kept> {
        let last = "SELECT max(last) FROM (SELECT last FROM time_chunks ORDER BY first DESC LIMIT 4096)";
        let last: Option<i64> = self.connection.query_row(last, [], |row| row.get(0))?;
        let mut runs = BTreeMap::new();
        for record in found {
            if let Entry::Vacant(place) = runs.entry(record.run) {
                place.insert(load_run(&self.connection, record.run)?);
            }
        }
        Ok(Kept { next_sequence: last.map_or(1, |last| last as u64 + 1), runs })
    }

    /// Takes the journal's rows that are not in the file yet, and closes their chunks. Gives how many records are of runs
    /// that the file does not know.
    fn recover(&mut self, found: Vec<Found>, mut kept: Kept) -> usize {
        let mut unknown = 0;
        self.next_sequence = kept.next_sequence;
        for record in found {
            self.next_sequence = self.next_sequence.max(record.last_sequence.saturating_add(1));
            let run = kept.runs.get_mut(&record.run).and_then(Option::as_mut);
            match run.map(|run| journal::read(run, &record.payload).map(|rows| take_rows(run, rows))) {
                Some(Ok(())) => {}
                Some(Err(_)) | None => unknown += 1,
            }
        }
        self.runs = kept.runs.into_values().flatten().collect();
        self.close_runs();
        unknown
    }

    /// Ends every run and puts all of it into the file.
    pub(super) fn close_runs(&mut self) {
        self.runs.iter_mut().for_each(OpenRun::seal_all);
        self.close_all();
    }

    fn notice(&mut self, text: String) {
        tracing::warn!(code = "history-notice", "{text}");
        self.notices.push(text);
    }

    /// What a person should know.
    pub(super) fn notices(&self) -> Vec<String> {
        self.notices.iter().chain(&self.problem).cloned().collect()
    }

    pub(super) fn start_run(&mut self, run: &NewRun) -> Result<RunId, HistoryError> {
        self.close_runs();
        let begun = match self.try_start_run(run) {
            Err(error) if is_damage(&error) && self.file.is_some() => {
                self.replace_file(&error.to_string())?;
                self.try_start_run(run)
            }
            begun => begun,
        };
        begun.map_err(|error| HistoryError::during("starting a run", &error))
    }

    fn try_start_run(&mut self, run: &NewRun) -> rusqlite::Result<RunId> {
        let transaction = self.connection.transaction()?;
        let id = next_run(&transaction)?;
        let signals = insert_run(&transaction, id, run)?;
        let newest =
            "SELECT max(end_utc_ms) FROM (SELECT end_utc_ms FROM time_chunks ORDER BY first DESC LIMIT 4096)";
        let newest: Option<i64> = transaction.query_row(newest, [], |row| row.get(0))?;
        transaction.commit()?;
        self.doubtful_until_ms = newest.unwrap_or(i64::MIN);
        self.runs.push_back(OpenRun::new(id, &run.fingerprint, signals));
        Ok(RunId(id))
    }

    /// A store that a migration fills.
    pub(super) fn migrating(connection: Connection) -> Self {
        Self::over(connection, Settings::default())
    }

    /// Puts what a journal holds beyond a copy of its file into the copy.
    pub(super) fn complete(connection: Connection, found: Vec<Found>) -> Result<(), HistoryError> {
        let mut store = Self::over(connection, Settings::default());
        let kept = store
            .read_what_is_kept(&found)
            .map_err(|error| HistoryError::during("completing the copy", &error))?;
        store.recover(found, kept);
        store.finish_migration()
    }

    /// As [`Self::start_run`], under the number that the run had.
    pub(super) fn start_numbered(&mut self, number: i64, run: &NewRun) -> Result<(), HistoryError> {
        self.close_runs();
        let doing = |error| HistoryError::during("migrating a run", &error);
        let transaction = self.connection.transaction().map_err(doing)?;
        let signals = insert_run(&transaction, number, run).map_err(doing)?;
        transaction.commit().map_err(doing)?;
        self.runs.push_back(OpenRun::new(number, &run.fingerprint, signals));
        Ok(())
    }

    /// Keeps a batch for the run begun last.
    pub(super) fn keep_migrated(&mut self, batch: Batch) -> Result<(), HistoryError> {
        let run = self.runs.back().map_or(RunId(0), |run| RunId(run.run));
        if run == RunId(0) && !batch.alarms.is_empty() {
            return self
                .append_records(run, &batch)
                .map_err(|error| HistoryError::during("writing history", &error));
        }
        if batch.is_empty() {
            return Ok(());
        }
        self.append(run, &batch)?;
        match &self.problem {
            Some(text) => Err(HistoryError { text: text.clone() }),
            None => Ok(()),
        }
    }

    /// Puts everything into the file, and the file on the disk, in one piece.
    pub(super) fn finish_migration(mut self) -> Result<(), HistoryError> {
        self.close_runs();
        if let Some(text) = self.problem {
            return Err(HistoryError { text });
        }
        let doing = |error| HistoryError::during("finishing a migration", &error);
        self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_row| Ok(())).map_err(doing)?;
        self.connection.close().map_err(|(_, error)| doing(error))
    }

    /// Keeps a batch. After an error it may be tried again as it is.
    pub(super) fn append(&mut self, run: RunId, batch: &Batch) -> Result<(), HistoryError> {
        let is_present = self.runs.back().is_some_and(|present| present.run == run.0);
        if !is_present {
            return Err(HistoryError {
                text: format!("run {} is not the present one; start a run first", run.0),
            });
        }
        if let Err(error) = self.append_records(run, batch) {
            if !is_damage(&error) || self.file.is_none() {
                return Err(HistoryError::during("writing history", &error));
            }
            self.replace_file(&error.to_string())?;
            self.append_records(run, batch)
                .map_err(|error| HistoryError::during("writing history", &error))?;
        }
        if let Some(present) = self.runs.back_mut() {
            batch.bands.iter().for_each(|band| present.take_band(band));
        }
        if !batch.samples.is_empty() {
            self.append_samples(run, batch)?;
        }
        self.close_due();
        Ok(())
    }

    fn append_records(&mut self, run: RunId, batch: &Batch) -> rusqlite::Result<()> {
        let has_records = !(batch.events.is_empty() && batch.alarms.is_empty() && batch.entries.is_empty());
        if !has_records && batch.bands.is_empty() {
            return Ok(());
        }
        let transaction = self.connection.transaction()?;
        events::insert_events(&transaction, run, &batch.events)?;
        for record in &batch.alarms {
            events::keep_record(&transaction, record)?;
        }
        for entry in &batch.entries {
            entries::insert_entry(&transaction, entry)?;
        }
        let present = self.runs.back();
        for band in &batch.bands {
            let stored = present.and_then(|present| present.signals.get(usize::from(band.signal)));
            if let Some(stored) = stored {
                events::keep_band(&transaction, run, stored.id, band)?;
            }
        }
        transaction.commit()
    }

    fn append_samples(&mut self, run: RunId, batch: &Batch) -> Result<(), HistoryError> {
        if let Some(folder) = self.file.as_ref().and_then(|file| file.parent()) {
            self.guard.check(folder, &self.settings)?;
        }
        let Some(present) = self.runs.back_mut() else { return Ok(()) };
        let rows = present.rows(&batch.samples, self.next_sequence);
        let Some(last) = rows.last().map(|row| row.sequence) else { return Ok(()) };
        if let Some(ring) = &mut self.ring {
            ring.append(run.0, last, &journal::write(present, &rows))?;
        }
        self.next_sequence = last + 1;
        take_rows(present, rows);
        let newest = batch.samples.last().map_or(i64::MIN, |sample| sample.utc.0);
        self.drop_old(newest);
        Ok(())
    }

    /// Puts some sealed chunks into the file; all, should the journal fill up.
    fn close_due(&mut self) {
        let is_filling = self.ring.as_ref().is_some_and(Ring::is_half_full);
        if is_filling {
            self.close_all();
            // While the file has no room, one chunk waits, not one for each batch.
            if self.runs.iter().all(|run| run.first_sealed().is_none()) {
                self.close_runs();
            }
            return;
        }
        for _ in 0..CLOSED_A_BATCH {
            if !self.close_next() {
                break;
            }
        }
        self.release();
    }

    fn close_all(&mut self) {
        while self.close_next() {}
        self.release();
    }

    /// Puts one chunk into the file; false if there was none, or it can't be done now.
    fn close_next(&mut self) -> bool {
        let Some(run) = self.runs.iter_mut().find(|run| run.first_sealed().is_some()) else { return false };
        match close_one(&mut self.connection, run) {
            Ok(closed) => {
                self.problem = None;
                closed
            }
            Err(error) => {
                let text = HistoryError::during("putting a chunk into the history file", &error).text;
                if self.problem.is_none() {
                    tracing::error!(code = "history-chunk", "readings stay in the journal for now: {text}");
                }
                self.problem = Some(text);
                if is_damage(&error) && self.file.is_some() {
                    // What was confirmed is in memory and in the journal; the new file takes it.
                    return self.replace_file(&error.to_string()).is_ok();
                }
                false
            }
        }
    }

    /// Frees the journal of what is in the file.
    fn release(&mut self) {
        let present = self.runs.back().map(|run| run.run);
        self.runs.retain(|run| Some(run.run) == present || run.first_open().is_some());
        let open = self.runs.iter().filter_map(OpenRun::first_open).min();
        if let Some(ring) = &mut self.ring {
            ring.release(open.unwrap_or(self.next_sequence));
        }
    }

    fn drop_old(&mut self, now_ms: i64) {
        let hour = now_ms.div_euclid(HOUR_MS);
        if hour == self.retention_hour {
            return;
        }
        self.retention_hour = hour;
        match retention::pass(&mut self.connection, self.settings.keep, now_ms, self.doubtful_until_ms) {
            Ok(dropped) if dropped != retention::Dropped::default() => {
                tracing::info!(code = "history-dropped", "old history dropped: {dropped:?}");
            }
            Ok(_) => {}
            Err(error) => tracing::warn!(code = "history-dropped", "old history can't be dropped: {error}"),
        }
    }

    /// The file turned out damaged: set aside, what can be read taken over into a new one.
    fn replace_file(&mut self, why: &str) -> Result<(), HistoryError> {
        let Some(file) = self.file.clone() else { return Ok(()) };
        let number = store_number(&self.connection).ok();
        let in_memory = Connection::open_in_memory()
            .map_err(|error| HistoryError::during("replacing the history file", &error))?;
        // Closes the damaged file before it is moved.
        self.connection = in_memory;
        let mut notices = Vec::new();
        self.connection = damage::replace(&file, why, number, &mut notices)?;
        self.generation += 1;
        for run in &self.runs {
            damage::keep_run(&self.connection, run)?;
        }
        for text in notices {
            self.notice(text);
        }
        Ok(())
    }

    /// A reader met damage: looks at the whole file, and replaces it if it is so.
    pub(super) fn look_for_damage(&mut self) -> Result<(), HistoryError> {
        let Some(file) = &self.file else { return Ok(()) };
        // A connection of its own: this one's cache may still hold what the disk no longer has.
        let check = open_to_read(file)
            .and_then(|fresh| fresh.query_row("PRAGMA quick_check(1)", [], |row| row.get::<_, String>(0)));
        match check {
            Ok(verdict) if verdict == "ok" => Ok(()),
            Ok(verdict) => self.replace_file(&verdict),
            Err(error) => self.replace_file(&error.to_string()),
        }
    }

    /// The open rows after `after`, up to `until`.
    pub(super) fn open_rows(&self, after: u64, until: Option<u64>) -> OpenRows {
        OpenRows { newest: self.next_sequence - 1, ..open_rows(&self.runs, after, until) }
    }

    /// What a question about these signals in a window needs of what is not in the file.
    pub(super) fn open_part(&self, tags: &[String], span: Span) -> OpenPart {
        OpenPart { generation: self.generation, ..open_part(&self.runs, tags, span) }
    }
}

/// What of these signals is not in the file, but in those open chunks of `runs` that reach into a window.
pub(super) fn open_part<'a>(
    runs: impl IntoIterator<Item = &'a OpenRun>,
    tags: &[String],
    span: Span,
) -> OpenPart {
    let mut part = OpenPart::default();
    let asked: BTreeSet<&String> = tags.iter().collect();
    for run in runs {
        part.firsts.extend(run.chunks().filter_map(|chunk| chunk.span()).map(|(first, _)| first));
        for (index, stored) in run.signals.iter().enumerate() {
            let names = [Some(&stored.signal.tag), stored.signal.was.as_ref()];
            let Some(tag) = names.into_iter().flatten().find(|name| asked.contains(name)) else { continue };
            let slice = open_slice(run, (index, stored), span);
            part.slices.entry(tag.clone()).or_default().push(slice);
        }
    }
    part
}

fn open_slice(run: &OpenRun, (index, stored): (usize, &StoredSignal), span: Span) -> OpenSlice {
    let (group, column) = run.place(index).unwrap_or_default();
    let reaches = |chunk: &OpenChunk| {
        chunk.utc_span().is_some_and(|(first, last)| span.from().0 <= last && first < span.to().0)
    };
    let own = run.chunks().filter(|chunk| chunk.group == group && reaches(chunk));
    OpenSlice {
        run: run.run,
        gap_limit_us: stored.signal.gap_limit.as_micros() as u64,
        unit: stored.signal.unit.clone(),
        rows: own.flat_map(|chunk| chunk.column_rows(column)).collect(),
    }
}

/// Takes rows that are not in the file yet.
pub(super) fn take_rows(run: &mut OpenRun, rows: Vec<Row>) {
    for row in rows {
        let closed = run.groups.get(row.group).map_or(u64::MAX, |group| group.closed);
        if row.sequence > closed {
            run.take(row);
        }
    }
}

/// The file, whatever state it is in: sound, of version 1, or damaged.
fn open_file(
    file: &Path,
    number: Option<u64>,
    notices: &mut Vec<String>,
) -> Result<Connection, HistoryError> {
    migrate::finish_interrupted(file)?;
    match tables::open(file)? {
        Opened::Sound(connection) => Ok(connection),
        Opened::Rows => {
            notices.push(migrate::from_rows(file)?);
            open_file(file, number, notices)
        }
        Opened::Damaged(why) => damage::replace(file, &why, number, notices),
    }
}

#[cfg(test)]
#[path = "store_tests.rs"]
mod tests;
