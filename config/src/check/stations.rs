//! The line's head, and stations with what puts them into which mode.

use super::{LineNames, conditions};
use crate::capacity::MAX_STATIONS;
use crate::line::{LineSignal, Station};
use crate::problem::{At, Code, Span, quoted};
use crate::raw::line::RawLine;
use crate::raw::station::{RawMode, RawStation};
use crate::reader::Sink;
use setward_process::mode::ModeRule;
use setward_protocol::{Mode, ModeSet, SignalId};
use std::time::Duration;

/// Name, plant and time zone.
pub(crate) fn head(raw: &RawLine, sink: &mut Sink) -> Option<(String, String, String)> {
    let head = raw.head.as_ref()?;
    let zone = head.time_zone.as_ref()?;
    if jiff::tz::TimeZone::get(&zone.value).is_err() {
        let known: Vec<String> = jiff::tz::db().available().map(|name| name.as_str().to_owned()).collect();
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        let hint = match crate::reader::nearest(&zone.value, &known) {
            Some(near) => format!("did you mean `{near}`?"),
            None => "write an IANA name such as \"America/Chicago\" or \"Europe/Madrid\"".to_owned(),
        };
        sink.report(
            Code::UnknownName,
            zone.at,
            format!("there is no time zone called {}", quoted(&zone.value)),
            hint,
        );
    }
    Some((head.name.as_ref()?.value.clone(), head.plant.as_ref()?.value.clone(), zone.value.clone()))
}

/// Every station, in the order product passes.
pub(crate) fn stations(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Vec<Option<Station>> {
    let last = raw.stations.last().and_then(|one| one.key.as_ref());
    too_many(sink, raw.stations.len(), MAX_STATIONS, "stations", last);
    raw.stations.iter().map(|one| station(one, names, signals, sink)).collect()
}

fn station(
    raw: &RawStation,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Station> {
    let modes: Vec<_> = raw.modes.iter().map(|one| mode(one, names, signals, sink)).collect();
    let present = conditions::check(raw.product_present.as_ref(), names, signals, sink);
    Some(Station {
        key: raw.key.as_ref()?.value.clone(),
        name: raw.name.as_ref()?.value.clone(),
        modes: modes.into_iter().collect::<Option<_>>()?,
        product_present: present.map(|present| raw.product_present.is_some().then_some(present))?,
    })
}

fn mode(
    raw: &RawMode,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<ModeRule> {
    let when = conditions::check(raw.when.as_ref(), names, signals, sink);
    let until = conditions::check(raw.until.as_ref(), names, signals, sink);
    Some(ModeRule {
        mode: raw.mode.as_ref()?.value,
        when: when?,
        until: until?,
        hold_for: raw.hold_for.as_ref().map_or(Duration::ZERO, |time| time.value),
    })
}

/// Reports more of a kind than this version holds.
pub(crate) fn too_many<T>(sink: &mut Sink, count: usize, most: usize, kind: &str, last: Option<&At<T>>) {
    if let Some(last) = last
        && count > most
    {
        let message = format!("the line has {count} {kind}; this version holds {most}");
        sink.report(Code::Capacity, last.at, message, "split the line into two folders");
    }
}

/// The id of the signal at `index`.
pub(crate) fn signal_id(index: usize) -> Option<SignalId> {
    u16::try_from(index).ok().map(SignalId)
}

/// Reports `modes` of which the station is never in any.
pub(crate) fn ever_in(at: Span, modes: ModeSet, station: &Station, code: Code, sink: &mut Sink) {
    let mut possible: Vec<Mode> = station.modes.iter().map(|rule| rule.mode).collect();
    possible.push(Mode::Run);
    if !possible.iter().any(|mode| modes.contains(*mode)) {
        let message = format!("station {} is never in one of these modes", quoted(&station.key));
        let known: Vec<&str> =
            Mode::NAMED.iter().filter(|(_, mode)| possible.contains(mode)).map(|(name, _)| *name).collect();
        let hint = format!("its rules know: {}", known.join(", "));
        sink.report(code, at, message, hint);
    }
}
