//! Which alarm hides which: a cause its consequences. No circles, and an alarm of process safety only behind another.

use super::automatic::PREFIXES;
use crate::line::AlarmClass;
use crate::problem::{At, Code, Span, quoted};
use crate::raw::alarm::RawAlarm;
use crate::reader::{Sink, nearest_or_all};
use setward_alarm::{AlarmId, CAUSES_MAX};
use std::collections::{BTreeMap, BTreeSet};

/// One alarm of the line, as far as its name goes.
pub(super) struct Entry {
    /// Its place in the file's list.
    pub(super) raw: usize,
    /// Its id: `id`, or `id.TAG` for one of several.
    pub(super) id: Option<String>,
    /// Which of the signals of its table it watches, from 0.
    pub(super) nth: usize,
}

/// What each entry hides, in the order of entries.
pub(super) fn check(alarms: &[RawAlarm], entries: &[Entry], sink: &mut Sink) -> Vec<Vec<AlarmId>> {
    let book = Book::of(alarms, entries);
    let mut edges: Vec<Vec<(usize, Span)>> = vec![Vec::new(); entries.len()];
    for (raw, alarm) in alarms.iter().enumerate() {
        nothing_for_so_long(alarm, sink);
        let Some(hides) = &alarm.hides else { continue };
        let mut named = BTreeSet::new();
        for name in &hides.value {
            if !named.insert(&name.value) {
                let message = format!("{} is named twice", quoted(&name.value));
                sink.report(Code::Duplicate, name.at, message, "take one of the two out");
                continue;
            }
            let Some(found) = book.find(name, sink) else { continue };
            safety(name, alarm, &found, alarms, entries, sink);
            for (entry, hidden) in book.pairs(raw, &found) {
                if let Some(list) = edges.get_mut(entry) {
                    list.push((hidden, name.at));
                }
            }
        }
    }
    circles(&edges, entries, sink);
    too_many_causes(&edges, entries, sink);
    let ids = |list: Vec<(usize, Span)>| {
        list.into_iter().filter_map(|(hidden, _)| u16::try_from(hidden).ok().map(AlarmId)).collect()
    };
    edges.into_iter().map(ids).collect()
}

/// A limit to hiding needs something that is hidden, and time in which it is.
fn nothing_for_so_long(alarm: &RawAlarm, sink: &mut Sink) {
    let Some(limit) = &alarm.hides_for else { return };
    if alarm.hides.is_none() {
        let hint = "add `hides = [..]` with the alarms that follow from this one, or take `hides_for` out";
        sink.report(Code::Conflict, limit.at, "`hides_for` limits `hides`, which is missing", hint);
    } else if limit.value.is_zero() {
        let hint =
            "write a time such as \"5 min\", or take `hides` and `hides_for` out: then nothing is hidden";
        sink.report(Code::OutOfBounds, limit.at, "hiding for no time hides nothing", hint);
    }
}

/// The entries by their ids, and by the ids of their tables.
struct Book<'a> {
    entries: &'a [Entry],
    by_id: BTreeMap<&'a str, usize>,
    by_table: BTreeMap<&'a str, usize>,
    of_table: BTreeMap<usize, Vec<usize>>,
}

impl<'a> Book<'a> {
    fn of(alarms: &'a [RawAlarm], entries: &'a [Entry]) -> Self {
        let mut of_table: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (index, entry) in entries.iter().enumerate() {
            of_table.entry(entry.raw).or_default().push(index);
        }
        let ids = entries.iter().enumerate().filter_map(|(index, entry)| Some((entry.id.as_deref()?, index)));
        let tables = alarms.iter().enumerate().filter(|(_, alarm)| alarm.signals.is_some());
        let tables = tables.filter_map(|(raw, alarm)| Some((alarm.id.as_ref()?.value.as_str(), raw)));
        Self { entries, by_id: ids.collect(), by_table: tables.collect(), of_table }
    }

    /// The entries that `name` stands for; reported if there are none.
    fn find(&self, name: &At<String>, sink: &mut Sink) -> Option<Vec<usize>> {
        if let Some(raw) = self.by_table.get(name.value.as_str()) {
            return Some(self.of_table.get(raw).cloned().unwrap_or_default());
        }
        if let Some(index) = self.by_id.get(name.value.as_str()) {
            return Some(vec![*index]);
        }
        if PREFIXES.iter().any(|prefix| name.value.starts_with(prefix)) {
            let message = format!("{} is an automatic alarm: none can be hidden", quoted(&name.value));
            let hint = "take it out: it hides what it makes blind, by itself";
            sink.report(Code::Conflict, name.at, message, hint);
            return None;
        }
        let known: Vec<&str> = self.by_table.keys().chain(self.by_id.keys()).copied().collect();
        let message = format!("there is no alarm called {}", quoted(&name.value));
        sink.report(Code::UnknownName, name.at, message, nearest_or_all(&name.value, &known));
        None
    }

    /// Which entry of the table `raw` hides which of `found`: where both watch equally many signals, the first the first.
    fn pairs(&self, raw: usize, found: &[usize]) -> Vec<(usize, usize)> {
        let own = self.of_table.get(&raw).map_or(&[] as &[usize], Vec::as_slice);
        let is_paired = own.len() > 1 && own.len() == found.len();
        let nth = |index: usize| self.entries.get(index).map(|entry| entry.nth);
        let all = own.iter().flat_map(|entry| found.iter().map(move |hidden| (*entry, *hidden)));
        all.filter(|(entry, hidden)| !is_paired || nth(*entry) == nth(*hidden)).collect()
    }
}

/// An alarm that protects people is hidden by another one of the kind at most.
fn safety(
    name: &At<String>,
    cause: &RawAlarm,
    found: &[usize],
    alarms: &[RawAlarm],
    entries: &[Entry],
    sink: &mut Sink,
) {
    if cause.class.as_ref().is_some_and(|class| class.value == AlarmClass::ProcessSafety) {
        return;
    }
    let class = |index: &usize| alarms.get(entries.get(*index)?.raw)?.class.as_ref();
    if found.iter().filter_map(class).any(|class| class.value == AlarmClass::ProcessSafety) {
        let message = format!(
            "{} is of the class process-safety: only another such alarm may hide it",
            quoted(&name.value)
        );
        sink.report(Code::Conflict, name.at, message, "take it out: people must always hear it");
    }
}

/// Reports an alarm that more alarms hide than the engine holds.
fn too_many_causes(edges: &[Vec<(usize, Span)>], entries: &[Entry], sink: &mut Sink) {
    let mut causes: BTreeMap<usize, usize> = BTreeMap::new();
    for (hidden, at) in edges.iter().flatten() {
        let count = causes.entry(*hidden).or_default();
        *count += 1;
        if *count == CAUSES_MAX + 1 {
            let id =
                entries.get(*hidden).and_then(|entry| entry.id.as_deref()).map_or_else(String::new, quoted);
            let message =
                format!("more than {CAUSES_MAX} alarms hide {id}, which is what this version holds");
            sink.report(Code::Capacity, *at, message, "let fewer alarms hide it");
        }
    }
}

/// Reports every entry of a list that closes a circle.
fn circles(edges: &[Vec<(usize, Span)>], entries: &[Entry], sink: &mut Sink) {
    let mut walk = Walk { edges, state: vec![State::New; edges.len()], told: BTreeSet::new() };
    for start in 0..edges.len() {
        walk.from(start, entries, sink);
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum State {
    New,
    Open,
    Done,
}

struct Walk<'a> {
    edges: &'a [Vec<(usize, Span)>],
    state: Vec<State>,
    told: BTreeSet<Span>,
}

impl Walk<'_> {
    /// Walks everything that can be reached from `start`, in depth, without recursion: chains may be long.
    fn from(&mut self, start: usize, entries: &[Entry], sink: &mut Sink) {
        if self.state.get(start) != Some(&State::New) {
            return;
        }
        let mut path: Vec<(usize, usize)> = vec![(start, 0)];
        self.set(start, State::Open);
        while let Some((node, next)) = path.last_mut() {
            let Some((hidden, at)) = self.edges.get(*node).and_then(|list| list.get(*next)).copied() else {
                let done = *node;
                path.pop();
                self.set(done, State::Done);
                continue;
            };
            *next += 1;
            match self.state.get(hidden) {
                Some(State::New) => {
                    path.push((hidden, 0));
                    self.set(hidden, State::Open);
                }
                Some(State::Open) if self.told.insert(at) => tell(&path, hidden, at, entries, sink),
                Some(State::Open | State::Done) | None => {}
            }
        }
    }

    fn set(&mut self, node: usize, state: State) {
        if let Some(slot) = self.state.get_mut(node) {
            *slot = state;
        }
    }
}

/// "a hides b hides a".
fn tell(path: &[(usize, usize)], hidden: usize, at: Span, entries: &[Entry], sink: &mut Sink) {
    const MOST: usize = 6;
    let id = |index: usize| {
        entries.get(index).and_then(|entry| entry.id.as_deref()).map_or_else(|| "?".to_owned(), quoted)
    };
    let circle: Vec<String> =
        path.iter().map(|(node, _)| *node).skip_while(|node| *node != hidden).map(id).collect();
    let shown = circle.iter().take(MOST).cloned().collect::<Vec<_>>().join(" hides ");
    let more = if circle.len() > MOST { " hides ..".to_owned() } else { String::new() };
    let message = format!("alarms hide each other in a circle: {shown}{more} hides {}", id(hidden));
    sink.report(
        Code::Conflict,
        at,
        message,
        "a cause hides its consequences, never the other way round: take this one out",
    );
}
