//! `alarms.toml`: one list of tables per kind of alarm, and the record that every kind has.

use super::alarm_kind::{self as kind, RawKind};
use super::condition::{self, RawCondition};
use crate::line::{AlarmClass, Priority};
use crate::problem::{At, Code, Span};
use crate::reader::TableReader;
use setward_protocol::Mode;
use std::time::Duration;

/// All of `alarms.toml`, in the order of kinds.
#[derive(Debug, Default)]
pub(crate) struct RawAlarms {
    pub(crate) alarms: Vec<RawAlarm>,
    pub(crate) measurement: RawMeasurement,
    pub(crate) communication: RawCommunication,
}

/// The record that every kind has, and the kind.
#[derive(Debug)]
pub(crate) struct RawAlarm {
    pub(crate) at: Span,
    pub(crate) id: Option<At<String>>,
    pub(crate) name: Option<At<String>>,
    pub(crate) signal: Option<At<String>>,
    pub(crate) signals: Option<At<Vec<At<String>>>>,
    /// Whether `signal` or `signals` is there, right or wrong.
    pub(crate) has_signal: bool,
    pub(crate) priority: Option<At<Priority>>,
    pub(crate) class: Option<At<AlarmClass>>,
    pub(crate) causes: Option<At<Vec<At<String>>>>,
    pub(crate) consequence: Option<At<String>>,
    pub(crate) response: Option<RawResponse>,
    pub(crate) time_to_respond: Option<At<Duration>>,
    pub(crate) independent_device: Option<At<String>>,
    pub(crate) latching: Option<At<bool>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) modes: Option<At<Vec<At<String>>>>,
    pub(crate) settle: Option<At<Duration>>,
    pub(crate) when: Option<Vec<RawCondition>>,
    pub(crate) only_after: Option<At<Mode>>,
    pub(crate) hides: Option<At<Vec<At<String>>>>,
    pub(crate) hides_for: Option<At<Duration>>,
    pub(crate) group: Option<At<String>>,
    pub(crate) realarm_after: Option<At<Duration>>,
    pub(crate) shelve_most: Option<At<Duration>>,
    pub(crate) kind: RawKind,
}

#[derive(Debug)]
pub(crate) struct RawResponse {
    pub(crate) now: Option<At<Vec<At<String>>>>,
    pub(crate) next: Option<At<Vec<At<String>>>>,
}

/// Settings of the automatic alarm of each signal.
#[derive(Debug, Default)]
pub(crate) struct RawMeasurement {
    pub(crate) bad_for: Option<At<Duration>>,
    pub(crate) priority: Option<At<Priority>>,
}

/// Settings of the automatic alarm of each controller.
#[derive(Debug, Default)]
pub(crate) struct RawCommunication {
    pub(crate) polls: Option<At<i64>>,
    pub(crate) at_least: Option<At<Duration>>,
    /// Priority by controller, as written.
    pub(crate) priority: Vec<(At<String>, Option<At<String>>)>,
}

pub(crate) const PRIORITIES: [(&str, Priority); 3] = [
    (Priority::Low.name(), Priority::Low),
    (Priority::Medium.name(), Priority::Medium),
    (Priority::High.name(), Priority::High),
];

/// What to do about an alarm that asks nothing of anybody.
pub(crate) const NO_RESPONSE: &str = "say what the operator does now: `response = { now = [\"...\"] }`; if there is nothing to do, make it an event";

/// How a kind is read.
type ReadKind = fn(&mut TableReader<'_, '_>) -> RawKind;

/// The kinds: key, table in SCHEMA.md, and how it is read.
const KINDS: [(&str, &str, ReadKind); 9] = [
    ("limit", "[[limit]]", kind::limit),
    ("time-weighted", "[[time-weighted]]", kind::time_weighted),
    ("deviation", "[[deviation]]", kind::deviation),
    ("moving-average", "[[moving-average]]", kind::moving_average),
    ("discrepancy", "[[discrepancy]]", kind::discrepancy),
    ("rate", "[[rate]]", kind::rate),
    ("status", "[[status]]", kind::status),
    ("equivalent-time", "[[equivalent-time]]", kind::equivalent_time),
    ("drift", "[[drift]]", kind::drift),
];

/// Reads all of `alarms.toml`.
pub(crate) fn read(reader: &mut TableReader<'_, '_>) -> RawAlarms {
    let mut alarms = Vec::new();
    for (key, table, kind) in KINDS {
        alarms.extend(reader.tables(key, table, |reader| {
            let kind = kind(reader);
            record(reader, kind)
        }));
    }
    RawAlarms {
        alarms,
        measurement: reader.may_table("measurement", "[measurement]", measurement).unwrap_or_default(),
        communication: reader
            .may_table("communication", "[communication]", communication)
            .unwrap_or_default(),
    }
}

fn measurement(reader: &mut TableReader<'_, '_>) -> RawMeasurement {
    RawMeasurement {
        bad_for: reader.may_time("bad_for", "\"10 s\""),
        priority: reader.may_word("priority", &PRIORITIES),
    }
}

fn communication(reader: &mut TableReader<'_, '_>) -> RawCommunication {
    RawCommunication {
        polls: reader.may_whole("polls", "3", 1, 1000),
        at_least: reader.may_time("at_least", "\"10 s\""),
        priority: reader
            .may_table("priority", "[communication.priority]", |reader| reader.entries())
            .unwrap_or_default(),
    }
}

fn record(reader: &mut TableReader<'_, '_>, kind: RawKind) -> RawAlarm {
    RawAlarm {
        at: reader.at(),
        id: reader.need_text("id", "\"fryer-inlet-cold\""),
        name: reader.need_text("name", "\"Fryer oil inlet cold\""),
        signal: reader.may_text("signal", "\"TT-310\""),
        signals: reader.may("signals", "[\"TT-310\", \"TT-311\"]"),
        has_signal: reader.has("signal") || reader.has("signals"),
        priority: reader.need_word("priority", &PRIORITIES),
        class: reader.may_word("class", &AlarmClass::NAMED),
        causes: reader.need("causes", "[\"...\"]"),
        consequence: reader.need("consequence", "\"...\""),
        response: response_in(reader),
        time_to_respond: reader.need_time("time_to_respond", "\"3 min\""),
        independent_device: reader.may_text("independent_device", "\"TSHH-390, manual reset\""),
        latching: reader.may("latching", "true"),
        station: reader.may_text("station", "\"fryer\""),
        modes: reader.may("modes", "[\"run\", \"hold\"]"),
        settle: reader.may_time("settle", "\"3 min\""),
        when: condition::may(reader, "when"),
        only_after: reader.may_word("only_after", &Mode::NAMED),
        hides: reader.may("hides", "[\"fryer-outlet-cold\"]"),
        hides_for: reader.may_time("hides_for", "\"5 min\""),
        group: reader.may_text("group", "\"oven-burners\""),
        realarm_after: reader.may_time("realarm_after", "\"15 min\""),
        shelve_most: reader.may_time("shelve_most", "\"8 h\""),
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
