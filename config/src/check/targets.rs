//! The setpoint that a person entered, held against the same target as the value it is for.

use super::LineNames;
use super::stations::signal_id;
use crate::line::{Belt, ControlLoop, LineSignal, RecipeSetpoint, Role};
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{dimension_name, short};
use crate::raw::line::RawLine;
use crate::reader::Sink;
use setward_alarm::Target;
use setward_protocol::{SignalId, Unit};
use std::collections::BTreeMap;

/// Which entered setpoint belongs to which signal if a recipe does not say.
pub(crate) struct Usual(BTreeMap<SignalId, SignalId>);

impl Usual {
    /// What loops and belts say.
    pub(crate) fn of(
        line: &RawLine,
        names: &LineNames<'_>,
        loops: &[Option<ControlLoop>],
        belts: &[Option<Belt>],
    ) -> Self {
        let of_loops = loops.iter().flatten().filter_map(|one| Some((one.measured, one.entered?)));
        let of_belts = line.derived.iter().enumerate().filter_map(|(index, one)| {
            let belt = belts.get(names.belts.place(&one.belt.as_ref()?.value)?)?.as_ref()?;
            Some((signal_id(line.signals.len() + index)?, belt.dwell_setpoint?))
        });
        Self(of_loops.chain(of_belts).collect())
    }

    pub(crate) fn get(&self, signal: SignalId) -> Option<SignalId> {
        self.0.get(&signal).copied()
    }
}

/// The setpoint that a recipe names as entered.
pub(crate) fn named(
    name: &At<String>,
    held: &LineSignal,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Option<SignalId> {
    let index = names.signals.find(name, sink)?;
    let found = signals.get(index)?.as_ref()?;
    let (is, belongs) = (found.unit.dimension(), held.unit.dimension());
    if found.role != Role::Setpoint {
        let message =
            format!("{} has the role {}; a setpoint belongs here", quoted(&name.value), found.role.name());
        sink.report(Code::Conflict, name.at, message, "name the setpoint that a person enters");
        return None;
    }
    if is != belongs {
        let message = format!(
            "{} is a {}, and {} is a {}",
            quoted(&name.value),
            dimension_name(is),
            quoted(&held.tag),
            dimension_name(belongs)
        );
        sink.report(
            Code::Conflict,
            name.at,
            message,
            "name the setpoint that a person enters for this value",
        );
        return None;
    }
    signal_id(index)
}

/// A setpoint of the recipe and where it is written.
pub(crate) struct Written {
    pub(crate) setpoint: RecipeSetpoint,
    pub(crate) at: Span,
}

/// What the recipe asks of each entered setpoint: the target of the value it is for, in its own unit.
pub(crate) fn of_entered(
    written: &[Written],
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Vec<RecipeSetpoint> {
    let mut first: BTreeMap<SignalId, (SignalId, Span)> = BTreeMap::new();
    let mut found = Vec::new();
    for Written { setpoint, at } in written {
        let signal = |id: SignalId| signals.get(id.index())?.as_ref();
        let Some(id) = setpoint.entered else { continue };
        let (Some(held), Some(entered)) = (signal(setpoint.signal), signal(id)) else { continue };
        if let Some((other, earlier)) = first.get(&id) {
            // Two setpoints for one signal are reported as such.
            if *other != setpoint.signal {
                let message = format!("two setpoints of the recipe are entered as {}", quoted(&entered.tag));
                let texts = (message, "give one of them another `target`".to_owned());
                sink.report_pair(Code::Duplicate, *at, texts, (*earlier, "the first one".to_owned()));
            }
            continue;
        }
        first.insert(id, (setpoint.signal, *at));
        let Some(target) = converted(&setpoint.target, held.unit, entered.unit) else { continue };
        let (low, high) = held.range;
        if (low..=high).contains(&setpoint.target.setpoint) {
            in_range(&target, entered, *at, sink);
        }
        found.push(RecipeSetpoint { signal: id, target, entered: None, judge_when: setpoint.judge_when });
    }
    found
}

/// An entered setpoint must be able to say what the recipe asks.
fn in_range(target: &Target, entered: &LineSignal, at: Span, sink: &mut Sink) {
    let ((low, high), unit) = (entered.range, entered.unit);
    if !(low..=high).contains(&target.setpoint) {
        let message = format!("{} can't be set to {} {unit}", quoted(&entered.tag), short(target.setpoint));
        let hint = format!("its range is {} to {} {unit}", short(low), short(high));
        sink.report(Code::Widths, at, message, hint);
    }
}

fn converted(target: &Target, from: Unit, to: Unit) -> Option<Target> {
    let point = |value: f64| from.convert(value, to);
    let width = |value: f64| from.of_difference().convert(value, to.of_difference());
    let specification = match target.specification {
        Some((low, high)) => Some((point(low)?, point(high)?)),
        None => None,
    };
    let latitude = match target.latitude {
        Some(latitude) => Some(width(latitude)?),
        None => None,
    };
    Some(Target {
        setpoint: point(target.setpoint)?,
        tolerance_below: width(target.tolerance_below)?,
        tolerance_above: width(target.tolerance_above)?,
        latitude,
        specification,
    })
}
