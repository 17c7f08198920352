//! When history is synced: always, but for a simulated past that is written faster than any disk syncs.

use super::HistoryError;
use super::store::Store;

impl Store {
    /// From now on what is confirmed is on the disk, or not: a simulated week need not outlast the power cord.
    pub(super) fn set_syncs(&mut self, syncs: bool) -> Result<(), HistoryError> {
        let doing = |error| HistoryError::during("changing when history is synced", &error);
        let word = if syncs { "FULL" } else { "OFF" };
        self.connection.pragma_update(None, "synchronous", word).map_err(doing)?;
        if syncs {
            self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_row| Ok(())).map_err(doing)?;
        }
        self.ring.as_mut().map_or(Ok(()), |ring| ring.set_syncs(syncs))
    }
}
