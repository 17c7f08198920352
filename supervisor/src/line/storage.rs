//! The storage that the engine borrows, and the engine over it.

use super::WallAnchor;
use super::alarms::AlarmBook;
use crate::history::AlarmRecord;
use setward_alarm::{Head, Monitor, Segment, Slot};
use setward_config::line::Line;

/// What the engine borrows: exactly what the line needs, allocated once.
#[derive(Debug)]
pub struct Storage {
    slots: Vec<Slot>,
    heads: Vec<Head>,
    segments: Vec<Segment>,
}

impl Storage {
    /// Empty storage for this line.
    #[must_use]
    pub fn of(line: &Line) -> Self {
        let segments = line.alarms.iter().map(|alarm| alarm.settings.segments_needed()).sum();
        Self {
            slots: line.alarms.iter().map(|alarm| Slot::new(alarm.settings)).collect(),
            heads: vec![Head::default(); line.signals.len()],
            segments: vec![Segment::default(); segments],
        }
    }

    /// The engine with the running recipe's targets, taken up at `wall` where the last run stopped.
    pub fn engine(
        &mut self,
        line: &Line,
        records: Vec<AlarmRecord>,
        wall: WallAnchor,
    ) -> (Monitor<'_>, AlarmBook) {
        let mut monitor = Monitor::new(&mut self.slots, &mut self.heads, &mut self.segments);
        for setpoint in &line.recipe().setpoints {
            monitor.handle_target(setpoint.signal, Some(setpoint.target));
        }
        for (cause, alarm) in line.alarms_with_ids() {
            for consequence in &alarm.hides {
                // The check allows no more causes than an alarm can hold.
                let _fits = monitor.hide(cause, *consequence);
            }
        }
        let alarms = AlarmBook::restore(line, records, &mut monitor, wall);
        (monitor, alarms)
    }
}
