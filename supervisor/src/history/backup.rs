//! A copy of the history while it is being written, verified before it is called one; and the way back.

use super::lock::{FolderLock, give_to_owner_of};
use super::store::Store;
use super::tables::{
    FREE_ROOM, OLDEST_COMPLETED, OWNER_AND_GROUP, SCHEMA_VERSION, open_to_read, store_number,
};
use super::verify::{Verification, verify};
use super::{HistoryError, ring};
use rusqlite::Connection;
use std::fs::{self, File};
use std::io::{self, ErrorKind};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

/// What SQLite keeps beside a file. It would play a log that it finds there into whatever file has the name.
const BESIDE: [&str; 3] = ["-wal", "-shm", "-journal"];

/// Copies the history in `folder` to the new file `to`, with all that was confirmed when it began: also what is still only in
/// the journal. Looks at every block of the copy before it gets its name. A daemon may write meanwhile.
///
/// # Errors
/// When `to` exists, the copy can't be made, or it is not sound; then nothing is left of it.
pub fn backup(folder: &Path, to: &Path) -> Result<Verification, HistoryError> {
    let doing = format!("copying the history in {} to {}", folder.display(), to.display());
    let refused = |why: String| HistoryError { text: format!("{doing}: {why}") };
    let is_taken = || refused("there is a file already; give a new name".to_owned());
    if is_there(to) {
        return Err(is_taken());
    }
    if !folder.join("history.sqlite").exists() {
        return Err(refused("there is no history".to_owned()));
    }
    let part = with_ending(to, ".part");
    let name = part.to_str().ok_or_else(|| refused("the name is not UTF-8".to_owned()))?;
    make_new(&part).map_err(|error| {
        refused(if error.kind() == ErrorKind::AlreadyExists {
            format!("{name} is there already; give another name, or remove it if it is of a copy that was cut short")
        } else {
            format!("making {name}: {error}")
        })
    })?;
    let made = make_copy(folder, &part, name, &doing).map_err(about_the_copy).and_then(|found| {
        if !found.is_sound() {
            return Err(refused(format!("the copy is not sound:\n{found}")));
        }
        // Somebody may have taken the name meanwhile.
        if is_there(to) {
            return Err(is_taken());
        }
        fs::rename(&part, to).and_then(|()| sync_folder(to)).map_err(|error| refused(error.to_string()))?;
        Ok(found)
    });
    if made.is_err() {
        for ending in ["", "-journal"] {
            // It was made here; the copying may never have come as far.
            let _absent = fs::remove_file(with_ending(&part, ending));
        }
    }
    made
}

/// The file of this name, made here and empty: one that is there is neither touched nor followed to where it points.
fn make_new(file: &Path) -> io::Result<File> {
    File::options().write(true).create_new(true).mode(OWNER_AND_GROUP).open(file)
}

/// Whether the name is taken: also by a link to nothing.
fn is_there(file: &Path) -> bool {
    file.symlink_metadata().is_ok()
}

/// The only disk that is written here is the copy's.
fn about_the_copy(error: HistoryError) -> HistoryError {
    let own = "; free some room on the disk that the copy is written to, or give a place on another";
    HistoryError { text: error.text.replace(FREE_ROOM, own) }
}

fn make_copy(folder: &Path, part: &Path, name: &str, doing: &str) -> Result<Verification, HistoryError> {
    let failed = |error: rusqlite::Error| HistoryError::during(doing, &error);
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
/// may be there: what it holds beyond the copy is taken up at the next start. What is told is what was put there, looked at there.
///
/// # Errors
/// When there is a history already, or what is left of one, or another's journal, a daemon runs, or the copy is not sound, or of
/// another version.
pub fn restore(copy: &Path, folder: &Path) -> Result<Verification, HistoryError> {
    let file = folder.join("history.sqlite");
    let doing = format!("restoring {} to {}", copy.display(), file.display());
    let refused = |why: String| HistoryError { text: format!("{doing}: {why}") };
    if !copy.is_file() {
        return Err(refused("there is no such copy".to_owned()));
    }
    if is_there(&file) {
        return Err(refused(in_the_way(&file).unwrap_or_default()));
    }
    let number = check_copy(copy, &doing)?;
    let found = verify(copy)?;
    if !found.is_sound() {
        return Err(refused(format!("the copy is not sound:\n{found}")));
    }
    make_folder(folder).map_err(|error| refused(error.to_string()))?;
    let _lock = FolderLock::take(folder)?;
    // Looked at again: from here on nobody else puts a history there.
    if let Some(why) = in_the_way(&file) {
        return Err(refused(why));
    }
    let journal = folder.join("history.journal");
    if ring::owner(&journal)?.is_some_and(|owner| owner != number) {
        let name = journal.display();
        return Err(refused(format!("{name} belongs to another history; move it away first")));
    }
    let part = folder.join("history.restoring");
    let copied = copy_in(copy, &part, folder)
        .and_then(|()| fs::rename(&part, &file))
        .and_then(|()| sync_folder(&file));
    copied.map_err(|error| {
        // Nothing half-made takes the room that a second try needs.
        let _absent = fs::remove_file(&part);
        refused(error.to_string())
    })?;
    verify(&file)
}

/// What must be moved away before a history can be put there, if anything must.
fn in_the_way(file: &Path) -> Option<String> {
    let is_history = is_there(file);
    let all = BESIDE.iter().map(|ending| with_ending(file, ending)).filter(|beside| is_there(beside));
    let all: Vec<String> = is_history
        .then(|| file.to_owned())
        .into_iter()
        .chain(all)
        .map(|path| path.display().to_string())
        .collect();
    let what = if is_history { "there is a history already" } else { "what is left of a history lies there" };
    (!all.is_empty()).then(|| format!("{what}; move it away first, all of it together: {}", all.join(", ")))
}

/// Makes the folder if there is none, for whoever has the folder that it is in.
fn make_folder(folder: &Path) -> io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    fs::create_dir_all(folder)?;
    let around = folder.parent().filter(|around| !around.as_os_str().is_empty());
    give_to_owner_of(around.unwrap_or_else(|| Path::new(".")), &File::open(folder)?);
    Ok(())
}

/// Root may put it back for a service that is not root: it is the service's then.
fn copy_in(copy: &Path, part: &Path, folder: &Path) -> io::Result<()> {
    // Of a restore that was cut short: the folder is locked, so nobody writes it now.
    let _stale = fs::remove_file(part);
    let mut new = make_new(part)?;
    give_to_owner_of(folder, &new);
    io::copy(&mut File::open(copy)?, &mut new)?;
    new.sync_all()
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

#[cfg(test)]
#[path = "backup_tests.rs"]
mod tests;
