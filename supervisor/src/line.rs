//! The line task: owns the engine, turns scans into samples, answers people, publishes the line.
//!
//! One input, drain all outputs, next input. The only state of the line is here; pages read what is published.

pub mod alarms;
pub mod balance;
pub mod batches;
pub mod blindness;
pub mod conditions;
pub mod controllers;
pub mod core;
pub mod derived;
pub(crate) mod entering;
pub mod follow;
mod followed;
mod inputs;
mod log;
pub mod past;
mod products;
mod publishing;
pub mod quality;
pub mod recipes;
pub mod removed;
pub mod renamed;
pub mod signals;
pub mod slope;
pub mod stations;
pub mod storage;
mod told;
mod wall;
mod wiring;
pub mod wishes;
pub mod writer;

use self::core::{LineCore, Said};
use crate::clock::Clock;
use crate::entries::desk::EntryDesk;
use crate::entries::ran::Ran;
use crate::entries::{EntryRequest, EntryView};
use crate::handle::{Looks, Request, Told};
use crate::history::{AlarmRecord, Batch, Event, NewSample, StoredEntry, StoredEvent, band};
use crate::poll::ScanReport;
use crate::snapshot::{Counts, LineSnapshot, RunId};
use alarms::{AlarmBook, Beside, Person};
use balance::BalanceBook;
use batches::BatchView;
use blindness::{BLINDNESS, BlindnessBook};
use controllers::ControllerBook;
use derived::DerivedBook;
use follow::{FollowBook, Following};
use log::log_event;
use past::Past;
use publishing::Publishing;
use quality::QualityBook;
use recipes::RecipeChange;
use setward_alarm::{AlarmEvent, AlarmId, Monitor};
use setward_config::line::Line;
use setward_protocol::{Mode, Sample, Uptime, UtcMillis};
use signals::{Fresh, SignalBook};
use stations::ModeChange;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::MissedTickBehavior;
use writer::{SharedStatus, Work};

/// History is handed to the store this often.
const FLUSH_EVERY: Duration = Duration::from_secs(1);
/// How long the writer may take to accept the last batch.
const LAST_HAND_OVER_WITHIN: Duration = Duration::from_secs(1);
/// Exposure of alarms that have some is kept this often, besides with every event.
const RECORD_EVERY_TICKS: u64 = 10;

/// One moment in both times, to name other moments of the run in wall time.
#[derive(Debug, Clone, Copy)]
pub struct WallAnchor {
    pub(crate) at: Uptime,
    pub(crate) utc: UtcMillis,
}

impl WallAnchor {
    /// Wall time of a moment of this run.
    #[must_use]
    pub fn utc(&self, at: Uptime) -> UtcMillis {
        let back = i64::try_from(self.at.since(at).as_millis()).unwrap_or(i64::MAX);
        let ahead = i64::try_from(at.since(self.at).as_millis()).unwrap_or(i64::MAX);
        UtcMillis(self.utc.0.saturating_sub(back).saturating_add(ahead))
    }
}

/// How the run before this one ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RunBefore {
    /// There was none.
    None,
    /// It was stopped in order.
    Stopped,
    /// It ended without a word: power lost, or the program killed.
    CutOff,
}

impl RunBefore {
    /// From the last event that history holds.
    #[must_use]
    pub fn of(last: Option<&StoredEvent>) -> Self {
        match last {
            None => Self::None,
            Some(stored) if stored.event.what == "stopped" => Self::Stopped,
            Some(_) => Self::CutOff,
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::None | Self::Stopped => "",
            Self::CutOff => "the run before ended without being stopped (power lost, or killed); ",
        }
    }
}

/// What the line task is connected to.
#[derive(Debug)]
pub struct LineChannels {
    /// Scans from the pollers.
    pub reports: mpsc::Receiver<ScanReport>,
    /// Wishes from people.
    pub requests: mpsc::Receiver<Request>,
    /// What people enter.
    pub entries: mpsc::Receiver<EntryRequest>,
    /// What happened elsewhere: history, servers.
    pub told: mpsc::Receiver<Told>,
    /// Where the line is published.
    pub snapshot: watch::Sender<Arc<LineSnapshot>>,
    /// Where kettle batches are told, for their records.
    pub batches: watch::Sender<Arc<Vec<BatchView>>>,
    /// How often anybody has looked there.
    pub looks: Looks,
    /// Where history goes.
    pub work: mpsc::Sender<Work>,
    /// How history is doing.
    pub writer: SharedStatus,
    /// Ends the task.
    pub stop: oneshot::Receiver<()>,
}

/// The line task.
#[derive(Debug)]
pub struct LineTask<'a> {
    line: Arc<Line>,
    clock: Clock,
    run: RunId,
    core: LineCore<'a>,
    signals: SignalBook,
    quality: QualityBook,
    derived: DerivedBook,
    balance: BalanceBook,
    follow: FollowBook,
    following: Arc<Following>,
    desk: EntryDesk,
    entered: Arc<Vec<EntryView>>,
    alarms: AlarmBook,
    blindness: BlindnessBook,
    controllers: ControllerBook,
    said: Vec<Said>,
    counts: Counts,
    sequence: u64,
    /// Open alarms that the files no longer have.
    removed: Vec<AlarmRecord>,
    pending: Work,
    ticks: u64,
    publishing: Publishing,
    wall: wall::WallWatch,
    /// Somebody has just been called: where product is is to be known at once.
    follow_due: bool,
}

impl<'a> LineTask<'a> {
    /// A line task over an engine that has its targets and has been restored together with `alarms`.
    #[must_use]
    pub fn new(line: Arc<Line>, clock: Clock, run: RunId, monitor: Monitor<'a>, alarms: AlarmBook) -> Self {
        Self {
            signals: SignalBook::new(&line),
            quality: QualityBook::new(&line),
            derived: DerivedBook::new(&line),
            balance: BalanceBook::new(&line),
            follow: FollowBook::new(&line),
            following: Arc::default(),
            desk: EntryDesk::new(&line, Vec::new(), 0, WallAnchor { at: clock.uptime(), utc: clock.utc() }),
            entered: Arc::default(),
            controllers: ControllerBook::new(&line),
            blindness: BlindnessBook::new(&line),
            core: LineCore::new(Arc::clone(&line), monitor),
            said: Vec::new(),
            line,
            clock,
            run,
            alarms,
            counts: Counts::default(),
            sequence: 0,
            removed: Vec::new(),
            pending: Work::default(),
            ticks: 0,
            publishing: Publishing::default(),
            wall: wall::WallWatch::default(),
            follow_due: true,
        }
    }

    /// Begins with what was entered before; `newest` is the highest number there is.
    #[must_use]
    pub fn with_entries(mut self, kept: Vec<StoredEntry>, newest: u64) -> Self {
        self.desk = EntryDesk::new(&self.line, kept, newest, self.anchor());
        self
    }

    /// Begins with what earlier runs have read, and when stations ran in them. The entries of before come first: they answered some of
    /// what asked for them.
    #[must_use]
    pub fn with_past(mut self, past: &[Past], ran: &[Ran]) -> Self {
        self.follow.take_past(&self.line, past, self.clock.utc());
        self.desk.take_past(&self.line, past, ran, self.anchor());
        self
    }

    /// The line before anything happened, to publish first.
    #[must_use]
    pub fn first_snapshot(&self) -> LineSnapshot {
        self.snapshot(&SharedStatus::default())
    }

    /// Runs until told to stop; hands over everything that is still to be kept.
    pub async fn run(mut self, before: RunBefore, mut channels: LineChannels) -> Counts {
        let mut tick = tokio::time::interval(FLUSH_EVERY);
        tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let configuration = &self.line.fingerprint;
        self.daemon_event("started", Some(format!("{}configuration {configuration}", before.words())));
        self.close_removed();
        self.take_up_entries();
        loop {
            let timeout = self.core.poll_timeout().map(|at| self.clock.instant(at));
            let owed = self.publishing.deadline();
            let (mut second_is_over, mut is_person) = (false, false);
            tokio::select! {
                biased;
                _ = &mut channels.stop => break,
                Some(request) = channels.requests.recv() => {
                    self.handle_request(request);
                    is_person = true;
                }
                Some(request) = channels.entries.recv() => {
                    self.handle_entry(request);
                    is_person = true;
                }
                Some(told) = channels.told.recv() => self.handle_told(told),
                Some(report) = channels.reports.recv() => self.handle_report(&report),
                () = sleep_until_or_never(timeout) => self.handle_timeout(),
                _ = tick.tick() => {
                    self.handle_tick();
                    self.tell_batches(&channels.batches);
                    second_is_over = true;
                }
                () = sleep_until_or_never(owed) => {}
            }
            let has_news = !self.pending.batch.events.is_empty() || !self.pending.confirm.is_empty();
            self.flush(&channels.work, second_is_over);
            let receivers = channels.snapshot.receiver_count();
            let is_looked_at = self.publishing.is_looked_at(receivers, &channels.looks, self.ticks);
            let at_once = has_news || second_is_over || is_person;
            if self.publishing.is_due(at_once, is_looked_at, self.clock.now()) {
                let published = self.snapshot(&channels.writer);
                channels.snapshot.send_replace(Arc::new(published));
            }
        }
        let blindness = self.blindness.hand_over(&self.line, self.clock.uptime());
        self.keep_blindness(blindness);
        self.daemon_event("stopped", None);
        self.keep_records(|_, _, _| true);
        let waiting = self.pending.batch.samples.len() as u64;
        let last = channels.work.send(std::mem::take(&mut self.pending));
        // A disk that does not answer must not keep the program from stopping.
        if !matches!(tokio::time::timeout(LAST_HAND_OVER_WITHIN, last).await, Ok(Ok(()))) {
            self.counts.samples_lost += waiting;
        }
        self.counts
    }

    fn anchor(&self) -> WallAnchor {
        WallAnchor { at: self.clock.uptime(), utc: self.clock.utc() }
    }

    fn handle_report(&mut self, report: &ScanReport) {
        let mut fresh = signals::decode(&self.line, report);
        let core = &self.core;
        self.quality.judge(
            report.controller,
            report.at,
            &mut fresh,
            |id| core.good(id),
            |station| core.mode(station) == Mode::Run,
        );
        let following = self.derived.follow(&fresh);
        fresh.extend(following);
        // One order whatever the read plan: a replay of what is kept must meet the same.
        fresh.sort_by_key(|one| one.signal);
        let anchor = WallAnchor { at: report.at, utc: report.utc };
        let sample = |one: &Fresh| Sample { signal: one.signal, at: one.at, reading: one.reading };
        let samples: Vec<Sample> = fresh.iter().map(sample).collect();
        for one in &fresh {
            let (utc, at, reading) = (anchor.utc(one.at), one.at, one.reading);
            self.signals.take(one, utc);
            self.balance.take(&self.line, one);
            self.pending.batch.samples.push(NewSample { signal: one.signal.0, utc, at, reading });
        }
        // A program that can't be believed is one trouble of the controller, not one of each of its signals.
        let trouble = self.quality.program_trouble(report.controller, report.at);
        // A controller that refuses everything is lost to the line as one that is silent: one alarm, not one of each signal.
        let answered = report.brought_words() && trouble.is_none();
        self.core.handle_controller(report.at, report.controller, answered, &mut self.said);
        self.core.handle_scan(report.at, report.utc, &samples, &mut self.said);
        for sample in &samples {
            let moment = (sample.at, anchor.utc(sample.at));
            self.follow.handle(&self.line, moment, sample.signal, sample.reading.good());
        }
        self.tell(None);
        self.counts.scans += 1;
        self.counts.requests += u64::from(report.requests);
        let lost = self.controllers.take(&self.line, report, trouble);
        let slow = self.controllers.take_pace(&self.line, report);
        for change in lost.into_iter().chain(slow) {
            self.daemon_event(change.what, Some(change.note));
        }
    }

    fn handle_timeout(&mut self) {
        self.core.handle_timeout(self.clock.uptime(), &mut self.said);
        self.tell(None);
    }

    fn handle_tick(&mut self) {
        self.ticks += 1;
        let (now, utc) = (self.clock.uptime(), self.clock.utc());
        if let Some(note) = self.wall.look(now, utc) {
            tracing::warn!(code = "clock-set", "{note}");
            self.daemon_event("clock set", Some(note));
        }
        self.signals.mark_stale(now, utc);
        let blindness = self.blindness.look(&self.line, self.core.alarms(), now, utc);
        self.keep_blindness(blindness);
        self.follow_when_due();
        self.handle_entries_tick();
        if self.ticks.is_multiple_of(RECORD_EVERY_TICKS) {
            self.keep_records(AlarmBook::is_owed);
        }
    }

    /// Everything that happened goes to history and the log.
    fn tell(&mut self, person: Option<Person<'_>>) {
        self.core.drain(&mut self.said);
        for said in std::mem::take(&mut self.said) {
            match said {
                Said::Mode(change) => self.tell_mode(change),
                Said::Recipe(change) => self.tell_recipe(change),
                Said::Alarm(event) => self.tell_alarm(&event, person),
            }
        }
        (self.counts.events_lost, _) = self.core.alarms().losses();
    }

    fn tell_mode(&mut self, change: ModeChange) {
        let station = &self.line.station(change.station).key;
        let (from, to) = (change.from.name(), change.to.name());
        tracing::info!(code = "station-mode", %station, "station {station} goes from {from} to {to}");
        let note = format!("{station}: {from} to {to}");
        self.daemon_event("station mode", Some(note));
    }

    fn tell_recipe(&mut self, change: RecipeChange) {
        let (what, note) = change.told(&self.line);
        match change.recipe {
            Some(_) => tracing::info!(code = "recipe", "{note}"),
            None => tracing::warn!(code = "recipe-unknown", "{note}"),
        }
        self.daemon_event(what, Some(note));
        let (at, utc) = (self.clock.uptime(), self.clock.utc());
        for signal in self.line.signals_under(change.word) {
            let target = self.core.recipe_setpoint(signal).map(|asked| asked.target);
            self.pending.batch.bands.push(band(signal, target, at, utc));
        }
    }

    fn tell_alarm(&mut self, event: &AlarmEvent, person: Option<Person<'_>>) {
        let wall = self.anchor();
        self.sequence += 1;
        let status = self.core.alarms().status(event.alarm, event.at);
        let shelved_once = status.is_some_and(|status| status.flags.shelved_once);
        let beside = Beside { person, shelved_once, sequence: self.sequence, wall };
        let kept = self.alarms.note(&self.line, event, beside);
        log_event(self.line.alarm(event.alarm), &kept);
        if kept.what == "raised" && !event.silent {
            self.counts.alarms_raised += 1;
            self.follow_due = true;
        }
        self.pending.batch.events.push(kept);
        self.pending.batch.alarms.extend(self.alarms.keep(&self.line, self.core.alarms(), event.alarm));
    }

    fn keep_blindness(&mut self, gathered: Option<String>) {
        if gathered.is_some() {
            self.daemon_event(BLINDNESS, gathered);
        }
    }

    fn daemon_event(&mut self, what: &str, note: Option<String>) {
        self.sequence += 1;
        let (at, utc) = (self.clock.uptime(), self.clock.utc());
        self.pending.batch.events.push(Event {
            sequence: self.sequence,
            utc,
            at,
            alarm: None,
            occurrence: 0,
            what: what.to_owned(),
            states: String::new(),
            onset: None,
            value: None,
            exposure: None,
            by: None,
            note,
        });
    }

    fn keep_records(&mut self, wanted: impl Fn(&AlarmBook, &Monitor<'_>, AlarmId) -> bool) {
        for (alarm, _) in self.line.alarms_with_ids() {
            if wanted(&self.alarms, self.core.alarms(), alarm) {
                let record = self.alarms.keep(&self.line, self.core.alarms(), alarm);
                self.pending.batch.alarms.extend(record);
            }
        }
    }

    /// Hands what is pending to the store, if it has room; what it has no room for waits here. Readings go once a second,
    /// events and acknowledgements at once.
    fn flush(&mut self, work: &mpsc::Sender<Work>, second_is_over: bool) {
        let urgent = !self.pending.batch.events.is_empty() || !self.pending.confirm.is_empty();
        let due = second_is_over && !self.pending.batch.is_empty();
        if !(urgent || due) {
            return;
        }
        match work.try_reserve() {
            Ok(place) => place.send(std::mem::take(&mut self.pending)),
            Err(_full) => {
                let empty = Batch::default();
                self.counts.samples_lost += self.pending.batch.merge(empty) as u64;
                // Nobody is kept waiting for a disk that does not keep up: the wish stands, not yet on disk.
                for (answer, granted) in self.pending.confirm.drain(..) {
                    let _gone = answer.send(Ok(granted));
                }
                for (answer, taken) in self.pending.entered.drain(..) {
                    let _gone = answer.send(Ok(taken));
                }
            }
        }
    }

    fn snapshot(&self, writer: &SharedStatus) -> LineSnapshot {
        let wall = self.anchor();
        let writer = writer.now();
        let alarms = self.line.alarms_with_ids();
        LineSnapshot {
            run: self.run,
            at: wall.at,
            utc: wall.utc,
            signals: self.signals.published(),
            stations: self.core.station_views(),
            controllers: self.controllers.views().to_vec(),
            alarms: alarms.map(|(alarm, _)| self.alarms.view(self.core.alarms(), alarm, wall)).collect(),
            following: Arc::clone(&self.following),
            entries: Arc::clone(&self.entered),
            balance: self.balance.views(),
            dwell_s: self.line.belts.iter().map(|belt| self.dwell_s(belt)).collect(),
            counts: Counts {
                samples_stored: writer.stored,
                samples_lost: self.counts.samples_lost + writer.lost,
                ..self.counts
            },
            history_problem: writer.problem,
        }
    }
}

async fn sleep_until_or_never(at: Option<tokio::time::Instant>) {
    match at {
        Some(at) => tokio::time::sleep_until(at).await,
        None => std::future::pending().await,
    }
}

#[cfg(test)]
#[path = "line/aged_tests.rs"]
mod aged_tests;
