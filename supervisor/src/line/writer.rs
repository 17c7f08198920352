//! The way to the store: batches in order, kept while the disk refuses, never in the line task's way.
//!
//! What the store refuses is tried again with what comes after it. Alarms go on meanwhile; when more waits than may be
//! held, the oldest readings are let go and counted. Events and alarm states are never let go.

use crate::handle::{AcknowledgeRefusal, Acknowledged};
use crate::history::{Batch, HistoryStore};
use crate::snapshot::RunId;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Readings that may wait for the disk: ten minutes of 300 signals at 1 s.
pub const SAMPLES_WAITING_MAX: usize = 180_000;
/// How long to wait before a refused batch is tried again.
const RETRY_AFTER: Duration = Duration::from_secs(1);

/// An acknowledgement that waits to be on disk, and the way back to the person.
pub type Confirm = (oneshot::Sender<Result<Acknowledged, AcknowledgeRefusal>>, Acknowledged);

/// What the line task hands over.
#[derive(Debug, Default)]
pub struct Work {
    /// What to keep.
    pub batch: Batch,
    /// Who waits for it.
    pub confirm: Vec<Confirm>,
}

/// How the store is doing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct WriterStatus {
    /// Readings confirmed by the store.
    pub stored: u64,
    /// Readings let go.
    pub lost: u64,
    /// Why nothing is being kept, if so.
    pub problem: Option<String>,
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
    /// Adds a later batch; returns how many of the oldest readings had to go.
    pub fn merge(&mut self, later: Self) -> usize {
        self.samples.extend(later.samples);
        self.events.extend(later.events);
        self.alarms.extend(later.alarms);
        let over = self.samples.len().saturating_sub(SAMPLES_WAITING_MAX);
        self.samples.drain(..over);
        over
    }
}

/// Writes until the line task lets go of `work` and everything is kept or the store refuses it one last time.
pub async fn write(
    store: Arc<dyn HistoryStore>,
    run: RunId,
    mut work: mpsc::Receiver<Work>,
    status: SharedStatus,
) {
    let mut waiting = Batch::default();
    loop {
        let next = if waiting.is_empty() {
            work.recv().await
        } else {
            // Something was refused: try again soon even if nothing new comes.
            match tokio::time::timeout(RETRY_AFTER, work.recv()).await {
                Ok(next) => next,
                Err(_elapsed) => Some(Work::default()),
            }
        };
        let Some(next) = next else { break };
        let lost = waiting.merge(next.batch);
        status.change(|status| status.lost += lost as u64);
        let durable = keep(&*store, run, &mut waiting, &status).await;
        for (answer, acknowledged) in next.confirm {
            // The person may have gone; the acknowledgement stands.
            let _gone = answer.send(Ok(Acknowledged { durable, ..acknowledged }));
        }
    }
    let lost = waiting.samples.len() as u64;
    if !keep(&*store, run, &mut waiting, &status).await {
        status.change(|status| status.lost += lost);
    }
}

async fn keep(store: &dyn HistoryStore, run: RunId, waiting: &mut Batch, status: &SharedStatus) -> bool {
    if waiting.is_empty() {
        return true;
    }
    match store.append(run, waiting.clone()).await {
        Ok(()) => {
            let count = waiting.samples.len() as u64;
            *waiting = Batch::default();
            let before = status.now().problem;
            status.change(|status| {
                status.stored += count;
                status.problem = None;
            });
            if before.is_some() {
                tracing::info!(code = "history-resumed", "history is being kept again");
            }
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

#[cfg(test)]
#[path = "writer_tests.rs"]
mod tests;
