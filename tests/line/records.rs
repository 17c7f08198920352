//! Kettle batches through the whole line in virtual time: their records against sums over the readings that were kept.

use crate::support::{MemoryDial, demo_line};
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{HistoryStore, Span};
use setward::protocol::UtcMillis;
use setward::report::batch::BatchReport;
use setward::report::hold_window::hold_report;
use setward::{Edges, start};
use sim_plc::Simulator;
use std::sync::Arc;
use std::time::Duration;

const STARTED: UtcMillis = UtcMillis(1_767_571_200_000);

fn keep_stepping(simulator: Simulator) {
    tokio::spawn(async move {
        let mut tick = tokio::time::interval(Duration::from_millis(1_000));
        loop {
            tick.tick().await;
            simulator.step(Duration::from_millis(1_000));
        }
    });
}

async fn pass(seconds: u64) {
    tokio::time::sleep(Duration::from_secs(seconds)).await;
}

fn utc(text: &str) -> UtcMillis {
    UtcMillis(text.parse::<jiff::Timestamp>().unwrap().as_millisecond())
}

fn near(found: Option<f64>, expected: f64, within: f64) {
    assert!(
        found.is_some_and(|found| (found - expected).abs() <= within),
        "{found:?} is not within {within} of {expected}"
    );
}

async fn reports(history: &InlineStore) -> Vec<BatchReport> {
    let rows = history.batches(UtcMillis(0), UtcMillis(i64::MAX), 1_000).await.unwrap();
    rows.iter().rev().map(|row| serde_json::from_str(&row.record).unwrap()).collect()
}

/// Good readings of a signal with their times, s from the start.
async fn kept(history: &InlineStore, tag: &str, from: UtcMillis, to: UtcMillis) -> Vec<(f64, f64)> {
    let span = Span::new(from, to).unwrap();
    let read = history.exact(vec![tag.to_owned()], span).await.unwrap();
    let seconds = |at: UtcMillis| (at.0 - STARTED.0) as f64 / 1000.0;
    read[0].samples.iter().filter_map(|sample| Some((seconds(sample.utc), sample.reading.good()?))).collect()
}

/// Naively: each reading counts until the next one.
async fn check_cook(history: &InlineStore, report: &BatchReport) {
    let phase = |name: &str| report.phases.iter().find(|phase| phase.phase == name).unwrap();
    let tag = if report.kettle == "Kettle 1" { "TT-101" } else { "TT-111" };
    let (from, to) = (utc(&phase("heat").from), utc(&phase("quench").to));
    let readings = kept(history, tag, from, to).await;
    let pairs = || readings.windows(2).map(|pair| (pair[1].0 - pair[0].0, pair[0].1));
    let held: f64 = pairs().filter(|(_, degc)| *degc >= 94.0).map(|(seconds, _)| seconds).sum();
    let minutes: f64 =
        pairs().map(|(seconds, degc)| seconds / 60.0 * 10_f64.powf((degc - 95.0) / 33.0)).sum();
    let limit = |start: &str| report.cook.iter().find(|row| row.limit.starts_with(start)).unwrap();
    near(limit("counted hold").found_least, held / 60.0, 0.15);
    near(limit("equivalent time").found_least, minutes, 0.15);
    near(limit("end of quench").found_least, readings.last().unwrap().1, 0.5);
    let meter = if report.kettle == "Kettle 1" { "FQ-101" } else { "FQ-111" };
    let filled = kept(history, meter, utc(&phase("fill").from), from).await;
    let most = filled.iter().skip(2).map(|(_, litres)| *litres).fold(0.0, f64::max);
    near(report.water_l, most, 0.5);
    assert_eq!(report.cook[0].verdict, "met", "{report:?}");
}

/// Nineteen hours: batches are cooked, soak for some twelve hours and are fed to the line.
#[tokio::test(start_paused = true)]
async fn each_batch_has_a_record_that_agrees_with_the_readings_and_follows_its_corn_to_the_bag() {
    let line = demo_line();
    let simulator = Simulator::new(&line, 5);
    keep_stepping(simulator.clone());
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let edges = Edges {
        dial: Arc::new(MemoryDial(simulator.clone())),
        history: Arc::clone(&history) as Arc<_>,
        clock: Clock::starting_at(STARTED),
    };
    let running = start(Arc::new(line.clone()), edges).await.unwrap();
    pass(19 * 3_600).await;
    let end = UtcMillis(STARTED.0 + 19 * 3_600_000);
    let alarm = line.alarm_by_id("fryer-inlet-cold").unwrap();
    simulator.inject("heat-low 8".parse().unwrap()).unwrap();
    pass(600).await;
    simulator.clear("heat-low").unwrap();
    pass(2_400).await;
    let _looked = running.handle().snapshot();
    pass(20).await;
    let live = running.handle().snapshot().following.products.get(&alarm).cloned().unwrap();
    running.stop().await.unwrap();

    let all = reports(&history).await;
    assert!((15..40).contains(&all.len()), "{} batches in 19 h", all.len());
    let whole: Vec<&BatchReport> = all.iter().filter(|report| report.oddities.is_empty()).collect();
    assert!(whole.len() + 2 >= all.len(), "at most the first of each kettle began unseen");
    for report in &whole {
        check_cook(&history, report).await;
    }
    let fed: Vec<&&BatchReport> = whole.iter().filter(|report| !report.fed.is_empty()).collect();
    assert!(!fed.is_empty(), "the first tank is fed after some twelve hours");
    for report in &fed {
        let soak = &report.soak;
        let feeds = kept(&history, "XI-151", STARTED, end).await;
        let tank = f64::from(soak.tank.unwrap());
        let pumped = (utc(soak.from.as_deref().unwrap()).0 - STARTED.0) as f64 / 1000.0;
        let is_own = |(second, number): &&(f64, f64)| *second > pumped && (*number - tank).abs() < 0.5;
        let first = feeds.iter().find(is_own).unwrap();
        let began = (utc(&report.fed[0].from).0 - STARTED.0) as f64 / 1000.0;
        assert!((began - first.0).abs() < 15.0, "{began} {first:?}");
        near(soak.soaked_h, (began - pumped) / 3600.0, 0.01);
        assert!(soak.youngest_h.unwrap() <= soak.soaked_h.unwrap() + 0.01);
        assert!(soak.oldest_h.unwrap() >= soak.soaked_h.unwrap() - 0.01);
        assert!(report.fed[0].packed_from.is_some(), "{report:?}");
        assert!(utc(report.fed[0].packed_from.as_deref().unwrap()) > utc(&report.fed[0].from));
    }

    // Worked out anew from what was kept, an occurrence's product is what the running program said.
    let known = UtcMillis(end.0 + 3_020_000);
    let again = hold_report(&line, &*history, (alarm, None), known).await.unwrap().product.unwrap();
    let (from, to) = live.packed_at_most.unwrap();
    let off = |text: &Option<String>, at: UtcMillis| (utc(text.as_deref().unwrap()).0 - at.0).abs();
    assert!(
        off(&again.packed_not_before, from) < 2_000 && off(&again.packed_not_after, to) < 2_000,
        "{again:?} {live:?}"
    );
    near(again.about_kg, live.about_kg.unwrap(), 1.0);
    assert_eq!((&again.batches, again.tanks.len()), (&live.batches, live.tanks.len()));
    assert!(!again.batches.is_empty(), "the line eats corn of known batches by now");
}
