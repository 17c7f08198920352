//! One try to sign in, as work of its own: whoever hangs up meanwhile neither frees the place for another hash nor leaves the try
//! uncounted. A browser's connection that is closed drops what answers it at once; the hash on its thread goes on.

use super::{Doors, Visit, locked, passphrase, user_of};
use crate::web::Web;
use setward_config::line::User;
use std::sync::Arc;
use std::time::Duration;

/// What came of trying to sign in.
pub(super) enum Tried {
    Right(User),
    Wrong,
    Wait(Duration),
    Busy,
}

/// Tries `typed` for `name`, to its end whether or not anybody waits for it.
pub(super) async fn try_to_enter(web: &Web, visit: &Visit, name: &str, typed: String) -> Tried {
    let (web, visit, name) = (web.clone(), visit.clone(), name.to_owned());
    let trying = tokio::spawn(async move {
        let doors = &web.app.doors;
        let (tried, tries) = doors.try_one(&visit, &name, typed).await;
        // The next one's turn does not wait for the trail's disk.
        if let Some(tries) = tries {
            doors.note_wrong(&web, &visit, tries).await;
        }
        tried
    });
    // It ends early only where the program does.
    trying.await.unwrap_or(Tried::Busy)
}

impl Doors {
    /// Compares with the one hash there is to compare with, known name or not: same time, same answer. A wrong one is counted
    /// before the next one's turn; the number is how many there were from this address.
    async fn try_one(&self, visit: &Visit, name: &str, typed: String) -> (Tried, Option<u32>) {
        let from = visit.peer.address();
        let Ok(_in_line) = Arc::clone(&self.waiting).try_acquire_owned() else { return (Tried::Busy, None) };
        let Ok(alone) = Arc::clone(&self.hashing).acquire_owned().await else { return (Tried::Busy, None) };
        // Looked at behind the others: of many tries at once only the free ones are looked at.
        let left = locked(&self.guesses).wait(name, from, self.clock.uptime());
        if left > Duration::ZERO {
            return (Tried::Wait(left), None);
        }
        let user = user_of(&self.access(), name).cloned();
        let kept = user.as_ref().and_then(|user| user.passphrase.clone());
        let hash = kept.clone().unwrap_or_else(|| passphrase::NOBODYS.to_owned());
        // The permit goes with the thread and comes back from it: there is no moment at which a hash runs without.
        let compared = tokio::task::spawn_blocking(move || (passphrase::is_right(&typed, &hash), alone));
        let (is_right, _alone) = match compared.await {
            Ok((is_right, alone)) => (is_right, Some(alone)),
            Err(_panicked) => (false, None),
        };
        match user.filter(|_| kept.is_some() && is_right) {
            Some(user) => {
                locked(&self.guesses).right(name);
                (Tried::Right(user), None)
            }
            None => {
                let tries = locked(&self.guesses).wrong(name, from, self.clock.uptime());
                (Tried::Wrong, Some(tries))
            }
        }
    }
}

#[cfg(test)]
#[path = "entering_tests.rs"]
mod tests;
