//! All alarms of a line: samples and people's wishes in, events out.
//!
//! The caller lends the storage: one [`Slot`] an alarm, one [`Head`] a signal, and [`Segment`]s for the kinds that keep a
//! window. See the crate's contract. What people wish is in `wishes.rs`, what keeps alarms silent in `silence.rs`.

mod servers;
mod silence;
mod wishes;

use crate::blindness::Blindness;
use crate::detector::{Change, Changes};
use crate::event::{AlarmEvent, Forecast, Happening};
use crate::first_out::{self, FirstOut};
use crate::flags::Flags;
use crate::queue::EventQueue;
use crate::segment::Segment;
use crate::settings::{AlarmId, BatchEdge, Target, Watched};
use crate::slot::{Slot, Told, sooner};
use crate::state::AlarmState;
use core::time::Duration;
use setward_protocol::{ControllerId, Sample, SignalId, Uptime};
pub use wishes::{Acknowledgement, WishError};

/// The most events one alarm makes from one input.
const CHANGES_MAX: usize = 4;

/// Storage of one signal.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Head {
    /// The first alarm on the signal.
    first: Option<u16>,
    /// The first alarm that is compared with the signal.
    first_compared: Option<u16>,
    last_at: Option<Uptime>,
}

/// What an alarm carries over a restart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Restored {
    /// Base state.
    pub state: AlarmState,
    /// The last occurrence.
    pub occurrence: u32,
    /// Whether a person was told of it, and need not be anew. If not, and it stands, one is as soon as samples show that it
    /// still does.
    pub was_told: bool,
    /// The line was silent about it by its own logic: what it had collected then must not count.
    pub drops_exposure: bool,
    /// Exposure as a share of the allowance.
    pub exposure: f64,
    /// How much of an on-delay had passed; zero if none ran. It goes on if the first value is beyond.
    pub waited: Duration,
    /// Shelved until then, in this run's time; the start, if that moment passed while nothing ran.
    pub shelved_until: Option<Uptime>,
    /// The shelf ends with the present occurrence, or, if none stands, with the next.
    pub shelved_once: bool,
    /// Out of service.
    pub out_of_service: bool,
}

/// An alarm as it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Status {
    /// Base state.
    pub state: AlarmState,
    /// What keeps it silent.
    pub flags: Flags,
    /// The last occurrence; 0 if it never raised.
    pub occurrence: u32,
    /// When the last occurrence's trouble began, if that was in this run.
    pub onset: Option<Uptime>,
    /// Whether a person has been told of the last occurrence, and need not be anew when a silence ends.
    pub was_told: bool,
    /// Whether what it collects does not count, since the line is silent about it by its own logic.
    pub drops_exposure: bool,
    /// Exposure as a share of the allowance, for alarms that have one.
    pub exposure: Option<f64>,
    /// How much of an on-delay has passed, with what was carried over a restart; `None` while none runs.
    pub waited: Option<Duration>,
    /// Since when the value has been beyond tolerance or limit without a break; `None` also when it is not known.
    pub beyond_since: Option<Uptime>,
    /// What it does next if the value stays as it is.
    pub forecast: Forecast,
    /// Whether it was the first of its group, in the group's present trouble or the last.
    pub first_out: Option<FirstOut>,
}

/// An alarm has more causes than it can hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TooManyCauses;

/// All alarms of a line.
#[derive(Debug)]
pub struct Monitor<'a> {
    slots: &'a mut [Slot],
    heads: &'a mut [Head],
    segments: &'a mut [Segment],
    events: EventQueue<'a>,
    samples_dropped: u64,
    /// Whether an alarm began or ended to hide others.
    hides_changed: bool,
    /// Nothing is due before this; `None`: nothing at all. Made exact with each timeout, so that a timer that has been
    /// stopped costs one call too many and no search.
    due: Option<Uptime>,
    /// The first alarm that watches a controller or a server.
    first_of_controllers: Option<u16>,
}

impl<'a> Monitor<'a> {
    /// Watches the alarms in `slots` (an [`AlarmId`] is an index there) over the signals in `heads` (a [`SignalId`] is an
    /// index there). An alarm on a signal outside `heads` never sees a sample. Windows are kept in `segments`, of which
    /// there should be the sum of [`crate::AlarmSettings::segments_needed`]; an alarm for which none are left never judges
    /// its window.
    #[must_use]
    pub fn new(slots: &'a mut [Slot], heads: &'a mut [Head], segments: &'a mut [Segment]) -> Self {
        heads.fill(Head::default());
        let mut lent = 0;
        for slot in slots.iter_mut() {
            let count = slot.settings.segments_needed().min(segments.len() - lent);
            slot.lent = (lent, count);
            lent += count;
        }
        let mut first_of_controllers = None;
        // From the last to the first, so that each signal's chain runs in the order of the alarms.
        for (index, slot) in (0..u16::MAX).zip(slots.iter_mut()).rev() {
            slot.next = match slot.settings.watches {
                Watched::Signal(signal) => {
                    heads.get_mut(signal.index()).and_then(|head| head.first.replace(index))
                }
                Watched::Controller(_) | Watched::Server(_) => first_of_controllers.replace(index),
            };
            let compared = slot.detector.reference_signal();
            let head = compared.and_then(|signal| heads.get_mut(signal.index()));
            slot.next_compared = head.and_then(|head| head.first_compared.replace(index));
        }
        let events = EventQueue::new();
        let (samples_dropped, hides_changed, due) = (0, false, None);
        Self { slots, heads, segments, events, samples_dropped, hides_changed, due, first_of_controllers }
    }

    /// Lends places for events beyond the [`crate::EVENTS_MAX`] that the engine holds by itself. With as many as
    /// [`crate::events_needed`] says, no event of any one input is lost. To be called before the first input.
    pub fn lend_events(&mut self, places: &'a mut [Option<AlarmEvent>]) {
        self.events.lend(places);
    }

    /// While `cause` stands and speaks, `consequence` is hidden by it. The caller sees to it that there is no circle.
    ///
    /// # Errors
    /// [`TooManyCauses`] beyond [`crate::CAUSES_MAX`] for one alarm.
    pub fn hide(&mut self, cause: AlarmId, consequence: AlarmId) -> Result<(), TooManyCauses> {
        match self.slots.get_mut(consequence.index()) {
            Some(slot) => slot.causes.push(cause).map_err(|_| TooManyCauses),
            None => Ok(()),
        }
    }

    /// Takes up an alarm where an earlier run stopped. The time between is unknown: exposure is as it was. A shelf that ran
    /// out meanwhile is over, which is told; whether what stood on it still does is told once the first samples can say.
    pub fn restore(&mut self, alarm: AlarmId, restored: Restored) {
        if let Some(slot) = self.slots.get_mut(alarm.index()) {
            slot.state = restored.state;
            slot.occurrence = restored.occurrence;
            slot.detector.restore(restored.state.condition_holds(), restored.exposure);
            slot.detector.carry(restored.waited);
            (slot.annunciated, slot.drops_exposure) = (restored.was_told, restored.drops_exposure);
            slot.set_realarm(Uptime::START);
            slot.has_hidden_before();
            let is_over = restored.shelved_until.is_some_and(|until| until <= Uptime::START);
            // What was standing when it became silent was told then.
            let _told = slot.change_flags(Uptime::START, |flags| {
                (flags.shelved_until, flags.shelved_once) = (restored.shelved_until, restored.shelved_once);
                flags.out_of_service = restored.out_of_service;
            });
            // What the line was silent about: if it is still there once samples can tell, somebody is called.
            let was_silent = !restored.was_told && restored.state != AlarmState::Normal;
            if is_over || was_silent || restored.drops_exposure {
                slot.wait_for_sight();
            }
            if is_over {
                self.unshelve(Uptime::START, alarm);
            }
            if restored.state.condition_holds() {
                self.blind_from_start(alarm);
            }
            self.hides_changed = true;
            self.note_due(alarm);
        }
    }

    /// What the running recipe asks of a signal, from its last good sample on.
    pub fn handle_target(&mut self, signal: SignalId, target: Option<Target>) {
        let mut cursor = self.first_alarm(signal);
        while let Some(slot) = cursor.and_then(|index| self.slots.get_mut(usize::from(index))) {
            slot.detector.set_target(target);
            cursor = slot.next;
        }
    }

    /// A reading of one signal. Samples that are not newer than the signal's last are dropped and counted.
    pub fn handle_sample(&mut self, sample: &Sample) {
        let Some(head) = self.heads.get_mut(sample.signal.index()) else { return };
        if head.last_at.is_some_and(|last| sample.at <= last) {
            self.samples_dropped += 1;
            return;
        }
        head.last_at = Some(sample.at);
        let (first, compared) = (head.first, head.first_compared);
        self.compare(compared, sample);
        let (mut cursor, mut changes) = (first, Changes::new());
        while let Some(index) = cursor {
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { return };
            cursor = slot.next;
            let alarm = AlarmId(index);
            self.end_settling(alarm, sample.at, Slot::end_settling);
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { return };
            let lost = slot.flags.suppressed.no_communication;
            let lent = slot.own_mut(self.segments);
            slot.detector.handle(sample.at, sample.reading, lost, lent, &mut changes);
            // Nearly always nothing has: what would be carried along for it costs more than the look.
            if !changes.is_empty() {
                self.apply(alarm, core::mem::take(&mut changes));
            }
            self.end_settling(alarm, sample.at, Slot::end_settling_within);
            self.note_due(alarm);
        }
        self.follow_hides(sample.at);
    }

    /// The batch that an alarm judges begins or ends. Two alarms on one signal may mean different batches.
    pub fn handle_batch(&mut self, now: Uptime, alarm: AlarmId, edge: BatchEdge) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        let changes = slot.detector.handle_batch(now, edge);
        self.apply(alarm, changes);
        self.follow_hides(now);
    }

    /// Whether a controller answered a scan.
    pub fn handle_controller(&mut self, now: Uptime, controller: ControllerId, answered: bool) {
        let mut cursor = self.first_of_controllers;
        while let Some(index) = cursor {
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { break };
            cursor = slot.next;
            if slot.settings.watches == Watched::Controller(controller) {
                let changes = slot.detector.handle_scan(now, answered);
                self.apply(AlarmId(index), changes);
                self.note_due(AlarmId(index));
            }
        }
        self.follow_hides(now);
    }

    /// Time has passed. Calling it before [`Self::poll_timeout`] does nothing. It stops when the queue of events is nearly
    /// full: drain it and call again while the timeout is due.
    pub fn handle_timeout(&mut self, now: Uptime) {
        if self.due.is_none_or(|due| due > now) {
            return;
        }
        for index in 0..u16::MAX {
            if self.events.is_nearly_full(CHANGES_MAX) {
                break;
            }
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { break };
            if slot.deadline().is_none_or(|due| due > now) {
                continue;
            }
            let alarm = AlarmId(index);
            self.end_settling(alarm, now, Slot::end_settling);
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { break };
            let changes = slot.detector.handle_timeout(now);
            let shelf_is_over = slot.flags.shelved_until.is_some_and(|until| until <= now);
            self.hides_changed = true;
            self.apply(alarm, changes);
            if shelf_is_over {
                self.unshelve(now, alarm);
            }
            let told = self.slots.get_mut(usize::from(index)).and_then(|slot| {
                slot.end_hiding(now);
                slot.realarm(now)
            });
            self.tell(alarm, now, told);
        }
        self.follow_hides(now);
        self.due = self.slots.iter().filter_map(Slot::deadline).min();
    }

    /// The next event, until there is none.
    pub fn poll_event(&mut self) -> Option<AlarmEvent> {
        self.events.pop()
    }

    /// When [`Self::handle_timeout`] wants to be called, if at all. It may be called for nothing.
    #[must_use]
    pub const fn poll_timeout(&self) -> Option<Uptime> {
        self.due
    }

    /// An alarm as it stands at `now`.
    #[must_use]
    pub fn status(&self, alarm: AlarmId, now: Uptime) -> Option<Status> {
        let slot = self.slots.get(alarm.index())?;
        Some(Status {
            state: slot.state,
            flags: slot.flags,
            occurrence: slot.occurrence,
            was_told: slot.annunciated && !slot.gated,
            drops_exposure: slot.drops_exposure,
            onset: slot.onset,
            exposure: slot.detector.exposure(),
            waited: slot.detector.waited(),
            beyond_since: slot.detector.beyond_since(now),
            forecast: slot.detector.forecast(now, slot.own(self.segments)),
            first_out: slot.first_out,
        })
    }

    /// Exposure of an alarm as a share of the allowance, if it has one.
    #[must_use]
    pub fn exposure(&self, alarm: AlarmId) -> Option<f64> {
        self.slots.get(alarm.index())?.detector.exposure()
    }

    /// What of an alarm's exposure goes on after a restart: all, but for what belongs to a batch that is over.
    #[must_use]
    pub fn carried(&self, alarm: AlarmId) -> Option<f64> {
        self.slots.get(alarm.index())?.detector.carried()
    }

    /// Why an alarm could not fire at `now`, whatever its signal did.
    #[must_use]
    pub fn blindness(&self, alarm: AlarmId, now: Uptime) -> Option<Blindness> {
        let slot = self.slots.get(alarm.index())?;
        slot.flags.blindness().or_else(|| slot.detector.blindness(now))
    }

    /// Events that found no room, and samples that were not newer than the one before.
    #[must_use]
    pub const fn losses(&self) -> (u64, u64) {
        (self.events.lost(), self.samples_dropped)
    }

    fn first_alarm(&self, signal: SignalId) -> Option<u16> {
        self.heads.get(signal.index())?.first
    }

    /// A reading of a signal with which alarms are compared.
    fn compare(&mut self, first: Option<u16>, sample: &Sample) {
        let mut cursor = first;
        while let Some(index) = cursor {
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { return };
            cursor = slot.next_compared;
            let lent = slot.own_mut(self.segments);
            let changes = slot.detector.handle_reference(sample.at, sample.reading, lent);
            self.apply(AlarmId(index), changes);
            self.note_due(AlarmId(index));
        }
    }

    /// The alarm may be due earlier than anything else.
    fn note_due(&mut self, alarm: AlarmId) {
        let due = self.slots.get(alarm.index()).and_then(Slot::deadline);
        self.due = sooner(self.due, due);
    }

    /// What a detector found, and what it blinds, hides or takes off the shelf.
    fn apply(&mut self, alarm: AlarmId, changes: Changes) {
        for change in changes {
            let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
            let (group, told) = (slot.settings.group, slot.apply(change));
            let shelf_is_over = slot.flags.shelved_once && matches!(change, Change::Ends { .. });
            if let (Some(group), Change::Begins { onset, .. }) = (group, change) {
                first_out::note(self.slots, alarm, group, onset);
            }
            self.tell(alarm, change.at(), told);
            if shelf_is_over {
                self.unshelve(change.at(), alarm);
            }
            self.blind(alarm, change.at(), matches!(change, Change::Begins { .. }));
        }
    }

    fn transition(&mut self, alarm: AlarmId, at: Uptime, what: Happening, to: AlarmState) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        let from = core::mem::replace(&mut slot.state, to);
        self.tell(alarm, at, Some((what, from)));
    }

    /// Queues what happened to an alarm that is now in its new state.
    fn tell(&mut self, alarm: AlarmId, at: Uptime, told: Option<Told>) {
        let (Some((what, from)), Some(slot)) = (told, self.slots.get(alarm.index())) else { return };
        let event = AlarmEvent {
            alarm,
            occurrence: slot.occurrence,
            at,
            what,
            from,
            to: slot.state,
            silent: slot.flags.are_silencing(),
            value: slot.detector.last_value(),
            exposure: slot.detector.exposure(),
        };
        self.hides_changed = true;
        self.events.push(event);
    }
}
