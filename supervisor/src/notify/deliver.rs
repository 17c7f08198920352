//! The edge over which messages leave, and how it may fail.

use super::message::Message;
use async_trait::async_trait;

/// Most of another's own words that are passed on, characters.
const WORDS_MAX: usize = 300;

/// Why a message did not arrive. Each text says what was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SendError {
    /// Nobody answers, or the answer broke off or came too late: it may have arrived.
    Unreachable(String),
    /// They answer, but not now.
    Busy(String),
    /// They do not take it: address, secret or certificate are wrong. It is tried again, seldom.
    Refused(String),
}

impl SendError {
    /// What was found.
    #[must_use]
    pub fn text(&self) -> &str {
        match self {
            Self::Unreachable(text) | Self::Busy(text) | Self::Refused(text) => text,
        }
    }
}

/// What the other side said when it took a message.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Receipt {
    /// Its own words.
    pub answer: String,
    /// What is wrong all the same: one of several receivers was refused.
    pub complaint: Option<String>,
}

/// Whoever takes messages.
#[cfg_attr(test, mockall::automock)]
#[async_trait]
pub trait Deliver: Send + Sync {
    /// On return the other side has said that it has the message. It must end by itself in a bounded time.
    async fn deliver(&self, message: &Message) -> Result<Receipt, SendError>;
}

/// An error with its causes: the outermost says only that there was one.
pub(super) fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        let words = inner.to_string();
        if !text.contains(&words) {
            text.push_str(": ");
            text.push_str(&words);
        }
        cause = inner.source();
    }
    one_line(&text)
}

/// What somebody else wrote, as one line of bounded length.
pub(super) fn one_line(text: &str) -> String {
    let seen = text.chars().map(|letter| if letter.is_control() { ' ' } else { letter });
    seen.take(WORDS_MAX).collect::<String>().trim().to_owned()
}
