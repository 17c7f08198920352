//! The store as the daemon calls it: on a thread of its own, or inline on memory for virtual time.
//!
//! The thread owns the file and a lock beside it, so that two daemons never write one history.

use super::rows::Rows;
use super::{AlarmRecord, Batch, HistoryError, HistoryStore, NewRun, StoredEvent, StoredSample};
use crate::snapshot::RunId;
use async_trait::async_trait;
use setward_protocol::UtcMillis;
use std::fs::{self, File, TryLockError};
use std::io::{Read as _, Seek as _, Write as _};
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use tokio::sync::{mpsc, oneshot};

/// Jobs that may wait for the disk. A full queue makes callers wait; the line task never does (see `line.rs`).
const JOBS_MAX: usize = 64;

type Job = Box<dyn FnOnce(&mut Rows) + Send>;

/// The store on a thread of its own.
#[derive(Debug)]
pub struct ThreadedStore {
    jobs: mpsc::Sender<Job>,
}

impl ThreadedStore {
    /// Opens or makes the history in `folder`.
    ///
    /// # Errors
    /// When the folder can't be made, another daemon holds it, or the file can't be used; says which and what to do.
    pub fn open(folder: &Path) -> Result<Self, HistoryError> {
        let failed = |doing: &str, error: std::io::Error| HistoryError {
            text: format!("{doing} {}: {error}", folder.display()),
        };
        fs::create_dir_all(folder).map_err(|error| failed("making the data folder", error))?;
        let lock = lock_folder(folder)?;
        let mut rows = Rows::open(&folder.join("history.sqlite"))?;
        let (jobs, mut queue) = mpsc::channel::<Job>(JOBS_MAX);
        let work = move || {
            while let Some(job) = queue.blocking_recv() {
                job(&mut rows);
            }
            drop(lock);
        };
        let thread = std::thread::Builder::new().name("history".to_owned()).spawn(work);
        thread.map_err(|error| failed("starting the history thread for", error))?;
        Ok(Self { jobs })
    }

    async fn ask<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Rows) -> Result<T, HistoryError> + Send + 'static,
    ) -> Result<T, HistoryError> {
        let gone = || HistoryError { text: "the history thread has ended; restart setward".to_owned() };
        let (answer, answered) = oneshot::channel();
        let job: Job = Box::new(move |rows| {
            // A caller that has gone away no longer wants the answer; the work is done all the same.
            let _unwanted = answer.send(work(rows));
        });
        self.jobs.send(job).await.map_err(|_closed| gone())?;
        answered.await.map_err(|_dropped| gone())?
    }
}

/// Takes the folder for this process; the lock goes when the file is closed, however the process ends.
fn lock_folder(folder: &Path) -> Result<File, HistoryError> {
    let path = folder.join("lock");
    let failed =
        |error: std::io::Error| HistoryError { text: format!("locking {}: {error}", path.display()) };
    let mut file =
        File::options().read(true).write(true).create(true).truncate(false).open(&path).map_err(failed)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut holder = String::new();
            let _unreadable = file.read_to_string(&mut holder);
            let text = format!(
                "another setward (process {}) keeps its history in {}; stop it first, or set another data_dir in site.toml",
                holder.trim(),
                folder.display()
            );
            return Err(HistoryError { text });
        }
        Err(TryLockError::Error(error)) => return Err(failed(error)),
    }
    file.set_len(0).and_then(|()| file.rewind()).map_err(failed)?;
    writeln!(file, "{}", std::process::id()).map_err(failed)?;
    Ok(file)
}

#[async_trait]
impl HistoryStore for ThreadedStore {
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError> {
        self.ask(move |rows| rows.start_run(&run)).await
    }

    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError> {
        self.ask(move |rows| rows.append(run, &batch)).await
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.ask(Rows::alarm_records).await
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.ask(move |rows| rows.samples(&tag, from, to, limit)).await
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        self.ask(move |rows| rows.events(alarm.as_deref(), limit)).await
    }
}

/// The store in memory, called inline: no thread, so virtual time can use it.
#[derive(Debug)]
pub struct InlineStore {
    rows: Mutex<Rows>,
}

impl InlineStore {
    /// An empty history.
    ///
    /// # Errors
    /// When SQLite has no memory.
    pub fn in_memory() -> Result<Self, HistoryError> {
        Ok(Self { rows: Mutex::new(Rows::in_memory()?) })
    }

    fn with<T>(&self, work: impl FnOnce(&mut Rows) -> T) -> T {
        // Nothing awaits under the lock; a panic in SQLite's wrapper leaves whole transactions only.
        work(&mut self.rows.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

#[async_trait]
impl HistoryStore for InlineStore {
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError> {
        self.with(|rows| rows.start_run(&run))
    }

    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError> {
        self.with(|rows| rows.append(run, &batch))
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.with(Rows::alarm_records)
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.with(|rows| rows.samples(&tag, from, to, limit))
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        self.with(|rows| rows.events(alarm.as_deref(), limit))
    }
}

#[cfg(test)]
#[path = "sqlite_tests.rs"]
mod tests;
