//! The way to the store: batches in order, kept while the disk refuses, never in the line task's way.
//!
//! What the store refuses is tried again a second later, with what has come since. Alarms go on meanwhile; when more waits
//! than may be held, the oldest readings, then the oldest events, are let go and counted. Of an alarm's state only the
//! newest is kept.

use crate::clock::Clock;
use crate::entries::{ConfirmEntry, Taken};
use crate::handle::{Granted, Refusal};
use crate::history::{Batch, HistoryError, HistoryStore};
use crate::snapshot::RunId;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Readings that may wait for the disk: ten minutes of 300 signals at 1 s, less of a larger line.
pub const SAMPLES_WAITING_MAX: usize = 180_000;
/// Events that may wait for the disk: more than a line makes in days.
pub const EVENTS_WAITING_MAX: usize = 20_000;
/// A write that takes longer than this is a problem worth telling, though not yet a failure.
const SLOW_WRITE: Duration = Duration::from_secs(5);
/// How long to wait before a refused batch is tried again.
const RETRY_AFTER: Duration = Duration::from_secs(1);

/// A granted wish that waits to be on disk, and the way back to the person.
pub type Confirm = (oneshot::Sender<Result<Granted, Refusal>>, Granted);

/// What the line task hands over.
#[derive(Debug, Default)]
pub struct Work {
    /// What to keep.
    pub batch: Batch,
    /// Who waits for it.
    pub confirm: Vec<Confirm>,
    /// Who waits for an entry.
    pub entered: Vec<ConfirmEntry>,
}

/// How the store is doing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct WriterStatus {
    /// Readings confirmed by the store.
    pub stored: u64,
    /// Those among them that carry no value, only a reason.
    pub stored_without_value: u64,
    /// Readings let go.
    pub lost: u64,
    /// Why nothing is being kept, if so.
    pub problem: Option<String>,
    /// How often the store has answered.
    pub writes: u64,
    /// It has been handed something and has not answered yet.
    pub is_writing: bool,
}

/// Shared view of [`WriterStatus`].
#[derive(Debug, Clone, Default)]
pub struct SharedStatus(Arc<Mutex<WriterStatus>>);

impl SharedStatus {
    /// The status now.
    #[must_use]
    pub fn now(&self) -> WriterStatus {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn change(&self, change: impl FnOnce(&mut WriterStatus)) {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

impl Batch {
    /// Adds a later batch; returns how many of the oldest readings and events had to go.
    pub fn merge(&mut self, later: Self) -> usize {
        self.samples.extend(later.samples);
        self.events.extend(later.events);
        self.alarms.retain(|old| later.alarms.iter().all(|new| new.id != old.id));
        self.alarms.extend(later.alarms);
        self.bands.extend(later.bands);
        self.entries.extend(later.entries);
        let samples_over = self.samples.len().saturating_sub(SAMPLES_WAITING_MAX);
        self.samples.drain(..samples_over);
        let events_over = self.events.len().saturating_sub(EVENTS_WAITING_MAX);
        self.events.drain(..events_over);
        samples_over + events_over
    }
}

/// Writes until the line task lets go of `work` and everything is kept or the store refuses it one last time.
pub async fn write(
    store: Arc<dyn HistoryStore>,
    run: RunId,
    mut work: mpsc::Receiver<Work>,
    status: SharedStatus,
    clock: Clock,
) {
    let mut waiting = Batch::default();
    let mut pause = None;
    loop {
        let next = tokio::select! {
            biased;
            () = elapsed(pause) => Some(Work::default()),
            next = work.recv() => next,
        };
        let Some(next) = next else { break };
        let lost = waiting.merge(next.batch);
        status.change(|status| status.lost += lost as u64);
        // While a refusal is fresh, what comes only joins the queue.
        let paused = pause.is_some_and(|until| clock.now() < until);
        let durable = !paused && keep(&*store, run, &mut waiting, &status).await;
        if !paused {
            pause = (!durable).then(|| clock.now() + RETRY_AFTER);
        }
        for (answer, granted) in next.confirm {
            // The person may have gone; the wish stands.
            let _gone = answer.send(Ok(Granted { durable, ..granted }));
        }
        for (answer, taken) in next.entered {
            let _gone = answer.send(Ok(Taken { durable, ..taken }));
        }
    }
    let lost = waiting.samples.len() as u64;
    if !keep(&*store, run, &mut waiting, &status).await {
        status.change(|status| status.lost += lost);
    }
}

/// Returns when `pause` is over; never, if there is none.
async fn elapsed(pause: Option<tokio::time::Instant>) {
    match pause {
        Some(until) => tokio::time::sleep_until(until).await,
        None => std::future::pending().await,
    }
}

async fn keep(store: &dyn HistoryStore, run: RunId, waiting: &mut Batch, status: &SharedStatus) -> bool {
    if waiting.is_empty() {
        return true;
    }
    match append_told(store, run, waiting.clone(), status).await {
        Ok(()) => {
            let count = waiting.samples.len() as u64;
            let without_value =
                waiting.samples.iter().filter(|sample| sample.reading.value().is_none()).count() as u64;
            *waiting = Batch::default();
            if status.now().problem.is_some() {
                tracing::info!(code = "history-resumed", "history is being kept again");
            }
            status.change(|status| {
                status.stored += count;
                status.stored_without_value += without_value;
                status.problem = None;
            });
            true
        }
        Err(error) => {
            if status.now().problem.is_none() {
                tracing::error!(code = "history-refused", "history can't be kept, alarms go on: {error}");
            }
            status.change(|status| status.problem = Some(error.text));
            false
        }
    }
}

/// Appends; a disk that takes long over it is told before it answers.
async fn append_told(
    store: &dyn HistoryStore,
    run: RunId,
    batch: Batch,
    status: &SharedStatus,
) -> Result<(), HistoryError> {
    let mut appending = store.append(run, batch);
    status.change(|status| status.is_writing = true);
    let answered = match tokio::time::timeout(SLOW_WRITE, &mut appending).await {
        Ok(result) => result,
        Err(_elapsed) => {
            let text = format!("the disk has not answered for {} s", SLOW_WRITE.as_secs());
            tracing::error!(code = "history-slow", "history waits, alarms go on: {text}");
            status.change(|status| status.problem = Some(text));
            appending.await
        }
    };
    status.change(|status| (status.is_writing, status.writes) = (false, status.writes + 1));
    answered
}

#[cfg(test)]
#[path = "writer_tests.rs"]
mod tests;
