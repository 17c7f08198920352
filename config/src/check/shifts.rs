//! Shifts: each begins at its own time of day and lasts until the next, so that together they cover the day.

use crate::line::Shift;
use crate::problem::{At, Code, quoted};
use crate::raw::recipe::RawShift;
use crate::reader::Sink;
use std::collections::BTreeMap;

/// The shifts in the order in which they begin; `None` if any of them is wrong.
pub(crate) fn check(raw: &[RawShift], sink: &mut Sink) -> Option<Vec<Shift>> {
    let mut found = Vec::new();
    let mut names: BTreeMap<&str, &At<String>> = BTreeMap::new();
    let mut times: BTreeMap<u16, &At<String>> = BTreeMap::new();
    for one in raw {
        let from = one.from.as_ref().and_then(|from| minute(from, sink).map(|minute| (minute, from)));
        let mut is_new = true;
        if let Some(name) = &one.name
            && let Some(first) = names.insert(&name.value, name)
        {
            let texts = (
                format!("two shifts are called {}", quoted(&name.value)),
                "rename one of the two".to_owned(),
            );
            sink.report_pair(Code::Duplicate, name.at, texts, (first.at, "the first one".to_owned()));
            is_new = false;
        }
        if let Some((minute, at)) = from
            && let Some(first) = times.insert(minute, at)
        {
            let texts = (
                format!("two shifts begin at {}", quoted(&at.value)),
                "a shift lasts until the next begins: give each its own time".to_owned(),
            );
            sink.report_pair(Code::Duplicate, at.at, texts, (first.at, "the first one".to_owned()));
            is_new = false;
        }
        if let (Some(name), Some((from_minute, _)), true) = (&one.name, from, is_new) {
            found.push(Shift { name: name.value.clone(), from_minute });
        }
    }
    found.sort_by_key(|shift| shift.from_minute);
    (found.len() == raw.len()).then_some(found)
}

/// Minutes after midnight of a time of day; reported if it is none.
pub(crate) fn minute(from: &At<String>, sink: &mut Sink) -> Option<u16> {
    let read = from.value.split_once(':').and_then(|(hour, minute)| {
        let is_two_digits = |text: &str| text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
        let fits = is_two_digits(hour) && is_two_digits(minute);
        let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
        (fits && hour < 24 && minute < 60).then_some(hour * 60 + minute)
    });
    if read.is_none() {
        let message = format!("{} is no time of day", quoted(&from.value));
        sink.report(Code::OutOfBounds, from.at, message, "write hours and minutes, \"06:00\" to \"23:59\"");
    }
    read
}
