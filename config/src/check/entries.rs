//! Values a person enters: what can be, what is usual, when it is due. Each becomes a signal.

mod traced;

use super::intervals::interval;
use super::stations::signal_id;
use super::{LineNames, conditions};
use crate::line::{
    Behaves, EntryDue, EntryKind, LineEntry, LineSignal, Origin, Role, Simulate, StationId, Wiring,
};
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{self, short};
use crate::raw::entry::{Counts, RawEntry};
use crate::raw::line::RawLine;
use crate::reader::Sink;
use setward_process::condition::Condition;
use setward_protocol::Unit;
use std::collections::BTreeMap;
use std::time::Duration;

/// What the file does not say.
const LATE_AFTER: Duration = Duration::from_secs(600);
const DECIMALS: u8 = 1;
/// Entries are no samples: closer together nobody takes them.
const SHORTEST: Duration = Duration::from_secs(60);

/// A unit with the ends of what can be, and of what is usual.
struct Widths {
    unit: Unit,
    possible: (f64, f64),
    usual: (f64, f64),
    most_change: Option<f64>,
}

/// The signal of every entry, in the order of the file; their conditions are checked later.
pub(crate) fn signals(raw: &RawLine, names: &LineNames<'_>, sink: &mut Sink) -> Vec<Option<LineSignal>> {
    raw.entries.iter().map(|one| signal(one, names, sink)).collect()
}

/// Every entry, over the line's signals, in which they begin at `first`.
pub(crate) fn check(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    first: usize,
    sink: &mut Sink,
) -> Vec<Option<LineEntry>> {
    let mut entries = Vec::new();
    for (index, one) in raw.entries.iter().enumerate() {
        let due = due(one, names, signals, sink);
        // What is wrong with the widths was told when the signal was made.
        let widths = widths(one, &mut Sink::default());
        let traced_to = traced::check(one, names, sink);
        let entry = || {
            let widths = widths?;
            Some(LineEntry {
                signal: signal_id(first + index)?,
                kind: kind(one),
                unit: widths.unit,
                possible: widths.possible,
                usual: widths.usual,
                most_change: widths.most_change,
                due: due?,
                late_after: one.late_after.as_ref().map_or(LATE_AFTER, |time| time.value),
                class: one.class.as_ref().map(|class| class.value),
                traced_to: traced_to?,
            })
        };
        entries.push(entry());
    }
    entries
}

fn kind(raw: &RawEntry) -> EntryKind {
    raw.kind.as_ref().map_or_else(EntryKind::default, |kind| kind.value)
}

fn signal(raw: &RawEntry, names: &LineNames<'_>, sink: &mut Sink) -> Option<LineSignal> {
    let station = raw.station.as_ref().and_then(|name| names.stations.find(name, sink));
    let widths = widths(raw, sink);
    let kind = kind(raw);
    let Widths { unit, possible, .. } = widths?;
    let (unit, range) = match kind {
        EntryKind::Number | EntryKind::Check => (unit, possible),
        EntryKind::Calibration => {
            let span = possible.1 - possible.0;
            (unit.of_difference(), (-span, span))
        }
    };
    let decimals = raw.decimals.as_ref().and_then(|digits| u8::try_from(digits.value).ok());
    let codes = match kind {
        EntryKind::Check => BTreeMap::from([(0, "failed".to_owned()), (1, "passed".to_owned())]),
        EntryKind::Number | EntryKind::Calibration => BTreeMap::new(),
    };
    Some(LineSignal {
        tag: raw.tag.as_ref()?.value.clone(),
        name: raw.name.as_ref()?.value.clone(),
        station: StationId(u16::try_from(station?).ok()?),
        role: Role::Entered,
        unit,
        range,
        decimals: if kind == EntryKind::Check { 0 } else { decimals.unwrap_or(DECIMALS) },
        origin: Origin::Entered,
        behaves: Behaves::Value,
        stuck_after: None,
        commissioned: true,
        good_when: Vec::new(),
        codes,
        means: None,
        simulate: Simulate { typical: range.0, noise: 0.0, time_constant: Duration::ZERO },
        wiring: Wiring::default(),
        was: None,
    })
}

fn widths(raw: &RawEntry, sink: &mut Sink) -> Option<Widths> {
    if kind(raw) == EntryKind::Check {
        for key in &raw.given {
            let message = format!("`{key}` does not belong to a check, which is passed or failed");
            let at = raw.kind.as_ref().map_or(raw.at, |kind| kind.at);
            sink.report(Code::Conflict, at, message, "take it out, or write `kind = \"number\"`");
        }
        return Some(Widths { unit: Unit::Bit, possible: (0.0, 1.0), usual: (0.0, 1.0), most_change: None });
    }
    for (key, example) in [("unit", "\"%\""), ("range", "[\"0 %\", \"15 %\"]")] {
        if !raw.given.contains(&key) {
            sink.missing(raw.at, &label(raw), key, example);
        }
    }
    let unit = unit(raw.unit.as_ref()?, sink)?;
    let possible = interval("range", raw.range.as_ref()?, unit, Code::OutOfBounds, sink)?;
    let usual = match &raw.usual {
        None => possible,
        Some(written) => {
            let usual = interval("usual", written, unit, Code::OutOfBounds, sink)?;
            within(usual, possible, unit, written.at, sink)?
        }
    };
    let most_change = match &raw.most_change {
        None => None,
        Some(written) => {
            let change = sink.take("most_change", written.at, quantity::difference(&written.value, unit))?;
            if change <= 0.0 {
                let message = "`most_change` must be more than nothing";
                sink.report(Code::OutOfBounds, written.at, message, "write the largest change that is usual");
                return None;
            }
            Some(change)
        }
    };
    Some(Widths { unit, possible, usual, most_change })
}

/// What is usual must be possible.
fn within(
    usual: (f64, f64),
    (low, high): (f64, f64),
    unit: Unit,
    at: Span,
    sink: &mut Sink,
) -> Option<(f64, f64)> {
    if usual.0 >= low && usual.1 <= high {
        return Some(usual);
    }
    let message =
        format!("`usual` runs from {} to {} {unit}, beyond what can be", short(usual.0), short(usual.1));
    let hint = format!("`range` is {} to {} {unit}", short(low), short(high));
    sink.report(Code::OutOfBounds, at, message, hint);
    None
}

fn unit(written: &At<String>, sink: &mut Sink) -> Option<Unit> {
    let found = Unit::from_signal_symbol(&written.value);
    match found {
        Some(Unit::Bit) => {
            let message = "a number has a size, and a bit has none";
            sink.report(Code::Quantity, written.at, message, "write `kind = \"check\"` for passed or failed");
            None
        }
        Some(unit) => Some(unit),
        None => {
            let message = format!("{} is no unit that is known here", quoted(&written.value));
            sink.report(Code::Quantity, written.at, message, "SCHEMA.md lists the units");
            None
        }
    }
}

fn label(raw: &RawEntry) -> String {
    let tag = raw.tag.as_ref().map_or_else(String::new, |tag| format!(" {}", quoted(&tag.value)));
    format!("[[entry]]{tag}")
}

/// One of `every`, `at` and `after`, or none.
fn due(
    raw: &RawEntry,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<EntryDue> {
    let any = conditions::check(raw.after.as_ref(), names, signals, sink);
    let times = raw.times.as_ref().map(|times| times_of_day(times, sink));
    let ways = [
        raw.every.as_ref().map(|every| every.at),
        raw.times.as_ref().map(|times| times.at),
        raw.after.as_ref().map(|_| raw.after_at),
    ];
    if let [first, second, ..] = ways.into_iter().flatten().collect::<Vec<_>>().as_slice() {
        let texts = (
            format!("{} is due in two ways", label(raw)),
            "keep one of `every`, `at` and `after`".to_owned(),
        );
        sink.report_pair(Code::Conflict, *second, texts, (*first, "the other one".to_owned()));
        return None;
    }
    let needs = [
        ("counts", "every", raw.counts.as_ref().map(|one| one.at), raw.every.is_some()),
        ("wait", "after", raw.wait.as_ref().map(|one| one.at), raw.after.is_some()),
    ];
    for (key, partner, at, is_there) in needs {
        if let (Some(at), false) = (at, is_there) {
            let message = format!("`{key}` belongs to `{partner}`, which is not there");
            sink.report(Code::Conflict, at, message, format!("add `{partner}`, or take `{key}` out"));
        }
    }
    match (&raw.every, times, &raw.after) {
        (Some(every), _, _) => every_so_often(raw, every, sink),
        (None, Some(times), _) => times.map(EntryDue::Daily),
        (None, None, Some(_)) => Some(EntryDue::After {
            any: any.filter(|any| !any.is_empty())?,
            wait: raw.wait.as_ref().map_or(Duration::ZERO, |time| time.value),
        }),
        (None, None, None) => Some(EntryDue::Never),
    }
}

fn every_so_often(raw: &RawEntry, every: &At<Duration>, sink: &mut Sink) -> Option<EntryDue> {
    if every.value < SHORTEST {
        let message = "nobody enters a value more often than once a minute";
        sink.report(Code::OutOfBounds, every.at, message, "write a longer time, such as \"30 min\"");
        return None;
    }
    Some(match raw.counts.as_ref().map(|counts| counts.value) {
        Some(Counts::Clock) => EntryDue::Clock(every.value),
        Some(Counts::Running) | None => EntryDue::Running(every.value),
    })
}

/// "06:00", in the order of the day.
fn times_of_day(written: &At<Vec<At<String>>>, sink: &mut Sink) -> Option<Vec<(u8, u8)>> {
    if written.value.is_empty() {
        sink.report(Code::Word, written.at, "`at` is empty", "write `at = [\"06:00\", \"14:00\"]`");
        return None;
    }
    let mut times = Vec::new();
    let mut good = true;
    for one in &written.value {
        match time_of_day(&one.value) {
            Some(time) => times.push(time),
            None => {
                let message = format!("`at` can't be {}", quoted(&one.value));
                sink.report(
                    Code::Word,
                    one.at,
                    message,
                    "write hours and minutes of the local day, such as \"06:00\"",
                );
                good = false;
            }
        }
    }
    times.sort_unstable();
    times.dedup();
    good.then_some(times)
}

fn time_of_day(text: &str) -> Option<(u8, u8)> {
    let (hour, minute) = text.split_once(':')?;
    let two = |part: &str| (part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit())).then_some(());
    two(hour).and(two(minute))?;
    let (hour, minute) = (hour.parse::<u8>().ok()?, minute.parse::<u8>().ok()?);
    (hour < 24 && minute < 60).then_some((hour, minute))
}

/// The conditions that hold while corn is in a tank, for what is counted per batch of it.
pub(crate) fn holds_corn(tank: &crate::line::Tank) -> Condition {
    use crate::line::{TankCode, TankContents};
    use setward_process::condition::Test;
    let test = match &tank.contents {
        TankContents::Word { codes, .. } => {
            let codes = codes.iter().filter(|(_, code)| matches!(code, TankCode::Filling | TankCode::Full));
            Test::Is(codes.map(|(code, _)| *code).collect())
        }
        TankContents::Level { limits, .. } => {
            Test::Between { low: limits.empty_below(), high: f64::INFINITY }
        }
    };
    Condition { signal: tank.told_by(), test }
}
