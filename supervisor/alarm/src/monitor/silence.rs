//! What keeps alarms silent: modes, conditions, causes, bad signals, lost controllers.

use super::Monitor;
use crate::flags::{Flags, Suppression};
use crate::settings::{AlarmId, Kind, Watched};
use crate::slot::{Slot, Told};
use crate::state::AlarmState;
use setward_protocol::{Mode, StationId, Uptime};

impl Monitor<'_> {
    /// A station goes into a mode. Alarms that do not speak in it are suppressed by design, the others speak again.
    ///
    /// Where values come at the same time, [`Self::silence_in_mode`] goes before them and this after them: what ended the
    /// silence may have ended what the alarm had to say.
    pub fn handle_mode(&mut self, now: Uptime, station: StationId, mode: Mode) {
        self.silence_in_mode(now, station, mode);
        self.flag_in_mode(now, station, mode, false);
    }

    /// Suppresses the alarms of a station that do not speak in a mode, and lets none speak again.
    pub fn silence_in_mode(&mut self, now: Uptime, station: StationId, mode: Mode) {
        self.flag_in_mode(now, station, mode, true);
    }

    /// The same at a start, while the mode is only supposed: what an alarm has from before it is left alone. It need not be
    /// told anew, nor lose its exposure, if the mode is found to be the one in which it had spoken.
    pub fn silence_in_supposed_mode(&mut self, now: Uptime, station: StationId, mode: Mode) {
        for index in 0..u16::MAX {
            let Some(slot) = self.slots.get(usize::from(index)) else { break };
            let settings = &slot.settings;
            let has_nothing =
                slot.state == AlarmState::Normal && slot.detector.carried().is_none_or(|share| share <= 0.0);
            if has_nothing && settings.station == Some(station) && !settings.modes.contains(mode) {
                self.flag(now, AlarmId(index), |flags| flags.suppressed.mode = true);
            }
        }
        self.follow_hides(now);
    }

    /// Sets the flag of the alarms for which `mode` means `silent`.
    fn flag_in_mode(&mut self, now: Uptime, station: StationId, mode: Mode, silent: bool) {
        for index in 0..u16::MAX {
            let Some(slot) = self.slots.get(usize::from(index)) else { break };
            let settings = &slot.settings;
            if settings.station == Some(station) && settings.modes.contains(mode) != silent {
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

    pub(super) fn flag(&mut self, now: Uptime, alarm: AlarmId, change: impl FnOnce(&mut Flags)) {
        self.change(now, alarm, |slot| slot.change_flags(now, change));
    }

    /// Changes the flags of an alarm; tells what follows.
    fn change(&mut self, now: Uptime, alarm: AlarmId, change: impl FnOnce(&mut Slot) -> Option<Told>) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        let before = slot.flags;
        let told = change(slot);
        let changed = before != slot.flags;
        self.hides_changed |= changed;
        self.tell(alarm, now, told);
        self.note_due(alarm);
    }

    /// A wait after a suppression may be over.
    pub(super) fn end_settling(
        &mut self,
        alarm: AlarmId,
        now: Uptime,
        end: impl FnOnce(&mut Slot, Uptime) -> Option<Told>,
    ) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        if slot.flags.suppressed.settling_until.is_none() {
            return;
        }
        let before = slot.flags;
        let told = end(slot, now);
        let changed = before != slot.flags;
        self.hides_changed |= changed;
        self.tell(alarm, now, told);
    }

    /// A signal that can't be trusted blinds the other alarms on it; a lost controller blinds all of its own.
    pub(super) fn blind(&mut self, cause: AlarmId, now: Uptime, begins: bool) {
        self.for_blinded(cause, |monitor, alarm, mark| {
            monitor.flag(now, alarm, |flags| mark(&mut flags.suppressed, begins));
        });
    }

    /// The same for a cause that stood when the run before ended, and still stands. It is no news, so nothing is told; an
    /// alarm that is taken up later finds its flag set.
    pub(super) fn blind_from_start(&mut self, cause: AlarmId) {
        self.for_blinded(cause, |monitor, alarm, mark| {
            if let Some(slot) = monitor.slots.get_mut(alarm.index()) {
                mark(&mut slot.flags.suppressed, true);
            }
        });
    }

    /// The alarms that `cause` blinds, each with how that is marked.
    fn for_blinded(
        &mut self,
        cause: AlarmId,
        mut each: impl FnMut(&mut Self, AlarmId, fn(&mut Suppression, bool)),
    ) {
        let Some(slot) = self.slots.get(cause.index()) else { return };
        let (watches, kind) = (slot.settings.watches, slot.settings.kind);
        match (kind, watches) {
            (Kind::Measurement(_), Watched::Signal(signal)) => {
                let mut cursor = self.first_alarm(signal);
                while let Some(index) = cursor {
                    if AlarmId(index) != cause {
                        each(self, AlarmId(index), |why, blinds| why.bad_measurement = blinds);
                    }
                    cursor = self.slots.get(usize::from(index)).and_then(|slot| slot.next);
                }
            }
            (Kind::Communication(_), Watched::Controller(controller)) => {
                for index in 0..u16::MAX {
                    let Some(slot) = self.slots.get(usize::from(index)) else { return };
                    if slot.settings.controller == Some(controller) && AlarmId(index) != cause {
                        each(self, AlarmId(index), |why, blinds| why.no_communication = blinds);
                    }
                }
            }
            (
                Kind::Limit(_)
                | Kind::Deviation(_)
                | Kind::TimeWeighted(_)
                | Kind::MovingAverage(_)
                | Kind::Discrepancy(_)
                | Kind::Rate(_)
                | Kind::Status(_)
                | Kind::EquivalentTime(_)
                | Kind::Drift(_)
                | Kind::Measurement(_)
                | Kind::Communication(_)
                | Kind::Forwarding(_),
                _,
            ) => {}
        }
    }

    /// Alarms whose cause has begun or ceased to speak in their place. One that becomes hidden may uncover another: it
    /// goes on until nothing changes, which without circles it does.
    pub(super) fn follow_hides(&mut self, now: Uptime) {
        for _ in 0..self.slots.len() {
            if !core::mem::take(&mut self.hides_changed) {
                return;
            }
            for index in 0..u16::MAX {
                let Some(slot) = self.slots.get(usize::from(index)) else { break };
                let speaks = |cause: &&AlarmId| self.slots.get(cause.index()).is_some_and(Slot::hides_others);
                let hidden_by = slot.causes.iter().find(speaks).copied();
                let was_hidden_by = slot.flags.suppressed.hidden_by;
                if hidden_by != was_hidden_by {
                    let was = was_hidden_by.and_then(|cause| self.slots.get(cause.index()));
                    let cause_stands = was.is_some_and(Slot::has_hidden_enough);
                    self.change(now, AlarmId(index), |slot| slot.hide(now, hidden_by, cause_stands));
                    self.hides_changed = true;
                }
            }
        }
    }
}
