//! What of the door goes into the audit trail: who came in and went, who was refused (so many at most), what changed of users.

use super::{Doors, Visit, Visitor, locked};
use crate::history::{HistoryStore, NewAudit};
use crate::web::Web;
use setward_config::line::{Access, Display, User};
use setward_protocol::{Uptime, UtcMillis};
use sha2::{Digest as _, Sha256};
use std::time::Duration;

/// Most refusals that are kept one by one in a span; the rest is a number.
const MOST: u32 = 20;
const SPAN: Duration = Duration::from_secs(600);
/// Longest part of an address that is kept, characters.
const LONGEST: usize = 120;

/// Counts refusals, so that a stranger can't fill the disk with them.
#[derive(Debug, Default)]
pub(super) struct Refusals {
    since: Option<Uptime>,
    kept: u32,
    left_out: u64,
}

impl Refusals {
    /// Whether one more is kept, and if so how many were not since the last one that was.
    pub(super) fn one_more(&mut self, now: Uptime) -> Option<u64> {
        if self.since.is_none_or(|since| now.since(since) >= SPAN) {
            (self.since, self.kept) = (Some(now), 0);
        }
        if self.kept >= MOST {
            self.left_out += 1;
            return None;
        }
        self.kept += 1;
        Some(std::mem::take(&mut self.left_out))
    }
}

impl Doors {
    /// A visit was refused something.
    pub(super) async fn note_refusal(&self, web: &Web, visit: &Visit, what: &str) {
        let Some(left_out) = locked(&self.refusals).one_more(self.clock.uptime()) else { return };
        let by = match &visit.visitor {
            Visitor::Person { name, .. } | Visitor::Display { name } => name.clone(),
            Visitor::Anybody | Visitor::Guest { .. } => "somebody".to_owned(),
        };
        let left_out = (left_out > 0).then(|| format!("{left_out} more were not kept"));
        let what: String = what.chars().take(LONGEST).collect();
        note(web, "refused", &by, &format!("{what} from {}", visit.peer.address()), left_out).await;
    }

    /// A wrong passphrase. Counted with refusals.
    pub(super) async fn note_wrong(&self, web: &Web, visit: &Visit, tries: u32) {
        let Some(left_out) = locked(&self.refusals).one_more(self.clock.uptime()) else { return };
        let left_out = (left_out > 0).then(|| format!("{left_out} more were not kept"));
        // The name as typed may be a passphrase in the wrong field: it is not kept.
        let about = format!("wrong name or passphrase, {tries} from {}", visit.peer.address());
        note(web, "sign-in refused", "somebody", &about, left_out).await;
    }
}

/// Adds to the trail. A disk that takes nothing must not keep anybody from signing in.
pub(super) async fn note(web: &Web, what: &str, by: &str, about: &str, why: Option<String>) {
    let entry = NewAudit {
        utc: web.app.clock.utc(),
        by: by.to_owned(),
        what: what.to_owned(),
        about: about.to_owned(),
        old: None,
        new: None,
        why,
    };
    if let Err(error) = web.app.history.add_audit(entry).await {
        tracing::warn!(code = "audit", "{what} by {by} is not in the audit trail: {error}");
    }
}

/// Users as one line of the audit trail. A hash of the hash tells that a passphrase was changed, and nothing else.
fn summary(access: &Access) -> String {
    let list = access.users.iter().flat_map(|users| &users.list);
    let displays = access.users.iter().flat_map(|users| &users.displays);
    let mark = |kept: &str| -> String {
        Sha256::digest(kept).iter().take(4).map(|byte| format!("{byte:02x}")).collect()
    };
    let one = |user: &User| {
        let mark = mark(user.passphrase.as_deref().unwrap_or_default());
        let out = if user.disabled { " disabled" } else { "" };
        let os_user = user.os_user.as_ref().map(|name| format!(" ({name})")).unwrap_or_default();
        format!("{}{os_user} {}{out} {mark}", user.name, user.role.name())
    };
    let screen = |display: &Display| format!("display {} {}", display.name, mark(&display.pass));
    list.map(one).chain(displays.map(screen)).collect::<Vec<_>>().join("; ")
}

/// What the audit trail calls a change of users.
const CHANGED: &str = "users changed";
/// So far back it is looked for the last one.
const LOOKED_BACK: usize = 10_000;

/// Puts it into the audit trail if the users are others than the trail last told: changes made while nothing ran count too.
pub(crate) async fn note_users(history: &dyn HistoryStore, access: &Access, (by, utc): (&str, UtcMillis)) {
    let Ok(trail) = history.audit_trail(LOOKED_BACK).await else { return };
    let last = trail.into_iter().find(|one| one.entry.what == CHANGED).and_then(|one| one.entry.new);
    let now = summary(access);
    if last.clone().unwrap_or_default() == now {
        return;
    }
    let entry = NewAudit {
        utc,
        by: by.to_owned(),
        what: CHANGED.to_owned(),
        about: "who may do what".to_owned(),
        old: last,
        new: Some(now),
        why: None,
    };
    if let Err(error) = history.add_audit(entry).await {
        tracing::warn!(code = "audit", "the change of users is not in the audit trail: {error}");
    }
}

/// What differs between two doors, for people and for the audit trail.
pub(super) fn differences(old: &Access, new: &Access) -> Vec<String> {
    let mut told = Vec::new();
    let list = |access: &Access| access.users.iter().flat_map(|users| users.list.clone()).collect::<Vec<_>>();
    let (before, after) = (list(old), list(new));
    let named = |list: &[User], name: &str| list.iter().find(|user| user.name == name).cloned();
    for user in &after {
        match named(&before, &user.name) {
            None => told.push(format!("user {} added as {}", user.name, user.role.name())),
            Some(own) => told.extend(differs(&own, user)),
        }
    }
    let gone = before.iter().filter(|user| named(&after, &user.name).is_none());
    told.extend(gone.map(|user| format!("user {} removed", user.name)));
    told.extend(screens(old, new));
    if old.users.is_some() != new.users.is_some() {
        let now = if new.users.is_some() { "people sign in from now on" } else { "nobody signs in any more" };
        told.push(now.to_owned());
    }
    if old.view_needs_login != new.view_needs_login {
        let now = if new.view_needs_login { "looking needs a login" } else { "looking is free" };
        told.push(now.to_owned());
    }
    if old.names != new.names {
        told.push(format!("the page answers to {}", new.names.join(", ")));
    }
    told
}

/// What differs between the screens on walls.
fn screens(old: &Access, new: &Access) -> Vec<String> {
    let all =
        |access: &Access| access.users.iter().flat_map(|users| users.displays.clone()).collect::<Vec<_>>();
    let (before, after) = (all(old), all(new));
    let gone = before.iter().filter(|one| !after.contains(one));
    let gone = gone.map(|one| format!("the pass of display {} is taken back", one.name));
    let come = after.iter().filter(|one| !before.contains(one));
    gone.chain(come.map(|one| format!("display {} has a pass", one.name))).collect()
}

fn differs(old: &User, new: &User) -> Vec<String> {
    let name = &new.name;
    let mut told = Vec::new();
    if old.role != new.role {
        told.push(format!("user {name}: {} is now {}", old.role.name(), new.role.name()));
    }
    if old.disabled != new.disabled {
        told.push(format!("user {name} {}", if new.disabled { "disabled" } else { "enabled" }));
    }
    if old.passphrase != new.passphrase {
        told.push(format!("user {name} has another passphrase"));
    }
    if old.os_user != new.os_user {
        told.push(format!("user {name} is {} at the prompt", new.os_user.as_deref().unwrap_or("nobody")));
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_of_refusals_is_a_number() {
        let mut refusals = Refusals::default();
        let at = |seconds| Uptime::START + Duration::from_secs(seconds);
        let kept = (0..1000).filter(|_| refusals.one_more(at(1)).is_some()).count();
        assert_eq!(kept, 20);
        assert_eq!(refusals.one_more(at(601)), Some(980));
        assert_eq!(refusals.one_more(at(601)), Some(0));
    }
}
