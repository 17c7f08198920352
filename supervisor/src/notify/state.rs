//! What is known of calls and of what has been said of them: all that must outlive this program.

use super::message::Message;
use crate::history::Event;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Version of the file that holds it.
pub(super) const STATE_VERSION: u32 = 1;

/// Everything that is kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct State {
    pub(super) version: u32,
    /// Run and sequence of the last event that was heard.
    pub(super) cursor: (i64, u64),
    /// What that event was. Older files have none.
    #[serde(default)]
    pub(super) last: Option<Mark>,
    /// By alarm: the last occurrence that was called.
    pub(super) heard: BTreeMap<String, u32>,
    /// By alarm: an occurrence that was called although history had no event of it yet.
    pub(super) unstored: BTreeMap<String, u32>,
    /// Calls of which something may still be to say, in the order in which they came.
    pub(super) calls: Vec<Call>,
    /// By channel.
    pub(super) lanes: BTreeMap<String, Lane>,
}

impl State {
    /// Nothing is known but that everything up to `cursor` is none of ours.
    pub(super) const fn from(cursor: (i64, u64)) -> Self {
        Self {
            version: STATE_VERSION,
            cursor,
            last: None,
            heard: BTreeMap::new(),
            unstored: BTreeMap::new(),
            calls: Vec::new(),
            lanes: BTreeMap::new(),
        }
    }

    /// What is left where the history is not the one of which it was kept: what concerns the channels alone.
    pub(super) fn of_another_history(self, run: i64) -> Self {
        Self { lanes: self.lanes, ..Self::from((run, 0)) }
    }
}

/// By this an event is known again: a history that was put back counts its runs and events from where it left off, so that another
/// event may have the same number.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Mark {
    /// Wall time, ms.
    pub(super) utc: i64,
    pub(super) what: String,
    pub(super) alarm: Option<String>,
}

impl Mark {
    pub(super) fn of(event: &Event) -> Self {
        Self { utc: event.utc.0, what: event.what.clone(), alarm: event.alarm.clone() }
    }
}

/// An alarm that called a person, once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Call {
    /// "7-12": run and sequence of its event; "7-ID.3" without one.
    pub(super) id: String,
    pub(super) alarm: String,
    pub(super) occurrence: u32,
    /// Wall time of the raise or re-alarm, ms.
    pub(super) raised: i64,
    /// The same on this run's monotonic clock, ms; before its start: negative.
    pub(super) since_ms: i64,
    /// Who or what ended the waiting for a person.
    pub(super) taken: Option<Taken>,
    pub(super) cleared: Option<Cleared>,
    /// Something keeps it silent meanwhile.
    pub(super) muted: bool,
    /// It has called anew since.
    pub(super) superseded: bool,
    /// By channel.
    pub(super) told: BTreeMap<String, Told>,
}

impl Call {
    /// The run in which it was called; the last of all if its id does not say.
    pub(super) fn run(&self) -> i64 {
        self.id.split('-').next().and_then(|run| run.parse().ok()).unwrap_or(i64::MAX)
    }

    /// It stands, and still waits for a person.
    pub(super) const fn is_open(&self) -> bool {
        self.taken.is_none() && self.cleared.is_none() && !self.superseded
    }
}

/// What a person did about it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Taken {
    /// "acknowledged", "shelved", "reset", "out of service".
    pub(super) how: String,
    pub(super) by: Option<String>,
}

/// The end of its condition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Cleared {
    pub(super) run: i64,
    pub(super) sequence: u64,
    /// Wall time, ms.
    pub(super) utc: i64,
}

/// What one channel has been told of a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Told {
    /// The call itself: said, or owed. A call that a channel has no entry of is not owed.
    pub(super) said: bool,
    /// When it was said last, on this run's monotonic clock, ms.
    pub(super) at_ms: i64,
    /// How often it was said anew.
    pub(super) reminders: u32,
    /// That it is over: said, or nobody there to be told.
    pub(super) over: bool,
}

impl Told {
    pub(super) const OWED: Self = Self { said: false, at_ms: 0, reminders: 0, over: false };
}

/// One channel's own.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(super) struct Lane {
    /// The message that is on its way. Kept before it goes, so that after a crash the same is sent again.
    pub(super) fixed: Option<Fixed>,
    /// Troubles of others that it is owed.
    pub(super) notices: Vec<Notice>,
    /// Day of the last message that all this works, as 20261125.
    pub(super) alive_day: i32,
}

/// A message on its way, and what it says of which call.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Fixed {
    pub(super) message: Message,
    pub(super) parts: Vec<Part>,
}

/// What a message says of a call or a notice.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Part {
    Call(String),
    Reminder(String),
    Over(String),
    Notice(String),
}

/// A sentence of its own.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Notice {
    pub(super) key: String,
    pub(super) text: String,
}

/// Runs change the zero of the monotonic clock: `shift_ms` is added to every moment on it.
pub(super) fn shift(state: &mut State, shift_ms: i64) {
    for call in &mut state.calls {
        call.since_ms = call.since_ms.saturating_add(shift_ms);
        for told in call.told.values_mut() {
            told.at_ms = told.at_ms.saturating_add(shift_ms);
        }
    }
}
