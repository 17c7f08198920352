//! The first user: a link on the daemon's own console, for one use within a quarter of an hour, from this machine only. So there
//! is no default password, and nobody on the network can be first.

use super::sessions::{Key, key_of, new_id};
use super::{Doors, locked};
use setward_protocol::Uptime;
use std::time::Duration;

/// How long the link can be used.
pub(super) const LASTS: Duration = Duration::from_secs(15 * 60);

/// The link that was given out, as a hash.
#[derive(Debug)]
pub(super) struct FirstLink {
    key: Key,
    given: Uptime,
}

impl Doors {
    /// The secret part of a link for the first user, if there is nobody who can sign in.
    pub(crate) fn offer_first(&self) -> Option<Result<String, String>> {
        let access = self.access();
        let users = access.users.as_ref()?;
        if users.list.iter().any(|user| !user.disabled && user.passphrase.is_some()) {
            return None;
        }
        Some(new_id().inspect(|id| {
            *locked(&self.first) = Some(FirstLink { key: key_of(id), given: self.clock.uptime() });
        }))
    }

    /// Whether this is the link, and still good.
    pub(super) fn is_first(&self, id: &str) -> bool {
        let now = self.clock.uptime();
        // Hashes are compared, so that the time it takes tells nothing of the link.
        locked(&self.first)
            .as_ref()
            .is_some_and(|first| first.key == key_of(id) && now.since(first.given) < LASTS)
    }

    /// Uses the link up: true once.
    pub(super) fn use_first(&self, id: &str) -> bool {
        let is_good = self.is_first(id);
        if is_good {
            locked(&self.first).take();
        }
        is_good
    }
}
