//! Setpoints that may be written by a build with writing: each entered by a person otherwise, in a holding register, bounded.

use super::LineNames;
use super::intervals::interval;
use super::stations::{ever_in, signal_id};
use crate::line::{LineSignal, Role, SetpointWrite, Station};
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{self, short, show_time};
use crate::raw::setpoint_write::RawSetpointWrite;
use crate::raw::site::RawSite;
use crate::reader::{Sink, nearest_or_all};
use setward_protocol::{Encoding, Mode, ModeSet, SignalId, Table};
use std::collections::BTreeMap;
use std::time::Duration;

/// What the file does not say.
const WRITES_PER_DAY: u32 = 24;
/// Steps closer together than this are no ramp that a loop can follow, further apart than that nobody waits for.
const STEPS_APART: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(3600));

/// Every setpoint that may be written.
pub(crate) fn check(
    raw: &RawSite,
    names: &LineNames<'_>,
    (signals, stations): (&[Option<LineSignal>], &[Option<Station>]),
    sink: &mut Sink,
) -> Vec<Option<SetpointWrite>> {
    let mut first: BTreeMap<SignalId, Span> = BTreeMap::new();
    let mut found = Vec::new();
    for one in &raw.setpoint_writes {
        let write = setpoint_write(one, names, (signals, stations), sink);
        if let Some(write) = &write
            && let Some(earlier) = first.insert(write.signal, one.at)
        {
            let texts =
                ("the same setpoint is enabled twice".to_owned(), "take one of the two out".to_owned());
            sink.report_pair(Code::Duplicate, one.at, texts, (earlier, "the first one".to_owned()));
        }
        found.push(write);
    }
    found
}

fn setpoint_write(
    raw: &RawSetpointWrite,
    names: &LineNames<'_>,
    (signals, stations): (&[Option<LineSignal>], &[Option<Station>]),
    sink: &mut Sink,
) -> Option<SetpointWrite> {
    let modes = raw.modes.as_ref().and_then(|written| modes(written, sink));
    let step_every = raw.step_every.as_ref().map(|written| apart(written, sink));
    let index = names.signals.find(raw.signal.as_ref()?, sink)?;
    let signal = signals.get(index)?.as_ref()?;
    if let (Some(written), Some(modes)) = (&raw.modes, modes)
        && let Some(Some(station)) = stations.get(usize::from(signal.station.0))
    {
        ever_in(written.at, modes, station, Code::Conflict, sink);
    }
    let is_fit = is_writable(raw.signal.as_ref()?, signal, sink);
    let between = raw.between.as_ref().and_then(|written| bounds(written, signal, sink));
    let most_step = raw.most_step.as_ref().and_then(|written| {
        let step = sink.take("most_step", written.at, quantity::difference(&written.value, signal.unit))?;
        if step <= 0.0 {
            let hint = "write the largest change of one write, such as \"2 K\"";
            sink.report(Code::OutOfBounds, written.at, "`most_step` must be more than nothing", hint);
        }
        (step > 0.0 && is_sayable(written, step, signal, sink)).then_some(step)
    });
    let writes = raw.writes_per_day.as_ref().and_then(|written| u32::try_from(written.value).ok());
    let step_every = match step_every {
        None => None,
        Some(fit) => Some(fit?),
    };
    Some(SetpointWrite {
        signal: signal_id(index).filter(|_| is_fit)?,
        between: between?,
        most_step: most_step?,
        step_every,
        modes: modes?,
        writes_per_day: writes.unwrap_or(WRITES_PER_DAY),
    })
}

/// A step smaller than one count of the register could not be written.
fn is_sayable(written: &At<quantity::Quantity>, step: f64, signal: &LineSignal, sink: &mut Sink) -> bool {
    let Some(wire) = signal.register().map(|register| &register.wire) else { return true };
    let count = wire.scale.abs();
    let is_fit = !wire.encoding.is_whole() || step >= count * (1.0 - 1e-9);
    if !is_fit {
        let count = format!("{} {}", short(count), signal.unit.of_difference());
        let message = format!("`most_step` is less than its register can change: {count}");
        let hint = format!("write at least \"{count}\"");
        sink.report(Code::OutOfBounds, written.at, message, hint);
    }
    is_fit
}

/// Only what a person could turn as well, and where reading back tells what is there.
fn is_writable(name: &At<String>, signal: &LineSignal, sink: &mut Sink) -> bool {
    let table = signal.register().map(|register| register.wire.table);
    let is_bit = signal.register().is_some_and(|register| matches!(register.wire.encoding, Encoding::Bit(_)));
    let found = if signal.role != Role::Setpoint {
        format!("{} has the role {}", quoted(&name.value), signal.role.name())
    } else {
        match table {
            Some(Table::Holding) if !is_bit => return true,
            Some(Table::Holding) => {
                format!("{} is one bit of a register with others in it", quoted(&name.value))
            }
            Some(other) => format!("{} is in the {} table", quoted(&name.value), other.name()),
            None => format!("{} is in no register", quoted(&name.value)),
        }
    };
    let hint = "only a setpoint that a person enters, in a holding register, can be written";
    sink.report(Code::Conflict, name.at, found, hint);
    false
}

fn bounds(
    written: &At<(At<quantity::Quantity>, At<quantity::Quantity>)>,
    signal: &LineSignal,
    sink: &mut Sink,
) -> Option<(f64, f64)> {
    let (low, high) = interval("between", written, signal.unit, Code::OutOfBounds, sink)?;
    let (least, most) = signal.range;
    if low < least || high > most {
        let message = format!("{} to {} {} is beyond its range", short(low), short(high), signal.unit);
        let hint = format!("its range is {} to {} {}", short(least), short(most), signal.unit);
        sink.report(Code::OutOfBounds, written.at, message, hint);
        return None;
    }
    Some((low, high))
}

fn apart(written: &At<Duration>, sink: &mut Sink) -> Option<Duration> {
    let (least, most) = STEPS_APART;
    let is_fit = (least..=most).contains(&written.value);
    if !is_fit {
        let message = format!("`step_every` is {}", show_time(written.value));
        sink.report(Code::OutOfBounds, written.at, message, "accepted is \"1 s\" to \"1 h\"");
    }
    is_fit.then_some(written.value)
}

fn modes(written: &At<Vec<At<String>>>, sink: &mut Sink) -> Option<ModeSet> {
    if written.value.is_empty() {
        let hint = "name the modes of its station in which it may be written, such as [\"run\", \"hold\"]";
        sink.report(Code::Word, written.at, "`modes` is empty", hint);
        return None;
    }
    let names = Mode::NAMED.map(|(name, _)| name);
    let mut found = Vec::new();
    let mut good = true;
    for word in &written.value {
        if let Some((_, mode)) = Mode::NAMED.iter().find(|(name, _)| *name == word.value) {
            found.push(*mode);
        } else {
            let message = format!("{} is no mode of a station", quoted(&word.value));
            sink.report(Code::Word, word.at, message, nearest_or_all(&word.value, &names));
            good = false;
        }
    }
    good.then(|| ModeSet::of(&found))
}
