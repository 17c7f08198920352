//! How the store uses its disk, and the guard that stops it before the disk is full.

use super::{HistoryError, Keep};
use setward_config::line::HistorySettings;
use std::path::Path;

/// History waits while less than this is free, bytes.
pub(super) const FREE_MIN_BYTES: u64 = 200_000_000;
/// Once waiting, it goes on only with a tenth more, so that it does not flutter.
const RESUME_SHARE: u64 = 10;

/// How a store is kept.
#[derive(Debug, Clone, Copy)]
pub struct Settings {
    /// How long and how much.
    pub keep: Keep,
    /// History waits while less than this is free on its disk, bytes; 0: never.
    pub free_min_bytes: u64,
    /// Size of the journal, bytes: at least twice what an hour's chunks need, or they close earlier.
    pub journal_bytes: u64,
    /// How the free space of a folder's disk is found, bytes; `None` if it can't be.
    pub free_bytes: fn(&Path) -> Option<u64>,
}

impl Settings {
    /// As the site file says.
    #[must_use]
    pub fn of(kept: &HistorySettings) -> Self {
        let keep = Keep {
            readings_days: kept.readings_days,
            minutes_days: kept.minutes_days,
            hours_days: kept.hours_days,
            most_bytes: kept.most_bytes,
        };
        Self { keep, free_min_bytes: kept.free_bytes, ..Self::default() }
    }
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            keep: Keep::default(),
            free_min_bytes: FREE_MIN_BYTES,
            journal_bytes: super::ring::RING_BYTES,
            free_bytes,
        }
    }
}

/// What a program without special rights may still use of the folder's disk, bytes.
#[must_use]
pub fn free_bytes(folder: &Path) -> Option<u64> {
    let disk = rustix::fs::statvfs(folder).ok()?;
    Some(disk.f_bavail.saturating_mul(disk.f_frsize))
}

/// Watches the free space.
#[derive(Debug, Default)]
pub(super) struct Guard {
    is_waiting: bool,
}

impl Guard {
    /// Refuses while the disk is nearly full.
    pub(super) fn check(&mut self, folder: &Path, settings: &Settings) -> Result<(), HistoryError> {
        let least = settings.free_min_bytes;
        let Some(free) = (settings.free_bytes)(folder).filter(|_| least > 0) else { return Ok(()) };
        let wanted = if self.is_waiting { least.saturating_add(least / RESUME_SHARE) } else { least };
        self.is_waiting = free < wanted;
        if !self.is_waiting {
            return Ok(());
        }
        let (free_mb, wanted_mb) = (free / 1_000_000, wanted / 1_000_000);
        let text = format!(
            "history waits: {free_mb} MB are free on the disk of {}, it needs {wanted_mb} MB; free some room: alarms go on \
             meanwhile, and history goes on by itself",
            folder.display()
        );
        Err(HistoryError { text })
    }
}
