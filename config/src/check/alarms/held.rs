//! Alarms that are held against the recipe: every recipe must say what they need.

use super::Context;
use crate::line::{JudgeWhen, LineSignal, Recipe, RecipeSetpoint, Role};
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{Quantity, short, show_time};
use crate::raw::alarm::RawAlarm;
use crate::raw::alarm_kind::NamedWidth;
use crate::raw::recipe::RawRecipe;
use crate::reader::Sink;
use setward_alarm::{Allowance, Side, Target, TimeWeightedSettings, Width};
use setward_protocol::SignalId;
use std::time::Duration;

/// Every recipe, as written and as checked, in the same order.
pub(crate) struct Recipes<'a> {
    pub(crate) raw: &'a [(At<String>, RawRecipe)],
    pub(crate) checked: &'a [Recipe],
    pub(crate) running: Option<usize>,
}

impl<'a> Recipes<'a> {
    /// What the running recipe asks of `signal`.
    pub(super) fn running_setpoint(&self, signal: SignalId) -> Option<&'a RecipeSetpoint> {
        let recipe = self.checked.get(self.running?)?;
        recipe.setpoints.iter().find(|setpoint| setpoint.signal == signal)
    }

    /// Whether `signal` is judged in every mode of its station.
    pub(super) fn judges_always(&self, signal: SignalId) -> bool {
        self.running_setpoint(signal).is_some_and(|setpoint| setpoint.judge_when == JudgeWhen::Always)
    }
}

/// Where an alarm says what it watches.
pub(super) fn place(raw: &RawAlarm) -> Span {
    let signals = || raw.signals.as_ref().map(|signals| signals.at);
    raw.signal.as_ref().map(|signal| signal.at).or_else(signals).unwrap_or(raw.at)
}

/// Reports every recipe without a setpoint for `signal`, or without the width that the alarm uses. A setpoint that is
/// written but wrong is reported there. The running recipe must have it; another one gets a warning.
pub(super) fn needs_target(
    raw: &RawAlarm,
    id: SignalId,
    signal: &LineSignal,
    width: Option<At<NamedWidth>>,
    context: &Context<'_>,
    sink: &mut Sink,
) {
    let recipes = &context.recipes;
    if recipes.running.is_none() {
        return;
    }
    for (index, ((key, written), checked)) in recipes.raw.iter().zip(recipes.checked).enumerate() {
        let code = if recipes.running == Some(index) { Code::Alarm } else { Code::OtherRecipe };
        let key = &key.value;
        let Some(found) = checked.setpoints.iter().find(|setpoint| setpoint.signal == id) else {
            if !is_named(written, checked, signal) {
                let message = format!("recipe {} has no setpoint for {}", quoted(key), quoted(&signal.tag));
                let (table, which) = match signal.role {
                    Role::Setpoint => ("setpoint", "target"),
                    Role::Entered => ("entered", "entry"),
                    Role::Measured | Role::Output | Role::Status => ("setpoint", "signal"),
                };
                let hint =
                    format!("add to recipes/{key}.toml: [[{table}]] with `{which} = \"{}\"`", signal.tag);
                sink.report(code, place(raw), message, hint);
            }
            continue;
        };
        let Some(width) = width else { continue };
        let is_there = match width.value {
            NamedWidth::Latitude => found.target.latitude.is_some(),
            NamedWidth::Specification => found.target.specification.is_some(),
            NamedWidth::Tolerance => true,
        };
        if !is_there {
            let name = width.value.name();
            let message = format!("recipe {} gives no `{name}` for {}", quoted(key), quoted(&signal.tag));
            let hint = format!("add it to the setpoint in recipes/{key}.toml, or choose another width");
            sink.report(code, width.at, message, hint);
        }
    }
}

/// Whether a recipe names `signal`, right or wrong: itself, or through a setpoint that did not become one.
fn is_named(written: &RawRecipe, checked: &Recipe, signal: &LineSignal) -> bool {
    let names_it = |name: &Option<At<String>>| name.as_ref().is_some_and(|name| name.value == signal.tag);
    let own = checked.setpoints.iter().filter(|setpoint| setpoint.entered.is_some()).count();
    let count = written.setpoints.len() + written.entered.len();
    let is_whole = checked.setpoints.len() >= count + own;
    written.setpoints.iter().chain(&written.entered).any(|one| names_it(&one.signal) || names_it(&one.target))
        || (signal.role == Role::Setpoint && !is_whole)
}

/// What an alarm is held against in one recipe.
struct Edge<'a> {
    code: Code,
    recipe: &'a str,
    target: &'a Target,
}

impl<'a> Recipes<'a> {
    /// Every recipe that asks something of `signal`. What can't work there is an error in the running one, else a warning.
    fn edges(&self, signal: SignalId) -> impl Iterator<Item = Edge<'a>> {
        let running = self.running;
        self.checked.iter().enumerate().filter_map(move |(index, recipe)| {
            let code = if running == Some(index) { Code::Alarm } else { Code::OtherRecipe };
            let target = &recipe.setpoint(signal)?.target;
            Some(Edge { code, recipe: &recipe.key, target })
        })
    }
}

/// The sides that are watched: one, or both.
const fn watched(side: Option<Side>) -> &'static [Side] {
    match side {
        Some(Side::Above) => &[Side::Above],
        Some(Side::Below) => &[Side::Below],
        None => &[Side::Above, Side::Below],
    }
}

/// Reports a deadband that is not smaller than the width, in whatever recipe: the value could not come back.
pub(super) fn clears(
    deadband: (Option<&At<Quantity>>, f64),
    (width, side): (Width, Option<Side>),
    (id, signal): (SignalId, &LineSignal),
    context: &Context<'_>,
    sink: &mut Sink,
) {
    let (Some(written), deadband) = deadband else { return };
    let hint = "write a smaller deadband";
    if let Width::Fixed(width) = width {
        if deadband >= width {
            let message = "the deadband is not smaller than the width: the alarm could never clear";
            sink.report(Code::Alarm, written.at, message, hint);
        }
        return;
    }
    for Edge { code, recipe, target } in context.recipes.edges(id) {
        let narrowest = watched(side).iter().filter_map(|side| target.reach(width, *side)).reduce(f64::min);
        if let Some(narrowest) = narrowest.filter(|narrowest| deadband >= *narrowest) {
            let message = format!(
                "the deadband is not smaller than the width, which is {} {} for {} in recipe {}: the alarm could never clear",
                short(narrowest),
                signal.unit.of_difference(),
                quoted(&signal.tag),
                quoted(recipe)
            );
            sink.report(code, written.at, message, hint);
        }
    }
}

/// Reports a ceiling that is not beyond where the mean raises, in whatever recipe: any value would raise it.
pub(super) fn ceiling_beyond(
    (written, ceiling): (&At<Quantity>, f64),
    (width, side): (Width, Side),
    (id, signal): (SignalId, &LineSignal),
    context: &Context<'_>,
    sink: &mut Sink,
) {
    for Edge { code, recipe, target } in context.recipes.edges(id) {
        let Some(reach) = target.reach(width, side) else { continue };
        let edge = match side {
            Side::Above => target.setpoint + reach,
            Side::Below => target.setpoint - reach,
        };
        if side.beyond(ceiling, edge) <= 0.0 {
            let unit = signal.unit;
            let message = format!(
                "the ceiling {} {unit} is not beyond {} {unit}, where the mean of {} raises in recipe {}",
                short(ceiling),
                short(edge),
                quoted(&signal.tag),
                quoted(recipe)
            );
            let hint = "it is for a single value that is too far: write one farther out, or take it out";
            sink.report(code, written.at, message, hint);
        }
    }
}

/// At the edge of the specification the alarm must raise before the time to respond is over.
pub(super) fn raises_in_time(
    raw: &RawAlarm,
    id: SignalId,
    settings: Option<&TimeWeightedSettings>,
    context: &Context<'_>,
    sink: &mut Sink,
) {
    let (Some(settings), Some(time)) = (settings, &raw.time_to_respond) else { return };
    let Some(target) = context.recipes.running_setpoint(id).map(|setpoint| setpoint.target) else { return };
    let Some(edge) = target.reach(setward_alarm::Width::Specification, settings.side) else { return };
    let tolerance = target.tolerance(settings.side);
    // At twice the tolerance the rate is 2^shape - 1; at the edge it is (edge / tolerance)^shape - 1.
    let rate = (edge / tolerance).powf(settings.shape) - 1.0;
    let seconds = match settings.allowance {
        Allowance::Area(area) => area / (edge - tolerance),
        Allowance::AtTwice(seconds) => seconds * (2.0_f64.powf(settings.shape) - 1.0) / rate,
    };
    if seconds.is_finite() && !time.value.is_zero() && seconds > time.value.as_secs_f64() {
        let message = format!(
            "at the edge of the specification it raises after {} s, and the time to respond is {}",
            short(seconds.round()),
            show_time(time.value)
        );
        let at = raw.time_to_respond.as_ref().map_or(raw.at, |time| time.at);
        sink.report(Code::SecondLook, at, message, "write a smaller `allowance`");
    }
}

/// A delay must be over before the time to respond is.
pub(super) fn delay_in_time(raw: &RawAlarm, delay: Option<&At<Duration>>, sink: &mut Sink) {
    if let (Some(delay), Some(time)) = (delay, &raw.time_to_respond)
        && !time.value.is_zero()
        && delay.value >= time.value
    {
        let message = format!(
            "it raises after {}, and the time to respond is {}",
            show_time(delay.value),
            show_time(time.value)
        );
        sink.report(Code::SecondLook, delay.at, message, "write a shorter delay");
    }
}
