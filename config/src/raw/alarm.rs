//! `alarms.toml`: one list of tables per kind of alarm.

use crate::line::Priority;
use crate::problem::{At, Code, Span};
use crate::quantity::Quantity;
use crate::reader::{TableReader, TimeOrWord};
use setward_alarm::Side;
use std::time::Duration;

/// All of `alarms.toml`, in the order of kinds.
#[derive(Debug, Default)]
pub(crate) struct RawAlarms {
    pub(crate) alarms: Vec<RawAlarm>,
}

/// The record that every kind has, and the kind.
#[derive(Debug)]
pub(crate) struct RawAlarm {
    pub(crate) at: Span,
    pub(crate) id: Option<At<String>>,
    pub(crate) name: Option<At<String>>,
    pub(crate) signal: Option<At<String>>,
    pub(crate) signals: Option<At<Vec<At<String>>>>,
    pub(crate) priority: Option<At<Priority>>,
    pub(crate) causes: Option<At<Vec<At<String>>>>,
    pub(crate) consequence: Option<At<String>>,
    pub(crate) response: Option<RawResponse>,
    pub(crate) time_to_respond: Option<At<Duration>>,
    pub(crate) independent_device: Option<At<String>>,
    pub(crate) kind: RawKind,
}

#[derive(Debug)]
pub(crate) struct RawResponse {
    pub(crate) now: Option<At<Vec<At<String>>>>,
    pub(crate) next: Option<At<Vec<At<String>>>>,
}

#[derive(Debug)]
pub(crate) enum RawKind {
    Limit(RawLimit),
    TimeWeighted(RawTimeWeighted),
}

#[derive(Debug)]
pub(crate) struct RawLimit {
    pub(crate) side: Option<At<Side>>,
    pub(crate) limit: Option<At<Quantity>>,
    pub(crate) deadband: Option<At<Quantity>>,
    pub(crate) on_delay: Option<At<Duration>>,
    pub(crate) off_delay: Option<At<Duration>>,
}

#[derive(Debug)]
pub(crate) struct RawTimeWeighted {
    pub(crate) side: Option<At<Side>>,
    pub(crate) allowance: Option<At<Quantity>>,
    /// The word is "none": it does not decay.
    pub(crate) recovery: Option<TimeOrWord>,
    pub(crate) shape: Option<At<f64>>,
    pub(crate) clear_below: Option<At<f64>>,
}

const SIDES: [(&str, Side); 2] = [("above", Side::Above), ("below", Side::Below)];

const PRIORITIES: [(&str, Priority); 3] = [
    (Priority::Low.name(), Priority::Low),
    (Priority::Medium.name(), Priority::Medium),
    (Priority::High.name(), Priority::High),
];

/// What to do about an alarm that asks nothing of anybody.
pub(crate) const NO_RESPONSE: &str = "say what the operator does now: `response = { now = [\"...\"] }`; if there is nothing to do, make it an event";

/// Reads all of `alarms.toml`.
pub(crate) fn read(reader: &mut TableReader<'_, '_>) -> RawAlarms {
    let limit = |reader: &mut TableReader<'_, '_>| {
        let kind = RawKind::Limit(limit(reader));
        record(reader, kind)
    };
    let time_weighted = |reader: &mut TableReader<'_, '_>| {
        let kind = RawKind::TimeWeighted(time_weighted(reader));
        record(reader, kind)
    };
    let mut alarms = reader.tables("limit", "[[limit]]", limit);
    alarms.extend(reader.tables("time-weighted", "[[time-weighted]]", time_weighted));
    RawAlarms { alarms }
}

fn limit(reader: &mut TableReader<'_, '_>) -> RawLimit {
    RawLimit {
        side: reader.need_word("side", &SIDES),
        limit: reader.need("limit", "\"200 degC\""),
        deadband: reader.may("deadband", "\"3 K\""),
        on_delay: reader.may_time("on_delay", "\"2 s\""),
        off_delay: reader.may_time("off_delay", "\"10 s\""),
    }
}

fn time_weighted(reader: &mut TableReader<'_, '_>) -> RawTimeWeighted {
    RawTimeWeighted {
        side: reader.need_word("side", &SIDES),
        allowance: reader.need("allowance", "\"240 K.s\""),
        recovery: reader.need_time_or("recovery", "none", "\"90 s\""),
        shape: reader.may("shape", "1.0"),
        clear_below: reader.may("clear_below", "0.5"),
    }
}

fn record(reader: &mut TableReader<'_, '_>, kind: RawKind) -> RawAlarm {
    RawAlarm {
        at: reader.at(),
        id: reader.need_text("id", "\"fryer-inlet-cold\""),
        name: reader.need_text("name", "\"Fryer oil inlet cold\""),
        signal: reader.may_text("signal", "\"TT-310\""),
        signals: reader.may("signals", "[\"TT-310\", \"TT-311\"]"),
        priority: reader.need_word("priority", &PRIORITIES),
        causes: reader.need("causes", "[\"...\"]"),
        consequence: reader.need("consequence", "\"...\""),
        response: response_in(reader),
        time_to_respond: reader.need_time("time_to_respond", "\"3 min\""),
        independent_device: reader.may_text("independent_device", "\"TSHH-390, manual reset\""),
        kind,
    }
}

fn response_in(reader: &mut TableReader<'_, '_>) -> Option<RawResponse> {
    if !reader.has("response") {
        let message = format!("{} has no `response`", reader.label());
        reader.absent(Code::Alarm, "response", message, NO_RESPONSE.to_owned());
    }
    reader.may_table("response", "[alarm.response]", response)
}

fn response(reader: &mut TableReader<'_, '_>) -> RawResponse {
    RawResponse { now: reader.need("now", "[\"...\"]"), next: reader.may("next", "[\"...\"]") }
}
