//! `line.toml`: values computed from other signals.

use crate::problem::{At, Span};
use crate::quantity::Quantity;
use crate::reader::TableReader;
use setward_process::heat_balance::live::Output;
use std::time::Duration;

#[derive(Debug)]
pub(crate) struct RawDerived {
    pub(crate) at: Span,
    pub(crate) tag: Option<At<String>>,
    pub(crate) name: Option<At<String>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) unit: Option<At<String>>,
    pub(crate) range: Option<At<(At<Quantity>, At<Quantity>)>>,
    pub(crate) decimals: Option<At<i64>>,
    pub(crate) kind: Option<At<DerivedKind>>,
    pub(crate) belt: Option<At<String>>,
    pub(crate) of: Option<At<String>>,
    pub(crate) to: Option<At<String>>,
    pub(crate) minus: Option<At<String>>,
    pub(crate) entry: Option<At<String>>,
    pub(crate) corn: Option<At<Corn>>,
    pub(crate) tank: Option<At<String>>,
    pub(crate) over: Option<At<Duration>>,
    pub(crate) output: Option<At<Output>>,
    /// Keys of sources that are there, right or wrong.
    pub(crate) given: Vec<&'static str>,
}

/// How it is computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum DerivedKind {
    /// Time on a belt.
    Dwell,
    /// One signal over another.
    Ratio,
    /// One signal less another.
    Difference,
    /// Time since an entry was good, or age of corn.
    Age,
    /// Number of the tank that should feed.
    DueTank,
    /// What a counter gains.
    Slope,
    /// What the fryer's heat balance tells.
    HeatBalance,
}

/// Which corn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Corn {
    /// The youngest in the tank that feeds.
    YoungestFeeding,
    /// The oldest.
    Oldest,
}

const CORN: [(&str, Corn); 2] = [("youngest-feeding", Corn::YoungestFeeding), ("oldest", Corn::Oldest)];

const KINDS: [(&str, DerivedKind); 7] = [
    ("dwell", DerivedKind::Dwell),
    ("ratio", DerivedKind::Ratio),
    ("difference", DerivedKind::Difference),
    ("age", DerivedKind::Age),
    ("due-tank", DerivedKind::DueTank),
    ("slope", DerivedKind::Slope),
    ("heat-balance", DerivedKind::HeatBalance),
];

pub(super) fn derived(reader: &mut TableReader<'_, '_>) -> RawDerived {
    RawDerived {
        at: reader.at(),
        tag: reader.need_text("tag", "\"KY-340\""),
        name: reader.need_text("name", "\"Fry time\""),
        station: reader.need_text("station", "\"fryer\""),
        unit: reader.need_text("unit", "\"s\""),
        range: reader.need("range", "[\"0 s\", \"600 s\"]"),
        decimals: reader.may_whole("decimals", "1", 0, 6),
        kind: reader.need_word("kind", &KINDS),
        belt: reader.may_text("belt", "\"Fry time\""),
        of: reader.may_text("of", "\"WT-442\""),
        to: reader.may_text("to", "\"WT-441\""),
        minus: reader.may_text("minus", "\"TT-311\""),
        entry: reader.may_text("entry", "\"QS-454\""),
        corn: reader.may_word("corn", &CORN),
        tank: reader.may_text("tank", "\"Tank 1\""),
        over: reader.may_time("over", "\"10 min\""),
        output: reader.may_word("output", &Output::NAMED),
        given: reader.given(&["belt", "of", "to", "minus", "entry", "corn", "tank", "output"]),
    }
}
