//! One alarm: its settings, detector, state and flags, and what a change of any of them means for the others.

use crate::detector::{Change, Detector};
use crate::event::Happening;
use crate::first_out::FirstOut;
use crate::flags::Flags;
use crate::segment::Segment;
use crate::settings::{AlarmId, AlarmSettings};
use crate::state::AlarmState;
use heapless::Vec;
use setward_protocol::Uptime;

/// Most causes that may hide one alarm.
pub const CAUSES_MAX: usize = 8;

/// Storage of one alarm.
#[derive(Debug, Clone, PartialEq)]
pub struct Slot {
    pub(crate) settings: AlarmSettings,
    pub(crate) detector: Detector,
    pub(crate) state: AlarmState,
    pub(crate) occurrence: u32,
    pub(crate) onset: Option<Uptime>,
    pub(crate) flags: Flags,
    /// Whether a person has been told of the present occurrence.
    pub(crate) annunciated: bool,
    /// Whether, in the present silence, more than blindness kept it silent: then what comes out of it is told anew.
    pub(crate) gated: bool,
    /// Whether exposure collected in the present silence must not count.
    pub(crate) drops_exposure: bool,
    /// When it is told anew if it still stands, acknowledged.
    pub(crate) realarm_at: Option<Uptime>,
    /// Whether it was the first of its group.
    pub(crate) first_out: Option<FirstOut>,
    /// Where its share of the lent segments begins, and how many there are.
    pub(crate) lent: (usize, usize),
    /// When it ceases to hide what follows from it, though it stands.
    hides_until: Option<Uptime>,
    /// It has hidden what follows for as long as it may.
    has_hidden: bool,
    /// Alarms that speak in its place while they stand.
    pub(crate) causes: Vec<AlarmId, CAUSES_MAX>,
    /// The next alarm on the same signal, or on a controller.
    pub(crate) next: Option<u16>,
    /// The next alarm compared with the same signal.
    pub(crate) next_compared: Option<u16>,
}

/// The sooner of two moments, as far as there are any.
#[inline]
pub(crate) fn sooner(one: Option<Uptime>, other: Option<Uptime>) -> Option<Uptime> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, None) => one,
        (None, other) => other,
    }
}

/// What happened to a slot, and the state it had before.
pub(crate) type Told = (Happening, AlarmState);

impl Slot {
    /// Storage for an alarm with these settings, in state A.
    #[must_use]
    pub fn new(settings: AlarmSettings) -> Self {
        Self {
            detector: Detector::new(&settings),
            settings,
            state: AlarmState::Normal,
            occurrence: 0,
            onset: None,
            flags: Flags::default(),
            annunciated: false,
            gated: false,
            drops_exposure: false,
            realarm_at: None,
            hides_until: None,
            has_hidden: false,
            first_out: None,
            lent: (0, 0),
            causes: Vec::new(),
            next: None,
            next_compared: None,
        }
    }

    /// Its share of the lent segments.
    pub(crate) fn own<'s>(&self, segments: &'s [Segment]) -> &'s [Segment] {
        let (start, count) = self.lent;
        segments.get(start..start.saturating_add(count)).unwrap_or_default()
    }

    /// Its share of the lent segments, to write.
    pub(crate) fn own_mut<'s>(&self, segments: &'s mut [Segment]) -> &'s mut [Segment] {
        let (start, count) = self.lent;
        segments.get_mut(start..start.saturating_add(count)).unwrap_or_default()
    }

    /// Whether it hides what follows from it: it stands, is itself spoken, and has not done so for too long.
    pub(crate) const fn hides_others(&self) -> bool {
        self.state.condition_holds() && !self.flags.are_silencing() && !self.has_hidden
    }

    /// Whether it stands, though it has ceased to hide what follows from it.
    pub(crate) const fn has_hidden_enough(&self) -> bool {
        self.has_hidden && self.state.condition_holds()
    }

    /// It is told: from now on it hides what follows from it.
    fn begin_hiding(&mut self, now: Uptime) {
        self.has_hidden = false;
        self.hides_until = self.settings.hides_for.map(|span| now + span);
    }

    /// It stood before this run began: for how long it has hidden others is not known, so they speak.
    pub(crate) const fn has_hidden_before(&mut self) {
        self.has_hidden = self.settings.hides_for.is_some();
    }

    /// It ceases to hide what follows from it, if its time is over.
    pub(crate) fn end_hiding(&mut self, now: Uptime) {
        if self.hides_until.is_some_and(|until| until <= now) {
            (self.hides_until, self.has_hidden) = (None, true);
        }
    }

    /// The detector has found something.
    pub(crate) fn apply(&mut self, change: Change) -> Option<Told> {
        let from = self.state;
        match change {
            Change::Begins { at, onset } => {
                self.state = self.state.raise()?;
                self.begin_hiding(at);
                self.occurrence = self.occurrence.saturating_add(1);
                self.onset = Some(onset);
                self.annunciated = !self.flags.are_silencing();
                Some((Happening::Raised { onset }, from))
            }
            Change::Ends { .. } => {
                self.state = self.state.clear(self.settings.latching)?;
                (self.hides_until, self.has_hidden) = (None, false);
                Some((Happening::Cleared, from))
            }
        }
    }

    /// Changes the flags at `now`; gives what follows for the state.
    ///
    /// A reason of the line's own logic that ends leaves a wait behind: `settle`, or, after blindness, as long as samples
    /// are joined. It ends early once the value is within.
    pub(crate) fn change_flags(&mut self, now: Uptime, change: impl FnOnce(&mut Flags)) -> Option<Told> {
        let before = self.flags;
        change(&mut self.flags);
        self.follow_flags(now, before, true)
    }

    /// Another cause hides it, or none. Where its cause has ended, the value needs its time to return; where the cause
    /// stands and has only hidden it for as long as it may, there is nothing to wait for.
    pub(crate) fn hide(&mut self, now: Uptime, by: Option<AlarmId>, cause_stands: bool) -> Option<Told> {
        let before = self.flags;
        self.flags.suppressed.hidden_by = by;
        self.follow_flags(now, before, !cause_stands)
    }

    fn follow_flags(&mut self, now: Uptime, before: Flags, waits_behind_cause: bool) -> Option<Told> {
        let (was, is) = (before.suppressed, &mut self.flags.suppressed);
        let ended_by_design = (was.mode && !is.mode)
            || (was.condition && !is.condition)
            || (was.hidden_by.is_some() && is.hidden_by.is_none() && waits_behind_cause);
        let ended_blindness =
            (was.bad_measurement && !is.bad_measurement) || (was.no_communication && !is.no_communication);
        if ended_by_design && !self.settings.settle.is_zero() {
            is.settling_until = is.settling_until.max(Some(now + self.settings.settle));
        }
        if ended_blindness {
            is.settling_until = is.settling_until.max(Some(now + self.settings.gap_limit));
        }
        let by_design = is.mode || is.condition;
        let gates = by_design
            || is.hidden_by.is_some()
            || self.flags.shelved_until.is_some()
            || self.flags.out_of_service;
        self.gated |= gates;
        self.drops_exposure |= by_design;
        match (before.are_silencing(), self.flags.are_silencing()) {
            (false, true) if self.state != AlarmState::Normal => Some((Happening::Silenced, self.state)),
            (true, false) => self.speak_again(now),
            (false, _) | (true, true) => None,
        }
    }

    /// Stays silent from the start until samples can tell, or would have.
    pub(crate) fn wait_for_sight(&mut self) {
        self.flags.suppressed.settling_until = Some(Uptime::START + self.settings.gap_limit);
    }

    /// The wait after a suppression is over, if its time has come.
    pub(crate) fn end_settling(&mut self, now: Uptime) -> Option<Told> {
        let until = self.flags.suppressed.settling_until?;
        if self.flags.suppressed.has_reason() || until > now {
            return None;
        }
        self.change_flags(now, |flags| flags.suppressed.settling_until = None)
    }

    /// The wait after a suppression is over, if the value is within.
    pub(crate) fn end_settling_within(&mut self, now: Uptime) -> Option<Told> {
        self.flags.suppressed.settling_until?;
        if self.flags.suppressed.has_reason() || !self.detector.is_within(now) {
            return None;
        }
        self.change_flags(now, |flags| flags.suppressed.settling_until = None)
    }

    /// The last reason for silence has ended. What stands is told anew, unless it had been told and only blindness came
    /// between.
    fn speak_again(&mut self, now: Uptime) -> Option<Told> {
        let (gated, drops) = (self.gated, self.drops_exposure);
        (self.gated, self.drops_exposure) = (false, false);
        if drops {
            self.detector.start_over();
        }
        let was_told = self.annunciated && !gated;
        let from = self.state;
        if self.detector.is_active() {
            if was_told {
                return None;
            }
            let onset = self.onset.unwrap_or(now);
            self.state = AlarmState::Unacknowledged;
            self.occurrence = self.occurrence.saturating_add(1);
            self.annunciated = true;
            self.begin_hiding(now);
            return Some((Happening::Raised { onset }, from));
        }
        match from {
            AlarmState::Normal => None,
            AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged => None,
            AlarmState::Returned if was_told => None,
            AlarmState::Returned => {
                self.state = AlarmState::Normal;
                Some((Happening::Lapsed, from))
            }
            AlarmState::Unacknowledged | AlarmState::Acknowledged => {
                // A latch is for a person to release.
                let latched = self.state.clear(true).filter(|_| self.settings.latching);
                self.state = latched.unwrap_or(AlarmState::Normal);
                Some((Happening::Cleared, from))
            }
        }
    }

    /// It stands, acknowledged, for so long that it is told anew.
    pub(crate) fn realarm(&mut self, now: Uptime) -> Option<Told> {
        self.realarm_due().filter(|due| *due <= now)?;
        let from = self.state;
        self.realarm_at = None;
        self.state = self.state.realarm()?;
        Some((Happening::Realarmed, from))
    }

    fn realarm_due(&self) -> Option<Uptime> {
        let speaks = self.state == AlarmState::Acknowledged && !self.flags.are_silencing();
        self.realarm_at.filter(|_| speaks)
    }

    /// A person has acknowledged it.
    pub(crate) fn set_realarm(&mut self, now: Uptime) {
        self.realarm_at = self.settings.realarm_after.map(|span| now + span);
    }

    /// When it wants to be called next.
    #[inline]
    pub(crate) fn deadline(&self) -> Option<Uptime> {
        let settling = self.flags.suppressed.settling_until.filter(|_| !self.flags.suppressed.has_reason());
        let shelf = self.flags.shelved_until;
        let own = sooner(self.detector.deadline(), shelf);
        sooner(sooner(own, settling), sooner(self.realarm_due(), self.hides_until))
    }
}
