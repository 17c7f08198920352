//! Recipes: three widths that nest, each setpoint inside the signal's range.

use super::intervals::interval;
use super::stations::signal_id;
use super::targets::{self, Usual, Written};
use super::{LineNames, cook};
use crate::line::{JudgeWhen, LineSignal, Recipe, RecipeSetpoint, Role};
use crate::problem::{At, Code, quoted};
use crate::quantity::{self, short};
use crate::raw::line::RawLine;
use crate::raw::recipe::{RawRecipe, RawSetpoint, RawSoak};
use crate::reader::{Sink, nearest_or_all};
use setward_alarm::Target;
use setward_process::tanks::SoakLimits;
use setward_protocol::Unit;
use std::collections::BTreeMap;

/// Every recipe. A setpoint that makes no sense is left out and reported.
pub(crate) fn check(
    raw: &[(At<String>, RawRecipe)],
    usual: &Usual,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Vec<Recipe> {
    raw.iter()
        .map(|(key, recipe)| {
            unique(recipe, sink);
            let written: Vec<Written> = recipe
                .setpoints
                .iter()
                .filter_map(|one| setpoint(one, usual, names, signals, sink))
                .collect();
            let turned = targets::of_entered(&written, signals, sink);
            let entered: Vec<Written> =
                recipe.entered.iter().filter_map(|one| entered(one, names, signals, sink)).collect();
            Recipe {
                key: key.value.clone(),
                name: recipe.name.as_ref().map(|name| name.value.clone()).unwrap_or_default(),
                cook: recipe.cook.as_ref().and_then(|one| cook::limits(one, sink)),
                hydration: recipe
                    .soak
                    .as_ref()
                    .and_then(|soak| cook::hydration(soak.hydration.as_ref()?, sink)),
                soak: recipe.soak.as_ref().and_then(|soak| soak_limits(soak, sink)),
                setpoints: written
                    .into_iter()
                    .map(|one| one.setpoint)
                    .chain(turned)
                    .chain(entered.into_iter().map(|one| one.setpoint))
                    .collect(),
            }
        })
        .collect()
}

/// The place of the running recipe in the list.
pub(crate) fn running(line: &RawLine, raw: &[(At<String>, RawRecipe)], sink: &mut Sink) -> Option<usize> {
    let wanted = line.head.as_ref()?.recipe.as_ref()?;
    let found = raw.iter().position(|(key, _)| key.value == wanted.value);
    if found.is_none() {
        let keys: Vec<&str> = raw.iter().map(|(key, _)| key.value.as_str()).collect();
        let message = format!("there is no recipe called {}", quoted(&wanted.value));
        sink.report(Code::UnknownName, wanted.at, message, nearest_or_all(&wanted.value, &keys));
    }
    found
}

fn soak_limits(raw: &RawSoak, sink: &mut Sink) -> Option<SoakLimits> {
    let (least, most) = (raw.least.as_ref()?, raw.most.as_ref()?);
    if least.value >= most.value {
        let message = "corn would be too old before it is old enough";
        sink.report(Code::Conflict, least.at, message, "write `least` shorter than `most`");
        return None;
    }
    Some(SoakLimits { least: least.value, most: most.value })
}

fn unique(recipe: &RawRecipe, sink: &mut Sink) {
    let mut first: BTreeMap<&str, &At<String>> = BTreeMap::new();
    let all = recipe.setpoints.iter().chain(&recipe.entered);
    for signal in all.filter_map(|one| one.signal.as_ref()) {
        if let Some(earlier) = first.get(signal.value.as_str()) {
            let message = format!("the recipe has two setpoints for {}", quoted(&signal.value));
            let texts = (message, "take one of the two out".to_owned());
            sink.report_pair(Code::Duplicate, signal.at, texts, (earlier.at, "the first one".to_owned()));
        } else {
            first.insert(&signal.value, signal);
        }
    }
}

fn setpoint(
    raw: &RawSetpoint,
    usual: &Usual,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Written> {
    let written = raw.signal.as_ref()?;
    let index = names.signals.find(written, sink)?;
    let signal = signals.get(index)?.as_ref()?;
    if signal.role != Role::Measured {
        let message = format!("{} has the role {}", quoted(&written.value), signal.role.name());
        let hint = "name the measured or derived signal that the recipe holds; `target` names the setpoint a person entered";
        sink.report(Code::Conflict, written.at, message, hint);
        return None;
    }
    let target = widths(raw, signal.unit, sink)?;
    let id = signal_id(index)?;
    let entered = match &raw.target {
        Some(name) => targets::named(name, signal, names, signals, sink),
        None => usual.get(id),
    };
    let judge_when = raw.judge_when.as_ref().map_or_else(JudgeWhen::default, |when| when.value);
    let setpoint = RecipeSetpoint { signal: id, target, entered, judge_when };
    nests(raw, &setpoint, signal, sink);
    Some(Written { setpoint, at: raw.target.as_ref().map_or(written.at, |target| target.at) })
}

/// What an entered value is held against: whenever it is entered.
fn entered(
    raw: &RawSetpoint,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<Written> {
    let written = raw.signal.as_ref()?;
    let index = names.signals.find(written, sink)?;
    let signal = signals.get(index)?.as_ref()?;
    if signal.role != Role::Entered || signal.unit == Unit::Bit {
        let message = format!("{} is no number that is entered", quoted(&written.value));
        let hint = "name the tag of an [[entry]] that is a number; [[setpoint]] is for measured signals";
        sink.report(Code::Conflict, written.at, message, hint);
        return None;
    }
    let target = widths(raw, signal.unit, sink)?;
    let (entered, judge_when) = (None, JudgeWhen::Always);
    let setpoint = RecipeSetpoint { signal: signal_id(index)?, target, entered, judge_when };
    nests(raw, &setpoint, signal, sink);
    Some(Written { setpoint, at: written.at })
}

/// Setpoint and widths.
fn widths(raw: &RawSetpoint, unit: Unit, sink: &mut Sink) -> Option<Target> {
    let value = raw.value.as_ref().and_then(|at| sink.take("value", at.at, quantity::point(&at.value, unit)));
    let tolerance = raw.tolerance.as_ref();
    let below = tolerance.and_then(|one| width("below", one.below.as_ref(), unit, sink));
    let above = tolerance.and_then(|one| width("above", one.above.as_ref(), unit, sink));
    let latitude = raw.latitude.as_ref().map(|at| width("latitude", Some(at), unit, sink));
    let specification =
        raw.specification.as_ref().map(|at| interval("specification", at, unit, Code::Widths, sink));
    let latitude = match latitude {
        Some(found) => Some(found?),
        None => None,
    };
    let specification = match specification {
        Some(found) => Some(found?),
        None => None,
    };
    Some(Target {
        setpoint: value?,
        tolerance_below: below?,
        tolerance_above: above?,
        latitude,
        specification,
    })
}

/// A width: a difference that is more than nothing.
fn width(key: &str, written: Option<&At<quantity::Quantity>>, unit: Unit, sink: &mut Sink) -> Option<f64> {
    let written = written?;
    let width = sink.take(key, written.at, quantity::difference(&written.value, unit))?;
    if width <= 0.0 {
        let message = format!("`{key}` is {} {}", short(width), unit.of_difference());
        sink.report(Code::Widths, written.at, message, "write a width that is more than nothing");
        return None;
    }
    Some(width)
}

/// Latitude inside tolerance inside specification, and the setpoint inside range and specification.
fn nests(raw: &RawSetpoint, found: &RecipeSetpoint, signal: &LineSignal, sink: &mut Sink) {
    let (unit, target) = (signal.unit, &found.target);
    let (low, high) = signal.range;
    let at = raw.value.as_ref().map_or(raw.at, |value| value.at);
    let setpoint = target.setpoint;
    if !(low..=high).contains(&setpoint) {
        let message = format!(
            "the setpoint {} {unit} lies outside the range of {}",
            short(setpoint),
            quoted(&signal.tag)
        );
        sink.report(
            Code::Widths,
            at,
            message,
            format!("its range is {} to {} {unit}", short(low), short(high)),
        );
        return;
    }
    if let Some((low, high)) = found.target.specification
        && !(low..=high).contains(&setpoint)
    {
        let message = format!("the setpoint {} {unit} lies outside its own specification", short(setpoint));
        sink.report(
            Code::Widths,
            at,
            message,
            format!("the specification is {} to {} {unit}", short(low), short(high)),
        );
        return;
    }
    latitude_in_tolerance(raw, found, unit, sink);
    tolerance_in_specification(raw, found, unit, sink);
}

fn latitude_in_tolerance(raw: &RawSetpoint, found: &RecipeSetpoint, unit: Unit, sink: &mut Sink) {
    let narrow = found.target.tolerance_below.min(found.target.tolerance_above);
    if let (Some(latitude), Some(written)) = (found.target.latitude, &raw.latitude)
        && latitude >= narrow
    {
        let difference = unit.of_difference();
        let message = format!(
            "`latitude` {} {difference} is not inside the tolerance {} {difference}",
            short(latitude),
            short(narrow)
        );
        let hint = "latitude is what the operator may turn unasked: keep it smaller than the tolerance";
        sink.report(Code::Widths, written.at, message, hint);
    }
}

fn tolerance_in_specification(raw: &RawSetpoint, found: &RecipeSetpoint, unit: Unit, sink: &mut Sink) {
    let Some((low, high)) = found.target.specification else { return };
    let Some(tolerance) = &raw.tolerance else { return };
    let target = &found.target;
    let lowest = target.setpoint - target.tolerance_below;
    let highest = target.setpoint + target.tolerance_above;
    let sides = [
        ("below", &tolerance.below, lowest, low, lowest <= low),
        ("above", &tolerance.above, highest, high, highest >= high),
    ];
    for (key, written, edge, end, is_outside) in sides {
        if let (Some(written), true) = (written, is_outside) {
            let (edge, end) = (short(edge), short(end));
            let message = format!(
                "the tolerance `{key}` reaches {edge} {unit}; the specification ends at {end} {unit}"
            );
            let hint =
                "tolerance is where exposure starts, specification where product is held: keep it narrower";
            sink.report(Code::Widths, written.at, message, hint);
        }
    }
}
