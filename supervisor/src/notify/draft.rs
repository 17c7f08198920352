//! What the core is asked with and answers: a moment, channels, and what a channel is to be sent.

use super::message::Subject;
use super::state::{Call, Part};
use crate::history::sha256_hex;
use setward_config::line::{ChannelRules, Priority};
use setward_protocol::UtcMillis;
use std::cmp::Reverse;

/// Most things in one digest; the rest goes in the next.
const DIGEST_ITEMS_MAX: usize = 200;

/// The moment at which the core is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Now {
    /// Monotonic time of the run, ms.
    pub(super) ms: i64,
    pub(super) utc: UtcMillis,
    /// The plant's day as 20261125, and the minute of it.
    pub(super) day: i32,
    pub(super) minute: u16,
}

/// A channel as the core knows it.
#[derive(Debug, Clone)]
pub(super) struct Channel {
    pub(super) name: String,
    pub(super) rules: ChannelRules,
}

/// An alarm that stands and calls, by the line task's own word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Standing {
    pub(super) alarm: String,
    pub(super) occurrence: u32,
    pub(super) raised: UtcMillis,
}

/// One thing to say, with what there is to say it from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Said {
    pub(super) key: String,
    pub(super) subject: Subject,
    pub(super) call: Option<Call>,
    /// How long nobody has acknowledged it, ms.
    pub(super) waited_ms: i64,
    pub(super) notice: Option<String>,
    pub(super) part: Option<Part>,
    pub(super) priority: Priority,
}

/// What a channel is to be sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Draft {
    pub(super) key: String,
    pub(super) subject: Subject,
    pub(super) said: Vec<Said>,
}

/// What goes first: high priority, then what calls, then what has waited longest.
pub(super) fn rank(one: &Said) -> (Priority, Reverse<Subject>, i64) {
    (one.priority, Reverse(one.subject), one.waited_ms)
}

/// One thing alone.
pub(super) fn single(one: Said) -> Draft {
    Draft { key: one.key.clone(), subject: one.subject, said: vec![one] }
}

/// All of it in one; what goes first stands first.
pub(super) fn digest(mut said: Vec<Said>) -> Draft {
    said.sort_by_key(|one| Reverse(rank(one)));
    said.truncate(DIGEST_ITEMS_MAX);
    if let [one] = said.as_slice() {
        return single(one.clone());
    }
    // By all that is in it: with one thing more it is another message.
    let keys: Vec<&str> = said.iter().map(|one| one.key.as_str()).collect();
    let print = sha256_hex(keys.join("\n").as_bytes());
    let key = format!("digest-{}", print.get(..16).unwrap_or(&print));
    Draft { key, subject: Subject::Digest, said }
}
