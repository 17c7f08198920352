//! How much room history takes, for those who watch the daemon, and how much it may take from now on.

use super::sqlite::ThreadedStore;
use super::store::Store;
use super::{HistoryError, Settings};
use std::fs;
use std::path::{Path, PathBuf};

/// How much room a history takes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Usage {
    /// The history file with its write-ahead log, bytes; of a history in memory, its pages.
    pub file_bytes: u64,
    /// The journal beside it, bytes: of one size from its first day.
    pub journal_bytes: u64,
    /// Readings of the open hour in memory, bytes.
    pub open_bytes: u64,
    /// What is free on the disk, bytes; `None` if it can't be told.
    pub free_bytes: Option<u64>,
}

impl ThreadedStore {
    /// From now on history is kept as `settings` say; the journal stays as large as it is.
    ///
    /// # Errors
    /// When the store has ended.
    pub async fn keep_as(&self, settings: Settings) -> Result<(), HistoryError> {
        self.ask(move |store| {
            store.settings = Settings { journal_bytes: store.settings.journal_bytes, ..settings };
            Ok(())
        })
        .await
    }
}

/// How much room a store takes now.
pub(super) fn usage(store: &Store) -> Result<Usage, HistoryError> {
    let open_bytes = store.runs.iter().flat_map(|run| run.chunks()).map(|chunk| chunk.bytes()).sum();
    let Some(file) = &store.file else {
        return Ok(Usage { file_bytes: pages_of(store)?, open_bytes, ..Usage::default() });
    };
    let size = |path: &Path| fs::metadata(path).map_or(0, |found| found.len());
    Ok(Usage {
        file_bytes: size(file) + size(&with_ending(file, "-wal")),
        journal_bytes: size(&file.with_file_name("history.journal")),
        open_bytes,
        free_bytes: file.parent().and_then(store.settings.free_bytes),
    })
}

fn pages_of(store: &Store) -> Result<u64, HistoryError> {
    let pragma = |name: &str| store.connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get(0));
    let bytes = || -> rusqlite::Result<i64> {
        let (count, size): (i64, i64) = (pragma("page_count")?, pragma("page_size")?);
        Ok(count.saturating_mul(size))
    };
    let bytes = bytes().map_err(|error| HistoryError::during("measuring the history", &error))?;
    Ok(u64::try_from(bytes).unwrap_or_default())
}

fn with_ending(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}
