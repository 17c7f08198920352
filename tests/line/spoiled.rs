//! The whole system for some minutes of virtual time, with doors that do not open, sockets that break and a store that refuses, as a
//! test says; judged by the oracle.

use crate::oracle::{Oracle, Tally};
use crate::support::demo_line;
use crate::virtual_month::{START, move_on};
use crate::virtual_plan::{Plan, Planned};
use async_trait::async_trait;
use setward::clock::Clock;
use setward::handle::{LineHandle, Wish, WishRequest};
use setward::history::sqlite::InlineStore;
use setward::history::{
    AlarmRecord, AuditEntry, Batch, BatchRow, Event, HistoryError, HistoryStore, KeptRecord, NewAudit,
    NewNote, NewRecord, NewRun, Note, Settings, StoredEntry, StoredEvent, StoredSample,
};
use setward::poll::dial::{Dial, Stream};
use setward::protocol::UtcMillis;
use setward::snapshot::RunId;
use setward::{Edges, RunSummary, start};
use setward_config::line::Line;
use sim_plc::{Disturbance, Simulator};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io;
use std::path::Path;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, DuplexStream, ReadBuf};
use tokio::time::Instant;

/// What the system says when a program has no file descriptor left (EMFILE).
const NO_DESCRIPTOR: i32 = 24;
/// Buffer of a connection over memory: a few frames.
const BUFFER_BYTES: usize = 2_048;

/// When a person comes to the page, ms of the run: not in the instant of any scan.
const PERSON_AT_MS: u64 = 420_370;

/// Which calls of a kind fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fails {
    Never,
    /// The nth alone, counted from 1.
    Nth(u64),
    /// Every nth.
    Every(u64),
    /// The nth and all after it.
    From(u64),
}

impl Fails {
    fn takes(self, call: u64) -> bool {
        match self {
            Self::Never => false,
            Self::Nth(n) => call == n,
            Self::Every(n) => call.is_multiple_of(n),
            Self::From(n) => call >= n,
        }
    }
}

/// A door that does not open for a while, and lets go of who is in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Shut {
    /// Name of the controller behind it.
    pub(crate) controller: &'static str,
    pub(crate) why: io::ErrorKind,
    /// From and until, s of the run.
    pub(crate) between: (u64, u64),
}

/// What is wrong with the world.
#[derive(Debug, Clone)]
pub(crate) struct World {
    pub(crate) seed: u64,
    pub(crate) seconds: u64,
    pub(crate) store: Fails,
    pub(crate) sockets: Fails,
    /// Connections for which there is no file descriptor.
    pub(crate) dials: Fails,
    pub(crate) bad_share: f64,
    pub(crate) shut: Vec<Shut>,
    /// From and until, s of the run, no disk takes anything.
    pub(crate) disk_full: Option<(u64, u64)>,
    /// From and until, s of the run, there is no file descriptor for another connection.
    pub(crate) no_descriptors: Option<(u64, u64)>,
    /// The wall clock is set at that second of the run, by so many ms.
    pub(crate) clock_set: Option<(u64, i64)>,
}

impl World {
    /// Nothing is.
    pub(crate) const fn sound(seed: u64, seconds: u64) -> Self {
        let (store, sockets, dials) = (Fails::Never, Fails::Never, Fails::Never);
        let (disk_full, no_descriptors, clock_set) = (None, None, None);
        Self {
            seed,
            seconds,
            store,
            sockets,
            dials,
            bad_share: 0.0,
            shut: Vec::new(),
            disk_full,
            no_descriptors,
            clock_set,
        }
    }

    fn clock(&self) -> Clock {
        match self.clock_set {
            Some((after_s, by_ms)) => Clock::set_once(START, Duration::from_secs(after_s), by_ms),
            None => Clock::starting_at(START),
        }
    }
}

/// What came of it.
#[derive(Debug)]
pub(crate) struct Found {
    pub(crate) tally: Tally,
    /// Of all readings, and of all events of alarms, that the store took, each in their order. Batches do not show: what was refused comes
    /// with what came since.
    pub(crate) journal: (u64, u64),
    pub(crate) complaints: String,
    pub(crate) summary: RunSummary,
    /// Readings in the store, by all tags together.
    pub(crate) kept: u64,
    /// Of all readings, as the store gives them back.
    pub(crate) readings: u64,
    /// The rows of everything else that is kept, by table; without what the daemon tells of itself.
    pub(crate) rows: BTreeMap<&'static str, Vec<String>>,
    /// Calls that were asked of the store and of sockets.
    pub(crate) calls: (u64, u64),
}

/// Tables, and what of their rows a failure must not change: not the numbers of events, since what is told of the failure takes some.
const KEPT: [(&str, &str); 9] = [
    ("runs", "run || started_utc_ms || fingerprint || version || layout"),
    ("events", "utc_ms || alarm || event"),
    ("alarm_records", "id || record"),
    ("bands", "run || signal || uptime_us || utc_ms || setpoint || ifnull(low, '') || ifnull(high, '')"),
    ("batches", "id || start_utc_ms || ifnull(end_utc_ms, '') || batch"),
    ("notes", "n || utc_ms || about || by || text"),
    ("records", "n || utc_ms || kind || about || by || record"),
    ("entries", "n || tag || taken_utc_ms || entry"),
    ("audit", "n || utc_ms || by || what || about || hash"),
];

/// All rows of [`KEPT`] in the file, each as one text. What is null (an event of no alarm) is left out.
fn rows_in(folder: &Path) -> BTreeMap<&'static str, Vec<String>> {
    let file = rusqlite::Connection::open(folder.join("history.sqlite")).unwrap();
    let rows = KEPT.map(|(table, row)| {
        let question = format!("SELECT {row} FROM {table} WHERE {row} IS NOT NULL ORDER BY 1");
        let mut statement = file.prepare(&question).unwrap();
        let rows = statement.query_map([], |row| row.get::<_, String>(0)).unwrap().map(Result::unwrap);
        (table, rows.collect())
    });
    rows.into()
}

/// A person acknowledges what stands, writes a note and takes a decision; asks again each second until all of it is taken.
async fn person(line: Arc<Line>, handle: LineHandle, history: Arc<dyn HistoryStore>) {
    tokio::time::sleep(Duration::from_millis(PERSON_AT_MS)).await;
    let (by, utc) = ("Ana".to_owned(), UtcMillis(START.0 + PERSON_AT_MS as i64));
    let snapshot = handle.snapshot();
    for (alarm, _) in line.alarms_with_ids() {
        let Some(view) = snapshot.alarm(alarm).filter(|view| view.state.letter() == 'B') else { continue };
        let (run, occurrence) = (snapshot.run, view.occurrence);
        let wish = WishRequest { alarm, run, occurrence, by: by.clone(), why: None, wish: Wish::Acknowledge };
        handle.ask(wish).await.unwrap();
    }
    let again = || tokio::time::sleep(Duration::from_secs(1));
    let (about, text) = ("TT-310".to_owned(), "looked at it".to_owned());
    let note = NewNote { utc, about: about.clone(), by: by.clone(), text, replaces: None };
    while history.add_note(note.clone()).await.is_err() {
        again().await;
    }
    let (kind, record, why) = ("hold".to_owned(), "{}".to_owned(), Some("soft".to_owned()));
    let record = NewRecord { utc, kind, about, by, record, why };
    while history.add_record(record.clone()).await.is_err() {
        again().await;
    }
}

struct SpoiledDial {
    simulator: Simulator,
    sockets: (Fails, Arc<AtomicU64>),
    dials: (Fails, Arc<AtomicU64>),
    /// Endpoint, why, from and until.
    shut: Vec<(String, io::ErrorKind, Instant, Instant)>,
    no_descriptors: Option<(Instant, Instant)>,
}

/// Whether it is between the two.
fn is_within(span: Option<(Instant, Instant)>) -> bool {
    span.is_some_and(|(from, until)| (from..until).contains(&Instant::now()))
}

#[async_trait]
impl Dial for SpoiledDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let (fails, dials) = &self.dials;
        if fails.takes(dials.fetch_add(1, Ordering::Relaxed) + 1) || is_within(self.no_descriptors) {
            return Err(io::Error::from_raw_os_error(NO_DESCRIPTOR));
        }
        let now = Instant::now();
        let own = || self.shut.iter().filter(|(own, ..)| own == endpoint);
        if let Some((_, why, ..)) = own().find(|(_, _, from, until)| *from <= now && now < *until) {
            return Err((*why).into());
        }
        let cut = own().map(|(_, _, from, _)| *from).filter(|from| *from > now).min();
        let (near, far) = tokio::io::duplex(BUFFER_BYTES);
        let (simulator, endpoint) = (self.simulator.clone(), endpoint.to_owned());
        tokio::spawn(async move {
            let serving = simulator.serve_stream(far, &endpoint);
            match cut {
                Some(cut) => drop(tokio::time::timeout_at(cut, serving).await),
                None => serving.await,
            }
        });
        Ok(Box::new(Breaking { stream: near, sockets: self.sockets.clone() }))
    }
}

/// A connection whose nth call fails; calls of all connections are counted together.
#[derive(Debug)]
struct Breaking {
    stream: DuplexStream,
    sockets: (Fails, Arc<AtomicU64>),
}

impl Breaking {
    fn call(&self) -> io::Result<()> {
        let (fails, calls) = &self.sockets;
        let call = calls.fetch_add(1, Ordering::Relaxed) + 1;
        if fails.takes(call) { Err(io::ErrorKind::ConnectionReset.into()) } else { Ok(()) }
    }
}

impl AsyncRead for Breaking {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        out: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        self.call()?;
        Pin::new(&mut self.stream).poll_read(context, out)
    }
}

impl AsyncWrite for Breaking {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.call()?;
        Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

/// A store whose nth call fails, and that shows the oracle what it takes.
struct SpoiledStore {
    store: InlineStore,
    oracle: Arc<Mutex<Oracle>>,
    fails: Fails,
    disk_full: Option<(Instant, Instant)>,
    calls: AtomicU64,
    journal: Mutex<(DefaultHasher, DefaultHasher)>,
}

impl SpoiledStore {
    fn call(&self) -> Result<(), HistoryError> {
        let call = self.calls.fetch_add(1, Ordering::Relaxed) + 1;
        if self.fails.takes(call) || is_within(self.disk_full) {
            return Err(HistoryError { text: format!("a failure on purpose, call {call}") });
        }
        Ok(())
    }
}

#[async_trait]
impl HistoryStore for SpoiledStore {
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError> {
        self.call()?;
        self.store.start_run(run).await
    }

    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError> {
        self.call()?;
        let taken = batch.clone();
        self.store.append(run, batch).await?;
        let (readings, events) = &mut *self.journal.lock().unwrap();
        for sample in &taken.samples {
            format!("{sample:?}").hash(readings);
        }
        // What the daemon tells of itself may be about the failure, and takes numbers of its own.
        for event in taken.events.iter().filter(|event| event.alarm.is_some()) {
            let event = Event { sequence: 0, ..event.clone() };
            format!("{event:?}").hash(events);
        }
        self.oracle.lock().unwrap().take(&taken);
        Ok(())
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.call()?;
        self.store.alarm_records().await
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.call()?;
        self.store.samples(tag, from, to, limit).await
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        self.call()?;
        self.store.events(alarm, limit).await
    }

    async fn add_audit(&self, entry: NewAudit) -> Result<AuditEntry, HistoryError> {
        self.call()?;
        self.store.add_audit(entry).await
    }

    async fn add_note(&self, note: NewNote) -> Result<Note, HistoryError> {
        self.call()?;
        self.store.add_note(note).await
    }

    async fn keep_batch(&self, batch: BatchRow) -> Result<(), HistoryError> {
        self.call()?;
        self.store.keep_batch(batch).await
    }

    async fn batches(
        &self,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<BatchRow>, HistoryError> {
        self.call()?;
        self.store.batches(from, to, limit).await
    }

    async fn batch(&self, id: String) -> Result<Option<BatchRow>, HistoryError> {
        self.call()?;
        self.store.batch(id).await
    }

    async fn add_record(&self, record: NewRecord) -> Result<KeptRecord, HistoryError> {
        self.call()?;
        self.store.add_record(record).await
    }

    async fn records(&self, kind: String, limit: usize) -> Result<Vec<KeptRecord>, HistoryError> {
        self.call()?;
        self.store.records(kind, limit).await
    }

    async fn entries(&self, tag: Option<String>, limit: usize) -> Result<Vec<StoredEntry>, HistoryError> {
        self.call()?;
        self.store.entries(tag, limit).await
    }

    async fn notices(&self) -> Result<Vec<String>, HistoryError> {
        self.call()?;
        self.store.notices().await
    }
}

/// What is listed: second of the run, and what.
pub(crate) fn plan_of(mut all: Vec<(u64, Planned)>) -> Plan {
    all.sort_by_key(|(at, _)| *at);
    Plan(all.into())
}

/// Lives through it, on this thread.
///
/// # Errors
/// Why the run could not be begun.
pub(crate) fn live(world: World, plan: Plan) -> Result<Found, HistoryError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    runtime.unwrap().block_on(live_through(world, plan))
}

async fn live_through(world: World, plan: Plan) -> Result<Found, HistoryError> {
    let line = Arc::new(demo_line());
    let simulator = Simulator::new(&line, world.seed);
    simulator.disturb(Some(Disturbance::new(world.seed ^ 0xB0_5E, world.bad_share)));
    let oracle = Arc::new(Mutex::new(Oracle::new(Arc::clone(&line))));
    let begun = Instant::now();
    let at = |second| begun + Duration::from_secs(second);
    let shut = world.shut.iter().map(|shut| {
        let of = |one: &&setward_config::line::Controller| one.name == shut.controller;
        let endpoint = line.controllers.iter().find(of).unwrap().endpoint.clone();
        (endpoint, shut.why, at(shut.between.0), at(shut.between.1))
    });
    let socket_calls = Arc::new(AtomicU64::new(0));
    let dial = SpoiledDial {
        simulator: simulator.clone(),
        sockets: (world.sockets, Arc::clone(&socket_calls)),
        dials: (world.dials, Arc::default()),
        shut: shut.collect(),
        no_descriptors: world.no_descriptors.map(|(from, until)| (at(from), at(until))),
    };
    let folder = tempfile::tempdir().unwrap();
    let store = Arc::new(SpoiledStore {
        store: InlineStore::open_without_syncs(folder.path(), Settings::default()).unwrap(),
        oracle: Arc::clone(&oracle),
        fails: world.store,
        disk_full: world.disk_full.map(|(from, until)| (at(from), at(until))),
        calls: AtomicU64::new(0),
        journal: Mutex::default(),
    });
    tokio::spawn(move_on(simulator, plan, Arc::clone(&oracle), Arc::clone(&line)));
    let history: Arc<dyn HistoryStore> = Arc::clone(&store) as _;
    let edges = Edges { dial: Arc::new(dial), history: Arc::clone(&history), clock: world.clock() };
    let running = start(Arc::clone(&line), edges).await?;
    let person = tokio::spawn(person(Arc::clone(&line), running.handle(), history));
    tokio::time::sleep(Duration::from_secs(world.seconds)).await;
    if 1000 * world.seconds > PERSON_AT_MS && !matches!(world.store, Fails::From(_)) {
        person.await.unwrap();
    }
    let summary = running.stop().await.unwrap();
    let (mut kept, mut given_back) = (0, DefaultHasher::new());
    for signal in &line.signals {
        let (from, to) = (UtcMillis(START.0 - 1_000), UtcMillis(START.0 + 86_400_000));
        let samples = store.store.samples(signal.tag.clone(), from, to, usize::MAX).await.unwrap();
        kept += samples.len() as u64;
        format!("{} {samples:?}", signal.tag).hash(&mut given_back);
    }
    let (readings, rows) = (given_back.finish(), rows_in(folder.path()));
    let oracle = oracle.lock().unwrap();
    let calls = (store.calls.load(Ordering::Relaxed), socket_calls.load(Ordering::Relaxed));
    let (tally, complaints) = (oracle.tally.clone(), oracle.complaints());
    let (taken, events) = &*store.journal.lock().unwrap();
    let journal = (taken.finish(), events.finish());
    Ok(Found { tally, journal, complaints, summary, kept, readings, rows, calls })
}

impl Found {
    /// Nothing wrong was stored, nothing that was acknowledged is lost, and alarms were those of the model.
    pub(crate) fn check(&self, what: &str) {
        let tally = &self.tally;
        let wrong = tally.wrong + tally.turns_different + tally.missed + tally.false_alarms;
        assert!(
            wrong == 0 && self.complaints.is_empty(),
            "{what}: wrong {} different {} missed {} false {}\n{}",
            tally.wrong,
            tally.turns_different,
            tally.missed,
            tally.false_alarms,
            self.complaints
        );
        self.check_kept(what);
    }

    /// Nothing that was acknowledged is lost, and nothing is there twice.
    pub(crate) fn check_kept(&self, what: &str) {
        let tally = &self.tally;
        assert_eq!(self.summary.samples_lost, 0, "{what}: lost");
        assert_eq!(self.kept, tally.samples, "{what}: kept is not what the store has acknowledged");
        assert_eq!(self.summary.samples_stored, tally.samples, "{what}: counted otherwise");
    }
}
