//! A message as JSON for other programs: the same, whichever way it goes, and the same to the letter in each repeat.

use super::message::Message;
use jiff::Timestamp;
use serde_json::{Value, json};
use setward_config::line::Line;

/// Whose messages they are.
#[derive(Debug)]
pub(super) struct Letterhead {
    pub(super) plant: String,
    pub(super) line: String,
    pub(super) simulated: bool,
    pub(super) page_url: Option<String>,
}

impl Letterhead {
    pub(super) fn of(line: &Line) -> Self {
        Self {
            plant: line.plant.clone(),
            line: line.name.clone(),
            simulated: line.simulated,
            page_url: line.notify.page_url.clone(),
        }
    }

    /// The body.
    pub(super) fn body(&self, message: &Message) -> String {
        let at = |ms: i64| Timestamp::from_millisecond(ms).map(|at| at.to_string()).ok();
        let items: Vec<Value> = message
            .items
            .iter()
            .map(|item| {
                json!({
                    "key": item.key,
                    "about": item.subject.word(),
                    "alarm": item.alarm,
                    "occurrence": item.occurrence,
                    "priority": item.priority,
                    "raised_at": item.raised.and_then(at),
                    "text": item.line,
                })
            })
            .collect();
        json!({
            "schema_version": 1,
            "key": message.key,
            "about": message.subject.word(),
            "made_at": at(message.made),
            "plant": self.plant,
            "line": self.line,
            "simulated": self.simulated,
            "page_url": self.page_url,
            "text": message.line,
            "details": message.body,
            "items": items,
        })
        .to_string()
    }
}
