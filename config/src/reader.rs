//! A table of a TOML file, read key by key. Every unknown, missing or mistyped key is recorded and reading goes on, so that
//! five mistakes in one table give five problems.
//!
//! Knows TOML and nothing of lines: what belongs in a table is in `raw/`, what is described but not acted on yet in
//! `schema.rs`.

use crate::problem::{At, Code, Problem, Span, Spot, quoted};
use crate::quantity::{self, Quantity, Refusal};
use crate::schema;
use crate::value::{FromValue, Mismatch, span_in, type_name};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::time::Duration;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Where problems are collected while files are read and checked.
#[derive(Debug, Default)]
pub(crate) struct Sink {
    /// What was found so far.
    pub(crate) problems: Vec<Problem>,
    /// Every key that was looked for, by table: what this version reads.
    pub(crate) asked: BTreeMap<&'static str, BTreeSet<&'static str>>,
    /// How many names that nothing has were reported.
    pub(crate) unknown_names: usize,
}

impl Sink {
    /// Records a problem at `at`.
    pub(crate) fn report(
        &mut self,
        code: Code,
        at: Span,
        message: impl Into<String>,
        hint: impl Into<String>,
    ) {
        let (message, hint) = (message.into(), hint.into());
        self.problems.push(Problem { code, at: Spot::Span(at), message, hint, also: None });
    }

    /// Records that the table `label` at `at` has no `key`.
    pub(crate) fn missing(&mut self, at: Span, label: &str, key: &str, example: &str) {
        self.report(
            Code::MissingKey,
            at,
            format!("{label} has no `{key}`"),
            format!("add `{key} = {example}`"),
        );
    }

    /// Records a problem at `at` that has to do with another place.
    pub(crate) fn report_pair(
        &mut self,
        code: Code,
        at: Span,
        texts: (String, String),
        also: (Span, String),
    ) {
        let (message, hint) = texts;
        self.problems.push(Problem { code, at: Spot::Span(at), message, hint, also: Some(also) });
    }

    /// The value, or a record of why `key` at `at` can't be one.
    pub(crate) fn take<T>(&mut self, key: &str, at: Span, found: Result<T, Refusal>) -> Option<T> {
        found
            .map_err(|refusal| {
                self.report(Code::Quantity, at, format!("`{key}` {}", refusal.found), refusal.hint);
            })
            .ok()
    }
}

/// A time, or a word that stands for one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum TimeOrWord {
    /// The word, where it stands.
    Word(Span),
    /// A time.
    Time(At<Duration>),
}

/// One table being read.
pub(crate) struct TableReader<'a, 'i> {
    name: &'static str,
    at: Span,
    table: &'a DeTable<'i>,
    sink: &'a mut Sink,
    asked: Vec<&'static str>,
    /// Needed keys that are not there; told at the end, unless a misspelt key explains them.
    absent: Vec<Absent>,
}

/// A key that is needed and not there.
struct Absent {
    key: &'static str,
    code: Code,
    message: String,
    hint: String,
}

/// Reads `table`, called `name` in SCHEMA.md, with `read`; then reports every key that `read` did not ask for.
pub(crate) fn read_table<T>(
    name: &'static str,
    at: Span,
    table: &DeTable<'_>,
    sink: &mut Sink,
    read: impl FnOnce(&mut TableReader<'_, '_>) -> T,
) -> T {
    let mut reader = TableReader { name, at, table, sink, asked: Vec::new(), absent: Vec::new() };
    let value = read(&mut reader);
    reader.report_rest();
    value
}

impl<'a, 'i> TableReader<'a, 'i> {
    /// Where the table is.
    pub(crate) const fn at(&self) -> Span {
        self.at
    }

    /// Where problems go.
    pub(crate) const fn sink(&mut self) -> &mut Sink {
        self.sink
    }

    /// The value of `key` if it is there. `example` shows in hints how to write it.
    pub(crate) fn may<T: FromValue>(&mut self, key: &'static str, example: &str) -> Option<At<T>> {
        let value = self.look(key)?;
        match T::from_value(value, self.at.file) {
            Ok(found) => Some(At { value: found, at: self.span(value.span()) }),
            Err(mut mismatch) => {
                let others = std::mem::take(&mut mismatch.others);
                for Mismatch { at, found, belongs, is_item, others: _ } in
                    std::iter::once(mismatch).chain(others)
                {
                    let whole = if is_item { "an item of " } else { "" };
                    let message = format!("{whole}`{key}` is {found}, where {belongs} belongs");
                    self.sink.report(Code::WrongType, at, message, format!("write `{key} = {example}`"));
                }
                None
            }
        }
    }

    /// The value of `key`; its absence is recorded.
    pub(crate) fn need<T: FromValue>(&mut self, key: &'static str, example: &str) -> Option<At<T>> {
        if self.has(key) {
            return self.may(key, example);
        }
        self.missing(key, example);
        None
    }

    /// Text that is not empty, if it is there.
    pub(crate) fn may_text(&mut self, key: &'static str, example: &str) -> Option<At<String>> {
        let text = self.may::<String>(key, example)?;
        if text.value.trim().is_empty() {
            self.sink.report(
                Code::Word,
                text.at,
                format!("`{key}` is empty"),
                format!("write `{key} = {example}`"),
            );
            return None;
        }
        Some(text)
    }

    /// Text that is not empty; its absence is recorded.
    pub(crate) fn need_text(&mut self, key: &'static str, example: &str) -> Option<At<String>> {
        if self.has(key) {
            return self.may_text(key, example);
        }
        self.missing(key, example);
        None
    }

    /// A whole number from `low` to `high`, if it is there.
    pub(crate) fn may_whole(
        &mut self,
        key: &'static str,
        example: &str,
        low: i64,
        high: i64,
    ) -> Option<At<i64>> {
        let whole = self.may::<i64>(key, example)?;
        if (low..=high).contains(&whole.value) {
            return Some(whole);
        }
        let message = format!("`{key}` is {}; {low} to {high} is accepted", whole.value);
        self.sink.report(
            Code::OutOfBounds,
            whole.at,
            message,
            format!("write for example `{key} = {example}`"),
        );
        None
    }

    /// A time, if it is there.
    pub(crate) fn may_time(&mut self, key: &'static str, example: &str) -> Option<At<Duration>> {
        let written = self.may::<Quantity>(key, example)?;
        let value = self.sink.take(key, written.at, quantity::time(&written.value))?;
        Some(At { value, at: written.at })
    }

    /// A time; its absence is recorded.
    pub(crate) fn need_time(&mut self, key: &'static str, example: &str) -> Option<At<Duration>> {
        if self.has(key) {
            return self.may_time(key, example);
        }
        self.missing(key, example);
        None
    }

    /// A time or `word`, if it is there.
    pub(crate) fn may_time_or(&mut self, key: &'static str, word: &str, example: &str) -> Option<TimeOrWord> {
        if self.word_is(key, word) {
            return Some(TimeOrWord::Word(self.at_of(key)));
        }
        if let Some(other) = self.text(key).filter(|text| text.starts_with(char::is_alphabetic)) {
            let message = format!("`{key}` can't be {}", quoted(other));
            let hint = format!("write a time such as {example}, or \"{word}\"");
            self.sink.report(Code::Word, self.at_of(key), message, hint);
            return None;
        }
        self.may_time(key, example).map(TimeOrWord::Time)
    }

    /// The same; its absence is recorded.
    pub(crate) fn need_time_or(
        &mut self,
        key: &'static str,
        word: &str,
        example: &str,
    ) -> Option<TimeOrWord> {
        if self.has(key) {
            return self.may_time_or(key, word, example);
        }
        self.missing(key, example);
        None
    }

    /// One of a closed list of words, if it is there.
    pub(crate) fn may_word<T: Copy>(
        &mut self,
        key: &'static str,
        words: &[(&'static str, T)],
    ) -> Option<At<T>> {
        let (first, _) = words.first()?;
        let text = self.may_text(key, &format!("\"{first}\""))?;
        if let Some((_, value)) = words.iter().find(|(word, _)| *word == text.value) {
            return Some(At { value: *value, at: text.at });
        }
        let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let message = format!("`{key}` can't be {}", quoted(&text.value));
        self.sink.report(Code::Word, text.at, message, nearest_or_all(&text.value, &names));
        None
    }

    /// One of a closed list of words; its absence is recorded.
    pub(crate) fn need_word<T: Copy>(
        &mut self,
        key: &'static str,
        words: &[(&'static str, T)],
    ) -> Option<At<T>> {
        if self.has(key) {
            return self.may_word(key, words);
        }
        let (first, _) = words.first()?;
        self.missing(key, &format!("\"{first}\""));
        None
    }

    /// The table under `key`, called `name` in SCHEMA.md, if it is there.
    pub(crate) fn may_table<T>(
        &mut self,
        key: &'static str,
        name: &'static str,
        read: impl FnOnce(&mut TableReader<'_, '_>) -> T,
    ) -> Option<T> {
        let value = self.look(key)?;
        self.table_at(key, name, value, read)
    }

    /// The same; its absence is recorded.
    pub(crate) fn need_table<T>(
        &mut self,
        key: &'static str,
        name: &'static str,
        read: impl FnOnce(&mut TableReader<'_, '_>) -> T,
    ) -> Option<T> {
        if !self.has(key) {
            let message = format!("{} has no {name}", self.label());
            self.absent(Code::MissingKey, key, message, format!("add {name}; SCHEMA.md lists what is in it"));
        }
        self.may_table(key, name, read)
    }

    /// Each table of the list under `key`, called `name` in SCHEMA.md.
    pub(crate) fn tables<T>(
        &mut self,
        key: &'static str,
        name: &'static str,
        read: impl FnMut(&mut TableReader<'_, '_>) -> T,
    ) -> Vec<T> {
        self.list(key, name, &format!("start each one with `[[{key}]]`"), read)
    }

    /// The same with another hint for what is no list of tables.
    pub(crate) fn list<T>(
        &mut self,
        key: &'static str,
        name: &'static str,
        hint: &str,
        mut read: impl FnMut(&mut TableReader<'_, '_>) -> T,
    ) -> Vec<T> {
        let Some(value) = self.look(key) else { return Vec::new() };
        let DeValue::Array(list) = value.get_ref() else {
            let (at, found) = (self.span(value.span()), type_name(value.get_ref()));
            let message = format!("`{key}` is {found}, where a list of tables belongs");
            self.sink.report(Code::WrongType, at, message, hint);
            return Vec::new();
        };
        list.iter().filter_map(|value| self.table_at(key, name, value, &mut read)).collect()
    }

    /// Every key of the table with its text value, for tables whose keys are data. All keys count as asked for.
    pub(crate) fn entries(&mut self) -> Vec<(At<String>, Option<At<String>>)> {
        let mut found = Vec::new();
        for (key, value) in self.table {
            let key_at = self.span(key.span());
            let value_at = self.span(value.span());
            let text = String::from_value(value, key_at.file).ok();
            let key = At { value: key.get_ref().to_string(), at: key_at };
            found.push((key, text.map(|value| At { value, at: value_at })));
        }
        self.asked = schema::EVERY_KEY.to_vec();
        found
    }

    /// Records that `key` is missing.
    pub(crate) fn missing(&mut self, key: &'static str, example: &str) {
        let message = format!("{} has no `{key}`", self.label());
        self.absent(Code::MissingKey, key, message, format!("add `{key} = {example}`"));
    }

    /// Records that `key` is missing, in other words.
    pub(crate) fn absent(&mut self, code: Code, key: &'static str, message: String, hint: String) {
        self.absent.push(Absent { key, code, message, hint });
    }

    /// Whether `key` holds this very text. Counts as asking for it.
    pub(crate) fn word_is(&mut self, key: &'static str, word: &str) -> bool {
        self.look(key).and_then(|value| value.get_ref().as_str()) == Some(word)
    }

    /// Those of `keys` that are there, well-typed or not, also misspelt. Does not count as asking for them.
    pub(crate) fn given(&self, keys: &[&'static str]) -> Vec<&'static str> {
        let is_near = |key: &str| self.table.keys().any(|found| nearest(found.get_ref(), &[key]).is_some());
        keys.iter().copied().filter(|key| is_near(key)).collect()
    }

    /// The text of `key`, if it holds one. Does not count as asking for it.
    pub(crate) fn text(&self, key: &str) -> Option<&str> {
        self.raw(key)?.get_ref().as_str()
    }

    /// Where the value of `key` is; the table itself if it has none.
    pub(crate) fn at_of(&self, key: &str) -> Span {
        self.raw(key).map_or(self.at, |value| self.span(value.span()))
    }

    /// Whether `key` holds a list with nothing in it.
    pub(crate) fn is_empty_list(&self, key: &str) -> bool {
        self.raw(key).and_then(|value| value.get_ref().as_array()).is_some_and(|list| list.is_empty())
    }

    /// Whether the table holds nothing.
    pub(crate) fn is_blank(&self) -> bool {
        self.table.is_empty()
    }

    /// Whether `key` is there. Counts as asking for it.
    pub(crate) fn has(&mut self, key: &'static str) -> bool {
        self.look(key).is_some()
    }

    /// The table with what identifies it, for people: "[[signal]] TT-310".
    pub(crate) fn label(&self) -> String {
        let identity =
            ["tag", "id", "key", "name", "signal"].iter().find_map(|key| self.raw(key)?.get_ref().as_str());
        match identity {
            Some(identity) if !identity.is_empty() => format!("{} {}", self.name, quoted(identity)),
            Some(_) | None => self.name.to_owned(),
        }
    }

    fn look(&mut self, key: &'static str) -> Option<&'a Spanned<DeValue<'i>>> {
        self.asked.push(key);
        self.raw(key)
    }

    fn raw(&self, key: &str) -> Option<&'a Spanned<DeValue<'i>>> {
        self.table.get(key)
    }

    const fn span(&self, range: Range<usize>) -> Span {
        span_in(self.at.file, range)
    }

    fn table_at<T>(
        &mut self,
        key: &'static str,
        name: &'static str,
        value: &Spanned<DeValue<'_>>,
        read: impl FnOnce(&mut TableReader<'_, '_>) -> T,
    ) -> Option<T> {
        let at = self.span(value.span());
        let DeValue::Table(table) = value.get_ref() else {
            let message = format!("`{key}` is {}, where a table belongs", type_name(value.get_ref()));
            self.sink.report(Code::WrongType, at, message, format!("see {name} in SCHEMA.md"));
            return None;
        };
        Some(read_table(name, at, table, self.sink, read))
    }

    fn report_rest(mut self) {
        let asked = std::mem::take(&mut self.asked);
        if asked == schema::EVERY_KEY {
            return;
        }
        self.sink.asked.entry(self.name).or_default().extend(&asked);
        let later = schema::later(self.name);
        let mut known: Vec<&str> = Vec::new();
        for key in asked.iter().chain(later) {
            if !known.contains(key) {
                known.push(key);
            }
        }
        let mut meant = Vec::new();
        for (key, _) in self.table {
            let (name, at) = (key.get_ref().as_ref(), self.span(key.span()));
            if asked.contains(&name) {
                continue;
            }
            if later.contains(&name) {
                self.report_later(name, at);
            } else {
                meant.extend(nearest(name, &known));
                let message = format!("{} is not a key of {}", quoted(name), self.label());
                self.sink.report(Code::UnknownKey, at, message, nearest_or_all(name, &known));
            }
        }
        for Absent { key, code, message, hint } in std::mem::take(&mut self.absent) {
            if !meant.contains(&key) {
                self.sink.report(code, self.at, message, hint);
            }
        }
    }

    fn report_later(&mut self, name: &str, at: Span) {
        let (key, table) = (quoted(name), self.name);
        let message =
            format!("{key} in {table} is described in SCHEMA.md but this version does not act on it yet");
        self.sink.report(Code::NotYet, at, message, "leave it out, or keep it for a later version");
    }
}

/// "did you mean ..?" if one of `known` is near `found`, else all of them.
pub(crate) fn nearest_or_all(found: &str, known: &[&str]) -> String {
    match nearest(found, known) {
        Some(near) => format!("did you mean `{near}`?"),
        None if known.is_empty() => "there is none to choose from yet".to_owned(),
        None => format!("accepted: {}", some_of(known)),
    }
}

/// The names in `known`, cut after a dozen and a half.
fn some_of(known: &[&str]) -> String {
    const MOST: usize = 18;
    let rest = known.len().saturating_sub(MOST);
    let shown = known.iter().take(MOST).copied().collect::<Vec<_>>().join(", ");
    if rest == 0 { shown } else { format!("{shown} and {rest} more") }
}

/// The name that `found` was most likely meant to be.
pub(crate) fn nearest<'k>(found: &str, known: &[&'k str]) -> Option<&'k str> {
    // A file can hold anything: comparing a page of text with every name would take for ever.
    if found.len() > 64 {
        return None;
    }
    known
        .iter()
        .map(|name| (strsim::osa_distance(&found.to_lowercase(), &name.to_lowercase()), *name))
        .filter(|(distance, name)| *distance <= 1 + name.len() / 5)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}
