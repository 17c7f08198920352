//! Why an alarm could not fire now, whatever its signal did.
//!
//! One reason at a time, so that the seconds of a day add up: what people and the line's own rules do comes before what
//! happened to the signal, for while an alarm is kept silent its signal matters to nobody.

/// Why an alarm could not fire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Blindness {
    /// A person has taken it out of service.
    OutOfService,
    /// A person has shelved it.
    Shelved,
    /// Its station is in a mode in which it does not speak.
    Mode,
    /// Its own condition does not hold.
    Condition,
    /// Its cause speaks in its place.
    HiddenByCause,
    /// It waits after a suppression, or after blindness, until the value has settled.
    Settling,
    /// Its controller does not answer.
    NoCommunication,
    /// Its signal is known to be bad.
    BadSignal,
    /// Nothing has been heard of its signal for too long.
    Gap,
    /// It has not seen a good value since the run began.
    NotYetSeen,
    /// It holds its signal against what the running recipe asks, and that asks nothing.
    NothingAsked,
}

impl Blindness {
    /// How many reasons there are.
    pub const COUNT: usize = 11;

    /// All reasons, in their order.
    pub const ALL: [Self; Self::COUNT] = [
        Self::OutOfService,
        Self::Shelved,
        Self::Mode,
        Self::Condition,
        Self::HiddenByCause,
        Self::Settling,
        Self::NoCommunication,
        Self::BadSignal,
        Self::Gap,
        Self::NotYetSeen,
        Self::NothingAsked,
    ];

    /// Its place in [`Self::ALL`].
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// A word for programs and stored records, which never changes.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::OutOfService => "out_of_service",
            Self::Shelved => "shelved",
            Self::Mode => "mode",
            Self::Condition => "condition",
            Self::HiddenByCause => "hidden_by_cause",
            Self::Settling => "settling",
            Self::NoCommunication => "no_communication",
            Self::BadSignal => "bad_signal",
            Self::Gap => "gap",
            Self::NotYetSeen => "not_yet_seen",
            Self::NothingAsked => "nothing_asked",
        }
    }

    /// The reason by its word.
    #[must_use]
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|reason| reason.key() == key)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reason_has_its_place_and_its_word() {
        for (place, reason) in Blindness::ALL.into_iter().enumerate() {
            assert_eq!(reason.index(), place);
            assert_eq!(Blindness::from_key(reason.key()), Some(reason));
        }
    }
}
