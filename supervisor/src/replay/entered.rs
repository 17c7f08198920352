//! What people had entered before a run began, or before the window began in the middle of it: the present values, as the line task
//! takes them up at its start. They are no samples of the window, so that no row of it brings them.

use super::feed::Scan;
use crate::history::{HistoryError, HistoryStore, StoredEntry};
use crate::line::WallAnchor;
use crate::snapshot::RunId;
use setward_config::line::Line;
use setward_protocol::{Reading, Sample, SignalId, Uptime};
use std::time::Duration;

/// All that was ever entered, by signal, in the order of the line.
#[derive(Debug, Default)]
pub(super) struct Entered(Vec<(SignalId, Vec<StoredEntry>)>);

/// When a run began, and when it is played from: later, if the window begins in the middle of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Begins {
    pub(super) run: RunId,
    pub(super) started: WallAnchor,
    pub(super) played_from: WallAnchor,
}

impl Entered {
    /// Reads what the line's signals were given.
    ///
    /// # Errors
    /// When history can't be read.
    pub(super) async fn of(line: &Line, store: &dyn HistoryStore) -> Result<Self, HistoryError> {
        let mut all = Vec::new();
        for entry in &line.entries {
            let tag = line.signal(entry.signal).tag.clone();
            all.push((entry.signal, store.entries(Some(tag), usize::MAX).await?));
        }
        Ok(Self(all))
    }

    /// What stood when `begins` is played from: the recipes that somebody chose, then each other value alone.
    pub(super) fn standing(&self, line: &Line, begins: Begins) -> Vec<Scan> {
        let standing = self.0.iter().filter_map(|(signal, rows)| standing(line, (*signal, rows), begins));
        let (chosen, others): (Vec<Sample>, Vec<Sample>) =
            standing.partition(|sample| line.chooses_recipe(sample.signal));
        let scans = std::iter::once(chosen).chain(others.into_iter().map(|one| vec![one]));
        let scan = |samples: Vec<Sample>| Scan {
            run: begins.run,
            controller: None,
            at: begins.played_from.at,
            utc: begins.played_from.utc,
            samples,
            brought_words: true,
        };
        scans.filter(|samples| !samples.is_empty()).map(scan).collect()
    }
}

/// The newest value that a signal had before, as of the moment at which the run learned of it.
fn standing(line: &Line, (signal, rows): (SignalId, &[StoredEntry]), begins: Begins) -> Option<Sample> {
    let Begins { started, played_from, .. } = begins;
    let known = || rows.iter().filter(|row| row.entered < played_from.utc);
    let is_corrected = |n: u64| known().any(|row| row.corrects == Some(n));
    let newest = known().filter(|row| !is_corrected(row.n)).max_by_key(|row| (row.taken, row.n))?;
    let learned_at = if newest.entered < started.utc {
        // A recipe stays chosen, however long ago; any other value is known for a while only.
        let age_ms = u64::try_from(started.utc.0.saturating_sub(newest.taken.0)).unwrap_or(0);
        let is_young = Duration::from_millis(age_ms) <= line.gap_limit(signal);
        (is_young || line.chooses_recipe(signal)).then_some(started.at)?
    } else {
        let after_ms = u64::try_from(newest.entered.0.saturating_sub(started.utc.0)).unwrap_or(0);
        started.at + Duration::from_millis(after_ms)
    };
    let at: Uptime = learned_at.min(played_from.at);
    Some(Sample { signal, at, reading: Reading::Good(newest.value) })
}

#[cfg(test)]
#[path = "entered_tests.rs"]
mod tests;
