//! The filter of the guard by itself, as a fuzzer feeds it.

use super::{Fault, Filter};

/// What came out of the filter.
#[derive(Debug)]
pub struct Passed {
    /// What the library gets to see.
    pub bytes: Vec<u8>,
    /// What ended the session.
    pub fault: Option<Fault>,
    /// Answers to other requests.
    pub strangers: u32,
}

/// Sends `request` as the first one of a connection whose requests are numbered from `first` on, then takes `pieces` in, up to the one that
/// ends the session.
#[must_use]
pub fn passed(first: u16, request: &[u8], pieces: &[&[u8]]) -> Passed {
    let mut filter = Filter { first, ..Filter::default() };
    filter.sent(request);
    let ended = pieces.iter().any(|piece| filter.received(piece).is_err());
    let (fault, strangers) = (filter.seen.fault(), filter.seen.strangers());
    assert_eq!(ended, fault.is_some(), "a session ends with what it saw, and with nothing else");
    Passed { bytes: filter.passing, fault, strangers }
}
