//! Control loops and belts: each part a signal of the right role and kind.

use super::conditions::codes_in_range;
use super::stations::signal_id;
use super::{LineNames, Names};
use crate::line::{Belt, BeltProof, ControlLoop, LineSignal, LoopMode, Role, StationId};
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{self, dimension_name};
use crate::raw::line::{RawBelt, RawCodes, RawLine, RawLoop, RawProof};
use crate::reader::{Sink, nearest_or_all};
use setward_protocol::{Dimension, SignalId};
use std::collections::BTreeMap;

/// Every control loop.
pub(crate) fn loops(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Vec<Option<ControlLoop>> {
    // Only to report a tag that is taken.
    let _ = Names::of("loop", raw.loops.iter().map(|one| one.tag.as_ref()), sink);
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
    let entered = transpose(part(&raw.entered, Role::Setpoint));
    let working = transpose(part(&raw.working, Role::Setpoint));
    let measured = part(&raw.measured, Role::Measured).flatten();
    let output = transpose(part(&raw.output, Role::Output));
    let mode = transpose(part(&raw.mode, Role::Status));
    for (written, setpoint) in [(&raw.entered, entered), (&raw.working, working)] {
        alike(written.as_ref(), setpoint.flatten(), measured, signals, sink);
    }
    let modes = modes(raw, mode.flatten(), signals, sink);
    Some(ControlLoop {
        tag: raw.tag.as_ref()?.value.clone(),
        entered: entered?,
        working: working?,
        measured: measured?,
        output: output?,
        mode: mode?,
        modes,
    })
}

/// A setpoint of a loop measures what the loop measures.
fn alike(
    written: Option<&At<String>>,
    setpoint: Option<SignalId>,
    measured: Option<SignalId>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) {
    let signal = |id: Option<SignalId>| signals.get(id?.index())?.as_ref();
    let (Some(written), Some(setpoint), Some(measured)) = (written, signal(setpoint), signal(measured))
    else {
        return;
    };
    let (found, wanted) = (setpoint.unit.dimension(), measured.unit.dimension());
    if found != wanted {
        let message = format!(
            "{} is a {}, and the loop measures a {}",
            quoted(&written.value),
            dimension_name(found),
            dimension_name(wanted)
        );
        let hint = "name a setpoint of what is measured; the seconds of a belt are its `dwell_setpoint`";
        sink.report(Code::Conflict, written.at, message, hint);
    }
}

/// What each code of the mode word means.
fn modes(
    raw: &RawLoop,
    mode: Option<SignalId>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> BTreeMap<i64, LoopMode> {
    let mut modes = BTreeMap::new();
    let mut first: BTreeMap<i64, Span> = BTreeMap::new();
    let word = mode.and_then(|id| signals.get(id.index())?.as_ref());
    for RawCodes { mode: meaning, key, codes } in &raw.codes {
        if raw.mode.is_none() {
            let message = format!("`{key}` needs a `mode`");
            sink.report(Code::Conflict, codes.at, message, "add `mode = \"XI-310\"`");
        }
        if let Some(word) = word {
            codes_in_range(key, codes, word, sink);
        }
        for code in &codes.value {
            if let Some(earlier) = first.get(&code.value) {
                let message = format!("code {} of the mode word has two meanings", code.value);
                let also = (*earlier, "the first one".to_owned());
                sink.report_pair(Code::Conflict, code.at, (message, "keep one of the two".to_owned()), also);
            }
            first.entry(code.value).or_insert(code.at);
            modes.entry(code.value).or_insert(*meaning);
        }
    }
    modes
}

/// Nothing given is fine; something given and not found is not.
fn transpose<T>(part: Option<Option<T>>) -> Option<Option<T>> {
    match part {
        Some(Some(found)) => Some(Some(found)),
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
    let found = known(name, index, signals, sink)?;
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

/// The signal at `index`. Belts come before what is computed from them, and before what people enter: such a one is not known
/// yet, and no belt can follow from it.
fn known<'a>(
    name: &At<String>,
    index: usize,
    signals: &'a [Option<LineSignal>],
    sink: &mut Sink,
) -> Option<&'a LineSignal> {
    let Some(found) = signals.get(index) else {
        let message = format!("{} is derived or entered", quoted(&name.value));
        sink.report(Code::Conflict, name.at, message, "name a signal of a controller");
        return None;
    };
    found.as_ref()
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
    let dwell_setpoint = raw.dwell_setpoint.as_ref().map(|name| dwell_setpoint(name, names, signals, sink));
    let proof = raw.proof.as_ref().map(|written| proof(written, sink));
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
        dwell_setpoint: transpose(dwell_setpoint)?,
        proof: transpose(proof)?,
    })
}

/// A test piece that was timed.
fn proof(raw: &RawProof, sink: &mut Sink) -> Option<BeltProof> {
    let (date, by) = (raw.date.as_ref()?, raw.by.as_ref()?);
    let Ok(day) = date.value.parse() else {
        let message = format!("{} is no day", quoted(&date.value));
        sink.report(Code::Word, date.at, message, "write it as year, month and day, such as \"2026-09-14\"");
        return None;
    };
    Some(BeltProof { date: day, by: by.value.clone() })
}

/// The panel's own seconds: a setpoint that is a time.
fn dwell_setpoint(
    name: &At<String>,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<SignalId> {
    let id = part_of_loop(name, Role::Setpoint, names, signals, sink)?;
    let unit = signals.get(id.index())?.as_ref()?.unit;
    if unit.dimension() != Dimension::Time {
        let message = format!("{} is in {unit}, which is no time", quoted(&name.value));
        sink.report(Code::Conflict, name.at, message, "name the setpoint that the panel takes in seconds");
        return None;
    }
    Some(id)
}

fn belt_speed(
    name: &At<String>,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<SignalId> {
    let index = names.signals.find(name, sink)?;
    let found = known(name, index, signals, sink)?;
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
