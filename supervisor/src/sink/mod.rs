//! History on its way to servers: one task a server, each with its own place in the store, which is the queue.
//!
//! ```text
//! store --pages of rows--> Forwarder --lines of 5,000 readings--> PointWriter (influx.rs) --HTTP--> server
//!   ^                          |
//!   +---- its place, once what lies before it is certainly on the server's disk
//! ```
//!
//! At least once, in the order of rows: what is sent twice is the same point (same line, signal, run and time). A server that is
//! down, slow or refuses the token, or everything, is tried again for ever; a reading that a server refuses while it takes others is
//! told and passed.
//! Nothing here ever makes the line task or the store wait.

mod deliver;
mod influx;
mod lines;
mod task;

use crate::clock::Clock;
use crate::history::HistoryStore;
use crate::supervision::{Supervision, TaskName};
use async_trait::async_trait;
use influx::InfluxWriter;
use setward_alarm::ServerId;
use setward_config::line::{Line, Server};
use setward_protocol::UtcMillis;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use task::Forwarder;
use tokio::sync::watch;
use tokio::task::JoinHandle;

/// How long the last write of a server's place may take.
const LAST_WRITE_WITHIN: Duration = Duration::from_secs(2);

/// Why a server did not take what it was sent. Each text says what was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WriteError {
    /// It could not be reached, broke off, or did not answer in time: what it confirmed last may be lost.
    Unreachable(String),
    /// It answers, but not now: overloaded, starting, in trouble itself.
    Busy(String),
    /// It does not take anything from us: token, organization, bucket or address are wrong.
    Refused(String),
    /// It takes less at a time.
    TooLarge(String),
    /// It refuses something of what it was sent.
    BadPoint(String),
}

impl WriteError {
    /// What was found.
    #[must_use]
    pub fn text(&self) -> &str {
        match self {
            Self::Unreachable(text)
            | Self::Busy(text)
            | Self::Refused(text)
            | Self::TooLarge(text)
            | Self::BadPoint(text) => text,
        }
    }
}

/// A server that takes points as lines.
#[cfg_attr(test, mockall::automock)]
#[async_trait]
pub trait PointWriter: Send + Sync {
    /// Writes lines; on return the server has said that it has them, which is not yet that they are on its disk.
    async fn write(&self, lines: String) -> Result<(), WriteError>;

    /// Something that changes when the server is started anew; `None` if it does not say.
    async fn started(&self) -> Option<String>;
}

/// How a server is doing, for pages and metrics.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ServerStatus {
    /// What it is called.
    pub name: String,
    /// Readings that it has taken in this run, repeats included.
    pub sent: u64,
    /// Readings that it refused, each told and passed.
    pub rejected: u64,
    /// Rows that were dropped from history before they could be sent.
    pub lost_rows: u64,
    /// Rows that still wait.
    pub waiting_rows: u64,
    /// Up to which row it has everything for sure.
    pub durable: u64,
    /// Why nothing is being sent, if so.
    pub problem: Option<String>,
    /// Wall time of the newest reading that it has taken in this run.
    pub sent_until: Option<UtcMillis>,
}

impl ServerStatus {
    /// How far the server is behind at `now`, s; `None` before it has taken anything in this run.
    #[must_use]
    pub fn behind_s(&self, now: UtcMillis) -> Option<f64> {
        self.sent_until.map(|until| now.0.saturating_sub(until.0).max(0) as f64 / 1000.0)
    }
}

/// How many bytes some readings are on their way to a server, as lines and packed. For figures.
#[must_use]
pub fn bytes_on_the_way(line: &str, readings: &[crate::history::ForwardReading]) -> (usize, usize) {
    let lines: Vec<String> = readings.iter().map(|reading| lines::line_of(line, reading)).collect();
    let body = lines.join("\n");
    (body.len(), influx::packed(&body).map_or(0, |packed| packed.len()))
}

/// Shared view of a [`ServerStatus`].
#[derive(Debug, Clone, Default)]
pub struct SharedServerStatus(Arc<Mutex<ServerStatus>>);

impl SharedServerStatus {
    #[cfg(test)]
    pub(crate) fn of(status: ServerStatus) -> Self {
        Self(Arc::new(Mutex::new(status)))
    }

    /// The status now.
    #[must_use]
    pub fn now(&self) -> ServerStatus {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn change(&self, change: impl FnOnce(&mut ServerStatus)) {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

/// Every server of a line.
#[derive(Debug)]
pub struct Forwarding {
    tasks: Vec<JoinHandle<()>>,
    statuses: Vec<SharedServerStatus>,
    stopping: watch::Sender<bool>,
}

impl Forwarding {
    /// Begins to send to every server that the site file names; a task that fails begins anew by `supervision`.
    #[must_use]
    pub fn start(
        line: &Line,
        store: &Arc<dyn HistoryStore>,
        clock: Clock,
        supervision: &Supervision,
    ) -> Self {
        let writer = |server: &Server| Box::new(InfluxWriter::new(server.clone())) as Box<dyn PointWriter>;
        Self::over(line, store, clock, supervision, writer)
    }

    fn over(
        line: &Line,
        store: &Arc<dyn HistoryStore>,
        clock: Clock,
        supervision: &Supervision,
        writer: impl Fn(&Server) -> Box<dyn PointWriter> + Clone + Send + Sync + 'static,
    ) -> Self {
        let (stopping, stop) = watch::channel(false);
        let mut forwarding = Self { tasks: Vec::new(), statuses: Vec::new(), stopping };
        for (id, server) in (0..=u8::MAX).map(ServerId).zip(&line.history.servers) {
            let status = SharedServerStatus::default();
            forwarding.statuses.push(status.clone());
            let (line, server, store, writer) =
                (line.name.clone(), server.clone(), Arc::clone(store), writer.clone());
            let (teller, stop) = (supervision.teller().clone(), stop.clone());
            let doing = format!("sending to server {}", server.name);
            let begin = move || {
                let mut stop = stop.clone();
                // Without its sender the run has ended too.
                let stopped = async move { stop.wait_for(|stop| *stop).await.is_ok() };
                let forwarder = Forwarder::new(
                    (line.clone(), server.clone()),
                    (Arc::clone(&store), writer(&server)),
                    clock,
                    (id, teller.clone()),
                    status.clone(),
                );
                forwarder.run(Box::pin(stopped))
            };
            let name = TaskName { event: "sending failed", doing };
            forwarding.tasks.push(tokio::spawn(supervision.clone().keep(name, begin)));
        }
        forwarding
    }

    /// How each server is doing, as long as anybody looks.
    #[must_use]
    pub fn statuses(&self) -> Vec<SharedServerStatus> {
        self.statuses.clone()
    }

    /// Stops sending and keeps each server's place. What was not sent is sent by the next run.
    pub async fn stop(self) {
        self.stopping.send_replace(true);
        let mut tasks = self.tasks;
        let all = async {
            for task in &mut tasks {
                let _ended = task.await;
            }
        };
        if tokio::time::timeout(LAST_WRITE_WITHIN, all).await.is_err() {
            tasks.iter().for_each(JoinHandle::abort);
            let text = "a server's place was not kept in time: some readings are sent again";
            tracing::warn!(code = "server-place", "{text}");
        }
    }
}

#[cfg(test)]
mod drain_tests;
#[cfg(test)]
mod tests;
