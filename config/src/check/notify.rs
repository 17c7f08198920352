//! Who is told of alarms: addresses, files, times of day, and whether a high alarm reaches somebody at every hour.

use super::mqtt;
use super::names::well_formed;
use super::shifts::minute;
use crate::line::{
    Channel, ChannelRules, DaySpan, MailTls, MailTo, Notify, Priority, Relay, Shift, Way, Webhook,
};
use crate::problem::{At, Code, Span, quoted};
use crate::raw::notify::{RawChannel, RawMail, RawMailTo, RawWebhook};
use crate::raw::site::RawSite;
use crate::reader::{Sink, nearest_or_all};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

/// Most ways: each has a task of its own.
const CHANNELS_MAX: usize = 16;
/// Most addresses of one `[[mail.to]]`.
const ADDRESSES_MAX: usize = 20;
/// Shortest time after which the same is said anew.
const SHORTEST_REMINDER: Duration = Duration::from_secs(60);
/// Longest time of either kind.
const LONGEST: Duration = Duration::from_secs(24 * 3600);

const PRIORITIES: [Priority; 3] = [Priority::High, Priority::Medium, Priority::Low];

/// Checks all of it. `shifts` is `None` where the line file's are wrong: they are told there.
pub(crate) fn check(raw: &RawSite, shifts: Option<&[Shift]>, sink: &mut Sink) -> Notify {
    let page_url = raw.page_url.as_ref().filter(|url| is_url(url, "page_url", sink));
    let mut channels = Vec::new();
    if let Some(mail) = &raw.mail {
        channels.extend(mails(mail, shifts, sink));
    }
    for one in &raw.webhooks {
        channels.extend(webhook(one, shifts, sink));
    }
    for one in &raw.mqtts {
        let way = mqtt::broker(one, sink).map(Way::Mqtt);
        let parts = way.zip(rules(&one.rules, shifts, sink)).zip(one.rules.name.as_ref());
        channels.extend(parts.map(|((way, rules), name)| Channel { name: name.value.clone(), way, rules }));
    }
    let all = || raw.mail.iter().flat_map(|mail| &mail.to).map(|to| &to.rules);
    let others = raw.webhooks.iter().map(|one| &one.rules).chain(raw.mqtts.iter().map(|one| &one.rules));
    let all: Vec<&RawChannel> = all().chain(others).collect();
    distinct(&all, sink);
    if let Some(one) = all.get(CHANNELS_MAX) {
        let message =
            format!("there are {} ways to tell somebody; this version holds {CHANNELS_MAX}", all.len());
        let hint = "name several addresses in one [[mail.to]], or let one webhook hand on to the others";
        sink.report(Code::Capacity, one.at, message, hint);
    }
    if let Some(first) = all.first().filter(|_| channels.len() == all.len()) {
        nobody_there(&channels, first.at, sink);
    }
    Notify { page_url: page_url.map(|url| url.value.trim_end_matches('/').to_owned()), channels }
}

fn distinct(all: &[&RawChannel], sink: &mut Sink) {
    let mut first: BTreeMap<&str, Span> = BTreeMap::new();
    for name in all.iter().filter_map(|one| one.name.as_ref()) {
        well_formed("way", name, sink);
        if let Some(earlier) = first.get(name.value.as_str()) {
            let texts = (
                format!("two ways to tell somebody are called {}", quoted(&name.value)),
                "give one of them another name".to_owned(),
            );
            sink.report_pair(Code::Duplicate, name.at, texts, (*earlier, "the first one".to_owned()));
        } else {
            first.insert(&name.value, name.at);
        }
    }
}

/// Hours at which a high alarm would wait, or reach nobody, deserve a second look.
fn nobody_there(channels: &[Channel], at: Span, sink: &mut Sink) {
    let is_told = |minute: u16| {
        channels.iter().any(|channel| {
            let rules = &channel.rules;
            let is_wanted = rules.after.is_zero() && rules.priorities.contains(&Priority::High);
            is_wanted && rules.is_on_duty(minute) && !rules.is_quiet(minute, Priority::High)
        })
    };
    let Some(minute) = (0..24 * 60).find(|minute| !is_told(*minute)) else { return };
    let message = format!(
        "an alarm of high priority at {:02}:{:02} is told to nobody at once",
        minute / 60,
        minute % 60
    );
    let hint = "give one way no `after`, the priority \"high\", every shift and no `quiet_high`";
    sink.report(Code::SecondLook, at, message, hint);
}

fn mails(raw: &RawMail, shifts: Option<&[Shift]>, sink: &mut Sink) -> Vec<Channel> {
    let relay = relay(raw, sink);
    let from = raw.from.as_ref().filter(|from| is_mail_address(from, sink));
    if raw.to.is_empty() {
        let message = "[mail] has no [[mail.to]]: nobody would be told".to_owned();
        sink.report(Code::MissingKey, raw.at, message, "add [[mail.to]] with `name` and `addresses`");
    }
    let mut channels = Vec::new();
    for one in &raw.to {
        let to = addresses(one, sink);
        let rules = rules(&one.rules, shifts, sink);
        let parts = relay.clone().zip(from).zip(to).zip(rules).zip(one.rules.name.as_ref());
        if let Some(((((relay, from), to), rules), name)) = parts {
            let way = Way::Mail(MailTo { relay, from: from.value.clone(), to });
            channels.push(Channel { name: name.value.clone(), way, rules });
        }
    }
    channels
}

fn relay(raw: &RawMail, sink: &mut Sink) -> Option<Relay> {
    let tls = raw.tls.as_ref().map_or(MailTls::StartTls, |tls| tls.value);
    if let Some(ca) = raw.ca.as_ref().filter(|_| tls == MailTls::None) {
        let message = "the way to the mail relay is not encrypted: `ca` has nothing to say there".to_owned();
        sink.report(Code::Conflict, ca.at, message, "write `tls = \"starttls\"`, or leave `ca` out");
    }
    let login = login(raw, tls, sink);
    let server = raw.server.as_ref()?;
    let parts = server.value.rsplit_once(':').and_then(|(host, port)| {
        let port = port.parse::<u16>().ok().filter(|port| *port != 0)?;
        super::site::is_host_and_port(&server.value).then(|| (host.trim_matches(['[', ']']).to_owned(), port))
    });
    let Some((host, port)) = parts else {
        let message = format!("{} is no address of a mail relay", quoted(&server.value));
        sink.report(
            Code::Address,
            server.at,
            message,
            "write host and port, such as \"mail.plant.example:587\"",
        );
        return None;
    };
    Some(Relay { host, port, tls, login, ca: raw.ca.as_ref().map(|ca| PathBuf::from(&ca.value)) })
}

/// Both or neither; and in the open only on this machine.
fn login(raw: &RawMail, tls: MailTls, sink: &mut Sink) -> Option<(String, PathBuf)> {
    match (&raw.user, &raw.password_file) {
        (Some(user), None) => {
            let message = "`user` has no `password_file`".to_owned();
            sink.report(
                Code::MissingKey,
                user.at,
                message,
                "add `password_file = \"mail-password\"`, or take `user` out",
            );
        }
        (None, Some(file)) => {
            let message = "`password_file` has no `user`".to_owned();
            sink.report(
                Code::MissingKey,
                file.at,
                message,
                "add `user = \"setward\"`, or take `password_file` out",
            );
        }
        (Some(user), Some(file)) => {
            let is_here = raw.server.as_ref().is_some_and(|server| is_this_machine(&server.value));
            if tls == MailTls::None && !is_here {
                let message =
                    "the password goes to the mail relay for everyone on the way to read".to_owned();
                sink.report(
                    Code::SecondLook,
                    user.at,
                    message,
                    "use `tls = \"starttls\"` or \"tls\" where the relay offers it",
                );
            }
            return Some((user.value.clone(), PathBuf::from(&file.value)));
        }
        (None, None) => {}
    }
    None
}

fn addresses(raw: &RawMailTo, sink: &mut Sink) -> Option<Vec<String>> {
    let list = raw.addresses.as_ref()?;
    if list.value.is_empty() || list.value.len() > ADDRESSES_MAX {
        let message =
            format!("`addresses` has {} of them; 1 to {ADDRESSES_MAX} are accepted", list.value.len());
        sink.report(
            Code::OutOfBounds,
            list.at,
            message,
            "write for example `addresses = [\"technician@plant.example\"]`",
        );
        return None;
    }
    let sound = list.value.iter().filter(|one| is_mail_address(one, sink)).count();
    (sound == list.value.len()).then(|| list.value.iter().map(|one| one.value.clone()).collect())
}

/// One address and nothing else: what stands here goes into the head of a mail.
fn is_mail_address(text: &At<String>, sink: &mut Sink) -> bool {
    let is_local = |letter: char| letter.is_ascii_alphanumeric() || "!#$%&'*+-/=?^_`{|}~.".contains(letter);
    let is_host = |letter: char| letter.is_ascii_alphanumeric() || "-.".contains(letter);
    let has_parts = |part: &str| part.split('.').all(|piece| !piece.is_empty());
    let is_sound = text.value.rsplit_once('@').is_some_and(|(local, host)| {
        let lengths = local.len() <= 64 && host.len() <= 250;
        let letters = local.chars().all(is_local) && host.chars().all(is_host);
        lengths
            && letters
            && has_parts(local)
            && host
                .split('.')
                .all(|piece| !piece.is_empty() && !piece.starts_with('-') && !piece.ends_with('-'))
    });
    if !is_sound {
        let message = format!("{} is no mail address", quoted(&text.value));
        sink.report(
            Code::Address,
            text.at,
            message,
            "write one plain address, such as \"technician@plant.example\"",
        );
    }
    is_sound
}

fn webhook(raw: &RawWebhook, shifts: Option<&[Shift]>, sink: &mut Sink) -> Option<Channel> {
    let url = raw.url.as_ref().filter(|url| is_url(url, "url", sink));
    if let Some(url) = url {
        let is_open = url.value.strip_prefix("http://").is_some_and(|host| !is_this_machine(host));
        if is_open {
            let message = format!("alarms go to {} for everyone on the way to read", quoted(&url.value));
            sink.report(Code::SecondLook, url.at, message, "use https:// where the receiver offers it");
        }
        if let Some(ca) = raw.ca.as_ref().filter(|_| url.value.starts_with("http://")) {
            let message = format!("{} is not encrypted: `ca` has nothing to say there", quoted(&url.value));
            sink.report(
                Code::Conflict,
                ca.at,
                message,
                "use https:// where the receiver offers it, or leave `ca` out",
            );
        }
    }
    let rules = rules(&raw.rules, shifts, sink);
    let way = Way::Webhook(Webhook {
        url: url?.value.clone(),
        secret_file: PathBuf::from(&raw.secret_file.as_ref()?.value),
        ca: raw.ca.as_ref().map(|ca| PathBuf::from(&ca.value)),
    });
    Some(Channel { name: raw.rules.name.as_ref()?.value.clone(), way, rules: rules? })
}

pub(crate) fn is_this_machine(host: &str) -> bool {
    ["127.", "localhost:", "localhost/", "[::1]"].iter().any(|own| host.starts_with(own))
        || host == "localhost"
}

/// Scheme, host, perhaps a port and a path; no password in it, and nothing that is no letter of an address.
fn is_url(url: &At<String>, key: &str, sink: &mut Sink) -> bool {
    let rest = url.value.strip_prefix("http://").or_else(|| url.value.strip_prefix("https://"));
    let is_sound = rest.is_some_and(|rest| {
        let (host, path) = rest.split_once('/').unwrap_or((rest, ""));
        let is_host = |letter: char| letter.is_ascii_alphanumeric() || "-_.:[]".contains(letter);
        let is_path = |letter: char| letter.is_ascii_alphanumeric() || "-_.~/%?&=+:,;!*()".contains(letter);
        let port = host.rsplit_once(':').map(|(_, port)| port).filter(|port| !port.ends_with(']'));
        let is_port = port.is_none_or(|port| port.parse::<u16>().is_ok_and(|port| port != 0));
        !host.is_empty()
            && !host.starts_with(':')
            && is_port
            && host.chars().all(is_host)
            && path.chars().all(is_path)
    });
    if !is_sound {
        let message = format!("`{key}` can't be {}", quoted(&url.value));
        let hint = format!(
            "write scheme, host and perhaps port and path: `{key} = \"https://127.0.0.1:8600/alarms\"`"
        );
        sink.report(Code::Address, url.at, message, hint);
    }
    is_sound
}

/// What all ways have; `None` if a part of it is wrong.
fn rules(raw: &RawChannel, shifts: Option<&[Shift]>, sink: &mut Sink) -> Option<ChannelRules> {
    let priorities = priorities(raw, sink);
    let on_duty = on_duty(raw, shifts, sink);
    let quiet = match &raw.quiet {
        Some(written) => quiet(written, sink).map(Some),
        None => Some(None),
    };
    if let Some(flag) = raw.quiet_high.as_ref().filter(|flag| flag.value && raw.quiet.is_none()) {
        let message = "`quiet_high` has no `quiet` to go with".to_owned();
        sink.report(
            Code::Conflict,
            flag.at,
            message,
            "add `quiet = [\"22:00\", \"06:00\"]`, or take `quiet_high` out",
        );
    }
    let alive_at = match &raw.alive_at {
        Some(written) => minute(written, sink).map(Some),
        None => Some(None),
    };
    let after = span(raw.after.as_ref(), "after", Duration::ZERO, sink);
    let remind_every = span(raw.remind_every.as_ref(), "remind_every", SHORTEST_REMINDER, sink);
    Some(ChannelRules {
        priorities: priorities?,
        on_duty: on_duty?,
        quiet: quiet?,
        quiet_high: raw.quiet_high.as_ref().is_some_and(|flag| flag.value),
        after: after?.unwrap_or_default(),
        remind_every: remind_every?,
        returns: raw.returns.as_ref().is_none_or(|flag| flag.value),
        alive_at: alive_at?,
    })
}

fn span(
    written: Option<&At<Duration>>,
    key: &str,
    least: Duration,
    sink: &mut Sink,
) -> Option<Option<Duration>> {
    let Some(written) = written else { return Some(None) };
    if (least..=LONGEST).contains(&written.value) {
        return Some(Some(written.value));
    }
    let message =
        format!("`{key}` is {} s; {} s to 24 h is accepted", written.value.as_secs_f64(), least.as_secs());
    sink.report(Code::OutOfBounds, written.at, message, format!("write for example `{key} = \"15 min\"`"));
    None
}

fn priorities(raw: &RawChannel, sink: &mut Sink) -> Option<Vec<Priority>> {
    let Some(list) = &raw.priorities else { return Some(PRIORITIES.to_vec()) };
    let names = PRIORITIES.map(Priority::name);
    let mut found = Vec::new();
    for one in &list.value {
        match PRIORITIES.iter().find(|priority| priority.name() == one.value) {
            Some(priority) => found.push(*priority),
            None => {
                let message = format!("there is no priority {}", quoted(&one.value));
                sink.report(Code::Word, one.at, message, nearest_or_all(&one.value, &names));
            }
        }
    }
    if list.value.is_empty() {
        let message = "`priorities` is empty: nothing would be told".to_owned();
        sink.report(
            Code::Word,
            list.at,
            message,
            "write `priorities = [\"high\"]`, or take the whole way out",
        );
    }
    (!found.is_empty() && found.len() == list.value.len()).then_some(found)
}

/// The stretches of the day that belong to the named shifts.
fn on_duty(raw: &RawChannel, shifts: Option<&[Shift]>, sink: &mut Sink) -> Option<Vec<DaySpan>> {
    let Some(list) = &raw.shifts else { return Some(Vec::new()) };
    let shifts = shifts?;
    if list.value.is_empty() {
        let message = "`shifts` is empty: nobody would ever be told".to_owned();
        sink.report(Code::Word, list.at, message, "name a shift, or leave `shifts` out: always");
        return None;
    }
    let names: Vec<&str> = shifts.iter().map(|shift| shift.name.as_str()).collect();
    let mut spans = Vec::new();
    for wanted in &list.value {
        let Some(index) = names.iter().position(|name| *name == wanted.value) else {
            let message = format!("there is no shift called {}", quoted(&wanted.value));
            let hint = if names.is_empty() {
                "line.toml has no [[shift]]: add them there, or leave `shifts` out".to_owned()
            } else {
                nearest_or_all(&wanted.value, &names)
            };
            sink.report(Code::UnknownName, wanted.at, message, hint);
            continue;
        };
        let next = shifts.get(index + 1).or(shifts.first());
        spans.extend(
            shifts
                .get(index)
                .zip(next)
                .map(|(one, next)| DaySpan { from: one.from_minute, to: next.from_minute }),
        );
    }
    (spans.len() == list.value.len()).then_some(spans)
}

fn quiet(written: &At<Vec<At<String>>>, sink: &mut Sink) -> Option<DaySpan> {
    let [from, to] = written.value.as_slice() else {
        let message = format!("`quiet` has {} times; it is from when to when", written.value.len());
        sink.report(
            Code::OutOfBounds,
            written.at,
            message,
            "write for example `quiet = [\"22:00\", \"06:00\"]`",
        );
        return None;
    };
    let (from, to) = (minute(from, sink), minute(to, sink));
    Some(DaySpan { from: from?, to: to? })
}
