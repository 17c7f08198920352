//! All alarms of a line: samples and people's wishes in, events out.
//!
//! The caller lends the storage: one [`Slot`] an alarm, one [`Head`] a signal. See the crate's contract.

use crate::detector::{Change, Detector};
use crate::event::{AlarmEvent, Forecast, Happening};
use crate::settings::{AlarmId, AlarmSettings, Target};
use crate::state::{AlarmState, Refusal};
use heapless::Deque;
use setward_protocol::{Sample, SignalId, Uptime};

/// Events that can wait to be drained. One input makes a few; a full queue is counted, never grown.
pub const EVENTS_MAX: usize = 256;
/// The most events one alarm makes from one input.
const CHANGES_MAX: usize = 4;

/// Storage of one alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slot {
    settings: AlarmSettings,
    detector: Detector,
    state: AlarmState,
    occurrence: u32,
    onset: Option<Uptime>,
    /// The next alarm on the same signal.
    next: Option<u16>,
}

impl Slot {
    /// Storage for an alarm with these settings, in state A.
    #[must_use]
    pub fn new(settings: AlarmSettings) -> Self {
        let detector = Detector::new(&settings);
        Self { settings, detector, state: AlarmState::Normal, occurrence: 0, onset: None, next: None }
    }
}

/// Storage of one signal.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Head {
    /// The first alarm on the signal.
    first: Option<u16>,
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
}

/// An alarm as it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Status {
    /// Base state.
    pub state: AlarmState,
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
}

impl<'a> Monitor<'a> {
    /// Watches the alarms in `slots` (an [`AlarmId`] is an index there) over the signals in `heads` (a [`SignalId`] is an
    /// index there). An alarm on a signal outside `heads` never sees a sample.
    #[must_use]
    pub fn new(slots: &'a mut [Slot], heads: &'a mut [Head]) -> Self {
        heads.fill(Head::default());
        // From the last to the first, so that each signal's chain runs in the order of the alarms.
        for (index, slot) in (0..u16::MAX).zip(slots.iter_mut()).rev() {
            slot.next =
                slot.settings.watches.signal().and_then(|signal| {
                    heads.get_mut(signal.index()).and_then(|head| head.first.replace(index))
                });
        }
        Self { slots, heads, events: Deque::new(), events_lost: 0, samples_dropped: 0 }
    }

    /// Takes up an alarm where an earlier run stopped. The time between is unknown: exposure is as it was.
    pub fn restore(&mut self, alarm: AlarmId, restored: Restored) {
        if let Some(slot) = self.slots.get_mut(alarm.index()) {
            slot.state = restored.state;
            slot.occurrence = restored.occurrence;
            slot.detector.restore(restored.state.condition_holds(), restored.exposure);
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
        let mut cursor = head.first;
        while let Some(index) = cursor {
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { return };
            cursor = slot.next;
            let changes = slot.detector.handle(sample.at, sample.reading, slot.settings.gap_limit);
            for change in changes {
                self.apply(AlarmId(index), change);
            }
        }
    }

    /// Time has passed. Calling it before [`Self::poll_timeout`] does nothing. It stops when the queue of events is nearly
    /// full: drain it and call again while the timeout is due.
    pub fn handle_timeout(&mut self, now: Uptime) {
        for index in 0..u16::MAX {
            if self.events.len() + CHANGES_MAX > EVENTS_MAX {
                return;
            }
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { return };
            let changes = slot.detector.handle_timeout(now, slot.settings.gap_limit);
            for change in changes {
                self.apply(AlarmId(index), change);
            }
        }
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
        self.slots.iter().filter_map(|slot| slot.detector.deadline(slot.settings.gap_limit)).min()
    }

    /// An alarm as it stands at `now`.
    #[must_use]
    pub fn status(&self, alarm: AlarmId, now: Uptime) -> Option<Status> {
        let slot = self.slots.get(alarm.index())?;
        let gap_limit = slot.settings.gap_limit;
        Some(Status {
            state: slot.state,
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

    fn apply(&mut self, alarm: AlarmId, change: Change) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        match change {
            Change::Begins { at, onset } => {
                if let Some(to) = slot.state.raise() {
                    slot.occurrence = slot.occurrence.saturating_add(1);
                    slot.onset = Some(onset);
                    self.transition(alarm, at, Happening::Raised { onset }, to);
                }
            }
            Change::Ends { at } => {
                if let Some(to) = slot.state.clear(slot.settings.latching) {
                    self.transition(alarm, at, Happening::Cleared, to);
                }
            }
        }
    }

    fn transition(&mut self, alarm: AlarmId, at: Uptime, what: Happening, to: AlarmState) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        let from = core::mem::replace(&mut slot.state, to);
        let event = AlarmEvent {
            alarm,
            occurrence: slot.occurrence,
            at,
            what,
            from,
            to,
            value: slot.detector.last_value(),
            exposure: slot.detector.exposure(),
        };
        if self.events.push_back(event).is_err() {
            self.events_lost += 1;
        }
    }
}
