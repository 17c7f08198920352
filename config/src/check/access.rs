//! The page's door: users, names, certificate. Whether the page may listen where it would is checked in `site.rs`.

use crate::line::{Access, Display, PageTls, User, Users};
use crate::problem::{At, Code, Span, quoted};
use crate::raw::site::{RawSite, RawTls};
use crate::raw::users::{RawDisplay, RawUser};
use crate::reader::Sink;
use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

/// Most users: each sign-in looks through them.
const USERS_MAX: usize = 200;
/// Most screens on walls.
const DISPLAYS_MAX: usize = 50;
/// Most names of the page.
const NAMES_MAX: usize = 16;
/// Longest name of a person, characters; as in records.
const LONGEST_NAME: usize = 60;
/// How the hash of a passphrase begins.
const HASH_BEGINS: &str = "$argon2id$";

/// The door as far as site.toml tells; the users themselves stand in their own file.
pub(crate) fn check(raw: &RawSite, page: Option<SocketAddr>, sink: &mut Sink) -> Access {
    let is_here = page.is_none_or(|page| page.ip().is_loopback());
    let users = raw.users.as_ref().map(|file| Users { file: PathBuf::from(&file.value), ..Users::default() });
    if let (None, Some(view)) = (&users, raw.view_login.as_ref().filter(|view| view.value)) {
        let message = "`view` asks for a login, but nobody has one".to_owned();
        sink.report(Code::Conflict, view.at, message, "add `users = \"users.toml\"`");
    }
    Access {
        view_needs_login: raw.view_login.as_ref().map_or(!is_here, |view| view.value) && users.is_some(),
        users,
        names: names(raw, sink),
        tls: raw.tls.as_ref().and_then(|tls| certificate(tls, sink)),
    }
}

fn names(raw: &RawSite, sink: &mut Sink) -> Vec<String> {
    let Some(list) = &raw.page_names else { return Vec::new() };
    if list.value.len() > NAMES_MAX {
        let message = format!("`page_names` has {}; this version holds {NAMES_MAX}", list.value.len());
        sink.report(Code::Capacity, list.at, message, "leave those out that nobody types");
    }
    list.value.iter().filter(|name| is_name(name, sink)).map(|name| name.value.to_ascii_lowercase()).collect()
}

/// A host name or an address, without scheme and port: it is compared with what a browser says it opened.
fn is_name(name: &At<String>, sink: &mut Sink) -> bool {
    let letter = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '-' | '.');
    let part = |part: &str| !part.is_empty() && part.len() <= 63 && part.chars().all(letter);
    let is_host = name.value.len() <= 253 && name.value.split('.').all(part);
    let is_sound = is_host || name.value.parse::<IpAddr>().is_ok();
    if !is_sound {
        let message = format!("{} is no name of a machine", quoted(&name.value));
        let hint = "write the name alone, without https:// and port: \"line-2.plant.example\"";
        sink.report(Code::Address, name.at, message, hint);
    }
    is_sound
}

fn certificate(raw: &RawTls, sink: &mut Sink) -> Option<PageTls> {
    match (&raw.certificate, &raw.key) {
        (None, None) => Some(PageTls::SelfMade),
        (Some(certificate), Some(key)) => Some(PageTls::Files {
            certificate: PathBuf::from(&certificate.value),
            key: PathBuf::from(&key.value),
        }),
        (Some(one), None) => {
            let message = "[tls] has a `certificate` without its `key`".to_owned();
            sink.report(Code::Conflict, one.at, message, "add `key = \"page-key.pem\"`, or leave both out");
            None
        }
        (None, Some(one)) => {
            let message = "[tls] has a `key` without its `certificate`".to_owned();
            let hint = "add `certificate = \"page.pem\"`, or leave both out";
            sink.report(Code::Conflict, one.at, message, hint);
            None
        }
    }
}

/// Checks the screens of the users' file.
pub(crate) fn displays(raw: &[RawDisplay], sink: &mut Sink) -> Vec<Display> {
    if let Some(one) = raw.get(DISPLAYS_MAX) {
        let message = format!("there are {} displays; this version holds {DISPLAYS_MAX}", raw.len());
        sink.report(Code::Capacity, one.at, message, "take those out that hang no more");
    }
    taken("displays", raw.iter().map(|one| one.name.as_ref()), sink);
    raw.iter().filter_map(|one| display(one, sink)).collect()
}

fn display(raw: &RawDisplay, sink: &mut Sink) -> Option<Display> {
    let (name, pass) = (raw.name.as_ref()?, raw.pass.as_ref()?);
    let is_name = fits_as_name(&name.value);
    if !is_name {
        let message = format!("{} is no name of a display", quoted(&name.value));
        sink.report(Code::Word, name.at, message, "1 to 60 characters without line breaks are accepted");
    }
    let is_hash = pass.value.len() == 64 && pass.value.bytes().all(|byte| byte.is_ascii_hexdigit());
    if !is_hash {
        let message = "`pass` is no hash: what is typed at the screen is never kept".to_owned();
        let hint = format!("take the display out, then `setward user FOLDER add-display \"{}\"`", name.value);
        sink.report(Code::Word, pass.at, message, hint);
    }
    let kept = || Display { name: name.value.trim().to_owned(), pass: pass.value.to_ascii_lowercase() };
    (is_name && is_hash).then(kept)
}

fn fits_as_name(name: &str) -> bool {
    (1..=LONGEST_NAME).contains(&name.trim().chars().count()) && !name.chars().any(char::is_control)
}

/// Checks the users' file.
pub(crate) fn users(raw: &[RawUser], sink: &mut Sink) -> Vec<User> {
    if let Some(one) = raw.get(USERS_MAX) {
        let message = format!("there are {} users; this version holds {USERS_MAX}", raw.len());
        sink.report(Code::Capacity, one.at, message, "take those out who have long left");
    }
    taken("users", raw.iter().map(|one| one.name.as_ref()), sink);
    taken("users at this machine's prompt", raw.iter().map(|one| one.os_user.as_ref()), sink);
    raw.iter().filter_map(|one| user(one, sink)).collect()
}

fn taken<'a>(what: &str, names: impl Iterator<Item = Option<&'a At<String>>>, sink: &mut Sink) {
    let mut first: BTreeMap<&str, Span> = BTreeMap::new();
    for name in names.flatten() {
        if let Some(earlier) = first.get(name.value.trim()) {
            let texts = (
                format!("two {what} are called {}", quoted(&name.value)),
                "a name in records must mean one person: take one out, or add a surname".to_owned(),
            );
            sink.report_pair(Code::Duplicate, name.at, texts, (*earlier, "the first one".to_owned()));
        } else {
            first.insert(name.value.trim(), name.at);
        }
    }
}

fn user(raw: &RawUser, sink: &mut Sink) -> Option<User> {
    let name = raw.name.as_ref()?;
    let fits = name.value.trim().chars().count() <= LONGEST_NAME && !name.value.chars().any(char::is_control);
    if !fits {
        let message = format!("{} is no name of a person", quoted(&name.value));
        sink.report(Code::Word, name.at, message, "1 to 60 characters without line breaks are accepted");
    }
    let is_hash = raw.passphrase.as_ref().is_none_or(|hash| hash.value.starts_with(HASH_BEGINS));
    if let Some(wrong) = raw.passphrase.as_ref().filter(|_| !is_hash) {
        let message = "`passphrase` is no hash: what people type is never kept".to_owned();
        let hint = format!("take it out, then `setward user FOLDER passphrase \"{}\"`", name.value);
        sink.report(Code::Word, wrong.at, message, hint);
    }
    (fits && is_hash).then_some(())?;
    Some(User {
        name: name.value.trim().to_owned(),
        role: raw.role.as_ref()?.value,
        passphrase: raw.passphrase.as_ref().map(|hash| hash.value.clone()),
        os_user: raw.os_user.as_ref().map(|name| name.value.trim().to_owned()),
        disabled: raw.disabled.as_ref().is_some_and(|disabled| disabled.value),
    })
}
