//! Figures of virtual time.
#![expect(clippy::unwrap_used, reason = "a figure that can't be measured ends the program")]

#[path = "../line/support.rs"]
#[expect(dead_code, reason = "the tests use the rest")]
mod support;

use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::protocol::UtcMillis;
use setward::{Edges, start};
use sim_plc::Simulator;
use std::sync::Arc;
use std::time::Duration;

#[tokio::main(flavor = "current_thread", start_paused = true)]
async fn main() {
    let hours: u64 = std::env::args().nth(1).and_then(|word| word.parse().ok()).unwrap_or(6);
    let line = support::demo_line();
    let simulator = Simulator::new(&line, 1);
    let stepping = simulator.clone();
    tokio::spawn(async move {
        let mut tick = tokio::time::interval(Duration::from_secs(1));
        loop {
            tick.tick().await;
            stepping.step(Duration::from_secs(1));
        }
    });
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let edges = Edges {
        dial: Arc::new(support::MemoryDial(simulator)),
        history,
        clock: Clock::starting_at(UtcMillis(1_767_571_200_000)),
    };
    let begun = cpu_s();
    let running = start(Arc::new(line), edges).await.unwrap();
    tokio::time::sleep(Duration::from_secs(3600 * hours)).await;
    let summary = running.stop().await.unwrap();
    let spent = cpu_s() - begun;
    println!("{summary}\n{:.0}x", hours as f64 * 3600.0 / spent);
}

/// Processor time of this process, s.
fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/schedstat").unwrap();
    text.split_whitespace().next().unwrap().parse::<f64>().unwrap() / 1e9
}
