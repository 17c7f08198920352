//! What each kind of alarm says beyond the record that all have.

use super::condition::{self, RawCondition};
use crate::problem::{At, Span};
use crate::quantity::Quantity;
use crate::reader::{TableReader, TimeOrWord};
use setward_alarm::Side;
use std::time::Duration;

#[derive(Debug)]
pub(crate) enum RawKind {
    Limit(RawLimit),
    TimeWeighted(RawTimeWeighted),
    Deviation(RawDeviation),
    MovingAverage(RawMovingAverage),
    Discrepancy(RawDiscrepancy),
    Rate(RawRate),
    Status(RawStatus),
    EquivalentTime(RawEquivalentTime),
    Drift(RawDrift),
}

/// How far back, and how long before.
#[derive(Debug)]
pub(crate) struct RawDelays {
    pub(crate) deadband: Option<At<Quantity>>,
    pub(crate) on_delay: Option<At<Duration>>,
    pub(crate) off_delay: Option<At<Duration>>,
}

#[derive(Debug)]
pub(crate) struct RawLimit {
    pub(crate) side: Option<At<Side>>,
    pub(crate) limit: Option<At<Quantity>>,
    pub(crate) delays: RawDelays,
    pub(crate) consecutive: Option<At<i64>>,
}

#[derive(Debug)]
pub(crate) struct RawTimeWeighted {
    pub(crate) side: Option<At<Side>>,
    pub(crate) allowance: Option<At<Quantity>>,
    /// The word is "none": it does not decay.
    pub(crate) recovery: Option<TimeOrWord>,
    pub(crate) shape: Option<At<f64>>,
    pub(crate) clear_below: Option<At<f64>>,
    pub(crate) leak: Option<At<RawLeak>>,
    pub(crate) pick_up: Option<At<f64>>,
    /// Ages, each with a point.
    pub(crate) band: Option<RawBand>,
}

/// Ages, each with a point.
pub(crate) type RawBand = At<Vec<At<(At<Quantity>, At<Quantity>)>>>;

/// Where exposure decays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum RawLeak {
    Inside,
    Always,
}

#[derive(Debug)]
pub(crate) struct RawDeviation {
    pub(crate) side: Option<At<Side>>,
    /// A tag, or "recipe".
    pub(crate) against: Option<At<String>>,
    pub(crate) width: Option<RawWidth>,
    pub(crate) delays: RawDelays,
    pub(crate) consecutive: Option<At<i64>>,
}

/// How far from the setpoint.
#[derive(Debug)]
pub(crate) enum RawWidth {
    /// A width of the recipe.
    Named(At<NamedWidth>),
    /// A difference.
    Fixed(At<Quantity>),
}

impl RawWidth {
    pub(crate) const fn at(&self) -> Span {
        match self {
            Self::Named(named) => named.at,
            Self::Fixed(fixed) => fixed.at,
        }
    }
}

/// The widths of a recipe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum NamedWidth {
    Latitude,
    Tolerance,
    Specification,
}

impl NamedWidth {
    const NAMED: [(&'static str, Self); 3] = [
        ("latitude", Self::Latitude),
        ("tolerance", Self::Tolerance),
        ("specification", Self::Specification),
    ];

    /// The word in the files.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Latitude => "latitude",
            Self::Tolerance => "tolerance",
            Self::Specification => "specification",
        }
    }
}

#[derive(Debug)]
pub(crate) struct RawMovingAverage {
    pub(crate) side: Option<At<Side>>,
    pub(crate) limit: Option<At<Quantity>>,
    pub(crate) width: Option<RawWidth>,
    pub(crate) deadband: Option<At<Quantity>>,
    pub(crate) window: Option<At<Duration>>,
    pub(crate) coverage: Option<At<f64>>,
    pub(crate) ceiling: Option<At<Quantity>>,
    /// Which of `limit` and `width` are there, right or wrong.
    pub(crate) given: Vec<&'static str>,
}

#[derive(Debug)]
pub(crate) struct RawDiscrepancy {
    pub(crate) other: Option<At<String>>,
    pub(crate) apart: Option<At<Quantity>>,
    pub(crate) has_apart: bool,
    pub(crate) delays: RawDelays,
}

#[derive(Debug)]
pub(crate) struct RawRate {
    pub(crate) side: Option<At<Side>>,
    pub(crate) per_minute: Option<At<Quantity>>,
    pub(crate) over: Option<At<Duration>>,
    pub(crate) between: Option<At<(At<Quantity>, At<Quantity>)>>,
}

#[derive(Debug)]
pub(crate) struct RawStatus {
    pub(crate) is: Option<At<Vec<At<i64>>>>,
    pub(crate) on_delay: Option<At<Duration>>,
    pub(crate) off_delay: Option<At<Duration>>,
    pub(crate) share: Option<At<f64>>,
    pub(crate) window: Option<At<Duration>>,
}

#[derive(Debug)]
pub(crate) struct RawEquivalentTime {
    pub(crate) reference: Option<At<Quantity>>,
    pub(crate) z: Option<At<Quantity>>,
    pub(crate) least: Option<At<Duration>>,
    pub(crate) most: Option<At<Duration>>,
    pub(crate) batch: Option<Vec<RawCondition>>,
}

#[derive(Debug)]
pub(crate) struct RawDrift {
    pub(crate) slack: Option<At<f64>>,
    pub(crate) decide: Option<At<f64>>,
    pub(crate) sigma: Option<At<Quantity>>,
    pub(crate) correlation_time: Option<At<Duration>>,
}

const SIDES: [(&str, Side); 2] = [("above", Side::Above), ("below", Side::Below)];

const LEAKS: [(&str, RawLeak); 2] = [("inside", RawLeak::Inside), ("always", RawLeak::Always)];

fn delays(reader: &mut TableReader<'_, '_>) -> RawDelays {
    RawDelays {
        deadband: reader.may("deadband", "\"3 K\""),
        on_delay: reader.may_time("on_delay", "\"2 s\""),
        off_delay: reader.may_time("off_delay", "\"10 s\""),
    }
}

pub(super) fn limit(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::Limit(RawLimit {
        side: reader.need_word("side", &SIDES),
        limit: reader.need("limit", "\"200 degC\""),
        delays: delays(reader),
        consecutive: reader.may_whole("consecutive", "2", 1, 5),
    })
}

pub(super) fn time_weighted(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::TimeWeighted(RawTimeWeighted {
        side: reader.need_word("side", &SIDES),
        allowance: reader.need("allowance", "\"240 K.s\""),
        recovery: reader.need_time_or("recovery", "none", "\"90 s\""),
        shape: reader.may("shape", "1.0"),
        clear_below: reader.may("clear_below", "0.5"),
        leak: reader.may_word("leak", &LEAKS),
        pick_up: reader.may("pick_up", "1.0"),
        band: reader.may("band", "[[\"1 h\", \"64 degC\"], [\"10 h\", \"42 degC\"]]"),
    })
}

pub(super) fn deviation(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::Deviation(RawDeviation {
        side: reader.may_word("side", &SIDES),
        against: reader.may_text("against", "\"recipe\""),
        width: width(reader),
        delays: delays(reader),
        consecutive: reader.may_whole("consecutive", "2", 1, 5),
    })
}

/// One of the words, or a difference.
fn width(reader: &mut TableReader<'_, '_>) -> Option<RawWidth> {
    let is_word = reader.text("width").is_some_and(|text| text.starts_with(char::is_alphabetic));
    if is_word {
        reader.may_word("width", &NamedWidth::NAMED).map(RawWidth::Named)
    } else {
        reader.may("width", "\"tolerance\"").map(RawWidth::Fixed)
    }
}

pub(super) fn moving_average(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::MovingAverage(RawMovingAverage {
        side: reader.need_word("side", &SIDES),
        limit: reader.may("limit", "\"45 degC\""),
        width: width(reader),
        deadband: reader.may("deadband", "\"1 K\""),
        window: reader.need_time("window", "\"3 min\""),
        coverage: reader.may("coverage", "0.75"),
        ceiling: reader.may("ceiling", "\"60 degC\""),
        given: reader.given(&["limit", "width"]),
    })
}

pub(super) fn discrepancy(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::Discrepancy(RawDiscrepancy {
        other: reader.need_text("other", "\"TT-311\""),
        apart: reader.may("apart", "\"2.5 K\""),
        has_apart: !reader.given(&["apart"]).is_empty(),
        delays: delays(reader),
    })
}

pub(super) fn rate(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::Rate(RawRate {
        side: reader.need_word("side", &SIDES),
        per_minute: reader.need("per_minute", "\"2 K\""),
        over: reader.need_time("over", "\"5 min\""),
        between: reader.may("between", "[\"95 degC\", \"125 degC\"]"),
    })
}

pub(super) fn status(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::Status(RawStatus {
        is: reader.need("is", "[1]"),
        on_delay: reader.may_time("on_delay", "\"5 s\""),
        off_delay: reader.may_time("off_delay", "\"5 s\""),
        share: reader.may("share", "0.5"),
        window: reader.may_time("window", "\"10 min\""),
    })
}

pub(super) fn equivalent_time(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::EquivalentTime(RawEquivalentTime {
        reference: reader.need("reference", "\"95 degC\""),
        z: reader.need("z", "\"33 K\""),
        least: reader.may_time("least", "\"24 min\""),
        most: reader.may_time("most", "\"37 min\""),
        batch: condition::need(reader, "batch"),
    })
}

pub(super) fn drift(reader: &mut TableReader<'_, '_>) -> RawKind {
    RawKind::Drift(RawDrift {
        slack: reader.may("slack", "0.5"),
        decide: reader.may("decide", "5.0"),
        sigma: reader.need("sigma", "\"0.35 K\""),
        correlation_time: reader.need_time("correlation_time", "\"20 s\""),
    })
}
