//! What the records of kettle batches say of where their corn was, and when.

use super::{BatchRow, HistoryError, HistoryStore, Span};
use crate::report::batch::BatchReport;
use setward_protocol::UtcMillis;

/// Corn may lie in a tank for so long before what is asked for, ms.
const BEFORE_MS: i64 = 7 * 86_400_000;
/// Most batches that are looked at.
const BATCHES_MAX: usize = 100_000;

/// A stretch of time in ms, the end not included, and the batch it belongs to.
type Stretch = (i64, i64, String);

/// Where batches were.
#[derive(Debug, Default)]
pub(super) struct Records {
    /// By the kettle's name.
    kettles: Vec<(String, Stretch)>,
    /// By the tank's number.
    tanks: Vec<(u16, Stretch)>,
    /// Fed to the line.
    fed: Vec<Stretch>,
}

impl Records {
    /// Reads the records of a stretch of history; of a store that keeps none, nothing.
    pub(super) async fn of(store: &dyn HistoryStore, span: Span) -> Result<Self, HistoryError> {
        let from = UtcMillis(span.from().0.saturating_sub(BEFORE_MS));
        let mut records = Self::default();
        for row in store.batches(from, span.to(), BATCHES_MAX).await? {
            records.take(&row);
        }
        Ok(records)
    }

    fn take(&mut self, row: &BatchRow) {
        let Ok(record) = serde_json::from_str::<BatchReport>(&row.record) else { return };
        let name = |from: i64, to: i64| (from, to, row.id.clone());
        let end = row.end.map_or(i64::MAX, |end| end.0);
        self.kettles.push((record.kettle, name(row.start.0, end)));
        let fed: Vec<(i64, i64)> = record
            .fed
            .iter()
            .filter_map(|fed| Some((ms(&fed.from)?, if fed.goes_on { i64::MAX } else { ms(&fed.to)? })))
            .collect();
        if let (Some(tank), Some(from)) = (record.soak.tank, record.soak.from.as_deref().and_then(ms)) {
            let last = fed.iter().map(|(_, to)| *to).max().filter(|_| record.is_complete);
            self.tanks.push((tank, name(from, last.unwrap_or(i64::MAX))));
        }
        self.fed.extend(fed.into_iter().map(|(from, to)| name(from, to)));
    }

    /// The batch that a kettle cooked; empty if no record says it.
    pub(super) fn in_kettle(&self, kettle: &str, utc: UtcMillis) -> String {
        let own = self.kettles.iter().filter(|(name, _)| name == kettle);
        joined(own.map(|(_, stretch)| stretch), utc)
    }

    /// The batches that soaked in a tank, or were left in it.
    pub(super) fn in_tank(&self, tank: u16, utc: UtcMillis) -> String {
        let own = self.tanks.iter().filter(|(number, _)| *number == tank);
        joined(own.map(|(_, stretch)| stretch), utc)
    }

    /// The batches that were fed to the line.
    pub(super) fn on_the_line(&self, utc: UtcMillis) -> String {
        joined(self.fed.iter(), utc)
    }
}

fn joined<'a>(stretches: impl Iterator<Item = &'a Stretch>, utc: UtcMillis) -> String {
    let then = stretches.filter(|(from, to, _)| *from <= utc.0 && utc.0 < *to);
    let mut names: Vec<&str> = then.map(|(.., id)| id.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    names.join("+")
}

fn ms(rfc3339: &str) -> Option<i64> {
    rfc3339.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_millisecond)
}
