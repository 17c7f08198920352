//! Lots and date codes: one way in which lots begin, and a code of known parts.

use super::LineNames;
use super::shifts::minute;
use crate::line::{CodeField, LineEntry, LineSignal, LotBegins, Lots, Shift};
use crate::problem::{At, Code, quoted};
use crate::raw::lots::{LotsBy, RawLots};
use crate::reader::{Sink, nearest_or_all};
use setward_protocol::Unit;
use std::collections::BTreeMap;
use std::time::Duration;

/// Longest text between parts, and longest letters of a line, characters.
const TEXT_MOST: usize = 8;

/// What entries and shifts there are.
pub(crate) struct Beside<'a> {
    pub(crate) names: &'a LineNames<'a>,
    pub(crate) signals: &'a [Option<LineSignal>],
    pub(crate) entries: &'a [Option<LineEntry>],
    /// `None` if they are wrong.
    pub(crate) shifts: Option<&'a [Shift]>,
}

/// The lots, if the file tells them; outer `None`: it is there and wrong.
pub(crate) fn check(raw: Option<&RawLots>, beside: &Beside<'_>, sink: &mut Sink) -> Option<Option<Lots>> {
    let Some(raw) = raw else { return Some(None) };
    let begins = begins(raw, beside, sink);
    let date_code = date_code(raw, beside, sink);
    let between = text("between", raw.between.as_ref(), sink);
    let line_code = text("line_code", raw.line_code.as_ref(), sink);
    let day_from = match &raw.day_from {
        Some(written) => minute(written, sink),
        None => Some(0),
    };
    Some(Some(Lots {
        begins: begins?,
        date_code: date_code?,
        between: between?,
        line_code: line_code?,
        day_from_minute: day_from?,
        best_before: raw.best_before.as_ref().map_or(Duration::ZERO, |time| time.value),
    }))
}

fn begins(raw: &RawLots, beside: &Beside<'_>, sink: &mut Sink) -> Option<LotBegins> {
    let by = raw.by.as_ref()?;
    for (key, at, own) in [
        ("at", raw.times.as_ref().map(|times| times.at), LotsBy::Clock),
        ("entry", raw.entry.as_ref().map(|entry| entry.at), LotsBy::Entry),
    ] {
        if let Some(at) = at.filter(|_| by.value != own) {
            let message = format!("`{key}` does not belong to lots that begin otherwise");
            sink.report(Code::Conflict, at, message, format!("take `{key}` out, or change `by`"));
        }
    }
    match by.value {
        LotsBy::Clock => clock(raw, sink).map(LotBegins::Clock),
        LotsBy::Shifts => {
            if beside.shifts.is_some_and(<[Shift]>::is_empty) {
                let message = "the line has no shifts";
                sink.report(Code::Conflict, by.at, message, "add [[shift]], or write `by = \"clock\"`");
                return None;
            }
            Some(LotBegins::Shifts)
        }
        LotsBy::Entry => entered(raw, beside, sink),
    }
}

fn clock(raw: &RawLots, sink: &mut Sink) -> Option<Vec<u16>> {
    let Some(times) = &raw.times else {
        sink.missing(raw.at, "[lots]", "at", "[\"06:00\"]");
        return None;
    };
    let mut first: BTreeMap<u16, &At<String>> = BTreeMap::new();
    let mut is_whole = !times.value.is_empty();
    if times.value.is_empty() {
        sink.report(Code::Word, times.at, "`at` is empty", "write `at = [\"06:00\"]`");
    }
    for one in &times.value {
        let Some(found) = minute(one, sink) else {
            is_whole = false;
            continue;
        };
        if let Some(before) = first.insert(found, one) {
            let texts = (
                format!("two lots begin at {}", quoted(&one.value)),
                "a lot lasts until the next begins: write each time once".to_owned(),
            );
            sink.report_pair(Code::Duplicate, one.at, texts, (before.at, "the first one".to_owned()));
            is_whole = false;
        }
    }
    is_whole.then(|| first.into_keys().collect())
}

fn entered(raw: &RawLots, beside: &Beside<'_>, sink: &mut Sink) -> Option<LotBegins> {
    let Some(name) = &raw.entry else {
        sink.missing(raw.at, "[lots]", "entry", "\"XI-456\"");
        return None;
    };
    let index = beside.names.signals.find(name, sink)?;
    let signal = super::stations::signal_id(index)?;
    let is_number = beside.entries.iter().flatten().any(|entry| entry.signal == signal)
        && beside.signals.get(index)?.as_ref()?.unit == Unit::One;
    if !is_number {
        let message = format!("{} is no number that people enter", quoted(&name.value));
        let hint =
            "name an [[entry]] of the kind `number` with the unit \"1\": the number of the packing order";
        sink.report(Code::Conflict, name.at, message, hint);
        return None;
    }
    Some(LotBegins::Entered(signal))
}

fn date_code(raw: &RawLots, beside: &Beside<'_>, sink: &mut Sink) -> Option<Vec<CodeField>> {
    let Some(written) = &raw.date_code else { return Some(Vec::new()) };
    let words = CodeField::NAMED.map(|(word, _)| word);
    let mut found = Vec::new();
    for one in &written.value {
        let field = CodeField::NAMED.iter().find(|(word, _)| *word == one.value).map(|(_, field)| *field);
        match field {
            Some(CodeField::Shift) if beside.shifts.is_some_and(<[Shift]>::is_empty) => {
                let message = "the date code tells the shift, and the line has none";
                sink.report(Code::Conflict, one.at, message, "add [[shift]], or take `shift` out");
            }
            Some(CodeField::Line) if raw.line_code.is_none() => {
                let message = "the date code tells the line, and nothing says by which letters";
                sink.report(Code::Conflict, one.at, message, "add `line_code = \"L2\"`");
            }
            Some(field) => found.push(field),
            None => {
                let message = format!("{} is no part of a date code", quoted(&one.value));
                sink.report(Code::Word, one.at, message, nearest_or_all(&one.value, &words));
            }
        }
    }
    (found.len() == written.value.len()).then_some(found)
}

/// Printable and short; empty if it is not there.
fn text(key: &str, written: Option<&At<String>>, sink: &mut Sink) -> Option<String> {
    let Some(written) = written else { return Some(String::new()) };
    let fits = written.value.chars().count() <= TEXT_MOST && !written.value.chars().any(char::is_control);
    if !fits {
        let message = format!("`{key}` has up to {TEXT_MOST} characters that can be printed");
        sink.report(Code::OutOfBounds, written.at, message, format!("shorten `{key}`"));
    }
    fits.then(|| written.value.clone())
}
