//! Alarms as pages and history see them: wall times and names beside the engine's states.

use super::WallAnchor;
use super::follow::Moment;
use crate::history::{AlarmRecord, Event};
use crate::snapshot::{AlarmView, OutOfService, Shelf};
use jiff::Timestamp;
use setward_alarm::{AlarmEvent, AlarmId, AlarmState, Flags, Forecast, Happening, Monitor, Restored};
use setward_config::line::{Line, LineAlarm};
use setward_protocol::{Uptime, UtcMillis};
use std::time::Duration;

/// Said of a change that nobody was called for.
pub const SILENT: &str = "silent";
/// What had begun and ended in silence has left it: bookkeeping, no news for anybody.
pub const LAPSED: &str = "lapsed";
/// How the note of a shelf begins; its end follows, RFC 3339 in UTC.
pub const SHELVED_UNTIL: &str = "until ";
/// And goes on, if it ends with one occurrence.
pub const SHELVED_ONCE: &str = ", for one occurrence";

/// Less exposure than this, as a share of the allowance, is not worth a write.
const RECORDED_EXPOSURE_MIN: f64 = 1e-3;

/// Every alarm of the line.
#[derive(Debug)]
pub struct AlarmBook {
    stories: Vec<Story>,
}

/// The last occurrence of an alarm, in wall time and, as far as it was in this run, in the run's own; and what people have done to the alarm.
#[derive(Debug, Clone, Default)]
struct Story {
    onset: Option<UtcMillis>,
    onset_at: Option<Uptime>,
    raised: Option<UtcMillis>,
    cleared: Option<UtcMillis>,
    cleared_at: Option<Uptime>,
    acknowledged: Option<(UtcMillis, String)>,
    shelf: Option<Shelf>,
    out_of_service: Option<OutOfService>,
    /// The exposure that history has of it.
    kept_exposure: f64,
}

/// Who wanted something, and why, as typed.
#[derive(Debug, Clone, Copy)]
pub struct Person<'a> {
    /// The name.
    pub by: &'a str,
    /// The reason given.
    pub why: Option<&'a str>,
}

/// What the line task knows of an engine event that the engine does not.
#[derive(Debug, Clone, Copy)]
pub struct Beside<'a> {
    /// Who wanted it, if somebody did.
    pub person: Option<Person<'a>>,
    /// Whether the shelf that the alarm is on ends with one occurrence.
    pub shelved_once: bool,
    /// The event's number in the run.
    pub sequence: u64,
    /// Wall time of the run.
    pub wall: WallAnchor,
}

impl AlarmBook {
    /// Takes up at `wall` what an earlier run kept, into the engine and here. An alarm the files no longer name is left
    /// alone.
    #[must_use]
    pub fn restore(
        line: &Line,
        records: Vec<AlarmRecord>,
        monitor: &mut Monitor<'_>,
        wall: WallAnchor,
    ) -> Self {
        let mut stories = vec![Story::default(); line.alarms.len()];
        for record in records {
            let Some(alarm) = line.alarm_by_id(&record.id) else { continue };
            // A letter this version does not know is read as normal; the occurrence number is kept all the same.
            let state = AlarmState::from_letter(record.state).unwrap_or_default();
            let shelved_until = record.shelf.as_ref().map(|shelf| left_of(shelf, wall));
            monitor.restore(
                alarm,
                Restored {
                    state,
                    occurrence: record.occurrence,
                    was_told: record.was_told,
                    drops_exposure: record.drops_exposure,
                    exposure: record.exposure,
                    waited: if record.waited_under == print_of(line.alarm(alarm)) {
                        record.waited
                    } else {
                        Duration::ZERO
                    },
                    shelved_until,
                    shelved_once: record.shelf.as_ref().is_some_and(|shelf| shelf.once),
                    out_of_service: record.out_of_service.is_some(),
                },
            );
            if let Some(story) = stories.get_mut(alarm.index()) {
                *story = Story {
                    onset: record.onset,
                    onset_at: None,
                    raised: record.raised,
                    cleared: record.cleared,
                    cleared_at: None,
                    acknowledged: record.acknowledged,
                    shelf: record.shelf.filter(|_| shelved_until != Some(Uptime::START)),
                    out_of_service: record.out_of_service,
                    kept_exposure: record.exposure,
                };
            }
        }
        Self { stories }
    }

    /// Notes an engine event, and returns it as history keeps it.
    pub fn note(&mut self, line: &Line, event: &AlarmEvent, beside: Beside<'_>) -> Event {
        let onset = match event.what {
            Happening::Raised { onset } => Some(beside.wall.utc(onset)),
            Happening::Realarmed
            | Happening::Cleared
            | Happening::Lapsed
            | Happening::Acknowledged
            | Happening::Reset
            | Happening::Shelved { .. }
            | Happening::Unshelved
            | Happening::OutOfService
            | Happening::ReturnedToService
            | Happening::Silenced => None,
        };
        if let Some(story) = self.stories.get_mut(event.alarm.index()) {
            story.go_on(event, beside);
        }
        Event {
            sequence: beside.sequence,
            utc: beside.wall.utc(event.at),
            at: event.at,
            alarm: Some(line.alarm(event.alarm).id.clone()),
            occurrence: event.occurrence,
            what: word(event.what).to_owned(),
            states: [event.from.letter(), event.to.letter()].iter().collect(),
            onset,
            value: event.value,
            exposure: event.exposure,
            by: beside.person.filter(|_| is_wish(event.what)).map(|person| person.by.to_owned()),
            note: note_of(event, beside),
        }
    }

    /// An alarm as a page sees it.
    #[must_use]
    pub fn view(&self, monitor: &Monitor<'_>, alarm: AlarmId, wall: WallAnchor) -> AlarmView {
        let nothing = Story::default();
        let story = self.stories.get(alarm.index()).unwrap_or(&nothing);
        let status = monitor.status(alarm, wall.at);
        let flags = status.map_or_else(Flags::default, |status| status.flags);
        let silent_until = flags.shelved_until.max(flags.suppressed.settling_until);
        AlarmView {
            state: status.map_or(AlarmState::Normal, |status| status.state),
            flags,
            silent_until: silent_until.map(|until| wall.utc(until)),
            shelf: story.shelf.clone(),
            out_of_service: story.out_of_service.clone(),
            occurrence: status.map_or(0, |status| status.occurrence),
            onset: story.onset,
            raised: story.raised,
            cleared: story.cleared,
            acknowledged: story.acknowledged.clone(),
            exposure: status.and_then(|status| status.exposure),
            beyond_since: status.and_then(|status| status.beyond_since).map(|since| wall.utc(since)),
            forecast: status.map_or(Forecast::Unknown, |status| status.forecast),
        }
    }

    /// From when to when the last occurrence of an alarm stood, if it has raised: the clock may be set meanwhile.
    #[must_use]
    pub fn stood(&self, alarm: AlarmId) -> Option<(Moment, Option<Moment>)> {
        let story = self.stories.get(alarm.index()).filter(|story| story.raised.is_some())?;
        let moment = |at: Option<Uptime>, utc: UtcMillis| at.map_or(Moment::Wall(utc), Moment::Run);
        let cleared = story.cleared.map(|utc| moment(story.cleared_at, utc));
        Some((moment(story.onset_at, story.onset?), cleared))
    }

    /// Whether history is owed the exposure of an alarm: there is some, or there was when it was written last. Where a batch
    /// has begun with none, the next start must not find what the one before had.
    #[must_use]
    pub fn is_owed(&self, monitor: &Monitor<'_>, alarm: AlarmId) -> bool {
        let kept = self.stories.get(alarm.index()).map_or(0.0, |story| story.kept_exposure);
        monitor.carried(alarm).unwrap_or(0.0).max(kept) > RECORDED_EXPOSURE_MIN
    }

    /// An alarm as it is carried over a restart, for history to keep.
    pub fn keep(&mut self, line: &Line, monitor: &Monitor<'_>, alarm: AlarmId) -> Option<AlarmRecord> {
        let record = self.record(line, monitor, alarm)?;
        if let Some(story) = self.stories.get_mut(alarm.index()) {
            story.kept_exposure = record.exposure;
        }
        Some(record)
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
            was_told: status.was_told,
            drops_exposure: status.drops_exposure,
            exposure: monitor.carried(alarm).unwrap_or(0.0),
            waited: status.waited.unwrap_or_default(),
            waited_under: status.waited.map_or(0, |_| print_of(line.alarm(alarm))),
            onset: story.onset,
            raised: story.raised,
            cleared: story.cleared,
            acknowledged: story.acknowledged.clone(),
            shelf: story.shelf.clone(),
            out_of_service: story.out_of_service.clone(),
        })
    }
}

impl Story {
    fn go_on(&mut self, event: &AlarmEvent, beside: Beside<'_>) {
        let utc = beside.wall.utc(event.at);
        let by = || beside.person.map(|person| person.by.to_owned()).unwrap_or_default();
        let why = || beside.person.and_then(|person| person.why).map(str::to_owned);
        match event.what {
            Happening::Raised { onset } => {
                (self.onset, self.onset_at) = (Some(beside.wall.utc(onset)), Some(onset));
                self.raised = Some(utc);
                (self.cleared, self.cleared_at, self.acknowledged) = (None, None, None);
            }
            Happening::Cleared => (self.cleared, self.cleared_at) = (Some(utc), Some(event.at)),
            Happening::Acknowledged => self.acknowledged = Some((utc, by())),
            Happening::Realarmed => self.acknowledged = None,
            Happening::Shelved { until } => {
                let (until, once) = (beside.wall.utc(until), beside.shelved_once);
                self.shelf = Some(Shelf { until, once, since: utc, by: by(), why: why() });
            }
            Happening::Unshelved => self.shelf = None,
            Happening::OutOfService => {
                self.out_of_service = Some(OutOfService { since: utc, by: by(), why: why() });
            }
            Happening::ReturnedToService => self.out_of_service = None,
            Happening::Lapsed | Happening::Reset | Happening::Silenced => {}
        }
    }
}

/// Checksum of what an alarm's delay depends on in the files.
fn print_of(alarm: &LineAlarm) -> u32 {
    crc32fast::hash(format!("{:?} {:?}", alarm.settings, alarm.when).as_bytes())
}

/// When a kept shelf ends in this run's time: at its start, if it has run out meanwhile. A clock that reads wrong after
/// the restart makes no shelf longer than it was asked for.
fn left_of(shelf: &Shelf, wall: WallAnchor) -> Uptime {
    let left_ms = shelf.until.0.saturating_sub(wall.utc.0);
    let asked_ms = shelf.until.0.saturating_sub(shelf.since.0);
    match u64::try_from(left_ms.min(asked_ms)) {
        Ok(0) | Err(_) => Uptime::START,
        Ok(left_ms) => wall.at + Duration::from_millis(left_ms),
    }
}

/// Whether a person's name belongs to it: what follows from a wish by itself is nobody's.
const fn is_wish(what: Happening) -> bool {
    match what {
        Happening::Acknowledged
        | Happening::Reset
        | Happening::Shelved { .. }
        | Happening::Unshelved
        | Happening::OutOfService
        | Happening::ReturnedToService => true,
        Happening::Raised { .. }
        | Happening::Realarmed
        | Happening::Cleared
        | Happening::Lapsed
        | Happening::Silenced => false,
    }
}

/// For a wish its end and reason; for anything else whether somebody was called.
fn note_of(event: &AlarmEvent, beside: Beside<'_>) -> Option<String> {
    if !is_wish(event.what) {
        return event.silent.then(|| SILENT.to_owned());
    }
    let why = beside.person.and_then(|person| person.why);
    let Happening::Shelved { until } = event.what else { return why.map(str::to_owned) };
    let until = beside.wall.utc(until);
    let until =
        Timestamp::from_millisecond(until.0).map_or_else(|_| until.0.to_string(), |at| at.to_string());
    let once = if beside.shelved_once { SHELVED_ONCE } else { "" };
    let why = why.map(|why| format!("; {why}")).unwrap_or_default();
    Some(format!("{SHELVED_UNTIL}{until}{once}{why}"))
}

const fn word(what: Happening) -> &'static str {
    match what {
        Happening::Raised { .. } => "raised",
        Happening::Realarmed => "re-alarmed",
        Happening::Cleared => "cleared",
        Happening::Lapsed => LAPSED,
        Happening::Acknowledged => "acknowledged",
        Happening::Reset => "reset",
        Happening::Shelved { .. } => "shelved",
        Happening::Unshelved => "unshelved",
        Happening::OutOfService => "out of service",
        Happening::ReturnedToService => "returned to service",
        Happening::Silenced => "silenced",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::storage::Storage;
    use setward_alarm::BatchEdge;
    use setward_config::load_demo;
    use setward_protocol::{Reading, Sample};

    /// Half an hour of a batch at the reference temperature, a sample a second from `from_s` on.
    fn cook(monitor: &mut Monitor<'_>, line: &Line, from_s: u64) {
        let signal = line.signal_by_tag("TT-101").unwrap();
        for second in from_s..from_s + 1800 {
            let at = Uptime::from_millis(1000 * second);
            monitor.handle_sample(&Sample { signal, at, reading: Reading::Good(95.0) });
        }
    }

    /// What is written of an alarm's exposure as long as it is owed, at most three times.
    fn written(book: &mut AlarmBook, line: &Line, monitor: &Monitor<'_>, alarm: AlarmId) -> Vec<f64> {
        let once = |_: u8| {
            let record = book.is_owed(monitor, alarm).then(|| book.keep(line, monitor, alarm));
            record.flatten().map(|record| record.exposure)
        };
        (0..3).map_while(once).collect()
    }

    /// A batch begins with no dose, without a word to anybody: the power may fail before it has a new one, and the dose of
    /// the batch before must be gone then.
    #[test]
    fn the_dose_of_a_batch_is_written_out_of_history_when_it_is_over_and_when_the_next_begins() {
        let line = load_demo().unwrap().line;
        let alarm = line.alarm_by_id("cook-dose-out.TT-101").unwrap();
        let wall = WallAnchor { at: Uptime::START, utc: UtcMillis(0) };
        let mut storage = Storage::of(&line);
        let (mut monitor, mut book) = storage.engine(&line, Vec::new(), wall);
        assert!(written(&mut book, &line, &monitor, alarm).is_empty());
        monitor.handle_batch(Uptime::START, alarm, BatchEdge::Begins);
        cook(&mut monitor, &line, 0);
        let cooked = written(&mut book, &line, &monitor, alarm);
        assert!(cooked.len() == 3 && (0.8..0.82).contains(&cooked[0]), "30 of 37 minutes: {cooked:?}");
        let kept = book.record(&line, &monitor, alarm).unwrap();
        monitor.handle_batch(Uptime::from_millis(1_800_000), alarm, BatchEdge::Ends);
        assert_eq!(written(&mut book, &line, &monitor, alarm), [0.0]);
        assert!(monitor.exposure(alarm).unwrap() > 0.8, "pages show it until the next begins");
        // The run was cut off in the batch; a new one begins after the next start.
        let mut storage = Storage::of(&line);
        let (mut monitor, mut book) = storage.engine(&line, vec![kept], wall);
        monitor.handle_batch(Uptime::START, alarm, BatchEdge::Begins);
        assert_eq!(written(&mut book, &line, &monitor, alarm), [0.0]);
    }

    /// A shelf of ten minutes, put there at 1,000 s of wall time.
    fn left_at(now_s: i64, up_s: u64) -> Uptime {
        let utc = |second: i64| UtcMillis(1000 * second);
        let shelf =
            Shelf { until: utc(1_600), once: false, since: utc(1_000), by: "Ana".to_owned(), why: None };
        left_of(&shelf, WallAnchor { at: Uptime::from_millis(1000 * up_s), utc: utc(now_s) })
    }

    #[test]
    fn a_shelf_goes_on_for_what_is_left_and_never_longer_than_it_was_asked_for() {
        assert_eq!(left_at(1_100, 2), Uptime::from_millis(502_000));
        assert_eq!(left_at(1_600, 2), Uptime::START, "over");
        assert_eq!(left_at(9_999, 2), Uptime::START);
        // The clock came up at the epoch: not for 56 years.
        assert_eq!(left_at(0, 2), Uptime::from_millis(602_000));
    }
}
