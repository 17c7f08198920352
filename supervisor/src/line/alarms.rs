//! Alarms as pages and history see them: wall times and names beside the engine's states.

use super::WallAnchor;
use crate::history::{AlarmRecord, Event};
use crate::snapshot::AlarmView;
use setward_alarm::{AlarmEvent, AlarmId, AlarmState, Flags, Forecast, Happening, Monitor, Restored};
use setward_config::line::Line;
use setward_protocol::{Uptime, UtcMillis};

/// Said of a change that nobody was called for.
pub const SILENT: &str = "silent";

/// Every alarm of the line.
#[derive(Debug)]
pub struct AlarmBook {
    stories: Vec<Story>,
}

/// The last occurrence of an alarm, in wall time.
#[derive(Debug, Clone, Default)]
struct Story {
    onset: Option<UtcMillis>,
    raised: Option<UtcMillis>,
    cleared: Option<UtcMillis>,
    acknowledged: Option<(UtcMillis, String)>,
}

impl AlarmBook {
    /// Takes up what an earlier run kept, into the engine and here. An alarm the files no longer name is left alone.
    #[must_use]
    pub fn restore(line: &Line, records: Vec<AlarmRecord>, monitor: &mut Monitor<'_>) -> Self {
        let mut stories = vec![Story::default(); line.alarms.len()];
        for record in records {
            let Some(alarm) = line.alarm_by_id(&record.id) else { continue };
            // A letter this version does not know is read as normal; the occurrence number is kept all the same.
            let state = AlarmState::from_letter(record.state).unwrap_or_default();
            monitor.restore(
                alarm,
                Restored {
                    state,
                    occurrence: record.occurrence,
                    exposure: record.exposure,
                    shelved_until: None,
                    out_of_service: false,
                },
            );
            if let Some(story) = stories.get_mut(alarm.index()) {
                *story = Story {
                    onset: record.onset,
                    raised: record.raised,
                    cleared: record.cleared,
                    acknowledged: record.acknowledged,
                };
            }
        }
        Self { stories }
    }

    /// Notes an engine event, and returns it as history keeps it.
    pub fn note(
        &mut self,
        line: &Line,
        event: &AlarmEvent,
        by: Option<String>,
        sequence: u64,
        wall: WallAnchor,
    ) -> Event {
        let utc = wall.utc(event.at);
        let mut onset_utc = None;
        if let Some(story) = self.stories.get_mut(event.alarm.index()) {
            match event.what {
                Happening::Raised { onset } => {
                    onset_utc = Some(wall.utc(onset));
                    *story = Story { onset: onset_utc, raised: Some(utc), ..Story::default() };
                }
                Happening::Cleared => story.cleared = Some(utc),
                Happening::Acknowledged => story.acknowledged = Some((utc, by.clone().unwrap_or_default())),
                Happening::Realarmed => story.acknowledged = None,
                Happening::Reset
                | Happening::Shelved { .. }
                | Happening::Unshelved
                | Happening::OutOfService
                | Happening::ReturnedToService
                | Happening::Silenced => {}
            }
        }
        Event {
            sequence,
            utc,
            at: event.at,
            alarm: Some(line.alarm(event.alarm).id.clone()),
            occurrence: event.occurrence,
            what: word(event.what).to_owned(),
            states: [event.from.letter(), event.to.letter()].iter().collect(),
            onset: onset_utc,
            value: event.value,
            exposure: event.exposure,
            by,
            note: event.silent.then(|| SILENT.to_owned()),
        }
    }

    /// An alarm as a page sees it.
    #[must_use]
    pub fn view(&self, monitor: &Monitor<'_>, alarm: AlarmId, wall: WallAnchor) -> AlarmView {
        let story = self.stories.get(alarm.index()).cloned().unwrap_or_default();
        let status = monitor.status(alarm, wall.at);
        let flags = status.map_or_else(Flags::default, |status| status.flags);
        let silent_until = flags.shelved_until.max(flags.suppressed.settling_until);
        AlarmView {
            state: status.map_or(AlarmState::Normal, |status| status.state),
            flags,
            silent_until: silent_until.map(|until| wall.utc(until)),
            occurrence: status.map_or(0, |status| status.occurrence),
            onset: story.onset,
            raised: story.raised,
            cleared: story.cleared,
            acknowledged: story.acknowledged,
            exposure: status.and_then(|status| status.exposure),
            beyond_since: status.and_then(|status| status.beyond_since).map(|since| wall.utc(since)),
            forecast: status.map_or(Forecast::Unknown, |status| status.forecast),
        }
    }

    /// An alarm as it is carried over a restart.
    #[must_use]
    pub fn record(&self, line: &Line, monitor: &Monitor<'_>, alarm: AlarmId) -> Option<AlarmRecord> {
        let story = self.stories.get(alarm.index())?;
        let status = monitor.status(alarm, Uptime::START)?;
        Some(AlarmRecord {
            id: line.alarm(alarm).id.clone(),
            state: status.state.letter(),
            occurrence: status.occurrence,
            exposure: status.exposure.unwrap_or(0.0),
            onset: story.onset,
            raised: story.raised,
            cleared: story.cleared,
            acknowledged: story.acknowledged.clone(),
        })
    }
}

const fn word(what: Happening) -> &'static str {
    match what {
        Happening::Raised { .. } => "raised",
        Happening::Realarmed => "re-alarmed",
        Happening::Cleared => "cleared",
        Happening::Acknowledged => "acknowledged",
        Happening::Reset => "reset",
        Happening::Shelved { .. } => "shelved",
        Happening::Unshelved => "unshelved",
        Happening::OutOfService => "out of service",
        Happening::ReturnedToService => "returned to service",
        Happening::Silenced => "silenced",
    }
}
