//! What a block read costs the processor, from the timer's tick to its words (before they are decoded), beside a bare
//! tokio-modbus loop in the same process and libmodbus and pymodbus in theirs, on the same simulated controllers.
//!
//! Ten connections are read every 20 ms, each at its own phase. Rounds take turns; the ratio is that of neighbours.

use super::peers::{Peer, peers};
use super::responder::Responder;
use super::{cpu, figure, median};
use setward::clock::Clock;
use setward::poll::dial::TcpDial;
use setward::poll::plan::{Block, EndpointPlan, ScanPlan, UnitPlan};
use setward::poll::{Poller, ScanReport};
use setward::protocol::{Place, ReadLimits, ReadRequest, SignalId, Table};
use setward_config::line::ControllerId;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio::time::{Instant, MissedTickBehavior, interval_at, sleep, timeout};
use tokio_modbus::client::{Reader as _, tcp};
use tokio_modbus::slave::Slave;

pub(crate) const CONNECTIONS: u32 = 10;
pub(crate) const REGISTERS: u16 = 125;
pub(crate) const PERIOD: Duration = Duration::from_millis(20);
const ANSWER_WITHIN: Duration = Duration::from_millis(500);
const WARM_UP: Duration = Duration::from_millis(300);
const ROUND: Duration = Duration::from_millis(1000);
const ROUNDS: usize = 9;

/// How a client is made to read.
#[derive(Clone, Copy)]
enum Client {
    /// A timer and tokio-modbus, nothing else.
    Bare,
    /// The same with a time limit on each read: the least that can be left alone.
    Limited,
    Setward,
}

pub(crate) async fn run() {
    let responder = Responder::start();
    let mut others = peers(responder.port);
    for (label, reads) in [("four_reads", 4), ("one_read", 1)] {
        let mut rounds: Vec<Vec<f64>> = Vec::new();
        for _ in 0..ROUNDS {
            let mut round = Vec::new();
            for client in [Client::Bare, Client::Limited, Client::Setward] {
                round.push(own_round(client, responder.port, reads, ROUND).await.0);
            }
            round.extend(others.iter_mut().map(|peer| peer.round(reads, WARM_UP, ROUND)));
            rounds.push(round);
        }
        tell(label, reads, &rounds, &others);
    }
}

/// One client alone, for a profiler or a counter of system calls; prints how many reads it did.
pub(crate) async fn only(client: &str, reads: u16, seconds: u64) {
    let client = match client {
        "bare" => Client::Bare,
        "limited" => Client::Limited,
        "setward" => Client::Setward,
        _ => panic!("no client {client:?}; there are bare, limited, setward"),
    };
    let responder = Responder::start();
    let (cost_us, done) = own_round(client, responder.port, reads, Duration::from_secs(seconds)).await;
    println!("{done} reads, {cost_us:.2} us of processor each");
}

fn tell(label: &str, reads: u16, rounds: &[Vec<f64>], others: &[Peer]) {
    println!(
        "{reads} reads of {REGISTERS} registers a tick, {CONNECTIONS} connections every {PERIOD:?}: us of processor a read"
    );
    let own = ["bare", "bare_with_limit", "setward"].into_iter();
    for (column, name) in own.chain(others.iter().map(|peer| peer.name)).enumerate() {
        let cost: Vec<f64> = rounds.iter().map(|round| round[column]).collect();
        let ratio: Vec<f64> = rounds.iter().map(|round| round[column] / round[0]).collect();
        println!("  {name:<16} {:>8.2} us, {:.2} of the bare loop", median(&cost), median(&ratio));
        figure(&format!("poller.{label}.{name}"), median(&cost), "us");
        figure(&format!("poller.{label}.{name}.ratio"), median(&ratio), "x");
    }
}

/// us of processor a read, of one round, and how many reads.
async fn own_round(client: Client, port: u16, reads: u16, round: Duration) -> (f64, u64) {
    let count = Arc::new(AtomicU64::new(0));
    let mut tasks = JoinSet::new();
    let begun = Instant::now();
    for index in 0..CONNECTIONS {
        let phase = PERIOD * index / CONNECTIONS;
        let count = Arc::clone(&count);
        match client {
            Client::Bare => tasks.spawn(bare(port, reads, begun + phase, None, count)),
            Client::Limited => tasks.spawn(bare(port, reads, begun + phase, Some(ANSWER_WITHIN), count)),
            Client::Setward => tasks.spawn(polled(port, reads, phase, count)),
        };
    }
    sleep(WARM_UP).await;
    let (reads_before, cpu_before) = (count.load(Ordering::Relaxed), cpu::used());
    sleep(round).await;
    let done = count.load(Ordering::Relaxed) - reads_before;
    let cost_us = (cpu::used() - cpu_before).as_secs_f64() * 1e6 / done as f64;
    tasks.shutdown().await;
    (cost_us, done)
}

async fn bare(port: u16, reads: u16, begin: Instant, limit: Option<Duration>, count: Arc<AtomicU64>) {
    let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    stream.set_nodelay(true).unwrap();
    let mut context = tcp::attach_slave(stream, Slave(1));
    let mut ticks = interval_at(begin, PERIOD);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    loop {
        ticks.tick().await;
        for read in 0..reads {
            let asked = context.read_holding_registers(read * REGISTERS, REGISTERS);
            let words = match limit {
                Some(limit) => timeout(limit, asked).await.unwrap(),
                None => asked.await,
            };
            assert_eq!(words.unwrap().unwrap().len(), usize::from(REGISTERS));
            count.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// The product's own poller of one endpoint, and somebody who takes its reports.
async fn polled(port: u16, reads: u16, phase: Duration, count: Arc<AtomicU64>) {
    let (reports, mut arriving) = mpsc::channel(64);
    let dial = Arc::new(TcpDial { user_timeout: ANSWER_WITHIN });
    let poller = Poller::new(plan(port, reads, phase), dial, Clock::system(), reports);
    let take = async {
        while let Some(report) = arriving.recv().await {
            take_words(&report);
            count.fetch_add(u64::from(report.requests), Ordering::Relaxed);
        }
    };
    tokio::join!(poller.run(), take);
}

fn take_words(report: &ScanReport) {
    for block in &report.blocks {
        assert_eq!(block.words.as_ref().unwrap().len(), usize::from(block.block.request.count));
    }
}

pub(crate) fn plan(port: u16, reads: u16, phase: Duration) -> EndpointPlan {
    let block = |read: u16| {
        let start = read * REGISTERS;
        let place = |address| (SignalId(address), Place { table: Table::Holding, address, words: 1 });
        Arc::new(Block {
            request: ReadRequest { table: Table::Holding, start, count: REGISTERS },
            signals: (start..start + REGISTERS).map(place).collect(),
        })
    };
    let scan = ScanPlan { poll_every: PERIOD, phase, blocks: (0..reads).map(block).collect() };
    let unit = UnitPlan {
        identity: None,
        controller: ControllerId(0),
        unit_id: 1,
        answer_within: ANSWER_WITHIN,
        pause: Duration::ZERO,
        limits: ReadLimits::STANDARD,
        readable: Vec::new(),
        scans: vec![scan],
    };
    EndpointPlan { endpoint: format!("127.0.0.1:{port}"), units: vec![unit] }
}
