//! The hot paths by themselves, COUNT times over, for callgrind: the difference between two counts is what one time costs.
//!
//! `tests/figures/instructions.py` runs it and holds what it finds against `instructions.toml` beside it.

use super::demo::Demo;
use super::kinds::{Watched1, kinds};
use super::scattered::{places, readable};
use setward::history::sqlite::InlineStore;
use setward::history::{Batch, HistoryStore as _, NewRun, NewSample, RunSignal, Span};
use setward::protocol::{Encoding, ReadLimits, Reading, Uptime, UtcMillis, plan_reads};
use std::hint::black_box;
use std::time::Duration;

const START_MS: i64 = 1_793_491_200_000;
const HOUR_S: u64 = 3600;

/// Does `path` so many times: scans of the demo line, samples, plans, or hours of history.
pub(crate) async fn run(path: &str, count: u64) {
    match path {
        "decode" => {
            let demo = Demo::load();
            for scan in 0..count {
                demo.decode(scan, |id, reading| {
                    black_box((id, reading));
                });
            }
        }
        "evaluate" => {
            let demo = Demo::load();
            let mut monitor = demo.engine();
            (0..count).for_each(|scan| demo.evaluate(scan, &mut monitor));
        }
        "all-kinds" => {
            let mut one = Watched1::new(&kinds());
            (0..count).for_each(|second| one.sample(second));
        }
        "plan" => {
            let (places, readable) = (places(), [readable()]);
            for _ in 0..count {
                black_box(plan_reads(black_box(&places), &readable, ReadLimits::STANDARD));
            }
        }
        "keep" => drop(kept(count).await),
        "read-back" => {
            let store = kept(2).await;
            let span = Span::new(UtcMillis(START_MS), UtcMillis(START_MS + HOUR_S as i64 * 1000)).unwrap();
            for _ in 0..count {
                let found = store.exact(vec!["TT-310".to_owned()], span).await.unwrap();
                assert_eq!(found[0].samples.len() as u64, HOUR_S);
            }
        }
        _ => panic!("no path {path:?}; there are decode, evaluate, all-kinds, plan, keep, read-back"),
    }
}

/// A history in memory with so many hours of one signal at 1 s, closed but for the last.
async fn kept(hours: u64) -> InlineStore {
    let store = InlineStore::in_memory().unwrap();
    let signal = RunSignal {
        unit: "degC".to_owned(),
        encoding: Some(Encoding::I16),
        scale: 0.1,
        gap_limit: Duration::from_millis(3500),
        ..RunSignal::of_tag("TT-310")
    };
    let run = NewRun {
        started: UtcMillis(START_MS),
        fingerprint: "0".repeat(64),
        version: "0".to_owned(),
        signals: vec![signal],
        files: Vec::new(),
    };
    let run = store.start_run(run).await.unwrap();
    for minute in 0..=hours * 60 {
        let sample = |second: u64| NewSample {
            signal: 0,
            utc: UtcMillis(START_MS + second as i64 * 1000),
            at: Uptime::from_millis(second * 1000),
            reading: Reading::Good(177.0 + (second * 13 % 70) as f64 * 0.1),
        };
        let samples = (minute * 60..minute * 60 + 60).map(sample).collect();
        store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    }
    store
}
