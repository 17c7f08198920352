//! The line's head, stations, controllers, loops and belts.

use super::LineNames;
use super::site::Endpoint;
use crate::capacity::{MAX_CONTROLLERS, MAX_STATIONS};
use crate::line::{Belt, ControlLoop, Controller, Heartbeat, LineSignal, LoopMode, Role, Station, StationId};
use crate::problem::{At, Code, quoted};
use crate::quantity::{self, show_time};
use crate::raw::line::{RawBelt, RawController, RawHeartbeat, RawLine, RawLoop};
use crate::reader::{Sink, nearest_or_all};
use setward_protocol::{Dimension, ReadLimits, SignalId};
use std::time::Duration;

/// Fastest and slowest poll.
const POLL_EVERY: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(3600));

/// How long a reply may take if the file does not say.
const ANSWER_WITHIN: Duration = Duration::from_millis(500);

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
pub(crate) fn stations(raw: &RawLine, sink: &mut Sink) -> Vec<Option<Station>> {
    too_many(
        sink,
        raw.stations.len(),
        MAX_STATIONS,
        "stations",
        raw.stations.last().and_then(|one| one.key.as_ref()),
    );
    raw.stations
        .iter()
        .map(|one| {
            Some(Station {
                key: one.key.as_ref()?.value.clone(),
                name: one.name.as_ref()?.value.clone(),
                modes: Vec::new(),
                product_present: None,
            })
        })
        .collect()
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

/// Every controller with its address.
pub(crate) fn controllers(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    endpoints: &[Option<Endpoint>],
    sink: &mut Sink,
) -> Vec<Option<Controller>> {
    let last = raw.controllers.last().and_then(|one| one.name.as_ref());
    too_many(sink, raw.controllers.len(), MAX_CONTROLLERS, "controllers", last);
    let ends = endpoints.iter().chain(std::iter::repeat(&None));
    (0..=u16::MAX)
        .zip(&raw.controllers)
        .zip(ends)
        .map(|((id, one), end)| controller(id, one, end, names, signals, sink))
        .collect()
}

fn controller(
    id: u16,
    raw: &RawController,
    endpoint: &Option<Endpoint>,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Controller> {
    let times = times(raw, sink);
    let heartbeat = raw.heartbeat.as_ref().map(|beat| heartbeat(id, beat, raw, names, signals, sink));
    let whole = |value: &Option<At<i64>>, standard: u16| match value {
        Some(value) => u16::try_from(value.value).unwrap_or(standard),
        None => standard,
    };
    let limits = ReadLimits {
        registers: whole(&raw.max_registers, ReadLimits::STANDARD.registers),
        bits: whole(&raw.max_bits, ReadLimits::STANDARD.bits),
    };
    let (poll_every, answer_within) = times?;
    let heartbeat = match heartbeat {
        Some(found) => Some(found?),
        None => None,
    };
    let endpoint = endpoint.as_ref()?;
    Some(Controller {
        name: raw.name.as_ref()?.value.clone(),
        endpoint: endpoint.address.clone(),
        unit_id: endpoint.unit_id,
        poll_every,
        answer_within,
        limits,
        readable: raw.readable.clone(),
        pause: Duration::ZERO,
        heartbeat,
        zeroed_after_restart: 0,
    })
}

fn times(raw: &RawController, sink: &mut Sink) -> Option<(Duration, Duration)> {
    let poll = raw.poll_every.as_ref()?;
    let (fastest, slowest) = POLL_EVERY;
    if poll.value < fastest || poll.value > slowest {
        let message = format!("`poll_every` is {}; 100 ms to 1 h is accepted", show_time(poll.value));
        sink.report(Code::OutOfBounds, poll.at, message, "write for example `poll_every = \"1 s\"`");
        return None;
    }
    let Some(answer) = &raw.answer_within else {
        return Some((poll.value, ANSWER_WITHIN.min(poll.value / 2)));
    };
    if answer.value.is_zero() || answer.value >= poll.value {
        let message = format!(
            "`answer_within` is {}, and the next poll comes after {}",
            show_time(answer.value),
            show_time(poll.value)
        );
        sink.report(Code::Conflict, answer.at, message, "write a time that is shorter than `poll_every`");
        return None;
    }
    Some((poll.value, answer.value))
}

fn heartbeat(
    id: u16,
    raw: &RawHeartbeat,
    controller: &RawController,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Heartbeat> {
    let (signal, within) = (raw.signal.as_ref()?, raw.within.as_ref()?);
    let index = names.signals.find(signal, sink)?;
    let found = signals.get(index)?.as_ref()?;
    if found.register().is_none_or(|register| register.controller.0 != id) {
        let message = format!("{} is a signal of another controller", quoted(&signal.value));
        sink.report(Code::Conflict, signal.at, message, "a heartbeat is a word of the controller itself");
        return None;
    }
    if let Some(poll) = &controller.poll_every
        && within.value <= poll.value
    {
        let message = format!(
            "`within` is {}, and the word is read every {}",
            show_time(within.value),
            show_time(poll.value)
        );
        sink.report(Code::Conflict, within.at, message, "write at least three times `poll_every`");
        return None;
    }
    Some(Heartbeat { signal: signal_id(index)?, within: within.value })
}

/// Every control loop.
pub(crate) fn loops(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Vec<Option<ControlLoop>> {
    // Only to report a tag that is taken.
    let _ = super::Names::of("loop", raw.loops.iter().map(|one| one.tag.as_ref()), sink);
    raw.loops.iter().map(|one| control_loop(one, names, signals, sink)).collect()
}

fn control_loop(
    raw: &RawLoop,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<ControlLoop> {
    let mut part = |name: &Option<At<String>>, role: Role| {
        Some(part_of_loop(name.as_ref()?, role, names, signals, sink))
    };
    let entered = part(&raw.entered, Role::Setpoint);
    let measured = part(&raw.measured, Role::Measured);
    let output = part(&raw.output, Role::Output);
    let mode = part(&raw.mode, Role::Status);
    let modes = raw
        .manual_codes
        .iter()
        .flat_map(|codes| &codes.value)
        .map(|code| (code.value, LoopMode::Manual))
        .collect();
    if let (Some(codes), None) = (&raw.manual_codes, &raw.mode) {
        sink.report(Code::Conflict, codes.at, "`manual_codes` needs a `mode`", "add `mode = \"XI-310\"`");
    }
    Some(ControlLoop {
        tag: raw.tag.as_ref()?.value.clone(),
        entered: transpose(entered)?,
        working: None,
        measured: measured??,
        output: transpose(output)?,
        mode: transpose(mode)?,
        modes,
    })
}

/// Nothing given is fine; something given and not found is not.
fn transpose(part: Option<Option<SignalId>>) -> Option<Option<SignalId>> {
    match part {
        Some(Some(id)) => Some(Some(id)),
        Some(None) => None,
        None => Some(None),
    }
}

fn part_of_loop(
    name: &At<String>,
    role: Role,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<SignalId> {
    let index = names.signals.find(name, sink)?;
    let found = signals.get(index)?.as_ref()?;
    if found.role != role {
        let message = format!(
            "{} has the role {}; a {} belongs here",
            quoted(&name.value),
            found.role.name(),
            role.name()
        );
        sink.report(Code::Conflict, name.at, message, "name another signal, or correct the role of this one");
        return None;
    }
    signal_id(index)
}

/// Every belt.
pub(crate) fn belts(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Vec<Option<Belt>> {
    raw.belts.iter().map(|one| belt(one, names, signals, sink)).collect()
}

fn belt(
    raw: &RawBelt,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Belt> {
    let station = raw.station.as_ref().and_then(|station| names.stations.find(station, sink));
    let speed = raw.speed.as_ref().and_then(|speed| belt_speed(speed, names, signals, sink));
    let length = raw.effective_length.as_ref()?;
    let effective_length_m = sink.take("effective_length", length.at, quantity::length_m(&length.value))?;
    if effective_length_m <= 0.0 {
        let hint = "write the length a test piece travels, such as \"3.30 m\"";
        sink.report(Code::OutOfBounds, length.at, "`effective_length` must be more than nothing", hint);
        return None;
    }
    let station = StationId(u16::try_from(station?).ok()?);
    Some(Belt {
        station,
        name: raw.name.as_ref()?.value.clone(),
        speed: speed?,
        effective_length_m,
        dwell_setpoint: None,
    })
}

fn belt_speed(
    name: &At<String>,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<SignalId> {
    let index = names.signals.find(name, sink)?;
    let found = signals.get(index)?.as_ref()?;
    if found.unit.dimension() != Dimension::Speed {
        let message = format!("{} is in {}, which is no speed", quoted(&name.value), found.unit);
        let known: Vec<&str> = signals
            .iter()
            .flatten()
            .filter(|signal| signal.unit.dimension() == Dimension::Speed)
            .map(|signal| signal.tag.as_str())
            .collect();
        sink.report(Code::Conflict, name.at, message, nearest_or_all(&name.value, &known));
        return None;
    }
    signal_id(index)
}

/// The id of the signal at `index`.
pub(crate) fn signal_id(index: usize) -> Option<SignalId> {
    u16::try_from(index).ok().map(SignalId)
}
