//! What stations did over a stretch of time, by the events that told their modes; stops, and the reasons that people gave.

use super::calls::outages;
use super::{named_about, rfc3339};
use crate::history::{HistoryError, HistoryStore, KeptRecord, NewRecord, Span, StoredEvent};
use serde::{Deserialize, Serialize};
use setward_config::line::Line;
use setward_protocol::{Mode, UtcMillis};
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// The kind of record that holds the reason of a stop.
pub const STOP_REASON: &str = "stop reason";
/// A station that stops so soon after another stopped with it.
const TOGETHER_MS: i64 = 10 * 60_000;
/// Records that are looked at, the newest.
const RECORDS_MAX: usize = 100_000;

/// Why a line or a station stood. A closed list, so that reasons can be counted.
pub const REASONS: [(&str, &str); 14] = [
    ("changeover", "changeover"),
    ("cleaning", "cleaning"),
    ("planned-maintenance", "planned maintenance"),
    ("nothing-to-make", "nothing to make"),
    ("break", "break or meeting"),
    ("no-corn", "no corn of age"),
    ("kettle-or-soak", "kettle or soak"),
    ("mill-or-sheeter", "mill or sheeter"),
    ("oven", "oven"),
    ("fryer", "fryer"),
    ("seasoning-or-packing", "seasoning or packing"),
    ("utilities", "steam, gas, water or power"),
    ("quality", "quality: waits for a decision"),
    ("other", "other: say it in the note"),
];

/// A station in one mode; `None`: nobody watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ModeSpan {
    /// The mode.
    pub mode: Option<Mode>,
    /// When it got into it, which may lie before the window.
    pub since: UtcMillis,
    /// From when in the window.
    pub from: UtcMillis,
    /// To when.
    pub to: UtcMillis,
}

/// What a person said of a stop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct StopReason {
    /// One of the closed list.
    pub reason: String,
    /// What else was said.
    pub note: Option<String>,
    /// By whom.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
}

/// A stop: of the station that stopped first, and those that stopped with it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StopRow {
    /// Its name: the station and its beginning.
    pub id: String,
    /// The station that stopped first.
    pub station: String,
    /// Those that stopped within ten minutes after it, while it stood.
    pub with: Vec<String>,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End, RFC 3339; `None`: it stands still.
    pub to: Option<String>,
    /// How long within the window, s.
    pub length_s: f64,
    /// The reason, if a person gave one.
    pub reason: Option<StopReason>,
}

#[derive(Serialize, Deserialize)]
struct Said {
    reason: String,
    note: Option<String>,
}

fn mode_named(name: &str) -> Option<Mode> {
    Mode::NAMED.into_iter().find(|(known, _)| *known == name).map(|(_, mode)| mode)
}

/// The modes of every station over a window, in order of time. `known_until`: the last that is known of a run that goes on.
#[must_use]
pub fn modes(
    line: &Line,
    events: &[StoredEvent],
    window: Span,
    known_until: UtcMillis,
) -> Vec<Vec<ModeSpan>> {
    let dark = outages(events, window, known_until);
    let turns = turns(line, events);
    turns.iter().map(|turns| spans_of(turns, window, &dark)).collect()
}

/// A station and its change: "fryer: run to stopped".
fn change(note: &str) -> Option<(&str, Mode, Mode)> {
    let (key, change) = note.split_once(": ")?;
    let (from, to) = change.split_once(" to ")?;
    Some((key, mode_named(from)?, mode_named(to)?))
}

/// When each station got into which mode, in one pass however many runs there were. What a run begins with is told by its first
/// change; without one it ran.
fn turns(line: &Line, events: &[StoredEvent]) -> Vec<Vec<(UtcMillis, Mode)>> {
    let places: BTreeMap<&str, usize> =
        line.stations.iter().enumerate().map(|(place, station)| (station.key.as_str(), place)).collect();
    let mut turns: Vec<Vec<(UtcMillis, Mode)>> = vec![Vec::new(); line.stations.len()];
    // By station: it has told a change in this run.
    let mut has_changed = vec![false; line.stations.len()];
    let mut run = None;
    for stored in events {
        let event = &stored.event;
        if run != Some(stored.run) {
            run = Some(stored.run);
            turns.iter_mut().for_each(|own| own.push((event.utc, Mode::Run)));
            has_changed.fill(false);
        }
        let changed =
            if event.what == "station mode" { event.note.as_deref().and_then(change) } else { None };
        let Some((key, from, to)) = changed else { continue };
        let Some(place) = places.get(key).copied() else { continue };
        let (Some(own), Some(has_changed)) = (turns.get_mut(place), has_changed.get_mut(place)) else {
            continue;
        };
        if !std::mem::replace(has_changed, true)
            && let Some(begun) = own.last_mut()
        {
            begun.1 = from;
        }
        own.push((event.utc, to));
    }
    turns
}

fn spans_of(
    turns: &[(UtcMillis, Mode)],
    window: Span,
    dark: &[setward_alarm::metrics::Outage],
) -> Vec<ModeSpan> {
    let mut spans = Vec::new();
    for (index, (at, mode)) in turns.iter().enumerate() {
        let next = turns.get(index + 1).map_or(window.to(), |(next, _)| *next);
        cut(&mut spans, (*mode, *at), (*at).max(window.from())..next.min(window.to()), dark);
    }
    spans
}

/// Adds a stretch without those in which nobody watched, which are told as such.
fn cut(
    spans: &mut Vec<ModeSpan>,
    (mode, since): (Mode, UtcMillis),
    stretch: std::ops::Range<UtcMillis>,
    dark: &[setward_alarm::metrics::Outage],
) {
    let mut from = stretch.start;
    let mut add = |mode: Option<Mode>, from: UtcMillis, to: UtcMillis| {
        if from >= to {
            return;
        }
        match spans.last_mut() {
            Some(last) if last.mode == mode && last.to == from => last.to = to,
            Some(_) | None => spans.push(ModeSpan { mode, since, from, to }),
        }
    };
    // They come in order of time and none overlap.
    let first = dark.partition_point(|outage| outage.to <= stretch.start);
    let within = dark.iter().skip(first).take_while(|outage| outage.from < stretch.end);
    for outage in within {
        add(Some(mode), from, outage.from.max(from));
        add(None, outage.from.max(from), outage.to.min(stretch.end));
        from = from.max(outage.to);
    }
    add(Some(mode), from, stretch.end);
}

/// The stops of a window, in order of time. A kettle that is idle between two batches has not stopped.
#[must_use]
pub fn stops(line: &Line, modes: &[Vec<ModeSpan>], window: Span, reasons: &[KeptRecord]) -> Vec<StopRow> {
    let mut all: Vec<(UtcMillis, usize, UtcMillis, UtcMillis)> = Vec::new();
    let cooks = |station: usize| line.kettles.iter().any(|kettle| kettle.station.index() == station);
    for (station, spans) in modes.iter().enumerate().filter(|(station, _)| !cooks(*station)) {
        let stopped = spans.iter().filter(|span| span.mode == Some(Mode::Stopped));
        all.extend(stopped.map(|span| (span.since, station, span.from, span.to)));
    }
    all.sort();
    let name =
        |station: usize| line.stations.get(station).map_or_else(String::new, |station| station.key.clone());
    let mut rows: Vec<StopRow> = Vec::new();
    let mut leader: Option<(UtcMillis, UtcMillis)> = None;
    for (since, station, from, to) in all {
        let is_with = leader.is_some_and(|(first, end)| since.0 - first.0 <= TOGETHER_MS && since < end);
        match rows.last_mut().filter(|_| is_with) {
            Some(row) => row.with.push(name(station)),
            None => {
                leader = Some((since, to));
                let ended = (to < window.to()).then_some(to);
                let row = stop_row(name(station), since, ended, reasons);
                rows.push(StopRow { length_s: (to.0 - from.0) as f64 / 1000.0, ..row });
            }
        }
    }
    rows
}

fn stop_row(station: String, since: UtcMillis, ended: Option<UtcMillis>, reasons: &[KeptRecord]) -> StopRow {
    let id = format!("{station}@{}", rfc3339(since));
    let reason = reasons.iter().find(|kept| kept.about == id).and_then(reason_of);
    StopRow {
        id,
        station,
        with: Vec::new(),
        from: rfc3339(since),
        to: ended.map(rfc3339),
        length_s: 0.0,
        reason,
    }
}

fn reason_of(kept: &KeptRecord) -> Option<StopReason> {
    let said: Said = serde_json::from_str(&kept.record).ok()?;
    Some(StopReason { reason: said.reason, note: said.note, by: kept.by.clone(), at: rfc3339(kept.utc) })
}

/// All reasons that people gave, newest first: the newest of a stop stands.
///
/// # Errors
/// When history can't be read.
pub async fn reasons(store: &dyn HistoryStore) -> Result<Vec<KeptRecord>, HistoryError> {
    store.records(STOP_REASON.to_owned(), RECORDS_MAX).await
}

/// Why the reason of a stop was not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoReason {
    /// The reason is not in the list.
    NotListed,
    /// "other" needs words.
    NoteNeeded,
    /// The stop's name is none: a station and the moment it began.
    NoSuchStop,
    /// History could not keep it.
    NotKept(String),
}

/// Keeps the reason of a stop; on return it is on disk. The same reason again changes nothing: false.
///
/// # Errors
/// What is wrong with it, or that it could not be kept.
pub async fn give_reason(
    line: &Line,
    store: &dyn HistoryStore,
    stop: &str,
    (reason, note): (&str, Option<&str>),
    (by, now): (&str, UtcMillis),
) -> Result<bool, NoReason> {
    let not_kept = |error: HistoryError| NoReason::NotKept(error.text);
    if !REASONS.iter().any(|(key, _)| *key == reason) {
        return Err(NoReason::NotListed);
    }
    if reason == "other" && note.is_none() {
        return Err(NoReason::NoteNeeded);
    }
    let named =
        named_about(stop).filter(|(station, _)| line.stations.iter().any(|known| known.key == *station));
    if named.is_none_or(|(_, from)| from > now) {
        return Err(NoReason::NoSuchStop);
    }
    let known = reasons(store).await.map_err(not_kept)?;
    let before = known.iter().find(|kept| kept.about == stop).and_then(reason_of);
    if before.is_some_and(|before| before.reason == reason && before.note.as_deref() == note) {
        return Ok(false);
    }
    let said = Said { reason: reason.to_owned(), note: note.map(str::to_owned) };
    let record = serde_json::to_string(&said).map_err(|error| NoReason::NotKept(error.to_string()))?;
    let new = NewRecord {
        utc: now,
        kind: STOP_REASON.to_owned(),
        about: stop.to_owned(),
        by: by.to_owned(),
        record,
        why: note.map(str::to_owned),
    };
    store.add_record(new).await.map(|_kept| true).map_err(not_kept)
}

#[cfg(test)]
#[path = "stops_tests.rs"]
mod tests;
