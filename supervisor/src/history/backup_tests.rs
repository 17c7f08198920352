//! What lies where a copy is put, or put back: nothing of it is touched, played in or left to the wrong account.

use super::*;
use crate::history::counts;
use crate::history::testing::{START_MS, run, second, small};
use std::os::unix::fs::{MetadataExt as _, chown, symlink};

/// A history of two runs in a folder; gives the log that is beside it while it is written.
fn history(folder: &Path) -> Vec<u8> {
    let mut store = Store::open(folder, small()).unwrap();
    for start in [0, 4_000] {
        let id = store.start_run(&run(START_MS + start * 1000)).unwrap();
        for now in start..start + 100 {
            store.append(id, &second(now, start)).unwrap();
        }
    }
    fs::read(folder.join("history.sqlite-wal")).unwrap()
}

fn count(file: &Path, table: &str) -> i64 {
    let connection = open_to_read(file).unwrap();
    connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
}

/// After a kill the log stays behind, and SQLite plays a log into whatever file has the name.
#[test]
fn the_log_of_a_history_that_was_moved_away_is_not_played_into_its_copy() {
    let (folder, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let log = history(folder.path());
    assert!(!log.is_empty());
    let copy = folder.path().join("copy.sqlite");
    let copied = backup(folder.path(), &copy).unwrap();
    let (file, beside) = (other.path().join("history.sqlite"), other.path().join("history.sqlite-wal"));
    fs::write(&beside, &log).unwrap();
    let refused = restore(&copy, other.path()).unwrap_err().text;
    assert!(
        refused.contains("what is left of a history") && refused.contains("history.sqlite-wal"),
        "{refused}"
    );
    assert!(!file.exists() && fs::read(&beside).unwrap() == log, "nothing was touched");

    fs::write(&file, "a history").unwrap();
    let refused = restore(&copy, other.path()).unwrap_err().text;
    assert!(
        refused.ends_with(&format!("{}, {}", file.display(), beside.display())),
        "both are named: {refused}"
    );

    fs::remove_file(&file).unwrap();
    fs::remove_file(&beside).unwrap();
    assert_eq!(restore(&copy, other.path()).unwrap(), copied);
    drop(Store::open(other.path(), small()).unwrap());
    for table in ["runs", "chunks", "time_chunks"] {
        assert!(count(&copy, table) > 0);
        assert_eq!(count(&file, table), count(&copy, table), "{table}");
    }
}

/// The account of a service that is not root.
const SERVICE: u32 = 64_123;

#[test]
fn what_root_puts_back_is_the_services_to_open_and_nobody_elses_to_read() {
    if !rustix::process::geteuid().is_root() {
        eprintln!("SKIPPED: only root can put a copy back for another account");
        return;
    }
    let (folder, around) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    history(folder.path());
    let copy = folder.path().join("copy.sqlite");
    backup(folder.path(), &copy).unwrap();
    chown(around.path(), Some(SERVICE), Some(SERVICE)).unwrap();
    let data = around.path().join(".setward");
    restore(&copy, &data).unwrap();
    for name in ["", "lock", "history.sqlite"] {
        let found = fs::metadata(data.join(name)).unwrap();
        assert_eq!((found.uid(), found.gid()), (SERVICE, SERVICE), "{name}");
    }
    assert_eq!(fs::metadata(data.join("history.sqlite")).unwrap().mode() & 0o137, 0);
}

#[test]
fn a_history_and_its_copy_are_for_their_owner_and_the_group_alone() {
    let folder = tempfile::tempdir().unwrap();
    history(folder.path());
    backup(folder.path(), &folder.path().join("copy.sqlite")).unwrap();
    for name in ["history.sqlite", "history.journal", "copy.sqlite"] {
        let mode = fs::metadata(folder.path().join(name)).unwrap().mode();
        assert_eq!(mode & 0o137, 0, "{name}: {mode:o}");
    }
}

#[test]
fn a_half_made_copy_of_somebody_else_and_a_link_to_nothing_are_left_as_they_are() {
    let folder = tempfile::tempdir().unwrap();
    history(folder.path());
    let to = folder.path().join("copy.sqlite");
    let part = folder.path().join("copy.sqlite.part");
    fs::write(&part, "somebody's").unwrap();
    let refused = backup(folder.path(), &to).unwrap_err().text;
    assert!(refused.contains("copy.sqlite.part is there already"), "{refused}");
    assert_eq!(fs::read(&part).unwrap(), b"somebody's");
    fs::remove_file(&part).unwrap();
    symlink(folder.path().join("nothing"), &to).unwrap();
    let refused = backup(folder.path(), &to).unwrap_err().text;
    assert!(refused.contains("a file already"), "{refused}");
    assert!(is_there(&to) && !to.exists(), "the link still points to nothing");
}

#[test]
fn a_copy_that_finds_no_room_names_its_own_disk() {
    let full = rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_FULL), None);
    let told = about_the_copy(HistoryError::during("copying", &full)).text;
    assert!(told.contains("the disk that the copy is written to") && !told.contains("data_dir"), "{told}");
}

/// What a copy is made of has what it must have, also where it is completed from the journal.
#[test]
fn a_copy_counts_on_from_what_it_copies() {
    let folder = tempfile::tempdir().unwrap();
    history(folder.path());
    let copy = folder.path().join("copy.sqlite");
    backup(folder.path(), &copy).unwrap();
    let connection = open_to_read(&copy).unwrap();
    assert_eq!(counts::kept(&connection, "rows of runs").unwrap(), Some(2));
}
