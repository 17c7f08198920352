//! Alarms that an earlier run left open and that the files no longer have: closed, with the reason, so that nothing stands for
//! ever that nobody can see any more.

use super::LineTask;
use super::log::log_closed;
use crate::history::{AlarmRecord, Event};
use setward_config::line::Line;
use std::time::Duration;

/// Said of an alarm that is closed because it is gone from the files.
pub const REMOVED: &str = "closed: the alarm, or the signal it watches, is no longer in the line folder";
/// Letter of the state in which nothing stands.
const NORMAL: char = 'A';

/// What of `records` belongs to no alarm of the line and is open still.
#[must_use]
pub fn removed_of(line: &Line, records: &[AlarmRecord]) -> Vec<AlarmRecord> {
    let is_gone = |record: &&AlarmRecord| line.alarm_by_id(&record.id).is_none();
    let is_open = |record: &&AlarmRecord| record.state != NORMAL;
    records.iter().filter(is_gone).filter(is_open).cloned().collect()
}

/// What is kept of an alarm that is no longer there: nothing stands, nobody waits.
pub(super) fn closed(record: AlarmRecord) -> AlarmRecord {
    AlarmRecord {
        state: NORMAL,
        exposure: 0.0,
        waited: Duration::ZERO,
        shelf: None,
        out_of_service: None,
        ..record
    }
}

impl LineTask<'_> {
    /// Begins with alarms to be closed.
    #[must_use]
    pub fn with_removed(mut self, removed: Vec<AlarmRecord>) -> Self {
        self.removed = removed;
        self
    }

    /// Closes them, as events and for the next run.
    pub(super) fn close_removed(&mut self) {
        for record in std::mem::take(&mut self.removed) {
            self.sequence += 1;
            let (at, utc) = (self.clock.uptime(), self.clock.utc());
            log_closed(&record.id, REMOVED);
            self.pending.batch.events.push(Event {
                sequence: self.sequence,
                utc,
                at,
                alarm: Some(record.id.clone()),
                occurrence: record.occurrence,
                what: "cleared".to_owned(),
                states: [record.state, NORMAL].iter().collect(),
                onset: None,
                value: None,
                exposure: None,
                by: None,
                note: Some(REMOVED.to_owned()),
            });
            let cleared = record.cleared.or(Some(utc));
            self.pending.batch.alarms.push(AlarmRecord { cleared, ..closed(record) });
        }
    }
}
