//! Messages made for tests of their words.

use super::draft::{Draft, Said};
use super::message::{Message, Subject};
use super::state::{Call, Cleared, Taken};
use super::text::Words;
use crate::snapshot::LineSnapshot;
use crate::web::call::Teller;
use setward_config::line::{Line, Priority};
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;

/// A call as a test wants it told.
#[derive(Clone, Copy)]
pub(crate) struct Told<'a> {
    pub(crate) alarm: &'a str,
    pub(crate) occurrence: u32,
    pub(crate) subject: Subject,
    pub(crate) raised: UtcMillis,
    pub(crate) waited_s: i64,
    pub(crate) cleared: Option<UtcMillis>,
    pub(crate) by: Option<&'a str>,
}

impl Told<'_> {
    fn said(self) -> Said {
        let cleared = self.cleared.map(|utc| Cleared { run: 7, sequence: 2, utc: utc.0 });
        let taken = self.by.map(|by| Taken { how: "acknowledged".to_owned(), by: Some(by.to_owned()) });
        let call = Call {
            id: "7-1".to_owned(),
            alarm: self.alarm.to_owned(),
            occurrence: self.occurrence,
            raised: self.raised.0,
            since_ms: 0,
            taken,
            cleared,
            muted: false,
            superseded: false,
            told: BTreeMap::new(),
        };
        let key = format!("7-1-{}", self.alarm);
        Said {
            key,
            subject: self.subject,
            call: Some(call),
            waited_ms: self.waited_s * 1000,
            notice: None,
            part: None,
            priority: Priority::Medium,
        }
    }
}

/// The message of several calls, or of the one.
pub(crate) fn message(line: &Line, snapshot: &LineSnapshot, now: UtcMillis, told: &[Told<'_>]) -> Message {
    let said: Vec<Said> = told.iter().map(|one| one.said()).collect();
    let subject = if let [one] = told { one.subject } else { Subject::Digest };
    made(line, snapshot, now, Draft { key: "key".to_owned(), subject, said })
}

/// The message that all this works.
pub(crate) fn alive(line: &Line, snapshot: &LineSnapshot, now: UtcMillis) -> Message {
    made(line, snapshot, now, Draft { key: "key".to_owned(), subject: Subject::Alive, said: Vec::new() })
}

fn made(line: &Line, snapshot: &LineSnapshot, now: UtcMillis, draft: Draft) -> Message {
    let teller = Teller::new(line, snapshot, now);
    Words { line, teller: &teller, now }.message(&draft)
}
