//! The page's door: who comes, what for, and what that is worth in the records.
//!
//! Owns users while the program runs, sessions, wrong guesses, the first user's link and the page's certificate; lives longer than
//! any run. Which route needs which role stands where routes are declared (`routes.rs`); hosts and origins are `security.rs`'s.
//!
//! Invariants: what is not declared is refused; a person's name in a record is the one that signed in; nothing typed as a
//! passphrase is kept, logged or shown.

mod audit;
pub(crate) mod displays;
mod entering;
mod first;
mod forms;
mod guesses;
pub(crate) mod keep;
pub(crate) mod passphrase;
mod sessions;
pub(crate) mod socket;
pub(crate) mod tls;
mod visit;

use crate::clock::Clock;
use audit::Refusals;
pub(crate) use audit::note_users;
pub(super) use displays::{display, display_page};
use first::FirstLink;
pub(super) use forms::{first_page, first_user, instead, login, login_page, logout, who, who_watches};
use guesses::Guesses;
use sessions::{Key, Sessions};
use setward_config::line::{Access, Line, User, UserRole};
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
use tls::Certificate;
use tokio::sync::Semaphore;
pub(crate) use visit::Peer;
pub(super) use visit::{
    Needs, Visit, Visitor, check, may_still, of, shut, signed_name, unless, visit, within,
};

/// Sign-ins that may wait for the one hash at a time; more are asked to come again.
const MOST_WAITING: usize = 8;

/// Random bytes from the system.
///
/// # Errors
/// When it gives none.
pub(crate) fn random<const N: usize>() -> Result<[u8; N], String> {
    let mut bytes = [0; N];
    let mut filled = 0;
    while let Some(rest) = bytes.get_mut(filled..).filter(|rest| !rest.is_empty()) {
        let got = rustix::rand::getrandom(rest, rustix::rand::GetRandomFlags::empty());
        filled += got.map_err(|error| format!("the system gives no random numbers: {error}"))?;
    }
    Ok(bytes)
}

/// The door of one daemon.
#[derive(Debug)]
pub struct Doors {
    clock: Clock,
    access: RwLock<Arc<Access>>,
    sessions: Mutex<Sessions>,
    guesses: Mutex<Guesses>,
    refusals: Mutex<Refusals>,
    first: Mutex<Option<FirstLink>>,
    certificate: RwLock<Option<Certificate>>,
    /// One hash at a time: each takes 19 MiB and a core for a moment, and polling shares the machine.
    hashing: Arc<Semaphore>,
    /// Those that wait for it.
    waiting: Arc<Semaphore>,
}

impl Doors {
    /// A door with these users and no certificate.
    #[must_use]
    pub fn new(access: Access) -> Self {
        Self {
            clock: Clock::system(),
            access: RwLock::new(Arc::new(access)),
            sessions: Mutex::default(),
            guesses: Mutex::default(),
            refusals: Mutex::default(),
            first: Mutex::default(),
            certificate: RwLock::default(),
            hashing: Arc::new(Semaphore::new(1)),
            waiting: Arc::new(Semaphore::new(MOST_WAITING)),
        }
    }

    /// The door of `line`, whose page listens at `listens`, with its certificate.
    ///
    /// # Errors
    /// What is wrong with the certificate's files, and what to do.
    pub(crate) fn of(line: &Line, listens: IpAddr) -> Result<Self, String> {
        let doors = Self::new(line.access.clone());
        doors.show_certificate(Certificate::of(line, listens)?);
        Ok(doors)
    }

    /// A door without users: whoever reaches the page may do everything, under any name.
    #[must_use]
    pub fn open() -> Self {
        Self::new(Access::default())
    }

    /// Users and settings in force.
    #[must_use]
    pub fn access(&self) -> Arc<Access> {
        Arc::clone(&self.access.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Whether people sign in here.
    #[must_use]
    pub fn has_users(&self) -> bool {
        self.access().users.is_some()
    }

    /// From now on these are the users and settings. Sessions of whoever may not come in any more, or has another passphrase,
    /// end at once; a changed role counts from the next request on. Returns what differs, for people.
    pub fn take_up(&self, access: &Access) -> Vec<String> {
        let before = {
            let mut present = self.access.write().unwrap_or_else(PoisonError::into_inner);
            std::mem::replace(&mut *present, Arc::new(access.clone()))
        };
        locked(&self.sessions).keep(|session| {
            user_of(access, &session.name)
                .is_some_and(|user| user.passphrase.as_deref() == Some(&session.passphrase))
        });
        audit::differences(&before, access)
    }

    /// Whether the page is encrypted.
    #[must_use]
    pub fn is_encrypted(&self) -> bool {
        self.certificate.read().unwrap_or_else(PoisonError::into_inner).is_some()
    }

    /// What whoever starts the program should know of the door: where its page is, its certificate, the first user's link.
    pub(crate) fn greeting(&self, page: SocketAddr) -> Vec<String> {
        let certificate = self.certificate.read().unwrap_or_else(PoisonError::into_inner).clone();
        let scheme = if certificate.is_some() { "https" } else { "http" };
        let mut told = vec![format!("Page:  {scheme}://{page}/")];
        if let Some(certificate) = certificate {
            let whose = if certificate.is_own {
                "made by itself; compare it once in the browser"
            } else {
                "the plant's own"
            };
            told.push(format!("Certificate ({whose}): SHA-256 {}", certificate.fingerprint));
        }
        match self.offer_first() {
            None => {}
            Some(Ok(key)) => told.push(format!(
                "Nobody can sign in yet. The first engineer sets a passphrase here, once, within 15 min, at this machine:\n       \
                 {scheme}://{page}/first?key={key}"
            )),
            Some(Err(why)) => told.push(format!("Nobody can sign in yet: use `setward user FOLDER add NAME --role engineer` ({why})")),
        }
        told
    }

    /// Who this is: by the machine's own word for the socket's other end, else by the session that the cookie names, else by the
    /// pass of a screen.
    fn visitor(&self, peer: &Peer, key: Option<&Key>, pass: Option<&str>) -> Visitor {
        let access = self.access();
        if access.users.is_none() {
            return Visitor::Anybody;
        }
        if let Peer::Local { uid } = peer {
            return local_visitor(&access, *uid);
        }
        let now = self.clock.uptime();
        let sessions = locked(&self.sessions);
        let session = key.and_then(|key| sessions.find(key, now));
        match session.and_then(|session| Some((session, user_of(&access, &session.name)?))) {
            Some((session, user)) => Visitor::Person {
                name: user.name.clone(),
                role: user.role,
                is_asleep: session.is_asleep(now),
            },
            None => unnamed(&access, pass),
        }
    }

    /// The person behind this session did something.
    fn touch(&self, key: &Key) {
        locked(&self.sessions).touch(key, self.clock.uptime());
    }

    /// Names, beside those of loopback, that the page answers to.
    pub(super) fn answers_to(&self, host: &str) -> bool {
        self.access().names.iter().any(|name| name == host)
            // A number can't be another site's name that points here.
            || host.trim_matches(['[', ']']).parse::<IpAddr>().is_ok()
                && self.access().users.is_some()
                && self.is_encrypted()
    }
}

/// What stands behind a lock. A task that panicked while it held one left nothing half done.
fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Somebody who has not signed in: a screen by its pass, where looking is not free for all.
fn unnamed(access: &Access, pass: Option<&str>) -> Visitor {
    match displays::named(access, pass).filter(|_| access.view_needs_login) {
        Some(name) => Visitor::Display { name },
        None => Visitor::Guest { may_view: !access.view_needs_login },
    }
}

/// Who may come in under this name.
fn user_of<'a>(access: &'a Access, name: &str) -> Option<&'a User> {
    let users = access.users.as_ref()?;
    users.list.iter().find(|user| user.name == name.trim() && !user.disabled)
}

/// Somebody at this machine's prompt. The daemon's own account and root could change every file anyway.
fn local_visitor(access: &Access, uid: u32) -> Visitor {
    let os_name = socket::os_user(uid);
    let users = access.users.iter().flat_map(|users| &users.list);
    let known = users.filter(|user| !user.disabled).find(|user| user.os_user == os_name && os_name.is_some());
    let own = rustix::process::geteuid().as_raw();
    let is_master = uid == 0 || uid == own;
    match known {
        Some(user) => {
            let role = if is_master { UserRole::Engineer } else { user.role };
            Visitor::Person { name: user.name.clone(), role, is_asleep: false }
        }
        None if is_master => {
            let name = os_name.unwrap_or_else(|| format!("uid {uid}"));
            Visitor::Person {
                name: format!("{name} at this machine"),
                role: UserRole::Engineer,
                is_asleep: false,
            }
        }
        None => Visitor::Guest { may_view: true },
    }
}
