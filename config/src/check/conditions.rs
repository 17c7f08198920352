//! Conditions: each names a signal and one test that its value can pass and fail.

use super::LineNames;
use super::intervals::interval;
use super::registers::shown;
use super::stations::signal_id;
use crate::line::LineSignal;
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{Quantity, short};
use crate::raw::condition::RawCondition;
use crate::reader::Sink;
use setward_process::condition::{Condition, Test};
use setward_protocol::{Dimension, Unit};

/// The conditions, if all of them are right. Nothing given is an empty list, which always holds.
pub(crate) fn check(
    raw: Option<&Vec<RawCondition>>,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Vec<Condition>> {
    let found: Vec<Option<Condition>> =
        raw.into_iter().flatten().map(|one| condition(one, names, signals, sink)).collect();
    found.into_iter().collect()
}

fn condition(
    raw: &RawCondition,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Condition> {
    let index = raw.signal.as_ref().and_then(|name| names.signals.find(name, sink));
    let signal = index.and_then(|index| signals.get(index)?.as_ref());
    if let (Some(name), Some(false)) = (&raw.signal, signal.map(|signal| signal.commissioned)) {
        let message =
            format!("{} is not commissioned: this neither holds nor fails until it is", quoted(&name.value));
        let hint = "leave the condition out until the signal is wired, or set `commissioned = true`";
        sink.report(Code::SecondLook, name.at, message, hint);
    }
    let test = match (&raw.is, &raw.between) {
        (Some(codes), None) => is(codes, signal?, sink),
        (None, Some(range)) => between(range, signal?, sink),
        (Some(first), Some(second)) => {
            let texts =
                ("a condition has both `is` and `between`".to_owned(), "keep one of the two".to_owned());
            sink.report_pair(Code::Conflict, second.at, texts, (first.at, "the other one".to_owned()));
            None
        }
        (None, None) => {
            if !raw.has_test {
                let hint = "add `is = [0]` for codes, or `between = [\"40 degC\", \"85 degC\"]` for a value";
                sink.report(Code::MissingKey, raw.at, "a condition tests nothing", hint);
            }
            None
        }
    };
    Some(Condition { signal: signal_id(index?)?, test: test? })
}

/// Codes, for a signal that is a plain number or a bit.
fn is(codes: &At<Vec<At<i64>>>, signal: &LineSignal, sink: &mut Sink) -> Option<Test> {
    if !matches!(signal.unit, Unit::One | Unit::Bit) {
        let message = format!("`is` compares codes, and {} is in {}", quoted(&signal.tag), signal.unit);
        let hint = "write `between` with the lowest and the highest value";
        sink.report(Code::Conflict, codes.at, message, hint);
        return None;
    }
    if codes.value.is_empty() {
        sink.report(Code::Word, codes.at, "`is` is empty", "name at least one code");
        return None;
    }
    codes_in_range("is", codes, signal, sink)
        .then(|| Test::Is(codes.value.iter().map(|code| code.value).collect()))
}

/// Whether the signal can have each of `codes`; one that it can't is reported.
pub(crate) fn codes_in_range(
    key: &str,
    codes: &At<Vec<At<i64>>>,
    signal: &LineSignal,
    sink: &mut Sink,
) -> bool {
    let (low, high) = signal.range;
    let outside: Vec<&At<i64>> =
        codes.value.iter().filter(|code| !(low..=high).contains(&(code.value as f64))).collect();
    for code in &outside {
        let message = format!("`{key}` names {}, which {} can never be", code.value, quoted(&signal.tag));
        let hint = format!("its range is {} to {}", short(low), short(high));
        sink.report(Code::OutOfBounds, code.at, message, hint);
    }
    outside.is_empty()
}

/// A value from low to high, both included.
fn between(range: &At<(At<Quantity>, At<Quantity>)>, signal: &LineSignal, sink: &mut Sink) -> Option<Test> {
    let unit = signal.unit;
    if unit.dimension() == Dimension::Bit {
        let message = format!("`between` compares a value, and {} is a bit", quoted(&signal.tag));
        sink.report(Code::Conflict, range.at, message, "write `is = [0]` or `is = [1]`");
        return None;
    }
    let (low, high) = interval("between", range, unit, Code::OutOfBounds, sink)?;
    can_be_between(range.at, (low, high), signal, sink).then_some(Test::Between { low, high })
}

/// Whether the signal can have a value from low to high; if not, that is reported.
pub(crate) fn can_be_between(
    at: Span,
    (low, high): (f64, f64),
    signal: &LineSignal,
    sink: &mut Sink,
) -> bool {
    let (lowest, highest) = shown(signal);
    let can_be = low <= highest && lowest <= high;
    if !can_be {
        let unit = signal.unit;
        let message =
            format!("{} can never be between {} and {} {unit}", quoted(&signal.tag), short(low), short(high));
        let what = if (lowest, highest) == signal.range { "range is" } else { "register shows" };
        let hint = format!("its {what} {} to {} {unit}", short(lowest), short(highest));
        sink.report(Code::OutOfBounds, at, message, hint);
    }
    can_be
}
