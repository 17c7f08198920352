//! The whole system for some minutes of virtual time, with doors that do not open, sockets that break and a store that refuses, as a
//! test says; judged by the oracle.

use crate::oracle::{Oracle, Tally};
use crate::support::demo_line;
use crate::virtual_month::{START, move_on};
use crate::virtual_plan::{Plan, Planned};
use async_trait::async_trait;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{
    AlarmRecord, Batch, Event, HistoryError, HistoryStore, NewRun, StoredEvent, StoredSample,
};
use setward::poll::dial::{Dial, Stream};
use setward::protocol::UtcMillis;
use setward::snapshot::RunId;
use setward::{Edges, RunSummary, start};
use sim_plc::{Disturbance, Simulator};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, DuplexStream, ReadBuf};
use tokio::time::Instant;

/// Buffer of a connection over memory: a few frames.
const BUFFER_BYTES: usize = 2_048;

/// Which calls of a kind fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fails {
    Never,
    /// The nth alone, counted from 1.
    Nth(u64),
    /// Every nth.
    Every(u64),
}

impl Fails {
    fn takes(self, call: u64) -> bool {
        match self {
            Self::Never => false,
            Self::Nth(n) => call == n,
            Self::Every(n) => call.is_multiple_of(n),
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
    pub(crate) bad_share: f64,
    pub(crate) shut: Vec<Shut>,
}

impl World {
    /// Nothing is.
    pub(crate) const fn sound(seed: u64, seconds: u64) -> Self {
        Self { seed, seconds, store: Fails::Never, sockets: Fails::Never, bad_share: 0.0, shut: Vec::new() }
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
    /// Calls that were asked of the store and of sockets.
    pub(crate) calls: (u64, u64),
}

struct SpoiledDial {
    simulator: Simulator,
    sockets: (Fails, Arc<AtomicU64>),
    /// Endpoint, why, from and until.
    shut: Vec<(String, io::ErrorKind, Instant, Instant)>,
}

#[async_trait]
impl Dial for SpoiledDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
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
    calls: AtomicU64,
    journal: Mutex<(DefaultHasher, DefaultHasher)>,
}

impl SpoiledStore {
    fn call(&self) -> Result<(), HistoryError> {
        let call = self.calls.fetch_add(1, Ordering::Relaxed) + 1;
        if self.fails.takes(call) {
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
        shut: shut.collect(),
    };
    let store = Arc::new(SpoiledStore {
        store: InlineStore::in_memory().unwrap(),
        oracle: Arc::clone(&oracle),
        fails: world.store,
        calls: AtomicU64::new(0),
        journal: Mutex::default(),
    });
    tokio::spawn(move_on(simulator, plan, Arc::clone(&oracle), Arc::clone(&line)));
    let history: Arc<dyn HistoryStore> = Arc::clone(&store) as _;
    let edges = Edges { dial: Arc::new(dial), history, clock: Clock::starting_at(START) };
    let running = start(Arc::clone(&line), edges).await?;
    tokio::time::sleep(Duration::from_secs(world.seconds)).await;
    let summary = running.stop().await.unwrap();
    let mut kept = 0;
    for signal in &line.signals {
        let (from, to) = (UtcMillis(START.0 - 1_000), UtcMillis(START.0 + 86_400_000));
        kept += store.store.samples(signal.tag.clone(), from, to, usize::MAX).await.unwrap().len() as u64;
    }
    let oracle = oracle.lock().unwrap();
    let calls = (store.calls.load(Ordering::Relaxed), socket_calls.load(Ordering::Relaxed));
    let (tally, complaints) = (oracle.tally.clone(), oracle.complaints());
    let (readings, events) = &*store.journal.lock().unwrap();
    let journal = (readings.finish(), events.finish());
    Ok(Found { tally, journal, complaints, summary, kept, calls })
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
