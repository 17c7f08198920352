//! What the words that choose something say now, against the maps of the line folder: recipe numbers, kettle steps, tank states,
//! loop modes, states, and the mode each station would be in. Whether that is so, people at the station must say.

use crate::report::batch::phase_word;
use serde::Serialize;
use setward_config::line::{KettlePhases, Line, TankCode, TankContents};
use setward_process::condition::all_hold;
use setward_protocol::{Mode, SignalId};
use std::collections::BTreeMap;

/// What a word says, and what that means.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MapProbe {
    /// "recipe number", "kettle step", "tank state", "loop mode", "state".
    pub what: &'static str,
    /// The word's tag.
    pub tag: String,
    /// What it says.
    pub says: i64,
    /// What that means by the files; `None`: nothing.
    pub means: Option<String>,
    /// The codes that mean something, with what.
    pub known: String,
}

/// What a station would be doing by its rules.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ModeProbe {
    /// The station's key.
    pub station: String,
    /// Its mode; `None`: what its rules look at could not be read.
    pub mode: Option<&'static str>,
}

/// Every map, with what its word says; words that were not read are left out: they are told of as signals.
#[must_use]
pub fn maps(line: &Line, value_of: impl Fn(SignalId) -> Option<f64>) -> Vec<MapProbe> {
    let mut found = Vec::new();
    let mut add = |what: &'static str, signal: SignalId, known: &BTreeMap<i64, String>| {
        let Some(value) = value_of(signal).filter(|_| !known.is_empty()) else { return };
        // A float-to-integer cast saturates, and codes are small.
        let says = value.round() as i64;
        let listed: Vec<String> = known.iter().map(|(code, means)| format!("{code} {means}")).collect();
        let tag = line.signal(signal).tag.clone();
        found.push(MapProbe { what, tag, says, means: known.get(&says).cloned(), known: listed.join(", ") });
    };
    for number in &line.recipe_numbers {
        let key =
            |recipe: &usize| line.recipes.get(*recipe).map(|recipe| recipe.key.clone()).unwrap_or_default();
        add("recipe number", number.signal, &named(&number.numbers, key));
    }
    for kettle in &line.kettles {
        if let KettlePhases::Step { word, codes } = &kettle.phases {
            add("kettle step", *word, &named(codes, |phase| phase_word(*phase).to_owned()));
        }
    }
    for tank in &line.tanks {
        if let TankContents::Word { word, codes } = &tank.contents {
            add("tank state", *word, &named(codes, |code| holds(*code).to_owned()));
        }
    }
    for (mode, control) in line.loops.iter().filter_map(|control| Some((control.mode?, control))) {
        add("loop mode", mode, &named(&control.modes, |mode| mode.name().to_owned()));
    }
    for (id, signal) in line.signals_with_ids() {
        add("state", id, &signal.codes);
    }
    found
}

/// The mode of every station that has rules, without the times that rules wait.
#[must_use]
pub fn modes(line: &Line, value_of: impl Fn(SignalId) -> Option<f64>) -> Vec<ModeProbe> {
    let with_rules = line.stations.iter().filter(|station| !station.modes.is_empty());
    with_rules
        .map(|station| {
            let judged = station.modes.iter().map(|rule| (rule.mode, all_hold(&rule.when, &value_of)));
            // The first that holds wins; one before it that is not known leaves it open.
            let first = judged.into_iter().find(|(_, holds)| *holds != Some(false));
            let mode = match first {
                None => Some(Mode::Run.name()),
                Some((mode, Some(_))) => Some(mode.name()),
                Some((_, None)) => None,
            };
            ModeProbe { station: station.key.clone(), mode }
        })
        .collect()
}

fn named<T>(codes: &BTreeMap<i64, T>, name: impl Fn(&T) -> String) -> BTreeMap<i64, String> {
    codes.iter().map(|(code, means)| (*code, name(means))).collect()
}

const fn holds(code: TankCode) -> &'static str {
    match code {
        TankCode::Empty => "empty",
        TankCode::Filling => "filling",
        TankCode::Full => "full",
        TankCode::OutOfUse => "out of use",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line() -> Line {
        setward_config::load_demo().unwrap().line
    }

    #[test]
    fn a_number_without_a_recipe_is_named_with_those_that_have_one() {
        let line = line();
        let word = line.signal_by_tag("XI-393").unwrap();
        let says = |number: f64| maps(&line, |id| (id == word).then_some(number));
        let found = says(9.0);
        let own = found.iter().find(|one| one.what == "recipe number").unwrap();
        assert_eq!((own.tag.as_str(), own.says, &own.means), ("XI-393", 9, &None));
        assert_eq!(own.known, "3 blue-corn-rounds, 7 white-corn-strips");
        let found = says(7.0);
        assert_eq!(found[0].means.as_deref(), Some("white-corn-strips"));
    }

    #[test]
    fn words_that_were_not_read_are_left_out_and_every_map_of_the_demo_is_looked_at() {
        let line = line();
        assert_eq!(maps(&line, |_| None), []);
        let found = maps(&line, |_| Some(-77.0));
        for what in ["recipe number", "kettle step", "tank state", "loop mode", "state"] {
            assert!(found.iter().any(|one| one.what == what && one.means.is_none()), "{what}");
        }
    }

    #[test]
    fn a_station_is_in_the_mode_of_its_first_rule_that_holds_and_in_none_that_can_not_be_told() {
        let line = line();
        let stopped = line.signal_by_tag("YS-452").unwrap();
        let packing = |value: Option<f64>| {
            let found = modes(&line, |id| value.filter(|_| id == stopped));
            found.into_iter().find(|one| one.station == "packing").unwrap().mode
        };
        assert_eq!(packing(Some(1.0)), Some("stopped"));
        assert_eq!(packing(Some(0.0)), Some("run"));
        assert_eq!(packing(None), None);
    }
}
