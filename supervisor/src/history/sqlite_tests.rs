//! The store from outside: what goes in comes out, also after the file was closed.

use super::*;
use crate::history::{Event, NewAudit, NewNote, NewSample, RunSignal};
use crate::snapshot::{OutOfService, Shelf};
use setward_protocol::{Doubt, NoData, Reading, Uptime};

fn new_run() -> NewRun {
    NewRun {
        started: UtcMillis(1_000),
        fingerprint: "ab".repeat(32),
        version: "0".to_owned(),
        signals: vec![RunSignal::of_tag("TT-310"), RunSignal::of_tag("TT-313")],
        files: Vec::new(),
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
        was_told: true,
        drops_exposure: false,
        exposure: 1.25,
        waited: std::time::Duration::from_millis(12_500),
        waited_under: 7,
        onset: Some(UtcMillis(2_000)),
        raised: Some(UtcMillis(5_000)),
        cleared: None,
        acknowledged: Some((UtcMillis(6_000), "night shift".to_owned())),
        shelf: Some(Shelf {
            until: UtcMillis(9_000),
            once: true,
            since: UtcMillis(7_000),
            by: "night shift".to_owned(),
            why: None,
        }),
        out_of_service: Some(OutOfService {
            since: UtcMillis(8_000),
            by: "technician".to_owned(),
            why: Some("probe being changed".to_owned()),
        }),
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
        NoData::NotSteady,
        NoData::TooUncertain,
        NoData::TakenBack,
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
            ..Batch::default()
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
async fn a_newer_file_is_refused_and_left_untouched() {
    let newer = tempfile::tempdir().unwrap();
    let file = newer.path().join("history.sqlite");
    rusqlite::Connection::open(&file).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let before = fs::read(&file).unwrap();
    let refusal = ThreadedStore::open(newer.path()).unwrap_err().text;
    assert!(refusal.contains("version 99") && refusal.contains("move the file away"), "{refusal}");
    assert_eq!(fs::read(&file).unwrap(), before, "a newer file stays as it is");
}

#[tokio::test]
async fn a_foreign_file_is_set_aside_as_it_is_and_its_name_told() {
    let folder = tempfile::tempdir().unwrap();
    let list = "a shopping list, much longer than any header of a database would be ".repeat(40);
    fs::write(folder.path().join("history.sqlite"), &list).unwrap();
    let store = ThreadedStore::open(folder.path()).unwrap();
    let aside = folder.path().join("history.damaged-1.sqlite");
    assert_eq!(fs::read_to_string(&aside).unwrap(), list);
    let notices = store.notices().await.unwrap();
    assert!(notices[0].contains("history.damaged-1.sqlite"), "{notices:?}");
    let run = store.start_run(new_run()).await.unwrap();
    let samples = vec![sample(0, 1000, Reading::Good(1.0))];
    store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    assert_eq!(all(&store, "TT-310").await, [Reading::Good(1.0)]);
}

#[tokio::test]
async fn notes_and_the_audit_trail_keep_what_was_there_before() {
    let store = InlineStore::in_memory().unwrap();
    let note = |text: &str, replaces| NewNote {
        utc: UtcMillis(7),
        about: "fryer-inlet-cold".to_owned(),
        by: "day shift".to_owned(),
        text: text.to_owned(),
        replaces,
    };
    let first = store.add_note(note("pump chaged", None)).await.unwrap();
    store.add_note(note("pump changed", Some(first.n))).await.unwrap();
    let notes = store.notes("fryer-inlet-cold".to_owned(), 10).await.unwrap();
    assert_eq!(
        notes.iter().map(|note| note.note.text.as_str()).collect::<Vec<_>>(),
        ["pump changed", "pump chaged"]
    );

    let entry = |new: &str| NewAudit {
        utc: UtcMillis(9),
        by: "process engineer".to_owned(),
        what: "settings changed".to_owned(),
        about: "fryer-inlet-cold".to_owned(),
        old: Some("240 K.s".to_owned()),
        new: Some(new.to_owned()),
        why: None,
    };
    let first = store.add_audit(entry("300 K.s")).await.unwrap();
    let second = store.add_audit(entry("240 K.s")).await.unwrap();
    assert_eq!((second.n, &second.previous), (2, &first.hash));
    assert_eq!(store.audit_trail(10).await.unwrap(), [second, first]);
}

/// The reader's thread and the open hour in the writer's memory give one answer.
#[tokio::test]
async fn questions_are_answered_from_the_file_and_from_memory_together() {
    use crate::history::testing::{START_MS, reading, run, second};
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open(folder.path()).unwrap();
    let id = store.start_run(run(START_MS)).await.unwrap();
    for minute in 0..100 {
        let mut batch = Batch::default();
        (0..60).for_each(|now| batch.samples.extend(second(minute * 60 + now, 0).samples));
        store.append(id, batch).await.unwrap();
    }
    let at = |second: i64| UtcMillis(START_MS + second * 1000);
    let tags = vec!["TT-310".to_owned(), "no such tag".to_owned()];
    let exact = store.exact(tags.clone(), Span::new(at(3500), at(3700)).unwrap()).await.unwrap();
    let readings: Vec<_> = exact[0].samples.iter().map(|sample| sample.reading).collect();
    assert_eq!(readings, (3500..3700).map(|second| reading(0, second)).collect::<Vec<_>>());
    assert_eq!((exact[0].unit.as_str(), exact[1].is_known, exact[1].samples.len()), ("degC", false, 0));
    let latest = store.latest(tags.clone()).await.unwrap();
    assert_eq!(latest, [Some(StoredSample { utc: at(5999), reading: reading(0, 5999) }), None]);
    let window = Window::new(tags, Span::new(at(0), at(6000)).unwrap(), 100).unwrap();
    let envelopes = store.envelopes(window).await.unwrap();
    let samples: u32 = envelopes[0].columns.iter().map(|column| column.samples + column.others).sum();
    assert_eq!((samples, envelopes[1].is_known), (6000, false));
    assert!(store.exact(Vec::new(), Span::new(at(0), at(1)).unwrap()).await.is_err());
}

/// The card rots while the daemon runs: a question meets it, the file is set aside, what can be read is kept, and it goes on.
#[tokio::test]
async fn a_file_that_rots_under_a_running_store_is_replaced_and_nothing_confirmed_is_wrong() {
    use crate::history::testing::{START_MS, reading, run, second, small};
    let folder = tempfile::tempdir().unwrap();
    let settings = Settings { journal_bytes: 64 << 20, ..small() };
    let store = ThreadedStore::open_with(folder.path(), settings).unwrap();
    let id = store.start_run(run(START_MS)).await.unwrap();
    for minute in 0..200 {
        let mut batch = Batch::default();
        (0..60).for_each(|now| batch.samples.extend(second(minute * 60 + now, 0).samples));
        store.append(id, batch).await.unwrap();
    }
    let file = folder.path().join("history.sqlite");
    store
        .ask(|store| {
            store
                .connection
                .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
                .map_err(|error| HistoryError::during("", &error))
        })
        .await
        .unwrap();
    let mut bytes = fs::read(&file).unwrap();
    let half = bytes.len() / 2;
    bytes[half..].fill(0xA5);
    fs::write(&file, bytes).unwrap();
    let window = || {
        Window::new(
            vec!["TT-310".to_owned()],
            Span::new(UtcMillis(START_MS), UtcMillis(START_MS + 12_000_000)).unwrap(),
            200,
        )
        .unwrap()
    };
    let _first = store.envelopes(window()).await;
    let mut sequence = 0;
    while store.notices().await.unwrap().is_empty() && sequence < 5000 {
        sequence += 1;
        let event = Event { sequence, ..raised(1) };
        store.append(id, Batch { events: vec![event], ..Batch::default() }).await.unwrap();
    }
    let notices = store.notices().await.unwrap();
    assert!(notices.iter().any(|notice| notice.contains("history.damaged-1.sqlite")), "{notices:?}");
    store.append(id, second(12_000, 0)).await.unwrap();
    let kept =
        store.samples("TT-310".to_owned(), UtcMillis(0), UtcMillis(i64::MAX), usize::MAX).await.unwrap();
    for sample in &kept {
        assert_eq!(sample.reading, reading(0, (sample.utc.0 - START_MS) / 1000));
    }
    let open = kept.iter().filter(|sample| sample.utc.0 >= START_MS + 10_800_000).count();
    assert_eq!(open, 1201, "the open hour is whole: it was never only in the file");
}
