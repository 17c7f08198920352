//! Settings of the kinds that hold a value against a limit or a setpoint: in the signal's unit, able to raise and to clear.
//! The other kinds are in `patterns.rs`.

use super::{Context, held, patterns};
use crate::check::registers::{shown, shown_hint};
use crate::line::LineSignal;
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{self, Exposure, Quantity, short};
use crate::raw::alarm::RawAlarm;
use crate::raw::alarm_kind::{
    NamedWidth, RawDelays, RawDeviation, RawKind, RawLeak, RawLimit, RawTimeWeighted, RawWidth,
};
use crate::reader::{Sink, TimeOrWord};
use setward_alarm::{
    Allowance, DeviationSettings, Kind, Leak, LimitSettings, Reference, Side, TimeWeightedSettings, Width,
};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// What a time-weighted alarm does not say itself.
const SHAPE: f64 = 1.0;
const CLEAR_BELOW: f64 = 0.5;
const PICK_UP: f64 = 1.0;

/// The settings of the alarm's kind for one signal.
pub(super) fn check(
    raw: &RawAlarm,
    id: SignalId,
    signal: &LineSignal,
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<Kind> {
    match &raw.kind {
        RawKind::Limit(limit) => limit_settings(limit, signal, sink).map(Kind::Limit),
        RawKind::TimeWeighted(weighted) => {
            let settings = time_weighted(weighted, signal, sink);
            if weighted.band.is_none() {
                held::needs_target(raw, id, signal, None, context, sink);
            }
            held::raises_in_time(raw, id, settings.as_ref(), context, sink);
            settings.map(Kind::TimeWeighted)
        }
        RawKind::Deviation(deviation) => {
            deviation_settings(raw, deviation, (id, signal), context, sink).map(Kind::Deviation)
        }
        RawKind::MovingAverage(average) => {
            patterns::moving_average(raw, average, (id, signal), context, sink).map(Kind::MovingAverage)
        }
        RawKind::Discrepancy(pair) => {
            patterns::discrepancy(pair, (id, signal), context, sink).map(Kind::Discrepancy)
        }
        RawKind::Rate(rate) => patterns::rate(rate, signal, sink).map(Kind::Rate),
        RawKind::Status(status) => patterns::status(status, signal, sink).map(Kind::Status),
        RawKind::EquivalentTime(dose) => {
            patterns::equivalent_time(dose, signal, sink).map(Kind::EquivalentTime)
        }
        RawKind::Drift(drift) => {
            held::needs_target(raw, id, signal, None, context, sink);
            patterns::drift(drift, signal, sink).map(Kind::Drift)
        }
    }
}

/// A bit is on or off: only the kinds for states watch it.
pub(super) fn is_value(signal: &LineSignal, at: Span, sink: &mut Sink) -> bool {
    if signal.unit == Unit::Bit {
        let message = format!("{} is a bit: it has no size", quoted(&signal.tag));
        sink.report(
            Code::Conflict,
            at,
            message,
            "write a [[status]] alarm, or a [[discrepancy]] of two bits",
        );
        return false;
    }
    true
}

/// Deadband in the signal's unit; 0 if it is not given.
pub(super) fn deadband(written: Option<&At<Quantity>>, unit: Unit, sink: &mut Sink) -> Option<f64> {
    let Some(written) = written else { return Some(0.0) };
    let value = sink.take("deadband", written.at, quantity::difference(&written.value, unit))?;
    if value < 0.0 {
        let hint = "write how far back the value must come";
        sink.report(Code::OutOfBounds, written.at, "`deadband` is negative", hint);
        return None;
    }
    Some(value)
}

/// A delay; none if it is not given.
pub(super) fn delay(written: Option<&At<Duration>>) -> Duration {
    written.map_or(Duration::ZERO, |time| time.value)
}

/// A difference that is more than nothing.
pub(super) fn size(key: &str, written: &At<Quantity>, unit: Unit, sink: &mut Sink) -> Option<f64> {
    let value = sink.take(key, written.at, quantity::difference(&written.value, unit))?;
    if value <= 0.0 {
        let message = format!("`{key}` is {} {}", short(value), unit.of_difference());
        sink.report(Code::OutOfBounds, written.at, message, "write a size that is more than nothing");
        return None;
    }
    Some(value)
}

fn limit_settings(raw: &RawLimit, signal: &LineSignal, sink: &mut Sink) -> Option<LimitSettings> {
    let unit = signal.unit;
    let limit = raw.limit.as_ref().and_then(|at| sink.take("limit", at.at, quantity::point(&at.value, unit)));
    let RawDelays { deadband: written, on_delay, off_delay } = &raw.delays;
    let deadband = deadband(written.as_ref(), unit, sink);
    let (side, limit, deadband) = (raw.side.as_ref()?.value, limit?, deadband?);
    reachable((raw.limit.as_ref(), written.as_ref()), side, limit, deadband, signal, sink);
    let (on_delay, off_delay) = (delay(on_delay.as_ref()), delay(off_delay.as_ref()));
    Some(LimitSettings { side, limit, deadband, on_delay, off_delay })
}

/// A limit at the end of the range could never raise, and one whose way back leaves the range could never clear.
pub(super) fn reachable(
    (limit_at, deadband_at): (Option<&At<Quantity>>, Option<&At<Quantity>>),
    side: Side,
    limit: f64,
    deadband: f64,
    signal: &LineSignal,
    sink: &mut Sink,
) {
    let ((low, high), unit) = (shown(signal), signal.unit);
    let Some(written) = limit_at else { return };
    let range = shown_hint(signal);
    if limit <= low || limit >= high {
        let message =
            format!("the limit {} {unit} is not inside the range: it could never act", short(limit));
        sink.report(Code::Alarm, written.at, message, range);
        return;
    }
    let back = match side {
        Side::Above => limit - deadband,
        Side::Below => limit + deadband,
    };
    if let Some(written) = deadband_at
        && (back < low || back > high)
    {
        let message = format!("the alarm would clear at {} {unit}, which is outside the range", short(back));
        sink.report(Code::Alarm, written.at, message, range);
    }
}

/// The word that stands for the running recipe.
const RECIPE: &str = "recipe";

fn deviation_settings(
    alarm: &RawAlarm,
    raw: &RawDeviation,
    (id, signal): (SignalId, &LineSignal),
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<DeviationSettings> {
    if !is_value(signal, held::place(alarm), sink) {
        return None;
    }
    let against = match raw.against.as_ref().filter(|against| against.value != RECIPE) {
        None => Some(Reference::Recipe),
        Some(name) => partner(name, id, signal, context, sink).map(Reference::Signal),
    };
    let width = width(raw.width.as_ref(), signal, sink);
    let named = match raw.width.as_ref() {
        Some(RawWidth::Named(named)) => Some(*named),
        Some(RawWidth::Fixed(_)) | None => None,
    };
    let is_fixed = matches!(raw.width, Some(RawWidth::Fixed(_)));
    if !is_fixed || against == Some(Reference::Recipe) {
        held::needs_target(alarm, id, signal, named, context, sink);
    }
    let deadband = deadband(raw.delays.deadband.as_ref(), signal.unit, sink);
    let (width, deadband) = (width?, deadband?);
    if let (Width::Fixed(size), Some(written), Some(against)) = (width, &raw.width, against) {
        let other = match against {
            Reference::Recipe => Some(signal),
            Reference::Signal(other) => context.signal(other.index()),
        };
        can_be_apart(("width", written.at(), size), signal, other.unwrap_or(signal), sink);
    }
    let side = raw.side.as_ref().map(|side| side.value);
    held::clears((raw.delays.deadband.as_ref(), deadband), (width, side), (id, signal), context, sink);
    Some(DeviationSettings {
        side,
        against: against?,
        width,
        deadband,
        on_delay: delay(raw.delays.on_delay.as_ref()),
        off_delay: delay(raw.delays.off_delay.as_ref()),
    })
}

/// Reports a size that no two values of `signal` and `other` can be apart: the alarm could never raise.
pub(super) fn can_be_apart(
    (key, at, size): (&str, Span, f64),
    signal: &LineSignal,
    other: &LineSignal,
    sink: &mut Sink,
) {
    let ((low, high), (other_low, other_high)) = (shown(signal), shown(other));
    let most = (high - other_low).max(other_high - low);
    if size >= most {
        let unit = signal.unit.of_difference();
        let message = format!(
            "`{key}` is {} {unit}, and the most that can be is {} {unit}: the alarm could never raise",
            short(size),
            short(most)
        );
        sink.report(Code::Alarm, at, message, shown_hint(signal));
    }
}

/// How far from the setpoint; the recipe's tolerance if it is not given.
pub(super) fn width(raw: Option<&RawWidth>, signal: &LineSignal, sink: &mut Sink) -> Option<Width> {
    match raw {
        None => Some(Width::Tolerance),
        Some(RawWidth::Named(named)) => Some(match named.value {
            NamedWidth::Latitude => Width::Latitude,
            NamedWidth::Tolerance => Width::Tolerance,
            NamedWidth::Specification => Width::Specification,
        }),
        Some(RawWidth::Fixed(fixed)) => size("width", fixed, signal.unit, sink).map(Width::Fixed),
    }
}

/// Another signal in the same unit.
pub(super) fn partner(
    name: &At<String>,
    id: SignalId,
    signal: &LineSignal,
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<SignalId> {
    let index = context.names.signals.find(name, sink)?;
    let other = context.signal(index)?;
    if index == id.index() {
        let message = format!("{} is held against itself", quoted(&name.value));
        sink.report(Code::Conflict, name.at, message, "name another signal");
        return None;
    }
    if other.unit != signal.unit {
        let message = format!(
            "{} is in {}, and {} is in {}",
            quoted(&name.value),
            other.unit,
            quoted(&signal.tag),
            signal.unit
        );
        sink.report(Code::Conflict, name.at, message, "two signals are compared in one unit");
        return None;
    }
    super::signal_id(index)
}

fn time_weighted(
    raw: &RawTimeWeighted,
    signal: &LineSignal,
    sink: &mut Sink,
) -> Option<TimeWeightedSettings> {
    let shape = raw.shape.as_ref().map_or(SHAPE, |shape| shape.value);
    if let Some(written) = &raw.shape
        && !(0.02..=3.0).contains(&shape)
    {
        let message = format!("`shape` is {}; 0.02 to 3 is accepted", short(shape));
        let hint = "1 weighs by area, 2 counts size double, near 0 by its logarithm";
        sink.report(Code::OutOfBounds, written.at, message, hint);
    }
    let clear_below = raw.clear_below.as_ref().map_or(CLEAR_BELOW, |share| share.value);
    if let Some(written) = &raw.clear_below
        && !(clear_below > 0.0 && clear_below < 1.0)
    {
        let message =
            format!("`clear_below` is {}; more than 0 and less than 1 is accepted", short(clear_below));
        let hint = "write the share of the allowance below which it clears, such as 0.5";
        sink.report(Code::OutOfBounds, written.at, message, hint);
    }
    let allowance = allowance(raw, shape, signal, sink);
    let recovery = recovery(raw.recovery?, sink);
    let leak = leak(raw, sink);
    Some(TimeWeightedSettings {
        side: raw.side.as_ref()?.value,
        allowance: allowance?,
        recovery: recovery?,
        shape,
        clear_below,
        leak: leak?,
    })
}

/// The inner `None` is for ever.
fn recovery(written: TimeOrWord, sink: &mut Sink) -> Option<Option<Duration>> {
    match written {
        TimeOrWord::Word(_) => Some(None),
        TimeOrWord::Time(time) if time.value.is_zero() => {
            let hint = "write a time such as \"90 s\", or \"none\"";
            sink.report(Code::OutOfBounds, time.at, "`recovery` is zero", hint);
            None
        }
        TimeOrWord::Time(time) => Some(Some(time.value)),
    }
}

/// Where exposure decays. Only a leak that never stops tolerates something for ever, and has a pick-up.
fn leak(raw: &RawTimeWeighted, sink: &mut Sink) -> Option<Leak> {
    let is_always = raw.leak.as_ref().is_some_and(|leak| leak.value == RawLeak::Always);
    if !is_always {
        if let Some(pick_up) = &raw.pick_up {
            let hint = "take it out, or write `leak = \"always\"`";
            sink.report(Code::Conflict, pick_up.at, "`pick_up` belongs to `leak = \"always\"` only", hint);
        }
        return Some(Leak::Inside);
    }
    if let (Some(leak), Some(TimeOrWord::Word(_))) = (&raw.leak, raw.recovery) {
        let message = "`leak` is \"always\", and `recovery` is \"none\": nothing would leak";
        sink.report(Code::Conflict, leak.at, message, "write a time for `recovery`, or take `leak` out");
    }
    let pick_up = raw.pick_up.as_ref().map_or(PICK_UP, |pick_up| pick_up.value);
    if let Some(written) = &raw.pick_up
        && pick_up < 1.0
    {
        let message = format!("`pick_up` is {}; 1 or more is accepted", short(pick_up));
        sink.report(
            Code::OutOfBounds,
            written.at,
            message,
            "it counts in tolerances: 1 is the tolerance itself",
        );
        return None;
    }
    Some(Leak::Always { pick_up })
}

fn allowance(raw: &RawTimeWeighted, shape: f64, signal: &LineSignal, sink: &mut Sink) -> Option<Allowance> {
    let written = raw.allowance.as_ref()?;
    let exposure = sink.take("allowance", written.at, quantity::exposure(&written.value, signal.unit))?;
    let (amount, allowance) = match exposure {
        Exposure::Area(area) => (area, Allowance::Area(area)),
        Exposure::Time(seconds) => (seconds, Allowance::AtTwice(seconds)),
    };
    if amount <= 0.0 {
        let hint = "write how much exposure raises the alarm, such as \"240 K.s\"";
        sink.report(Code::OutOfBounds, written.at, "`allowance` must be more than nothing", hint);
        return None;
    }
    if matches!(exposure, Exposure::Area(_)) && shape != 1.0 && (0.02..=3.0).contains(&shape) {
        let message = format!("an area goes with shape 1 only, and the shape is {}", short(shape));
        sink.report(
            Code::Conflict,
            written.at,
            message,
            "write the time it takes at twice the tolerance, such as \"80 s\"",
        );
        return None;
    }
    Some(allowance)
}
