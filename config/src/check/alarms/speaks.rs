//! When an alarm speaks: the modes of its station, the time it stays silent after a return to them, its group.

use super::{Context, held};
use crate::check::stations::ever_in;
use crate::line::{LineAlarm, Station, StationId};
use crate::problem::{At, Code, quoted};
use crate::raw::alarm::RawAlarm;
use crate::raw::alarm_kind::{RawKind, RawWidth};
use crate::reader::{Sink, nearest_or_all};
use setward_alarm::CauseGroup;
use setward_protocol::{Mode, ModeSet, SignalId};
use std::collections::BTreeMap;
use std::time::Duration;

/// The modes in which an alarm speaks, and how long it settles.
pub(super) fn check(
    raw: &RawAlarm,
    id: SignalId,
    station: StationId,
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<(ModeSet, Duration)> {
    let station = context.stations.get(station.index())?.as_ref();
    let modes = match &raw.modes {
        Some(written) => named(written, station, sink)?,
        // A value held against the recipe counts while its station runs.
        None if is_held(&raw.kind) && !context.recipes.judges_always(id) => ModeSet::of(&[Mode::Run]),
        None => ModeSet::ALL,
    };
    let delay = match &raw.kind {
        RawKind::Limit(kind) => kind.delays.on_delay.as_ref(),
        RawKind::Deviation(kind) => kind.delays.on_delay.as_ref(),
        RawKind::Discrepancy(kind) => kind.delays.on_delay.as_ref(),
        RawKind::Status(kind) => kind.on_delay.as_ref(),
        RawKind::Rate(kind) => kind.over.as_ref(),
        RawKind::TimeWeighted(_)
        | RawKind::MovingAverage(_)
        | RawKind::EquivalentTime(_)
        | RawKind::Drift(_) => None,
    };
    held::delay_in_time(raw, delay, sink);
    if let (Some(after), Some(station)) = (&raw.only_after, station) {
        can_be_in(after, station, sink);
    }
    Some((modes, raw.settle.as_ref().map_or(Duration::ZERO, |settle| settle.value)))
}

/// Reports a mode to speak after in which the station never is, or in which it runs.
fn can_be_in(after: &At<Mode>, station: &Station, sink: &mut Sink) {
    if station.modes.iter().any(|rule| rule.mode == after.value) {
        return;
    }
    let known: Vec<&str> = station.modes.iter().map(|rule| rule.mode.name()).collect();
    let message =
        format!("no rule puts station {} into {}", quoted(&station.key), quoted(after.value.name()));
    let hint = if known.is_empty() {
        "take `only_after` out, or give the station a [[station.mode]] for it".to_owned()
    } else {
        format!("its rules know: {}", known.join(", "))
    };
    sink.report(Code::Alarm, after.at, message, hint);
}

/// Reports an alarm that settles and never returns from anything.
pub(super) fn settles(raw: &RawAlarm, alarm: &LineAlarm, is_hidden: bool, sink: &mut Sink) {
    let returns = alarm.settings.modes != ModeSet::ALL
        || !alarm.when.is_empty()
        || alarm.only_after.is_some()
        || is_hidden;
    if let Some(settle) = &raw.settle
        && !returns
    {
        let hint = "add `modes` or `when`, or take `settle` out";
        sink.report(Code::Conflict, settle.at, "`settle` has nothing to return from: it always speaks", hint);
    }
}

/// Whether the kind is held against the recipe.
fn is_held(kind: &RawKind) -> bool {
    match kind {
        RawKind::TimeWeighted(kind) => kind.band.is_none(),
        RawKind::Drift(_) => true,
        RawKind::Deviation(deviation) => {
            deviation.against.as_ref().is_none_or(|against| against.value == "recipe")
        }
        RawKind::MovingAverage(average) => {
            matches!(average.width, Some(RawWidth::Named(_) | RawWidth::Fixed(_)))
        }
        RawKind::Limit(_)
        | RawKind::Discrepancy(_)
        | RawKind::Rate(_)
        | RawKind::Status(_)
        | RawKind::EquivalentTime(_) => false,
    }
}

/// The written modes; at least one of them must be one that the station can be in.
fn named(written: &At<Vec<At<String>>>, station: Option<&Station>, sink: &mut Sink) -> Option<ModeSet> {
    let names = Mode::NAMED.map(|(name, _)| name);
    if written.value.is_empty() {
        let hint = "name at least one mode; an alarm that never speaks is none";
        sink.report(Code::Word, written.at, "`modes` is empty", hint);
        return None;
    }
    let mut modes = ModeSet::NONE;
    let mut good = true;
    for word in &written.value {
        match Mode::NAMED.iter().find(|(name, _)| *name == word.value) {
            Some((_, mode)) if modes.contains(*mode) => {
                let message = format!("{} is named twice", quoted(&word.value));
                sink.report(Code::Duplicate, word.at, message, "take one of the two out");
            }
            Some((_, mode)) => modes = modes.with(*mode),
            None => {
                let message = format!("{} is no mode of a station", quoted(&word.value));
                sink.report(Code::Word, word.at, message, nearest_or_all(&word.value, &names));
                good = false;
            }
        }
    }
    if good && let Some(station) = station {
        ever_in(written.at, modes, station, Code::Alarm, sink);
    }
    good.then_some(modes)
}

/// The groups of alarms that one trouble sets off, by their names.
pub(super) struct Groups(BTreeMap<String, CauseGroup>);

impl Groups {
    /// Every name in use; one that stands alone groups nothing.
    pub(super) fn of(alarms: &[RawAlarm], sink: &mut Sink) -> Self {
        let mut members: BTreeMap<&str, Vec<&At<String>>> = BTreeMap::new();
        for group in alarms.iter().filter_map(|alarm| alarm.group.as_ref()) {
            members.entry(&group.value).or_default().push(group);
        }
        let is_many = |group: &At<String>| {
            let own = |alarm: &&RawAlarm| alarm.group.as_ref().is_some_and(|one| one.at == group.at);
            alarms.iter().find(own).is_some_and(|alarm| alarm.signals.is_some())
        };
        for (name, list) in &members {
            if let [alone] = list.as_slice()
                && !is_many(alone)
            {
                let message = format!("nothing else is in the group {}", quoted(name));
                sink.report(
                    Code::SecondLook,
                    alone.at,
                    message,
                    "give the other alarms of one trouble the same `group`",
                );
            }
        }
        Self(
            (0..=u16::MAX)
                .map(CauseGroup)
                .zip(members.keys())
                .map(|(id, name)| ((*name).to_owned(), id))
                .collect(),
        )
    }

    /// The group of an alarm.
    pub(super) fn get(&self, raw: &RawAlarm) -> Option<CauseGroup> {
        self.0.get(raw.group.as_ref()?.value.as_str()).copied()
    }
}
