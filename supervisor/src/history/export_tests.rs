//! The exported text, to the byte; and a copy, verified, restored, refused when it is not sound.

use super::*;
use crate::history::backup::{backup, restore};
use crate::history::sqlite::{InlineStore, ThreadedStore};
use crate::history::testing::{START_MS, run, second};
use crate::history::{Band, Batch, NewAudit, NewSample, verify, verify_folder};
use setward_protocol::{NoData, Uptime};

fn sample(second: i64, reading: Reading) -> NewSample {
    let utc = UtcMillis(START_MS + second * 1000 + 250);
    NewSample { signal: 0, utc, at: Uptime::from_millis(second as u64 * 1000), reading }
}

async fn store() -> InlineStore {
    let store = InlineStore::in_memory().unwrap();
    let mut run = run(START_MS);
    run.signals[0].unit = "=cmd|' /C calc'!A0".to_owned();
    let run = store.start_run(run).await.unwrap();
    let band = Band {
        signal: 0,
        utc: UtcMillis(START_MS),
        at: Uptime::from_millis(1000),
        setpoint: Some(182.0),
        tolerance: Some((179.0, 185.0)),
    };
    let samples = vec![
        sample(0, Reading::Good(1803.0 * 0.1)),
        sample(1, Reading::Bad(NoData::SensorFault)),
        sample(2, Reading::Good(181.0)),
    ];
    store.append(run, Batch { samples, bands: vec![band], ..Batch::default() }).await.unwrap();
    store
}

async fn export(decimal_comma: bool) -> String {
    let csv = Csv {
        zone: TimeZone::get("Europe/Madrid").unwrap(),
        decimal_comma,
        recipe: &|_, _, _| "blue corn, rounds \"3\"".to_owned(),
        batch: &|_, _, _| String::new(),
    };
    let span = Span::new(UtcMillis(START_MS - 5000), UtcMillis(START_MS + 7_200_000)).unwrap();
    let (mut out, mut shares) = (Vec::new(), Vec::new());
    let count = csv
        .write(&store().await, &["TT-310".to_owned()], span, &mut out, &mut |share| shares.push(share))
        .await
        .unwrap();
    assert_eq!(count, [3]);
    assert!(shares.is_sorted() && shares.last() == Some(&1.0), "{shares:?}");
    String::from_utf8(out).unwrap()
}

#[tokio::test]
async fn a_csv_has_both_times_the_quality_what_was_asked_and_no_formula() {
    let text = export(false).await;
    let recipe = "\"blue corn, rounds \"\"3\"\"\"";
    let unit = "'=cmd|' /C calc'!A0";
    let lines = [
        "utc,local_time,tag,value,unit,quality,setpoint,tolerance_low,tolerance_high,run,recipe,batch"
            .to_owned(),
        format!(
            "2026-11-25T02:00:00.250Z,2026-11-25T03:00:00.250+01:00,TT-310,180.3,{unit},good,,,,1,{recipe},"
        ),
        format!(
            "2026-11-25T02:00:01.250Z,2026-11-25T03:00:01.250+01:00,TT-310,,{unit},bad: sensor fault,182,179,185,1,{recipe},"
        ),
        format!(
            "2026-11-25T02:00:02.250Z,2026-11-25T03:00:02.250+01:00,TT-310,181,{unit},good,182,179,185,1,{recipe},"
        ),
        String::new(),
    ];
    assert_eq!(text, lines.join("\r\n"));
}

#[tokio::test]
async fn a_decimal_comma_comes_with_semicolons() {
    let text = export(true).await;
    assert!(text.contains(";TT-310;180,3;"), "{text}");
}

#[tokio::test]
async fn a_copy_is_made_while_it_is_written_verified_and_restored() {
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open(folder.path()).unwrap();
    let id = store.start_run(run(START_MS)).await.unwrap();
    let mut batch = Batch::default();
    (0..7300).for_each(|now| batch.samples.extend(second(now, 0).samples));
    store.append(id, batch).await.unwrap();
    store.append(id, second(7300, 0)).await.unwrap();
    let entry = NewAudit {
        utc: UtcMillis(START_MS),
        by: "process engineer".to_owned(),
        what: "settings changed".to_owned(),
        about: "fryer-inlet-cold".to_owned(),
        old: None,
        new: None,
        why: None,
    };
    for _ in 0..3 {
        store.add_audit(entry.clone()).await.unwrap();
    }
    let copy = folder.path().join("copy.sqlite");
    let beside = verify_folder(folder.path()).unwrap();
    assert!(beside.is_sound() && beside.journal_rows > 0, "{beside}");
    let found = backup(folder.path(), &copy).unwrap();
    assert_eq!(
        (found.chunks, found.audit_entries),
        (18, 3),
        "three hours of six signals, one of them open: {found}"
    );
    assert_eq!(found.readings, 4 * 7301 + 2 * 1461, "up to the last confirmed second");
    assert!(backup(folder.path(), &copy).unwrap_err().text.contains("a file already"));
    assert!(restore(&copy, folder.path()).unwrap_err().text.contains("a history already"));
    let other = tempfile::tempdir().unwrap();
    restore(&copy, other.path()).unwrap();
    assert_eq!(verify(&other.path().join("history.sqlite")).unwrap(), found);
    drop(ThreadedStore::open(other.path()).unwrap());
    let names = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap());
    assert_eq!(
        names.filter(|name| name.contains("copy")).collect::<Vec<_>>(),
        ["copy.sqlite"],
        "nothing half-made"
    );

    // Someone changes the copy: an entry of the trail with its trigger taken away, and a byte of a chunk.
    let tampered = rusqlite::Connection::open(&copy).unwrap();
    assert!(tampered.execute("UPDATE audit SET by = 'nobody' WHERE n = 2", []).is_err());
    tampered
        .execute_batch("DROP TRIGGER audit_stays_as_it_is; UPDATE audit SET by = 'nobody' WHERE n = 2")
        .unwrap();
    tampered
        .execute("UPDATE chunks SET block = CAST(substr(block, 1, 40) || x'00' || substr(block, 42) AS BLOB) WHERE key = (SELECT min(key) FROM chunks)", [])
        .unwrap();
    drop(tampered);
    let found = verify(&copy).unwrap();
    assert_eq!(found.fault_count, 2, "{found}");
    assert!(found.faults.iter().any(|fault| fault.contains("audit entry 2 was changed")), "{found}");
    let third = tempfile::tempdir().unwrap();
    assert!(restore(&copy, third.path()).unwrap_err().text.contains("not sound"));
}

#[tokio::test]
async fn a_lost_file_comes_back_from_its_copy_and_its_own_journal_and_never_under_a_daemon() {
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open(folder.path()).unwrap();
    let id = store.start_run(run(START_MS)).await.unwrap();
    store.append(id, second(0, 0)).await.unwrap();
    let copies = tempfile::tempdir().unwrap();
    let copy = copies.path().join("copy.sqlite");
    backup(folder.path(), &copy).unwrap();
    store.append(id, second(1, 0)).await.unwrap();
    let file = folder.path().join("history.sqlite");
    std::fs::rename(&file, copies.path().join("lost.sqlite")).unwrap();
    assert!(restore(&copy, folder.path()).unwrap_err().text.contains("another setward"), "a daemon holds it");
    drop(store);
    wait_until_free(folder.path());

    // Another history's journal stays untouched; its own gives the second that the copy lacks.
    let other = tempfile::tempdir().unwrap();
    drop(ThreadedStore::open(other.path()).unwrap());
    wait_until_free(other.path());
    std::fs::remove_file(other.path().join("history.sqlite")).unwrap();
    let foreign = other.path().join("history.journal");
    std::fs::copy(folder.path().join("history.journal"), &foreign).unwrap();
    let mut bytes = std::fs::read(&copy).unwrap();
    assert!(bytes.len() > 4096);
    bytes.truncate(3000);
    let short = copies.path().join("short.sqlite");
    std::fs::write(&short, bytes).unwrap();
    assert!(restore(&short, other.path()).is_err(), "half a copy");
    assert!(!other.path().join("history.sqlite").exists());

    // The log of the lost file stayed: it would be played into the copy.
    assert!(restore(&copy, folder.path()).unwrap_err().text.contains("history.sqlite-wal"));
    for name in ["history.sqlite-wal", "history.sqlite-shm"] {
        let left = folder.path().join(name);
        assert!(!left.exists() || std::fs::rename(left, copies.path().join(name)).is_ok());
    }
    restore(&copy, folder.path()).unwrap();
    let store = ThreadedStore::open(folder.path()).unwrap();
    let span = Span::new(UtcMillis(START_MS), UtcMillis(START_MS + 60_000)).unwrap();
    let found = store.exact(vec!["TT-310".to_owned()], span).await.unwrap();
    assert_eq!(found[0].samples.len(), 2);
}

/// The thread that owned the history ends a moment after its handle.
fn wait_until_free(folder: &std::path::Path) {
    let lock = std::fs::File::options().write(true).open(folder.join("lock")).unwrap();
    lock.lock().unwrap();
}
