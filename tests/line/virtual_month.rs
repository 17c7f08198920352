//! Days to years of the whole system in virtual time, with bad replies, faults and operations drawn by a seed, judged by
//! the oracle at every sample.
//!
//! A failing seed prints itself, what was drawn from it, the last events and the command that runs it again.

use crate::oracle::{Oracle, Tally};
use crate::support::demo_line;
use crate::virtual_plan::{Plan, Planned};
use async_trait::async_trait;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{AlarmRecord, Batch, HistoryError, HistoryStore, NewRun, StoredEvent, StoredSample};
use setward::poll::dial::{Dial, Stream};
use setward::protocol::UtcMillis;
use setward::snapshot::RunId;
use setward::{Edges, RunSummary, start};
use setward_config::line::Line;
use sim_plc::{BadReply, Disturbance, Look, Simulator, Unbalanced};
use std::io;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// 2026-01-05 00:00 UTC: any Monday will do.
pub(crate) const START: UtcMillis = UtcMillis(1_767_571_200_000);
/// Share of replies that are bad.
pub(crate) const BAD_SHARE: f64 = 0.045;
const DAY_S: u64 = 86_400;
/// Buffer of a connection over memory: a few frames.
const BUFFER_BYTES: usize = 2_048;

/// What a stretch of virtual time is drawn from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Options {
    pub(crate) seed: u64,
    pub(crate) seconds: u64,
    /// What happens is drawn for so long: a run that ends before, as it began, is the beginning of one that does not.
    pub(crate) planned_seconds: u64,
    pub(crate) bad_share: f64,
    /// Whether faults and operations are drawn too.
    pub(crate) eventful: bool,
}

/// What came of it.
#[derive(Debug)]
pub(crate) struct Outcome {
    pub(crate) options: Options,
    pub(crate) tally: Tally,
    pub(crate) hash: u64,
    pub(crate) complaints: String,
    pub(crate) summary: RunSummary,
    pub(crate) good_replies: u64,
    pub(crate) bad_replies: Vec<(BadReply, u64)>,
    pub(crate) planned: usize,
    pub(crate) cpu_s: f64,
    /// A balance of the product that did not close.
    pub(crate) unbalanced: Option<Unbalanced>,
}

pub(crate) struct SimulatorDial(pub(crate) Simulator);

#[async_trait]
impl Dial for SimulatorDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let (near, far) = tokio::io::duplex(BUFFER_BYTES);
        let (simulator, endpoint) = (self.0.clone(), endpoint.to_owned());
        tokio::spawn(async move { simulator.serve_stream(far, &endpoint).await });
        Ok(Box::new(near))
    }
}

/// A store that shows the oracle all it is given.
struct WatchedStore {
    store: InlineStore,
    oracle: Arc<Mutex<Oracle>>,
}

#[async_trait]
impl HistoryStore for WatchedStore {
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError> {
        self.store.start_run(run).await
    }

    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError> {
        self.oracle.lock().unwrap().take(&batch);
        self.store.append(run, batch).await
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.store.alarm_records().await
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.store.samples(tag, from, to, limit).await
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        self.store.events(alarm, limit).await
    }
}

/// Runs it all, on this thread.
pub(crate) fn run(options: Options) -> Outcome {
    let begun = cpu_s();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    let mut outcome = runtime.unwrap().block_on(run_through(options));
    outcome.cpu_s = cpu_s() - begun;
    outcome
}

async fn run_through(options: Options) -> Outcome {
    let line = Arc::new(demo_line());
    let simulator = Simulator::new(&line, options.seed);
    let disturbance = Disturbance::new(options.seed ^ 0xB0_5E, options.bad_share);
    simulator.disturb(Some(disturbance.clone()));
    let oracle = Arc::new(Mutex::new(Oracle::new(Arc::clone(&line))));
    let plan = Plan::draw(&line, options.seed, if options.eventful { options.planned_seconds } else { 0 });
    let planned = plan.len();
    let store = WatchedStore { store: InlineStore::in_memory().unwrap(), oracle: Arc::clone(&oracle) };
    let clock = Clock::starting_at(START);
    tokio::spawn(move_on(simulator.clone(), plan, Arc::clone(&oracle), Arc::clone(&line)));
    let edges = Edges { dial: Arc::new(SimulatorDial(simulator.clone())), history: Arc::new(store), clock };
    let running = start(line, edges).await.unwrap();
    tokio::time::sleep(Duration::from_secs(options.seconds)).await;
    let summary = running.stop().await.unwrap();
    let oracle = oracle.lock().unwrap();
    let (good_replies, bad_replies) = disturbance.counts();
    Outcome {
        options,
        tally: oracle.tally.clone(),
        hash: oracle.hash,
        complaints: oracle.complaints(),
        summary,
        good_replies,
        bad_replies,
        planned,
        cpu_s: 0.0,
        unbalanced: simulator.unbalanced(),
    }
}

/// Moves the plant on, a second at a time, does what is planned, and shows the oracle the truth.
pub(crate) async fn move_on(
    simulator: Simulator,
    mut plan: Plan,
    oracle: Arc<Mutex<Oracle>>,
    line: Arc<Line>,
) {
    let mut tick = tokio::time::interval(Duration::from_secs(1));
    let mut look = Look::default();
    for second in 0_u64.. {
        tick.tick().await;
        let now = second as f64;
        let mut oracle = oracle.lock().unwrap();
        while let Some(planned) = plan.due(second) {
            if oracle.tell.is_some() {
                println!("{second} s  {planned:?}");
            }
            carry_out(&simulator, &planned, &mut oracle, &line, now);
        }
        simulator.step(Duration::from_secs(1));
        simulator.look(&mut look);
        oracle.see(second, &look);
    }
}

fn carry_out(simulator: &Simulator, planned: &Planned, oracle: &mut Oracle, line: &Line, now: f64) {
    match planned {
        Planned::Begin(fault) => {
            simulator.inject(fault.parse().unwrap()).unwrap_or_else(|error| panic!("{fault}: {error}"));
            oracle.lies(&crate::virtual_plan::lies_about(fault, line), now, true);
            if let Some((controller, seconds)) = crate::virtual_plan::zeroes(fault, line) {
                oracle.zeroed(controller, now, now + seconds);
            }
        }
        Planned::End(fault) => {
            let words: Vec<_> = fault.split_whitespace().collect();
            let subject = words.get(1).filter(|word| word.parse::<f64>().is_err());
            let name = [words.first(), subject].into_iter().flatten().copied().collect::<Vec<_>>().join(" ");
            simulator.clear(&name).unwrap();
            oracle.lies(&crate::virtual_plan::lies_about(fault, line), now, false);
        }
        Planned::Operate(operation) => simulator.operate(operation.parse().unwrap()),
    }
}

/// Processor time of this thread, s.
pub(crate) fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    text.split_whitespace().next().and_then(|word| word.parse::<f64>().ok()).unwrap_or(f64::NAN) / 1e9
}

/// What several stretches found, in words.
pub(crate) fn total(outcomes: &[Outcome]) -> String {
    let sum = |of: fn(&Outcome) -> u64| outcomes.iter().map(of).sum::<u64>();
    format!(
        "together {} days: samples {}, wrong {}; turns equal {}, different {}; had to raise {}, missed {}; false {}; undecided {}, \
         too little seen {}, instrument lied {}; lost {}; bad replies {}, good {}",
        sum(|one| one.options.seconds) / DAY_S,
        sum(|one| one.tally.samples),
        sum(|one| one.tally.wrong),
        sum(|one| one.tally.turns_equal),
        sum(|one| one.tally.turns_different),
        sum(|one| one.tally.must),
        sum(|one| one.tally.missed),
        sum(|one| one.tally.false_alarms),
        sum(|one| one.tally.undecided),
        sum(|one| one.tally.unseen),
        sum(|one| one.tally.lied),
        sum(|one| one.summary.samples_lost),
        sum(|one| one.bad_replies.iter().map(|(_, count)| count).sum()),
        sum(|one| one.good_replies),
    )
}

impl Outcome {
    /// One row of a table.
    pub(crate) fn row(&self) -> String {
        let (tally, days) = (&self.tally, self.options.seconds as f64 / DAY_S as f64);
        let bad: u64 = self.bad_replies.iter().map(|(_, count)| count).sum();
        format!(
            "seed {:>4}  {days:>6.2} d  {:>6.0}x  replies {} bad {:.2} %  samples {} good {:.2} % wrong {}  planned {}  \
             raised {} called {}  equal {} different {} not compared {}  must {} missed {} false {} undecided {} unseen {} lied {}  hash {:016x}",
            self.options.seed,
            self.options.seconds as f64 / self.cpu_s,
            self.good_replies + bad,
            100.0 * bad as f64 / (self.good_replies + bad).max(1) as f64,
            tally.samples,
            100.0 * tally.good as f64 / tally.samples.max(1) as f64,
            tally.wrong,
            self.planned,
            tally.raised,
            tally.called_for,
            tally.turns_equal,
            tally.turns_different,
            tally.turns_not_compared,
            tally.must,
            tally.missed,
            tally.false_alarms,
            tally.undecided,
            tally.unseen,
            tally.lied,
            self.hash,
        )
    }
}
