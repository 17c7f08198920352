//! `line.toml`: stations with their modes, and controllers.

use super::condition::{self, RawCondition};
use crate::problem::{At, Code};
use crate::reader::TableReader;
use setward_protocol::{Mode, RegisterSpan, Table};
use std::time::Duration;

#[derive(Debug)]
pub(crate) struct RawStation {
    pub(crate) key: Option<At<String>>,
    pub(crate) name: Option<At<String>>,
    pub(crate) modes: Vec<RawMode>,
    pub(crate) product_present: Option<Vec<RawCondition>>,
}

/// A rule that puts a station into a mode.
#[derive(Debug)]
pub(crate) struct RawMode {
    pub(crate) mode: Option<At<Mode>>,
    pub(crate) when: Option<Vec<RawCondition>>,
    pub(crate) until: Option<Vec<RawCondition>>,
    pub(crate) hold_for: Option<At<Duration>>,
}

#[derive(Debug)]
pub(crate) struct RawController {
    pub(crate) name: Option<At<String>>,
    pub(crate) poll_every: Option<At<Duration>>,
    pub(crate) answer_within: Option<At<Duration>>,
    pub(crate) max_registers: Option<At<i64>>,
    pub(crate) max_bits: Option<At<i64>>,
    pub(crate) pause: Option<At<Duration>>,
    pub(crate) readable: Vec<RegisterSpan>,
    pub(crate) heartbeat: Option<RawHeartbeat>,
    pub(crate) zeroed_after_restart: Option<At<i64>>,
    pub(crate) poll_groups: Vec<RawPollGroup>,
}

#[derive(Debug)]
pub(crate) struct RawHeartbeat {
    pub(crate) signal: Option<At<String>>,
    pub(crate) within: Option<At<Duration>>,
}

/// Signals with a period of their own.
#[derive(Debug)]
pub(crate) struct RawPollGroup {
    pub(crate) name: Option<At<String>>,
    pub(crate) poll_every: Option<At<Duration>>,
}

/// Tables by their key.
pub(super) const TABLES: [(&str, Table); 4] = [
    (Table::Holding.name(), Table::Holding),
    (Table::Input.name(), Table::Input),
    (Table::Coil.name(), Table::Coil),
    (Table::Discrete.name(), Table::Discrete),
];

/// Most beats of a heartbeat that a restart can take.
const MOST_BEATS: i64 = 65_535;

pub(super) fn station(reader: &mut TableReader<'_, '_>) -> RawStation {
    RawStation {
        key: reader.need_text("key", "\"fryer\""),
        name: reader.need_text("name", "\"Fryer\""),
        modes: reader.tables("mode", "[[station.mode]]", mode),
        product_present: condition::may(reader, "product_present"),
    }
}

fn mode(reader: &mut TableReader<'_, '_>) -> RawMode {
    RawMode {
        mode: reader.need_word("mode", &Mode::NAMED),
        when: condition::need(reader, "when"),
        until: condition::may(reader, "until"),
        hold_for: reader.may_time("for", "\"10 s\""),
    }
}

pub(super) fn controller(reader: &mut TableReader<'_, '_>) -> RawController {
    RawController {
        name: reader.need_text("name", "\"fryer\""),
        poll_every: reader.need_time("poll_every", "\"1 s\""),
        answer_within: reader.may_time("answer_within", "\"500 ms\""),
        max_registers: reader.may_whole("max_registers", "100", 1, 125),
        max_bits: reader.may_whole("max_bits", "2000", 1, 2000),
        pause: reader.may_time("pause", "\"20 ms\""),
        readable: reader
            .tables("readable", "[[controller.readable]]", readable)
            .into_iter()
            .flatten()
            .collect(),
        heartbeat: reader.may_table("heartbeat", "[controller.heartbeat]", heartbeat),
        zeroed_after_restart: reader.may_whole("zeroed_after_restart", "45", 0, MOST_BEATS),
        poll_groups: reader.tables("poll-group", "[[controller.poll-group]]", poll_group),
    }
}

fn poll_group(reader: &mut TableReader<'_, '_>) -> RawPollGroup {
    RawPollGroup {
        name: reader.need_text("name", "\"slow\""),
        poll_every: reader.need_time("poll_every", "\"10 s\""),
    }
}

/// One gap of a controller: exactly one table with first and last address.
fn readable(reader: &mut TableReader<'_, '_>) -> Option<RegisterSpan> {
    let spans: Vec<_> =
        TABLES.iter().filter_map(|(key, table)| Some((table, span_of(reader, key)?))).collect();
    match spans.as_slice() {
        [(table, (first, last))] => Some(RegisterSpan { table: **table, first: *first, last: *last }),
        [] if reader.is_blank() => {
            reader.missing("holding", "[104, 109]");
            None
        }
        [_, _, ..] => {
            let at = reader.at();
            let hint = "give each table a gap of its own: { holding = [104, 109] }";
            reader.sink().report(Code::Place, at, "one gap names two tables", hint);
            None
        }
        [] => None,
    }
}

/// First and last address under `key`, if they are there and in order.
fn span_of(reader: &mut TableReader<'_, '_>, key: &'static str) -> Option<(u16, u16)> {
    let pair = reader.may::<(At<i64>, At<i64>)>(key, "[104, 109]")?;
    let (low, high) = (&pair.value.0, &pair.value.1);
    match (u16::try_from(low.value), u16::try_from(high.value)) {
        (Ok(first), Ok(last)) if first <= last => Some((first, last)),
        (Ok(_) | Err(_), Ok(_) | Err(_)) => {
            let message = format!("`{key}` runs from {} to {}", low.value, high.value);
            let hint = "write the first and the last address, each 0 to 65535, such as [104, 109]";
            reader.sink().report(Code::OutOfBounds, pair.at, message, hint);
            None
        }
    }
}

fn heartbeat(reader: &mut TableReader<'_, '_>) -> RawHeartbeat {
    RawHeartbeat {
        signal: reader.need_text("signal", "\"XI-394\""),
        within: reader.need_time("within", "\"5 s\""),
    }
}
