//! Alarms on values that people enter: each stands alone, so only some kinds make sense, and delays do not.

use super::label;
use crate::line::{LineSignal, Role};
use crate::problem::{At, Code, Span, quoted};
use crate::raw::alarm::RawAlarm;
use crate::raw::alarm_kind::{RawDelays, RawKind};
use crate::reader::Sink;
use core::num::NonZeroU8;

/// How many values in a row must be beyond; the inner `None` for a signal whose samples are joined.
pub(super) fn check(raw: &RawAlarm, signal: &LineSignal, sink: &mut Sink) -> Option<Option<NonZeroU8>> {
    let consecutive = consecutive(&raw.kind);
    if signal.role != Role::Entered {
        if let Some(consecutive) = consecutive {
            let message = format!("{} is not entered: its values do not stand alone", quoted(&signal.tag));
            let hint = "take `consecutive` out; `on_delay` says how long the value must be beyond";
            sink.report(Code::Conflict, consecutive.at, message, hint);
            return None;
        }
        return Some(None);
    }
    let delays = match &raw.kind {
        RawKind::Limit(kind) => Some(&kind.delays),
        RawKind::Deviation(kind) => {
            if let Some(against) = kind.against.as_ref().filter(|against| against.value != "recipe") {
                let message = format!("{} is entered, and stands alone", quoted(&signal.tag));
                sink.report(Code::Conflict, against.at, message, "hold it against the recipe");
                return None;
            }
            Some(&kind.delays)
        }
        RawKind::Status(kind) => {
            no_delay("on_delay", kind.on_delay.as_ref().map(|time| time.at), signal, sink)?;
            no_delay("window", kind.window.as_ref().map(|time| time.at), signal, sink)?;
            None
        }
        RawKind::TimeWeighted(_)
        | RawKind::MovingAverage(_)
        | RawKind::Discrepancy(_)
        | RawKind::Rate(_)
        | RawKind::EquivalentTime(_)
        | RawKind::Drift(_) => {
            let message = format!("{} watches {}, which is entered", label(raw), quoted(&signal.tag));
            let hint =
                "nothing is known between two entries: write a [[limit]], a [[deviation]] or a [[status]]";
            sink.report(Code::Conflict, super::held::place(raw), message, hint);
            return None;
        }
    };
    if let Some(RawDelays { on_delay, off_delay, .. }) = delays {
        no_delay("on_delay", on_delay.as_ref().map(|time| time.at), signal, sink)?;
        no_delay("off_delay", off_delay.as_ref().map(|time| time.at), signal, sink)?;
    }
    let wanted = consecutive.map_or(1, |one| one.value);
    Some(u8::try_from(wanted).ok().and_then(NonZeroU8::new))
}

fn consecutive(kind: &RawKind) -> Option<At<i64>> {
    match kind {
        RawKind::Limit(kind) => kind.consecutive,
        RawKind::Deviation(kind) => kind.consecutive,
        RawKind::TimeWeighted(_)
        | RawKind::MovingAverage(_)
        | RawKind::Discrepancy(_)
        | RawKind::Rate(_)
        | RawKind::Status(_)
        | RawKind::EquivalentTime(_)
        | RawKind::Drift(_) => None,
    }
}

/// A value that stands alone is beyond for no time at all.
fn no_delay(key: &str, at: Option<Span>, signal: &LineSignal, sink: &mut Sink) -> Option<()> {
    let Some(at) = at else { return Some(()) };
    let message = format!("{} is entered: one value is beyond for no time", quoted(&signal.tag));
    let hint = format!("take `{key}` out; `consecutive` says how many in a row");
    sink.report(Code::Conflict, at, message, hint);
    None
}
