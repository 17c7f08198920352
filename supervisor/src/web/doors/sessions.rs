//! Who is signed in: random ids, kept only as hashes and only in memory, so that a stolen backup opens nothing and a restart
//! ends all. Bounded in time and number.

use setward_protocol::Uptime;
use sha2::{Digest as _, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

/// After so long without doing anything a person may only look: a shift's last page must not speak for somebody gone home.
pub(super) const IDLE: Duration = Duration::from_secs(15 * 60);
/// After so long a session ends, whatever was done in it: a long shift.
pub(super) const LONGEST: Duration = Duration::from_secs(12 * 3600);
/// Most sessions; beyond that the one unused for longest goes.
const MOST: usize = 256;
/// Random bytes of an id.
const BYTES: usize = 32;

/// The hash of an id: what is kept of it.
pub(super) type Key = [u8; 32];

/// The hash of an id as it comes in a cookie.
pub(super) fn key_of(id: &str) -> Key {
    Sha256::digest(id.as_bytes()).into()
}

/// An id that nobody can guess.
///
/// # Errors
/// When the system gives no random numbers.
pub(super) fn new_id() -> Result<String, String> {
    let mut id = String::new();
    for byte in super::random::<BYTES>()? {
        // Writing into a string can't fail.
        let _ = write!(id, "{byte:02x}");
    }
    Ok(id)
}

/// One person at one browser.
#[derive(Debug, Clone)]
pub(super) struct Session {
    /// Who.
    pub(super) name: String,
    /// The hash of the passphrase at that time: a new one ends what the old one opened.
    pub(super) passphrase: String,
    began: Uptime,
    used: Uptime,
}

impl Session {
    /// Whether it has been unused for so long that it only looks.
    pub(super) fn is_asleep(&self, now: Uptime) -> bool {
        now.since(self.used) >= IDLE
    }
}

/// All of them.
#[derive(Debug, Default)]
pub(super) struct Sessions(BTreeMap<Key, Session>);

impl Sessions {
    /// Begins one and gives its id.
    ///
    /// # Errors
    /// When the system gives no random numbers.
    pub(super) fn open(&mut self, name: &str, passphrase: &str, now: Uptime) -> Result<String, String> {
        let id = new_id()?;
        self.0.retain(|_, session| now.since(session.began) < LONGEST);
        if self.0.len() >= MOST {
            let oldest = self.0.iter().min_by_key(|(_, session)| session.used).map(|(key, _)| *key);
            oldest.and_then(|key| self.0.remove(&key));
        }
        let session =
            Session { name: name.to_owned(), passphrase: passphrase.to_owned(), began: now, used: now };
        self.0.insert(key_of(&id), session);
        Ok(id)
    }

    /// The session with this key, if it is not over.
    pub(super) fn find(&self, key: &Key, now: Uptime) -> Option<&Session> {
        self.0.get(key).filter(|session| now.since(session.began) < LONGEST)
    }

    /// The person did something. What is asleep stays so: only signing in wakes it.
    pub(super) fn touch(&mut self, key: &Key, now: Uptime) {
        if let Some(session) = self.0.get_mut(key).filter(|session| !session.is_asleep(now)) {
            session.used = now;
        }
    }

    /// Ends one.
    pub(super) fn close(&mut self, key: &Key) -> Option<Session> {
        self.0.remove(key)
    }

    /// Ends all that do not fit any more.
    pub(super) fn keep(&mut self, mut fits: impl FnMut(&Session) -> bool) {
        self.0.retain(|_, session| fits(session));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Uptime {
        Uptime::START + Duration::from_secs(seconds)
    }

    #[test]
    fn a_session_falls_asleep_when_unused_and_ends_after_a_long_shift() {
        let mut sessions = Sessions::default();
        let key = key_of(&sessions.open("Ana", "hash", at(0)).unwrap());
        sessions.touch(&key, at(600));
        assert!(!sessions.find(&key, at(1499)).unwrap().is_asleep(at(1499)));
        assert!(sessions.find(&key, at(1500)).unwrap().is_asleep(at(1500)));
        sessions.touch(&key, at(1500));
        assert!(sessions.find(&key, at(1501)).unwrap().is_asleep(at(1501)), "looking does not wake it");
        assert!(sessions.find(&key, at(43_199)).is_some());
        assert!(sessions.find(&key, at(43_200)).is_none());
    }

    #[test]
    fn ids_are_long_never_alike_and_not_kept() {
        let mut sessions = Sessions::default();
        let (one, other) =
            (sessions.open("Ana", "h", at(0)).unwrap(), sessions.open("Ana", "h", at(0)).unwrap());
        assert_eq!((one.len(), one == other), (64, false));
        assert!(!format!("{sessions:?}").contains(&one));
        assert!(sessions.find(&key_of("0"), at(1)).is_none());
        assert_eq!(sessions.close(&key_of(&one)).unwrap().name, "Ana");
        assert!(
            sessions.find(&key_of(&one), at(1)).is_none() && sessions.find(&key_of(&other), at(1)).is_some()
        );
    }

    #[test]
    fn beyond_the_most_the_longest_unused_goes() {
        let mut sessions = Sessions::default();
        let first = key_of(&sessions.open("Ana", "h", at(0)).unwrap());
        let second = key_of(&sessions.open("Ben", "h", at(1)).unwrap());
        sessions.touch(&first, at(10));
        for _ in 2..=MOST {
            sessions.open("Cleo", "h", at(11)).unwrap();
        }
        assert!(sessions.find(&first, at(12)).is_some() && sessions.find(&second, at(12)).is_none());
        assert_eq!(sessions.0.len(), MOST);
    }
}
