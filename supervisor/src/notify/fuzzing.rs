//! The words of messages as a fuzzer feeds them: any names in the files, any name typed on a page, any notice.

use super::draft::{Draft, Said};
use super::mail::Mailer;
use super::message::Subject;
use super::state::{Call, Cleared, Taken};
use super::text::Words;
use crate::snapshot::LineSnapshot;
use crate::web::call::Teller;
use setward_config::line::{Line, MailTls, MailTo, Priority, Relay};
use std::collections::BTreeMap;

/// What left for a receiver.
#[derive(Debug)]
pub struct Told {
    /// The line that a phone shows.
    pub line: String,
    /// What is below it.
    pub body: String,
    /// The mail, as bytes for the relay; `None` if none could be made.
    pub mail: Option<Vec<u8>>,
}

/// Takes packets off the front of what a broker sends, as long as there are any.
pub fn broker_says(bytes: &[u8]) {
    let mut bytes = bytes::BytesMut::from(bytes);
    let mut before = bytes.len() + 1;
    while let Ok(Some(_packet)) = super::mqtt::wire::parsed(&mut bytes) {
        assert!(bytes.len() < before, "a packet that takes no bytes");
        before = bytes.len();
    }
}

/// What is said of alarm `alarm` of the line when `by` acknowledged it, in the way that `kind` picks.
#[must_use]
pub fn told(line: &Line, snapshot: &LineSnapshot, alarm: usize, kind: u8, by: &str) -> Told {
    let alarm = line.alarms.get(alarm % line.alarms.len().max(1)).map(|alarm| alarm.id.clone());
    let subjects = [
        Subject::Alarm,
        Subject::Reminder,
        Subject::Over,
        Subject::Digest,
        Subject::Trouble,
        Subject::Alive,
        Subject::Test,
    ];
    let subject = subjects.get(usize::from(kind) % subjects.len()).copied().unwrap_or(Subject::Alarm);
    let one = said(alarm.unwrap_or_default(), subject, snapshot, by);
    let said = match subject {
        Subject::Digest => vec![one.clone(), Said { call: None, ..one }],
        Subject::Trouble => vec![Said { call: None, ..one }],
        Subject::Alarm | Subject::Reminder | Subject::Over | Subject::Alive | Subject::Test => vec![one],
    };
    let teller = Teller::new(line, snapshot, snapshot.utc);
    let draft = Draft { key: by.chars().take(40).collect(), subject, said };
    let message = Words { line, teller: &teller, now: snapshot.utc }.message(&draft);
    let mail = Mailer::new(receiver()).mail(&message, "technician@plant.example").ok();
    Told { line: message.line, body: message.body, mail: mail.map(|mail| mail.formatted()) }
}

fn said(alarm: String, subject: Subject, snapshot: &LineSnapshot, by: &str) -> Said {
    let is_over = subject == Subject::Over;
    let call = Call {
        id: "7-1".to_owned(),
        alarm,
        occurrence: 1,
        raised: snapshot.utc.0,
        since_ms: 0,
        taken: (!by.is_empty()).then(|| Taken { how: "acknowledged".to_owned(), by: Some(by.to_owned()) }),
        cleared: is_over.then_some(Cleared { run: 7, sequence: 2, utc: snapshot.utc.0 }),
        muted: false,
        superseded: false,
        told: BTreeMap::new(),
    };
    Said {
        key: "7-1".to_owned(),
        subject,
        call: Some(call),
        waited_ms: 60_000,
        notice: Some(by.to_owned()),
        part: None,
        priority: Priority::High,
    }
}

fn receiver() -> MailTo {
    let relay =
        Relay { host: "mail.plant.example".to_owned(), port: 587, tls: MailTls::None, login: None, ca: None };
    MailTo { relay, from: "setward@plant.example".to_owned(), to: Vec::new() }
}
