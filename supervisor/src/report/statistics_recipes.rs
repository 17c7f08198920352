//! Which recipe was in force when a signal was held to a setpoint, and what it specifies.
//!
//! Two recipes may ask for the same setpoint, and a recipe may have been changed since: the setpoint alone names neither a recipe
//! nor its limits. What the recipe number said then does. Where no number says it, only what all recipes of that setpoint agree
//! about is told.

use crate::history::{KnownBand, StoredEvent};
use setward_config::line::{Line, Recipe, RecipeSetpoint, StationId};
use setward_process::statistics::capability::Specification;
use setward_protocol::{SignalId, UtcMillis};

/// The key of the recipe that a station ran, from when on; `None`: nothing has said it in that run yet.
pub(super) type Told = Vec<(UtcMillis, Option<String>)>;

/// Why no specification is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoSpecification {
    /// The recipe has none.
    Nothing,
    /// What ran then is not in the files as it was.
    Changed,
    /// It may have been one of several, and they differ.
    Differ,
}

impl NoSpecification {
    /// Whether no other cut of the time makes it known.
    pub(super) const fn is_for_good(self) -> bool {
        match self {
            Self::Changed | Self::Differ => true,
            Self::Nothing => false,
        }
    }

    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Nothing => "the recipe has no specification for it",
            Self::Changed => "the recipe has changed since: the files do not say what it specified then",
            Self::Differ => {
                "recipes with this setpoint have different specifications, and which of them ran is not known"
            }
        }
    }
}

/// What the recipe numbers of a station said, by events in order of time.
pub(super) fn told(line: &Line, events: &[StoredEvent], station: StationId) -> Told {
    let mut told = Told::new();
    let key = &line.station(station).key;
    let mut run = None;
    for stored in events {
        if run != Some(stored.run) {
            run = Some(stored.run);
            told.push((stored.event.utc, None));
        }
        let note = stored.event.note.as_deref().filter(|_| stored.event.what == "recipe");
        let Some((recipe, mut stations)) = note.and_then(recipe_told) else { continue };
        if stations.any(|own| own == key) {
            told.push((stored.event.utc, Some(recipe.to_owned())));
        }
    }
    told
}

/// "blue-corn-rounds: UY-300 says 1, before it 2; fryer, seasoning": the recipe and its stations.
pub(crate) fn recipe_told(note: &str) -> Option<(&str, impl Iterator<Item = &str>)> {
    let (recipe, rest) = note.split_once(": ")?;
    let (_, stations) = rest.rsplit_once("; ")?;
    Some((recipe, stations.split(", ")))
}

/// What had been said last at a moment.
fn told_at(told: &Told, utc: UtcMillis) -> Option<&str> {
    let last = told.iter().rev().find(|(from, _)| *from <= utc)?;
    last.1.as_deref()
}

/// The recipes of the files that ask for what was asked, of the one that ran then where that is known.
fn asking<'a>(
    line: &'a Line,
    signal: SignalId,
    (band, told): (&KnownBand, &Told),
) -> Vec<(&'a Recipe, &'a RecipeSetpoint)> {
    let told = told_at(told, band.utc);
    let recipes = line.recipes.iter().filter(|recipe| told.is_none_or(|told| recipe.key == told));
    let asking = recipes.filter_map(|recipe| Some((recipe, recipe.setpoint(signal)?)));
    let is_own =
        |asked: &RecipeSetpoint| band.setpoint.is_some_and(|setpoint| near(asked.target.setpoint, setpoint));
    asking.filter(|(_, asked)| is_own(asked)).collect()
}

/// What was specified, less the setpoint.
pub(super) fn specification(
    line: &Line,
    signal: SignalId,
    (band, told): (&KnownBand, &Told),
) -> Result<Specification, NoSpecification> {
    let setpoint = band.setpoint.ok_or(NoSpecification::Nothing)?;
    let asking = asking(line, signal, (band, told));
    let mut specified = asking.iter().map(|(_, asked)| asked.target.specification);
    let first = specified.next().ok_or(NoSpecification::Changed)?;
    let is_same = |other: Option<(f64, f64)>| match (first, other) {
        (Some(one), Some(other)) => near(one.0, other.0) && near(one.1, other.1),
        (None, None) => true,
        (Some(_), None) | (None, Some(_)) => false,
    };
    if !specified.all(is_same) {
        return Err(NoSpecification::Differ);
    }
    let (low, high) = first.ok_or(NoSpecification::Nothing)?;
    Ok(Specification { low: Some(low - setpoint), high: Some(high - setpoint) })
}

/// What to call the recipe that was in force: by its number, or all that it may have been.
pub(super) fn recipe_name(line: &Line, signal: SignalId, (band, told): (&KnownBand, &Told)) -> String {
    if let Some(key) = told_at(told, band.utc) {
        return key.to_owned();
    }
    let keys: Vec<&str> =
        asking(line, signal, (band, told)).iter().map(|(recipe, _)| recipe.key.as_str()).collect();
    match (keys.as_slice(), band.setpoint) {
        ([], Some(setpoint)) => format!("setpoint {setpoint}"),
        ([], None) => "no recipe".to_owned(),
        (keys, _) => keys.join(" or "),
    }
}

pub(super) fn near(one: f64, other: f64) -> bool {
    (one - other).abs() < 1e-6
}
