//! Alarms on their way to people and programs that are not at the page: by mail, by webhook.
//!
//! ```text
//! history --events--> Core (who, what, when) --Message--> one task a channel --Deliver--> mail.rs, webhook.rs
//!   line task --who stands--^   |  ^-- arrived, or why not
//!                               v
//!                         notify.json: written before a message goes, so that a repeat has the same key
//! ```
//!
//! An event is on disk before anybody is told of it; only where the disk takes nothing are alarms told from the line task's own
//! word. A call is owed to a channel until the other side has said that it has it. Nothing here makes the line task, the store or
//! another channel wait. Not a safety function: a message may come late or never, and pages say when a channel fails.

mod core;
mod deliver;
mod draft;
mod keep;
mod mail;
mod message;
mod post;
mod secret;
mod state;
mod text;
mod try_out;
mod webhook;

#[cfg(test)]
mod post_tests;
#[cfg(test)]
pub(crate) mod testing;

pub use deliver::{Deliver, Receipt, SendError};
pub use message::{Item, Message, Subject};
pub use try_out::{NotTried, Tester, Tried};

use crate::clock::Clock;
use crate::handle::{LineHandle, Teller};
use crate::history::HistoryStore;
use post::{Edges, Post};
use setward_config::line::{Line, Way};
use setward_protocol::UtcMillis;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::JoinHandle;

/// How long it rests after a fault of its own.
const RESTART_AFTER: Duration = Duration::from_secs(1);
/// How long the last write of what was said may take.
const LAST_WRITE_WITHIN: Duration = Duration::from_secs(2);

/// How a channel is doing, for pages and metrics.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ChannelStatus {
    /// What it is called.
    pub name: String,
    /// "mail" or "webhook".
    pub way: &'static str,
    /// Messages that it has taken in this run.
    pub sent: u64,
    /// Things that still wait to be said.
    pub waiting: usize,
    /// Why nothing arrives, or not all of it, if so.
    pub problem: Option<String>,
    /// Since when nothing arrives.
    pub failing_since: Option<UtcMillis>,
    /// It has failed for so long that somebody must look.
    pub is_broken: bool,
    /// When it took the last message in this run.
    pub last_sent: Option<UtcMillis>,
}

/// Shared view of a [`ChannelStatus`].
#[derive(Debug, Clone, Default)]
pub struct SharedChannelStatus(Arc<Mutex<ChannelStatus>>);

impl SharedChannelStatus {
    #[cfg(test)]
    pub(crate) fn of(status: ChannelStatus) -> Self {
        Self(Arc::new(Mutex::new(status)))
    }

    /// The status now.
    #[must_use]
    pub fn now(&self) -> ChannelStatus {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn change(&self, change: impl FnOnce(&mut ChannelStatus)) {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

/// What pages need of it: how each channel is doing, and a way to try them.
#[derive(Clone, Default)]
pub struct Outlook {
    /// By channel, as long as anybody looks.
    pub statuses: Vec<SharedChannelStatus>,
    /// Tries them.
    pub tester: Tester,
}

impl Outlook {
    /// The channels that have failed for so long that somebody must look.
    #[must_use]
    pub fn broken(&self) -> Vec<ChannelStatus> {
        self.statuses.iter().map(SharedChannelStatus::now).filter(|status| status.is_broken).collect()
    }
}

/// Everything that tells people and programs of a line.
#[derive(Default)]
pub struct Notifier {
    task: Option<(watch::Sender<bool>, JoinHandle<()>)>,
    outlook: Outlook,
}

/// A channel's edge.
pub(crate) fn edge(way: &Way, line: &Line, clock: Clock) -> Arc<dyn Deliver> {
    match way {
        Way::Mail(to) => Arc::new(mail::Mailer::new(to.clone())),
        Way::Webhook(hook) => Arc::new(webhook::Poster::new(hook.clone(), line, clock)),
    }
}

impl Notifier {
    /// Begins to tell whoever the site file names; nobody, if it names none.
    #[must_use]
    pub fn start(
        line: &Arc<Line>,
        store: &Arc<dyn HistoryStore>,
        handle: &LineHandle,
        (clock, teller): (Clock, &Teller),
    ) -> Self {
        let edges = line.notify.channels.iter().map(|channel| edge(&channel.way, line, clock)).collect();
        Self::start_over(
            line,
            edges,
            Edges { store: Arc::clone(store), handle: handle.clone(), clock, teller: teller.clone() },
        )
    }

    /// The same over given edges, one a channel.
    fn start_over(line: &Arc<Line>, ways: Vec<Arc<dyn Deliver>>, edges: Edges) -> Self {
        if line.notify.channels.is_empty() {
            return Self::default();
        }
        let tester = Tester::new(line, &ways, edges.clock, Some(edges.teller.clone()));
        let statuses: Vec<_> = line
            .notify
            .channels
            .iter()
            .map(|channel| {
                let status = SharedChannelStatus::default();
                status.change(|status| {
                    status.name.clone_from(&channel.name);
                    status.way = match channel.way {
                        Way::Mail(_) => "mail",
                        Way::Webhook(_) => "webhook",
                    };
                });
                status
            })
            .collect();
        let (stop, stopped) = watch::channel(false);
        let task = tokio::spawn(keep_telling(Arc::clone(line), ways, (edges, statuses.clone()), stopped));
        Self { task: Some((stop, task)), outlook: Outlook { statuses, tester } }
    }

    /// How each channel is doing, and a way to try them.
    #[must_use]
    pub fn outlook(&self) -> Outlook {
        self.outlook.clone()
    }

    /// Stops telling. What was not said yet is said by the next run.
    pub async fn stop(self) {
        let Some((stop, task)) = self.task else { return };
        // The task may have ended by itself.
        let _ended = stop.send(true);
        if tokio::time::timeout(LAST_WRITE_WITHIN, task).await.is_err() {
            tracing::warn!(
                code = "notify-state",
                "what was told was not kept in time: some of it is told again"
            );
        }
    }
}

/// Tells, and begins anew should that fail: a fault in here must not keep alarms from people for good.
async fn keep_telling(
    line: Arc<Line>,
    ways: Vec<Arc<dyn Deliver>>,
    (edges, statuses): (Edges, Vec<SharedChannelStatus>),
    stopped: watch::Receiver<bool>,
) {
    loop {
        let post = Post::new(Arc::clone(&line), ways.clone(), edges.clone(), statuses.clone());
        match tokio::spawn(post.run(stopped.clone())).await {
            Ok(()) => return,
            Err(error) => {
                tracing::error!(code = "notify-failed", "telling of alarms failed and begins anew: {error}");
                for status in &statuses {
                    let problem = format!("an internal fault, it begins anew: {error}");
                    status.change(|status| (status.problem, status.is_broken) = (Some(problem), true));
                }
                tokio::time::sleep(RESTART_AFTER).await;
            }
        }
    }
}
