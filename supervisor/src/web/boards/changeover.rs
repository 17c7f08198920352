//! From one recipe to another: setpoints to be entered, what a kettle batch gets, what is in band already, until when the changeover
//! lasts at most, and what product on the belts keeps the old recipe.

use super::held::{Held, held_at};
use crate::web::facts::{Entered, Scene, SignalFacts};
use crate::web::words;
use setward_config::line::{CookLimits, Recipe};
use setward_protocol::{Mode, SignalId, StationId, UtcMillis};
use std::collections::BTreeSet;
use std::time::Duration;

/// A setpoint that people enter.
#[derive(Clone, Copy)]
pub(in crate::web) struct Entry<'a> {
    pub(in crate::web) facts: SignalFacts<'a>,
    /// What each recipe asks of it; `None`: nothing.
    pub(in crate::web) from: Option<Entered>,
    pub(in crate::web) to: Option<Entered>,
}

/// What is to be done about a setpoint.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) enum Todo {
    /// Both recipes ask the same.
    Stays,
    /// The panel has the new value already.
    Done,
    /// It is to be entered.
    Enter,
    /// It is to be entered, or has been: nobody knows what the panel has.
    Unseen,
    /// The new recipe asks nothing.
    Free,
}

impl Todo {
    /// The words on pages and for programs.
    pub(in crate::web) const fn name(self) -> &'static str {
        match self {
            Self::Stays => "stays",
            Self::Done => "set already",
            Self::Enter => "to enter",
            Self::Unseen => "to enter; the panel is not read now",
            Self::Free => "the new recipe asks nothing",
        }
    }
}

impl Entry<'_> {
    pub(in crate::web) fn todo(&self) -> Todo {
        let Some(to) = self.to else { return Todo::Free };
        let count = self.facts.signal.register().map_or(0.0, |register| register.wire.scale.abs());
        // Where both ask the same, a person may have turned it; what is not entered yet is not, however near the old value is.
        let is_same = self.from.is_some_and(|from| from.recipe == to.recipe);
        match self.facts.view.reading.value() {
            Some(value) if is_same && !to.is_beyond(value) => Todo::Stays,
            Some(value) if to.is_met_by(value, count) => Todo::Done,
            Some(_) => Todo::Enter,
            None => Todo::Unseen,
        }
    }
}

/// Something a kettle batch or a soak is given, in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::web) struct Given {
    pub(in crate::web) what: &'static str,
    pub(in crate::web) from: String,
    pub(in crate::web) to: String,
}

/// Stations that change over now.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::web) struct UnderWay {
    pub(in crate::web) stations: Vec<String>,
    pub(in crate::web) since: Option<UtcMillis>,
    /// It ends then at the latest.
    pub(in crate::web) until: Option<UtcMillis>,
}

/// How long what is on the belts takes to the bag, from the station where the new recipe begins.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::web) struct Transit {
    /// The first station that changes.
    pub(in crate::web) from: String,
    /// At least and at most, s; `None`: a belt's dwell is not known.
    pub(in crate::web) takes_s: Option<(f64, f64)>,
    /// Tanks with corn that was cooked by another recipe than the new one.
    pub(in crate::web) tanks: Vec<(String, String)>,
}

/// The whole board.
pub(in crate::web) struct Board<'a> {
    pub(in crate::web) entries: Vec<Entry<'a>>,
    pub(in crate::web) kettle: Vec<Given>,
    /// Against the new recipe.
    pub(in crate::web) held: Vec<Held<'a>>,
    pub(in crate::web) under_way: Option<UnderWay>,
    /// How long a changeover may last: the longest of the line's recipe numbers.
    pub(in crate::web) lasts: Option<Duration>,
    pub(in crate::web) transit: Transit,
}

impl<'a> Board<'a> {
    /// As things stand.
    pub(in crate::web) fn of(scene: &Scene<'a>, from: &'a Recipe, to: &'a Recipe) -> Self {
        // What a kettle holds follows its program, not the change.
        let cooks = |station: StationId| scene.line.kettles.iter().any(|kettle| kettle.station == station);
        let stations = scene.stations().filter(|station| !cooks(station.id));
        let held = stations.flat_map(|station| held_at(scene, to, station.id)).collect();
        Self {
            entries: entries(scene, from, to),
            kettle: kettle(from, to),
            held,
            under_way: under_way(scene),
            lasts: scene.line.recipe_numbers.iter().map(|number| number.changeover).max(),
            transit: transit(scene, to),
        }
    }

    /// How many setpoints are still to be entered.
    pub(in crate::web) fn to_enter(&self) -> usize {
        self.entries.iter().filter(|entry| matches!(entry.todo(), Todo::Enter | Todo::Unseen)).count()
    }

    /// What the new recipe holds that is not within its tolerance, without what does not count now.
    pub(in crate::web) fn out(&self) -> usize {
        self.held.iter().filter(|held| held.is_in_the_way()).count()
    }

    /// "9 setpoints to enter, 3 of 14 values not in the new band."
    pub(in crate::web) fn sentence(&self) -> String {
        let counted = self.held.iter().filter(|held| held.why_not.is_none()).count();
        let enter = match self.to_enter() {
            0 => "No setpoint is left to enter".to_owned(),
            count => format!("{} to enter", words::counted(count, "setpoint")),
        };
        let out = match self.out() {
            0 => format!("all {counted} values are in the new band"),
            out => format!("{out} of {counted} values are not in the new band yet"),
        };
        format!("{enter}; {out}.")
    }
}

/// Every setpoint that either recipe has people enter, in the order of the line.
fn entries<'a>(scene: &Scene<'a>, from: &'a Recipe, to: &'a Recipe) -> Vec<Entry<'a>> {
    let asked_of = |recipe: &Recipe, id: SignalId| {
        let asked = recipe.setpoints.iter().find(|asked| asked.entered == Some(id))?;
        Entered::of(asked, scene.line.signal(asked.signal).unit, scene.line.signal(id).unit)
    };
    let mut all: Vec<Entry<'a>> = scene
        .signals()
        .filter_map(|facts| {
            let (from, to) = (asked_of(from, facts.id), asked_of(to, facts.id));
            (from.is_some() || to.is_some()).then_some(Entry { facts, from, to })
        })
        .collect();
    all.sort_by_key(|entry| (entry.facts.signal.station, entry.facts.id));
    all
}

/// What of a batch and its soak differs or not, in words.
fn kettle(from: &Recipe, to: &Recipe) -> Vec<Given> {
    let cook = |what, say: &dyn Fn(&CookLimits) -> String| {
        let words = |recipe: &Recipe| recipe.cook.as_ref().map_or_else(|| "not said".to_owned(), say);
        Given { what, from: words(from), to: words(to) }
    };
    let soak = |recipe: &Recipe| {
        let limits = recipe.soak.map(|soak| (soak.least.as_secs_f64(), soak.most.as_secs_f64()));
        limits.map_or_else(
            || "no limit".to_owned(),
            |(least, most)| format!("{} to {}", words::span(least), words::span(most)),
        )
    };
    let minutes = |seconds: f64| words::number(seconds / 60.0, 0);
    let mut all = Vec::new();
    if from.cook.is_some() || to.cook.is_some() {
        all.push(cook("Corn of a batch", &|cook| format!("{} kg", words::number(cook.corn_kg.target, 0))));
        all.push(cook("Water of a batch", &|cook| format!("{} L", words::number(cook.water_l.target, 0))));
        all.push(cook("Lime of a batch", &|cook| format!("{} kg", words::number(cook.lime_kg.target, 1))));
        all.push(cook("Hold", &|cook| {
            format!(
                "{} to {} min above {} \u{b0}C",
                minutes(cook.hold_s.0),
                minutes(cook.hold_s.1),
                words::number(cook.hold_above_degc, 1)
            )
        }));
        all.push(cook("Quench to", &|cook| {
            format!(
                "{} to {} \u{b0}C",
                words::number(cook.quench_to_degc.0, 0),
                words::number(cook.quench_to_degc.1, 0)
            )
        }));
    }
    if from.soak.is_some() || to.soak.is_some() {
        all.push(Given { what: "Age of the corn that is fed", from: soak(from), to: soak(to) });
    }
    all
}

fn under_way(scene: &Scene<'_>) -> Option<UnderWay> {
    let changing: Vec<_> = scene.stations().filter(|facts| facts.view.mode == Mode::Changeover).collect();
    let ends = |station: &crate::web::facts::StationFacts<'_>| {
        let number = scene.line.recipe_numbers.iter().find(|number| number.stations.contains(&station.id))?;
        let lasts_ms = i64::try_from(number.changeover.as_millis()).ok()?;
        Some(UtcMillis(station.view.since?.0.saturating_add(lasts_ms)))
    };
    (!changing.is_empty()).then(|| UnderWay {
        since: changing.iter().filter_map(|station| station.view.since).min(),
        until: changing.iter().filter_map(ends).max(),
        stations: changing.iter().map(|station| station.station.name.clone()).collect(),
    })
}

/// The belts and delays from the first station that obeys the last recipe number to the end of the line.
fn transit(scene: &Scene<'_>, to: &Recipe) -> Transit {
    let line = scene.line;
    let first = line.recipe_numbers.last().and_then(|number| number.stations.iter().min().copied());
    let first = first.unwrap_or(StationId(0));
    let belts = line.belts.iter().zip(&scene.snapshot.dwell_s).filter(|(belt, _)| belt.station >= first);
    let belts: Option<f64> = belts.map(|(_, dwell_s)| *dwell_s).sum();
    let delays = line.delays.iter().filter(|delay| delay.station >= first);
    let (least, most) = delays.fold((0.0, 0.0), |(least, most), delay| {
        (least + delay.least.as_secs_f64(), most + delay.most.as_secs_f64())
    });
    let other =
        scene.snapshot.following.batches.iter().filter(|batch| batch.is_in_tank).filter_map(|batch| {
            let recipe = line.recipes.get(batch.recipe)?;
            let place = line.tanks.iter().position(|tank| Some(tank.number) == batch.tank)?;
            (recipe.key != to.key).then(|| (place, recipe.name.clone()))
        });
    // In the order of the line, not of the alphabet: tank 2 comes before tank 10.
    let other: BTreeSet<(usize, String)> = other.collect();
    let named = |(place, recipe): (usize, String)| Some((line.tanks.get(place)?.name.clone(), recipe));
    let tanks = other.into_iter().filter_map(named).collect();
    Transit {
        from: line.stations.get(usize::from(first.0)).map(|station| station.name.clone()).unwrap_or_default(),
        takes_s: belts.map(|belts| (belts + least, belts + most)),
        tanks,
    }
}
