//! The real poller over a simulated network: a controller behind a cut link, one that crashes and restarts, one behind a
//! slow line. The others must stay on time, and no value may be invented.

use crate::support::demo_line;
use async_trait::async_trait;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{HistoryStore as _, StoredSample};
use setward::poll::dial::{Dial, Stream};
use setward::protocol::{Reading, UtcMillis};
use setward::{Edges, start};
use setward_config::line::Line;
use sim_plc::Simulator;
use std::collections::BTreeMap;
use std::io;
use std::sync::{Arc, Mutex};
use std::time::Duration;

const START: UtcMillis = UtcMillis(1_767_571_200_000);
const RUN: Duration = Duration::from_secs(240);
const PORT: u16 = 502;

/// Connections through the simulated network.
#[derive(Debug)]
struct NetworkDial;

#[async_trait]
impl Dial for NetworkDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        Ok(Box::new(turmoil::net::TcpStream::connect(endpoint).await?))
    }
}

type Kept = BTreeMap<&'static str, Vec<StoredSample>>;

/// The demo line, each controller a host of its own name.
fn networked_line() -> Line {
    let mut line = demo_line();
    for controller in &mut line.controllers {
        controller.endpoint = format!("{}:{PORT}", controller.name);
    }
    line
}

/// Runs the line for four minutes; `disturb` is called once a simulated second.
fn run(seed: u64, disturb: impl Fn(u64, &mut turmoil::Sim<'_>)) -> Kept {
    let mut network = turmoil::Builder::new()
        .rng_seed(seed)
        .simulation_duration(RUN + Duration::from_secs(30))
        .tick_duration(Duration::from_millis(5))
        .min_message_latency(Duration::from_millis(1))
        .max_message_latency(Duration::from_millis(10))
        .build();
    let line = networked_line();
    let simulator = Simulator::new(&line, seed);
    for controller in &line.controllers {
        let (simulator, endpoint) = (simulator.clone(), controller.endpoint.clone());
        network.host(controller.name.clone(), move || serve(simulator.clone(), endpoint.clone()));
    }
    let kept: Arc<Mutex<Kept>> = Arc::default();
    network.client("setward", supervise(line, Arc::clone(&kept)));
    let mut told = 0;
    while !network.step().unwrap() {
        let second = network.elapsed().as_secs();
        if second > told {
            told = second;
            simulator.step(Duration::from_secs(1));
            disturb(second, &mut network);
        }
    }
    std::mem::take(&mut kept.lock().unwrap())
}

async fn serve(simulator: Simulator, endpoint: String) -> Result<(), Box<dyn std::error::Error>> {
    let listener = turmoil::net::TcpListener::bind(("0.0.0.0", PORT)).await?;
    loop {
        let (stream, _) = listener.accept().await?;
        let (simulator, endpoint) = (simulator.clone(), endpoint.clone());
        tokio::spawn(async move { simulator.serve_stream(stream, &endpoint).await });
    }
}

async fn supervise(line: Line, kept: Arc<Mutex<Kept>>) -> Result<(), Box<dyn std::error::Error>> {
    let history = Arc::new(InlineStore::in_memory()?);
    let edges =
        Edges { dial: Arc::new(NetworkDial), history: history.clone(), clock: Clock::starting_at(START) };
    let running = start(Arc::new(line), edges).await?;
    tokio::time::sleep(RUN).await;
    running.stop().await?;
    for tag in ["TT-310", "TT-202"] {
        let samples = history.samples(tag.to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 1000).await?;
        kept.lock().unwrap().insert(tag, samples);
    }
    Ok(())
}

/// Seconds of the run at which a sample was good.
fn good_seconds(samples: &[StoredSample]) -> Vec<i64> {
    let good = samples.iter().filter(|sample| sample.reading.good().is_some());
    good.map(|sample| (sample.utc.0 - START.0) / 1000).collect()
}

/// No two good samples further apart than two polls.
fn on_time(samples: &[StoredSample]) -> bool {
    good_seconds(samples).windows(2).all(|pair| pair[1] - pair[0] <= 2)
}

fn plausible(samples: &[StoredSample], low: f64, high: f64) {
    for sample in samples {
        if let Reading::Good(value) = sample.reading {
            assert!((low..=high).contains(&value), "an invented value: {sample:?}");
        }
    }
}

#[test]
fn a_link_that_is_cut_for_a_minute_blinds_its_controller_only() {
    let kept = run(1, |second, network| match second {
        100 => network.partition("setward", "fryer"),
        160 => network.repair("setward", "fryer"),
        _ => {}
    });
    let fryer = good_seconds(&kept["TT-310"]);
    assert!(fryer.contains(&99), "{fryer:?}");
    assert!(!fryer.iter().any(|second| (102..160).contains(second)), "{fryer:?}");
    // The link is back at 160 s; the longest pause before it is tried again is 10 s and a fifth.
    assert!(fryer.iter().any(|second| (160..175).contains(second)), "{fryer:?}");
    assert!(on_time(&kept["TT-202"]), "the oven is polled as if nothing had happened");
    plausible(&kept["TT-310"], 170.0, 190.0);
    plausible(&kept["TT-202"], 600.0, 690.0);
}

#[test]
fn a_controller_that_crashes_and_restarts_is_taken_up_again() {
    let kept = run(2, |second, network| match second {
        100 => network.crash("fryer"),
        130 => network.bounce("fryer"),
        _ => {}
    });
    let fryer = good_seconds(&kept["TT-310"]);
    assert!(!fryer.iter().any(|second| (102..130).contains(second)), "{fryer:?}");
    assert!(fryer.iter().any(|second| (130..145).contains(second)), "{fryer:?}");
    assert!(on_time(&kept["TT-202"]));
}

/// A line whose bytes take 150 ms each way: slow, but within the time a reply may take.
#[test]
fn a_slow_line_costs_no_sample() {
    let kept = run(3, |second, network| {
        if second == 60 {
            network.set_link_latency("setward", "fryer", Duration::from_millis(150));
        }
    });
    assert!(on_time(&kept["TT-310"]) && on_time(&kept["TT-202"]));
    assert!(good_seconds(&kept["TT-310"]).last().is_some_and(|last| *last >= 238));
}

#[test]
fn the_same_seed_gives_the_same_samples() {
    let disturb = |second: u64, network: &mut turmoil::Sim<'_>| {
        if second == 50 {
            network.set_link_fail_rate("setward", "fryer", 0.02);
        }
    };
    assert_eq!(run(4, disturb), run(4, disturb));
}
