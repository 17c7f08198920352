//! The store from outside: what goes in comes out, also after the file was closed.

use super::*;
use crate::history::{Event, NewSample};
use setward_protocol::{Doubt, NoData, Reading, Uptime};

fn new_run() -> NewRun {
    NewRun {
        started: UtcMillis(1_000),
        fingerprint: "ab".repeat(32),
        version: "0".to_owned(),
        tags: vec!["TT-310".to_owned(), "TT-313".to_owned()],
    }
}

fn sample(signal: u16, utc: i64, reading: Reading) -> NewSample {
    let at = Uptime::from_millis(u64::try_from(utc).unwrap());
    NewSample { signal, utc: UtcMillis(utc), at, reading }
}

fn raised(sequence: u64) -> Event {
    Event {
        sequence,
        utc: UtcMillis(5_000),
        at: Uptime::from_millis(4_000),
        alarm: Some("fryer-inlet-cold".to_owned()),
        occurrence: 3,
        what: "raised".to_owned(),
        states: "AB".to_owned(),
        onset: Some(UtcMillis(2_000)),
        value: Some(175.9),
        exposure: Some(1.0),
        by: None,
        note: None,
    }
}

fn record() -> AlarmRecord {
    AlarmRecord {
        id: "fryer-inlet-cold".to_owned(),
        state: 'C',
        occurrence: 3,
        exposure: 1.25,
        onset: Some(UtcMillis(2_000)),
        raised: Some(UtcMillis(5_000)),
        cleared: None,
        acknowledged: Some((UtcMillis(6_000), "night shift".to_owned())),
    }
}

async fn all(store: &impl HistoryStore, tag: &str) -> Vec<Reading> {
    let samples = store.samples(tag.to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 100).await.unwrap();
    samples.iter().map(|sample| sample.reading).collect()
}

#[tokio::test]
async fn every_quality_comes_back_as_it_was() {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(new_run()).await.unwrap();
    let reasons = [
        NoData::NotPolled,
        NoData::NotCommissioned,
        NoData::NoReply,
        NoData::Refused,
        NoData::Exception(2),
        NoData::Exception(255),
        NoData::SensorFault,
        NoData::OutOfRange,
        NoData::Stale,
        NoData::Stuck,
        NoData::HeartbeatStopped,
        NoData::Restarting,
        NoData::TooLittleKnown,
    ];
    let mut readings: Vec<Reading> = reasons.into_iter().map(Reading::Bad).collect();
    readings.extend([Reading::Good(182.1), Reading::Good(0.0)]);
    readings.extend(
        [Doubt::Late, Doubt::Disagrees, Doubt::Unverified, Doubt::Unconfirmed]
            .map(|doubt| Reading::Uncertain(7.5, doubt)),
    );
    let samples =
        readings.iter().zip(1..).map(|(reading, second)| sample(0, second * 1000, *reading)).collect();
    store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    assert_eq!(all(&store, "TT-310").await, readings);
    assert_eq!(all(&store, "TT-313").await, []);
    assert_eq!(all(&store, "no such tag").await, []);
}

#[tokio::test]
async fn a_window_is_half_open_and_a_limit_keeps_the_newest() {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(new_run()).await.unwrap();
    let samples = (1..=5).map(|second| sample(1, second * 1000, Reading::Good(second as f64))).collect();
    store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    let window = store.samples("TT-313".to_owned(), UtcMillis(2_000), UtcMillis(5_000), 2).await.unwrap();
    let values: Vec<_> = window.iter().map(|sample| sample.reading).collect();
    assert_eq!(values, [Reading::Good(3.0), Reading::Good(4.0)]);
}

#[tokio::test]
async fn a_wall_clock_that_steps_back_overwrites_nothing() {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(new_run()).await.unwrap();
    let mut again = sample(0, 1000, Reading::Good(2.0));
    again.at = Uptime::from_millis(9_000);
    let samples = vec![sample(0, 1000, Reading::Good(1.0)), again];
    store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    assert_eq!(all(&store, "TT-310").await, [Reading::Good(1.0), Reading::Good(2.0)]);
}

#[tokio::test]
async fn a_reopened_history_has_everything_and_counts_runs_on() {
    let folder = tempfile::tempdir().unwrap();
    let first = {
        let store = ThreadedStore::open(folder.path()).unwrap();
        let run = store.start_run(new_run()).await.unwrap();
        let batch = Batch {
            samples: vec![sample(0, 1000, Reading::Good(181.9))],
            events: vec![raised(1)],
            alarms: vec![record()],
        };
        store.append(run, batch).await.unwrap();
        run
    };
    let store = reopened(folder.path()).await;
    assert_eq!(all(&store, "TT-310").await, [Reading::Good(181.9)]);
    assert_eq!(store.alarm_records().await.unwrap(), [record()]);
    let events = store.events(Some("fryer-inlet-cold".to_owned()), 10).await.unwrap();
    assert_eq!(events, [StoredEvent { run: first, event: raised(1) }]);
    assert_eq!(store.events(Some("another".to_owned()), 10).await.unwrap(), []);
    assert!(store.start_run(new_run()).await.unwrap() > first);
}

/// The first store's thread lets go of its lock a moment after its last handle is dropped.
async fn reopened(folder: &Path) -> ThreadedStore {
    for _ in 0..200 {
        if let Ok(store) = ThreadedStore::open(folder) {
            return store;
        }
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    panic!("the lock was not released");
}

#[tokio::test]
async fn a_second_daemon_is_refused_and_told_who_holds_the_history() {
    let folder = tempfile::tempdir().unwrap();
    let _first = ThreadedStore::open(folder.path()).unwrap();
    let refusal = ThreadedStore::open(folder.path()).unwrap_err().text;
    assert!(refusal.contains(&format!("process {}", std::process::id())), "{refusal}");
    assert!(refusal.contains("data_dir"), "{refusal}");
}

#[tokio::test]
async fn a_foreign_or_newer_file_is_refused_and_left_untouched() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("history.sqlite");
    fs::write(&file, "a shopping list, much longer than any header of a database would be ".repeat(40))
        .unwrap();
    let before = fs::read(&file).unwrap();
    let refusal = ThreadedStore::open(folder.path()).unwrap_err().text;
    assert!(refusal.contains("history.sqlite") && refusal.contains("move it away"), "{refusal}");
    assert_eq!(fs::read(&file).unwrap(), before);

    let newer = tempfile::tempdir().unwrap();
    let file = newer.path().join("history.sqlite");
    rusqlite::Connection::open(&file).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let before = fs::read(&file).unwrap();
    let refusal = ThreadedStore::open(newer.path()).unwrap_err().text;
    assert!(refusal.contains("version 99"), "{refusal}");
    assert_eq!(fs::read(&file).unwrap(), before, "a newer file stays as it is");
}
