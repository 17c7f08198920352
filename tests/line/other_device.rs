//! Another device at a controller's address, that speaks Modbus as the right one does and has words at the same places.

use crate::support::{MemoryDial, demo_line};
use async_trait::async_trait;
use setward::clock::Clock;
use setward::history::HistoryStore as _;
use setward::history::sqlite::InlineStore;
use setward::poll::dial::{Dial, Stream};
use setward::protocol::UtcMillis;
use setward::{Edges, start};
use setward_config::line::{Controller, Line};
use sim_plc::Simulator;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

const START: UtcMillis = UtcMillis(1_767_571_200_000);
/// So long another device is at the fryer's address.
const EXCHANGED_S: u64 = 120;

fn named<'a>(line: &'a mut Line, name: &str) -> &'a mut Controller {
    line.controllers.iter_mut().find(|one| one.name == name).unwrap()
}

/// Whoever dials before `until` meets `other`, later the right ones.
struct Exchanged {
    other: MemoryDial,
    right: MemoryDial,
    until: Instant,
}

#[async_trait]
impl Dial for Exchanged {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        if Instant::now() < self.until {
            self.other.dial(endpoint).await
        } else {
            self.right.dial(endpoint).await
        }
    }
}

/// Good values of TT-310, by the second of the run; and what is said of the fryer's controller before the right one is back.
async fn read(asks: Option<&str>) -> (Vec<i64>, Option<String>) {
    let mut line = demo_line();
    let right = Simulator::new(&line, 1);
    named(&mut line, "fryer").identity = asks.map(str::to_owned);
    let mut elsewhere = line.clone();
    named(&mut elsewhere, "fryer").name = "freezer".to_owned();
    let other = Simulator::new(&elsewhere, 2);
    let until = Instant::now() + Duration::from_secs(EXCHANGED_S);
    for simulator in [right.clone(), other.clone()] {
        tokio::spawn(async move {
            loop {
                tokio::time::sleep(Duration::from_secs(1)).await;
                simulator.step(Duration::from_secs(1));
            }
        });
    }
    let dial = Arc::new(Exchanged { other: MemoryDial(other), right: MemoryDial(right), until });
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let line = Arc::new(line);
    let edges = Edges { dial, history: history.clone(), clock: Clock::starting_at(START) };
    let running = start(Arc::clone(&line), edges).await.unwrap();
    tokio::time::sleep_until(until).await;
    let fryer = line.controllers.iter().position(|one| one.name == "fryer").unwrap();
    let problem = running.handle().snapshot().controllers[fryer].problem.clone();
    tokio::time::sleep(Duration::from_secs(120)).await;
    running.stop().await.unwrap();
    let kept = history.samples("TT-310".to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 10_000).await.unwrap();
    let good = kept.iter().filter(|one| one.reading.good().is_some());
    (good.map(|one| (one.utc.0 - START.0) / 1000).collect(), problem.map(|problem| format!("{problem:?}")))
}

#[tokio::test(start_paused = true)]
async fn no_value_of_another_device_at_the_address_is_stored() {
    let (good, problem) = read(Some("simulated fryer")).await;
    let problem = problem.unwrap();
    for phrase in ["another device", "simulated freezer", "simulated fryer"] {
        assert!(problem.contains(phrase), "{problem}");
    }
    assert!(good.iter().all(|second| *second >= EXCHANGED_S as i64), "{good:?}");
    assert!(good.len() > 30, "the right one is taken up by itself: {good:?}");
}

/// What the key is for: without it nobody can tell.
#[tokio::test(start_paused = true)]
async fn where_the_files_ask_for_no_identity_a_device_alike_is_believed() {
    let (good, problem) = read(None).await;
    assert!(good[0] < 60 && problem.is_none(), "{good:?} {problem:?}");
}
