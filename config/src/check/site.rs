//! The site: where the controllers and the page are, and whether all this is a simulator.

use super::{LineNames, access, history};
use crate::line::{Access, HistorySettings};
use crate::problem::{At, Code, Span, quoted};
use crate::raw::line::RawLine;
use crate::raw::site::{RawEndpoint, RawSite};
use crate::reader::Sink;
use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Component, Path, PathBuf};

/// Where a controller answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Endpoint {
    /// `host:port`.
    pub(crate) address: String,
    /// Modbus unit id.
    pub(crate) unit_id: u8,
    /// What it must say of itself.
    pub(crate) identity: Option<String>,
}

/// A checked site file.
pub(crate) struct Site {
    pub(crate) simulated: Option<bool>,
    pub(crate) data_dir: PathBuf,
    pub(crate) page_address: Option<SocketAddr>,
    pub(crate) access: Access,
    pub(crate) history: HistorySettings,
    /// One a controller, in the order of the line file.
    pub(crate) endpoints: Vec<Option<Endpoint>>,
}

/// Where the store is if the file does not say.
const DATA_DIR: &str = ".setward";

/// Longest name of one folder, bytes.
const LONGEST_NAME: usize = 255;

/// Where the page listens if the file does not say.
const HERE: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8470);

/// Checks the site file against the controllers of the line.
pub(crate) fn check(raw: &RawSite, line: &RawLine, names: &LineNames<'_>, sink: &mut Sink) -> Site {
    let page_address = page_address(raw);
    let access = access::check(raw, page_address.ok(), sink);
    let page_address = listens_safely(page_address, &access, raw, sink);
    Site {
        access,
        simulated: raw.simulated.as_ref().map(|simulated| simulated.value),
        data_dir: data_dir(raw, sink),
        page_address,
        history: history::check(raw, sink),
        endpoints: endpoints(raw, line, names, sink),
    }
}

/// A folder of its own, beside the files of the line.
pub(crate) fn data_dir(raw: &RawSite, sink: &mut Sink) -> PathBuf {
    let Some(written) = &raw.data_dir else { return PathBuf::from(DATA_DIR) };
    let path = Path::new(&written.value);
    let mut parts = path.components().filter(|part| !matches!(part, Component::CurDir));
    let first = parts.next();
    let is_own_file = first.is_none_or(|part| {
        let own = ["line.toml", "alarms.toml", "site.toml", "recipes"];
        own.iter().any(|name| part.as_os_str() == *name)
    });
    let is_long = path.components().any(|part| part.as_os_str().len() > LONGEST_NAME);
    let found = if written.value.contains(char::is_control) {
        "holds a character that no path can have"
    } else if is_own_file {
        "is where the files of the line are"
    } else if !matches!(path.components().next_back(), Some(Component::Normal(_))) {
        "is no folder of its own: other things are there"
    } else if is_long {
        "holds a name that is longer than 255 bytes"
    } else {
        return path.to_path_buf();
    };
    let message = format!("{} {found}", quoted(&written.value));
    sink.report(Code::Address, written.at, message, "name a folder of its own, such as \".setward\"");
    PathBuf::from(DATA_DIR)
}

/// Where the page listens; the text instead if it is no address.
fn page_address(raw: &RawSite) -> Result<SocketAddr, &At<String>> {
    raw.page.as_ref().map_or(Ok(HERE), |written| written.value.parse().map_err(|_| written))
}

/// The address, unless others could reach a page there that nothing protects.
fn listens_safely(
    address: Result<SocketAddr, &At<String>>,
    access: &Access,
    raw: &RawSite,
    sink: &mut Sink,
) -> Option<SocketAddr> {
    let address = match address {
        Ok(address) => address,
        Err(written) => {
            let message = format!("{} is no address of the page", quoted(&written.value));
            let hint = format!("write address and port as numbers: \"{HERE}\"");
            sink.report(Code::Address, written.at, message, hint);
            return None;
        }
    };
    // Whether somebody can sign in stands in another file, which need not be there yet: the start looks at that.
    let is_bare = !address.ip().is_loopback() && (access.users.is_none() || raw.tls.is_none());
    if let Some(written) = raw.page.as_ref().filter(|_| is_bare) {
        let message = format!(
            "the page would listen on {}, where other machines can reach it, without users or encryption",
            address.ip()
        );
        let hint = format!(
            "add `users = \"users.toml\"` and a [tls] table, or listen on this machine only: \"127.0.0.1:{}\"",
            address.port()
        );
        sink.report(Code::Address, written.at, message, hint);
        return None;
    }
    Some(address)
}

fn endpoints(raw: &RawSite, line: &RawLine, names: &LineNames<'_>, sink: &mut Sink) -> Vec<Option<Endpoint>> {
    let mut found: Vec<Option<(Endpoint, Span)>> = vec![None; line.controllers.len()];
    let claimed: BTreeSet<&str> =
        raw.endpoints.iter().filter_map(|one| Some(one.controller.as_ref()?.value.as_str())).collect();
    for one in &raw.endpoints {
        let index = one.controller.as_ref().and_then(|name| names.controllers.find(name, sink));
        let endpoint = endpoint(one, sink);
        let Some(index) = index else { continue };
        let Some(slot) = found.get_mut(index) else { continue };
        match slot {
            Some((_, first)) => twice(one, *first, sink),
            None => *slot = endpoint.map(|endpoint| (endpoint, one.at)),
        }
    }
    for name in line.controllers.iter().filter_map(|one| one.name.as_ref()) {
        if !claimed.contains(name.value.as_str()) {
            let message = format!("controller {} has no endpoint in site.toml", quoted(&name.value));
            let hint = format!(
                "add there: [[endpoint]] with `controller = \"{}\"` and `address = \"127.0.0.1:502\"`",
                name.value
            );
            sink.report(Code::Address, name.at, message, hint);
        }
    }
    distinct(&found, sink);
    alone(&raw.endpoints, sink);
    found.into_iter().map(|one| one.map(|(endpoint, _)| endpoint)).collect()
}

fn twice(one: &RawEndpoint, first: Span, sink: &mut Sink) {
    let Some(name) = &one.controller else { return };
    let texts = (
        format!("controller {} has two endpoints", quoted(&name.value)),
        "take one of the two out: a controller answers at one address".to_owned(),
    );
    sink.report_pair(Code::Duplicate, name.at, texts, (first, "the first one".to_owned()));
}

fn endpoint(raw: &RawEndpoint, sink: &mut Sink) -> Option<Endpoint> {
    let address = raw.address.as_ref()?;
    if !is_host_and_port(&address.value) {
        let message = format!("{} is no address of a controller", quoted(&address.value));
        sink.report(Code::Address, address.at, message, "write host and port, such as \"192.168.10.21:502\"");
        return None;
    }
    let unit_id = raw.unit_id.as_ref().map_or(Some(1), |unit| u8::try_from(unit.value).ok())?;
    let identity = raw.identity.as_ref().map(|text| text.value.clone());
    Some(Endpoint { address: same_address(&address.value), unit_id, identity })
}

/// One spelling for each address: names in small letters, numbers as numbers. Two spellings of one place are one place.
fn same_address(text: &str) -> String {
    if let Ok(address) = text.parse::<SocketAddr>() {
        return address.to_string();
    }
    match text.rsplit_once(':').map(|(host, port)| (host, port.parse::<u16>())) {
        Some((host, Ok(port))) => format!("{}:{port}", host.to_ascii_lowercase()),
        Some((_, Err(_))) | None => text.to_owned(),
    }
}

/// Host and port: a name or an address, IPv6 in brackets, and a port that is not 0.
pub(crate) fn is_host_and_port(text: &str) -> bool {
    if let Ok(address) = text.parse::<SocketAddr>() {
        return address.port() != 0;
    }
    let Some((host, port)) = text.rsplit_once(':') else { return false };
    let is_name = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '-' | '_' | '.');
    // A name of digits and points only is an address that did not parse.
    let is_numeric = host.chars().all(|letter| letter.is_ascii_digit() || letter == '.');
    !host.is_empty()
        && host.chars().all(is_name)
        && !is_numeric
        && port.parse::<u16>().is_ok_and(|port| port != 0)
}

/// Two controllers behind one address need different unit ids.
fn distinct(found: &[Option<(Endpoint, Span)>], sink: &mut Sink) {
    let mut first: BTreeMap<(&str, u8), Span> = BTreeMap::new();
    for (endpoint, at) in found.iter().flatten() {
        let key = (endpoint.address.as_str(), endpoint.unit_id);
        if let Some(earlier) = first.get(&key) {
            let texts = (
                format!("two controllers answer at {} with unit id {}", endpoint.address, endpoint.unit_id),
                "give one of them another `address` or `unit_id`".to_owned(),
            );
            sink.report_pair(Code::Duplicate, *at, texts, (*earlier, "the first one".to_owned()));
        } else {
            first.insert(key, *at);
        }
    }
}

/// Who says what it is has its address to itself: behind a gateway a silent unit would keep the others waiting.
fn alone(endpoints: &[RawEndpoint], sink: &mut Sink) {
    for one in endpoints {
        let (Some(identity), Some(address)) = (&one.identity, &one.address) else { continue };
        let place = same_address(&address.value);
        let at_it = |other: &&RawEndpoint| {
            other.address.as_ref().is_some_and(|own| same_address(&own.value) == place)
        };
        if endpoints.iter().filter(at_it).count() > 1 {
            let message = format!(
                "`identity` is only for a controller with an address of its own; {} has several",
                quoted(&address.value)
            );
            sink.report(Code::Conflict, identity.at, message, "take it out here");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::is_host_and_port;

    #[test]
    fn host_and_port_in_every_usual_form() {
        for good in ["127.0.0.1:502", "[::1]:502", "fryer-plc:502", "plc.oven.example:15502"] {
            assert!(is_host_and_port(good), "{good}");
        }
        for bad in
            ["127.0.0.1", "127.0.0.1:0", "300.0.0.1:502", ":502", "fryer:66000", "http://fryer:502", ""]
        {
            assert!(!is_host_and_port(bad), "{bad}");
        }
    }
}
