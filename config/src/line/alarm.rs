//! An alarm with its rationalised record. How it decides is in [`AlarmSettings`].

use setward_alarm::{AlarmId, AlarmSettings};
use setward_process::condition::Condition;
use setward_protocol::{Mode, SignalId};
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

/// What an alarm protects.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum AlarmClass {
    /// People and plant against fire, pressure, hot oil. Hidden behind another alarm of this class at most.
    ProcessSafety,
    /// What people eat.
    FoodSafety,
    /// What the product is like.
    Quality,
    /// The equipment.
    Equipment,
    /// What the program can see.
    Instrument,
}

impl AlarmClass {
    /// Every class with its word in the files and on pages.
    pub const NAMED: [(&'static str, Self); 5] = [
        ("process-safety", Self::ProcessSafety),
        ("food-safety", Self::FoodSafety),
        ("quality", Self::Quality),
        ("equipment", Self::Equipment),
        ("instrument", Self::Instrument),
    ];

    /// The word in the files and on pages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::ProcessSafety => "process-safety",
            Self::FoodSafety => "food-safety",
            Self::Quality => "quality",
            Self::Equipment => "equipment",
            Self::Instrument => "instrument",
        }
    }
}

/// An edge that follows age: straight lines between points.
#[derive(Debug, Clone, PartialEq)]
pub struct AgeBand {
    /// The signal that is the age.
    pub age: SignalId,
    /// Age in that signal's unit, and where exposure starts at that age, in the watched signal's unit; ages go up.
    pub points: Vec<(f64, f64)>,
}

impl AgeBand {
    /// Where exposure starts at `age`; `None` before the first point and after the last.
    #[must_use]
    pub fn edge(&self, age: f64) -> Option<f64> {
        let place = self.points.iter().position(|(from, _)| *from >= age)?;
        let (to_age, to) = *self.points.get(place)?;
        let Some((from_age, from)) = place.checked_sub(1).and_then(|before| self.points.get(before)).copied()
        else {
            return (to_age == age).then_some(to);
        };
        Some(from + (to - from) * (age - from_age) / (to_age - from_age))
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
    /// Speaks only between this mode of its station and the next time it runs. Empty: no matter what was before.
    pub only_after: Option<Mode>,
    /// Alarms that follow from this one: while it stands, they are hidden by it. No circles.
    pub hides: Vec<AlarmId>,
    /// What holds from the start to the end of a batch, for an alarm that judges batches. Empty for every other alarm.
    pub batch: Vec<Condition>,
    /// Its setpoint follows the age of what it watches, for a time-weighted alarm on a soak.
    pub band: Option<AgeBand>,
    /// How loudly it speaks.
    pub priority: Priority,
    /// What it protects.
    pub class: Option<AlarmClass>,
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
