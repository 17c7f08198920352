//! Whether anybody did anything between a call and its end: a setpoint turned, a loop's mode changed, the station's mode
//! changed. A call that was acknowledged and cleared without any of it is the best sign of an alarm that needs no response.

use crate::history::{HistoryError, HistoryStore, StoredEvent};
use setward_alarm::AlarmId;
use setward_alarm::metrics::Annunciation;
use setward_config::line::{Line, Role, StationId};
use setward_protocol::{SignalId, UtcMillis};
use std::collections::BTreeSet;

/// Calls that are looked at, the newest.
const CALLS_MAX: usize = 300;
/// What stands for longer is not looked at: too much happens in the meantime to say anything.
const STOOD_MOST_MS: i64 = 24 * 3_600_000;
/// Readings of one signal that are looked at.
const SAMPLES_MAX: usize = 100_000;

/// Of each call whether somebody did something until it cleared; `None` where it was not acknowledged, has not cleared,
/// stood for too long, or belongs to no station.
///
/// # Errors
/// When history can't be read.
pub async fn acted(
    line: &Line,
    store: &dyn HistoryStore,
    events: &[StoredEvent],
    calls: &[Annunciation],
) -> Result<Vec<Option<bool>>, HistoryError> {
    let mut found = vec![None; calls.len()];
    for (call, found) in calls.iter().zip(&mut found).rev().take(CALLS_MAX) {
        let (Some(cleared), Some(_)) = (call.cleared, call.acknowledged) else { continue };
        let Some(station) = station_of(line, call.alarm) else { continue };
        if cleared.0 - call.at.0 > STOOD_MOST_MS {
            continue;
        }
        let (from, to) = (call.at, UtcMillis(cleared.0.saturating_add(1)));
        let mut any = mode_changed(line, events, station, from, to);
        for signal in hands_on(line, station) {
            any = any || has_changed(store, &line.signal(signal).tag, from, to).await?;
        }
        *found = Some(any);
    }
    Ok(found)
}

pub(crate) fn station_of(line: &Line, alarm: AlarmId) -> Option<StationId> {
    let settings = &line.alarm(alarm).settings;
    settings.station.or_else(|| settings.watches.signal().map(|signal| line.signal(signal).station))
}

/// What a person turns at a station: setpoints, and the modes of its loops.
fn hands_on(line: &Line, station: StationId) -> BTreeSet<SignalId> {
    let setpoints = line.signals_with_ids().filter(|(_, signal)| signal.role == Role::Setpoint);
    let modes = line.loops.iter().filter_map(|control| control.mode);
    let all = setpoints.map(|(id, _)| id).chain(modes);
    all.filter(|id| line.signal(*id).station == station).collect()
}

fn mode_changed(
    line: &Line,
    events: &[StoredEvent],
    station: StationId,
    from: UtcMillis,
    to: UtcMillis,
) -> bool {
    let prefix = format!("{}: ", line.station(station).key);
    events.iter().any(|stored| {
        let event = &stored.event;
        let is_own = event.note.as_deref().is_some_and(|note| note.starts_with(&prefix));
        event.what == "station mode" && is_own && from <= event.utc && event.utc < to
    })
}

async fn has_changed(
    store: &dyn HistoryStore,
    tag: &str,
    from: UtcMillis,
    to: UtcMillis,
) -> Result<bool, HistoryError> {
    let samples = store.samples(tag.to_owned(), from, to, SAMPLES_MAX).await?;
    let mut values = samples.iter().filter_map(|sample| sample.reading.good());
    let first = values.next();
    Ok(values.any(|value| Some(value.to_bits()) != first.map(f64::to_bits)))
}
