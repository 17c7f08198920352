//! Tags before a rename.

use super::LineNames;
use crate::problem::{Code, Span, quoted};
use crate::raw::line::RawLine;
use crate::reader::Sink;
use std::collections::BTreeMap;

/// A tag before a rename is nobody's now, and one signal's only.
pub(crate) fn check(raw: &RawLine, names: &LineNames<'_>, sink: &mut Sink) {
    let mut first: BTreeMap<&str, Span> = BTreeMap::new();
    for was in raw.signals.iter().filter_map(|one| one.was.as_ref()) {
        let hint = "name the tag that this signal had before, and no signal has now";
        if names.signals.has(&was.value) {
            let message = format!("`was` is {}, which is a signal of this line", quoted(&was.value));
            sink.report(Code::Duplicate, was.at, message, hint);
        } else if let Some(earlier) = first.get(was.value.as_str()) {
            let texts = (format!("two signals were called {} before", quoted(&was.value)), hint.to_owned());
            sink.report_pair(Code::Duplicate, was.at, texts, (*earlier, "the first one".to_owned()));
        } else {
            first.insert(&was.value, was.at);
        }
    }
}
