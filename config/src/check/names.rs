//! Names by which tables refer to each other: unique, well-formed, and found with the nearest one suggested.

use crate::problem::{At, Code, quoted};
use crate::reader::{Sink, nearest_or_all};
use std::collections::BTreeMap;

/// How many unknown names are told with the nearest known one.
const MOST_SUGGESTIONS: usize = 500;

/// Longest name that serves as an identity.
const LONGEST: usize = 64;

/// The names of one kind of table.
pub(crate) struct Names<'a> {
    kind: &'static str,
    index: BTreeMap<&'a str, usize>,
}

impl<'a> Names<'a> {
    /// The names in `list`, each with its place in it; a name that is taken or malformed is reported.
    pub(crate) fn of(
        kind: &'static str,
        list: impl Iterator<Item = Option<&'a At<String>>>,
        sink: &mut Sink,
    ) -> Self {
        let list: Vec<_> = list.collect();
        for name in list.iter().copied().flatten() {
            well_formed(kind, name, sink);
        }
        Self::of_texts(kind, list.into_iter(), sink)
    }

    /// The same for names that are for people: any text.
    pub(crate) fn of_texts(
        kind: &'static str,
        list: impl Iterator<Item = Option<&'a At<String>>>,
        sink: &mut Sink,
    ) -> Self {
        let mut first: BTreeMap<&'a str, (usize, &'a At<String>)> = BTreeMap::new();
        for (index, name) in list.enumerate() {
            let Some(name) = name else { continue };
            if let Some((_, earlier)) = first.get(name.value.as_str()) {
                let message = format!("there are two {kind}s called {}", quoted(&name.value));
                let hint = "give one of them another name".to_owned();
                sink.report_pair(
                    Code::Duplicate,
                    name.at,
                    (message, hint),
                    (earlier.at, "the first one".to_owned()),
                );
            } else {
                first.insert(&name.value, (index, name));
            }
        }
        Self { kind, index: first.into_iter().map(|(name, (index, _))| (name, index)).collect() }
    }

    /// Whether there is one called `name`.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.index.contains_key(name)
    }

    /// The place of the one called `name`, if there is one.
    pub(crate) fn place(&self, name: &str) -> Option<usize> {
        self.index.get(name).copied()
    }

    /// The place of the one called `wanted`; reported if there is none.
    pub(crate) fn find(&self, wanted: &At<String>, sink: &mut Sink) -> Option<usize> {
        let found = self.index.get(wanted.value.as_str()).copied();
        if found.is_none() {
            let hint = if sink.unknown_names < MOST_SUGGESTIONS {
                let known: Vec<&str> = self.index.keys().copied().collect();
                nearest_or_all(&wanted.value, &known)
            } else {
                // Looking for the nearest of thousands, thousands of times over, would take for ever.
                "correct the first ones, then check again".to_owned()
            };
            sink.unknown_names += 1;
            let message = format!("there is no {} called {}", self.kind, quoted(&wanted.value));
            sink.report(Code::UnknownName, wanted.at, message, hint);
        }
        found
    }
}

/// Reports an identity that can't stand in an address or a file name.
pub(crate) fn well_formed(kind: &str, name: &At<String>, sink: &mut Sink) {
    let is_plain = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '-' | '_' | '.');
    if name.value.len() > LONGEST || !name.value.chars().all(is_plain) {
        let message = format!("{} can't name this {kind}", quoted(&name.value));
        let hint = format!("up to {LONGEST} of letters a-z and A-Z, digits, `-`, `_` and `.` are accepted");
        sink.report(Code::Word, name.at, message, hint);
    }
}
