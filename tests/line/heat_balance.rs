//! The fryer's heat balance, live over the whole line in virtual time: held against what the plant really boils off, loses and
//! does to its probes, and watched by alarms that only a test has.

use crate::support::MemoryDial;
use setward::clock::Clock;
use setward::history::HistoryStore;
use setward::history::sqlite::InlineStore;
use setward::line::balance::BalanceView;
use setward::protocol::{NoData, Reading, UtcMillis};
use setward::{Edges, Running, start};
use setward_config::line::Line;
use setward_config::{SourceFile, check_files, demo_files};
use sim_plc::Simulator;
use std::sync::Arc;
use std::time::Duration;

const STARTED: UtcMillis = UtcMillis(1_767_571_200_000);

/// The demo line with two alarms on figures of the balance.
fn line() -> Line {
    let alarm = |id: &str, watched: &str, limit: &str| {
        format!(
            "\n[[limit]]\nid = \"{id}\"\nname = \"{id}\"\n{watched}\n{limit}\non_delay = \"1 min\"\nmodes = [\"run\"]\n\
             priority = \"low\"\nclass = \"instrument\"\ncauses = [\"x\"]\nconsequence = \"x\"\ntime_to_respond = \"30 min\"\n\
             response = {{ now = [\"x\"], next = [\"x\"] }}\n"
        )
    };
    let own = |(path, text): &(&str, &str)| SourceFile { path: (*path).to_owned(), text: (*text).to_owned() };
    let mut files: Vec<SourceFile> = demo_files().iter().map(own).collect();
    let alarms = files.iter_mut().find(|file| file.path == "alarms.toml").unwrap();
    alarms.text += &alarm("oil-lost", "signal = \"WY-331\"\nside = \"above\"", "limit = \"80 kg/h\"");
    alarms.text += &alarm("inlet-probe-low", "signal = \"TDY-310\"\nside = \"below\"", "limit = \"-2.5 K\"");
    check_files(&files).unwrap_or_else(|problems| panic!("{}", problems.render(false))).line
}

struct Bench {
    line: Arc<Line>,
    simulator: Simulator,
    history: Arc<InlineStore>,
    running: Running,
}

impl Bench {
    async fn begin() -> Self {
        let line = Arc::new(line());
        let simulator = Simulator::new(&line, 5);
        let stepped = simulator.clone();
        tokio::spawn(async move {
            let mut tick = tokio::time::interval(Duration::from_millis(500));
            loop {
                tick.tick().await;
                stepped.step(Duration::from_millis(500));
            }
        });
        let history = Arc::new(InlineStore::in_memory().unwrap());
        let clock = Clock::starting_at(STARTED);
        let edges = Edges { dial: Arc::new(MemoryDial(simulator.clone())), history: history.clone(), clock };
        let running = start(Arc::clone(&line), edges).await.unwrap();
        Self { line, simulator, history, running }
    }

    async fn pass(&self, minutes: u64) {
        tokio::time::sleep(Duration::from_secs(60 * minutes)).await;
    }

    /// Somebody looks: what is shown is made anew with each scan.
    async fn seen(&self, tag: &str) -> (Reading, BalanceView) {
        let _looked = self.running.handle().snapshot();
        tokio::time::sleep(Duration::from_secs(11)).await;
        let snapshot = self.running.handle().snapshot();
        let signal = self.line.signal_by_tag(tag).unwrap();
        (snapshot.signals[signal.index()].reading, snapshot.balance_of(signal).unwrap().clone())
    }

    /// A figure with twice its standard uncertainty.
    async fn figure(&self, tag: &str) -> (f64, f64) {
        let (reading, beside) = self.seen(tag).await;
        let value = reading.good().unwrap_or_else(|| panic!("{tag}: {beside:?}"));
        (value, beside.uncertainty.unwrap())
    }

    async fn raised(&self, alarm: &str) -> bool {
        let events = self.history.events(Some(alarm.to_owned()), 10).await.unwrap();
        events.iter().any(|stored| stored.event.what == "raised")
    }

    async fn end(self) {
        self.running.stop().await.unwrap();
    }
}

/// The ledger of the simulator counts every gram of water that leaves a parcel in the fryer; the supervisor has eight
/// instruments and the line file.
#[tokio::test(start_paused = true)]
async fn the_balance_closes_on_what_the_plant_really_boils_off() {
    let bench = Bench::begin().await;
    bench.pass(2).await;
    let (reading, beside) = bench.seen("FY-340").await;
    assert_eq!(reading, Reading::Bad(NoData::NotSteady));
    assert!(beside.why.unwrap().starts_with("product has come only lately: steady in 1"));
    bench.pass(28).await;
    let before = bench.simulator.ledger();
    bench.pass(10).await;
    let after = bench.simulator.ledger();
    let truth_kg_per_h = 6.0 * (after.fried_off_kg - before.fried_off_kg);
    let (water, within) = bench.figure("FY-340").await;
    println!("water boiled off {water:.0} +- {within:.0} kg/h, in truth {truth_kg_per_h:.0}");
    assert!((water - truth_kg_per_h).abs() < within, "{water} +- {within}, not {truth_kg_per_h}");
    assert!(within < 0.25 * truth_kg_per_h, "a balance that says nothing closes always: {within}");
    for (tag, truth) in [("MY-340", 0.0), ("TDY-310", 0.0), ("TDY-312", 0.0), ("FY-320", 46.0)] {
        let (value, within) = bench.figure(tag).await;
        println!("{tag} {value:.2} +- {within:.2}");
        assert!((value - truth).abs() < within, "{tag}: {value} +- {within}, not {truth}");
    }
    // 1660 kg of oil, and the simulator's own count of what the product takes.
    let oil_kg_per_h = 6.0 * (after.oil_in_kg - before.oil_in_kg);
    let (turnover, within) = bench.figure("KY-331").await;
    println!("turnover {turnover:.2} +- {within:.2} h, by the ledger {:.2}", 1660.0 / oil_kg_per_h);
    assert!((turnover - 1660.0 / oil_kg_per_h).abs() < within, "{turnover} +- {within}");
    assert!(bench.seen("TDY-312").await.1.verdict.unwrap().contains("agree"));
    bench.end().await;
}

#[tokio::test(start_paused = true)]
async fn a_wetter_feed_shows_as_a_step_of_its_points() {
    let bench = Bench::begin().await;
    bench.pass(35).await;
    bench.simulator.inject("wet-feed 38".parse().unwrap()).unwrap();
    bench.pass(12).await;
    let (points, within) = bench.figure("MY-340").await;
    println!("a feed wetter by three points: {points:.2} +- {within:.2}");
    assert!(points > within && (points - 3.0).abs() < within + 0.75, "{points} +- {within}");
    bench.end().await;
}

/// A drain passes 150 kg/h.
#[tokio::test(start_paused = true)]
async fn lost_oil_raises_an_alarm_on_the_balance() {
    let bench = Bench::begin().await;
    bench.pass(70).await;
    let (lost, within) = bench.figure("WY-331").await;
    println!("nothing lost: {lost:.0} +- {within:.0} kg/h");
    assert!(lost.abs() < within && !bench.raised("oil-lost").await, "{lost} +- {within}");
    bench.simulator.inject("oil-leak 150".parse().unwrap()).unwrap();
    bench.pass(75).await;
    let (lost, within) = bench.figure("WY-331").await;
    println!("150 kg/h lost: {lost:.0} +- {within:.0} kg/h");
    assert!((lost - 150.0).abs() < within, "{lost} +- {within}");
    assert!(bench.raised("oil-lost").await);
    assert!(!bench.raised("inlet-probe-low").await);
    bench.end().await;
}

/// Polymer on the first probe: it reads low by 0.1 K a minute up to 4 K, and the loop makes the oil hotter by as much.
#[tokio::test(start_paused = true)]
async fn the_fouled_probe_is_told_from_the_clean_one_and_raises_an_alarm() {
    let bench = Bench::begin().await;
    bench.pass(30).await;
    bench.simulator.inject("drift TT-310 -0.1".parse().unwrap()).unwrap();
    bench.pass(40).await;
    let ((first, within), (second, _)) = (bench.figure("TDY-310").await, bench.figure("TDY-312").await);
    println!("first probe {first:.2} +- {within:.2} K, second {second:.2}");
    assert!(first < -within && second.abs() < within, "{first} {second} +- {within}");
    let verdict = bench.seen("TDY-310").await.1.verdict.unwrap();
    assert_eq!(verdict, "the first probe does not fit the balance, the second does");
    assert!(bench.raised("inlet-probe-low").await);
    bench.end().await;
}

#[tokio::test(start_paused = true)]
async fn a_broken_input_makes_bad_what_hangs_on_it_and_is_named() {
    let bench = Bench::begin().await;
    bench.pass(30).await;
    bench.simulator.inject("sensor-break TT-313".parse().unwrap()).unwrap();
    let (reading, beside) = bench.seen("FY-340").await;
    assert_eq!(reading, Reading::Bad(NoData::SensorFault));
    assert_eq!(beside.why.as_deref(), Some("TT-313 has no usable value: sensor fault"));
    assert!(bench.seen("KY-331").await.0.good().is_some(), "turnover needs no temperature");
    bench.simulator.clear("sensor-break").unwrap();
    bench.simulator.operate("stop-feed".parse().unwrap());
    bench.pass(10).await;
    let (reading, beside) = bench.seen("KY-331").await;
    assert_eq!(
        (reading, beside.why.as_deref()),
        (Reading::Bad(NoData::NotSteady), Some("no product at station Fryer"))
    );
    bench.end().await;
}
