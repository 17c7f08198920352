//! One set of alarm settings, fed with kept scans and wishes: what it tells, as history would keep it.

use super::feed::Scan;
use crate::history::{AlarmRecord, Event, StoredEvent};
use crate::line::WallAnchor;
use crate::line::alarms::{AlarmBook, Beside, Person, SHELVED_ONCE, SHELVED_UNTIL};
use crate::line::core::{LineCore, Said};
use crate::line::quality::QualityBook;
use crate::line::recipes::RecipeChange;
use crate::line::storage::Storage;
use crate::snapshot::RunId;
use jiff::Timestamp;
use setward_alarm::AlarmId;
use setward_config::line::Line;
use setward_protocol::{Uptime, UtcMillis};
use std::sync::Arc;
use std::time::Duration;

/// A run being played.
pub(super) struct Player<'a> {
    line: Arc<Line>,
    run: RunId,
    core: LineCore<'a>,
    book: AlarmBook,
    quality: QualityBook,
    wall: WallAnchor,
    said: Vec<Said>,
    sequence: u64,
    told: Vec<StoredEvent>,
    recipes: Vec<(UtcMillis, RecipeChange)>,
}

impl<'a> Player<'a> {
    /// A run that begins at `wall`, with what the alarms carried over from the run before.
    pub(super) fn new(
        line: &Arc<Line>,
        storage: &'a mut Storage,
        run: RunId,
        wall: WallAnchor,
        carried: Vec<AlarmRecord>,
    ) -> Self {
        let (monitor, book) = storage.engine(line, carried, wall);
        Self {
            line: Arc::clone(line),
            run,
            core: LineCore::new(Arc::clone(line), monitor),
            book,
            quality: QualityBook::new(line),
            wall,
            said: Vec::new(),
            sequence: 0,
            told: Vec::new(),
            recipes: Vec::new(),
        }
    }

    /// A scan, as the line task handled it.
    pub(super) fn scan(&mut self, scan: &Scan) {
        self.wall = WallAnchor { at: scan.at, utc: scan.utc };
        if let Some(controller) = scan.controller {
            self.quality.follow_program(controller, scan.at, &scan.samples);
            let answered = scan.brought_words && self.quality.program_trouble(controller, scan.at).is_none();
            self.core.handle_controller(scan.at, controller, answered, &mut self.said);
        }
        self.core.handle_scan(scan.at, scan.utc, &scan.samples, &mut self.said);
        if !self.said.is_empty() {
            self.tell(None);
        }
    }

    /// What a person did then. With other settings the alarm may not be in a state to which it applies: then it does not.
    pub(super) fn wish(&mut self, event: &Event) {
        let Some(alarm) = event.alarm.as_deref().and_then(|id| self.line.alarm_by_id(id)) else { return };
        self.core.handle_timeout(event.at, &mut self.said);
        self.tell(None);
        self.wall = WallAnchor { at: event.at, utc: event.utc };
        self.carry_out(alarm, event);
        let (by, why) = (event.by.as_deref().unwrap_or_default(), why_of(event));
        self.tell(Some(Person { by, why }));
    }

    fn carry_out(&mut self, alarm: AlarmId, event: &Event) {
        let present = self.core.alarms().status(alarm, event.at).map_or(0, |status| status.occurrence);
        let (engine, now) = (self.core.monitor(), event.at);
        match event.what.as_str() {
            "acknowledged" => {
                let _not_now = engine.handle_acknowledge(now, alarm, present);
            }
            "reset" => {
                let _not_now = engine.handle_reset(now, alarm, present);
            }
            "shelved" => {
                let (until, once) = shelf_of(event);
                let _not_now = if once {
                    engine.handle_shelve_once(now, alarm, until)
                } else {
                    engine.handle_shelve(now, alarm, until)
                };
            }
            "unshelved" => {
                let _not_now = engine.handle_unshelve(now, alarm);
            }
            "out of service" => {
                let _not_now = engine.handle_service(now, alarm, false);
            }
            "returned to service" => {
                let _not_now = engine.handle_service(now, alarm, true);
            }
            _ => {}
        }
    }

    /// Time has passed without a scan.
    pub(super) fn pass(&mut self, now: Uptime) {
        self.core.handle_timeout(now, &mut self.said);
        self.tell(None);
    }

    fn tell(&mut self, person: Option<Person<'_>>) {
        self.core.drain(&mut self.said);
        for said in std::mem::take(&mut self.said) {
            let event = match said {
                Said::Alarm(event) => event,
                Said::Recipe(change) => {
                    self.recipes.push((self.wall.utc, change));
                    continue;
                }
                Said::Mode(_) => continue,
            };
            let status = self.core.alarms().status(event.alarm, event.at);
            let shelved_once = status.is_some_and(|status| status.flags.shelved_once);
            self.sequence += 1;
            let beside = Beside { person, shelved_once, sequence: self.sequence, wall: self.wall };
            let event = self.book.note(&self.line, &event, beside);
            self.told.push(StoredEvent { run: self.run, event });
        }
    }

    /// Recipe numbers that have changed since the last call, with when.
    pub(super) fn recipes(&mut self) -> Vec<(UtcMillis, RecipeChange)> {
        std::mem::take(&mut self.recipes)
    }

    /// The run is over: what was told, and what the alarms carry over.
    pub(super) fn end(self) -> (Vec<StoredEvent>, Vec<AlarmRecord>) {
        let alarms = self.line.alarms_with_ids();
        let records = alarms.filter_map(|(alarm, _)| self.book.record(&self.line, self.core.alarms(), alarm));
        (self.told, records.collect())
    }
}

/// Whether an event is something that a person did.
pub(super) fn is_wish(event: &Event) -> bool {
    let by_a_person = event.by.is_some() && event.alarm.is_some();
    by_a_person
        && matches!(
            event.what.as_str(),
            "acknowledged" | "reset" | "shelved" | "unshelved" | "out of service" | "returned to service"
        )
}

/// When a shelf ends in the time of its run, and whether with one occurrence.
fn shelf_of(event: &Event) -> (Uptime, bool) {
    let (end, once) = shelf_end_of(event);
    let span_ms = u64::try_from(end.0.saturating_sub(event.utc.0)).unwrap_or(0);
    (event.at + Duration::from_millis(span_ms), once)
}

/// When a shelf ends, and whether with one occurrence, from the event's note.
pub(super) fn shelf_end_of(event: &Event) -> (UtcMillis, bool) {
    let note = event.note.as_deref().unwrap_or_default().strip_prefix(SHELVED_UNTIL).unwrap_or_default();
    let (end, rest) = note.split_at(note.find([',', ';']).unwrap_or(note.len()));
    let end_ms = end.parse::<Timestamp>().map_or(event.utc.0, |end| end.as_millisecond());
    (UtcMillis(end_ms), rest.starts_with(SHELVED_ONCE))
}

/// The reason that a person gave.
pub(super) fn why_of(event: &Event) -> Option<&str> {
    let note = event.note.as_deref()?;
    match event.what.as_str() {
        "shelved" => note.split_once("; ").map(|(_, why)| why),
        _ => Some(note),
    }
}
