//! What was taken out of a history shows, whatever it was; and nothing is missed in one from which nothing was.

use super::*;
use crate::history::store::Store;
use crate::history::testing::{START_MS, run, second, small};
use crate::history::{Batch, Event, Keep, NewAudit, records, verify, verify_folder};
use setward_protocol::{Uptime, UtcMillis};
use std::path::Path;

fn event(sequence: u64) -> Event {
    Event {
        sequence,
        utc: UtcMillis(START_MS),
        at: Uptime::START,
        alarm: Some("fryer-inlet-cold".to_owned()),
        occurrence: 1,
        what: "raised".to_owned(),
        states: "AB".to_owned(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: None,
    }
}

fn audit(about: &str) -> NewAudit {
    NewAudit {
        utc: UtcMillis(START_MS),
        by: "Ana".to_owned(),
        what: "settings changed".to_owned(),
        about: about.to_owned(),
        old: None,
        new: None,
        why: None,
    }
}

/// Two runs of an hour and some minutes each, with events and entries of the audit trail.
fn history(folder: &Path) -> Store {
    let mut store = Store::open(folder, small()).unwrap();
    for start in [0, 9_000] {
        let id = store.start_run(&run(START_MS + start * 1000)).unwrap();
        let events = (1..=3).map(event).collect();
        store.append(id, &Batch { events, ..Batch::default() }).unwrap();
        for ten in (start..start + 4_000).step_by(10) {
            let mut batch = Batch::default();
            (ten..ten + 10).for_each(|now| batch.samples.extend(second(now, start).samples));
            store.append(id, &batch).unwrap();
        }
    }
    for about in ["TT-310", "TT-313", "TT-310"] {
        records::add_audit(&mut store.connection, audit(about)).unwrap();
    }
    store
}

/// What is found after something was done to a closed history.
fn found_after(folder: &Path, sql: &str) -> Verification {
    let changed = tempfile::tempdir().unwrap();
    let file = changed.path().join("history.sqlite");
    std::fs::copy(folder.join("history.sqlite"), &file).unwrap();
    Connection::open(&file).unwrap().execute_batch(sql).unwrap();
    verify(&file).unwrap()
}

#[test]
fn whatever_is_taken_out_of_a_history_is_missed() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = history(folder.path());
    store.close_runs();
    drop(store);
    let sound = found_after(folder.path(), "");
    assert!(sound.is_sound() && sound.chunks > 20 && sound.audit_entries == 3, "{sound}");
    let unlocked = "DROP TRIGGER audit_is_never_shortened;";
    let newest = format!("{unlocked} DELETE FROM audit WHERE n = 3;");
    let trail = format!("{unlocked} DELETE FROM audit;");
    let hidden = format!("{newest} UPDATE sqlite_sequence SET seq = 2 WHERE name = 'audit';");
    let taken_out = [
        (
            "DELETE FROM chunks WHERE key = (SELECT min(key) FROM chunks)",
            "1 of the 4 blocks of readings from row 1 on",
        ),
        ("DELETE FROM chunks", "4 of the 4 blocks of readings from row 1 on"),
        ("DELETE FROM minutes; DELETE FROM hours", "4 of the 4 blocks of hours from row 1 on"),
        ("DELETE FROM hours WHERE key = (SELECT max(key) FROM hours)", "blocks of hours"),
        ("DELETE FROM events", "6 of 6 events are missing"),
        ("DELETE FROM events WHERE run = 2 AND sequence = 3", "1 of 6 events are missing"),
        (&newest, "from 3 to 3, are missing"),
        (&trail, "from 1 to 3, are missing"),
        (&hidden, "the newest entry of the audit trail is missing"),
        ("DELETE FROM folder", "1 of 1 names of files of line folders are missing"),
        ("DELETE FROM files", "the content of the line folder's file line.toml is missing"),
        ("DELETE FROM layouts", "the list of signals of run 1 is missing"),
        ("DELETE FROM runs WHERE run = 1", "run 1 has readings, but its own row is missing"),
        ("DELETE FROM runs WHERE run = 1", "1 of 2 runs are missing"),
        ("UPDATE layouts SET signals = replace(signals, 'degC', 'degF')", "was changed"),
    ];
    for (sql, told) in taken_out {
        let found = found_after(folder.path(), sql);
        assert!(found.faults.iter().any(|fault| fault.contains(told)), "{sql}: {found}");
    }
}

#[test]
fn a_history_in_the_middle_of_a_run_and_after_another_is_sound_and_so_is_what_was_left_by_a_cut() {
    let folder = tempfile::tempdir().unwrap();
    let store = history(folder.path());
    let found = verify_folder(folder.path()).unwrap();
    assert!(found.is_sound() && found.journal_rows > 0, "{found}");
    drop(store);
    drop(Store::open(folder.path(), small()).unwrap());
    let found = verify_folder(folder.path()).unwrap();
    assert!(found.is_sound(), "{found}");
}

#[test]
fn what_went_by_age_is_not_missed() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path(), small()).unwrap();
    store.settings.keep = Keep { readings_days: 2, minutes_days: 1, ..Keep::default() };
    let id = store.start_run(&run(START_MS)).unwrap();
    for hour in 0..72 {
        let mut batch = Batch::default();
        (0..60).for_each(|minute| batch.samples.extend(second(hour * 3600 + minute * 60, 0).samples));
        store.append(id, &batch).unwrap();
    }
    store.close_runs();
    let kept = |table: &str| -> i64 {
        store.connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
    };
    assert!(kept("minutes") < kept("chunks") && kept("chunks") < kept("hours"), "both went");
    drop(store);
    let found = verify_folder(folder.path()).unwrap();
    assert!(found.is_sound(), "{found}");
}

/// Neither a history that an older program wrote, nor one that was taken over from a damaged file, is told to lack anything.
#[test]
fn a_history_without_numbers_and_one_that_was_damaged_are_not_told_to_lack_what_they_never_promised() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = history(folder.path());
    store.close_runs();
    excuse_what_was_damaged(&store.connection).unwrap();
    drop(store);
    let lost = "DELETE FROM chunks WHERE key = (SELECT min(key) FROM chunks); DELETE FROM layouts;
        DELETE FROM meta WHERE key LIKE 'rows of %';";
    let found = found_after(folder.path(), lost);
    assert!(found.is_sound(), "{found}");
    let older = "DELETE FROM meta WHERE key <> 'store'";
    let found = found_after(folder.path(), older);
    assert!(found.is_sound(), "{found}");
}

#[test]
fn an_older_history_is_counted_from_what_it_has() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = history(folder.path());
    store.connection.execute("DELETE FROM meta WHERE key <> 'store'", []).unwrap();
    let id = store.start_run(&run(START_MS + 90_000_000)).unwrap();
    store.append(id, &Batch { events: vec![event(1)], ..Batch::default() }).unwrap();
    // Kept twice, it is kept once.
    store.append(id, &Batch { events: vec![event(1)], ..Batch::default() }).unwrap();
    let numbers = ["rows of runs", "rows of events"].map(|key| kept(&store.connection, key).unwrap());
    assert_eq!(numbers, [Some(3), Some(7)]);
}
