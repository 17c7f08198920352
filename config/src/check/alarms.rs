//! Alarms: a complete record, settings that can work, one alarm a signal.

use super::LineNames;
use super::names::well_formed;
use super::stations::signal_id;
use crate::capacity::MAX_ALARMS;
use crate::line::{Controller, LineAlarm, LineSignal, Origin, gap_limit};
use crate::problem::{At, Code, quoted};
use crate::quantity::{self, Exposure, short};
use crate::raw::alarm::{NO_RESPONSE, RawAlarm, RawAlarms, RawKind, RawLimit, RawTimeWeighted};
use crate::raw::recipe::RawRecipe;
use crate::reader::{Sink, TimeOrWord};
use setward_alarm::{
    AlarmSettings, Allowance, Kind, Leak, LimitSettings, Side, TimeWeightedSettings, Watched,
};
use setward_protocol::{ControllerId, ModeSet, SignalId};
use std::collections::BTreeMap;
use std::time::Duration;

/// The text parts of a record, checked.
struct Record {
    causes: Vec<String>,
    consequence: String,
    response_now: Vec<String>,
    response_next: Vec<String>,
    time_to_respond: Duration,
}

/// What a time-weighted alarm does not say itself.
const SHAPE: f64 = 1.0;
const CLEAR_BELOW: f64 = 0.5;

/// Every alarm, one over several signals written out.
pub(crate) fn check(
    raw: &RawAlarms,
    controllers: &[Option<Controller>],
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    running: Option<&(At<String>, RawRecipe)>,
    sink: &mut Sink,
) -> Vec<Option<LineAlarm>> {
    unique(raw, sink);
    let mut alarms = Vec::new();
    for one in &raw.alarms {
        let record = record(one, sink);
        let targets = targets(one, names, sink);
        if alarms.len() + targets.len() > MAX_ALARMS {
            let message =
                format!("the line has more than {MAX_ALARMS} alarms, which is what this version holds");
            sink.report(Code::Capacity, one.at, message, "split the line into two folders");
            return alarms;
        }
        let many = one.signals.is_some();
        for index in targets {
            let signal = signals.get(index).and_then(Option::as_ref);
            let settings =
                signal.and_then(|signal| settings(one, index, signal, (controllers, signals), running, sink));
            alarms.push(alarm(one, many.then_some(signal).flatten(), settings, record.as_ref()));
        }
    }
    alarms
}

fn alarm(
    raw: &RawAlarm,
    one_of_many: Option<&LineSignal>,
    settings: Option<AlarmSettings>,
    record: Option<&Record>,
) -> Option<LineAlarm> {
    let (id, name, record) = (&raw.id.as_ref()?.value, &raw.name.as_ref()?.value, record?);
    let (id, name) = match one_of_many {
        Some(signal) => (format!("{id}.{}", signal.tag), format!("{name} ({})", signal.tag)),
        None => (id.clone(), name.clone()),
    };
    Some(LineAlarm {
        id,
        name,
        settings: settings?,
        when: Vec::new(),
        hides: Vec::new(),
        priority: raw.priority.as_ref()?.value,
        causes: record.causes.clone(),
        consequence: record.consequence.clone(),
        response_now: record.response_now.clone(),
        response_next: record.response_next.clone(),
        time_to_respond: record.time_to_respond,
        independent_device: raw.independent_device.as_ref().map(|text| text.value.clone()),
    })
}

/// Reports ids that are taken, also by an alarm over several signals.
fn unique(raw: &RawAlarms, sink: &mut Sink) {
    let mut first: BTreeMap<String, &At<String>> = BTreeMap::new();
    for one in &raw.alarms {
        let Some(id) = &one.id else { continue };
        well_formed("alarm", id, sink);
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

fn record(raw: &RawAlarm, sink: &mut Sink) -> Option<Record> {
    let causes =
        raw.causes.as_ref().and_then(|list| texts("causes", list, "say what is most likely behind it", sink));
    let consequence = raw.consequence.as_ref().and_then(|text| {
        let hint = "say what happens if nobody acts; if nothing does, make it an event";
        blank("`consequence`", text, hint, sink)
    });
    let now =
        raw.response.as_ref().and_then(|response| texts("now", response.now.as_ref()?, NO_RESPONSE, sink));
    let next = match raw.response.as_ref().and_then(|response| response.next.as_ref()) {
        Some(list) => texts("next", list, "leave `next` out if the technician has nothing to do", sink),
        None => Some(Vec::new()),
    };
    let time = raw.time_to_respond.as_ref()?;
    if time.value.is_zero() {
        let hint = "an alarm that leaves no time to act is an interlock's business: make it an event";
        sink.report(Code::Alarm, time.at, "`time_to_respond` is zero", hint);
    }
    Some(Record {
        causes: causes?,
        consequence: consequence?,
        response_now: now?,
        response_next: next?,
        time_to_respond: time.value,
    })
}

/// A list with at least one text, none of them blank.
fn texts(key: &str, list: &At<Vec<At<String>>>, hint: &str, sink: &mut Sink) -> Option<Vec<String>> {
    if list.value.is_empty() {
        sink.report(Code::Alarm, list.at, format!("`{key}` is empty"), hint);
        return None;
    }
    list.value.iter().map(|text| blank(&format!("a text in `{key}`"), text, hint, sink)).collect()
}

fn blank(what: &str, text: &At<String>, hint: &str, sink: &mut Sink) -> Option<String> {
    if text.value.trim().is_empty() {
        sink.report(Code::Alarm, text.at, format!("{what} is empty"), hint);
        return None;
    }
    Some(text.value.clone())
}

fn settings(
    raw: &RawAlarm,
    index: usize,
    signal: &LineSignal,
    (controllers, signals): (&[Option<Controller>], &[Option<LineSignal>]),
    running: Option<&(At<String>, RawRecipe)>,
    sink: &mut Sink,
) -> Option<AlarmSettings> {
    let id = signal_id(index)?;
    let kind = match &raw.kind {
        RawKind::Limit(limit) => Kind::Limit(limit_settings(limit, signal, sink)?),
        RawKind::TimeWeighted(weighted) => {
            let settings = time_weighted(weighted, signal, sink);
            has_setpoint(raw, signal, running, sink);
            Kind::TimeWeighted(settings?)
        }
    };
    let (gap_limit, controller) = known(signal, controllers, signals)?;
    Some(AlarmSettings {
        watches: Watched::Signal(id),
        kind,
        latching: false,
        poll_every: poll_every(signal, signals)?,
        gap_limit,
        station: Some(signal.station),
        controller,
        modes: ModeSet::ALL,
        settle: Duration::ZERO,
        realarm_after: None,
        shelve_most: None,
        group: None,
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
    }
}

/// How long the signal counts as known after a sample, and the controller whose silence blinds it: that of its inputs, if
/// it is one.
fn known(
    signal: &LineSignal,
    controllers: &[Option<Controller>],
    signals: &[Option<LineSignal>],
) -> Option<(Duration, Option<ControllerId>)> {
    match &signal.origin {
        Origin::Register(register) => {
            let answer_within = controllers.get(register.controller.index())?.as_ref()?.answer_within;
            Some((gap_limit(register.poll_every, answer_within), Some(register.controller)))
        }
        Origin::Derived(derivation) => {
            let own = |id: SignalId| {
                let input = signals.get(id.index())?.as_ref()?;
                // An input is polled: the check of derived signals sees to it.
                input.register().and_then(|_| known(input, controllers, signals))
            };
            let (first, second) = derivation.inputs();
            let (gap, controller) = own(first)?;
            let Some(second) = second else { return Some((gap, controller)) };
            let (other_gap, other) = own(second)?;
            Some((gap.max(other_gap), controller.filter(|_| controller == other)))
        }
    }
}

fn limit_settings(raw: &RawLimit, signal: &LineSignal, sink: &mut Sink) -> Option<LimitSettings> {
    let unit = signal.unit;
    let limit = raw.limit.as_ref().and_then(|at| sink.take("limit", at.at, quantity::point(&at.value, unit)));
    let deadband = match &raw.deadband {
        Some(at) => sink.take("deadband", at.at, quantity::difference(&at.value, unit)),
        None => Some(0.0),
    };
    if let (Some(value), Some(at)) = (deadband, &raw.deadband)
        && value < 0.0
    {
        sink.report(
            Code::OutOfBounds,
            at.at,
            "`deadband` is negative",
            "write how far back the value must come",
        );
    }
    let (side, limit, deadband) = (raw.side.as_ref()?.value, limit?, deadband?);
    reachable(raw, side, limit, deadband, signal, sink);
    let delay = |at: &Option<At<Duration>>| at.as_ref().map_or(Duration::ZERO, |at| at.value);
    Some(LimitSettings {
        side,
        limit,
        deadband,
        on_delay: delay(&raw.on_delay),
        off_delay: delay(&raw.off_delay),
    })
}

/// A limit at the end of the range could never raise, and one whose way back leaves the range could never clear.
fn reachable(raw: &RawLimit, side: Side, limit: f64, deadband: f64, signal: &LineSignal, sink: &mut Sink) {
    let ((low, high), unit) = (signal.range, signal.unit);
    let Some(written) = &raw.limit else { return };
    let range = format!("the range of {} is {} to {} {unit}", quoted(&signal.tag), short(low), short(high));
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
    if let Some(written) = &raw.deadband
        && (back < low || back > high)
    {
        let message = format!("the alarm would clear at {} {unit}, which is outside the range", short(back));
        sink.report(Code::Alarm, written.at, message, range);
    }
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
        sink.report(
            Code::OutOfBounds,
            written.at,
            message,
            "1 weighs by area, 2 counts size double, near 0 by its logarithm",
        );
    }
    let clear_below = raw.clear_below.as_ref().map_or(CLEAR_BELOW, |share| share.value);
    if let Some(written) = &raw.clear_below
        && !(clear_below > 0.0 && clear_below < 1.0)
    {
        let message =
            format!("`clear_below` is {}; more than 0 and less than 1 is accepted", short(clear_below));
        sink.report(
            Code::OutOfBounds,
            written.at,
            message,
            "write the share of the allowance below which it clears, such as 0.5",
        );
    }
    let recovery = match raw.recovery {
        Some(TimeOrWord::Time(time)) if time.value.is_zero() => {
            sink.report(
                Code::OutOfBounds,
                time.at,
                "`recovery` is zero",
                "write a time such as \"90 s\", or \"none\"",
            );
            None
        }
        Some(TimeOrWord::Time(time)) => Some(Some(time.value)),
        Some(TimeOrWord::Word(_)) => Some(None),
        None => None,
    };
    let allowance = allowance(raw, shape, signal, sink);
    Some(TimeWeightedSettings {
        side: raw.side.as_ref()?.value,
        allowance: allowance?,
        recovery: recovery?,
        shape,
        clear_below,
        leak: Leak::Inside,
    })
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

/// A time-weighted alarm is held against the running recipe. A setpoint that is written but wrong is reported there.
fn has_setpoint(
    raw: &RawAlarm,
    signal: &LineSignal,
    running: Option<&(At<String>, RawRecipe)>,
    sink: &mut Sink,
) {
    let Some((key, recipe)) = running else { return };
    let mut named = recipe.setpoints.iter().filter_map(|setpoint| setpoint.signal.as_ref());
    if !named.any(|name| name.value == signal.tag) {
        let at = raw.signal.as_ref().map_or(raw.at, |signal| signal.at);
        let message = format!("recipe {} has no setpoint for {}", quoted(&key.value), quoted(&signal.tag));
        let hint =
            format!("add to recipes/{}.toml: [[setpoint]] with `signal = \"{}\"`", key.value, signal.tag);
        sink.report(Code::Alarm, at, message, hint);
    }
}
