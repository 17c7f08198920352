//! Alarms whose signal was renamed: an id that ends with the signal's tag is another one then, and what people did to the alarm
//! goes on under it. Somebody may stand in the middle of a repair.

use super::removed::closed;
use crate::history::AlarmRecord;
use setward_config::line::Line;

/// The id that the alarm once called `id` has now; `None` if no signal's `was` tells.
#[must_use]
pub fn id_now(line: &Line, id: &str) -> Option<String> {
    if line.alarm_by_id(id).is_some() {
        return None;
    }
    line.signals.iter().find_map(|signal| {
        let of_all = id.strip_suffix(signal.was.as_deref()?)?.strip_suffix('.')?;
        let now = format!("{of_all}.{}", signal.tag);
        line.alarm_by_id(&now).is_some().then_some(now)
    })
}

/// Puts each of `records` under the id that its alarm has now, unless that one has a record of its own. Returns what history is
/// to keep of it: the same under the new id, and nothing standing under the old one.
#[must_use]
pub fn follow(line: &Line, records: &mut [AlarmRecord]) -> Vec<AlarmRecord> {
    let mut to_keep = Vec::new();
    for index in 0..records.len() {
        let now = records.get(index).and_then(|record| id_now(line, &record.id));
        let Some(now) = now.filter(|now| records.iter().all(|other| other.id != *now)) else { continue };
        let Some(record) = records.get_mut(index) else { continue };
        to_keep.push(closed(record.clone()));
        record.id = now;
        to_keep.push(record.clone());
    }
    to_keep
}
