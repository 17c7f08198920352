//! A copy of the history while it is being written, verified before it is called one; and the way back.

use super::lock::FolderLock;
use super::store::Store;
use super::tables::{OLDEST_COMPLETED, SCHEMA_VERSION, open_to_read, store_number};
use super::verify::{Verification, verify};
use super::{HistoryError, ring};
use rusqlite::Connection;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// Copies the history in `folder` to the new file `to`, with all that was confirmed when it began: also what is still only in
/// the journal. Looks at every block of the copy before it gets its name. A daemon may write meanwhile.
///
/// # Errors
/// When `to` exists, the copy can't be made, or it is not sound; then nothing is left of it.
pub fn backup(folder: &Path, to: &Path) -> Result<Verification, HistoryError> {
    let doing = format!("copying the history in {} to {}", folder.display(), to.display());
    let refused = |why: String| HistoryError { text: format!("{doing}: {why}") };
    if to.exists() {
        return Err(refused("there is a file already; give a new name".to_owned()));
    }
    if !folder.join("history.sqlite").exists() {
        return Err(refused("there is no history".to_owned()));
    }
    let part = with_ending(to, ".part");
    let made = make_copy(folder, &part, &doing).and_then(|found| {
        if !found.is_sound() {
            return Err(refused(format!("the copy is not sound:\n{found}")));
        }
        fs::rename(&part, to).and_then(|()| sync_folder(to)).map_err(|error| refused(error.to_string()))?;
        Ok(found)
    });
    if made.is_err() {
        for ending in ["", "-journal"] {
            // The copy may never have been begun.
            let _absent = fs::remove_file(with_ending(&part, ending));
        }
    }
    made
}

fn make_copy(folder: &Path, part: &Path, doing: &str) -> Result<Verification, HistoryError> {
    let failed = |error: rusqlite::Error| HistoryError::during(doing, &error);
    let name =
        part.to_str().ok_or_else(|| HistoryError { text: format!("{doing}: the name is not UTF-8") })?;
    // Made here, so that an older, half-made copy of this name is not taken for this one.
    let made = File::options().write(true).create_new(true).open(part);
    made.map_err(|error| HistoryError { text: format!("{doing}: making {name}: {error}") })?;
    let connection = open_to_read(&folder.join("history.sqlite")).map_err(failed)?;
    // Before the file: what has left the journal by then is in the file.
    let number = store_number(&connection).map_err(failed)?;
    let journal = ring::look(&folder.join("history.journal"), number)?;
    connection.execute("VACUUM INTO ?1", [name]).map_err(failed)?;
    Store::complete(Connection::open(part).map_err(failed)?, journal)?;
    let found = verify(part)?;
    let synced = File::open(part).and_then(|copy| copy.sync_all());
    synced.map_err(|error| HistoryError { text: format!("{doing}: {error}") })?;
    Ok(found)
}

/// Puts a verified copy into `folder`, in which no history may be, and which no daemon may hold. A journal of the same history
/// may be there: what it holds beyond the copy is taken up at the next start.
///
/// # Errors
/// When there is a history already, or another's journal, a daemon runs, or the copy is not sound, or of another version.
pub fn restore(copy: &Path, folder: &Path) -> Result<Verification, HistoryError> {
    let file = folder.join("history.sqlite");
    let doing = format!("restoring {} to {}", copy.display(), file.display());
    let refused = |why: String| HistoryError { text: format!("{doing}: {why}") };
    if !copy.is_file() {
        return Err(refused("there is no such copy".to_owned()));
    }
    if file.exists() {
        return Err(refused("there is a history already; move it away first".to_owned()));
    }
    let number = check_copy(copy, &doing)?;
    let found = verify(copy)?;
    if !found.is_sound() {
        return Err(refused(format!("the copy is not sound:\n{found}")));
    }
    fs::create_dir_all(folder).map_err(|error| refused(error.to_string()))?;
    let _lock = FolderLock::take(folder)?;
    let journal = folder.join("history.journal");
    if ring::owner(&journal)?.is_some_and(|owner| owner != number) {
        let name = journal.display();
        return Err(refused(format!("{name} belongs to another history; move it away first")));
    }
    let part = folder.join("history.restoring");
    let copied = fs::copy(copy, &part)
        .and_then(|_| File::open(&part)?.sync_all())
        .and_then(|()| fs::rename(&part, &file))
        .and_then(|()| sync_folder(&file));
    copied.map_err(|error| refused(error.to_string()))?;
    Ok(found)
}

/// The number of the store that was copied.
fn check_copy(copy: &Path, doing: &str) -> Result<u64, HistoryError> {
    let failed = |error: rusqlite::Error| HistoryError::during(doing, &error);
    let connection = open_to_read(copy).map_err(failed)?;
    let version: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(failed)?;
    if !(OLDEST_COMPLETED..=SCHEMA_VERSION).contains(&version) {
        let text =
            format!("{doing}: the copy has version {version}, this program reads version {SCHEMA_VERSION}");
        return Err(HistoryError { text });
    }
    store_number(&connection).map_err(failed)
}

/// A new name survives the power cord only once its folder is synced.
fn sync_folder(file: &Path) -> io::Result<()> {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty());
    File::open(folder.unwrap_or_else(|| Path::new(".")))?.sync_all()
}

fn with_ending(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}
