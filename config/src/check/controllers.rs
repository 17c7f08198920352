//! Controllers: their times, limits, poll groups and heartbeats.

use super::LineNames;
use super::site::Endpoint;
use super::stations::{signal_id, too_many};
use crate::capacity::MAX_CONTROLLERS;
use crate::line::{Controller, Heartbeat, LineSignal};
use crate::problem::{At, Code, quoted};
use crate::quantity::show_time;
use crate::raw::line::{RawLine, RawSignal};
use crate::raw::station::{RawController, RawHeartbeat};
use crate::reader::Sink;
use setward_protocol::{ReadLimits, Unit};
use std::time::Duration;

/// Fastest and slowest poll.
const POLL_EVERY: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(3600));

/// How long a reply may take if the file does not say.
const ANSWER_WITHIN: Duration = Duration::from_millis(500);

/// A heartbeat that stands still for fewer reads than this is a reply that came late, not a program that stands.
const READS_WITHIN: u32 = 3;

/// How often a controller is asked, and how long it may take.
pub(crate) struct Times {
    poll_every: Duration,
    answer_within: Duration,
    /// In the order of the file.
    groups: Vec<Option<Duration>>,
}

/// The times of every controller.
pub(crate) fn times(raw: &RawLine, sink: &mut Sink) -> Vec<Option<Times>> {
    raw.controllers.iter().map(|one| times_of(one, sink)).collect()
}

fn times_of(raw: &RawController, sink: &mut Sink) -> Option<Times> {
    let poll_every = raw.poll_every.as_ref().and_then(|poll| period(poll, sink));
    let groups: Vec<Option<Duration>> = raw
        .poll_groups
        .iter()
        .map(|group| group.poll_every.as_ref().and_then(|poll| period(poll, sink)))
        .collect();
    let answer_within = answer_within(raw.answer_within.as_ref(), poll_every?, sink)?;
    for (written, period) in raw.poll_groups.iter().map(|group| &group.poll_every).zip(&groups) {
        if let (Some(written), Some(period)) = (written, period) {
            leaves_time(written, *period, answer_within, sink);
        }
    }
    pause(raw, sink);
    Some(Times { poll_every: poll_every?, answer_within, groups })
}

/// A poll period in its bounds.
fn period(written: &At<Duration>, sink: &mut Sink) -> Option<Duration> {
    let (fastest, slowest) = POLL_EVERY;
    if (fastest..=slowest).contains(&written.value) {
        return Some(written.value);
    }
    let message = format!("`poll_every` is {}; 100 ms to 1 h is accepted", show_time(written.value));
    sink.report(Code::OutOfBounds, written.at, message, "write for example `poll_every = \"1 s\"`");
    None
}

fn answer_within(written: Option<&At<Duration>>, poll_every: Duration, sink: &mut Sink) -> Option<Duration> {
    let Some(answer) = written else { return Some(ANSWER_WITHIN.min(poll_every / 2)) };
    if answer.value.is_zero() || answer.value >= poll_every {
        let message = format!(
            "`answer_within` is {}, and the next poll comes after {}",
            show_time(answer.value),
            show_time(poll_every)
        );
        sink.report(Code::Conflict, answer.at, message, "write a time that is shorter than `poll_every`");
        return None;
    }
    Some(answer.value)
}

/// Reports a period that is over before a reply has to be there.
fn leaves_time(written: &At<Duration>, period: Duration, answer_within: Duration, sink: &mut Sink) {
    if period <= answer_within {
        let message = format!(
            "`poll_every` is {}, and a reply may take {}",
            show_time(period),
            show_time(answer_within)
        );
        let hint = "write a longer time here, or a shorter `answer_within` for the controller";
        sink.report(Code::Conflict, written.at, message, hint);
    }
}

fn pause(raw: &RawController, sink: &mut Sink) {
    if let (Some(pause), Some(poll)) = (&raw.pause, &raw.poll_every)
        && pause.value >= poll.value
    {
        let message = format!(
            "`pause` is {}, and the next poll comes after {}",
            show_time(pause.value),
            show_time(poll.value)
        );
        sink.report(Code::Conflict, pause.at, message, "write a time that is shorter than `poll_every`");
    }
}

/// How often `signal`, one of controller `index`, is read: its own period, its group's, or its controller's.
pub(crate) fn poll_every(
    signal: &RawSignal,
    index: usize,
    times: &[Option<Times>],
    names: &LineNames<'_>,
    sink: &mut Sink,
) -> Option<Duration> {
    let times = times.get(index)?.as_ref();
    match (&signal.poll_every, &signal.poll_group) {
        (None, None) => Some(times?.poll_every),
        (Some(own), None) => {
            let period = period(own, sink)?;
            leaves_time(own, period, times?.answer_within, sink);
            Some(period)
        }
        (None, Some(group)) => {
            let place = names.poll_groups.get(index)?.find(group, sink)?;
            *times?.groups.get(place)?
        }
        (Some(own), Some(group)) => {
            let message = "the signal has both `poll_every` and `poll_group`".to_owned();
            let also = (own.at, "the other one".to_owned());
            sink.report_pair(Code::Conflict, group.at, (message, "keep one of the two".to_owned()), also);
            None
        }
    }
}

/// Every controller with its address.
pub(crate) fn controllers(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    (times, endpoints): (&[Option<Times>], &[Option<Endpoint>]),
    sink: &mut Sink,
) -> Vec<Option<Controller>> {
    let last = raw.controllers.last().and_then(|one| one.name.as_ref());
    too_many(sink, raw.controllers.len(), MAX_CONTROLLERS, "controllers", last);
    let ends = times.iter().zip(endpoints.iter().chain(std::iter::repeat(&None)));
    (0..=u16::MAX)
        .zip(&raw.controllers)
        .zip(ends)
        .map(|((id, one), end)| controller(id, one, end, names, signals, sink))
        .collect()
}

fn controller(
    id: u16,
    raw: &RawController,
    (times, endpoint): (&Option<Times>, &Option<Endpoint>),
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Controller> {
    let heartbeat = raw.heartbeat.as_ref().map(|beat| heartbeat(id, beat, names, signals, sink));
    let zeroed_after_restart = zeroed_after_restart(raw, sink);
    let whole = |value: &Option<At<i64>>, standard: u16| match value {
        Some(value) => u16::try_from(value.value).unwrap_or(standard),
        None => standard,
    };
    let limits = ReadLimits {
        registers: whole(&raw.max_registers, ReadLimits::STANDARD.registers),
        bits: whole(&raw.max_bits, ReadLimits::STANDARD.bits),
    };
    let times = times.as_ref()?;
    let heartbeat = match heartbeat {
        Some(found) => Some(found?),
        None => None,
    };
    let endpoint = endpoint.as_ref()?;
    Some(Controller {
        name: raw.name.as_ref()?.value.clone(),
        endpoint: endpoint.address.clone(),
        unit_id: endpoint.unit_id,
        identity: endpoint.identity.clone(),
        poll_every: times.poll_every,
        answer_within: times.answer_within,
        limits,
        readable: raw.readable.clone(),
        pause: raw.pause.as_ref().map_or(Duration::ZERO, |pause| pause.value),
        heartbeat,
        zeroed_after_restart,
    })
}

/// Beats are counted on the heartbeat.
fn zeroed_after_restart(raw: &RawController, sink: &mut Sink) -> u32 {
    let Some(beats) = &raw.zeroed_after_restart else { return 0 };
    if raw.heartbeat.is_none() {
        let hint =
            "add `heartbeat = { signal = \"XI-394\", within = \"5 s\" }`: its beats are what is counted";
        sink.report(Code::Conflict, beats.at, "`zeroed_after_restart` needs a `heartbeat`", hint);
    }
    u32::try_from(beats.value).unwrap_or(0)
}

/// Whether a heartbeat can be told by it. One that is never read would leave the controller without a watch, and nobody told.
fn is_counting_word(name: &At<String>, signal: &LineSignal, sink: &mut Sink) -> bool {
    let tag = quoted(&name.value);
    let is_whole = signal.register().is_some_and(|register| register.wire.encoding.is_whole());
    let (found, hint) = if !signal.commissioned {
        let hint = "take `heartbeat` out until it is wired, or `commissioned = false` out of the signal";
        (
            format!(
                "{tag} is not commissioned: it is not read, and nothing would watch the controller's program"
            ),
            hint,
        )
    } else if !is_whole || !matches!(signal.unit, Unit::One | Unit::Bit) {
        let hint =
            "name the word that counts while the program runs: a whole number with the unit \"1\", or a bit";
        (format!("{tag} is in {}, which counts nothing", signal.unit), hint)
    } else {
        return true;
    };
    sink.report(Code::Conflict, name.at, found, hint);
    false
}

fn heartbeat(
    id: u16,
    raw: &RawHeartbeat,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Heartbeat> {
    let (signal, within) = (raw.signal.as_ref()?, raw.within.as_ref()?);
    let index = names.signals.find(signal, sink)?;
    let found = signals.get(index)?.as_ref()?;
    let Some(register) = found.register().filter(|register| register.controller.0 == id) else {
        let message = format!("{} is a signal of another controller", quoted(&signal.value));
        sink.report(Code::Conflict, signal.at, message, "a heartbeat is a word of the controller itself");
        return None;
    };
    if !is_counting_word(signal, found, sink) {
        return None;
    }
    if within.value < register.poll_every * READS_WITHIN {
        let message = format!(
            "`within` is {}, and the word is read every {}",
            show_time(within.value),
            show_time(register.poll_every)
        );
        sink.report(Code::Conflict, within.at, message, "write at least three times `poll_every`");
        return None;
    }
    Some(Heartbeat { signal: signal_id(index)?, within: within.value })
}
