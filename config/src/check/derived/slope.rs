//! Derived signals that tell what a counter gains: each hour, or for what flows by.

use super::{Sources, expect_unit, source};
use crate::line::LineSignal;
use crate::problem::{At, Code, quoted};
use crate::quantity::dimension_name;
use crate::raw::derived::RawDerived;
use crate::reader::Sink;
use setward_process::derived::Derivation;
use setward_protocol::{Dimension, Unit};
use std::time::Duration;

/// Length of the window if the file does not say.
const OVER: Duration = Duration::from_secs(300);
/// Shortest and longest window.
const LEAST: Duration = Duration::from_secs(10);
const MOST: Duration = Duration::from_secs(86_400);

/// What is counted, and the flow of the same: a unit of the first each second is `per_s` units of the second.
struct Counted {
    flow: Dimension,
    unit: Unit,
    flow_unit: Unit,
    per_s: f64,
    rates: &'static [Unit],
}

fn counted(of: &LineSignal) -> Option<Counted> {
    let mass = || Counted {
        flow: Dimension::MassFlow,
        unit: Unit::Kilogram,
        flow_unit: Unit::KilogramPerHour,
        per_s: 3600.0,
        rates: &[Unit::KilogramPerHour, Unit::PoundPerHour],
    };
    let volume = || Counted {
        flow: Dimension::VolumeFlow,
        unit: Unit::Litre,
        flow_unit: Unit::LitrePerMinute,
        per_s: 60.0,
        rates: &[Unit::LitrePerMinute, Unit::CubicMetrePerHour, Unit::GallonPerMinute],
    };
    let dimension = of.unit.dimension();
    (dimension == Dimension::Mass).then(mass).or_else(|| (dimension == Dimension::Volume).then(volume))
}

/// What the counter `of` gains over a window, each hour or minute, or for what flows by in `to`.
pub(super) fn slope(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<(Derivation, Unit)> {
    let over = window(raw, sink);
    let of = source("of", raw.of.as_ref(), sources, sink);
    let to = source("to", raw.to.as_ref(), sources, sink);
    let (of, signal) = of?;
    let Some(counted) = counted(signal) else {
        let message = format!("{} is a {}", quoted(&signal.tag), dimension_name(signal.unit.dimension()));
        let hint =
            "a slope is of a counted mass or volume; how fast a value moves is an alarm of the kind `rate`";
        sink.report(Code::Conflict, raw.of.as_ref()?.at, message, hint);
        return None;
    };
    let units = signal.unit.convert(1.0, counted.unit)?;
    let (to, unit, factor) = match &raw.to {
        None => {
            let why = format!("what {} gains is a {}", signal.tag, dimension_name(counted.flow));
            let unit = expect_unit(raw, counted.rates, &why, sink)?;
            (None, unit, counted.flow_unit.convert(units * counted.per_s, unit)?)
        }
        Some(written) => {
            let unit =
                expect_unit(raw, &[Unit::Percent, Unit::One], "a share is in % or a plain number", sink);
            let (to, flow) = to?;
            let per_unit = of_flow(written, flow, &counted, sink)?;
            let unit = unit?;
            let whole = if unit == Unit::Percent { 100.0 } else { 1.0 };
            (Some(to), unit, units * counted.per_s / per_unit * whole)
        }
    };
    Some((Derivation::Slope { of, to, over: over?, factor }, unit))
}

/// One unit of the flow in the usual unit.
fn of_flow(written: &At<String>, flow: &LineSignal, counted: &Counted, sink: &mut Sink) -> Option<f64> {
    let found = flow.unit.convert(1.0, counted.flow_unit);
    if found.is_none() {
        let found = dimension_name(flow.unit.dimension());
        let message = format!("{} is a {found}", quoted(&flow.tag));
        let hint = format!("name a signal that is a {} in `to`", dimension_name(counted.flow));
        sink.report(Code::Conflict, written.at, message, hint);
    }
    found
}

fn window(raw: &RawDerived, sink: &mut Sink) -> Option<Duration> {
    let Some(over) = &raw.over else { return Some(OVER) };
    if (LEAST..=MOST).contains(&over.value) {
        return Some(over.value);
    }
    let message = "the window of a slope is 10 s to 24 h".to_owned();
    sink.report(Code::OutOfBounds, over.at, message, "write `over = \"10 min\"`");
    None
}
