//! How pages and commands reach the line task: a snapshot to read, and requests that are answered.

use crate::entries::{EntryRefusal, EntryRequest, EntryWish, Taken};
use crate::snapshot::{LineSnapshot, RunId};
use setward_alarm::{AlarmId, AlarmState, Delivery, ServerId};
use setward_protocol::UtcMillis;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};

/// What a person wants of an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wish {
    /// Acknowledge the occurrence.
    Acknowledge,
    /// Release a latched alarm whose condition has gone.
    Reset,
    /// Put it on the shelf for so long; with `once`, no longer than for one occurrence.
    Shelve {
        /// How long from now.
        span: Duration,
        /// It ends with the occurrence that stands, or, if none does, with the next.
        once: bool,
    },
    /// Take it off the shelf.
    Unshelve,
    /// Take it out of service.
    TakeOutOfService,
    /// Return it to service.
    ReturnToService,
}

impl Wish {
    /// Whether it makes no sense for an alarm that has never raised.
    #[must_use]
    pub const fn is_about_an_occurrence(self) -> bool {
        match self {
            Self::Acknowledge | Self::Reset => true,
            Self::Shelve { .. } | Self::TakeOutOfService | Self::Unshelve | Self::ReturnToService => false,
        }
    }

    /// Whether it silences or closes what the person has seen, so that it must be the present occurrence. What makes an
    /// alarm speak again is never too late.
    #[must_use]
    pub const fn must_be_present(self) -> bool {
        match self {
            Self::Acknowledge | Self::Reset | Self::Shelve { .. } | Self::TakeOutOfService => true,
            Self::Unshelve | Self::ReturnToService => false,
        }
    }
}

/// A person's wish, with what the person saw.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WishRequest {
    /// Which alarm.
    pub alarm: AlarmId,
    /// The run in which the person saw it.
    pub run: RunId,
    /// The occurrence the person saw; 0 if it had never raised.
    pub occurrence: u32,
    /// Who, as typed: nobody has checked it. At most 60 characters.
    pub by: String,
    /// The reason given, if one was. At most 200 characters.
    pub why: Option<String>,
    /// What is wanted.
    pub wish: Wish,
}

/// A wish that was granted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Granted {
    /// The state now.
    pub state: AlarmState,
    /// Until when it is shelved, if it is.
    pub shelved_until: Option<UtcMillis>,
    /// Whether it is out of service.
    pub out_of_service: bool,
    /// Whether the store has it on disk. False when the disk is full or broken.
    pub durable: bool,
    /// Whether it was so before: asking twice changes nothing.
    pub already: bool,
}

/// Why a wish was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// The page shows another occurrence than the present one.
    Stale {
        /// The present run.
        run: RunId,
        /// The present occurrence.
        occurrence: u32,
    },
    /// The alarm has never raised, so there is nothing to acknowledge or reset.
    NeverRaised,
    /// Only a latched alarm can be reset, once its condition has gone and it is acknowledged.
    NotResettable,
    /// The alarm may not be shelved for so long at once.
    TooLong {
        /// The longest.
        most: Duration,
    },
    /// The daemon is stopping or too busy to take requests.
    Unavailable,
}

/// A wish on its way to the line task, with the way back for its answer.
#[derive(Debug)]
pub struct Request {
    /// What is wanted.
    pub wish: WishRequest,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Result<Granted, Refusal>>,
}

/// Something that happened outside the line task.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told {
    /// To be kept as an event of the daemon.
    Event {
        /// What happened, in stable words.
        what: &'static str,
        /// More words, for people.
        note: String,
    },
    /// How a server is doing that history is sent to: its alarm follows it.
    Server {
        /// Which one.
        server: ServerId,
        /// What is told of it.
        what: Delivery,
    },
}

/// The way to the events of the daemon, for parts that have nothing else to say to the line task. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Teller(mpsc::Sender<Told>);

impl Teller {
    /// A teller, and where what it tells arrives; so many may wait.
    #[must_use]
    pub fn new(waiting_max: usize) -> (Self, mpsc::Receiver<Told>) {
        let (told, arriving) = mpsc::channel(waiting_max);
        (Self(told), arriving)
    }

    /// Has an event kept; false if the line task has ended.
    pub async fn tell(&self, what: &'static str, note: String) -> bool {
        self.0.send(Told::Event { what, note }).await.is_ok()
    }

    /// Tells how a server is doing; false if the line task has ended.
    pub async fn tell_of_server(&self, server: ServerId, what: Delivery) -> bool {
        self.0.send(Told::Server { server, what }).await.is_ok()
    }
}

/// The way to the line task. Cheap to clone.
#[derive(Debug, Clone)]
pub struct LineHandle {
    requests: mpsc::Sender<Request>,
    /// One for all clones: a receiver of its own is somebody who looks all the time.
    snapshot: Arc<watch::Receiver<Arc<LineSnapshot>>>,
    looks: Looks,
    entries: Option<mpsc::Sender<EntryRequest>>,
}

/// Counts how often anybody has looked at the line: nothing is published often for nobody.
#[derive(Debug, Clone, Default)]
pub struct Looks(Arc<AtomicU64>);

impl Looks {
    /// How often so far.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}

impl LineHandle {
    /// A handle over the two channels of a line task, which reads `looks`.
    #[must_use]
    pub fn new(
        requests: mpsc::Sender<Request>,
        snapshot: watch::Receiver<Arc<LineSnapshot>>,
        looks: Looks,
    ) -> Self {
        Self { requests, snapshot: Arc::new(snapshot), looks, entries: None }
    }

    /// The same with the way for what people enter.
    #[must_use]
    pub fn with_entries(self, entries: mpsc::Sender<EntryRequest>) -> Self {
        Self { entries: Some(entries), ..self }
    }

    /// Enters what a person says; returns once the store has it.
    ///
    /// # Errors
    /// When it is to be confirmed, can't be, or the line task can't answer.
    pub async fn enter(&self, wish: EntryWish) -> Result<Taken, EntryRefusal> {
        let (answer, answered) = oneshot::channel();
        let gone = || EntryRefusal::Unavailable;
        let way = self.entries.as_ref().ok_or_else(gone)?;
        way.send(EntryRequest { wish, answer }).await.map_err(|_closed| gone())?;
        answered.await.map_err(|_dropped| gone())?
    }

    /// The line as last published: at most 100 ms before its last scan, or, if nobody has looked for a minute, at most a second.
    /// What has happened to alarms is always in it.
    #[must_use]
    pub fn snapshot(&self) -> Arc<LineSnapshot> {
        self.looks.0.fetch_add(1, Ordering::Relaxed);
        Arc::clone(&self.snapshot.borrow())
    }

    /// As [`Self::snapshot`], without asking for fresher ones: for whoever only looks now and then and can wait a second.
    #[must_use]
    pub fn glance(&self) -> Arc<LineSnapshot> {
        Arc::clone(&self.snapshot.borrow())
    }

    /// A receiver of its own, to wait for changes.
    #[must_use]
    pub fn watch(&self) -> watch::Receiver<Arc<LineSnapshot>> {
        watch::Receiver::clone(&self.snapshot)
    }

    /// Asks for a wish; returns once the store has what follows from it.
    ///
    /// # Errors
    /// When the occurrence is not the present one, the alarm's state does not allow it, or the line task can't answer.
    pub async fn ask(&self, wish: WishRequest) -> Result<Granted, Refusal> {
        let (answer, answered) = oneshot::channel();
        let request = Request { wish, answer };
        self.requests.send(request).await.map_err(|_closed| Refusal::Unavailable)?;
        answered.await.map_err(|_dropped| Refusal::Unavailable)?
    }
}
