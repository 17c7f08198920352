//! The lock beside a history: one process keeps it, every other one is told which.
//!
//! Owns the lock's file. Leaves out what is in the folder.

use super::HistoryError;
use std::fs::{File, TryLockError};
use std::io::{Read as _, Seek as _, Write as _};
use std::os::unix::fs::{MetadataExt as _, fchown};
use std::path::Path;

/// A folder that is this process's as long as the lock stands; it goes when the process ends, however it ends.
#[derive(Debug)]
pub(super) struct FolderLock(File);

impl FolderLock {
    /// Takes `folder` for this process.
    pub(super) fn take(folder: &Path) -> Result<Self, HistoryError> {
        let path = folder.join("lock");
        let failed =
            |error: std::io::Error| HistoryError { text: format!("locking {}: {error}", path.display()) };
        let mut file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(failed)?;
        give_to_owner_of(folder, &file);
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(taken(folder, file)),
            Err(TryLockError::Error(error)) => return Err(failed(error)),
        }
        file.set_len(0).and_then(|()| file.rewind()).map_err(failed)?;
        writeln!(file, "{}", std::process::id()).map_err(failed)?;
        Ok(Self(file))
    }
}

/// What root makes in a folder of somebody else's is that one's, who could not open it otherwise.
pub(super) fn give_to_owner_of(folder: &Path, made: &File) {
    if let Ok(owner) = folder.metadata() {
        // Nobody but root can do it, and nobody but root needs to.
        let _not_root = fchown(made, Some(owner.uid()), Some(owner.gid()));
    }
}

impl Drop for FolderLock {
    fn drop(&mut self) {
        // Closing would do, but for a command being started just then: until it runs it has the file open as well.
        let _closed_next = self.0.unlock();
    }
}

fn taken(folder: &Path, mut file: File) -> HistoryError {
    let mut holder = String::new();
    let _unreadable = file.read_to_string(&mut holder);
    let text = format!(
        "another setward (process {}) keeps its history in {}; stop it first, or set another data_dir in site.toml",
        holder.trim(),
        folder.display()
    );
    HistoryError { text }
}
