//! Derived signals that are worked out from entries and tanks instead of polled signals.

use super::{Sources, expect_unit};
use crate::line::{Followed, Origin};
use crate::problem::{At, Code, quoted};
use crate::raw::derived::{Corn, RawDerived};
use crate::reader::{Sink, nearest_or_all};
use setward_protocol::Unit;

/// Units of an age.
const TIMES: [Unit; 4] = [Unit::Minute, Unit::Hour, Unit::Second, Unit::Day];

/// The time since an entry was good, or the age of corn.
pub(super) fn age(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<(Origin, Unit)> {
    let unit = expect_unit(raw, &TIMES, "an age is a time", sink);
    let followed = match (&raw.entry, &raw.corn) {
        (Some(name), None) => {
            only_with_corn(raw, sink);
            entry(name, sources, sink)
        }
        (None, Some(corn)) => of_corn(raw, corn.value, sources, sink),
        (Some(entry), Some(corn)) => {
            let texts = ("an age has both `entry` and `corn`".to_owned(), "keep one of the two".to_owned());
            sink.report_pair(Code::Conflict, corn.at, texts, (entry.at, "the other one".to_owned()));
            None
        }
        (None, None) => {
            if !raw.given.iter().any(|key| ["entry", "corn"].contains(key)) {
                let hint = "add `entry = \"QS-454\"` for the time since it was good, or `corn = \"oldest\"`";
                sink.report(Code::MissingKey, raw.at, "the age is of nothing", hint);
            }
            None
        }
    };
    Some((Origin::Followed(followed?), unit?))
}

/// The number of the tank that should feed.
pub(super) fn due_tank(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<(Origin, Unit)> {
    let unit = expect_unit(raw, &[Unit::One], "a tank has a number", sink);
    has_tanks(raw, sources, sink)?;
    Some((Origin::Followed(Followed::DueTank), unit?))
}

fn only_with_corn(raw: &RawDerived, sink: &mut Sink) {
    if let Some(tank) = &raw.tank {
        let message = "`tank` belongs to `corn`, which is not there";
        sink.report(Code::Conflict, tank.at, message, "take `tank` out");
    }
}

fn entry(name: &At<String>, sources: &Sources<'_>, sink: &mut Sink) -> Option<Followed> {
    let index = sources.names.signals.find(name, sink)?;
    if index < sources.line.signals.len() + sources.line.derived.len() {
        let message = format!("{} is nothing that is entered", quoted(&name.value));
        sink.report(Code::Conflict, name.at, message, "name the tag of an [[entry]]");
        return None;
    }
    super::signal_id(index).map(Followed::SinceGood)
}

fn of_corn(raw: &RawDerived, corn: Corn, sources: &Sources<'_>, sink: &mut Sink) -> Option<Followed> {
    has_tanks(raw, sources, sink)?;
    match (corn, &raw.tank) {
        (Corn::YoungestFeeding, None) => feeds(raw, sources, sink),
        (Corn::YoungestFeeding, Some(tank)) => {
            let message = "the tank that feeds is whichever feeds";
            sink.report(Code::Conflict, tank.at, message, "take `tank` out, or write `corn = \"oldest\"`");
            None
        }
        (Corn::Oldest, None) => Some(Followed::OldestCorn),
        (Corn::Oldest, Some(tank)) => {
            let names: Vec<&str> = sources
                .line
                .tanks
                .iter()
                .map(|tank| tank.name.as_ref().map_or("", |name| name.value.as_str()))
                .collect();
            let found = names.iter().position(|name| *name == tank.value);
            if found.is_none() {
                let message = format!("there is no tank called {}", quoted(&tank.value));
                sink.report(Code::UnknownName, tank.at, message, nearest_or_all(&tank.value, &names));
            }
            found.map(Followed::OldestIn)
        }
    }
}

fn has_tanks(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<()> {
    if sources.line.tanks.is_empty() {
        let message = "the line has no tanks, so no corn has an age";
        sink.report(Code::Conflict, raw.at, message, "add [[tank]], or take this signal out");
        return None;
    }
    Some(())
}

/// Which tank feeds is said by `tank` of `[feed]`.
fn feeds(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<Followed> {
    if sources.line.feed.as_ref().is_none_or(|feed| feed.tank.is_none()) {
        let message = "nothing says which tank feeds";
        sink.report(Code::Conflict, raw.at, message, "add `tank` to [feed]");
        return None;
    }
    Some(Followed::YoungestFeeding)
}
