//! The base state of an alarm, by the letters of the alarm standards (ISA-18.2, IEC 62682), and its transitions.
//!
//! ```text
//!               raise                      acknowledge
//!   A Normal ----------> B Unacknowledged -------------> C Acknowledged
//!     ^  ^                 |          |                    |         |
//!     |  | acknowledge     | clear    | clear, latching    | clear   | clear, latching
//!     |  +---- D Returned <+          v                    v         v
//!     |                          E LatchedUnacknowledged   A    F LatchedAcknowledged
//!     |                                | acknowledge                 ^   |
//!     |                                +-----------------------------+   | reset
//!     +-------------------------------------------------------------------+
//!   D, E, F --raise--> B, as a new occurrence; C --realarm--> B, the same occurrence
//! ```
//! Letters and transitions are restated from memory of the standards; the paid texts were not read.

/// Base state. Shelving, suppression and out-of-service are flags beside it, never states.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum AlarmState {
    /// A: normal, nothing to acknowledge.
    #[default]
    Normal,
    /// B: active, not yet acknowledged.
    Unacknowledged,
    /// C: active, acknowledged.
    Acknowledged,
    /// D: back to normal before anyone acknowledged.
    Returned,
    /// E: back to normal, held active until reset, not acknowledged.
    LatchedUnacknowledged,
    /// F: back to normal, held active until reset, acknowledged.
    LatchedAcknowledged,
}

/// Why an input was refused in a state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// There is nothing to acknowledge.
    NothingToAcknowledge,
    /// A reset needs the condition gone and the alarm acknowledged.
    NotResettable,
}

impl AlarmState {
    /// All states, A to F.
    pub const ALL: [Self; 6] = [
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::Returned,
        Self::LatchedUnacknowledged,
        Self::LatchedAcknowledged,
    ];

    /// The standard's letter.
    #[must_use]
    pub const fn letter(self) -> char {
        match self {
            Self::Normal => 'A',
            Self::Unacknowledged => 'B',
            Self::Acknowledged => 'C',
            Self::Returned => 'D',
            Self::LatchedUnacknowledged => 'E',
            Self::LatchedAcknowledged => 'F',
        }
    }

    /// The state by its letter.
    #[must_use]
    pub fn from_letter(letter: char) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.letter() == letter)
    }

    /// Whether the alarm counts as active: its condition holds, or it is held until reset.
    #[must_use]
    pub const fn is_active(self) -> bool {
        match self {
            Self::Unacknowledged
            | Self::Acknowledged
            | Self::LatchedUnacknowledged
            | Self::LatchedAcknowledged => true,
            Self::Normal | Self::Returned => false,
        }
    }

    /// Whether the alarm's condition holds now.
    #[must_use]
    pub const fn condition_holds(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }

    /// Whether someone still has to acknowledge it.
    #[must_use]
    pub const fn awaits_acknowledgement(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Returned | Self::LatchedUnacknowledged)
    }

    /// The condition begins. `None` where it already holds.
    #[must_use]
    pub const fn raise(self) -> Option<Self> {
        match self {
            Self::Normal | Self::Returned | Self::LatchedUnacknowledged | Self::LatchedAcknowledged => {
                Some(Self::Unacknowledged)
            }
            Self::Unacknowledged | Self::Acknowledged => None,
        }
    }

    /// It still stands long after it was acknowledged. `None` where it is not acknowledged or does not hold.
    #[must_use]
    pub const fn realarm(self) -> Option<Self> {
        match self {
            Self::Acknowledged => Some(Self::Unacknowledged),
            Self::Normal
            | Self::Unacknowledged
            | Self::Returned
            | Self::LatchedUnacknowledged
            | Self::LatchedAcknowledged => None,
        }
    }

    /// The condition ends. `None` where it does not hold.
    #[must_use]
    pub const fn clear(self, latching: bool) -> Option<Self> {
        match (self, latching) {
            (Self::Unacknowledged, false) => Some(Self::Returned),
            (Self::Unacknowledged, true) => Some(Self::LatchedUnacknowledged),
            (Self::Acknowledged, false) => Some(Self::Normal),
            (Self::Acknowledged, true) => Some(Self::LatchedAcknowledged),
            (Self::Normal | Self::Returned | Self::LatchedUnacknowledged | Self::LatchedAcknowledged, _) => {
                None
            }
        }
    }

    /// A person acknowledges.
    ///
    /// # Errors
    /// [`Refusal::NothingToAcknowledge`] in A, C and F.
    pub const fn acknowledge(self) -> Result<Self, Refusal> {
        match self {
            Self::Unacknowledged => Ok(Self::Acknowledged),
            Self::Returned => Ok(Self::Normal),
            Self::LatchedUnacknowledged => Ok(Self::LatchedAcknowledged),
            Self::Normal | Self::Acknowledged | Self::LatchedAcknowledged => {
                Err(Refusal::NothingToAcknowledge)
            }
        }
    }

    /// A person resets a latched alarm.
    ///
    /// # Errors
    /// [`Refusal::NotResettable`] everywhere but in F.
    pub const fn reset(self) -> Result<Self, Refusal> {
        match self {
            Self::LatchedAcknowledged => Ok(Self::Normal),
            Self::Normal
            | Self::Unacknowledged
            | Self::Acknowledged
            | Self::Returned
            | Self::LatchedUnacknowledged => Err(Refusal::NotResettable),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::AlarmState::{
        self, Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, Returned, Unacknowledged,
    };
    use super::Refusal;

    /// Every state against every input: the letters of the result, `-` where nothing changes or the input is refused.
    #[test]
    fn every_transition_of_the_base_states() {
        let row = |state: AlarmState| {
            let letter = |next: Option<AlarmState>| next.map_or('-', AlarmState::letter);
            [
                letter(state.raise()),
                letter(state.realarm()),
                letter(state.clear(false)),
                letter(state.clear(true)),
                letter(state.acknowledge().ok()),
                letter(state.reset().ok()),
            ]
        };
        assert_eq!(row(Normal), ['B', '-', '-', '-', '-', '-']);
        assert_eq!(row(Unacknowledged), ['-', '-', 'D', 'E', 'C', '-']);
        assert_eq!(row(Acknowledged), ['-', 'B', 'A', 'F', '-', '-']);
        assert_eq!(row(Returned), ['B', '-', '-', '-', 'A', '-']);
        assert_eq!(row(LatchedUnacknowledged), ['B', '-', '-', '-', 'F', '-']);
        assert_eq!(row(LatchedAcknowledged), ['B', '-', '-', '-', '-', 'A']);
    }

    #[test]
    fn refusals_say_why() {
        assert_eq!(Normal.acknowledge(), Err(Refusal::NothingToAcknowledge));
        assert_eq!(LatchedUnacknowledged.reset(), Err(Refusal::NotResettable));
        assert_eq!(Unacknowledged.reset(), Err(Refusal::NotResettable));
    }

    #[test]
    fn letters_go_both_ways() {
        for state in AlarmState::ALL {
            assert_eq!(AlarmState::from_letter(state.letter()), Some(state));
        }
        assert_eq!(AlarmState::from_letter('G'), None);
    }
}
