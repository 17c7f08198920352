//! Figures of virtual time: how fast the whole system runs with the plant's physics, and what an oracle finds in it.
//!
//! `cargo run --release --example virtual-time -- [DAYS] [SEED]` prints the speed of a quiet line, alone and with an oracle at
//! every sample, then runs DAYS (30) days in stretches of at most 30, each from a seed of its own, one row a stretch: a year is 365.
//! Speed is virtual time over processor time of one core. Ends with 1 if anything is wrong.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a figure that can't be measured ends the program"
)]

#[path = "../line/oracle.rs"]
mod oracle;
#[path = "../line/oracle_models.rs"]
mod oracle_models;
#[path = "../line/oracle_stations.rs"]
mod oracle_stations;
#[path = "../line/oracle_truth.rs"]
mod oracle_truth;
#[path = "../line/oracle_windows.rs"]
mod oracle_windows;
#[path = "../line/support.rs"]
#[expect(dead_code, reason = "the tests use the rest")]
mod support;
#[path = "../line/virtual_month.rs"]
mod virtual_month;
#[path = "../line/virtual_plan.rs"]
mod virtual_plan;

use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::poll::dial::Dial as _;
use setward::poll::plan::{ScanPlan, plan_line};
use setward::protocol::{ReadRequest, Table};
use setward::{Edges, RunSummary, start};
use sim_plc::Simulator;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio_modbus::Slave;
use tokio_modbus::client::{Context, Reader as _, tcp};
use virtual_month::{BAD_SHARE, Options, Outcome, START, SimulatorDial, cpu_s, run, total};

const DAY_S: u64 = 86_400;
/// Longer stretches would only fill memory with history.
const STRETCH_DAYS: u64 = 30;

fn main() -> std::process::ExitCode {
    let mut words = std::env::args().skip(1).map(|word| word.parse::<u64>());
    let (days, seed) = (words.next().unwrap_or(Ok(30)), words.next().unwrap_or(Ok(1)));
    let (Ok(days), Ok(seed)) = (days, seed) else {
        eprintln!("write: virtual-time [DAYS] [SEED], both whole numbers");
        return 2.into();
    };
    println!("the same reads and the plant, nothing behind them: {:.0}x", bare(seed, DAY_S / 4));
    println!("quiet line, the plant's physics and the whole system: {:.0}x", alone(seed, DAY_S / 4));
    let quiet =
        run(Options { seed, seconds: DAY_S / 4, planned_seconds: 0, bad_share: 0.0, eventful: false });
    println!("quiet line, no bad replies, oracle at every sample: {:.0}x", speed(&quiet));
    let stretches = (0..days).step_by(STRETCH_DAYS as usize).zip(seed..);
    let outcomes: Vec<Outcome> = stretches
        .map(|(day, seed)| {
            let seconds = (days - day).min(STRETCH_DAYS) * DAY_S;
            let outcome = run(Options {
                seed,
                seconds,
                planned_seconds: seconds,
                bad_share: BAD_SHARE,
                eventful: true,
            });
            println!("{}\n{}{:?}", outcome.row(), outcome.complaints, outcome.unbalanced);
            outcome
        })
        .collect();
    let sum = |of: fn(&Outcome) -> u64| outcomes.iter().map(of).sum::<u64>();
    let (wrong, different) = (sum(|one| one.tally.wrong), sum(|one| one.tally.turns_different));
    let (missed, unfounded) = (sum(|one| one.tally.missed), sum(|one| one.tally.false_alarms));
    println!("{}", total(&outcomes));
    u8::from(wrong + different + missed + unfounded > 0).into()
}

/// How much faster than the clock the whole system runs with the plant, with nobody to judge it.
fn alone(seed: u64, seconds: u64) -> f64 {
    let begun_s = cpu_s();
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
    let summary = runtime.block_on(alone_through(seed, seconds));
    assert!(summary.samples_stored > 50 * seconds && summary.samples_lost == 0, "{summary}");
    seconds as f64 / (cpu_s() - begun_s)
}

async fn alone_through(seed: u64, seconds: u64) -> RunSummary {
    let line = Arc::new(support::demo_line());
    let simulator = Simulator::new(&line, seed);
    let stepped = simulator.clone();
    tokio::spawn(async move {
        let mut tick = tokio::time::interval(Duration::from_secs(1));
        loop {
            tick.tick().await;
            stepped.step(Duration::from_secs(1));
        }
    });
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let edges = Edges { dial: Arc::new(SimulatorDial(simulator)), history, clock: Clock::starting_at(START) };
    let running = start(line, edges).await.unwrap();
    tokio::time::sleep(Duration::from_secs(seconds)).await;
    running.stop().await.unwrap()
}

/// The same reads of the same plant, moved on as often, by the library's client alone and nothing behind it: what reads through this
/// library can't pass.
fn bare(seed: u64, seconds: u64) -> f64 {
    let begun_s = cpu_s();
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
    let reads = runtime.block_on(bare_through(seed, seconds));
    assert!(reads > 5 * seconds, "{reads} reads");
    seconds as f64 / (cpu_s() - begun_s)
}

async fn bare_through(seed: u64, seconds: u64) -> u64 {
    let line = Arc::new(support::demo_line());
    let simulator = Simulator::new(&line, seed);
    let dial = SimulatorDial(simulator.clone());
    let (mut tasks, count) = (tokio::task::JoinSet::new(), Arc::new(AtomicU64::new(0)));
    for endpoint in plan_line(&line) {
        for unit in endpoint.units {
            for scan in unit.scans {
                let stream = dial.dial(&endpoint.endpoint).await.unwrap();
                let context = tcp::attach_slave(stream, Slave(unit.unit_id));
                tasks.spawn(read_on(context, scan, Arc::clone(&count)));
            }
        }
    }
    let mut tick = tokio::time::interval(Duration::from_secs(1));
    for _ in 0..seconds {
        tick.tick().await;
        simulator.step(Duration::from_secs(1));
    }
    tasks.shutdown().await;
    count.load(Ordering::Relaxed)
}

async fn read_on(mut context: Context, scan: ScanPlan, count: Arc<AtomicU64>) {
    let mut ticks = tokio::time::interval(scan.poll_every);
    loop {
        ticks.tick().await;
        for block in &scan.blocks {
            let ReadRequest { table, start, count: words } = block.request;
            let read = match table {
                Table::Holding => context.read_holding_registers(start, words).await.unwrap().unwrap().len(),
                Table::Input => context.read_input_registers(start, words).await.unwrap().unwrap().len(),
                Table::Coil => context.read_coils(start, words).await.unwrap().unwrap().len(),
                Table::Discrete => context.read_discrete_inputs(start, words).await.unwrap().unwrap().len(),
            };
            assert!(read >= usize::from(words));
            count.fetch_add(1, Ordering::Relaxed);
        }
    }
}

fn speed(outcome: &Outcome) -> f64 {
    outcome.options.seconds as f64 / outcome.cpu_s
}
