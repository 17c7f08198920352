//! A copy of the history while it is being written, verified before it is called one; and the way back.

use super::HistoryError;
use super::tables::{SCHEMA_VERSION, open_to_read};
use super::verify::{Verification, verify};
use rusqlite::Connection;
use std::fs;
use std::path::Path;

/// Copies the history file to `to` and looks at every block of the copy. The writer goes on meanwhile; the open hour, which
/// is only in memory and in the journal, is not part of it.
///
/// # Errors
/// When `to` exists, the copy can't be made, or it is not sound; then it is removed.
pub fn backup(file: &Path, to: &Path) -> Result<Verification, HistoryError> {
    let doing = format!("copying {} to {}", file.display(), to.display());
    if to.exists() {
        return Err(HistoryError { text: format!("{doing}: there is a file already; give a new name") });
    }
    let connection = open_to_read(file).map_err(|error| HistoryError::during(&doing, &error))?;
    let name = to.to_str().ok_or_else(|| HistoryError { text: format!("{doing}: the name is not UTF-8") })?;
    let copied = connection.execute("VACUUM INTO ?1", [name]);
    let verified = copied.map_err(|error| HistoryError::during(&doing, &error)).and_then(|_| verify(to));
    let sync = || fs::File::open(to).and_then(|copy| copy.sync_all());
    let sound = verified.and_then(|found| match sync() {
        Ok(()) if found.is_sound() => Ok(found),
        Ok(()) => Err(HistoryError { text: format!("{doing}: the copy is not sound: {found}") }),
        Err(error) => Err(HistoryError { text: format!("{doing}: {error}") }),
    });
    if sound.is_err() {
        // The copy may never have been begun.
        let _absent = fs::remove_file(to);
    }
    sound
}

/// Puts a verified copy into `folder`, in which no history may be.
///
/// # Errors
/// When there is a history already, or the copy is not sound, or of another version.
pub fn restore(copy: &Path, folder: &Path) -> Result<Verification, HistoryError> {
    let file = folder.join("history.sqlite");
    let doing = format!("restoring {} to {}", copy.display(), file.display());
    if file.exists() {
        return Err(HistoryError {
            text: format!("{doing}: there is a history already; move it away first"),
        });
    }
    let failed = |error: rusqlite::Error| HistoryError::during(&doing, &error);
    let connection = open_to_read(copy).map_err(failed)?;
    let version: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(failed)?;
    if version != SCHEMA_VERSION {
        let text =
            format!("{doing}: the copy has version {version}, this program reads version {SCHEMA_VERSION}");
        return Err(HistoryError { text });
    }
    let found = verify(copy)?;
    if !found.is_sound() {
        return Err(HistoryError { text: format!("{doing}: the copy is not sound: {found}") });
    }
    let io = |error: std::io::Error| HistoryError { text: format!("{doing}: {error}") };
    fs::create_dir_all(folder).map_err(io)?;
    let part = folder.join("history.restoring");
    fs::copy(copy, &part).and_then(|_| fs::File::open(&part)?.sync_all()).map_err(io)?;
    // A write-ahead log is made when the store is opened; the copy has none.
    drop(Connection::open(&part).map_err(failed)?);
    fs::rename(&part, &file).map_err(io)?;
    Ok(found)
}
