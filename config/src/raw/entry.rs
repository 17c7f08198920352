//! `line.toml`: values a person enters, and when each is due.

use super::condition::{self, RawCondition};
use crate::line::{AlarmClass, EntryKind};
use crate::problem::{At, Span};
use crate::quantity::Quantity;
use crate::reader::TableReader;
use std::time::Duration;

#[derive(Debug)]
pub(crate) struct RawEntry {
    pub(crate) at: Span,
    pub(crate) tag: Option<At<String>>,
    pub(crate) name: Option<At<String>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) kind: Option<At<EntryKind>>,
    pub(crate) unit: Option<At<String>>,
    pub(crate) range: Option<At<(At<Quantity>, At<Quantity>)>>,
    pub(crate) usual: Option<At<(At<Quantity>, At<Quantity>)>>,
    pub(crate) most_change: Option<At<Quantity>>,
    pub(crate) decimals: Option<At<i64>>,
    pub(crate) every: Option<At<Duration>>,
    pub(crate) counts: Option<At<Counts>>,
    pub(crate) times: Option<At<Vec<At<String>>>>,
    pub(crate) after: Option<Vec<RawCondition>>,
    pub(crate) after_at: Span,
    pub(crate) wait: Option<At<Duration>>,
    pub(crate) late_after: Option<At<Duration>>,
    pub(crate) class: Option<At<AlarmClass>>,
    pub(crate) traced_to: Option<At<Vec<At<String>>>>,
    /// Keys that are there, right or wrong.
    pub(crate) given: Vec<&'static str>,
}

/// What time counts towards the next entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Counts {
    /// Only while the station runs.
    Running,
    /// All of it.
    Clock,
}

const COUNTS: [(&str, Counts); 2] = [("running", Counts::Running), ("clock", Counts::Clock)];

const KINDS: [(&str, EntryKind); 3] = [
    (EntryKind::Number.name(), EntryKind::Number),
    (EntryKind::Check.name(), EntryKind::Check),
    (EntryKind::Calibration.name(), EntryKind::Calibration),
];

pub(super) fn entry(reader: &mut TableReader<'_, '_>) -> RawEntry {
    RawEntry {
        at: reader.at(),
        given: reader.given(&["unit", "range", "usual", "most_change", "decimals"]),
        tag: reader.need_text("tag", "\"MT-450\""),
        name: reader.need_text("name", "\"Finished moisture\""),
        station: reader.need_text("station", "\"packing\""),
        kind: reader.may_word("kind", &KINDS),
        unit: reader.may_text("unit", "\"%\""),
        range: reader.may("range", "[\"0 %\", \"15 %\"]"),
        usual: reader.may("usual", "[\"0.5 %\", \"3 %\"]"),
        most_change: reader.may("most_change", "\"1 %\""),
        decimals: reader.may_whole("decimals", "1", 0, 6),
        every: reader.may_time("every", "\"30 min\""),
        counts: reader.may_word("counts", &COUNTS),
        times: reader.may("at", "[\"06:00\", \"14:00\"]"),
        after_at: reader.at_of("after"),
        after: condition::may(reader, "after"),
        wait: reader.may_time("wait", "\"10 h\""),
        late_after: reader.may_time("late_after", "\"10 min\""),
        class: reader.may_word("class", &AlarmClass::NAMED),
        traced_to: reader.may("traced_to", "[\"fryer\"]"),
    }
}
