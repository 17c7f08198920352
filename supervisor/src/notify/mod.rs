//! Alarms on their way to people and programs that are not at the page: by mail, by webhook, by a broker.
//!
//! ```text
//! history --events--> Core (who, what, when) --Message--> one task a channel --Deliver--> mail.rs, webhook.rs, mqtt.rs
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
#[cfg(feature = "fuzzing")]
pub(crate) mod fuzzing;
mod keep;
mod letter;
mod mail;
mod message;
mod mqtt;
mod pace;
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
use crate::handle::LineHandle;
use crate::history::HistoryStore;
use crate::supervision::{Supervision, TaskName};
use mqtt::Live;
use post::{Edges, Post};
use setward_config::line::{Channel, Line, Way};
use setward_protocol::UtcMillis;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::JoinHandle;

/// How long the last words over connections that stand may take.
const LAST_WORD_WITHIN: Duration = Duration::from_millis(1200);
/// How long the last write of what was said may take.
const LAST_WRITE_WITHIN: Duration = Duration::from_secs(2);

/// How a channel is doing, for pages and metrics.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ChannelStatus {
    /// What it is called.
    pub name: String,
    /// "mail", "webhook" or "mqtt".
    pub way: &'static str,
    /// Messages that it has taken in this run.
    pub sent: u64,
    /// Tries in this run that failed; each is tried again.
    pub failed: u64,
    /// Things that still wait to be said.
    pub waiting: usize,
    /// When the alarm was raised that has waited longest to be said.
    pub waiting_since: Option<UtcMillis>,
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

    /// Telling has failed by a fault of its own, which an event tells; until a message arrives nobody can rely on it.
    fn begins_anew(&self) {
        let problem = "telling has failed by an internal fault and begins anew; the events say more";
        self.change(|status| (status.problem, status.is_broken) = (Some(problem.to_owned()), true));
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

/// What is known of a channel before anything was sent.
fn status_of(channel: &Channel) -> SharedChannelStatus {
    let way = match channel.way {
        Way::Mail(_) => "mail",
        Way::Webhook(_) => "webhook",
        Way::Mqtt(_) => "mqtt",
    };
    let status = ChannelStatus { name: channel.name.clone(), way, ..ChannelStatus::default() };
    SharedChannelStatus(Arc::new(Mutex::new(status)))
}

/// A channel's edge; with `live` one that may tell of more than messages.
fn edge(channel: &Channel, line: &Arc<Line>, clock: Clock, live: Option<Live>) -> Arc<dyn Deliver> {
    match &channel.way {
        Way::Mail(to) => Arc::new(mail::Mailer::new(to.clone())),
        Way::Webhook(hook) => Arc::new(webhook::Poster::new(hook.clone(), line, clock)),
        Way::Mqtt(broker) => {
            Arc::new(mqtt::Announcer::new(broker.clone(), &channel.name, (line, clock), live))
        }
    }
}

impl Notifier {
    /// Begins to tell whoever the site file names; nobody, if it names none. Should it fail, it begins anew by `supervision`.
    #[must_use]
    pub fn start(
        line: &Arc<Line>,
        store: &Arc<dyn HistoryStore>,
        handle: &LineHandle,
        (clock, supervision): (Clock, &Supervision),
    ) -> Self {
        let (stop, stopped) = watch::channel(false);
        let live = || {
            let (handle, stopped) = (handle.clone(), stopped.clone());
            Some(Live { handle, stopped, supervision: supervision.clone() })
        };
        let ways = line.notify.channels.iter().map(|channel| edge(channel, line, clock, live())).collect();
        let teller = supervision.teller().clone();
        let around = Edges { store: Arc::clone(store), handle: handle.clone(), clock, teller };
        Self::start_over(line, ways, around, (supervision, stop))
    }

    /// The same over given edges, one a channel.
    fn start_over(
        line: &Arc<Line>,
        ways: Vec<Arc<dyn Deliver>>,
        edges: Edges,
        (supervision, stop): (&Supervision, watch::Sender<bool>),
    ) -> Self {
        if line.notify.channels.is_empty() {
            return Self::default();
        }
        let tester = Tester::new(line, &ways, edges.clock, Some(edges.teller.clone()));
        let statuses: Vec<_> = line.notify.channels.iter().map(status_of).collect();
        let stopped = stop.subscribe();
        let (line, shown, is_anew) = (Arc::clone(line), statuses.clone(), AtomicBool::new(false));
        let begin = move || {
            if is_anew.swap(true, Ordering::Relaxed) {
                shown.iter().for_each(SharedChannelStatus::begins_anew);
            }
            Post::new(Arc::clone(&line), ways.clone(), edges.clone(), shown.clone()).run(stopped.clone())
        };
        let name = TaskName { event: "telling failed", doing: "telling people of alarms".to_owned() };
        let task = tokio::spawn(supervision.clone().keep(name, begin));
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
        // Whoever stays connected says its last word.
        let _late = tokio::time::timeout(LAST_WORD_WITHIN, stop.closed()).await;
    }
}
