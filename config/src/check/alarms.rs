//! Alarms: a complete record, settings that can work, one alarm a signal; then the automatic ones.
//!
//! One file per concern in `alarms/`; this one holds their order, the ids and what is watched.

mod age_band;
mod automatic;
mod entered;
mod held;
mod hides;
mod kinds;
mod patterns;
mod record;
mod servers;
mod speaks;

use super::names::well_formed;
use super::stations::signal_id;
use super::{LineNames, conditions};
use crate::capacity::MAX_ALARMS;
use crate::line::{
    Controller, FOLLOWED_EVERY, LineAlarm, LineEntry, LineSignal, Origin, Server, Station, StationId, Tank,
    gap_limit,
};
use crate::problem::{At, Code, quoted};
use crate::raw::alarm::{RawAlarm, RawAlarms};
use crate::raw::alarm_kind::{RawKind, RawTimeWeighted};
use crate::reader::Sink;
pub(crate) use held::Recipes;
use hides::Entry;
use record::Record;
use setward_alarm::{AlarmId, AlarmSettings, Watched};
use setward_process::condition::Condition;
use setward_protocol::{ControllerId, SignalId};
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// What alarms are checked against.
pub(crate) struct Context<'a> {
    pub(crate) names: &'a LineNames<'a>,
    pub(crate) signals: &'a [Option<LineSignal>],
    pub(crate) controllers: &'a [Option<Controller>],
    pub(crate) stations: &'a [Option<Station>],
    pub(crate) recipes: Recipes<'a>,
    pub(crate) entries: &'a [Option<LineEntry>],
    pub(crate) tanks: &'a [Option<Tank>],
    pub(crate) servers: &'a [Server],
}

impl<'a> Context<'a> {
    /// The signal at `index`, if it is right.
    fn signal(&self, index: usize) -> Option<&'a LineSignal> {
        self.signals.get(index)?.as_ref()
    }
}

/// Every alarm: the written ones, one over several signals written out; then one a polled signal and one a controller.
pub(crate) fn check(raw: &RawAlarms, context: &Context<'_>, sink: &mut Sink) -> Vec<Option<LineAlarm>> {
    unique(raw, sink);
    let groups = speaks::Groups::of(&raw.alarms, sink);
    let mut alarms = Vec::new();
    let mut entries = Vec::new();
    for (index, one) in raw.alarms.iter().enumerate() {
        let shared = Shared::of(one, context, sink);
        let targets = targets(one, context.names, sink);
        if alarms.len() + targets.len() > MAX_ALARMS {
            let message =
                format!("the line has more than {MAX_ALARMS} alarms, which is what this version holds");
            sink.report(Code::Capacity, one.at, message, "split the line into two folders");
            return alarms;
        }
        for (nth, target) in targets.into_iter().enumerate() {
            let signal = context.signal(target);
            let settings = signal.zip(shared.station).and_then(|(signal, station)| {
                settings(one, target, signal, (context, &groups, station), sink)
            });
            let many = one.signals.is_some().then_some(signal).flatten();
            let id = name_of(one.id.as_ref(), many, |id, tag| format!("{id}.{tag}"));
            let alarm = shared.alarm(one, many, settings);
            alarms.push(match (&one.kind, signal_id(target)) {
                (RawKind::TimeWeighted(RawTimeWeighted { band: Some(band), .. }), Some(id)) => {
                    age_band::fill(alarm, band, id, context, sink)
                }
                _ => alarm,
            });
            entries.push(Entry { raw: index, id, nth });
        }
    }
    let hides = hides::check(&raw.alarms, &entries, sink);
    let hidden: BTreeSet<AlarmId> = hides.iter().flatten().copied().collect();
    let ids = (0..=u16::MAX).map(AlarmId);
    for (((alarm, hides), entry), id) in alarms.iter_mut().zip(hides).zip(&entries).zip(ids) {
        if let (Some(alarm), Some(raw)) = (alarm, raw.alarms.get(entry.raw)) {
            alarm.hides = hides;
            speaks::settles(raw, alarm, hidden.contains(&id), sink);
        }
    }
    alarms.extend(automatic::check(raw, context, sink));
    // Last: whoever does without servers takes them off without another alarm changing its number.
    alarms.extend(servers::check(context.servers));
    alarms
}

/// What all alarms of one table share.
struct Shared {
    record: Option<Record>,
    when: Option<Vec<Condition>>,
    batch: Option<Vec<Condition>>,
    /// The station whose modes count, if it is not the signal's own; outer `None`: it could not be read.
    station: Option<Option<StationId>>,
}

impl Shared {
    fn of(raw: &RawAlarm, context: &Context<'_>, sink: &mut Sink) -> Self {
        let batch = match &raw.kind {
            RawKind::EquivalentTime(kind) => kind.batch.as_ref(),
            RawKind::Limit(_)
            | RawKind::TimeWeighted(_)
            | RawKind::Deviation(_)
            | RawKind::MovingAverage(_)
            | RawKind::Discrepancy(_)
            | RawKind::Rate(_)
            | RawKind::Status(_)
            | RawKind::Drift(_) => None,
        };
        Self {
            record: record::check(raw, sink),
            when: conditions::check(raw.when.as_ref(), context.names, context.signals, sink),
            batch: conditions::check(batch, context.names, context.signals, sink),
            station: match &raw.station {
                Some(name) => {
                    let index = context.names.stations.find(name, sink);
                    index.and_then(|index| u16::try_from(index).ok()).map(|index| Some(StationId(index)))
                }
                None => Some(None),
            },
        }
    }

    fn alarm(
        &self,
        raw: &RawAlarm,
        one_of_many: Option<&LineSignal>,
        settings: Option<AlarmSettings>,
    ) -> Option<LineAlarm> {
        let record = self.record.as_ref()?;
        Some(LineAlarm {
            id: name_of(raw.id.as_ref(), one_of_many, |id, tag| format!("{id}.{tag}"))?,
            name: name_of(raw.name.as_ref(), one_of_many, |name, tag| format!("{name} ({tag})"))?,
            settings: settings?,
            when: self.when.clone()?,
            only_after: raw.only_after.as_ref().map(|mode| mode.value),
            hides: Vec::new(),
            batch: self.batch.clone()?,
            band: None,
            priority: raw.priority.as_ref()?.value,
            class: raw.class.as_ref().map(|class| class.value),
            causes: record.causes.clone(),
            consequence: record.consequence.clone(),
            response_now: record.response_now.clone(),
            response_next: record.response_next.clone(),
            time_to_respond: record.time_to_respond,
            independent_device: raw.independent_device.as_ref().map(|text| text.value.clone()),
        })
    }
}

/// Id or name: as written, or with the tag of one of several signals.
fn name_of(
    written: Option<&At<String>>,
    one_of_many: Option<&LineSignal>,
    with_tag: impl Fn(&str, &str) -> String,
) -> Option<String> {
    let written = &written?.value;
    Some(one_of_many.map_or_else(|| written.clone(), |signal| with_tag(written, &signal.tag)))
}

fn settings(
    raw: &RawAlarm,
    index: usize,
    signal: &LineSignal,
    (context, groups, station): (&Context<'_>, &speaks::Groups, Option<StationId>),
    sink: &mut Sink,
) -> Option<AlarmSettings> {
    let id = signal_id(index)?;
    let kind = kinds::check(raw, id, signal, context, sink);
    let station = station.unwrap_or(signal.station);
    let (modes, settle) = speaks::check(raw, id, station, context, sink)?;
    let kind = kind?;
    let in_a_row = entered::check(raw, signal, sink)?;
    let (mut gap_limit, controller) = known(id, signal, context)?;
    if let Some(other) = kind.other_signal() {
        let other_signal = context.signal(other.index())?;
        gap_limit = gap_limit.max(known(other, other_signal, context)?.0);
    }
    Some(AlarmSettings {
        watches: Watched::Signal(id),
        kind,
        latching: raw.latching.as_ref().is_some_and(|latching| latching.value),
        poll_every: poll_every(signal, context.signals)?,
        gap_limit,
        station: Some(station),
        controller,
        modes,
        settle,
        realarm_after: raw.realarm_after.as_ref().map(|time| time.value),
        hides_for: raw.hides_for.as_ref().map(|time| time.value),
        shelve_most: raw.shelve_most.as_ref().map(|time| time.value),
        group: groups.get(raw),
        in_a_row,
    })
}

/// How often the signal is read; a derived one as often as its faster input.
fn poll_every(signal: &LineSignal, signals: &[Option<LineSignal>]) -> Option<Duration> {
    match &signal.origin {
        Origin::Register(register) => Some(register.poll_every),
        Origin::Derived(derivation) => {
            let own = |id: SignalId| Some(signals.get(id.index())?.as_ref()?.register()?.poll_every);
            let (first, second) = derivation.inputs();
            let (first, second) = (own(first)?, second.and_then(own));
            Some(second.map_or(first, |second| first.min(second)))
        }
        Origin::Entered | Origin::Followed(_) => Some(FOLLOWED_EVERY),
    }
}

/// How long the signal counts as known after a sample, and the controller whose silence blinds it: that of its inputs, if
/// it is one.
fn known(
    id: SignalId,
    signal: &LineSignal,
    context: &Context<'_>,
) -> Option<(Duration, Option<ControllerId>)> {
    match &signal.origin {
        Origin::Register(register) => {
            let answer_within = context.controllers.get(register.controller.index())?.as_ref()?.answer_within;
            Some((gap_limit(register.poll_every, answer_within), Some(register.controller)))
        }
        Origin::Derived(derivation) => {
            let own = |id: SignalId| {
                let input = context.signal(id.index())?;
                // An input is polled: the check of derived signals sees to it.
                input.register().and_then(|_| known(id, input, context))
            };
            let (first, second) = derivation.inputs();
            let (gap, controller) = own(first)?;
            let Some(second) = second else { return Some((gap, controller)) };
            let (other_gap, other) = own(second)?;
            Some((gap.max(other_gap), controller.filter(|_| controller == other)))
        }
        Origin::Entered => {
            let entry = context.entries.iter().flatten().find(|entry| entry.signal == id)?;
            Some((entry.known_for(), None))
        }
        Origin::Followed(_) => Some((FOLLOWED_EVERY * 3, None)),
    }
}

/// Reports ids that are taken, also by an alarm over several signals.
fn unique(raw: &RawAlarms, sink: &mut Sink) {
    let mut first: BTreeMap<String, &At<String>> = BTreeMap::new();
    for one in &raw.alarms {
        let Some(id) = &one.id else { continue };
        well_formed("alarm", id, sink);
        if let Some(prefix) = automatic::PREFIXES.iter().find(|prefix| id.value.starts_with(**prefix)) {
            let message =
                format!("{} is taken: ids with `{prefix}` belong to the automatic alarms", quoted(&id.value));
            sink.report(Code::Duplicate, id.at, message, "give it another id");
        }
        let tags =
            one.signals.iter().flat_map(|tags| &tags.value).map(|tag| format!("{}.{}", id.value, tag.value));
        let ids: Vec<String> = if one.signals.is_some() { tags.collect() } else { vec![id.value.clone()] };
        let taken = ids
            .iter()
            .chain([&id.value])
            .find_map(|id| first.get(id).copied().filter(|earlier| earlier.at != one_at(one)));
        if let Some(earlier) = taken {
            let message = format!("there are two alarms called {}", quoted(&id.value));
            let texts = (message, "give one of them another id".to_owned());
            sink.report_pair(Code::Duplicate, id.at, texts, (earlier.at, "the first one".to_owned()));
        }
        for id_text in ids.into_iter().chain([id.value.clone()]) {
            first.entry(id_text).or_insert(id);
        }
    }
}

fn one_at(raw: &RawAlarm) -> crate::problem::Span {
    raw.id.as_ref().map_or(raw.at, |id| id.at)
}

/// The places of the signals it watches.
fn targets(raw: &RawAlarm, names: &LineNames<'_>, sink: &mut Sink) -> Vec<usize> {
    match (&raw.signal, &raw.signals) {
        (Some(signal), None) => names.signals.find(signal, sink).into_iter().collect(),
        (None, Some(signals)) => targets_of_list(signals, names, sink),
        // What is wrong with it is said where it is read.
        (None, None) if raw.has_signal => Vec::new(),
        (None, None) => {
            let message = format!("{} watches no signal", label(raw));
            sink.report(
                Code::MissingKey,
                raw.at,
                message,
                "add `signal = \"TT-310\"`, or `signals = [..]` for several",
            );
            Vec::new()
        }
        (Some(signal), Some(signals)) => {
            let texts =
                (format!("{} has both `signal` and `signals`", label(raw)), "keep one of the two".to_owned());
            sink.report_pair(Code::Conflict, signals.at, texts, (signal.at, "the other one".to_owned()));
            Vec::new()
        }
    }
}

fn targets_of_list(signals: &At<Vec<At<String>>>, names: &LineNames<'_>, sink: &mut Sink) -> Vec<usize> {
    let mut found = Vec::new();
    if signals.value.is_empty() {
        sink.report(Code::Word, signals.at, "`signals` is empty", "name at least one signal");
    }
    for signal in &signals.value {
        match names.signals.find(signal, sink) {
            Some(index) if found.contains(&index) => {
                let message = format!("{} is named twice", quoted(&signal.value));
                sink.report(Code::Duplicate, signal.at, message, "take one of the two out");
            }
            index => found.extend(index),
        }
    }
    found
}

fn label(raw: &RawAlarm) -> String {
    raw.id.as_ref().map_or_else(|| "the alarm".to_owned(), |id| format!("alarm {}", quoted(&id.value)))
}
