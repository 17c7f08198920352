//! Facts of loops against a process that is known by construction.

use super::*;
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, Event, NewRun, NewSample};
use crate::report::stops::modes;
use crate::snapshot::RunId;
use setward_protocol::{Reading, UtcMillis};

/// 2026-11-23T12:00:00Z.
const START: i64 = 1_795_435_200_000;
const SECONDS: i64 = 2 * 3_600;
/// In manual from then on, and the burner is opened from 40 to 50 % at the other.
const MANUAL_FROM: i64 = 3_600;
const STEP: i64 = 4_200;

fn at(second: i64) -> UtcMillis {
    UtcMillis(START + second * 1000)
}

/// In automatic it swings by 3 degF each 4 min about 635. In manual it answers as the oven of `trade.md` 2.5 does: 0.6 degF for
/// each percent after 8 s, with a lag of 120 s.
fn zone(second: i64) -> f64 {
    let t = second as f64;
    match second {
        ..MANUAL_FROM => 635.0 + 3.0 * (t / 240.0 * std::f64::consts::TAU).sin(),
        MANUAL_FROM..STEP => 635.0,
        _ => 635.0 + 6.0 * (1.0 - (-(t - STEP as f64 - 8.0).max(0.0) / 120.0).exp()),
    }
}

async fn put(store: &InlineStore, run: RunId, line: &Line, tag: &str, value: impl Fn(i64) -> f64) {
    let signal = line.signal_by_tag(tag).unwrap().0;
    let sample = |second: i64| NewSample {
        signal,
        utc: at(second),
        at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
        reading: Reading::Good(value(second)),
    };
    let samples = (0..=SECONDS).map(sample).collect();
    store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
}

async fn store(line: &Line) -> InlineStore {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(line, at(0), "0")).await.unwrap();
    let started = Event {
        sequence: 1,
        utc: at(0),
        at: Uptime::START,
        alarm: None,
        occurrence: 0,
        what: "started".to_owned(),
        states: String::new(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: None,
    };
    store.append(run, Batch { events: vec![started], ..Batch::default() }).await.unwrap();
    put(&store, run, line, "TT-201", zone).await;
    put(&store, run, line, "TIC-201-SP", |_| 635.0).await;
    put(&store, run, line, "TIC-201-OUT", |second| if second < STEP { 40.0 } else { 50.0 }).await;
    put(&store, run, line, "XI-201", |second| if second < MANUAL_FROM { 1.0 } else { 0.0 }).await;
    store
}

async fn told(line: &Line, from: i64, to: i64) -> LoopRow {
    let store = store(line).await;
    let window = Span::new(at(from), at(to)).unwrap();
    let mut events = store.events(None, 100).await.unwrap();
    events.reverse();
    let modes = modes(line, &events, window, at(SECONDS));
    let report = loops_report(line, &store, Some("TIC-201"), (window, &modes)).await.unwrap();
    assert_eq!(report.loops.len(), 1);
    let text = report.text(&|text| text.to_owned());
    assert!(text.contains("nothing is written to a controller"), "{text}");
    report.loops.into_iter().next().unwrap()
}

fn near(found: Option<f64>, expected: f64, within: f64) {
    assert!(found.is_some_and(|found| (found - expected).abs() <= within), "{found:?} is not {expected}");
}

/// Check values of the advice: K 0.6, dead time 8 s, lag 120 s give Kc 12.5 and Ti 64 s, proportional band 8, 0.9375 repeats a
/// minute (computed, `trade.md` 2.5, from Skogestad's rules).
#[tokio::test]
async fn a_loop_tells_its_swing_its_answer_to_a_step_in_manual_and_settings_as_advice() {
    let line = setward_config::load_demo().unwrap().line;
    let row = told(&line, 0, SECONDS).await;
    assert_eq!((row.measured.as_str(), row.unit.as_str()), ("TT-201", "degF"));
    near(Some(row.known_s), 3_600.0, 5.0);
    let swing = row.swing.as_ref().unwrap();
    near(Some(swing.period_s), 240.0, 3.0);
    near(Some(swing.amplitude), 3.0, 0.15);
    assert_eq!(row.steps.len(), 1, "{:?}", row.steps);
    let step = &row.steps[0];
    assert_eq!((step.of, step.at.as_str()), ("output in manual", "2026-11-23T13:10:00Z"));
    assert_eq!((step.level_before, step.level_after), (40.0, 50.0));
    near(step.gain, 0.6, 0.01);
    near(step.dead_time_s, 8.0, 1.0);
    near(step.lag_s, 120.0, 3.0);
    let advice = row.advice.unwrap();
    near(Some(advice.gain), 12.5, 1.6);
    near(Some(advice.integral_s), 64.0, 8.0);
    near(Some(advice.proportional_band), 8.0, 1.0);
    near(Some(advice.repeats_per_min), 0.9375, 0.12);
}

#[tokio::test]
async fn without_a_step_in_manual_nothing_is_suggested_and_it_says_why() {
    let line = setward_config::load_demo().unwrap().line;
    let row = told(&line, 0, MANUAL_FROM - 60).await;
    assert!(row.swing.is_some() && row.steps.is_empty() && row.advice.is_none(), "{row:?}");
    assert!(row.no_advice_because.unwrap().contains("in manual"));
    // In manual nobody controls: what it does then is no swing of the loop.
    let row = told(&line, MANUAL_FROM + 10, STEP - 10).await;
    assert!(row.known_s < 1.0 && row.swing.is_none() && row.no_swing_because.is_some(), "{row:?}");
}
