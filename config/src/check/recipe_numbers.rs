//! Words in controllers, or numbers that people enter, that say which recipe runs: each number has its recipe, each station
//! obeys one word.

use super::LineNames;
use super::stations::signal_id;
use crate::line::{LineSignal, RecipeNumber, Role, StationId};
use crate::problem::{At, Code, quoted};
use crate::raw::line::{RawLine, RawRecipeNumber};
use crate::raw::recipe::RawRecipe;
use crate::reader::{Sink, nearest_or_all};
use setward_protocol::Unit;
use std::collections::BTreeMap;
use std::time::Duration;

/// A line changes over in a quarter of an hour or so; common practice.
const CHANGEOVER_USUALLY: Duration = Duration::from_secs(20 * 60);

/// Every word that names a recipe.
pub(crate) fn check(
    raw: &RawLine,
    recipes: &[(At<String>, RawRecipe)],
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Vec<Option<RecipeNumber>> {
    let mut taken = BTreeMap::new();
    raw.recipe_numbers
        .iter()
        .map(|one| {
            let signal = one.signal.as_ref().and_then(|name| word(name, names, signals, sink));
            let numbers = numbers(one, recipes, signal.map(|(_, signal)| signal), sink);
            let (id, signal) = signal?;
            let stations = stations(one, signal, (names, &mut taken), sink);
            let changeover = one.changeover.as_ref().map_or(CHANGEOVER_USUALLY, |span| span.value);
            Some(RecipeNumber { signal: id, numbers: numbers?, stations: stations?, changeover })
        })
        .collect()
}

fn word<'a>(
    name: &At<String>,
    names: &LineNames<'_>,
    signals: &'a [Option<LineSignal>],
    sink: &mut Sink,
) -> Option<(setward_protocol::SignalId, &'a LineSignal)> {
    let index = names.signals.find(name, sink)?;
    let signal = signals.get(index)?.as_ref()?;
    match signal.role {
        Role::Status => {}
        Role::Entered if signal.unit == Unit::One => {}
        Role::Entered => {
            let message =
                format!("{} is in {}, which is no number of a recipe", quoted(&name.value), signal.unit);
            let hint = "name an [[entry]] of the kind `number` with the unit \"1\": a person chooses the recipe by it";
            sink.report(Code::Conflict, name.at, message, hint);
            return None;
        }
        Role::Measured | Role::Setpoint | Role::Output => {
            let message =
                format!("{} has the role {}; a status belongs here", quoted(&name.value), signal.role.name());
            sink.report(Code::Conflict, name.at, message, "name the word that holds the recipe number");
            return None;
        }
    }
    Some((signal_id(index)?, signal))
}

fn numbers(
    raw: &RawRecipeNumber,
    recipes: &[(At<String>, RawRecipe)],
    signal: Option<&LineSignal>,
    sink: &mut Sink,
) -> Option<BTreeMap<i64, usize>> {
    let keys: Vec<&str> = recipes.iter().map(|(key, _)| key.value.as_str()).collect();
    let mut found = BTreeMap::new();
    let mut good = !raw.numbers.is_empty();
    if let Some(name) = raw.signal.as_ref().filter(|_| raw.numbers_given && raw.numbers.is_empty()) {
        sink.missing(name.at, "[[recipe-number]]", "numbers", "{ 3 = \"blue-corn-rounds\" }");
    }
    for (number, recipe) in &raw.numbers {
        let in_range = |code: &i64| {
            let value = *code as f64;
            signal.is_none_or(|signal| signal.range.0 <= value && value <= signal.range.1)
        };
        let code = number.value.parse::<i64>().ok().filter(in_range);
        if code.is_none() {
            let message = format!("{} is no number that the word can have", quoted(&number.value));
            sink.report(
                Code::OutOfBounds,
                number.at,
                message,
                "write whole numbers within the `range` of its signal",
            );
        }
        let recipe = recipe.as_ref();
        if recipe.is_none() {
            let message = format!("the recipe of number {} is no text", quoted(&number.value));
            let hint = "write each number with the name of its recipe in quotes, such as `numbers = { 3 = \"blue-corn-rounds\" }`";
            sink.report(Code::WrongType, number.at, message, hint);
        }
        let place = recipe.and_then(|name| keys.iter().position(|key| *key == name.value));
        if let (Some(name), None) = (recipe, place) {
            let message = format!("there is no recipe called {}", quoted(&name.value));
            sink.report(Code::UnknownName, name.at, message, nearest_or_all(&name.value, &keys));
        }
        match code.zip(place) {
            Some((code, place)) if found.insert(code, place).is_some() => {
                let message = format!("number {code} has two recipes");
                sink.report(Code::Duplicate, number.at, message, "keep one of the two");
                good = false;
            }
            Some(_) => {}
            None => good = false,
        }
    }
    good.then_some(found)
}

/// Its stations, none of which another word names; the signal's own if none is written.
fn stations<'a>(
    raw: &'a RawRecipeNumber,
    signal: &LineSignal,
    (names, taken): (&LineNames<'_>, &mut BTreeMap<StationId, &'a At<String>>),
    sink: &mut Sink,
) -> Option<Vec<StationId>> {
    let Some(written) = &raw.stations else {
        let name = raw.signal.as_ref()?;
        return claim(signal.station, name, taken, sink).then(|| vec![signal.station]);
    };
    if written.value.is_empty() {
        let hint = "name at least one station, or take it out: then it holds for the station of its signal";
        sink.report(Code::Word, written.at, "`stations` is empty", hint);
        return None;
    }
    let mut found = Some(Vec::new());
    for name in &written.value {
        let index = names.stations.find(name, sink).and_then(|index| u16::try_from(index).ok());
        let station = index.map(StationId).filter(|station| claim(*station, name, taken, sink));
        found = found.zip(station).map(|(mut found, station)| {
            found.push(station);
            found
        });
    }
    found
}

fn claim<'a>(
    station: StationId,
    name: &'a At<String>,
    taken: &mut BTreeMap<StationId, &'a At<String>>,
    sink: &mut Sink,
) -> bool {
    let Some(earlier) = taken.get(&station) else {
        taken.insert(station, name);
        return true;
    };
    let message = format!("two recipe numbers hold for the station that {} names", quoted(&name.value));
    let hint = "a station runs one recipe: take it out of one of the two".to_owned();
    sink.report_pair(Code::Duplicate, name.at, (message, hint), (earlier.at, "the first one".to_owned()));
    false
}
