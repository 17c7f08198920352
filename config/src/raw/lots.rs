//! `line.toml`: lots and date codes.

use crate::problem::{At, Span};
use crate::reader::TableReader;
use std::time::Duration;

#[derive(Debug)]
pub(crate) struct RawLots {
    pub(crate) at: Span,
    pub(crate) by: Option<At<LotsBy>>,
    pub(crate) times: Option<At<Vec<At<String>>>>,
    pub(crate) entry: Option<At<String>>,
    pub(crate) date_code: Option<At<Vec<At<String>>>>,
    pub(crate) between: Option<At<String>>,
    pub(crate) line_code: Option<At<String>>,
    pub(crate) day_from: Option<At<String>>,
    pub(crate) best_before: Option<At<Duration>>,
}

/// What begins a lot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum LotsBy {
    /// Times of the day.
    Clock,
    /// The shifts.
    Shifts,
    /// What a person enters.
    Entry,
}

const BY: [(&str, LotsBy); 3] =
    [("clock", LotsBy::Clock), ("shifts", LotsBy::Shifts), ("entry", LotsBy::Entry)];

pub(crate) fn lots(reader: &mut TableReader<'_, '_>) -> RawLots {
    RawLots {
        at: reader.at(),
        by: reader.need_word("by", &BY),
        times: reader.may("at", "[\"06:00\"]"),
        entry: reader.may_text("entry", "\"XI-456\""),
        date_code: reader.may("date_code", "[\"year-short\", \"day-of-year\", \"line\", \"shift\"]"),
        between: reader.may("between", "\" \""),
        line_code: reader.may_text("line_code", "\"L2\""),
        day_from: reader.may_text("day_from", "\"06:00\""),
        best_before: reader.may_time("best_before", "\"120 d\""),
    }
}
