//! What the line did in a replayed stretch, whatever the settings: kilograms fed, and the recipe of each station from when on.
//!
//! Both are of the readings that were fed: what was not kept is time of which nothing is known.

use super::compare::Occurrence;
use super::feed::Scan;
use crate::line::recipes::RecipeChange;
use crate::report::actions::station_of;
use crate::report::shifts;
use serde::Serialize;
use setward_config::line::{Line, StationId};
use setward_protocol::{SignalId, Unit, UtcMillis};

/// Points of the feed are kept this far apart; between two of them the rate is taken as constant, ms.
const POINT_EVERY_MS: i64 = 10_000;

/// What was fed until a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Fed {
    at: UtcMillis,
    kg: f64,
    unknown_s: f64,
}

/// What the line did.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ground {
    /// The weigher, what one of its unit is in kg/h, and for how long two readings hang together, ms.
    feed: Option<(SignalId, f64, i64)>,
    last_rate: Option<(UtcMillis, Option<f64>)>,
    fed: Vec<Fed>,
    /// From when a station ran a recipe (index).
    recipes: Vec<(UtcMillis, StationId, usize)>,
}

/// Kilograms that were fed while one or more troubles stood.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct AtRisk {
    /// Fed from onset to return, kg.
    pub touched_kg: f64,
    /// Of these, fed from onset until somebody was called, kg.
    pub before_call_kg: f64,
    /// Time from onset to return in which the rate is not known, s: kilograms are at least what is said.
    pub unknown_s: f64,
}

impl AtRisk {
    /// Both together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            touched_kg: self.touched_kg + other.touched_kg,
            before_call_kg: self.before_call_kg + other.before_call_kg,
            unknown_s: self.unknown_s + other.unknown_s,
        }
    }
}

/// Which shift and recipe an occurrence is counted to.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Turn {
    /// The shift, by the plant's clocks, in which it raised; `None` if the line names none.
    pub shift: Option<String>,
    /// The recipe that its station ran then; of an alarm without a station, that of the whole line.
    pub recipe: String,
}

impl Ground {
    /// Nothing known yet.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let feed = line.feed.as_ref().and_then(|feed| {
            let one = line.signal(feed.signal).unit.convert(1.0, Unit::KilogramPerHour)?;
            let gap_ms = i64::try_from(line.gap_limit(feed.signal).as_millis()).ok()?;
            Some((feed.signal, one, gap_ms))
        });
        Self { feed, ..Self::default() }
    }

    /// A scan, in the order in which it was kept.
    pub(super) fn scan(&mut self, scan: &Scan) {
        let Some((signal, one_kg_per_h, gap_ms)) = self.feed else { return };
        let of_weigher = scan.samples.iter().filter(|sample| sample.signal == signal);
        for sample in of_weigher {
            let rate = sample.reading.good().map(|value| (value * one_kg_per_h).max(0.0));
            if let Some((before, last)) = self.last_rate {
                self.pass((before, last), (scan.utc, rate), gap_ms);
            } else {
                self.fed.push(Fed { at: scan.utc, kg: 0.0, unknown_s: 0.0 });
            }
            self.last_rate = Some((scan.utc, rate));
        }
    }

    fn pass(
        &mut self,
        (before, last): (UtcMillis, Option<f64>),
        (now, rate): (UtcMillis, Option<f64>),
        gap_ms: i64,
    ) {
        let span_ms = now.0 - before.0;
        let Some(end) = self.fed.last().copied().filter(|_| span_ms > 0) else { return };
        let span_s = span_ms as f64 / 1000.0;
        let both = last.zip(rate).filter(|_| span_ms <= gap_ms);
        let kg = end.kg + both.map_or(0.0, |(last, rate)| f64::midpoint(last, rate) * span_s / 3600.0);
        let unknown_s = end.unknown_s + if both.is_none() { span_s } else { 0.0 };
        let next = Fed { at: now, kg, unknown_s };
        let before_last = self.fed.len().checked_sub(2).and_then(|place| self.fed.get(place));
        // The last point moves on until it is far enough from the one before; a hole keeps its edges.
        let moves = both.is_some() && before_last.is_some_and(|point| now.0 - point.at.0 <= POINT_EVERY_MS);
        match self.fed.last_mut() {
            Some(last) if moves => *last = next,
            Some(_) | None => self.fed.push(next),
        }
    }

    /// A run begins: every station has the line's own recipe until a controller says otherwise, and of the time since the
    /// run before nothing is known.
    pub(super) fn run_begins(&mut self, line: &Line, at: UtcMillis) {
        let ids = (0..line.stations.len()).filter_map(|station| u16::try_from(station).ok());
        self.recipes.extend(ids.map(|station| (at, StationId(station), line.running_recipe)));
        if let Some((_, rate)) = &mut self.last_rate {
            *rate = None;
        }
    }

    /// What recipe numbers did in a run. One without a recipe changes nothing.
    pub(super) fn recipes(&mut self, line: &Line, changes: &[(UtcMillis, RecipeChange)]) {
        for (at, change) in changes {
            let Some((recipe, word)) = change.recipe.zip(line.recipe_numbers.get(change.word)) else {
                continue;
            };
            self.recipes.extend(word.stations.iter().map(|station| (*at, *station, recipe)));
        }
    }

    /// Kilograms fed, and seconds of which nothing is known, until a moment.
    fn until(&self, at: UtcMillis) -> (f64, f64) {
        let next = self.fed.partition_point(|point| point.at <= at);
        let before = next.checked_sub(1).and_then(|place| self.fed.get(place));
        match (before, self.fed.get(next)) {
            (Some(before), Some(after)) => {
                let share = (at.0 - before.at.0) as f64 / ((after.at.0 - before.at.0).max(1)) as f64;
                let between = |from: f64, to: f64| from + share * (to - from);
                (between(before.kg, after.kg), between(before.unknown_s, after.unknown_s))
            }
            (Some(last), None) => (last.kg, last.unknown_s + (at.0 - last.at.0) as f64 / 1000.0),
            (None, Some(first)) => (first.kg, first.unknown_s - (first.at.0 - at.0) as f64 / 1000.0),
            (None, None) => (0.0, at.0 as f64 / 1000.0),
        }
    }

    /// What was fed while a trouble stood, one that goes on until `end`; `None` if the line has no weigher.
    #[must_use]
    pub fn at_risk(&self, one: &Occurrence, end: UtcMillis) -> Option<AtRisk> {
        self.feed?;
        let (from, called) = (self.until(one.onset), self.until(one.raised));
        let to = self.until(one.cleared.unwrap_or(end).max(one.onset));
        Some(AtRisk {
            touched_kg: to.0 - from.0,
            before_call_kg: (called.0.min(to.0) - from.0).max(0.0),
            unknown_s: to.1 - from.1,
        })
    }

    /// What an occurrence of an alarm is counted to.
    #[must_use]
    pub fn turn(&self, line: &Line, alarm: &str, raised: UtcMillis) -> Turn {
        let last = line.stations.len().checked_sub(1).and_then(|last| u16::try_from(last).ok());
        let of_alarm = line.alarm_by_id(alarm).and_then(|id| station_of(line, id));
        let station = of_alarm.or(last.map(StationId));
        let ran = self.recipes.iter().rev().find(|(from, at, _)| Some(*at) == station && *from <= raised);
        let recipe = ran.map_or(line.running_recipe, |(_, _, recipe)| *recipe);
        Turn {
            shift: shifts::at(line, raised).map(|shift| shift.name),
            recipe: line.recipes.get(recipe).map(|recipe| recipe.key.clone()).unwrap_or_default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::snapshot::RunId;
    use setward_protocol::{NoData, Reading, Sample, Uptime};

    fn line() -> Line {
        setward_config::load_demo().unwrap().line
    }

    fn utc(second: i64) -> UtcMillis {
        UtcMillis(1000 * second)
    }

    /// The weigher each second, kg/h.
    fn weighed(line: &Line, rates: impl IntoIterator<Item = (i64, Reading)>) -> Ground {
        let mut ground = Ground::new(line);
        let signal = line.feed.as_ref().unwrap().signal;
        for (second, reading) in rates {
            let at = Uptime::from_millis(u64::try_from(1000 * second).unwrap());
            let samples = vec![Sample { signal, at, reading }];
            let (run, brought_words) = (RunId(1), true);
            ground.scan(&Scan { run, controller: None, at, utc: utc(second), samples, brought_words });
        }
        ground
    }

    fn trouble(onset: i64, raised: i64, cleared: Option<i64>) -> Occurrence {
        Occurrence { onset: utc(onset), raised: utc(raised), cleared: cleared.map(utc) }
    }

    fn assert_near(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-6, "{found} instead of {expected}");
    }

    /// 3,600 kg/h is a kilogram each second.
    #[test]
    fn kilograms_are_what_was_fed_from_onset_to_return() {
        let line = line();
        let ground = weighed(&line, (0..2000).map(|second| (second, Reading::Good(3600.0))));
        let risk = ground.at_risk(&trouble(105, 205, Some(1003)), utc(1999)).unwrap();
        assert_near(risk.touched_kg, 898.0);
        assert_near(risk.before_call_kg, 100.0);
        assert_near(risk.unknown_s, 0.0);
        let stands = ground.at_risk(&trouble(105, 205, None), utc(1200)).unwrap();
        assert_near(stands.touched_kg, 1095.0);
        assert!(ground.fed.len() < 220, "{} points", ground.fed.len());
    }

    #[test]
    fn a_line_that_stands_puts_nothing_at_risk_and_a_rate_that_turns_is_followed() {
        let line = line();
        let rate = |second: i64| if second < 500 { 0.0 } else { 7200.0 };
        let ground = weighed(&line, (0..1000).map(|second| (second, Reading::Good(rate(second)))));
        assert_near(ground.at_risk(&trouble(100, 200, Some(480)), utc(999)).unwrap().touched_kg, 0.0);
        // Within a point's ten seconds of the step.
        let across = ground.at_risk(&trouble(400, 600, Some(700)), utc(999)).unwrap();
        assert!((across.touched_kg - 401.0).abs() < 1e-6, "{across:?}");
        assert!((across.before_call_kg - 201.0).abs() < 1e-6, "{across:?}");
    }

    #[test]
    fn time_without_a_rate_is_told_and_adds_nothing() {
        let line = line();
        let reading = |second: i64| match second {
            300..400 => Reading::Bad(NoData::NoReply),
            _ => Reading::Good(3600.0),
        };
        let known = (0..1000).filter(|second| !(600..700).contains(second));
        let ground = weighed(&line, known.map(|second| (second, reading(second))));
        let risk = ground.at_risk(&trouble(200, 500, Some(800)), utc(999)).unwrap();
        assert_near(risk.touched_kg, 600.0 - 101.0 - 101.0);
        assert_near(risk.unknown_s, 202.0);
        let after = ground.at_risk(&trouble(900, 950, None), utc(1099)).unwrap();
        assert_near(after.unknown_s, 100.0);
        assert!(Ground::new(&Line { feed: None, ..line }).at_risk(&trouble(0, 1, None), utc(2)).is_none());
    }

    /// The cook house has a recipe number of its own, and works ahead of the line.
    #[test]
    fn an_occurrence_counts_to_the_recipe_its_own_station_ran() {
        let line = line();
        let mut ground = Ground::new(&line);
        ground.run_begins(&line, utc(0));
        let recipe = |key: &str| line.recipes.iter().position(|recipe| recipe.key == key).unwrap();
        let change =
            |word, key: &str| RecipeChange { word, before: None, number: 7, recipe: Some(recipe(key)) };
        ground.recipes(&line, &[(utc(100), change(0, "white-corn-strips"))]);
        let ran = |ground: &Ground, alarm: &str, second: i64| ground.turn(&line, alarm, utc(second)).recipe;
        let own = line.recipes[line.running_recipe].key.clone();
        assert_eq!(ran(&ground, "fryer-inlet-cold", 500), own);
        let kettle = line.alarms_with_ids().find(|(id, _)| {
            station_of(&line, *id).is_some_and(|station| line.station(station).key == "kettle")
        });
        let kettle = kettle.unwrap().1.id.clone();
        assert_eq!(ran(&ground, &kettle, 99), own);
        assert_eq!(ran(&ground, &kettle, 500), "white-corn-strips");
        // What no alarm of this line is goes with its end.
        let unknown = RecipeChange { word: 1, before: Some(3), number: 9, recipe: None };
        ground.recipes(&line, &[(utc(200), unknown), (utc(300), change(1, "white-corn-strips"))]);
        assert_eq!(ran(&ground, "gone", 250), own);
        assert_eq!(ran(&ground, "gone", 350), "white-corn-strips");
        ground.run_begins(&line, utc(1000));
        assert_eq!(ran(&ground, &kettle, 1001), own, "a new run has not read its number yet");
    }
}
