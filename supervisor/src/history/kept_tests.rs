//! Records of people's decisions: only added, in the audit trail, and added to a history of the version before.

use super::*;
use crate::history::sqlite::{InlineStore, ThreadedStore};
use crate::history::tables::SCHEMA;
use crate::history::{BatchRow, HistoryReader, HistoryStore as _, Verification, verify_folder};

fn new(kind: &str, about: &str, record: &str) -> NewRecord {
    NewRecord {
        utc: UtcMillis(1_795_572_622_000),
        kind: kind.to_owned(),
        about: about.to_owned(),
        by: "Inés".to_owned(),
        record: record.to_owned(),
        why: Some("because".to_owned()),
    }
}

#[tokio::test]
async fn a_record_is_kept_with_its_entry_of_the_audit_trail() {
    let store = InlineStore::in_memory().unwrap();
    store.add_record(new("hold", "fryer@3", "{\"kg\":208}")).await.unwrap();
    store.add_record(new("disposition", "hold 1", "{}")).await.unwrap();
    let second = store.add_record(new("hold", "product", "{}")).await.unwrap();
    assert_eq!(second.n, 3, "one number for all kinds");
    let holds = store.records("hold".to_owned(), 10).await.unwrap();
    assert_eq!(holds.iter().map(|kept| kept.n).collect::<Vec<_>>(), [3, 1], "newest first");
    let trail = store.audit_trail(10).await.unwrap();
    assert_eq!(trail.len(), 3);
    let first = &trail[2].entry;
    assert_eq!((first.what.as_str(), first.about.as_str()), ("hold", "fryer@3"));
    assert_eq!((first.new.as_deref(), first.why.as_deref()), (Some("{\"kg\":208}"), Some("because")));
    assert_eq!(store.broken_audit().await.unwrap(), (3, Vec::new()));
}

#[test]
fn a_record_is_neither_changed_nor_removed_and_a_flipped_bit_hides_it() {
    let mut connection = Connection::open_in_memory().unwrap();
    connection.execute_batch(SCHEMA).unwrap();
    connection.execute_batch(TABLE).unwrap();
    add(&mut connection, new("hold", "fryer@3", "{}")).unwrap();
    for sql in ["UPDATE records SET by = 'somebody'", "DELETE FROM records"] {
        assert!(connection.execute(sql, []).unwrap_err().to_string().contains("never changed"), "{sql}");
    }
    assert_eq!(of_kind(&connection, "hold", 10).unwrap().len(), 1);
    connection
        .execute_batch("DROP TRIGGER records_stay_as_they_are; UPDATE records SET by = 'Ines'")
        .unwrap();
    assert!(of_kind(&connection, "hold", 10).unwrap().is_empty());
}

/// A file of version 3, as the program before this one made it: a note and an audit entry in it stay.
#[tokio::test]
async fn a_history_of_the_version_before_gets_its_table_and_keeps_what_it_has() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("history.sqlite");
    {
        let store = ThreadedStore::open(folder.path()).unwrap();
        store.add_audit(audit()).await.unwrap();
    }
    std::fs::File::open(folder.path().join("lock")).unwrap().lock().unwrap();
    let connection = Connection::open(&file).unwrap();
    connection.execute_batch("DROP TABLE records; PRAGMA user_version = 3;").unwrap();
    drop(connection);
    let refused = HistoryReader::open(folder.path()).unwrap_err().text;
    assert!(refused.contains("`setward run` takes it over"), "{refused}");
    {
        let store = ThreadedStore::open(folder.path()).unwrap();
        assert_eq!(store.notices().await.unwrap(), Vec::<String>::new(), "nothing was damaged");
        store.add_record(new("hold", "fryer@3", "{}")).await.unwrap();
        assert_eq!(store.audit_trail(10).await.unwrap().len(), 2);
    }
    std::fs::File::open(folder.path().join("lock")).unwrap().lock().unwrap();
    let reader = HistoryReader::open(folder.path()).unwrap();
    assert_eq!(reader.records("hold".to_owned(), 10).await.unwrap().len(), 1);
    let _whole: Verification = verify_folder(folder.path()).unwrap();
}

fn audit() -> crate::history::NewAudit {
    crate::history::NewAudit {
        utc: UtcMillis(1),
        by: "Inés".to_owned(),
        what: "settings changed".to_owned(),
        about: "TT-310".to_owned(),
        old: None,
        new: None,
        why: None,
    }
}

#[tokio::test]
async fn a_batch_is_kept_in_the_place_of_its_older_record_and_found_by_time_and_name() {
    let store = InlineStore::in_memory().unwrap();
    let batch = |id: &str, start: i64, record: &str| BatchRow {
        id: id.to_owned(),
        start: UtcMillis(start),
        end: None,
        record: record.to_owned(),
    };
    for row in [batch("a", 10, "1"), batch("b", 20, "2"), batch("a", 10, "3"), batch("c", 30, "4")] {
        store.keep_batch(row).await.unwrap();
    }
    let found = store.batches(UtcMillis(10), UtcMillis(30), 10).await.unwrap();
    assert_eq!(found.iter().map(|row| row.record.as_str()).collect::<Vec<_>>(), ["2", "3"]);
    assert_eq!(store.batch("c".to_owned()).await.unwrap().unwrap().start, UtcMillis(30));
    assert_eq!(store.batch("d".to_owned()).await.unwrap(), None);
}

/// Whoever changes or takes out a record must make its checksum anew, and then the audit chain still says what was decided.
#[tokio::test]
async fn a_record_that_is_changed_with_its_checksum_or_taken_out_is_found_beside_the_audit_trail() {
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open(folder.path()).unwrap();
    store.add_record(new("hold", "fryer@3", "{\"kg\":208}")).await.unwrap();
    store.add_record(new("sign-off", "2026-11-25", "{}")).await.unwrap();
    let row = BatchRow { id: "b".to_owned(), start: UtcMillis(5), end: None, record: "{}".to_owned() };
    store.keep_batch(row).await.unwrap();
    drop(store);
    let sound = verify_folder(folder.path()).unwrap();
    assert!(sound.is_sound(), "{sound}");
    assert_eq!((sound.kept_records, sound.batches, sound.audit_entries), (2, 1, 2));
    let file = folder.path().join("history.sqlite");
    let change = |sql: &str| Connection::open(&file).unwrap().execute_batch(sql).unwrap();
    change("DROP TRIGGER records_stay_as_they_are; DROP TRIGGER records_are_never_removed;");
    let forged = KeptRecord {
        n: 1,
        utc: UtcMillis(1_795_572_622_000),
        kind: "hold".to_owned(),
        about: "fryer@3".to_owned(),
        by: "In\u{e9}s".to_owned(),
        record: "{\"kg\":20}".to_owned(),
    };
    let check = record_check(&forged);
    change(&format!("UPDATE records SET record = '{}', row_check = {check} WHERE n = 1", forged.record));
    change("DELETE FROM records WHERE n = 2; UPDATE batches SET batch = '{\"x\":1}';");
    let found = verify_folder(folder.path()).unwrap();
    let expected = [
        "record 1 is not what the audit trail says was decided",
        "the record that audit entry 1 tells of is missing or was changed",
        "the record that audit entry 2 tells of is missing or was changed",
        "the record of batch b was changed",
    ];
    assert_eq!(found.faults, expected);
}
