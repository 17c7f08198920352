//! All alarms of a line: samples and people's wishes in, events out.
//!
//! The caller lends the storage: one [`Slot`] an alarm, one [`Head`] a signal. See the crate's contract.

use crate::detector::{Change, Changes};
use crate::event::{AlarmEvent, Forecast, Happening};
use crate::flags::Flags;
use crate::settings::{AlarmId, Kind, Target, Watched};
use crate::slot::{Slot, Told};
use crate::state::{AlarmState, Refusal};
use heapless::Deque;
use setward_protocol::{ControllerId, Mode, Sample, SignalId, StationId, Uptime};

/// Events that can wait to be drained. One input makes a few; a full queue is counted, never grown.
pub const EVENTS_MAX: usize = 256;
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
    /// Exposure as a share of the allowance.
    pub exposure: f64,
    /// Shelved until then, in this run's time.
    pub shelved_until: Option<Uptime>,
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
    /// Exposure as a share of the allowance, for alarms that have one.
    pub exposure: Option<f64>,
    /// Since when the value has been beyond tolerance or limit without a break; `None` also when it is not known.
    pub beyond_since: Option<Uptime>,
    /// What it does next if the value stays as it is.
    pub forecast: Forecast,
}

/// Why an acknowledgement or a reset changed nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WishError {
    /// There is no such alarm.
    NoSuchAlarm,
    /// The person saw another occurrence than this, the present one.
    Stale {
        /// The present occurrence.
        occurrence: u32,
    },
    /// The alarm has never raised.
    NeverRaised,
    /// The state does not allow it.
    Refused(Refusal),
}

/// An alarm has more causes than it can hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TooManyCauses;

/// Whether an acknowledgement changed anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Acknowledgement {
    /// It did; an event follows.
    Done,
    /// This occurrence had been acknowledged before.
    Already,
}

/// All alarms of a line.
#[derive(Debug)]
pub struct Monitor<'a> {
    slots: &'a mut [Slot],
    heads: &'a mut [Head],
    events: Deque<AlarmEvent, EVENTS_MAX>,
    events_lost: u64,
    samples_dropped: u64,
    /// Whether an alarm began or ended to hide others.
    hides_changed: bool,
}

impl<'a> Monitor<'a> {
    /// Watches the alarms in `slots` (an [`AlarmId`] is an index there) over the signals in `heads` (a [`SignalId`] is an
    /// index there). An alarm on a signal outside `heads` never sees a sample.
    #[must_use]
    pub fn new(slots: &'a mut [Slot], heads: &'a mut [Head]) -> Self {
        heads.fill(Head::default());
        // From the last to the first, so that each signal's chain runs in the order of the alarms.
        for (index, slot) in (0..u16::MAX).zip(slots.iter_mut()).rev() {
            let watched = slot.settings.watches.signal();
            let head = watched.and_then(|signal| heads.get_mut(signal.index()));
            slot.next = head.and_then(|head| head.first.replace(index));
            let compared = slot.detector.reference_signal();
            let head = compared.and_then(|signal| heads.get_mut(signal.index()));
            slot.next_compared = head.and_then(|head| head.first_compared.replace(index));
        }
        let events = Deque::new();
        Self { slots, heads, events, events_lost: 0, samples_dropped: 0, hides_changed: false }
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

    /// Takes up an alarm where an earlier run stopped. The time between is unknown: exposure is as it was.
    pub fn restore(&mut self, alarm: AlarmId, restored: Restored) {
        if let Some(slot) = self.slots.get_mut(alarm.index()) {
            slot.state = restored.state;
            slot.occurrence = restored.occurrence;
            slot.detector.restore(restored.state.condition_holds(), restored.exposure);
            slot.annunciated = true;
            let (shelf, out) = (restored.shelved_until, restored.out_of_service);
            // What was standing when it became silent was told then.
            let _told = slot.change_flags(Uptime::START, |flags| {
                (flags.shelved_until, flags.out_of_service) = (shelf, out);
            });
            self.hides_changed = true;
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
        let mut cursor = first;
        while let Some(index) = cursor {
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { return };
            cursor = slot.next;
            let lost = slot.flags.suppressed.no_communication;
            let changes = slot.detector.handle(sample.at, sample.reading, slot.settings.gap_limit, lost);
            let flags = slot.flags;
            let settled = slot.end_settling(sample.at);
            let unsilenced = flags != slot.flags;
            self.hides_changed |= unsilenced;
            self.apply(AlarmId(index), changes);
            self.tell(AlarmId(index), sample.at, settled);
        }
        self.follow_hides(sample.at);
    }

    /// A station goes into a mode. Alarms that do not speak in it are suppressed by design.
    pub fn handle_mode(&mut self, now: Uptime, station: StationId, mode: Mode) {
        for index in 0..u16::MAX {
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { break };
            if slot.settings.station == Some(station) {
                let silent = !slot.settings.modes.contains(mode);
                self.flag(now, AlarmId(index), |flags| flags.suppressed.mode = silent);
            }
        }
        self.follow_hides(now);
    }

    /// Whether the conditions besides the mode hold under which an alarm speaks.
    pub fn handle_condition(&mut self, now: Uptime, alarm: AlarmId, holds: bool) {
        self.flag(now, alarm, |flags| flags.suppressed.condition = !holds);
        self.follow_hides(now);
    }

    /// Whether a controller answered a scan.
    pub fn handle_controller(&mut self, now: Uptime, controller: ControllerId, answered: bool) {
        for index in 0..u16::MAX {
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { break };
            if slot.settings.watches == Watched::Controller(controller) {
                let changes = slot.detector.handle_scan(now, answered);
                self.apply(AlarmId(index), changes);
            }
        }
        self.follow_hides(now);
    }

    /// A person shelves an alarm until a moment. Shelving it again moves the end.
    ///
    /// # Errors
    /// [`WishError::NoSuchAlarm`].
    pub fn handle_shelve(&mut self, now: Uptime, alarm: AlarmId, until: Uptime) -> Result<(), WishError> {
        let slot = self.slots.get_mut(alarm.index()).ok_or(WishError::NoSuchAlarm)?;
        let told = slot.change_flags(now, |flags| flags.shelved_until = Some(until));
        let state = slot.state;
        self.tell(alarm, now, Some((Happening::Shelved { until }, state)));
        self.tell(alarm, now, told);
        self.follow_hides(now);
        Ok(())
    }

    /// A person takes an alarm off the shelf. One that is on none stays as it is.
    ///
    /// # Errors
    /// [`WishError::NoSuchAlarm`].
    pub fn handle_unshelve(&mut self, now: Uptime, alarm: AlarmId) -> Result<(), WishError> {
        self.slots.get(alarm.index()).ok_or(WishError::NoSuchAlarm)?;
        self.unshelve(now, alarm);
        self.follow_hides(now);
        Ok(())
    }

    /// Maintenance takes an alarm out of service, or returns it.
    ///
    /// # Errors
    /// [`WishError::NoSuchAlarm`].
    pub fn handle_service(&mut self, now: Uptime, alarm: AlarmId, in_service: bool) -> Result<(), WishError> {
        let slot = self.slots.get_mut(alarm.index()).ok_or(WishError::NoSuchAlarm)?;
        if slot.flags.out_of_service != in_service {
            return Ok(());
        }
        let told = slot.change_flags(now, |flags| flags.out_of_service = !in_service);
        let what = if in_service { Happening::ReturnedToService } else { Happening::OutOfService };
        let state = slot.state;
        self.tell(alarm, now, Some((what, state)));
        self.tell(alarm, now, told);
        self.follow_hides(now);
        Ok(())
    }

    /// Time has passed. Calling it before [`Self::poll_timeout`] does nothing. It stops when the queue of events is nearly
    /// full: drain it and call again while the timeout is due.
    pub fn handle_timeout(&mut self, now: Uptime) {
        for index in 0..u16::MAX {
            if self.events.len() + CHANGES_MAX > EVENTS_MAX {
                return;
            }
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { break };
            if slot.deadline().is_none_or(|due| due > now) {
                continue;
            }
            let changes = slot.detector.handle_timeout(now, slot.settings.gap_limit);
            let shelf_is_over = slot.flags.shelved_until.is_some_and(|until| until <= now);
            let settled = slot.end_settling(now);
            self.hides_changed = true;
            self.apply(AlarmId(index), changes);
            self.tell(AlarmId(index), now, settled);
            if shelf_is_over {
                self.unshelve(now, AlarmId(index));
            }
        }
        self.follow_hides(now);
    }

    /// A person acknowledges an occurrence. Doing it twice changes nothing.
    ///
    /// # Errors
    /// [`WishError::Stale`] if the present occurrence is another one, [`WishError::NeverRaised`] if there is none.
    pub fn handle_acknowledge(
        &mut self,
        now: Uptime,
        alarm: AlarmId,
        occurrence: u32,
    ) -> Result<Acknowledgement, WishError> {
        let slot = self.wished(alarm, occurrence)?;
        let Ok(to) = slot.state.acknowledge() else { return Ok(Acknowledgement::Already) };
        self.transition(alarm, now, Happening::Acknowledged, to);
        Ok(Acknowledgement::Done)
    }

    /// A person resets a latched alarm whose condition has gone.
    ///
    /// # Errors
    /// As for acknowledging, and [`WishError::Refused`] if the alarm is not acknowledged or its condition holds.
    pub fn handle_reset(&mut self, now: Uptime, alarm: AlarmId, occurrence: u32) -> Result<(), WishError> {
        let slot = self.wished(alarm, occurrence)?;
        let to = slot.state.reset().map_err(WishError::Refused)?;
        self.transition(alarm, now, Happening::Reset, to);
        Ok(())
    }

    /// The next event, until there is none.
    pub fn poll_event(&mut self) -> Option<AlarmEvent> {
        self.events.pop_front()
    }

    /// When [`Self::handle_timeout`] wants to be called, if at all.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Uptime> {
        self.slots.iter().filter_map(Slot::deadline).min()
    }

    /// An alarm as it stands at `now`.
    #[must_use]
    pub fn status(&self, alarm: AlarmId, now: Uptime) -> Option<Status> {
        let slot = self.slots.get(alarm.index())?;
        let gap_limit = slot.settings.gap_limit;
        Some(Status {
            state: slot.state,
            flags: slot.flags,
            occurrence: slot.occurrence,
            onset: slot.onset,
            exposure: slot.detector.exposure(),
            beyond_since: slot.detector.beyond_since(now, gap_limit),
            forecast: slot.detector.forecast(now, gap_limit),
        })
    }

    /// Events that found no room, and samples that were not newer than the one before.
    #[must_use]
    pub const fn losses(&self) -> (u64, u64) {
        (self.events_lost, self.samples_dropped)
    }

    fn first_alarm(&self, signal: SignalId) -> Option<u16> {
        self.heads.get(signal.index())?.first
    }

    fn wished(&self, alarm: AlarmId, occurrence: u32) -> Result<&Slot, WishError> {
        let slot = self.slots.get(alarm.index()).ok_or(WishError::NoSuchAlarm)?;
        if slot.occurrence == 0 {
            Err(WishError::NeverRaised)
        } else if slot.occurrence != occurrence {
            Err(WishError::Stale { occurrence: slot.occurrence })
        } else {
            Ok(slot)
        }
    }

    /// A reading of a signal with which alarms are compared.
    fn compare(&mut self, first: Option<u16>, sample: &Sample) {
        let mut cursor = first;
        while let Some(slot) = cursor.and_then(|index| self.slots.get_mut(usize::from(index))) {
            slot.detector.handle_reference(sample.reading);
            cursor = slot.next_compared;
        }
    }

    fn unshelve(&mut self, now: Uptime, alarm: AlarmId) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        if slot.flags.shelved_until.is_none() {
            return;
        }
        let told = slot.change_flags(now, |flags| flags.shelved_until = None);
        let state = told.map_or(slot.state, |(_, from)| from);
        self.tell(alarm, now, Some((Happening::Unshelved, state)));
        self.tell(alarm, now, told);
    }

    fn flag(&mut self, now: Uptime, alarm: AlarmId, change: impl FnOnce(&mut Flags)) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        let before = slot.flags;
        let told = slot.change_flags(now, change);
        let changed = before != slot.flags;
        self.hides_changed |= changed;
        self.tell(alarm, now, told);
    }

    /// What a detector found, and what it blinds or hides.
    fn apply(&mut self, alarm: AlarmId, changes: Changes) {
        for change in changes {
            let (Change::Begins { at, .. } | Change::Ends { at }) = change;
            let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
            let told = slot.apply(change);
            self.tell(alarm, at, told);
            self.blind(alarm, at, matches!(change, Change::Begins { .. }));
        }
    }

    /// A signal that can't be trusted blinds the other alarms on it; a lost controller blinds all of its own.
    fn blind(&mut self, cause: AlarmId, now: Uptime, begins: bool) {
        let Some(slot) = self.slots.get(cause.index()) else { return };
        let (watches, kind) = (slot.settings.watches, slot.settings.kind);
        match (kind, watches) {
            (Kind::Measurement(_), Watched::Signal(signal)) => {
                let mut cursor = self.first_alarm(signal);
                while let Some(index) = cursor {
                    if AlarmId(index) != cause {
                        self.flag(now, AlarmId(index), |flags| flags.suppressed.bad_measurement = begins);
                    }
                    cursor = self.slots.get(usize::from(index)).and_then(|slot| slot.next);
                }
            }
            (Kind::Communication(_), Watched::Controller(controller)) => {
                for index in 0..u16::MAX {
                    let Some(slot) = self.slots.get(usize::from(index)) else { return };
                    if slot.settings.controller == Some(controller) && AlarmId(index) != cause {
                        self.flag(now, AlarmId(index), |flags| flags.suppressed.no_communication = begins);
                    }
                }
            }
            (
                Kind::Limit(_)
                | Kind::Deviation(_)
                | Kind::TimeWeighted(_)
                | Kind::Measurement(_)
                | Kind::Communication(_),
                _,
            ) => {}
        }
    }

    /// Alarms whose cause has begun or ceased to speak in their place. One that becomes hidden may uncover another: it
    /// goes on until nothing changes, which without circles it does.
    fn follow_hides(&mut self, now: Uptime) {
        for _ in 0..self.slots.len() {
            if !core::mem::take(&mut self.hides_changed) {
                return;
            }
            for index in 0..u16::MAX {
                let Some(slot) = self.slots.get(usize::from(index)) else { break };
                let speaks = |cause: &&AlarmId| self.slots.get(cause.index()).is_some_and(Slot::hides_others);
                let hidden_by = slot.causes.iter().find(speaks).copied();
                if hidden_by != slot.flags.suppressed.hidden_by {
                    self.flag(now, AlarmId(index), |flags| flags.suppressed.hidden_by = hidden_by);
                    self.hides_changed = true;
                }
            }
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
        if self.events.push_back(event).is_err() {
            self.events_lost += 1;
        }
    }
}
