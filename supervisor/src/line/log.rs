//! What the line task writes into the log.

use super::alarms::{LAPSED, SILENT};
use crate::history::Event;
use setward_config::line::LineAlarm;

/// An alarm that is gone from the files.
pub(super) fn log_closed(id: &str, why: &str) {
    tracing::info!(code = "alarm-closed", alarm = %id, "alarm {id} {why}");
}

/// One line a change of state, with a code that stays the same.
pub(super) fn log_event(alarm: &LineAlarm, event: &Event) {
    let (id, name, occurrence) = (&alarm.id, &alarm.name, event.occurrence);
    let by = event.by.as_deref().unwrap_or("-");
    match event.what.as_str() {
        what if event.note.as_deref() == Some(SILENT) => {
            tracing::debug!(code = "alarm-silent", alarm = %id, occurrence, "alarm {what}, nobody is called: {name}");
        }
        LAPSED => {} // nobody had been called
        "raised" => tracing::warn!(code = "alarm-raised", alarm = %id, occurrence, "alarm raised: {name}"),
        "cleared" => tracing::info!(code = "alarm-cleared", alarm = %id, occurrence, "alarm cleared: {name}"),
        what => tracing::info!(code = "alarm-changed", alarm = %id, occurrence, by, "alarm {what}: {name}"),
    }
}
