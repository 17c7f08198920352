//! An alarm with its rationalised record. How it decides is in [`AlarmSettings`].

use setward_alarm::{AlarmId, AlarmSettings};
use setward_process::condition::Condition;
use std::time::Duration;

/// How loudly an alarm speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Priority {
    /// Handle within the shift.
    Low,
    /// Handle soon.
    Medium,
    /// Handle now.
    High,
}

impl Priority {
    /// The word in the files and on pages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}

/// An alarm with its rationalised record.
#[derive(Debug, Clone, PartialEq)]
pub struct LineAlarm {
    /// Its id in the files.
    pub id: String,
    /// Headline for people.
    pub name: String,
    /// What the engine is told.
    pub settings: AlarmSettings,
    /// What must hold besides, for it to speak; all must. Empty: nothing.
    pub when: Vec<Condition>,
    /// Alarms that follow from this one: while it stands, they are hidden by it.
    pub hides: Vec<AlarmId>,
    /// How loudly it speaks.
    pub priority: Priority,
    /// Likely causes.
    pub causes: Vec<String>,
    /// What happens if nobody acts.
    pub consequence: String,
    /// What the operator does now; never empty.
    pub response_now: Vec<String>,
    /// What the technician does next.
    pub response_next: Vec<String>,
    /// How long there is to act.
    pub time_to_respond: Duration,
    /// The device of its own that acts before this alarm could matter, if there is one.
    pub independent_device: Option<String>,
}
