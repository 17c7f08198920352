//! What keeps an alarm from speaking: three flags beside its base state, by the letters of the alarm standards.
//!
//! G shelved: a person, for a time. H suppressed by design: the line's own logic, for one or more reasons. I out of
//! service: maintenance. They are independent: two can overlap, and one may end first. The detector and the base state go
//! on underneath.

use crate::blindness::Blindness;
use crate::settings::AlarmId;
use crate::state::AlarmState;
use setward_protocol::Uptime;

/// The flags of one alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Flags {
    /// Shelved until then.
    pub shelved_until: Option<Uptime>,
    /// The shelf ends earlier, once the present occurrence (or, if none stands, the next) is over.
    pub shelved_once: bool,
    /// Out of service.
    pub out_of_service: bool,
    /// Suppressed by design, for these reasons.
    pub suppressed: Suppression,
}

/// Why an alarm is suppressed by design. All reasons may hold at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Suppression {
    /// Its station is in a mode in which it does not speak.
    pub mode: bool,
    /// Its own condition does not hold.
    pub condition: bool,
    /// The alarm that is its cause and speaks in its place.
    pub hidden_by: Option<AlarmId>,
    /// Its signal can't be trusted: that has an alarm of its own.
    pub bad_measurement: bool,
    /// Its controller does not answer: that has an alarm of its own.
    pub no_communication: bool,
    /// A reason has just ended; it waits until then, or until the value is within.
    pub settling_until: Option<Uptime>,
}

impl Suppression {
    /// Whether any reason holds.
    #[must_use]
    pub const fn is_on(&self) -> bool {
        self.has_reason() || self.settling_until.is_some()
    }

    /// Whether a reason other than waiting holds.
    pub(crate) const fn has_reason(&self) -> bool {
        self.mode
            || self.condition
            || self.hidden_by.is_some()
            || self.bad_measurement
            || self.no_communication
    }
}

impl Flags {
    /// Nothing keeps it silent.
    pub const NONE: Self = Self {
        shelved_until: None,
        shelved_once: false,
        out_of_service: false,
        suppressed: Suppression {
            mode: false,
            condition: false,
            hidden_by: None,
            bad_measurement: false,
            no_communication: false,
            settling_until: None,
        },
    };

    /// Whether the alarm does not annunciate.
    #[must_use]
    pub const fn are_silencing(&self) -> bool {
        self.shelved_until.is_some() || self.out_of_service || self.suppressed.is_on()
    }

    /// The reason for which it does not annunciate, if there is one.
    #[must_use]
    pub const fn blindness(&self) -> Option<Blindness> {
        let why = &self.suppressed;
        if self.out_of_service {
            Some(Blindness::OutOfService)
        } else if self.shelved_until.is_some() {
            Some(Blindness::Shelved)
        } else if why.mode {
            Some(Blindness::Mode)
        } else if why.condition {
            Some(Blindness::Condition)
        } else if why.hidden_by.is_some() {
            Some(Blindness::HiddenByCause)
        } else if why.no_communication {
            Some(Blindness::NoCommunication)
        } else if why.bad_measurement {
            Some(Blindness::BadSignal)
        } else if why.settling_until.is_some() {
            Some(Blindness::Settling)
        } else {
            None
        }
    }

    /// The letter to show: I over H over G over the base state's.
    #[must_use]
    pub const fn letter(&self, state: AlarmState) -> char {
        if self.out_of_service {
            'I'
        } else if self.suppressed.is_on() {
            'H'
        } else if self.shelved_until.is_some() {
            'G'
        } else {
            state.letter()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn out_of_service_shows_over_suppressed_over_shelved_over_the_state() {
        let mut flags = Flags::default();
        let state = AlarmState::Unacknowledged;
        assert_eq!((flags.letter(state), flags.are_silencing()), ('B', false));
        flags.shelved_until = Some(Uptime::START);
        assert_eq!((flags.letter(state), flags.are_silencing()), ('G', true));
        flags.suppressed.settling_until = Some(Uptime::START);
        assert_eq!(flags.letter(state), 'H');
        flags.out_of_service = true;
        assert_eq!(flags.letter(state), 'I');
    }
}
