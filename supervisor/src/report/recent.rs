//! The kept events that a report over a window needs: not those of all the years before it.
//!
//! - What a station did, which recipe ran and when nobody watched is told anew by each run, and runs are read whole.
//! - What raised, was shelved or was entered shortly before the window is within forty days before it.
//! - An alarm may stand for longer. Of one that stood already when the oldest of these runs began, the events since it was last
//!   over are read besides.

use super::EVENTS_MAX;
use crate::history::{EventsAsked, HistoryError, HistoryStore, StoredEvent};
use crate::snapshot::RunId;
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;

/// Runs that were over so long before a window are not read for it, ms: far more than any report looks back.
pub(crate) const BEFORE_MS: i64 = 40 * 86_400_000;
/// Events of one alarm that are read at a time.
const PAGE: usize = 100;

/// What a window that begins at `from` needs, up to the end of what was kept, in the order in which it happened.
///
/// # Errors
/// When history can't be read.
pub async fn events_for(
    line: &Line,
    store: &dyn HistoryStore,
    from: UtcMillis,
) -> Result<Vec<StoredEvent>, HistoryError> {
    let since = UtcMillis(from.0.saturating_sub(BEFORE_MS));
    let asked = EventsAsked { since: Some(since), limit: EVENTS_MAX, ..EventsAsked::default() };
    let mut events = store.events_of(asked).await?;
    events.reverse();
    let begin = events.first().map_or((RunId(i64::MAX), 0), |first| (first.run, first.event.sequence));
    let mut first: BTreeMap<&str, bool> = BTreeMap::new();
    for event in events.iter().map(|stored| &stored.event) {
        if let Some(alarm) = event.alarm.as_deref() {
            first.entry(alarm).or_insert(event.what == "raised");
        }
    }
    // Of what has told nothing since, its state says whether it stands.
    let records = store.alarm_records().await?;
    let silent =
        records.iter().filter(|record| record.state != 'A' && !first.contains_key(record.id.as_str()));
    let stood = first.iter().filter(|(_, has_raised)| !**has_raised).map(|(alarm, _)| *alarm);
    let stood: Vec<String> =
        stood.chain(silent.map(|record| record.id.as_str())).map(str::to_owned).collect();
    let mut before = Vec::new();
    for alarm in stood.into_iter().filter(|alarm| line.alarm_by_id(alarm).is_some()) {
        before.extend(since_over(store, &alarm, begin).await?);
    }
    before.sort_by_key(|stored| (stored.run, stored.event.sequence));
    before.extend(events);
    Ok(before)
}

/// The events of an alarm before one of a run, back to when it was over; it may have stood when it was.
async fn since_over(
    store: &dyn HistoryStore,
    alarm: &str,
    begin: (RunId, u64),
) -> Result<Vec<StoredEvent>, HistoryError> {
    let mut found = Vec::new();
    let mut before = begin;
    loop {
        let asked = EventsAsked {
            alarm: Some(alarm.to_owned()),
            before: Some(before),
            limit: PAGE,
            ..EventsAsked::default()
        };
        let page = store.events_of(asked).await?;
        let Some(last) = page.last() else { return Ok(found) };
        before = (last.run, last.event.sequence);
        for stored in page {
            match stored.event.what.as_str() {
                "cleared" => return Ok(found),
                "raised" => {
                    found.push(stored);
                    return Ok(found);
                }
                _ => found.push(stored),
            }
        }
    }
}

#[cfg(test)]
#[path = "recent_tests.rs"]
mod tests;
