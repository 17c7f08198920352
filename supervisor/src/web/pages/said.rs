//! What became of a person's wish, as a word in an address and as a sentence.

use maud::{Markup, html};

/// What became of an acknowledgement or another wish.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) enum Said {
    Acknowledged,
    Already,
    NotDurable,
    Stale,
    NeverRaised,
    Unavailable,
    NoName,
    Shelved,
    Unshelved,
    TakenOut,
    BackInService,
    Reset,
    SoBefore,
    NotKept,
    StaleWish,
    NotResettable,
    TooLong,
    NotTaken,
}

impl Said {
    const ALL: [Self; 18] = [
        Self::Acknowledged,
        Self::Already,
        Self::NotDurable,
        Self::Stale,
        Self::NeverRaised,
        Self::Unavailable,
        Self::NoName,
        Self::Shelved,
        Self::Unshelved,
        Self::TakenOut,
        Self::BackInService,
        Self::Reset,
        Self::SoBefore,
        Self::NotKept,
        Self::StaleWish,
        Self::NotResettable,
        Self::TooLong,
        Self::NotTaken,
    ];

    /// The word in the address.
    pub(in crate::web) const fn key(self) -> &'static str {
        match self {
            Self::Acknowledged => "acknowledged",
            Self::Already => "already",
            Self::NotDurable => "not-kept",
            Self::Stale => "stale",
            Self::NeverRaised => "never-raised",
            Self::Unavailable => "unavailable",
            Self::NoName => "no-name",
            Self::Shelved => "shelved",
            Self::Unshelved => "unshelved",
            Self::TakenOut => "out-of-service",
            Self::BackInService => "in-service",
            Self::Reset => "reset",
            Self::SoBefore => "so-before",
            Self::NotKept => "done-not-kept",
            Self::StaleWish => "look-again",
            Self::NotResettable => "not-resettable",
            Self::TooLong => "too-long",
            Self::NotTaken => "not-taken",
        }
    }

    pub(super) fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|said| said.key() == key)
    }

    const fn text(self) -> &'static str {
        match self {
            Self::Acknowledged => "Acknowledged. Everyone who looks sees your name.",
            Self::Already => "This had been acknowledged before; nothing changed.",
            Self::NotDurable => {
                "Acknowledged, but it could not be written to disk: after a restart it may have to be acknowledged again."
            }
            Self::Stale => {
                "Not acknowledged: this alarm has raised again since your page was made. Look again, then acknowledge."
            }
            Self::NeverRaised => "Not acknowledged: this alarm has never raised.",
            Self::Unavailable => "Not acknowledged: Setward is stopping or too busy. Try again.",
            Self::NoName => "Not acknowledged: give your name, 1 to 60 characters.",
            Self::Shelved => {
                "On the shelf. Nobody is called by it until its time is over; the list of alarms shows it."
            }
            Self::Unshelved => "Off the shelf. It speaks again.",
            Self::TakenOut => "Out of service until somebody returns it. The list of alarms shows it.",
            Self::BackInService => "Back in service. It speaks again.",
            Self::Reset => "Reset.",
            Self::SoBefore => "This was so before; nothing changed.",
            Self::NotKept => {
                "Done, but it could not be written to disk: after a restart it may have to be done again."
            }
            Self::StaleWish => {
                "Nothing was changed: this alarm has raised again since your page was made. Look again first."
            }
            Self::NotResettable => {
                "Not reset: only a latched alarm can be, once its condition has gone and it is acknowledged."
            }
            Self::TooLong => "Not shelved: this alarm may not be put aside for so long.",
            Self::NotTaken => "Nothing was changed: Setward is stopping or too busy. Try again.",
        }
    }

    pub(in crate::web) fn show(self) -> Markup {
        html! { p.said role="status" { (self.text()) } }
    }
}
