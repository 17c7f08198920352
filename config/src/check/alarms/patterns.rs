//! Settings of the kinds that look at a window, a second signal, a code or a batch.

use super::kinds::{can_be_apart, deadband, delay, is_value, partner, reachable, size, width};
use super::{Context, held};
use crate::check::conditions::{can_be_between, codes_in_range};
use crate::check::intervals::interval;
use crate::line::LineSignal;
use crate::problem::{At, Code, quoted};
use crate::quantity::{self, Quantity, short, show_time};
use crate::raw::alarm::RawAlarm;
use crate::raw::alarm_kind::{
    RawDiscrepancy, RawDrift, RawEquivalentTime, RawMovingAverage, RawRate, RawStatus, RawWidth,
};
use crate::reader::Sink;
use setward_alarm::{
    AverageReference, Codes, DiscrepancySettings, DriftSettings, EquivalentTimeSettings,
    MovingAverageSettings, RateSettings, Side, StatusSettings, Width,
};
use setward_protocol::{Dimension, SignalId, Unit};
use std::collections::BTreeSet;
use std::time::Duration;

/// What these kinds do not say themselves.
const COVERAGE: f64 = 0.75;
const SLACK: f64 = 0.5;
const DECIDE: f64 = 5.0;

/// How far apart two states are.
const HALF: f64 = 0.5;

pub(super) fn moving_average(
    alarm: &RawAlarm,
    raw: &RawMovingAverage,
    (id, signal): (SignalId, &LineSignal),
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<MovingAverageSettings> {
    if !is_value(signal, held::place(alarm), sink) {
        return None;
    }
    let unit = signal.unit;
    let deadband = deadband(raw.deadband.as_ref(), unit, sink);
    let coverage = share("coverage", raw.coverage.as_ref(), sink).map(|share| share.unwrap_or(COVERAGE));
    let window = raw.window.as_ref().and_then(|window| window_of(window, signal, context, sink));
    let reference = average_reference(alarm, raw, (id, signal), context, sink);
    let side = raw.side.as_ref()?.value;
    let ceiling = match &raw.ceiling {
        Some(written) => Some(sink.take("ceiling", written.at, quantity::point(&written.value, unit))?),
        None => None,
    };
    if let (Some(AverageReference::Limit(limit)), Some(deadband)) = (reference, deadband) {
        reachable((raw.limit.as_ref(), raw.deadband.as_ref()), side, limit, deadband, signal, sink);
        ceiling_beyond(raw.ceiling.as_ref(), ceiling, side, limit, unit, sink);
    }
    if let (Some(AverageReference::Target(width)), Some(deadband)) = (reference, deadband) {
        held::clears((raw.deadband.as_ref(), deadband), (width, Some(side)), (id, signal), context, sink);
        if let Some(written) = raw.ceiling.as_ref().zip(ceiling) {
            held::ceiling_beyond(written, (width, side), (id, signal), context, sink);
        }
    }
    Some(MovingAverageSettings {
        side,
        reference: reference?,
        deadband: deadband?,
        window: window?,
        coverage: coverage?,
        ceiling,
    })
}

/// A limit, or a width of the recipe; exactly one.
fn average_reference(
    alarm: &RawAlarm,
    raw: &RawMovingAverage,
    (id, signal): (SignalId, &LineSignal),
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<AverageReference> {
    match (&raw.limit, &raw.width) {
        (Some(limit), None) => {
            let limit = sink.take("limit", limit.at, quantity::point(&limit.value, signal.unit))?;
            Some(AverageReference::Limit(limit))
        }
        (None, Some(written)) => {
            let named = match written {
                RawWidth::Named(named) => Some(*named),
                RawWidth::Fixed(_) => None,
            };
            held::needs_target(alarm, id, signal, named, context, sink);
            let width = width(Some(written), signal, sink)?;
            if let Width::Fixed(size) = width {
                can_be_apart(("width", written.at(), size), signal, signal, sink);
            }
            Some(AverageReference::Target(width))
        }
        (Some(limit), Some(width)) => {
            let message = "the mean is held against both `limit` and `width`".to_owned();
            let also = (limit.at, "the other one".to_owned());
            sink.report_pair(Code::Conflict, width.at(), (message, "keep one of the two".to_owned()), also);
            None
        }
        (None, None) => {
            if raw.given.is_empty() {
                let hint = "add `limit = \"45 degC\"`, or `width = \"tolerance\"` for the recipe's";
                sink.report(Code::MissingKey, alarm.at, "the mean is held against nothing", hint);
            }
            None
        }
    }
}

fn ceiling_beyond(
    written: Option<&At<Quantity>>,
    ceiling: Option<f64>,
    side: Side,
    limit: f64,
    unit: Unit,
    sink: &mut Sink,
) {
    if let (Some(written), Some(ceiling)) = (written, ceiling)
        && side.beyond(ceiling, limit) <= 0.0
    {
        let message =
            format!("the ceiling {} {unit} is not beyond the limit {} {unit}", short(ceiling), short(limit));
        let hint = "it is for a single value that is too far: write one farther out, or take it out";
        sink.report(Code::Alarm, written.at, message, hint);
    }
}

/// A share above 0, at most 1. The inner `None`: not given.
fn share(key: &str, written: Option<&At<f64>>, sink: &mut Sink) -> Option<Option<f64>> {
    let Some(written) = written else { return Some(None) };
    if written.value > 0.0 && written.value <= 1.0 {
        return Some(Some(written.value));
    }
    let message = format!("`{key}` is {}; more than 0 and at most 1 is accepted", short(written.value));
    sink.report(Code::OutOfBounds, written.at, message, format!("write for example `{key} = 0.75`"));
    None
}

/// A window that holds at least three readings.
fn window_of(
    written: &At<Duration>,
    signal: &LineSignal,
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<Duration> {
    const READINGS: u32 = 3;
    let poll = super::poll_every(signal, context.signals)?;
    if written.value >= poll * READINGS {
        return Some(written.value);
    }
    let message = format!(
        "a window of {} holds too few readings: there is one every {}",
        show_time(written.value),
        show_time(poll)
    );
    sink.report(Code::Alarm, written.at, message, format!("write at least {}", show_time(poll * READINGS)));
    None
}

pub(super) fn discrepancy(
    raw: &RawDiscrepancy,
    (id, signal): (SignalId, &LineSignal),
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<DiscrepancySettings> {
    let name = raw.other.as_ref()?;
    let other = partner(name, id, signal, context, sink);
    let apart = apart(raw, name, signal, sink);
    let deadband = deadband(raw.delays.deadband.as_ref(), signal.unit, sink);
    let (apart, deadband) = (apart?, deadband?);
    if let (Some(written), Some(other)) = (&raw.apart, other.and_then(|id| context.signal(id.index()))) {
        can_be_apart(("apart", written.at, apart), signal, other, sink);
    }
    if let Some(written) = &raw.delays.deadband
        && deadband >= apart
    {
        let message = "the deadband is not smaller than `apart`: the alarm could never clear";
        sink.report(Code::Alarm, written.at, message, "write a smaller deadband");
    }
    Some(DiscrepancySettings {
        other: other?,
        apart,
        deadband,
        on_delay: delay(raw.delays.on_delay.as_ref()),
        off_delay: delay(raw.delays.off_delay.as_ref()),
    })
}

/// How far two values may differ. Two bits differ or do not.
fn apart(raw: &RawDiscrepancy, other: &At<String>, signal: &LineSignal, sink: &mut Sink) -> Option<f64> {
    match (&raw.apart, signal.unit == Unit::Bit) {
        (Some(written), false) => size("apart", written, signal.unit, sink),
        (None, true) => Some(HALF),
        (Some(written), true) => {
            let message = "two bits agree or do not: `apart` says nothing";
            sink.report(Code::Conflict, written.at, message, "take `apart` out");
            None
        }
        (None, false) => {
            if !raw.has_apart {
                let message =
                    format!("{} and {} may differ by nothing", quoted(&signal.tag), quoted(&other.value));
                let is_plain = signal.unit == Unit::One;
                let unit = signal.unit.of_difference();
                let example = if is_plain { "1".to_owned() } else { format!("\"2.5 {unit}\"") };
                sink.report(Code::MissingKey, other.at, message, format!("add `apart = {example}`"));
            }
            None
        }
    }
}

pub(super) fn rate(raw: &RawRate, signal: &LineSignal, sink: &mut Sink) -> Option<RateSettings> {
    let written = raw.per_minute.as_ref()?;
    if !is_value(signal, written.at, sink) {
        return None;
    }
    let per_minute = size("per_minute", written, signal.unit, sink);
    let between = match &raw.between {
        Some(range) => {
            let found = interval("between", range, signal.unit, Code::OutOfBounds, sink)?;
            can_be_between(range.at, found, signal, sink).then_some(())?;
            Some(found)
        }
        None => None,
    };
    let over = raw.over.as_ref()?;
    let settings = RateSettings {
        side: raw.side.as_ref()?.value,
        per_minute: per_minute?,
        over: over.value,
        quantum: quantum(signal),
        between,
    };
    if !settings.resolves() {
        let message = format!(
            "over {} this rate moves {} by less than ten counts of {}",
            show_time(over.value),
            quoted(&signal.tag),
            short(settings.quantum)
        );
        sink.report(Code::Alarm, over.at, message, "write a longer time: less can't be told from rounding");
        return None;
    }
    Some(settings)
}

/// The value of one count; 0 for what is no whole number on the bus.
fn quantum(signal: &LineSignal) -> f64 {
    let whole = signal.register().filter(|register| register.wire.encoding.is_whole());
    whole.map_or(0.0, |register| register.wire.scale.abs())
}

pub(super) fn status(raw: &RawStatus, signal: &LineSignal, sink: &mut Sink) -> Option<StatusSettings> {
    let written = raw.is.as_ref();
    let codes = written.and_then(|codes| codes_of(codes, signal, sink));
    let found = share("share", raw.share.as_ref(), sink)?;
    let share = match (found, &raw.share, &raw.window) {
        (Some(share), _, Some(window)) => Some((share, window.value)),
        (None, _, None) => None,
        (Some(_), Some(At { at, .. }), None) => {
            sink.report(Code::MissingKey, *at, "`share` needs a `window`", "add `window = \"10 min\"`");
            return None;
        }
        (None, _, Some(window)) => {
            sink.report(Code::MissingKey, window.at, "`window` needs a `share`", "add `share = 0.5`");
            return None;
        }
        (Some(_), None, None) => return None,
    };
    if let (Some((_, window)), Some(At { at, .. })) = (share, &raw.window)
        && window.is_zero()
    {
        sink.report(Code::OutOfBounds, *at, "`window` is zero", "write a time such as \"10 min\"");
        return None;
    }
    Some(StatusSettings {
        is: codes?,
        on_delay: delay(raw.on_delay.as_ref()),
        off_delay: delay(raw.off_delay.as_ref()),
        share,
    })
}

fn codes_of(written: &At<Vec<At<i64>>>, signal: &LineSignal, sink: &mut Sink) -> Option<Codes> {
    if !matches!(signal.unit, Unit::One | Unit::Bit) {
        let message = format!("`is` compares codes, and {} is in {}", quoted(&signal.tag), signal.unit);
        sink.report(Code::Conflict, written.at, message, "write a [[limit]] alarm for a value");
        return None;
    }
    if written.value.is_empty() {
        sink.report(Code::Word, written.at, "`is` is empty", "name at least one code");
        return None;
    }
    let codes: Vec<i64> = written.value.iter().map(|code| code.value).collect();
    let found = Codes::of(&codes);
    if found.is_none() {
        let message = format!("`is` names {} codes, which is more than one alarm holds", codes.len());
        sink.report(Code::Capacity, written.at, message, "write two alarms");
    }
    leaves_a_code(&codes, written, signal, sink);
    codes_in_range("is", written, signal, sink).then_some(found).flatten()
}

/// Reports codes that are all the signal can have: whatever it says, the alarm would stand.
fn leaves_a_code(codes: &[i64], written: &At<Vec<At<i64>>>, signal: &LineSignal, sink: &mut Sink) {
    let (low, high) = signal.range;
    let within = |code: &&i64| (low..=high).contains(&(**code as f64));
    let named: BTreeSet<&i64> = codes.iter().filter(within).collect();
    if named.len() as f64 >= high.floor() - low.ceil() + 1.0 {
        let message =
            format!("`is` names every code of {}: the alarm would stand for ever", quoted(&signal.tag));
        sink.report(Code::Alarm, written.at, message, "name only the codes that are trouble");
    }
}

pub(super) fn equivalent_time(
    raw: &RawEquivalentTime,
    signal: &LineSignal,
    sink: &mut Sink,
) -> Option<EquivalentTimeSettings> {
    let (reference, z) = (raw.reference.as_ref(), raw.z.as_ref());
    if let Some(written) = reference
        && signal.unit.dimension() != Dimension::Temperature
    {
        let message = format!("{} is in {}, which is no temperature", quoted(&signal.tag), signal.unit);
        sink.report(Code::Conflict, written.at, message, "an equivalent time is of a temperature");
        return None;
    }
    let reference =
        reference.and_then(|at| sink.take("reference", at.at, quantity::point(&at.value, signal.unit)));
    let z = z.and_then(|at| size("z", at, signal.unit, sink));
    let settings = EquivalentTimeSettings {
        reference: reference?,
        z: z?,
        least: raw.least.as_ref().map(|time| time.value),
        most: raw.most.as_ref().map(|time| time.value),
    };
    for (key, written) in [("least", &raw.least), ("most", &raw.most)] {
        if let Some(written) = written.as_ref().filter(|written| written.value.is_zero()) {
            let hint = "write a time such as \"24 min\", or take it out";
            sink.report(Code::OutOfBounds, written.at, format!("`{key}` is zero"), hint);
        }
    }
    match (&raw.least, &raw.most) {
        (Some(least), Some(most)) if least.value >= most.value => {
            let message =
                format!("`least` is {}, and `most` is {}", show_time(least.value), show_time(most.value));
            sink.report(Code::OutOfBounds, most.at, message, "write more for `most` than for `least`");
            None
        }
        (None, None) => {
            let at = raw.reference.as_ref()?.at;
            let hint = "add `least = \"24 min\"`, `most = \"37 min\"`, or both";
            sink.report(
                Code::MissingKey,
                at,
                "neither `least` nor `most` is given: it could never raise",
                hint,
            );
            None
        }
        (Some(_) | None, Some(_) | None) => Some(settings),
    }
}

pub(super) fn drift(raw: &RawDrift, signal: &LineSignal, sink: &mut Sink) -> Option<DriftSettings> {
    let sigma = raw.sigma.as_ref()?;
    if !is_value(signal, sigma.at, sink) {
        return None;
    }
    let sigma = size("sigma", sigma, signal.unit, sink);
    let slack = bounded("slack", raw.slack.as_ref(), SLACK, 0.0, sink);
    let decide = bounded("decide", raw.decide.as_ref(), DECIDE, 0.1, sink);
    let time = raw.correlation_time.as_ref()?;
    if time.value.is_zero() {
        let hint =
            "write the time after which two readings have little to do with each other, such as \"20 s\"";
        sink.report(Code::OutOfBounds, time.at, "`correlation_time` is zero", hint);
        return None;
    }
    Some(DriftSettings { slack: slack?, decide: decide?, correlation_time: time.value, sigma: sigma? })
}

/// A number of standard deviations, at least `least`.
fn bounded(key: &str, written: Option<&At<f64>>, usual: f64, least: f64, sink: &mut Sink) -> Option<f64> {
    let Some(written) = written else { return Some(usual) };
    if written.value >= least {
        return Some(written.value);
    }
    let message = format!("`{key}` is {}; {} or more is accepted", short(written.value), short(least));
    sink.report(
        Code::OutOfBounds,
        written.at,
        message,
        format!("it counts in standard deviations: {}", short(usual)),
    );
    None
}
