//! Kept events as calls: each raise or re-alarm for which somebody was called, when it cleared, when it was acknowledged;
//! and when the program ran.

use crate::history::{Span, StoredEvent};
use crate::line::alarms::SILENT;
use crate::snapshot::RunId;
use setward_alarm::AlarmId;
use setward_alarm::metrics::{Annunciation, Outage};
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;

/// Every call up to the end of what was kept, in order of time. Events of alarms that the files no longer name are left
/// out. `events` must be in the order in which they happened.
#[must_use]
pub fn calls(line: &Line, events: &[StoredEvent]) -> Vec<Annunciation> {
    let (mut calls, _) = with_removed(line, events);
    calls.retain(|call| call.alarm.index() < line.alarms.len());
    calls
}

/// The same with the calls of alarms that the files no longer have: people heard them all the same. They are numbered from
/// behind the last one of the line on; beside it their ids, in this order.
#[must_use]
pub fn with_removed(line: &Line, events: &[StoredEvent]) -> (Vec<Annunciation>, Vec<String>) {
    let mut calls: Vec<Annunciation> = Vec::new();
    // By alarm: its last call.
    let mut last: BTreeMap<AlarmId, usize> = BTreeMap::new();
    let (mut removed, mut numbers) = (Vec::new(), BTreeMap::new());
    for stored in events {
        let event = &stored.event;
        let Some(id) = event.alarm.as_deref() else { continue };
        let Some(alarm) = line.alarm_by_id(id).or_else(|| numbers.get(id).copied()).or_else(|| {
            let number = u16::try_from(line.alarms.len() + removed.len()).ok().map(AlarmId)?;
            removed.push(id.to_owned());
            numbers.insert(id, number);
            Some(number)
        }) else {
            continue;
        };
        let present = last.get(&alarm).copied().and_then(|place| calls.get_mut(place));
        match (event.what.as_str(), present) {
            ("raised" | "re-alarmed", _) if event.note.as_deref() != Some(SILENT) => {
                last.insert(alarm, calls.len());
                calls.push(Annunciation { alarm, at: event.utc, cleared: None, acknowledged: None });
            }
            ("cleared", Some(call)) if call.cleared.is_none() => call.cleared = Some(event.utc),
            ("acknowledged", Some(call)) if call.acknowledged.is_none() => {
                call.acknowledged = Some(event.utc);
            }
            (_, _) => {}
        }
    }
    calls.sort_by_key(|call| (call.at, call.alarm));
    (calls, removed)
}

/// The same calls, each with the end of the occurrence that it told of: one that was hidden and is told anew has not cleared
/// between, and is over, or acknowledged, when the last telling of it is.
#[must_use]
pub fn with_ends(calls: &[Annunciation]) -> Vec<Annunciation> {
    let mut told: Vec<Annunciation> = calls.to_vec();
    let mut later: BTreeMap<AlarmId, Annunciation> = BTreeMap::new();
    for call in told.iter_mut().rev() {
        if let Some(next) = later.get(&call.alarm).filter(|_| call.cleared.is_none()) {
            call.cleared = next.cleared;
            call.acknowledged = call.acknowledged.or(next.acknowledged);
        }
        later.insert(call.alarm, *call);
    }
    told
}

/// The calls of one alarm, in order of time.
#[must_use]
pub fn of_one(calls: &[Annunciation], alarm: AlarmId) -> Vec<Annunciation> {
    calls.iter().filter(|call| call.alarm == alarm).copied().collect()
}

/// The stretches of the window in which no program ran. A run that was cut off ends with its last event; the last run, if
/// it was not stopped, with `known_until` (the last that is known of it).
#[must_use]
pub fn outages(events: &[StoredEvent], span: Span, known_until: UtcMillis) -> Vec<Outage> {
    let mut outages = Vec::new();
    let mut dark_from = span.from();
    let mut add = |from: UtcMillis, to: UtcMillis| {
        let (from, to) = (from.max(span.from()), to.min(span.to()));
        if from < to {
            outages.push(Outage { from, to });
        }
    };
    let runs = runs(events);
    for (index, run) in runs.iter().enumerate() {
        add(dark_from, run.from);
        let is_last = index + 1 == runs.len();
        let to = if is_last && !run.stopped { run.to.max(known_until) } else { run.to };
        dark_from = dark_from.max(to);
    }
    add(dark_from, span.to());
    outages
}

struct Run {
    id: RunId,
    from: UtcMillis,
    to: UtcMillis,
    stopped: bool,
}

fn runs(events: &[StoredEvent]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for stored in events {
        let (utc, stopped) = (stored.event.utc, stored.event.what == "stopped");
        match runs.last_mut() {
            Some(run) if run.id == stored.run => {
                run.to = run.to.max(utc);
                run.stopped |= stopped;
            }
            Some(_) | None => runs.push(Run { id: stored.run, from: utc, to: utc, stopped }),
        }
    }
    runs
}
