//! When the line is published: at once where something happened to alarms or people, at a pace while anybody looks, else once a second.
//!
//! A snapshot holds every signal and alarm. With many scans a second most of them would be made for nobody: a page asks once a second.

use crate::handle::Looks;
use std::time::Duration;
use tokio::time::Instant;

/// Scans alone are published no more often than this.
const PACE: Duration = Duration::from_millis(100);
/// Whoever has looked is taken to look again for so long, in ticks of a second.
const LOOKED_AT_TICKS: u64 = 60;

/// What has been published, and whether anybody looks.
#[derive(Debug, Default)]
pub(super) struct Publishing {
    /// How often anybody had looked when last counted, and in which tick that was.
    looked: (u64, u64),
    /// When the line was last published; `None`: not yet.
    last: Option<Instant>,
    /// Something is not published yet that somebody looks for.
    is_owing: bool,
}

impl Publishing {
    /// Whether to publish now that something has changed; `at_once`: whoever looks or not.
    pub(super) fn is_due(&mut self, at_once: bool, is_looked_at: bool, now: Instant) -> bool {
        let is_paced = self.owed_at().is_none_or(|at| at <= now);
        let is_due = at_once || (is_looked_at && is_paced);
        if is_due {
            self.last = Some(now);
        }
        self.is_owing = is_looked_at && !is_due;
        is_due
    }

    /// When what is not published yet has to be, so that the last scan of several is not held back; `None` if nothing waits.
    pub(super) fn deadline(&self) -> Option<Instant> {
        self.owed_at().filter(|_| self.is_owing)
    }

    /// Whether anybody looks at the line or has within the last minute, or it has just begun. One receiver is the run's own.
    pub(super) fn is_looked_at(&mut self, receivers: usize, looks: &Looks, ticks: u64) -> bool {
        let count = looks.count();
        if receivers > 1 || count != self.looked.0 {
            self.looked = (count, ticks);
        }
        self.is_awaited(ticks)
    }

    /// As [`Self::is_looked_at`], by what was found then.
    pub(super) const fn is_awaited(&self, ticks: u64) -> bool {
        ticks < self.looked.1 + LOOKED_AT_TICKS
    }

    fn owed_at(&self) -> Option<Instant> {
        self.last.map(|last| last + PACE)
    }
}

#[cfg(test)]
#[path = "publishing_tests.rs"]
mod tests;
