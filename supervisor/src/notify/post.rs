//! The task that carries messages between the core and its edges: reads what happened, keeps the state, hands messages to the
//! channels' own tasks, and paces what fails.

use super::SharedChannelStatus;
use super::core::Core;
use super::deliver::{Deliver, Receipt, SendError};
use super::draft::{Channel, Draft, Now, Said, Standing};
use super::keep::{Found, Keeper, Kept};
use super::message::{Message, Subject};
use super::state::State;
use super::text::Words;
use crate::clock::Clock;
use crate::handle::{LineHandle, Teller};
use crate::history::{EventsAsked, HistoryStore, StoredEvent};
use crate::snapshot::RunId;
use crate::web::call;
use jiff::tz::TimeZone;
use setward_config::line::Line;
use setward_protocol::{Uptime, UtcMillis};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// How often it is looked whether there is anything to say.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How long history may take to tell what happened.
const HISTORY_WITHIN: Duration = Duration::from_secs(5);
/// How long the state may take to be on disk before a message goes all the same.
const WRITE_WITHIN: Duration = Duration::from_secs(2);
/// How long an edge may take: it ends by itself before; this is for one that does not.
const DELIVER_WITHIN: Duration = Duration::from_secs(450);
/// Events read at first; more, if what was heard last is not among them.
const EVENTS_FIRST: usize = 16;
const EVENTS_MAX: usize = 20_000;
/// An alarm that stands for so long and of which history has told nothing is told from the line task's word, ms.
const UNHEARD_MS: i64 = 15_000;
/// How long a new call waits for a snapshot that knows of it, ms.
const FRESH_WITHIN_MS: i64 = 5_000;
/// Waits after failures: the first, the longest, and after a refusal that only a person can end.
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// Jitter of a wait, as a share, either way.
const JITTER: f64 = 0.2;
/// A channel that fails for less is not worth telling.
const WORTH_TELLING: Duration = Duration::from_secs(120);

/// What the task touches besides its channels.
#[derive(Clone)]
pub(super) struct Edges {
    pub(super) store: Arc<dyn HistoryStore>,
    pub(super) handle: LineHandle,
    pub(super) clock: Clock,
    pub(super) teller: Teller,
}

/// One channel, seen from here.
struct Outgoing {
    queue: mpsc::Sender<Message>,
    is_busy: bool,
    not_before: Uptime,
    wait: Duration,
    failing: Option<Uptime>,
    is_told: bool,
    random: fastrand::Rng,
    status: SharedChannelStatus,
}

/// What came of a message.
type Outcome = (usize, Result<Receipt, SendError>);

/// The task.
pub(super) struct Post {
    line: Arc<Line>,
    edges: Edges,
    zone: TimeZone,
    keeper: Keeper,
    core: Option<Core>,
    /// It has been looked whether what was kept belongs to this history.
    is_history_known: bool,
    /// The state as it was kept last.
    kept: Option<State>,
    writing: Option<JoinHandle<std::io::Result<()>>>,
    is_write_told: bool,
    outgoing: Vec<Outgoing>,
    outcomes: mpsc::Receiver<Outcome>,
    /// Held so that the way back is open even when no channel's task is left.
    _done: mpsc::Sender<Outcome>,
    /// Ends the channels' tasks with this one.
    tasks: Vec<JoinHandle<()>>,
}

impl Post {
    pub(super) fn new(
        line: Arc<Line>,
        ways: Vec<Arc<dyn Deliver>>,
        edges: Edges,
        statuses: Vec<SharedChannelStatus>,
    ) -> Self {
        let (done, outcomes) = mpsc::channel(ways.len().max(1));
        let (mut outgoing, mut tasks) = (Vec::new(), Vec::new());
        for (index, (way, status)) in ways.into_iter().zip(statuses).enumerate() {
            let (queue, messages) = mpsc::channel(1);
            tasks.push(tokio::spawn(carry(index, way, messages, done.clone())));
            let seed = status.now().name.bytes().map(u64::from).sum();
            outgoing.push(Outgoing {
                queue,
                is_busy: false,
                not_before: Uptime::START,
                wait: FIRST_WAIT,
                failing: None,
                is_told: false,
                random: fastrand::Rng::with_seed(seed),
                status,
            });
        }
        let zone = TimeZone::get(&line.time_zone).unwrap_or(TimeZone::UTC);
        let keeper = Keeper::in_folder(&line.data_dir);
        Self {
            line,
            edges,
            zone,
            keeper,
            core: None,
            is_history_known: false,
            kept: None,
            writing: None,
            is_write_told: false,
            outgoing,
            outcomes,
            _done: done,
            tasks,
        }
    }

    /// Tells until told to stop; keeps what was said then.
    pub(super) async fn run(mut self, mut stop: watch::Receiver<bool>) {
        self.take_up().await;
        loop {
            let outcome = tokio::select! {
                biased;
                _ = stop.wait_for(|stopping| *stopping) => break,
                outcome = self.outcomes.recv() => outcome,
                () = tokio::time::sleep(LOOK_EVERY) => None,
            };
            if let Some((index, result)) = outcome {
                self.came_of(index, result).await;
            }
            self.turn().await;
        }
        // The last outcomes may have come while it was told to stop.
        while let Ok((index, result)) = self.outcomes.try_recv() {
            self.came_of(index, result).await;
        }
        self.keep(true).await;
    }

    fn now(&self) -> Now {
        let utc = self.edges.clock.utc();
        let (day, minute) = self.local(utc);
        Now { ms: ms_of(self.edges.clock.uptime()), utc, day, minute }
    }

    /// Day, as 20261125, and minute of it in the plant.
    fn local(&self, utc: UtcMillis) -> (i32, u16) {
        let at = jiff::Timestamp::from_millisecond(utc.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        let at = at.to_zoned_datetime(self.zone.clone());
        let day = i32::from(at.year()) * 10_000 + i32::from(at.month()) * 100 + i32::from(at.day());
        let minute = i32::from(at.hour()) * 60 + i32::from(at.minute());
        (day, u16::try_from(minute).unwrap_or(0))
    }

    /// Goes on where the last run left off.
    async fn take_up(&mut self) {
        let now = self.now();
        let keeper = self.keeper.clone();
        let found = tokio::task::spawn_blocking(move || keeper.read()).await.unwrap_or(Found::Nothing);
        let kept = match found {
            Found::Nothing => None,
            Found::Kept(kept) => Some(*kept),
            Found::Damaged(why) => {
                tracing::error!(code = "notify-state", "what was told is not known any more: {why}");
                self.tell("notify state", format!("what was told is not known any more: {why}")).await;
                None
            }
        };
        let kept = kept.map(|kept| {
            // How long nothing ran; a clock that reads wrong after a restart makes it none.
            let away_ms = now.utc.0.saturating_sub(kept.utc).max(0);
            (kept.state, now.ms.saturating_sub(kept.ms).saturating_sub(away_ms))
        });
        let channels = self.line.notify.channels.iter();
        let channels: Vec<_> = channels
            .map(|channel| Channel { name: channel.name.clone(), rules: channel.rules.clone() })
            .collect();
        let priorities = self.line.alarms.iter().map(|alarm| (alarm.id.clone(), alarm.priority)).collect();
        let run = self.edges.handle.glance().run.0;
        let mut core = Core::new((channels, priorities), kept, run);
        for index in 0..self.outgoing.len() {
            core.give_up_old(index, now);
        }
        self.core = Some(core);
    }

    /// Hears what is new, and hands out what is due.
    async fn turn(&mut self) {
        let is_heard = self.hear().await;
        let now = self.now();
        let snapshot = self.edges.handle.glance();
        let words = call::Teller::new(&self.line, &snapshot, now.utc);
        let unheard_ms = if is_heard && snapshot.history_problem.is_none() { UNHEARD_MS } else { 0 };
        let standing: Vec<Standing> = words
            .calling()
            .into_iter()
            .filter(|(_, _, raised)| now.utc.0.saturating_sub(raised.0) >= unheard_ms)
            .map(|(alarm, occurrence, raised)| Standing { alarm, occurrence, raised })
            .collect();
        let Some(core) = &mut self.core else { return };
        core.stand(&standing, now);
        let up = self.edges.clock.uptime();
        let mut ready = Vec::new();
        for (index, outgoing) in self.outgoing.iter_mut().enumerate() {
            let since = core.waiting_since(index);
            outgoing.status.change(|status| {
                (status.waiting, status.waiting_since) = (core.waiting(index), since);
            });
            if outgoing.is_busy || up < outgoing.not_before {
                continue;
            }
            if let Some(draft) = core.plan(index, now) {
                if draft.said.iter().any(|said| is_ahead_of(&words, said)) {
                    // Asks for a fresh one.
                    let _look = self.edges.handle.snapshot();
                    continue;
                }
                let message = made(&self.line, &words, &draft, now);
                core.fix(index, &draft, message);
            }
            ready.extend(core.fixed(index).cloned().map(|message| (index, message)));
        }
        self.keep(false).await;
        for (index, message) in ready {
            if let Some(outgoing) = self.outgoing.get_mut(index) {
                // Its queue is empty while it is not busy.
                outgoing.is_busy = outgoing.queue.try_send(message).is_ok();
            }
        }
    }

    /// Looks once whether what was kept belongs to this history; false if history does not answer. One that was put back from a
    /// copy gives the numbers of runs, events and occurrences once more.
    async fn know_history(&mut self) -> bool {
        let Some((run, sequence)) = self.core.as_ref().map(Core::cursor) else { return false };
        if self.is_history_known {
            return true;
        }
        let before = Some((RunId(run), sequence.saturating_add(1)));
        let asked = self.edges.store.events_of(EventsAsked { before, limit: 1, ..EventsAsked::default() });
        let Ok(Ok(found)) = tokio::time::timeout(HISTORY_WITHIN, asked).await else { return false };
        self.is_history_known = true;
        if let Some(core) = &mut self.core
            && !core.belongs(found.first())
        {
            core.forget();
            let note = "the history is not the one of which was told last; alarms that stand are told anew";
            // Where nothing had been heard, nothing of it is lost.
            if sequence > 0 {
                tracing::warn!(code = "notify-state", "{note}");
                self.tell("notify state", note.to_owned()).await;
            }
        }
        true
    }

    /// Hears every event that is new; false if history does not answer.
    async fn hear(&mut self) -> bool {
        if !self.know_history().await {
            return false;
        }
        let Some(cursor) = self.core.as_ref().map(Core::cursor) else { return false };
        let mut limit = EVENTS_FIRST;
        let new = loop {
            let asked = self.edges.store.events(None, limit);
            let Ok(Ok(mut events)) = tokio::time::timeout(HISTORY_WITHIN, asked).await else { return false };
            let is_all = events.len() < limit || events.last().is_none_or(|oldest| place(oldest) <= cursor);
            events.retain(|event| place(event) > cursor);
            if is_all || limit >= EVENTS_MAX {
                events.reverse();
                break events;
            }
            limit = limit.saturating_mul(4).min(EVENTS_MAX);
        };
        let now = self.now();
        for event in &new {
            let (_, minute) = self.local(event.event.utc);
            if let Some(core) = &mut self.core {
                core.hear(event, minute, now);
            }
        }
        true
    }

    /// What came of a message.
    async fn came_of(&mut self, index: usize, result: Result<Receipt, SendError>) {
        let (now, up) = (self.now(), self.edges.clock.uptime());
        let (Some(core), Some(outgoing)) = (&mut self.core, self.outgoing.get_mut(index)) else { return };
        outgoing.is_busy = false;
        let name = outgoing.status.now().name;
        match result {
            Ok(receipt) => {
                core.delivered(index, now);
                outgoing.succeeded(receipt, now.utc);
                if std::mem::take(&mut outgoing.is_told) {
                    let note = format!("{name} takes messages again");
                    core.notice(
                        &name,
                        &format!("back-{}-{}", name, now.utc.0),
                        &format!("Setward reaches {name} again"),
                    );
                    tracing::info!(code = "channel-back", "{note}");
                    self.tell("channel back", note).await;
                }
            }
            Err(error) => {
                let is_known = matches!(error, SendError::Refused(_)) && core.refused(index, now);
                core.give_up_old(index, now);
                let note =
                    format!("{name} can't be told of alarms: {}; what is to be said waits", error.text());
                if outgoing.failed((&error, is_known), &note, (up, now.utc)) {
                    let text = format!("Setward can't reach {name}: {}", error.text());
                    core.notice(&name, &format!("lost-{}-{}", name, now.utc.0), &text);
                    tracing::error!(code = "channel-lost", "{note}");
                    self.tell("channel lost", note).await;
                }
            }
        }
    }

    async fn tell(&self, what: &'static str, note: String) {
        // The line task may stand still; alarms go out all the same.
        let _late = tokio::time::timeout(WRITE_WITHIN, self.edges.teller.tell(what, note)).await;
    }

    /// Puts the state on disk if anything in it is new; waits a moment for it, no longer.
    async fn keep(&mut self, is_last: bool) {
        let Some(state) = self.core.as_ref().map(Core::state) else { return };
        let is_new = self.kept.as_ref().is_none_or(|kept| {
            // Where nothing else is new, hearing the same events again changes nothing; but one must be known, to tell by it
            // whether the history is still the same.
            let is_other = kept.last.is_some() != state.last.is_some();
            is_last
                || is_other
                || (kept.calls != state.calls || kept.lanes != state.lanes || kept.heard != state.heard)
        });
        if !is_new || self.writing.as_ref().is_some_and(|writing| !writing.is_finished()) {
            return;
        }
        let state = state.clone();
        let now = self.now();
        let kept = Kept { utc: now.utc.0, ms: now.ms, state: state.clone() };
        let keeper = self.keeper.clone();
        let mut writing = tokio::task::spawn_blocking(move || keeper.write(&kept));
        match tokio::time::timeout(WRITE_WITHIN, &mut writing).await {
            Ok(Ok(Ok(()))) => (self.kept, self.is_write_told) = (Some(state), false),
            Ok(Ok(Err(error))) => self.tell_unkept(&error.to_string()),
            Ok(Err(error)) => self.tell_unkept(&error.to_string()),
            Err(_late) => {
                self.writing = Some(writing);
                self.tell_unkept("the disk does not answer");
            }
        }
    }

    fn tell_unkept(&mut self, why: &str) {
        if !std::mem::replace(&mut self.is_write_told, true) {
            tracing::error!(
                code = "notify-state",
                "what was told can't be kept, messages go on and some may come twice after a restart: {why}"
            );
        }
    }
}

impl Drop for Post {
    fn drop(&mut self) {
        for task in &self.tasks {
            task.abort();
        }
    }
}

impl Outgoing {
    fn succeeded(&mut self, receipt: Receipt, utc: UtcMillis) {
        (self.wait, self.failing, self.not_before) = (FIRST_WAIT, None, Uptime::START);
        self.status.change(|status| {
            status.sent += 1;
            status.last_sent = Some(utc);
            (status.problem, status.failing_since, status.is_broken) = (receipt.complaint, None, false);
        });
    }

    /// Paces the next try; true if it is time to tell that it fails. A message that was refused before is told no second time:
    /// the channel may have taken others since.
    fn failed(
        &mut self,
        (error, is_known): (&SendError, bool),
        note: &str,
        (up, utc): (Uptime, UtcMillis),
    ) -> bool {
        let is_refusal = matches!(error, SendError::Refused(_));
        let since = *self.failing.get_or_insert(up);
        let wait = if is_refusal { LONGEST_WAIT } else { self.wait };
        self.wait = (self.wait * 2).min(LONGEST_WAIT);
        self.not_before = up + wait.mul_f64(1.0 + JITTER * (2.0 * self.random.f64() - 1.0));
        let is_long = is_refusal || up.since(since) >= WORTH_TELLING;
        self.status.change(|status| {
            status.failed += 1;
            status.problem = Some(note.to_owned());
            status.failing_since.get_or_insert(utc);
            status.is_broken |= is_long;
        });
        is_long && !is_known && !std::mem::replace(&mut self.is_told, true)
    }
}

/// The task of one channel: one message after the other, each with a bounded time.
async fn carry(
    index: usize,
    way: Arc<dyn Deliver>,
    mut messages: mpsc::Receiver<Message>,
    done: mpsc::Sender<Outcome>,
) {
    while let Some(message) = messages.recv().await {
        let within = DELIVER_WITHIN.as_secs();
        let way = Arc::clone(&way);
        // On a task of its own, so that a fault in it ends nothing else.
        let mut sending = tokio::spawn(async move { way.deliver(&message).await });
        let outcome = match tokio::time::timeout(DELIVER_WITHIN, &mut sending).await {
            Ok(Ok(outcome)) => outcome,
            Ok(Err(fault)) => Err(SendError::Busy(format!("an internal fault: {fault}"))),
            Err(_late) => {
                sending.abort();
                Err(SendError::Unreachable(format!("no answer within {within} s")))
            }
        };
        if done.send((index, outcome)).await.is_err() {
            return;
        }
    }
}

/// Whether the line's snapshot is older than the call, so that nothing could be said of how far and how long.
fn is_ahead_of(words: &call::Teller<'_>, said: &Said) -> bool {
    let occurrence = said.call.as_ref().map(|call| (call.occurrence, words.occurrence(&call.alarm)));
    let is_older = occurrence.is_some_and(|(called, seen)| seen.is_some_and(|seen| seen < called));
    is_older && said.waited_ms < FRESH_WITHIN_MS
}

fn made(line: &Line, teller: &call::Teller<'_>, draft: &Draft, now: Now) -> Message {
    let message = Words { line, teller, now: now.utc }.message(draft);
    let about = message.subject.word();
    if message.subject != Subject::Alive {
        tracing::info!(code = "notify", key = %message.key, about, "to be told: {}", message.line);
    }
    message
}

const fn place(stored: &StoredEvent) -> (i64, u64) {
    (stored.run.0, stored.event.sequence)
}

fn ms_of(at: Uptime) -> i64 {
    i64::try_from(at.as_nanos() / 1_000_000).unwrap_or(i64::MAX)
}
