//! How long history is kept, and the servers it is sent to.

use super::LineNames;
use super::names::well_formed;
use crate::line::{HistorySettings, Server};
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::show_time;
use crate::raw::site::{RawHistory, RawServer, RawSite};
use crate::reader::Sink;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

/// Most servers: each has a task and a queue of its own.
const SERVERS_MAX: usize = 8;
/// How long a server may lack something before its alarm raises, if the file does not say; the least and the most it may say.
const BEHIND: Duration = Duration::from_secs(15 * 60);
const BEHIND_RANGE: (Duration, Duration) = (Duration::from_secs(60), Duration::from_secs(30 * 86_400));
const EXAMPLE: &str = "\"http://127.0.0.1:8428\"";

/// Checks both.
pub(crate) fn check(raw: &RawSite, sink: &mut Sink) -> HistorySettings {
    let kept = raw.history.as_ref().map_or_else(HistorySettings::default, keep);
    HistorySettings { servers: servers(&raw.servers, sink), ..kept }
}

fn keep(raw: &RawHistory) -> HistorySettings {
    let usual = HistorySettings::default();
    let whole = |written: &Option<At<i64>>, unit: u64, usual: u64| {
        let value = written.as_ref().and_then(|written| u64::try_from(written.value).ok());
        value.map_or(usual, |value| value.saturating_mul(unit))
    };
    let days = |written: &Option<At<i64>>, usual: u32| {
        written.as_ref().and_then(|written| u32::try_from(written.value).ok()).unwrap_or(usual)
    };
    HistorySettings {
        readings_days: days(&raw.readings_days, usual.readings_days),
        minutes_days: days(&raw.minutes_days, usual.minutes_days),
        hours_days: days(&raw.hours_days, usual.hours_days),
        most_bytes: whole(&raw.most_gigabytes, 1_000_000_000, usual.most_bytes),
        free_bytes: whole(&raw.free_megabytes, 1_000_000, usual.free_bytes),
        servers: Vec::new(),
    }
}

fn servers(raw: &[RawServer], sink: &mut Sink) -> Vec<Server> {
    let mut first: BTreeMap<&str, Span> = BTreeMap::new();
    for name in raw.iter().filter_map(|one| one.name.as_ref()) {
        if let Some(earlier) = first.get(name.value.as_str()) {
            let texts = (
                format!("there are two servers called {}", quoted(&name.value)),
                "give one of them another name".to_owned(),
            );
            sink.report_pair(Code::Duplicate, name.at, texts, (*earlier, "the first one".to_owned()));
        } else {
            first.insert(&name.value, name.at);
        }
    }
    if let Some(one) = raw.get(SERVERS_MAX) {
        let message = format!("there are {} servers; this version holds {SERVERS_MAX}", raw.len());
        sink.report(Code::Capacity, one.at, message, "let one server hand history on to the others");
    }
    raw.iter().filter_map(|one| server(one, sink)).collect()
}

fn server(raw: &RawServer, sink: &mut Sink) -> Option<Server> {
    let url = raw.url.as_ref().filter(|url| is_server(url, sink));
    if let Some(url) = url {
        warn_of_open_token(raw, url, sink);
        fits(raw, url, sink);
    }
    if let Some(name) = &raw.name {
        well_formed("server", name, sink);
    }
    let text = |written: &Option<At<String>>| written.as_ref().map(|text| text.value.clone());
    Some(Server {
        name: text(&raw.name)?,
        url: url?.value.trim_end_matches('/').to_owned(),
        org: text(&raw.org).unwrap_or_default(),
        bucket: text(&raw.bucket)?,
        token_file: text(&raw.token_file).map(PathBuf::from),
        ca: text(&raw.ca).map(PathBuf::from),
        behind_most: behind_most(raw, sink)?,
        send: raw.send.as_ref().map(|tags| tags.value.iter().map(|tag| tag.value.clone()).collect()),
    })
}

fn behind_most(raw: &RawServer, sink: &mut Sink) -> Option<Duration> {
    let Some(written) = &raw.behind_most else { return Some(BEHIND) };
    let (least, most) = BEHIND_RANGE;
    let is_fit = (least..=most).contains(&written.value);
    if !is_fit {
        let message = format!("`behind_most` is {}", show_time(written.value));
        sink.report(Code::OutOfBounds, written.at, message, "accepted is \"1 min\" to \"30 d\"");
    }
    is_fit.then_some(written.value)
}

/// Scheme, host and port, and nothing else: the write call's path is the same on every server.
fn is_server(url: &At<String>, sink: &mut Sink) -> bool {
    let host = host_of(&url.value);
    let is_host = |letter: char| letter.is_ascii_alphanumeric() || "-_.:[]".contains(letter);
    let is_sound = host.is_some_and(|host| {
        let port = host.rsplit_once(':').map(|(_, port)| port).filter(|port| !port.ends_with(']'));
        !host.is_empty()
            && !host.starts_with(':')
            && host.chars().all(is_host)
            && port.is_none_or(|port| port.parse::<u16>().is_ok_and(|port| port != 0))
    });
    if !is_sound {
        let message = format!("{} is no address of a server", quoted(&url.value));
        let hint = format!("write scheme, host and port, without a path: {EXAMPLE}");
        sink.report(Code::Address, url.at, message, hint);
    }
    is_sound
}

/// What stands behind the scheme of an address of the Web.
fn host_of(url: &str) -> Option<&str> {
    let rest = url.strip_prefix("http://").or_else(|| url.strip_prefix("https://"))?;
    Some(rest.strip_suffix('/').unwrap_or(rest))
}

/// A token that crosses the network for everyone to read.
fn warn_of_open_token(raw: &RawServer, url: &At<String>, sink: &mut Sink) {
    let own = ["127.", "localhost", "[::1]"];
    let is_open =
        url.value.strip_prefix("http://").is_some_and(|host| !own.iter().any(|own| host.starts_with(own)));
    if is_open && raw.token_file.is_some() {
        let message = format!("the token goes to {} for everyone on the way to read", quoted(&url.value));
        sink.report(Code::SecondLook, url.at, message, "use https:// where the server offers it");
    }
}

/// Certificates where nothing is encrypted.
fn fits(raw: &RawServer, url: &At<String>, sink: &mut Sink) {
    if let Some(ca) = raw.ca.as_ref().filter(|_| url.value.starts_with("http://")) {
        let message = format!("{} is not encrypted: `ca` has nothing to say there", quoted(&url.value));
        let hint = "use https:// where the server offers it, or leave `ca` out";
        sink.report(Code::Conflict, ca.at, message, hint);
    }
}

/// Signals to be sent that the line does not have.
pub(crate) fn known_signals(raw: &RawSite, names: &LineNames<'_>, sink: &mut Sink) {
    for tags in raw.servers.iter().filter_map(|one| one.send.as_ref()) {
        for tag in &tags.value {
            names.signals.find(tag, sink);
        }
    }
}
