//! What people enter: lab values, weights, checks, calibrations.
//!
//! Owns what is said on the way from a person to the line task and back ([`EntryWish`], [`Taken`], [`EntryRefusal`]), what a
//! page may show ([`EntryView`]), and the desk that keeps the line's entries ([`desk::EntryDesk`]). Whether a value is
//! plausible, and when one is due, is `setward_process::entries`'s; keeping them is `history`'s. When stations ran before this run
//! is read by [`ran`].

pub mod desk;
pub mod ran;
pub mod said;
mod schedule;

use crate::history::StoredEntry;
use setward_protocol::UtcMillis;
use tokio::sync::oneshot;

/// Oldest sample that may still be entered, days.
pub const OLDEST_DAYS: i64 = 31;
/// Newest entries that a page gets, for each kind.
pub const SHOWN_MAX: usize = 12;

/// What was typed, in the entry's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Typed {
    /// A number.
    Number(f64),
    /// Passed or failed.
    Check(bool),
    /// A calibration.
    Calibration {
        /// What the instrument showed before it was touched.
        found: f64,
        /// What it shows since.
        left: f64,
        /// What was right.
        right: f64,
    },
}

/// What a person wants to be entered.
#[derive(Debug, Clone, PartialEq)]
pub struct EntryWish {
    /// Index into the line's entries.
    pub entry: usize,
    /// What was typed.
    pub typed: Typed,
    /// When the sample was taken; `None`: now.
    pub taken: Option<UtcMillis>,
    /// Who, as typed: nobody has checked it.
    pub by: String,
    /// What it is about: a lot, a tank.
    pub about: Option<String>,
    /// What the person says besides.
    pub note: Option<String>,
    /// The entry that it corrects.
    pub corrects: Option<u64>,
    /// The number of the newest entry that the person saw, 0 for none; `None`: nobody looked.
    pub seen: Option<u64>,
    /// It was asked back, and is meant.
    pub confirmed: bool,
}

/// An entry that was taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// It, with its number.
    pub entry: StoredEntry,
    /// Whether it is on disk already.
    pub durable: bool,
}

/// Why an entry was not taken.
#[derive(Debug, Clone, PartialEq)]
pub enum EntryRefusal {
    /// It is to be confirmed first: the question, and the value that may have been meant.
    Asked {
        /// In words.
        question: String,
        /// With the decimal point moved, if that would be usual.
        meant: Option<f64>,
    },
    /// It can't be, in words, with what can.
    Refused(String),
    /// The entry that it corrects is not there, or was corrected by somebody else: in words.
    Corrected(String),
    /// The daemon is stopping or too busy.
    Unavailable,
}

/// A wish on its way to the line task, with the way back for its answer.
#[derive(Debug)]
pub struct EntryRequest {
    /// What is wanted.
    pub wish: EntryWish,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Result<Taken, EntryRefusal>>,
}

/// An entry that waits to be on disk, and the way back to the person.
pub type ConfirmEntry = (oneshot::Sender<Result<Taken, EntryRefusal>>, Taken);

/// Whether an entry is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DueView {
    /// Nothing is asked for: its station stands, no event awaits one, or it is never due.
    #[default]
    NotAsked,
    /// It will be due then, if its station runs on.
    At(UtcMillis),
    /// It is due since then.
    Since(UtcMillis),
    /// It is due since then, and late.
    Overdue(UtcMillis),
}

/// One kind of entry at one moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EntryView {
    /// Whether one is due.
    pub due: DueView,
    /// What awaits it, in words: the signals whose turn asks for one.
    pub awaited_for: Vec<String>,
    /// The newest entries, newest first, with those that were corrected.
    pub rows: Vec<StoredEntry>,
}

impl EntryView {
    /// The newest sample that holds.
    #[must_use]
    pub fn last(&self) -> Option<&StoredEntry> {
        let holds = |row: &&StoredEntry| !self.is_corrected(row.n);
        self.rows.iter().filter(holds).max_by_key(|row| (row.taken, row.n))
    }

    /// Whether another entry has replaced this one.
    #[must_use]
    pub fn is_corrected(&self, n: u64) -> bool {
        self.rows.iter().any(|row| row.corrects == Some(n))
    }

    /// The newest number, 0 if there is none.
    #[must_use]
    pub fn newest(&self) -> u64 {
        self.rows.iter().map(|row| row.n).max().unwrap_or(0)
    }
}
