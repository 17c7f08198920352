//! How pages and commands reach the line task: a snapshot to read, and requests that are answered.

use crate::snapshot::{LineSnapshot, RunId};
use setward_alarm::{AlarmId, AlarmState};
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot, watch};

/// A person's wish to acknowledge one occurrence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AcknowledgeRequest {
    /// Which alarm.
    pub alarm: AlarmId,
    /// The run in which the person saw it.
    pub run: RunId,
    /// The occurrence the person saw.
    pub occurrence: u32,
    /// Who. Not empty, at most 60 characters.
    pub by: String,
}

/// An acknowledgement that was accepted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Acknowledged {
    /// The state now.
    pub state: AlarmState,
    /// Whether the store has it on disk. False when the disk is full or broken.
    pub durable: bool,
    /// Whether this occurrence had already been acknowledged: asking twice changes nothing.
    pub already: bool,
}

/// Why an acknowledgement was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AcknowledgeRefusal {
    /// The page shows another occurrence than the present one.
    Stale {
        /// The present run.
        run: RunId,
        /// The present occurrence.
        occurrence: u32,
    },
    /// The alarm has never raised, so there is nothing to acknowledge.
    NeverRaised,
    /// The daemon is stopping or too busy to take requests.
    Unavailable,
}

/// A request to the line task, with the way back for its answer.
#[derive(Debug)]
pub enum Request {
    /// Acknowledge an occurrence.
    Acknowledge(AcknowledgeRequest, oneshot::Sender<Result<Acknowledged, AcknowledgeRefusal>>),
    /// Keep an event of the daemon: what happened in stable words, and more words for people.
    Tell(&'static str, String),
}

/// The way to the line task. Cheap to clone.
#[derive(Debug, Clone)]
pub struct LineHandle {
    requests: mpsc::Sender<Request>,
    snapshot: watch::Receiver<Arc<LineSnapshot>>,
}

impl LineHandle {
    /// A handle over the two channels of a line task.
    #[must_use]
    pub fn new(requests: mpsc::Sender<Request>, snapshot: watch::Receiver<Arc<LineSnapshot>>) -> Self {
        Self { requests, snapshot }
    }

    /// The line as last published.
    #[must_use]
    pub fn snapshot(&self) -> Arc<LineSnapshot> {
        Arc::clone(&self.snapshot.borrow())
    }

    /// A receiver of its own, to wait for changes.
    #[must_use]
    pub fn watch(&self) -> watch::Receiver<Arc<LineSnapshot>> {
        self.snapshot.clone()
    }

    /// Has an event of the daemon kept; false if the line task has ended.
    pub async fn tell(&self, what: &'static str, note: String) -> bool {
        self.requests.send(Request::Tell(what, note)).await.is_ok()
    }

    /// Acknowledges an occurrence; returns once the store has it.
    ///
    /// # Errors
    /// When the occurrence is not the present one, or the line task can't answer.
    pub async fn acknowledge(&self, wish: AcknowledgeRequest) -> Result<Acknowledged, AcknowledgeRefusal> {
        let (answer, answered) = oneshot::channel();
        let request = Request::Acknowledge(wish, answer);
        self.requests.send(request).await.map_err(|_closed| AcknowledgeRefusal::Unavailable)?;
        answered.await.map_err(|_dropped| AcknowledgeRefusal::Unavailable)?
    }
}
