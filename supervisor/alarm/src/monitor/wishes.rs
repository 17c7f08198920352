//! What people wish: acknowledge, reset, shelve, take out of service.

use super::Monitor;
use crate::event::Happening;
use crate::settings::AlarmId;
use crate::slot::Slot;
use crate::state::Refusal;
use core::time::Duration;
use setward_protocol::Uptime;

/// Why a wish changed nothing.
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
    /// The alarm may not be shelved for so long.
    TooLong {
        /// The longest.
        most: Duration,
    },
}

/// Whether an acknowledgement changed anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Acknowledgement {
    /// It did; an event follows.
    Done,
    /// This occurrence had been acknowledged before.
    Already,
}

impl Monitor<'_> {
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
        if let Some(slot) = self.slots.get_mut(alarm.index()) {
            slot.set_realarm(now);
        }
        self.note_due(alarm);
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

    /// A person shelves an alarm until a moment. Shelving it again moves the end.
    ///
    /// # Errors
    /// [`WishError::NoSuchAlarm`]; [`WishError::TooLong`] beyond the longest time the alarm may be shelved.
    pub fn handle_shelve(&mut self, now: Uptime, alarm: AlarmId, until: Uptime) -> Result<(), WishError> {
        self.shelve(now, alarm, until, false)
    }

    /// A person shelves an alarm for one occurrence: the one that stands, or else the next; until a moment at most.
    ///
    /// # Errors
    /// As for shelving until a moment.
    pub fn handle_shelve_once(
        &mut self,
        now: Uptime,
        alarm: AlarmId,
        until: Uptime,
    ) -> Result<(), WishError> {
        self.shelve(now, alarm, until, true)
    }

    fn shelve(&mut self, now: Uptime, alarm: AlarmId, until: Uptime, once: bool) -> Result<(), WishError> {
        let slot = self.slots.get_mut(alarm.index()).ok_or(WishError::NoSuchAlarm)?;
        if let Some(most) = slot.settings.shelve_most
            && until.since(now) > most
        {
            return Err(WishError::TooLong { most });
        }
        let told = slot.change_flags(now, |flags| {
            (flags.shelved_until, flags.shelved_once) = (Some(until), once);
        });
        let state = slot.state;
        self.tell(alarm, now, Some((Happening::Shelved { until }, state)));
        self.tell(alarm, now, told);
        self.note_due(alarm);
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
        self.note_due(alarm);
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
        self.note_due(alarm);
        self.follow_hides(now);
        Ok(())
    }

    pub(super) fn unshelve(&mut self, now: Uptime, alarm: AlarmId) {
        let Some(slot) = self.slots.get_mut(alarm.index()) else { return };
        if slot.flags.shelved_until.is_none() {
            return;
        }
        let told = slot.change_flags(now, |flags| {
            (flags.shelved_until, flags.shelved_once) = (None, false);
        });
        let state = told.map_or(slot.state, |(_, from)| from);
        self.tell(alarm, now, Some((Happening::Unshelved, state)));
        self.tell(alarm, now, told);
        self.note_due(alarm);
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
}
