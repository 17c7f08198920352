//! The record of an alarm: complete, and a priority that fits the time there is.

use crate::line::Priority;
use crate::problem::{At, Code};
use crate::quantity::show_time;
use crate::raw::alarm::{NO_RESPONSE, RawAlarm};
use crate::reader::Sink;
use std::time::Duration;

/// The text parts of a record, checked.
#[derive(Debug, Clone)]
pub(super) struct Record {
    pub(super) causes: Vec<String>,
    pub(super) consequence: String,
    pub(super) response_now: Vec<String>,
    pub(super) response_next: Vec<String>,
    pub(super) time_to_respond: Duration,
}

/// The record, if it is complete.
pub(super) fn check(raw: &RawAlarm, sink: &mut Sink) -> Option<Record> {
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
    time_fits(raw, time, sink);
    Some(Record {
        causes: causes?,
        consequence: consequence?,
        response_now: now?,
        response_next: next?,
        time_to_respond: time.value,
    })
}

/// Less than this is an interlock's business.
const INTERLOCK: Duration = Duration::from_secs(60);
/// Less than this is never low.
const SHORT: Duration = Duration::from_secs(180);
/// More than this is never high.
const LONG: Duration = Duration::from_secs(600);

/// Holds priority and time to respond against the grid of severity and time: what fits no severity gets a second look.
fn time_fits(raw: &RawAlarm, time: &At<Duration>, sink: &mut Sink) {
    if time.value.is_zero() {
        let hint = "an alarm that leaves no time to act is an interlock's business: make it an event";
        sink.report(Code::Alarm, time.at, "`time_to_respond` is zero", hint);
        return;
    }
    let Some(priority) = &raw.priority else { return };
    let shown = show_time(time.value);
    if time.value < INTERLOCK && raw.independent_device.is_none() {
        let message = format!("{shown} is too short for a person to act");
        let hint = "a device of its own must act first: name it in `independent_device`";
        sink.report(Code::SecondLook, time.at, message, hint);
    } else if time.value < SHORT && priority.value == Priority::Low {
        let message = format!("the priority is low, and there are only {shown} to respond");
        sink.report(Code::SecondLook, priority.at, message, "less than 3 min is medium or high");
    } else if time.value > LONG && priority.value == Priority::High {
        let message = format!("the priority is high, and there are {shown} to respond");
        sink.report(Code::SecondLook, priority.at, message, "more than 10 min is low or medium");
    }
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
