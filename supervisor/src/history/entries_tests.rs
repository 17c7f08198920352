//! Entries are kept as they were typed, once, in the audit trail, and over a migration.

use super::*;
use crate::history::sqlite::{InlineStore, ThreadedStore};
use crate::history::testing::{START_MS, run};
use crate::history::{Batch, HistoryStore, verify_folder};

fn entry(n: u64, value: f64, corrects: Option<u64>) -> StoredEntry {
    StoredEntry {
        n,
        tag: "AI-451".to_owned(),
        value,
        taken: UtcMillis(1_000),
        entered: UtcMillis(61_000),
        by: "Inés".to_owned(),
        corrects,
        was_asked: corrects.is_some(),
        late_s: 12.5,
        calibration: None,
        about: Some("lot 4".to_owned()),
        note: None,
    }
}

fn batch(entries: Vec<StoredEntry>) -> Batch {
    Batch { entries, ..Batch::default() }
}

#[tokio::test]
async fn an_entry_comes_back_as_it_was_typed_and_a_correction_names_the_old_value() {
    let store = InlineStore::in_memory().unwrap();
    let begun = store.start_run(run(START_MS)).await.unwrap();
    let calibration = StoredEntry { calibration: Some([181.3, 182.0, 182.1]), ..entry(3, -0.8, None) };
    let kept = vec![entry(1, 13.0, None), entry(2, 1.3, Some(1)), calibration];
    store.append(begun, batch(kept.clone())).await.unwrap();
    // Tried again, as after a refusal: kept once, told once.
    store.append(begun, batch(kept.clone())).await.unwrap();
    let newest: Vec<_> = kept.into_iter().rev().collect();
    assert_eq!(store.entries(None, 10).await.unwrap(), newest);
    assert_eq!(store.entries(Some("AI-451".to_owned()), 1).await.unwrap().len(), 1);
    assert!(store.entries(Some("AI-452".to_owned()), 10).await.unwrap().is_empty());
    let audit = store.audit_trail(10).await.unwrap();
    let told: Vec<_> = audit
        .iter()
        .rev()
        .map(|one| (one.entry.what.as_str(), one.entry.old.as_deref(), one.entry.new.as_deref()))
        .collect();
    assert_eq!(
        told,
        [
            ("entered", None, Some("13 (entry 1)")),
            ("entry corrected", Some("13 (entry 1)"), Some("1.3 (entry 2)")),
            ("entered", None, Some("-0.8 (entry 3)")),
        ]
    );
}

#[tokio::test]
async fn an_entry_can_not_be_changed_and_one_that_was_is_found_out() {
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open(folder.path()).unwrap();
    let begun = store.start_run(run(START_MS)).await.unwrap();
    store.append(begun, batch(vec![entry(1, 1.3, None), entry(2, 1.4, None)])).await.unwrap();
    drop(store);
    let file = Connection::open(folder.path().join("history.sqlite")).unwrap();
    for wrong in ["UPDATE entries SET tag = 'X'", "DELETE FROM entries"] {
        let refused = file.execute(wrong, []).unwrap_err().to_string();
        assert!(refused.contains("corrected by another"), "{refused}");
    }
    assert!(verify_folder(folder.path()).unwrap().is_sound());
    file.execute_batch(
        "DROP TRIGGER entries_stay_as_they_are; UPDATE entries SET entry = replace(entry, '1.4', '1.2')",
    )
    .unwrap();
    let found = verify_folder(folder.path()).unwrap();
    assert_eq!(found.faults, ["entry 2 was changed"]);
}

#[tokio::test]
async fn a_file_of_version_2_gets_the_table_and_keeps_all_it_has() {
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open(folder.path()).unwrap();
    let begun = store.start_run(run(START_MS)).await.unwrap();
    drop(store);
    let file = Connection::open(folder.path().join("history.sqlite")).unwrap();
    file.execute_batch("DROP TABLE entries; DROP TABLE records; PRAGMA user_version = 2").unwrap();
    drop(file);
    let store = ThreadedStore::open(folder.path()).unwrap();
    let next = store.start_run(run(START_MS)).await.unwrap();
    assert_eq!(next.0, begun.0 + 1, "the runs before are still there");
    store.append(next, batch(vec![entry(1, 1.3, None)])).await.unwrap();
    assert_eq!(store.entries(None, 10).await.unwrap().len(), 1);
    assert!(store.notices().await.unwrap().is_empty());
}
