//! Derived signals: computed from polled ones, never from each other.

mod balance;
mod followed;
mod slope;

use super::LineNames;
use super::intervals::interval;
use super::stations::signal_id;
use crate::line::{Behaves, Belt, LineSignal, Origin, Role, Simulate, StationId, Wiring};
use crate::problem::{At, Code, quoted};
use crate::quantity::dimension_name;
use crate::raw::derived::{DerivedKind, RawDerived};
use crate::raw::line::RawLine;
use crate::reader::Sink;
use setward_process::derived::Derivation;
use setward_protocol::{Dimension, SignalId, Unit};
use std::collections::BTreeMap;
use std::time::Duration;

/// What derived signals are made of.
struct Sources<'a> {
    line: &'a RawLine,
    names: &'a LineNames<'a>,
    /// Polled signals.
    signals: &'a [Option<LineSignal>],
    belts: &'a [Option<Belt>],
}

/// Every derived signal, in the order of the file.
pub(crate) fn check(
    line: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    belts: &[Option<Belt>],
    sink: &mut Sink,
) -> Vec<Option<LineSignal>> {
    let sources = Sources { line, names, signals, belts };
    line.derived.iter().map(|one| derived(one, &sources, sink)).collect()
}

fn derived(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<LineSignal> {
    let station = raw.station.as_ref().and_then(|name| sources.names.stations.find(name, sink));
    let origin = raw.kind.as_ref().and_then(|kind| {
        only_own_keys(raw, kind.value, sink);
        let computed = |(derivation, unit)| (Origin::Derived(derivation), unit);
        match kind.value {
            DerivedKind::Dwell => dwell(raw, sources, sink).map(computed),
            DerivedKind::Ratio => ratio(raw, sources, sink).map(computed),
            DerivedKind::Difference => difference(raw, sources, sink).map(computed),
            DerivedKind::Slope => slope::slope(raw, sources, sink).map(computed),
            DerivedKind::Age => followed::age(raw, sources, sink),
            DerivedKind::DueTank => followed::due_tank(raw, sources, sink),
            DerivedKind::HeatBalance => balance::balance(raw, sources, sink),
        }
    });
    let (origin, unit) = origin?;
    let range = interval("range", raw.range.as_ref()?, unit, Code::OutOfBounds, sink)?;
    Some(LineSignal {
        tag: raw.tag.as_ref()?.value.clone(),
        name: raw.name.as_ref()?.value.clone(),
        station: StationId(u16::try_from(station?).ok()?),
        role: Role::Measured,
        unit,
        range,
        decimals: raw
            .decimals
            .as_ref()
            .and_then(|digits| u8::try_from(digits.value).ok())
            .unwrap_or(DECIMALS),
        origin,
        behaves: Behaves::Value,
        stuck_after: None,
        commissioned: true,
        good_when: Vec::new(),
        codes: BTreeMap::new(),
        means: None,
        simulate: Simulate {
            typical: f64::midpoint(range.0, range.1),
            noise: 0.0,
            time_constant: Duration::ZERO,
        },
        wiring: Wiring::default(),
        was: None,
    })
}

/// Digits on pages if the file does not say.
const DECIMALS: u8 = 1;

/// Keys that each kind is made of.
const fn keys(kind: DerivedKind) -> &'static [&'static str] {
    match kind {
        DerivedKind::Dwell => &["belt"],
        DerivedKind::Ratio => &["of", "to"],
        DerivedKind::Difference => &["of", "minus"],
        DerivedKind::Age => &["entry", "corn", "tank"],
        DerivedKind::DueTank => &[],
        DerivedKind::Slope => &["of", "to", "over"],
        DerivedKind::HeatBalance => &["output"],
    }
}

fn only_own_keys(raw: &RawDerived, kind: DerivedKind, sink: &mut Sink) {
    let own = keys(kind);
    let at = |name: &Option<At<String>>| name.as_ref().map(|name| name.at);
    let given = [
        ("belt", at(&raw.belt)),
        ("of", at(&raw.of)),
        ("to", at(&raw.to)),
        ("minus", at(&raw.minus)),
        ("entry", at(&raw.entry)),
        ("corn", raw.corn.as_ref().map(|corn| corn.at)),
        ("tank", at(&raw.tank)),
        ("over", raw.over.as_ref().map(|over| over.at)),
        ("output", raw.output.as_ref().map(|output| output.at)),
    ];
    for (key, at) in given {
        if let (Some(at), false) = (at, own.contains(&key)) {
            let message = format!("`{key}` does not belong to this kind of derived signal");
            let hint = match own {
                [] => "this kind takes none of these keys".to_owned(),
                own => format!("this kind takes {}", listed(own)),
            };
            sink.report(Code::Conflict, at, message, hint);
        }
    }
    if kind == DerivedKind::Age {
        return;
    }
    let label = raw.tag.as_ref().map_or_else(String::new, |tag| format!(" {}", quoted(&tag.value)));
    // A slope may be of time, and over the default.
    let may_lack = |key: &str| kind == DerivedKind::Slope && key != "of";
    for key in own.iter().filter(|key| !raw.given.contains(key) && !may_lack(key)) {
        let example = match *key {
            "belt" => "\"Fry time\"",
            "output" => "\"water-boiled-off\"",
            _ => "\"TT-310\"",
        };
        sink.missing(raw.at, &format!("[[derived]]{label}"), key, example);
    }
}

/// The names in backticks.
fn listed(names: &[&str]) -> String {
    names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(" and ")
}

/// Time on a belt, s.
fn dwell(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<(Derivation, Unit)> {
    let unit = expect_unit(raw, &[Unit::Second], "a dwell is in seconds", sink);
    let name = raw.belt.as_ref()?;
    let index = sources.names.belts.find(name, sink)?;
    let belt = sources.belts.get(index)?.as_ref()?;
    let speed_unit = sources.signals.get(belt.speed.index())?.as_ref()?.unit;
    let derivation = Derivation::Dwell {
        speed: belt.speed,
        unit_m_per_s: speed_unit.convert(1.0, Unit::MetrePerSecond)?,
        effective_length_m: belt.effective_length_m,
    };
    Some((derivation, unit?))
}

/// One signal over another of the same dimension.
fn ratio(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<(Derivation, Unit)> {
    let unit = expect_unit(raw, &[Unit::Percent, Unit::One], "a ratio is in % or a plain number", sink);
    let of = source("of", raw.of.as_ref(), sources, sink);
    let to = source("to", raw.to.as_ref(), sources, sink);
    let ((of, of_signal), (to, to_signal)) = (of?, to?);
    let factor = of_signal.unit.convert(1.0, to_signal.unit);
    let written = raw.to.as_ref()?;
    let Some(factor) = factor else {
        not_alike(written, of_signal, to_signal, sink);
        return None;
    };
    if of_signal.unit.dimension() == Dimension::Temperature {
        let message = "two temperatures have no ratio that means anything".to_owned();
        sink.report(Code::Conflict, written.at, message, "use the kind \"difference\"");
        return None;
    }
    let unit = unit?;
    let factor = if unit == Unit::Percent { factor * 100.0 } else { factor };
    Some((Derivation::Ratio { of, to, factor }, unit))
}

/// One signal less another, both in one unit.
fn difference(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<(Derivation, Unit)> {
    let of = source("of", raw.of.as_ref(), sources, sink);
    let minus = source("minus", raw.minus.as_ref(), sources, sink);
    let ((of, of_signal), (minus, minus_signal)) = (of?, minus?);
    let written = raw.minus.as_ref()?;
    if of_signal.unit != minus_signal.unit {
        not_alike(written, of_signal, minus_signal, sink);
        return None;
    }
    let difference = of_signal.unit.of_difference();
    let unit = expect_unit(raw, &[difference], &format!("the difference is in {difference}"), sink)?;
    Some((Derivation::Difference { of, minus }, unit))
}

fn not_alike(written: &At<String>, first: &LineSignal, second: &LineSignal, sink: &mut Sink) {
    let message = format!(
        "{} is in {}, and {} is in {}",
        quoted(&first.tag),
        first.unit,
        quoted(&second.tag),
        second.unit
    );
    let hint = if first.unit.dimension() == second.unit.dimension() {
        "a difference needs both in one unit".to_owned()
    } else {
        format!("name two signals that are both a {}", dimension_name(first.unit.dimension()))
    };
    sink.report(Code::Conflict, written.at, message, hint);
}

/// The written unit if it is one of `accepted`.
fn expect_unit(raw: &RawDerived, accepted: &[Unit], why: &str, sink: &mut Sink) -> Option<Unit> {
    let written = raw.unit.as_ref()?;
    let found = accepted.iter().copied().find(|unit| unit.symbol() == written.value);
    if found.is_none() {
        let first = accepted.first()?;
        let message = format!("the unit is {}; {why}", quoted(&written.value));
        sink.report(Code::Quantity, written.at, message, format!("write `unit = \"{first}\"`"));
    }
    found
}

/// A polled signal that is a value.
fn source<'a>(
    key: &str,
    name: Option<&At<String>>,
    sources: &Sources<'a>,
    sink: &mut Sink,
) -> Option<(SignalId, &'a LineSignal)> {
    let name = name?;
    let index = sources.names.signals.find(name, sink)?;
    let polled = sources.line.signals.len();
    if index >= polled {
        let is_derived = index < polled + sources.line.derived.len();
        let what = if is_derived { "is derived itself" } else { "is entered by people" };
        let message = format!("{} {what}", quoted(&name.value));
        sink.report(Code::Conflict, name.at, message, format!("name a signal of a controller in `{key}`"));
        return None;
    }
    let signal = sources.signals.get(index)?.as_ref()?;
    if signal.unit == Unit::Bit {
        let message = format!("{} is a bit", quoted(&name.value));
        sink.report(Code::Conflict, name.at, message, format!("name a signal with a value in `{key}`"));
        return None;
    }
    Some((signal_id(index)?, signal))
}
