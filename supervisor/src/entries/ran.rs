//! When stations ran before this run, by the events that told their modes: what is due after so much running is due as early as if
//! the program had never been stopped.

use crate::history::{EventsAsked, HistoryError, HistoryStore, Span, StoredEntry, StoredEvent};
use crate::report::stops;
use setward_config::line::{EntryDue, Line, StationId};
use setward_protocol::{Mode, UtcMillis};
use std::collections::BTreeSet;

/// Of an entry that was never made, running counts for so long back: it has long been due then.
const NEVER_MS: i64 = 40 * 3_600_000;
/// Of one that was, for so long at most: a line that stood over a holiday.
const LONGEST_MS: i64 = 14 * 86_400_000;
/// Events that are read at a time, and at most.
const PAGE: usize = 1_000;
const EVENTS_MAX: usize = 50_000;

/// A time in which a station ran.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ran {
    /// Which.
    pub station: StationId,
    /// From when.
    pub from: UtcMillis,
    /// To when.
    pub to: UtcMillis,
}

/// When the stations ran whose running makes an entry due, in order of time for each, since its newest sample; the time between runs
/// is unknown and does not count. `known_until`: the last that was read before `now`, for a run that was cut off. What history can't
/// give is unknown.
pub async fn ran(
    line: &Line,
    history: &dyn HistoryStore,
    kept: &[StoredEntry],
    (known_until, now): (UtcMillis, UtcMillis),
) -> Vec<Ran> {
    let mut stations = BTreeSet::new();
    let mut since = now;
    for entry in line.entries.iter().filter(|entry| matches!(entry.due, EntryDue::Running(_))) {
        let signal = line.signal(entry.signal);
        let newest = kept.iter().filter(|row| row.tag == signal.tag).map(|row| row.taken).max();
        let newest = newest.unwrap_or(UtcMillis(now.0 - NEVER_MS)).max(UtcMillis(now.0 - LONGEST_MS));
        stations.insert(signal.station);
        since = since.min(newest);
    }
    let Ok(window) = Span::new(since, now) else { return Vec::new() };
    let keys = stations.iter().map(|station| line.station(*station).key.as_str()).collect();
    let events = events_back_to(history, since, &keys).await.unwrap_or_else(|error| {
        tracing::info!(code = "running-unknown", "when stations ran before the start is not known: {error}");
        Vec::new()
    });
    if events.is_empty() {
        return Vec::new();
    }
    let modes = stops::modes(line, &events, window, known_until);
    let mut ran = Vec::new();
    for station in stations {
        let spans = modes.get(station.index()).map_or(&[][..], Vec::as_slice);
        let runs = spans.iter().filter(|span| span.mode == Some(Mode::Run));
        ran.extend(runs.map(|span| Ran { station, from: span.from, to: span.to }));
    }
    ran
}

/// Events in order of time, as far back as it takes to know what each of the stations did since a moment.
async fn events_back_to(
    history: &dyn HistoryStore,
    since: UtcMillis,
    stations: &BTreeSet<&str>,
) -> Result<Vec<StoredEvent>, HistoryError> {
    let mut newest_first: Vec<StoredEvent> = Vec::new();
    let mut before = None;
    loop {
        let asked = EventsAsked { before, since: Some(since), limit: PAGE, ..EventsAsked::default() };
        let page = history.events_of(asked).await?;
        let Some(last) = page.last() else { break };
        let (run, is_before) = (last.run, last.event.utc < since);
        before = Some((run, last.event.sequence));
        newest_first.extend(page);
        if is_before && is_known(&newest_first, stations) {
            break;
        }
        if newest_first.len() >= EVENTS_MAX {
            // In which modes this run was before nobody knows.
            newest_first.retain(|stored| stored.run != run);
            break;
        }
    }
    newest_first.reverse();
    Ok(newest_first)
}

/// Whether the oldest of the runs is there from its start, or each station has told in it from which mode it went.
fn is_known(newest_first: &[StoredEvent], stations: &BTreeSet<&str>) -> bool {
    let Some(oldest) = newest_first.last() else { return false };
    let of_run = newest_first.iter().rev().take_while(|stored| stored.run == oldest.run);
    let changes = of_run.filter(|stored| stored.event.what == "station mode");
    let told: BTreeSet<&str> =
        changes.filter_map(|stored| Some(stored.event.note.as_deref()?.split_once(": ")?.0)).collect();
    oldest.event.what == "started" || stations.is_subset(&told)
}

#[cfg(test)]
#[path = "ran_tests.rs"]
mod tests;
