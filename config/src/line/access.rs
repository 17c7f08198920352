//! Who may come to the page, from where, and what for.

use std::net::IpAddr;
use std::path::PathBuf;

/// What a person may do. Each one may do what those before it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum UserRole {
    /// Look.
    View,
    /// What a shift does: acknowledge, shelve, enter, note, close, put on hold.
    Operate,
    /// What changes how the line is watched, or ends a matter for good: out of service, decisions, signatures, reload.
    Engineer,
}

impl UserRole {
    /// The roles by their words in files.
    pub const NAMED: [(&'static str, Self); 3] =
        [("view", Self::View), ("operate", Self::Operate), ("engineer", Self::Engineer)];

    /// The word in files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::View => "view",
            Self::Operate => "operate",
            Self::Engineer => "engineer",
        }
    }
}

/// A person who can sign in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct User {
    /// Who, as it stands in records.
    pub name: String,
    /// What for.
    pub role: UserRole,
    /// The passphrase's hash in the PHC string format, if one was set.
    pub passphrase: Option<String>,
    /// The same person at this machine's prompt.
    pub os_user: Option<String>,
    /// Kept for the record, but may not come in.
    pub disabled: bool,
}

/// A screen on a wall that shows the whole line without anybody signing in at it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Display {
    /// Where it hangs, as it stands in the audit trail.
    pub name: String,
    /// SHA-256 of its pass, hexadecimal: a pass is long and drawn by chance, so that no slow hash is needed.
    pub pass: String,
}

/// The users of a line.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Users {
    /// Where they are kept.
    pub file: PathBuf,
    /// All of them, in the order of the file.
    pub list: Vec<User>,
    /// Screens on walls.
    pub displays: Vec<Display>,
}

/// Certificate and key of the page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PageTls {
    /// The plant's own: the chain and its key, PEM files.
    Files {
        /// The chain, the page's own certificate first.
        certificate: PathBuf,
        /// Its private key.
        key: PathBuf,
    },
    /// Made at the first start and kept in the data folder.
    SelfMade,
}

/// The page's door.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Access {
    /// Who may do what; `None`: nobody signs in, and whoever reaches the page may do everything.
    pub users: Option<Users>,
    /// Whether looking needs a sign-in as well.
    pub view_needs_login: bool,
    /// Names and addresses under which people open the page, beside those of loopback.
    pub names: Vec<String>,
    /// Encryption of the page; `None`: plain.
    pub tls: Option<PageTls>,
}

impl Access {
    /// Why a page with this door may not listen on `ip`, with what to do; `None` if it may.
    #[must_use]
    pub fn refuses(&self, ip: IpAddr) -> Option<String> {
        if ip.is_loopback() {
            return None;
        }
        let can_enter = |user: &User| !user.disabled && user.passphrase.is_some();
        let has_user = self.users.as_ref().is_some_and(|users| users.list.iter().any(can_enter));
        let mut lacks = Vec::new();
        if self.tls.is_none() {
            lacks.push(
                "encryption: add a [tls] table to site.toml (empty, it makes a certificate of its own)",
            );
        }
        match &self.users {
            None => lacks.push(
                "users: add `users = \"users.toml\"` to site.toml, then `setward user FOLDER add NAME --role engineer`",
            ),
            Some(_) if !has_user => lacks.push(
                "a user who can sign in: `setward user FOLDER add NAME --role engineer`",
            ),
            Some(_) => {}
        }
        (!lacks.is_empty()).then(|| {
            format!(
                "the page would listen on {ip}, where other machines can reach it, without {}",
                lacks.join("; and without ")
            )
        })
    }
}
