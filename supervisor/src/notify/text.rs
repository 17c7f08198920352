//! Drafts in words: the line that a phone shows, the body below it, and what of it is for programs.

use super::draft::{Draft, Said};
use super::message::{Item, Message, Subject, fitted, plain};
use super::state::Call;
use crate::snapshot::AlarmView;
use crate::web::call::{self, CallWords, Teller, counted};
use setward_alarm::AlarmState;
use setward_config::line::Line;
use setward_protocol::UtcMillis;

/// Things of a digest that its body lists; the rest is counted.
const LISTED_MAX: usize = 40;

const CAUTION: &str = "Setward only watches: it is no safety function, and neither is this message. Local rules and licensed practice \
                       come first; lock out and verify before you reach in.";

/// What messages are made from.
#[derive(Debug)]
pub(super) struct Words<'a> {
    pub(super) line: &'a Line,
    pub(super) teller: &'a Teller<'a>,
    pub(super) now: UtcMillis,
}

impl Words<'_> {
    /// The message of a draft.
    pub(super) fn message(&self, draft: &Draft) -> Message {
        let items: Vec<Item> = draft.said.iter().map(|said| self.item(said)).collect();
        let (line, body) = match (draft.subject, draft.said.as_slice()) {
            (Subject::Digest, said) => self.digest(said, &items),
            (Subject::Alive, _) => self.alive(),
            (_, [said]) => self.one(said, items.first()),
            (_, _) => (self.fitted(vec!["Setward".to_owned()]), Vec::new()),
        };
        let body = body_of(self.line, &line, &body, &self.teller.clock(self.now));
        Message { key: draft.key.clone(), subject: draft.subject, made: self.now.0, line, body, items }
    }

    fn fitted(&self, parts: Vec<String>) -> String {
        marked(self.line, parts)
    }

    fn item(&self, said: &Said) -> Item {
        let call = said.call.as_ref();
        let priority = call.and_then(|call| self.line.alarm_by_id(&call.alarm));
        Item {
            key: said.key.clone(),
            subject: said.subject,
            alarm: call.map(|call| call.alarm.clone()),
            occurrence: call.map_or(0, |call| call.occurrence),
            priority: priority.map(|alarm| self.line.alarm(alarm).priority.name().to_owned()),
            raised: call.map(|call| call.raised),
            line: self.line_of(said),
        }
    }

    fn line_of(&self, said: &Said) -> String {
        let Some(call) = &said.call else {
            return self.fitted(vec![said.notice.clone().unwrap_or_default()]);
        };
        let words = self.teller.call(&call.alarm);
        let name = words.as_ref().map_or(call.alarm.as_str(), |words| words.name.as_str());
        let loud = words.as_ref().map_or("", |words| words.priority).to_uppercase();
        let place = words.as_ref().map(|words| format!("({})", words.place)).unwrap_or_default();
        let mut parts = match said.subject {
            Subject::Reminder => vec![format!("STILL {loud} {name}:")],
            Subject::Over => vec![format!("OVER {name}:")],
            Subject::Alarm | Subject::Digest | Subject::Trouble | Subject::Alive | Subject::Test => {
                vec![format!("{loud} {name}:")]
            }
        };
        if said.subject == Subject::Reminder {
            parts.push(format!("nobody has acknowledged it for {}", span(said.waited_ms)));
        }
        match (&words, call.cleared) {
            (_, Some(cleared)) => {
                parts.push(format!("raised {}", self.clock(call.raised)));
                parts.push(format!(", over {}", self.clock(cleared.utc)));
                parts.extend(taken(call).map(|taken| format!(", {taken}")));
                parts.push(place);
            }
            (Some(words), None) if words.occurrence == call.occurrence && !call.superseded => {
                parts.extend(words.parts.iter().cloned());
                parts.extend(taken(call).map(|taken| format!(", {taken}")));
            }
            (_, None) => {
                parts.push(format!("raised {}", self.clock(call.raised)));
                parts.extend(taken(call).map(|taken| format!(", {taken}")));
                parts.push(if call.superseded { ", and anew since".to_owned() } else { String::new() });
                parts.push(place);
            }
        }
        self.fitted(parts)
    }

    fn clock(&self, ms: i64) -> String {
        self.teller.clock(UtcMillis(ms))
    }

    fn one(&self, said: &Said, item: Option<&Item>) -> (String, Vec<String>) {
        let line = item.map(|item| item.line.clone()).unwrap_or_default();
        let Some(call) = &said.call else { return (line, Vec::new()) };
        let mut body = vec![format!("Raised {}.", self.clock(call.raised))];
        body.extend(taken(call).map(|taken| format!("It is {taken}.")));
        if call.is_open() {
            body.push(format!("Nobody has acknowledged it for {}.", span(said.waited_ms)));
        }
        if let Some(words) = self.teller.call(&call.alarm) {
            body.push(String::new());
            body.extend(facts(&words, call));
            if said.subject != Subject::Over {
                body.push(String::new());
                body.extend(words.response);
            }
        }
        body.extend(self.link(&format!("/alarms/{}", call.alarm)));
        (line, body)
    }

    fn digest(&self, said: &[Said], items: &[Item]) -> (String, Vec<String>) {
        let calls = said.iter().filter(|one| matches!(one.subject, Subject::Alarm | Subject::Reminder));
        let count = |name: &str| {
            let of = |item: &&Item| item.priority.as_deref() == Some(name) && item.subject != Subject::Over;
            items.iter().filter(of).count()
        };
        let open = calls.clone().filter(|one| one.call.as_ref().is_some_and(Call::is_open)).count();
        let calls = calls.count();
        let since = said.iter().filter_map(|one| Some(one.call.as_ref()?.raised)).min();
        let mut parts = vec![format!("{} on {}", counted(calls, "alarm"), self.line.name)];
        parts.extend(since.map(|since| format!("since {}", self.clock(since))));
        let by: Vec<String> = ["high", "medium", "low"]
            .iter()
            .map(|name| (count(name), name))
            .filter(|(count, _)| *count > 0)
            .map(|(count, name)| format!("{count} {name}"))
            .collect();
        parts.push(format!(": {}; {open} stand", by.join(", ")));
        let first = said.first().and_then(|one| self.teller.call(&one.call.as_ref()?.alarm));
        parts.extend(first.map(|words| format!("; first: {}", words.name)));
        let mut body = vec![
            "Several at once, or late: in one message instead of many. What goes first stands first."
                .to_owned(),
            String::new(),
        ];
        body.extend(items.iter().take(LISTED_MAX).map(|item| item.line.clone()));
        if items.len() > LISTED_MAX {
            body.push(format!("and {} more", items.len() - LISTED_MAX));
        }
        body.extend(self.link("/alarms"));
        (self.fitted(parts), body)
    }

    fn alive(&self) -> (String, Vec<String>) {
        let (standing, waiting) = self.teller.standing();
        let line = self.fitted(vec![
            format!("Setward watches {}:", self.line.name),
            format!("{} stand", counted(standing, "alarm")),
            format!(", {waiting} not acknowledged"),
        ]);
        let body = vec![
            "This message comes once a day, so that its absence is noticed: when it stays away, look at Setward.".to_owned(),
        ];
        (line, body.into_iter().chain(self.link("/")).collect())
    }

    fn link(&self, path: &str) -> Vec<String> {
        let url = self.line.notify.page_url.as_ref();
        url.map(|url| vec![String::new(), format!("{url}{path}")]).unwrap_or_default()
    }
}

/// A line of these parts; of a simulated line it says so first.
fn marked(line: &Line, mut parts: Vec<String>) -> String {
    if line.simulated {
        parts.insert(0, "SIMULATED".to_owned());
    }
    fitted(&parts)
}

fn body_of(line: &Line, first: &str, parts: &[String], clock: &str) -> String {
    let mut text = format!("{first}\n\n");
    for part in parts {
        // Leading spaces are ours: steps of a list.
        let indent = part.len() - part.trim_start_matches(' ').len();
        text.push_str(part.get(..indent).unwrap_or_default());
        text.push_str(&plain_body(part));
        text.push('\n');
    }
    text.push_str(&format!("\n{}, {}, {clock}\n{CAUTION}\n", plain(&line.plant), plain(&line.name)));
    text
}

/// An alarm as it stands, for whoever keeps its state: the words of a call while it is active, else that it is over.
pub(super) fn standing_line(line: &Line, teller: &Teller<'_>, id: &str, view: &AlarmView) -> String {
    let Some(words) = teller.call(id) else { return String::new() };
    let (name, place) = (&words.name, format!("({})", words.place));
    if view.state.is_active() {
        let mut parts = vec![format!("{} {name}:", words.priority.to_uppercase())];
        parts.extend(words.parts.iter().cloned());
        let by = view.acknowledged.as_ref().map(|(_, by)| format!(", acknowledged by {by}"));
        parts.extend(by.filter(|_| view.state == AlarmState::Acknowledged));
        return marked(line, parts);
    }
    let cleared = view.cleared.filter(|_| view.occurrence > 0);
    let parts = match cleared {
        Some(cleared) => vec![format!("OVER {name}:"), format!("over {}", teller.clock(cleared)), place],
        None => vec![format!("{name}: not active"), place],
    };
    marked(line, parts)
}

/// A message that only tries the way out.
pub(super) fn test_message(line: &Line, channel: &str, now: UtcMillis) -> Message {
    let first = marked(
        line,
        vec![
            "Setward test message".to_owned(),
            format!("to {channel} from {}", line.name),
            ": nothing is wrong".to_owned(),
        ],
    );
    let body =
        "Somebody asked for this message to see that it arrives. Nothing is wrong with the line for it."
            .to_owned();
    let body = body_of(line, &first, &[body], &call::clock(line, now));
    Message {
        key: format!("test-{}-{channel}", now.0),
        subject: Subject::Test,
        made: now.0,
        line: first,
        body,
        items: Vec::new(),
    }
}

/// The first block of the alarm's page, if it is about the same occurrence.
fn facts(words: &CallWords, call: &Call) -> Vec<String> {
    if words.occurrence == call.occurrence && !call.superseded {
        words.facts.clone()
    } else {
        vec![format!("Where: {}", words.place), "It has raised anew since; see its page.".to_owned()]
    }
}

fn taken(call: &Call) -> Option<String> {
    let taken = call.taken.as_ref()?;
    let by = taken.by.as_ref().map(|by| format!(" by {by}")).unwrap_or_default();
    Some(format!("{}{by}", taken.how))
}

fn span(ms: i64) -> String {
    call::span(ms.max(0) as f64 / 1000.0)
}

/// A line of the body: one line, with the signs that [`plain`] takes out of the short one.
fn plain_body(text: &str) -> String {
    let seen: String = text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
    seen.trim().to_owned()
}
