//! A broker: its address, what its topics begin with, and who may read on the way.

use super::notify::is_this_machine;
use crate::line::{Broker, BrokerTls};
use crate::problem::{At, Code, quoted};
use crate::raw::notify::RawMqtt;
use crate::reader::Sink;
use std::path::PathBuf;

/// Longest beginning of a topic, bytes: room for an alarm's id behind it.
const TOPIC_MAX: usize = 200;

pub(crate) fn broker(raw: &RawMqtt, sink: &mut Sink) -> Option<Broker> {
    let encrypted = raw.tls.as_ref().is_none_or(|tls| tls.value);
    let is_here = raw.server.as_ref().is_some_and(|server| is_this_machine(&server.value));
    let tls = match &raw.ca {
        Some(ca) if !encrypted => {
            let message = "the way to the broker is not encrypted: `ca` has nothing to say there".to_owned();
            sink.report(Code::Conflict, ca.at, message, "write `tls = true`, or leave `ca` out");
            BrokerTls::None
        }
        Some(ca) => BrokerTls::Plant(PathBuf::from(&ca.value)),
        None if encrypted => BrokerTls::Web,
        None => BrokerTls::None,
    };
    if let Some(tls) = raw.tls.as_ref().filter(|tls| !tls.value && !is_here && raw.server.is_some()) {
        let message =
            "alarms, and the password if there is one, go to the broker for everyone on the way to read";
        let hint = "use `tls = true` where the broker offers it, usually on port 8883";
        sink.report(Code::SecondLook, tls.at, message.to_owned(), hint);
    }
    let login = login(raw, sink);
    let address = raw.server.as_ref().and_then(|server| address(server, sink));
    let topic = raw.topic.as_ref().filter(|topic| is_topic(topic, sink));
    let (host, port) = address?;
    Some(Broker { host, port, topic: topic?.value.clone(), tls, login: login? })
}

fn address(server: &At<String>, sink: &mut Sink) -> Option<(String, u16)> {
    let parts = server.value.rsplit_once(':').and_then(|(host, port)| {
        let port = port.parse::<u16>().ok().filter(|port| *port != 0)?;
        super::site::is_host_and_port(&server.value).then(|| (host.trim_matches(['[', ']']).to_owned(), port))
    });
    if parts.is_none() {
        let message = format!("{} is no address of a broker", quoted(&server.value));
        let hint = "write host and port, such as \"broker.plant.example:8883\"";
        sink.report(Code::Address, server.at, message, hint);
    }
    parts
}

/// Letters that no broker and no listener takes for anything but themselves.
fn is_topic(topic: &At<String>, sink: &mut Sink) -> bool {
    let text = topic.value.as_str();
    let is_letter = |letter: char| letter.is_ascii_alphanumeric() || "-_.".contains(letter);
    let is_sound = text.len() <= TOPIC_MAX
        && text.split('/').all(|level| !level.is_empty() && level.chars().all(is_letter));
    if !is_sound {
        let message = format!("topics can't begin with {}", quoted(text));
        let hint = "write levels of letters a-z and A-Z, digits, `-`, `_` and `.` with `/` between them, such as `topic = \"plant/line-2\"`";
        sink.report(Code::Word, topic.at, message, hint);
    }
    is_sound
}

/// Both or neither; `None` if one is missing.
fn login(raw: &RawMqtt, sink: &mut Sink) -> Option<Option<(String, PathBuf)>> {
    match (&raw.user, &raw.password_file) {
        (Some(user), None) => {
            let hint = "add `password_file = \"mqtt-password\"`, or take `user` out";
            sink.report(Code::MissingKey, user.at, "`user` has no `password_file`".to_owned(), hint);
            None
        }
        (None, Some(file)) => {
            let hint = "add `user = \"setward\"`, or take `password_file` out";
            sink.report(Code::MissingKey, file.at, "`password_file` has no `user`".to_owned(), hint);
            None
        }
        (Some(user), Some(file)) => Some(Some((user.value.clone(), PathBuf::from(&file.value)))),
        (None, None) => Some(None),
    }
}
