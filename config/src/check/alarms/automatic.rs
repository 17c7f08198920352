//! The alarms nobody has to write: one a polled signal that can't be trusted, one a controller that does not answer.

use super::Context;
use crate::line::{AlarmClass, Controller, LineAlarm, LineSignal, Priority, Register, gap_limit};
use crate::problem::{At, Code, quoted};
use crate::quantity::show_time;
use crate::raw::alarm::{PRIORITIES, RawAlarms, RawCommunication, RawMeasurement};
use crate::reader::{Sink, nearest_or_all};
use setward_alarm::{AlarmSettings, CommunicationSettings, Kind, MeasurementSettings, Watched};
use setward_protocol::{ControllerId, Mode, ModeSet, SignalId};
use std::time::Duration;

/// What the ids of automatic alarms begin with.
pub(super) const PREFIXES: [&str; 3] = ["measurement.", "communication.", "server."];

/// What the file does not say.
const BAD_FOR: Duration = Duration::from_secs(10);
const POLLS: u32 = 3;
const AT_LEAST: Duration = Duration::from_secs(10);

/// How long there is to act.
const SENSOR_TIME: Duration = Duration::from_secs(15 * 60);
const CONTROLLER_TIME: Duration = Duration::from_secs(10 * 60);

/// One alarm a polled signal that is wired, then one a controller.
pub(super) fn check(raw: &RawAlarms, context: &Context<'_>, sink: &mut Sink) -> Vec<Option<LineAlarm>> {
    let priorities = priorities(&raw.communication, context, sink);
    bad_for_reachable(&raw.measurement, sink);
    let mut alarms = Vec::new();
    for (id, signal) in (0..=u16::MAX).map(SignalId).zip(context.signals) {
        let Some(signal) = signal else { continue };
        if let Some(register) = signal.register().filter(|_| signal.commissioned) {
            alarms.push(measurement(&raw.measurement, id, signal, register, context));
        }
    }
    let controllers = (0..=u16::MAX).map(ControllerId).zip(context.controllers).zip(priorities);
    alarms.extend(controllers.filter_map(|((id, controller), priority)| {
        Some(Some(communication(&raw.communication, id, controller.as_ref()?, priority)))
    }));
    alarms
}

fn bad_for_reachable(raw: &RawMeasurement, sink: &mut Sink) {
    if let Some(bad_for) = &raw.bad_for
        && bad_for.value >= SENSOR_TIME
    {
        let message = format!("`bad_for` is {}, and the time to respond is 15 min", show_time(bad_for.value));
        sink.report(Code::SecondLook, bad_for.at, message, "write a shorter time, such as \"10 s\"");
    }
}

/// The priority of each controller's alarm.
fn priorities(raw: &RawCommunication, context: &Context<'_>, sink: &mut Sink) -> Vec<Priority> {
    let mut priorities = vec![Priority::Low; context.controllers.len()];
    for (name, word) in &raw.priority {
        let index = context.names.controllers.find(name, sink);
        let priority = priority_of(name, word.as_ref(), sink);
        if let (Some(index), Some(priority)) = (index, priority)
            && let Some(slot) = priorities.get_mut(index)
        {
            *slot = priority;
        }
    }
    priorities
}

fn priority_of(name: &At<String>, word: Option<&At<String>>, sink: &mut Sink) -> Option<Priority> {
    let words = PRIORITIES.map(|(word, _)| word);
    let Some(word) = word else {
        let message = format!("the priority of {} is no text", quoted(&name.value));
        sink.report(Code::WrongType, name.at, message, nearest_or_all("", &words));
        return None;
    };
    let found = PRIORITIES.iter().find(|(known, _)| *known == word.value).map(|(_, priority)| *priority);
    if found.is_none() {
        let message = format!("`priority` can't be {}", quoted(&word.value));
        sink.report(Code::Word, word.at, message, nearest_or_all(&word.value, &words));
    }
    found
}

fn measurement(
    raw: &RawMeasurement,
    id: SignalId,
    signal: &LineSignal,
    register: &Register,
    context: &Context<'_>,
) -> Option<LineAlarm> {
    let controller = context.controllers.get(register.controller.index())?.as_ref()?;
    let bad_for = raw.bad_for.as_ref().map_or(BAD_FOR, |time| time.value);
    let settings = AlarmSettings {
        watches: Watched::Signal(id),
        kind: Kind::Measurement(MeasurementSettings { bad_for }),
        latching: false,
        poll_every: register.poll_every,
        gap_limit: gap_limit(register.poll_every, controller.answer_within),
        station: Some(signal.station),
        controller: Some(register.controller),
        // Words of a plant that stands still or is being washed call nobody.
        modes: ModeSet::ALL.without(Mode::Stopped).without(Mode::Cleaning),
        settle: Duration::ZERO,
        realarm_after: None,
        hides_for: None,
        shelve_most: None,
        group: None,
        in_a_row: None,
    };
    Some(LineAlarm {
        id: format!("measurement.{}", signal.tag),
        name: format!("{}: no good reading", signal.name),
        settings,
        when: Vec::new(),
        only_after: None,
        hides: Vec::new(),
        batch: Vec::new(),
        band: None,
        priority: raw.priority.as_ref().map_or(Priority::Low, |priority| priority.value),
        class: Some(AlarmClass::Instrument),
        causes: texts(&[
            "Probe or its wire broken",
            "Input card or its supply",
            "Value beyond what the instrument can show",
            "Value exactly constant: probe frozen, or its window fogged",
        ]),
        consequence: format!("Every alarm that watches {} is blind.", signal.tag),
        response_now: vec![
            format!("Do not trust {}: go by the panel and by a second reading.", signal.tag),
            "Tell maintenance.".to_owned(),
        ],
        response_next: vec![
            format!("Measure at the terminals{}.", at_terminals(signal)),
            "Follow the plant's lockout before you open anything.".to_owned(),
            "Compare with a hand instrument, then swap the probe or the card channel.".to_owned(),
        ],
        time_to_respond: SENSOR_TIME,
        independent_device: None,
    })
}

/// " X32: 1-4 (drawing E-301 sheet 4)", as far as it is known.
fn at_terminals(signal: &LineSignal) -> String {
    let terminals = signal.wiring.terminals.as_ref().map(|text| format!(" {text}")).unwrap_or_default();
    let drawing = signal.wiring.drawing.as_ref().map(|text| format!(" (drawing {text})")).unwrap_or_default();
    format!("{terminals}{drawing}")
}

fn communication(
    raw: &RawCommunication,
    id: ControllerId,
    controller: &Controller,
    priority: Priority,
) -> LineAlarm {
    let polls = raw.polls.as_ref().and_then(|polls| u32::try_from(polls.value).ok()).unwrap_or(POLLS);
    let at_least = raw.at_least.as_ref().map_or(AT_LEAST, |time| time.value);
    let settings = AlarmSettings {
        watches: Watched::Controller(id),
        kind: Kind::Communication(CommunicationSettings { polls, at_least }),
        latching: false,
        poll_every: controller.poll_every,
        gap_limit: gap_limit(controller.poll_every, controller.answer_within),
        station: None,
        // It is what blinds the others; nothing blinds it.
        controller: None,
        modes: ModeSet::ALL,
        settle: Duration::ZERO,
        realarm_after: None,
        hides_for: None,
        shelve_most: None,
        group: None,
        in_a_row: None,
    };
    LineAlarm {
        id: format!("communication.{}", controller.name),
        name: format!("Controller {} does not answer", controller.name),
        settings,
        when: Vec::new(),
        only_after: None,
        hides: Vec::new(),
        batch: Vec::new(),
        band: None,
        priority,
        class: Some(AlarmClass::Instrument),
        causes: texts(&[
            "Network switch or its supply",
            "Controller off, restarting or in its programming mode",
            "Cable or connector",
        ]),
        consequence: "Nothing of this controller is seen here: its alarms are blind. The plant goes on."
            .to_owned(),
        response_now: texts(&[
            "Go by the panel: it shows the truth.",
            "Watch temperatures and belts there until this is gone.",
        ]),
        response_next: vec![
            "Look at the port lamps of the network switch and of the controller.".to_owned(),
            format!("Check that {} answers from another machine.", controller.endpoint),
            "If a person has locked the controller out, leave it so.".to_owned(),
        ],
        time_to_respond: CONTROLLER_TIME,
        independent_device: None,
    }
}

fn texts(lines: &[&str]) -> Vec<String> {
    lines.iter().map(|line| (*line).to_owned()).collect()
}
