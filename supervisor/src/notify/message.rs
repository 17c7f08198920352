//! What is sent: one line that says it all, more below it, and every single thing with the key by which a receiver knows a repeat.

use serde::{Deserialize, Serialize};
use setward_protocol::UtcMillis;

/// What a message, or one thing in it, is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Subject {
    /// An alarm calls.
    Alarm,
    /// It still stands, and nobody has acknowledged it.
    Reminder,
    /// It is over.
    Over,
    /// Several of these in one.
    Digest,
    /// Another way to somebody does not work, or works again.
    Trouble,
    /// All this still works.
    Alive,
    /// Somebody tries the way out.
    Test,
}

impl Subject {
    /// A stable word for programs.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Alarm => "alarm",
            Self::Reminder => "reminder",
            Self::Over => "over",
            Self::Digest => "digest",
            Self::Trouble => "trouble",
            Self::Alive => "alive",
            Self::Test => "test",
        }
    }
}

/// One thing that a message says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Item {
    /// By this a receiver knows a repeat: the same in every message that says the same thing.
    pub key: String,
    /// What it is about.
    pub subject: Subject,
    /// Id of the alarm in the files, if it is one.
    pub alarm: Option<String>,
    /// Which occurrence of it; 0 without one.
    pub occurrence: u32,
    /// Its priority, as in the files.
    pub priority: Option<String>,
    /// When it raised.
    pub raised: Option<i64>,
    /// The whole of it in one line, at most 120 characters.
    pub line: String,
}

/// A message, ready to go. A repeat of it is the same to the letter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Message {
    /// By this a receiver knows a repeat.
    pub key: String,
    /// What it is about.
    pub subject: Subject,
    /// When it was made, ms of UTC.
    pub made: i64,
    /// One line, at most 120 characters: the subject of a mail, the whole of a text message.
    pub line: String,
    /// The rest for people; begins with the line.
    pub body: String,
    /// Everything in it, one by one.
    pub items: Vec<Item>,
}

impl Message {
    /// When it was made.
    #[must_use]
    pub const fn made(&self) -> UtcMillis {
        UtcMillis(self.made)
    }
}

/// Most characters of a line: what a phone shows at a glance, and a gateway to text messages takes.
pub(super) const LINE_MAX: usize = 120;

/// `text` as one line of plain characters: what comes from files and controllers must not begin a new line in the head of a
/// mail, and a minus or degree sign makes a text message twice as long.
#[must_use]
pub(super) fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut is_after_space = true;
    for letter in text.chars() {
        let letter = match letter {
            '\u{2212}' | '\u{2013}' | '\u{2014}' => '-',
            '\u{b7}' => '.',
            '\u{b2}' => '2',
            '\u{b3}' => '3',
            '\u{b0}' => continue,
            other if is_unseen(other) || other.is_whitespace() => ' ',
            other => other,
        };
        if letter != ' ' || !is_after_space {
            out.push(letter);
        }
        is_after_space = letter == ' ';
    }
    out.truncate(out.trim_end().len());
    out
}

/// Control characters, and those that turn the direction of text or can't be seen.
fn is_unseen(letter: char) -> bool {
    let hidden =
        ['\u{200b}'..='\u{200f}', '\u{2028}'..='\u{202e}', '\u{2060}'..='\u{206f}', '\u{feff}'..='\u{feff}'];
    letter.is_control() || hidden.iter().any(|range| range.contains(&letter))
}

/// As many of `parts`, from the first on, as fit into a line; the first is cut if it alone is too long.
#[must_use]
pub(super) fn fitted(parts: &[String]) -> String {
    let mut line = String::new();
    for part in parts.iter().map(|part| plain(part)).filter(|part| !part.is_empty()) {
        let gap = if line.is_empty() || part.starts_with([',', ';', ':']) { "" } else { " " };
        if line.chars().count() + gap.len() + part.chars().count() <= LINE_MAX {
            line.push_str(gap);
            line.push_str(&part);
        } else if line.is_empty() {
            line = part.chars().take(LINE_MAX - 3).collect();
            line.push_str("...");
        }
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn nothing_in_a_name_can_begin_a_new_line_or_hide() {
        assert_eq!(plain("Fryer\r\nBcc: all@plant.example"), "Fryer Bcc: all@plant.example");
        assert_eq!(plain(" \u{2212}5.6 K below 182.0 \u{b0}C\u{202e} x\0"), "-5.6 K below 182.0 C x");
        assert_eq!(plain("In\u{e9}s"), "In\u{e9}s");
    }

    #[test]
    fn what_matters_least_goes_first_when_there_is_no_room() {
        let parts = ["HIGH Fryer oil inlet cold:".to_owned(), "x".repeat(90), "(Fryer)".to_owned()];
        assert_eq!(fitted(&parts), format!("HIGH Fryer oil inlet cold: {}", "x".repeat(90)));
        let parts = ["HIGH".to_owned(), "x".repeat(130), ", (Fryer)".to_owned()];
        assert_eq!(fitted(&parts), "HIGH, (Fryer)");
        assert_eq!(fitted(&["x".repeat(130)]).chars().count(), LINE_MAX);
    }

    proptest! {
        #[test]
        fn a_line_is_short_and_one_whatever_is_in_it(parts in proptest::collection::vec("\\PC{0,80}|[\\x00-\\x7f]{0,80}", 0..6)) {
            let line = fitted(&parts);
            prop_assert!(line.chars().count() <= LINE_MAX);
            prop_assert!(!line.chars().any(|letter| letter.is_control()));
        }
    }
}
