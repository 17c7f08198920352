//! A history of version 1 is taken over whole, its file kept, and a cut at any point leaves one of the two.

use super::*;
use crate::history::events;
use crate::history::read::Reading;
use crate::history::testing::{START_MS, small};
use crate::history::{EventsAsked, Span, StoredSample, no_data_code, verify};
use rusqlite::params;
use setward_protocol::{NoData, Reading as Value};

/// The tables of version 1, as that version made them.
const VERSION_1: &str = "
CREATE TABLE runs (run INTEGER PRIMARY KEY, started_utc_ms INTEGER NOT NULL, fingerprint TEXT NOT NULL,
    version TEXT NOT NULL) STRICT;
CREATE TABLE signals (id INTEGER PRIMARY KEY, tag TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE samples (utc_ms INTEGER NOT NULL, signal INTEGER NOT NULL REFERENCES signals, run INTEGER NOT NULL
    REFERENCES runs, uptime_ns INTEGER NOT NULL, value REAL, quality INTEGER NOT NULL,
    PRIMARY KEY (utc_ms, signal, run, uptime_ns)) STRICT, WITHOUT ROWID;
CREATE TABLE events (run INTEGER NOT NULL REFERENCES runs, sequence INTEGER NOT NULL, utc_ms INTEGER NOT NULL,
    uptime_ns INTEGER NOT NULL, alarm TEXT, occurrence INTEGER NOT NULL, what TEXT NOT NULL, states TEXT NOT NULL,
    onset_utc_ms INTEGER, value REAL, exposure REAL, by TEXT, note TEXT, PRIMARY KEY (run, sequence)) STRICT;
CREATE INDEX events_by_alarm ON events (alarm, run, sequence);
CREATE TABLE alarm_records (id TEXT PRIMARY KEY, state TEXT NOT NULL, occurrence INTEGER NOT NULL,
    exposure REAL NOT NULL, onset_utc_ms INTEGER, raised_utc_ms INTEGER, cleared_utc_ms INTEGER,
    acknowledged_utc_ms INTEGER, acknowledged_by TEXT) STRICT;
PRAGMA user_version = 1;
";

fn value(second: i64, signal: i64) -> Value {
    if second % 100 == 7 {
        return Value::Bad(NoData::SensorFault);
    }
    Value::Good((1800 + second % 37 + signal) as f64 * 0.1)
}

fn old_history(file: &Path) {
    let mut old = Connection::open(file).unwrap();
    old.pragma_update(None, "journal_mode", "WAL").unwrap();
    old.execute_batch(VERSION_1).unwrap();
    let transaction = old.transaction().unwrap();
    transaction.execute("INSERT INTO signals VALUES (1, 'TT-310'), (2, 'TT-313')", []).unwrap();
    for run in [3_i64, 4] {
        let start = START_MS + run * 10_000_000;
        transaction.execute("INSERT INTO runs VALUES (?1, ?2, 'abcd', '0.1')", params![run, start]).unwrap();
        for (second, signal) in (0..4000_i64).flat_map(|second| [(second, 1_i64), (second, 2)]) {
            let (value, quality) = match value(second, signal) {
                Value::Good(value) => (Some(value), 0),
                Value::Uncertain(..) => unreachable!(),
                Value::Bad(why) => (None, 0x1000 + no_data_code(why)),
            };
            transaction
                .execute(
                    "INSERT INTO samples VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    params![start + second * 1000, signal, run, second * 1_000_000_000, value, quality],
                )
                .unwrap();
        }
        transaction
            .execute(
                "INSERT INTO events VALUES (?1, 1, ?2, 5, 'hot', 2, 'raised', 'AB', ?2, 1.5, 0.25, 'day', NULL)",
                params![run, start],
            )
            .unwrap();
    }
    transaction
        .execute("INSERT INTO alarm_records VALUES ('hot', 'C', 2, 0.125, 1, 2, NULL, 3, 'day')", [])
        .unwrap();
    transaction.commit().unwrap();
}

fn check(folder: &Path) {
    let store = Store::open(folder, small()).unwrap();
    for (signal, tag) in [(1, "TT-310"), (2, "TT-313")] {
        let open = store.open_part(&[tag.to_owned()], Span::EVER);
        let kept = Reading::new(&store.connection, &open)
            .newest(tag, UtcMillis(0), UtcMillis(i64::MAX), usize::MAX)
            .unwrap();
        let wanted: Vec<StoredSample> = [3, 4]
            .into_iter()
            .flat_map(|run| {
                (0..4000).map(move |second| (START_MS + run * 10_000_000 + second * 1000, second))
            })
            .map(|(utc, second)| StoredSample { utc: UtcMillis(utc), reading: value(second, signal) })
            .collect();
        assert_eq!(kept, wanted, "{tag}");
    }
    let kept = events::events(
        &store.connection,
        &EventsAsked { alarm: Some("hot".to_owned()), limit: 10, ..EventsAsked::default() },
    )
    .unwrap();
    assert_eq!(
        kept.iter().map(|kept| (kept.run.0, kept.event.exposure)).collect::<Vec<_>>(),
        [(4, Some(0.25)), (3, Some(0.25))]
    );
    let [record] = &events::alarm_records(&store.connection).unwrap()[..] else { panic!("one record") };
    assert_eq!(
        (record.state, record.exposure, &record.acknowledged),
        ('C', 0.125, &Some((UtcMillis(3), "day".to_owned())))
    );
}

#[test]
fn version_1_is_taken_over_and_its_file_kept() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("history.sqlite");
    old_history(&file);
    let store = Store::open(folder.path(), small()).unwrap();
    assert!(
        store.notices()[0].contains("16000 readings") && store.notices()[0].contains("version-1"),
        "{:?}",
        store.notices()
    );
    drop(store);
    check(folder.path());
    let found = verify(&file).unwrap();
    assert!(found.is_sound() && found.readings == 16_000, "{found}");
    let kept = Connection::open(folder.path().join("history.version-1-1.sqlite")).unwrap();
    let rows: i64 = kept.query_row("SELECT count(*) FROM samples", [], |row| row.get(0)).unwrap();
    assert_eq!(rows, 16_000);
}

#[test]
fn a_cut_while_migrating_or_between_the_two_renames_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("history.sqlite");
    old_history(&file);
    fs::write(beside(&file), "half a file").unwrap();
    check(folder.path());

    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("history.sqlite");
    old_history(&file);
    from_rows(&file).unwrap();
    rename(&file, &beside(&file)).unwrap();
    check(folder.path());
}
