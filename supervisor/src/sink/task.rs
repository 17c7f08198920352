//! Sends history to one server: where it stands, how long to wait, what to tell.
//!
//! A server's place moves when it says that it has something, but is kept only a minute later: some say so before it is on
//! their disk. When the server can't be reached, or was started anew, sending goes back to the kept place; what was there already
//! is the same point. One that answers, be it that it is busy, has not lost what it has; but nothing is believed until it takes
//! readings again and has been asked whether it was started anew.
//!
//! A reading that is refused is passed only if the server takes others. While it refuses all that it is sent, no place moves:
//! it may be that what answers is no such server. Once it takes the newest readings, what it refused before them is passed.

use super::deliver::{Rejected, deliver};
use super::lines::line_of;
use super::{PointWriter, SharedServerStatus, WriteError};
use crate::clock::Clock;
use crate::handle::Teller;
use crate::history::{ForwardPage, ForwardReading, HistoryStore};
use setward_alarm::{Delivery, ServerId};
use setward_config::line::Server;
use setward_protocol::Uptime;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;
use std::time::Duration;

/// The rows among whose readings one is looked for that a server takes which has refused a whole batch.
const NEWEST_ROWS: u64 = 500;
/// Starts that are remembered: as many servers may answer at one address in turn.
const STARTS_MAX: usize = 64;
/// Readings of one request.
const LINES_A_BATCH: usize = 5_000;
/// How often what is new is sent.
const LIVE_EVERY: Duration = Duration::from_secs(5);
/// Rest between two pages of what waited: polling and the disk come first.
const REST_WHILE_CATCHING_UP: Duration = Duration::from_millis(100);
/// What a server said it has is believed to be on its disk after this long.
pub(super) const DURABLE_AFTER: Duration = Duration::from_secs(60);
/// How often a place is kept at most.
const KEEP_EVERY: Duration = Duration::from_secs(10);
/// How often the server is asked whether it was started anew: well before what it said it has would be believed.
const LOOK_EVERY: Duration = Duration::from_secs(20);
/// Waits after failures: the first, the longest, and after a refusal that only a person can end.
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// Jitter of a wait, as a share, either way.
const JITTER: f64 = 0.2;
/// A server that is away for less than this is not worth an event.
const WORTH_TELLING: Duration = Duration::from_secs(30);
/// Refused readings told one by one; after that they are only counted.
const REJECTED_TOLD_MAX: u64 = 20;

/// The task of one server.
pub(super) struct Forwarder {
    line: String,
    server: Server,
    wanted: Option<BTreeSet<String>>,
    store: Arc<dyn HistoryStore>,
    writer: Box<dyn PointWriter>,
    clock: Clock,
    id: ServerId,
    teller: Teller,
    status: SharedServerStatus,
    random: fastrand::Rng,
    /// Everything up to this row was taken.
    position: u64,
    /// When the server said that it has everything up to a row; the oldest first.
    taken: VecDeque<(Uptime, u64)>,
    /// Everything up to this row is on the server's disk for sure.
    durable: u64,
    kept: (Uptime, u64),
    /// What was told of its start so far, the latest last.
    starts: VecDeque<String>,
    looked: Option<Uptime>,
    wait: Duration,
    failing: Option<Uptime>,
    /// Whether sending has gone back since it failed first.
    is_back: bool,
    is_failure_told: bool,
    /// Missing rows up to this one have been counted.
    lost_until: u64,
    /// What was told last of how it is doing.
    told: Option<Delivery>,
}

impl Forwarder {
    pub(super) fn new(
        (line, server): (String, Server),
        (store, writer): (Arc<dyn HistoryStore>, Box<dyn PointWriter>),
        clock: Clock,
        (id, teller): (ServerId, Teller),
        status: SharedServerStatus,
    ) -> Self {
        status.change(|status| status.name.clone_from(&server.name));
        Self {
            wanted: server.send.as_ref().map(|tags| tags.iter().cloned().collect()),
            // The same name waits alike in each run; two servers do not wait in step.
            random: fastrand::Rng::with_seed(server.name.bytes().map(u64::from).sum()),
            line,
            server,
            store,
            writer,
            clock,
            id,
            teller,
            told: None,
            status,
            position: 0,
            taken: VecDeque::new(),
            durable: 0,
            kept: (Uptime::START, 0),
            starts: VecDeque::new(),
            looked: None,
            wait: FIRST_WAIT,
            failing: None,
            is_back: false,
            is_failure_told: false,
            lost_until: 0,
        }
    }

    /// Sends until told to stop; keeps its place then.
    pub(super) async fn run<S: Future + Unpin>(mut self, mut stop: S) {
        let mut is_placed = false;
        self.deliver_told(Delivery::Begins).await;
        loop {
            let turn = async {
                if !is_placed {
                    is_placed = self.take_place().await;
                }
                if is_placed { self.turn().await } else { LIVE_EVERY }
            };
            let wait = tokio::select! {
                biased;
                _ = &mut stop => break,
                wait = turn => wait,
            };
            tokio::select! {
                biased;
                _ = &mut stop => break,
                () = tokio::time::sleep(wait) => {}
            }
        }
        if is_placed {
            self.believe(self.clock.uptime());
            self.keep_place(self.clock.uptime()).await;
        }
    }

    /// Where the last run left off; false if the store does not answer.
    async fn take_place(&mut self) -> bool {
        let Ok(kept) = self.store.cursor(self.server.name.clone()).await else { return false };
        self.durable = kept.unwrap_or(0);
        (self.position, self.kept) = (self.durable, (self.clock.uptime(), self.durable));
        true
    }

    /// Sends what there is, a page at most; gives how long to wait then.
    async fn turn(&mut self) -> Duration {
        let now = self.clock.uptime();
        self.look_for_a_restart(now).await;
        self.believe(now);
        if self.durable > self.kept.1 && now.since(self.kept.0) >= KEEP_EVERY {
            self.keep_place(now).await;
        }
        let page = match self.store.forward_page(self.position).await {
            Ok(page) => page,
            Err(error) => {
                self.status.change(|status| status.problem = Some(error.text));
                return LIVE_EVERY;
            }
        };
        if page.newest < self.position {
            // The history was set aside and begun anew, or restored from an older copy.
            self.go_back_to(0);
            return REST_WHILE_CATCHING_UP;
        }
        match self.send(&page).await {
            Ok(()) => {
                self.succeeded().await;
                let is_behind = page.last < page.newest;
                self.deliver_told(if is_behind { Delivery::Behind } else { Delivery::CaughtUp }).await;
                if is_behind { REST_WHILE_CATCHING_UP } else { LIVE_EVERY }
            }
            Err(error) => self.failed(&error).await,
        }
    }

    async fn send(&mut self, page: &ForwardPage) -> Result<(), WriteError> {
        let wanted: Vec<_> = page.readings.iter().filter(|one| self.is_wanted(one)).collect();
        for batch in wanted.chunks(LINES_A_BATCH) {
            let lines: Vec<String> = batch.iter().map(|one| line_of(&self.line, one)).collect();
            let rejected = self.deliver_counted(&lines).await?;
            let last = batch.last().map_or(self.position, |last| last.sequence);
            if rejected.len() == lines.len()
                && let Some(one) = rejected.first()
                && !self.takes_newer(last, page.newest).await?
            {
                let text = format!("it refuses everything it is sent: {}", one.why);
                return Err(WriteError::Refused(text));
            }
            self.tell_rejected(&rejected).await;
            // The row that the batch ends in may go on in the next one.
            let whole = last.saturating_sub(1);
            self.position = self.position.max(whole);
        }
        if page.lost_rows > 0 && page.last > self.lost_until {
            self.lost_until = page.last;
            self.tell_lost(page.lost_rows).await;
        }
        self.position = page.last;
        if self.taken.back().is_none_or(|(_, row)| *row < page.last) && page.last > self.durable {
            self.taken.push_back((self.clock.uptime(), page.last));
        }
        let until = page.readings.last().map(|reading| reading.utc);
        self.status.change(|status| {
            status.waiting_rows = page.newest - page.last;
            status.sent_until = until.or(status.sent_until);
        });
        Ok(())
    }

    fn is_wanted(&self, reading: &ForwardReading) -> bool {
        self.wanted.as_ref().is_none_or(|wanted| wanted.contains(&reading.tag))
    }

    /// Sends lines; gives those that were refused.
    async fn deliver_counted(&self, lines: &[String]) -> Result<Vec<Rejected>, WriteError> {
        let rejected = deliver(&*self.writer, lines).await?;
        let sent = (lines.len() - rejected.len()) as u64;
        self.status.change(|status| status.sent += sent);
        Ok(rejected)
    }

    /// Whether the server takes anything that came after a row: the newest reading of each signal is tried. They come again in
    /// their order, as the same points.
    async fn takes_newer(&self, row: u64, newest: u64) -> Result<bool, WriteError> {
        let after = row.max(newest.saturating_sub(NEWEST_ROWS));
        // A history that can't be read just now tells nothing; it is asked anew in the next turn.
        let Ok(page) = self.store.forward_page(after).await else { return Ok(false) };
        let newer = page.readings.iter().filter(|one| self.is_wanted(one) && one.sequence > row);
        let newest: BTreeMap<&str, &ForwardReading> = newer.map(|one| (one.tag.as_str(), one)).collect();
        let lines: Vec<String> = newest.values().map(|one| line_of(&self.line, one)).collect();
        Ok(self.deliver_counted(&lines).await?.len() < lines.len())
    }

    /// What was taken long enough ago is on the server's disk. While it fails, it may be on its way up again without it.
    fn believe(&mut self, now: Uptime) {
        if self.failing.is_some() {
            return;
        }
        while let Some((_, row)) = self.taken.pop_front_if(|(at, _)| now.since(*at) >= DURABLE_AFTER) {
            self.durable = row;
        }
        let durable = self.durable;
        self.status.change(|status| status.durable = durable);
    }

    async fn keep_place(&mut self, now: Uptime) {
        if self.durable == self.kept.1 {
            return;
        }
        match self.store.keep_cursor(self.server.name.clone(), self.durable).await {
            Ok(()) => self.kept = (now, self.durable),
            // Nothing is lost by it: after a restart some readings are sent again.
            Err(error) => tracing::warn!(code = "server-place", "{error}"),
        }
    }

    /// A server that was started anew may have lost what it said it has.
    async fn look_for_a_restart(&mut self, now: Uptime) {
        if self.looked.is_some_and(|looked| now.since(looked) < LOOK_EVERY) {
            return;
        }
        self.looked = Some(now);
        let Some(started) = self.writer.started().await else { return };
        let known = self.starts.iter().position(|known| *known == started);
        // Several servers behind one address answer in turn: one that was seen before was not started since.
        if known.is_none() && !self.starts.is_empty() {
            tracing::info!(code = "server-restarted", "server {} was started anew", self.server.name);
            self.go_back_to(self.durable);
        }
        if let Some(known) = known {
            self.starts.remove(known);
        }
        self.starts.push_back(started);
        while self.starts.len() > STARTS_MAX {
            self.starts.pop_front();
        }
    }

    fn go_back_to(&mut self, row: u64) {
        self.position = row;
        self.durable = self.durable.min(row);
        self.taken.clear();
    }

    async fn succeeded(&mut self) {
        self.wait = FIRST_WAIT;
        if self.failing.take().is_some() {
            // Before anything is believed again.
            self.looked = None;
        }
        self.is_back = false;
        self.status.change(|status| status.problem = None);
        if std::mem::take(&mut self.is_failure_told) {
            let waiting = self.status.now().waiting_rows;
            let note = format!("{} takes readings again; {waiting} rows still wait", self.server.name);
            tracing::info!(code = "server-back", "server {note}");
            self.teller.tell("server back", note).await;
        }
    }

    async fn failed(&mut self, error: &WriteError) -> Duration {
        let now = self.clock.uptime();
        let is_refusal = matches!(error, WriteError::Refused(_));
        let name = &self.server.name;
        let note = if is_refusal {
            format!("{name} refuses what it is sent, {}; history is kept here meanwhile", error.text())
        } else {
            format!("{name} takes no readings: {}; they are kept here and sent later", error.text())
        };
        self.status.change(|status| status.problem = Some(note.clone()));
        let since = *self.failing.get_or_insert(now);
        if matches!(error, WriteError::Unreachable(_)) && !self.is_back {
            self.is_back = true;
            self.go_back_to(self.durable);
        }
        self.deliver_told(Delivery::Behind).await;
        if !self.is_failure_told && (is_refusal || now.since(since) >= WORTH_TELLING) {
            self.is_failure_told = true;
            tracing::warn!(code = "server-away", "server {note}");
            self.teller.tell("server lost", note).await;
        }
        if is_refusal {
            return LONGEST_WAIT;
        }
        let wait = self.wait;
        self.wait = (wait * 2).min(LONGEST_WAIT);
        wait.mul_f64(1.0 + JITTER * (2.0 * self.random.f64() - 1.0))
    }

    /// Its alarm: that it has everything is told each time, for that moves the time by which it must again; that it is behind
    /// is told once.
    async fn deliver_told(&mut self, what: Delivery) {
        if what == Delivery::Behind && self.told == Some(what) {
            return;
        }
        self.told = Some(what);
        self.teller.tell_of_server(self.id, what).await;
    }

    async fn tell_rejected(&mut self, rejected: &[Rejected]) {
        for one in rejected {
            let mut count = 0;
            self.status.change(|status| {
                status.rejected += 1;
                count = status.rejected;
            });
            let name = &self.server.name;
            let note = format!("{name} refuses a reading, {}: {}", one.why, one.line);
            tracing::warn!(code = "server-rejected", "{note}");
            if count <= REJECTED_TOLD_MAX {
                self.teller.tell("server refused a reading", note).await;
            }
        }
    }

    async fn tell_lost(&mut self, rows: u64) {
        self.status.change(|status| status.lost_rows += rows);
        let name = &self.server.name;
        let note = format!("{rows} rows were dropped from history before {name} had them");
        tracing::warn!(code = "server-lost-rows", "{note}");
        self.teller.tell("server missed readings", note).await;
        self.deliver_told(Delivery::Lost).await;
    }
}
