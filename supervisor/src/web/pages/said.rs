//! What became of a person's wish, as a word in an address and as a sentence.

use maud::{Markup, html};

/// What became of an acknowledgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) enum Said {
    Acknowledged,
    Already,
    NotDurable,
    Stale,
    NeverRaised,
    Unavailable,
    NoName,
}

impl Said {
    const ALL: [Self; 7] = [
        Self::Acknowledged,
        Self::Already,
        Self::NotDurable,
        Self::Stale,
        Self::NeverRaised,
        Self::Unavailable,
        Self::NoName,
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
        }
    }

    pub(super) fn show(self) -> Markup {
        html! { p.said role="status" { (self.text()) } }
    }
}
