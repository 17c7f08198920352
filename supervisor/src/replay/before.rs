//! What the alarms carried when a window began, from the events before it: states, shelves, what was out of service. What
//! exposure they had is only known as of their last event; the hour that warms up makes it right.

use super::player::{is_wish, shelf_end_of, why_of};
use crate::history::{AlarmRecord, StoredEvent};
use crate::line::alarms::SILENT;
use crate::snapshot::{OutOfService, Shelf};
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;

/// Each alarm as its events up to `from` leave it. `events` must be in the order in which they happened.
pub(super) fn carried(events: &[StoredEvent], from: UtcMillis) -> Vec<AlarmRecord> {
    let mut records: BTreeMap<&str, AlarmRecord> = BTreeMap::new();
    for stored in events.iter().filter(|stored| stored.event.utc < from) {
        let event = &stored.event;
        let Some(alarm) = event.alarm.as_deref() else { continue };
        let record = records.entry(alarm).or_insert_with(|| untouched(alarm));
        record.state = event.states.chars().last().unwrap_or(record.state);
        record.occurrence = record.occurrence.max(event.occurrence);
        record.exposure = event.exposure.unwrap_or(0.0);
        let (by, since) = (event.by.clone().unwrap_or_default(), event.utc);
        let why = || why_of(event).map(str::to_owned);
        match event.what.as_str() {
            "raised" | "re-alarmed" => record.was_told = event.note.as_deref() != Some(SILENT),
            "shelved" if is_wish(event) => {
                let (until, once) = shelf_end_of(event);
                record.shelf = Some(Shelf { until, once, since, by, why: why() });
            }
            "unshelved" => record.shelf = None,
            "out of service" => record.out_of_service = Some(OutOfService { since, by, why: why() }),
            "returned to service" => record.out_of_service = None,
            _ => {}
        }
    }
    records.into_values().collect()
}

fn untouched(alarm: &str) -> AlarmRecord {
    AlarmRecord {
        id: alarm.to_owned(),
        state: 'A',
        occurrence: 0,
        was_told: false,
        drops_exposure: false,
        exposure: 0.0,
        waited: std::time::Duration::ZERO,
        waited_under: 0,
        onset: None,
        raised: None,
        cleared: None,
        acknowledged: None,
        shelf: None,
        out_of_service: None,
    }
}
