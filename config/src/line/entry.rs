//! Values that people enter: what is accepted of each, and when it is due. Signals that follow from them and from the tanks.

use super::{AlarmClass, StationId};
use setward_process::condition::Condition;
use setward_process::heat_balance::live::Output;
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// What a person enters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum EntryKind {
    /// A number.
    #[default]
    Number,
    /// Passed or failed.
    Check,
    /// What an instrument showed before and after it was set, and what was right. Its value is the error found.
    Calibration,
}

impl EntryKind {
    /// The word in the files and in the API.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Number => "number",
            Self::Check => "check",
            Self::Calibration => "calibration",
        }
    }
}

/// When an entry is due.
#[derive(Debug, Clone, PartialEq)]
pub enum EntryDue {
    /// Never: it is entered when there is something to enter.
    Never,
    /// So long after the last sample, counting only time in which the station runs.
    Running(Duration),
    /// So long after the last sample.
    Clock(Duration),
    /// At these times of the local day, hour and minute.
    Daily(Vec<(u8, u8)>),
    /// So long after any of the conditions begins to hold, once for each.
    After {
        /// What begins it.
        any: Vec<Condition>,
        /// How long after that.
        wait: Duration,
    },
}

/// A value that people enter. Its tag, name and station are its signal's.
#[derive(Debug, Clone, PartialEq)]
pub struct LineEntry {
    /// Its signal.
    pub signal: SignalId,
    /// What is entered.
    pub kind: EntryKind,
    /// Unit of what is typed; a calibration's signal is in the difference of it.
    pub unit: Unit,
    /// What can be at all, in `unit`; outside it is refused.
    pub possible: (f64, f64),
    /// What is usual, in `unit`; outside it is asked back.
    pub usual: (f64, f64),
    /// A larger change from the last value is asked back; in `unit`.
    pub most_change: Option<f64>,
    /// When it is due.
    pub due: EntryDue,
    /// How long after that it is overdue.
    pub late_after: Duration,
    /// What it protects.
    pub class: Option<AlarmClass>,
    /// Stations before its own that the sample is traced back to, on the trends of their signals.
    pub traced_to: Vec<StationId>,
}

impl LineEntry {
    /// How long its last value is believed, at most: as long as it takes to be overdue. A day, where nothing says how long.
    #[must_use]
    pub fn known_for(&self) -> Duration {
        match &self.due {
            EntryDue::Running(every) | EntryDue::Clock(every) => *every + self.late_after,
            EntryDue::Never | EntryDue::Daily(_) | EntryDue::After { .. } => Duration::from_secs(24 * 3600),
        }
    }
}

/// What is worked out every few seconds: from entries, tanks, the heat balance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Followed {
    /// The time since the last entry of this signal that passed, or was within the recipe's tolerance.
    SinceGood(SignalId),
    /// Age of the youngest corn in the tank that feeds the line.
    YoungestFeeding,
    /// Age of the oldest corn in any tank that does not feed yet; nothing where no tank holds any.
    OldestCorn,
    /// Age of the oldest corn in this tank, an index into the line's.
    OldestIn(usize),
    /// Number of the tank that should feed: that with the oldest corn, of those that may be fed or do; 0 where there is none.
    DueTank,
    /// What the fryer's heat balance tells.
    Balance(Output),
}

/// How often a [`Followed`] value is worked out.
pub const FOLLOWED_EVERY: Duration = Duration::from_secs(10);
