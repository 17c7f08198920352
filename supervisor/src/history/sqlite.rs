//! The store as the daemon calls it: on threads of its own, or inline on memory for virtual time.
//!
//! One thread owns the file and a lock beside it, so that two daemons never write one history; a second one only reads, so
//! that a long question never keeps a reading waiting.

use super::lock::FolderLock;
use super::query::check_tags;
use super::read::{OpenPart, Reading};
use super::store::Store;
use super::tables::open_to_read;
use super::worker::{Job, Worker};
use super::{
    AlarmRecord, AuditEntry, Batch, BatchRow, Envelope, EventsAsked, ForwardPage, HistoryError, HistoryStore,
    KeptRecord, KeptRows, NewAudit, NewNote, NewRecord, NewRun, Note, Settings, SignalSamples, Span,
    StoredEntry, StoredEvent, StoredSample, Usage, Window, batches, entries, events, forward, kept, records,
    usage,
};
use crate::snapshot::RunId;
use async_trait::async_trait;
use rusqlite::Connection;
use setward_protocol::UtcMillis;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use tokio::sync::mpsc;

/// Jobs that may wait for the disk. A full queue makes callers wait; the line task never does (see `line.rs`).
const JOBS_MAX: usize = 64;
/// Questions that may wait for the reader.
const QUESTIONS_MAX: usize = 64;

/// The store on threads of its own. Once it is dropped the file is closed and the folder free: it waits for what was asked.
#[derive(Debug)]
pub struct ThreadedStore {
    jobs: Worker<Store>,
    questions: Worker<FileReader>,
}

/// The reader's connection; opened anew when the writer has replaced the file.
#[derive(Debug)]
struct FileReader {
    file: PathBuf,
    connection: Connection,
    generation: u64,
}

impl FileReader {
    fn connection(&mut self, generation: u64) -> Result<&Connection, HistoryError> {
        if self.generation != generation {
            let open = open_to_read(&self.file);
            self.connection =
                open.map_err(|error| HistoryError::during("opening the history file to read", &error))?;
            self.generation = generation;
        }
        Ok(&self.connection)
    }
}

impl ThreadedStore {
    /// Opens or makes the history in `folder`.
    ///
    /// # Errors
    /// When the folder can't be made, another daemon holds it, or the file can't be used; says which and what to do.
    pub fn open(folder: &Path) -> Result<Self, HistoryError> {
        Self::open_with(folder, Settings::default())
    }

    /// Opens or makes the history in `folder`, kept as `settings` say.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub fn open_with(folder: &Path, settings: Settings) -> Result<Self, HistoryError> {
        let failed = |doing: &str, error: std::io::Error| HistoryError {
            text: format!("{doing} {}: {error}", folder.display()),
        };
        fs::create_dir_all(folder).map_err(|error| failed("making the data folder", error))?;
        let lock = FolderLock::take(folder)?;
        let mut store = Store::open(folder, settings)?;
        let reader = FileReader {
            file: folder.join("history.sqlite"),
            connection: store.reader()?.ok_or_else(|| unreachable_file(folder))?,
            generation: 0,
        };
        let jobs = Worker::spawn("history", JOBS_MAX, move |mut queue: mpsc::Receiver<Job<Store>>| {
            while let Some(job) = queue.blocking_recv() {
                job(&mut store);
            }
            // Closed before another daemon may open it.
            drop(store);
            drop(lock);
        });
        let questions = Worker::spawn("history-read", QUESTIONS_MAX, move |queue| serve(queue, reader));
        let started = "starting the history thread for";
        Ok(Self {
            jobs: jobs.map_err(|error| failed(started, error))?,
            questions: questions.map_err(|error| failed(started, error))?,
        })
    }

    pub(super) async fn ask<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Store) -> Result<T, HistoryError> + Send + 'static,
    ) -> Result<T, HistoryError> {
        self.jobs.ask(work).await
    }

    async fn read<T: Send + 'static>(
        &self,
        tags: Vec<String>,
        work: impl FnOnce(&mut Reading<'_>) -> Result<T, HistoryError> + Send + 'static,
    ) -> Result<T, HistoryError> {
        self.read_in(Span::EVER, tags, work).await
    }

    /// Puts a question to the reader's thread, with what of these signals is still open in the window.
    async fn read_in<T: Send + 'static>(
        &self,
        span: Span,
        tags: Vec<String>,
        work: impl FnOnce(&mut Reading<'_>) -> Result<T, HistoryError> + Send + 'static,
    ) -> Result<T, HistoryError> {
        let open = self.ask(move |store| Ok(store.open_part(&tags, span))).await?;
        let (answer, is_damaged) = self
            .questions
            .ask(move |reader: &mut FileReader| {
                let mut reading = Reading::new(reader.connection(open.generation)?, &open);
                let answer = work(&mut reading)?;
                Ok((answer, reading.is_file_damaged))
            })
            .await?;
        if is_damaged {
            self.ask(Store::look_for_damage).await?;
        }
        Ok(answer)
    }
}

fn of_file<T>(found: rusqlite::Result<T>) -> Result<T, HistoryError> {
    found.map_err(|error| HistoryError::during("reading history for a server", &error))
}

fn unreachable_file(folder: &Path) -> HistoryError {
    HistoryError { text: format!("the history in {} has no file", folder.display()) }
}

fn serve(mut queue: mpsc::Receiver<Job<FileReader>>, mut reader: FileReader) {
    while let Some(job) = queue.blocking_recv() {
        job(&mut reader);
    }
}

impl Drop for ThreadedStore {
    fn drop(&mut self) {
        // The reader first: who closes the file last puts what is in the log into it.
        self.questions.end();
        self.jobs.end();
    }
}

#[async_trait]
impl HistoryStore for ThreadedStore {
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError> {
        self.ask(move |store| store.start_run(&run)).await
    }

    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError> {
        self.ask(move |store| store.append(run, &batch)).await
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.ask(move |store| events::alarm_records(&store.connection)).await
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.read(vec![tag.clone()], move |reading| reading.newest(&tag, from, to, limit)).await
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        self.events_of(EventsAsked { alarm, limit, ..EventsAsked::default() }).await
    }

    async fn events_of(&self, asked: EventsAsked) -> Result<Vec<StoredEvent>, HistoryError> {
        self.read(Vec::new(), move |reading| events::events(reading.connection, &asked)).await
    }

    async fn envelopes(&self, window: Window) -> Result<Vec<Envelope>, HistoryError> {
        self.read(window.tags().to_vec(), move |reading| reading.envelopes(&window)).await
    }

    async fn exact(&self, tags: Vec<String>, span: Span) -> Result<Vec<SignalSamples>, HistoryError> {
        check_tags(&tags).map_err(|error| HistoryError { text: error.text })?;
        self.read_in(span, tags.clone(), move |reading| reading.exact_of(&tags, span)).await
    }

    async fn kept_rows(&self, tags: Vec<String>, span: Span) -> Result<KeptRows, HistoryError> {
        self.read_in(span, tags.clone(), move |reading| reading.kept_rows(&tags, span)).await
    }

    async fn latest(&self, tags: Vec<String>) -> Result<Vec<Option<StoredSample>>, HistoryError> {
        self.read(tags.clone(), move |reading| tags.iter().map(|tag| reading.latest(tag)).collect()).await
    }

    async fn add_audit(&self, entry: NewAudit) -> Result<AuditEntry, HistoryError> {
        self.ask(move |store| records::add_audit(&mut store.connection, entry)).await
    }

    async fn audit_trail(&self, limit: usize) -> Result<Vec<AuditEntry>, HistoryError> {
        self.read(Vec::new(), move |reading| records::audit_trail(reading.connection, limit)).await
    }

    async fn add_note(&self, note: NewNote) -> Result<Note, HistoryError> {
        self.ask(move |store| records::add_note(&mut store.connection, note)).await
    }

    async fn notes(&self, about: String, limit: usize) -> Result<Vec<Note>, HistoryError> {
        self.read(Vec::new(), move |reading| records::notes(reading.connection, &about, limit)).await
    }

    async fn keep_batch(&self, batch: BatchRow) -> Result<(), HistoryError> {
        self.ask(move |store| batches::keep(&store.connection, &batch)).await
    }

    async fn batches(
        &self,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<BatchRow>, HistoryError> {
        self.read(Vec::new(), move |reading| batches::between(reading.connection, (from, to), limit)).await
    }

    async fn batch(&self, id: String) -> Result<Option<BatchRow>, HistoryError> {
        self.read(Vec::new(), move |reading| batches::one(reading.connection, &id)).await
    }

    async fn add_record(&self, record: NewRecord) -> Result<KeptRecord, HistoryError> {
        self.ask(move |store| kept::add(&mut store.connection, record)).await
    }

    async fn records(&self, kind: String, limit: usize) -> Result<Vec<KeptRecord>, HistoryError> {
        self.read(Vec::new(), move |reading| kept::of_kind(reading.connection, &kind, limit)).await
    }

    async fn broken_audit(&self) -> Result<(u64, Vec<String>), HistoryError> {
        self.read(Vec::new(), move |reading| records::broken_audit(reading.connection)).await
    }

    async fn entries(&self, tag: Option<String>, limit: usize) -> Result<Vec<StoredEntry>, HistoryError> {
        self.read(Vec::new(), move |reading| entries::entries(reading.connection, tag.as_deref(), limit))
            .await
    }

    async fn forward_page(&self, after: u64) -> Result<ForwardPage, HistoryError> {
        // In this order: a row goes from memory into the file, never back.
        let open = self.ask(move |store| Ok(store.open_rows(after, None))).await?;
        let in_file =
            self.read(Vec::new(), move |reading| of_file(forward::start_in_file(reading.connection, after)));
        let Some(until) = forward::end_of_page(in_file.await?, open.start, open.newest) else {
            return Ok(ForwardPage { last: after, newest: open.newest, ..ForwardPage::default() });
        };
        let open = self.ask(move |store| Ok(store.open_rows(after, Some(until)))).await?;
        self.read(Vec::new(), move |reading| of_file(forward::page(reading.connection, after, until, open)))
            .await
    }

    async fn cursor(&self, server: String) -> Result<Option<u64>, HistoryError> {
        self.ask(move |store| of_file(forward::cursor(&store.connection, &server))).await
    }

    async fn keep_cursor(&self, server: String, sequence: u64) -> Result<(), HistoryError> {
        self.ask(move |store| of_file(forward::keep_cursor(&mut store.connection, &server, sequence))).await
    }

    async fn notices(&self) -> Result<Vec<String>, HistoryError> {
        self.ask(move |store| Ok(store.notices())).await
    }

    async fn usage(&self) -> Result<Usage, HistoryError> {
        self.ask(|store| usage::usage(store)).await
    }
}

/// The store called inline: no thread, so virtual time can use it. In memory, or on files that are not synced at first.
#[derive(Debug)]
pub struct InlineStore {
    store: Mutex<Store>,
    /// The folder is this process's as long as it stands.
    _lock: Option<FolderLock>,
}

impl InlineStore {
    /// An empty history.
    ///
    /// # Errors
    /// When SQLite has no memory.
    pub fn in_memory() -> Result<Self, HistoryError> {
        Ok(Self { store: Mutex::new(Store::in_memory()?), _lock: None })
    }

    /// Opens or makes the history in `folder`, and syncs nothing until told: a simulated week is written in a minute, and
    /// made anew should the power go.
    ///
    /// # Errors
    /// As [`ThreadedStore::open`].
    pub fn open_without_syncs(folder: &Path, settings: Settings) -> Result<Self, HistoryError> {
        let failed = |error: std::io::Error| HistoryError {
            text: format!("making the data folder {}: {error}", folder.display()),
        };
        fs::create_dir_all(folder).map_err(failed)?;
        let lock = FolderLock::take(folder)?;
        let mut store = Store::open(folder, settings)?;
        store.set_syncs(false)?;
        Ok(Self { store: Mutex::new(store), _lock: Some(lock) })
    }

    /// From now on what is confirmed is on the disk, and so is all that was written before.
    ///
    /// # Errors
    /// When the disk does not take it.
    pub fn sync_from_now_on(&self) -> Result<(), HistoryError> {
        self.with(|store| store.set_syncs(true))
    }

    fn with<T>(&self, work: impl FnOnce(&mut Store) -> T) -> T {
        // Nothing awaits under the lock; a panic in SQLite's wrapper leaves whole transactions only.
        work(&mut self.store.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn read<T>(&self, tags: &[String], work: impl FnOnce(&mut Reading<'_>) -> T) -> T {
        self.read_in(Span::EVER, tags, work)
    }

    fn read_in<T>(&self, span: Span, tags: &[String], work: impl FnOnce(&mut Reading<'_>) -> T) -> T {
        self.with(|store| {
            let open: OpenPart = store.open_part(tags, span);
            work(&mut Reading::new(&store.connection, &open))
        })
    }
}

#[async_trait]
impl HistoryStore for InlineStore {
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError> {
        self.with(|store| store.start_run(&run))
    }

    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError> {
        self.with(|store| store.append(run, &batch))
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.with(|store| events::alarm_records(&store.connection))
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
        self.read(&[], |reading| events::events(reading.connection, &asked))
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

    async fn latest(&self, tags: Vec<String>) -> Result<Vec<Option<StoredSample>>, HistoryError> {
        self.read(&tags, |reading| tags.iter().map(|tag| reading.latest(tag)).collect())
    }

    async fn add_audit(&self, entry: NewAudit) -> Result<AuditEntry, HistoryError> {
        self.with(|store| records::add_audit(&mut store.connection, entry))
    }

    async fn audit_trail(&self, limit: usize) -> Result<Vec<AuditEntry>, HistoryError> {
        self.read(&[], |reading| records::audit_trail(reading.connection, limit))
    }

    async fn add_note(&self, note: NewNote) -> Result<Note, HistoryError> {
        self.with(|store| records::add_note(&mut store.connection, note))
    }

    async fn entries(&self, tag: Option<String>, limit: usize) -> Result<Vec<StoredEntry>, HistoryError> {
        self.read(&[], |reading| entries::entries(reading.connection, tag.as_deref(), limit))
    }

    async fn notes(&self, about: String, limit: usize) -> Result<Vec<Note>, HistoryError> {
        self.read(&[], |reading| records::notes(reading.connection, &about, limit))
    }

    async fn keep_batch(&self, batch: BatchRow) -> Result<(), HistoryError> {
        self.with(|store| batches::keep(&store.connection, &batch))
    }

    async fn batches(
        &self,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<BatchRow>, HistoryError> {
        self.with(|store| batches::between(&store.connection, (from, to), limit))
    }

    async fn batch(&self, id: String) -> Result<Option<BatchRow>, HistoryError> {
        self.with(|store| batches::one(&store.connection, &id))
    }

    async fn add_record(&self, record: NewRecord) -> Result<KeptRecord, HistoryError> {
        self.with(|store| kept::add(&mut store.connection, record))
    }

    async fn records(&self, kind: String, limit: usize) -> Result<Vec<KeptRecord>, HistoryError> {
        self.with(|store| kept::of_kind(&store.connection, &kind, limit))
    }

    async fn broken_audit(&self) -> Result<(u64, Vec<String>), HistoryError> {
        self.with(|store| records::broken_audit(&store.connection))
    }

    async fn forward_page(&self, after: u64) -> Result<ForwardPage, HistoryError> {
        self.with(|store| {
            let open = store.open_rows(after, None);
            let in_file = of_file(forward::start_in_file(&store.connection, after))?;
            let Some(until) = forward::end_of_page(in_file, open.start, open.newest) else {
                return Ok(ForwardPage { last: after, newest: open.newest, ..ForwardPage::default() });
            };
            let open = store.open_rows(after, Some(until));
            of_file(forward::page(&store.connection, after, until, open))
        })
    }

    async fn cursor(&self, server: String) -> Result<Option<u64>, HistoryError> {
        self.with(|store| of_file(forward::cursor(&store.connection, &server)))
    }

    async fn keep_cursor(&self, server: String, sequence: u64) -> Result<(), HistoryError> {
        self.with(|store| of_file(forward::keep_cursor(&mut store.connection, &server, sequence)))
    }

    async fn notices(&self) -> Result<Vec<String>, HistoryError> {
        self.with(|store| Ok(store.notices()))
    }

    async fn usage(&self) -> Result<Usage, HistoryError> {
        self.with(|store| usage::usage(store))
    }
}

#[cfg(test)]
#[path = "sqlite_tests.rs"]
mod tests;
