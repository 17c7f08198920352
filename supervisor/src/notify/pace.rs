//! How fast a channel is told: one by one, in digests when much comes, and what its receiver refuses last. Nothing of it is kept.

use super::draft::{Draft, Now, Said, digest, rank, single};
use super::message::Subject;
use setward_config::line::Priority;
use std::collections::BTreeMap;

/// Beyond this many messages in [`FLOOD_OVER_MS`] what comes goes in digests.
pub(super) const FLOOD_MAX: usize = 10;
const FLOOD_OVER_MS: i64 = 600_000;
/// How long a digest gathers, and how long after another one it goes at the earliest: with high priority in it, or without.
const GATHER_MS: i64 = 10_000;
const DIGEST_EVERY_HIGH_MS: i64 = 60_000;
const DIGEST_EVERY_MS: i64 = 300_000;
/// What is older goes in one digest, not one by one.
pub(super) const OLD_MS: i64 = 1_800_000;
/// What its receiver refuses is tried again so long after at the earliest, if anything else is due.
const REFUSED_AGAIN_MS: i64 = 60_000;

/// What is not kept of a channel.
#[derive(Debug, Clone, Default)]
pub(super) struct Pace {
    /// When it took messages, within the time in which a flood counts, ms.
    sent: Vec<i64>,
    gathering: Option<i64>,
    digest: Option<i64>,
    /// By key: messages that its receiver refused, and when last, ms. They are tried again when nothing else is due.
    refused: BTreeMap<String, i64>,
}

impl Pace {
    /// Whether the receiver refused the message of this key.
    pub(super) fn has_refused(&self, key: &str) -> bool {
        self.refused.contains_key(key)
    }

    /// The receiver refuses it; true if it did before.
    pub(super) fn refused(&mut self, key: String, now: Now) -> bool {
        self.refused.insert(key, now.ms).is_some()
    }

    /// The receiver has a message.
    pub(super) fn took(&mut self, subject: Subject, now: Now) {
        if subject != Subject::Alive {
            self.sent.push(now.ms);
        }
        if subject == Subject::Digest {
            self.digest = Some(now.ms);
        }
    }

    /// What goes of all that is due: what was not refused first.
    pub(super) fn next(&mut self, said: Vec<Said>, now: Now) -> Option<Draft> {
        self.sent.retain(|at| now.ms - at < FLOOD_OVER_MS);
        self.refused.retain(|_, at| now.ms - *at < OLD_MS);
        let (refused, others): (Vec<_>, Vec<_>) =
            said.into_iter().partition(|one| self.refused.contains_key(&one.key));
        if let Some(first) = others.iter().max_by_key(|one| rank(one)).cloned() {
            let draft = self.paced(others, now)?;
            // Of a digest that was refused one thing may be the cause: they go one by one.
            return Some(if self.refused.contains_key(&draft.key) { single(first) } else { draft });
        }
        let tried_ms = |one: &Said| self.refused.get(&one.key).copied().unwrap_or(i64::MIN);
        let oldest = refused.iter().min_by_key(|one| tried_ms(one)).cloned();
        let oldest = oldest.filter(|one| now.ms.saturating_sub(tried_ms(one)) >= REFUSED_AGAIN_MS);
        let draft = self.paced(refused, now)?;
        if self.refused.contains_key(&draft.key) { oldest.map(single) } else { Some(draft) }
    }

    /// One thing, or all of it in one, or nothing yet.
    fn paced(&mut self, said: Vec<Said>, now: Now) -> Option<Draft> {
        let Some(first) = said.iter().max_by_key(|one| rank(one)).cloned() else {
            self.gathering = None;
            return None;
        };
        let old = said.iter().filter(|one| one.waited_ms >= OLD_MS && one.subject == Subject::Alarm).count();
        let is_flood = said.len() + self.sent.len() > FLOOD_MAX;
        if !is_flood && old < 2 {
            self.gathering = None;
            return Some(single(first));
        }
        let has_high = said.iter().any(|one| one.priority == Priority::High);
        let every_ms = if has_high { DIGEST_EVERY_HIGH_MS } else { DIGEST_EVERY_MS };
        let gathered = now.ms - *self.gathering.get_or_insert(now.ms) >= GATHER_MS;
        let is_time = self.digest.is_none_or(|last| now.ms - last >= every_ms);
        if is_flood && !(gathered && is_time) {
            return None;
        }
        self.gathering = None;
        Some(digest(said))
    }
}
