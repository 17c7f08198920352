//! To which recipe and to which batch or tank a kept reading belongs, by the records of batches, and where there are none by the
//! words of the controllers as history has them.
//!
//! A kettle's readings belong to its batch, a tank's to the batches in it. Behind the tanks it is what is fed to the line at that
//! moment: what is in the fryer then has left the tank some minutes before. Without a record it is the controller's number of the
//! batch, and the tank. What nothing says stays empty.

use super::belongs_records::Records;
use super::{ExactSample, HistoryError, HistoryStore, Span};
use crate::line::recipes::RecipeBook;
use crate::snapshot::RunId;
use setward_config::line::{Kettle, KettlePhases, Line, StationId};
use setward_process::batches::Phase;
use setward_protocol::{SignalId, Uptime, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// What is read at a time, and how far back it is looked for what held at the beginning, ms.
const HOUR_MS: i64 = 3_600_000;
/// A number that has stood so long counts for sure: the line waits five seconds.
const COUNTS_BY_MS: i64 = 5_000;

/// What a word says; `None`: nothing good.
type Word = Option<f64>;

/// The line of a run, and what its recipes are called in an export.
#[derive(Debug)]
pub struct LineOfRun {
    /// The line as the run was started with.
    pub line: Line,
    /// By index of the recipe.
    pub recipes: Vec<String>,
}

/// What is known of each run.
#[derive(Debug, Default)]
pub struct Belonging {
    runs: BTreeMap<RunId, LineOfRun>,
}

/// A stretch of history, ready to be asked.
#[derive(Debug)]
pub struct BelongingThen<'a> {
    belonging: &'a Belonging,
    records: Records,
    /// By run and tag: values of the words in order of time; `None`: no good value from then on.
    words: BTreeMap<(RunId, String), Vec<(UtcMillis, Word)>>,
    /// By run and station: recipes in order of time.
    recipes: BTreeMap<(RunId, StationId), Vec<(UtcMillis, usize)>>,
}

impl Belonging {
    /// What is known by the lines of these runs; a run that is not here leaves its readings without.
    #[must_use]
    pub const fn new(runs: BTreeMap<RunId, LineOfRun>) -> Self {
        Self { runs }
    }

    /// Reads the words of a stretch of history, an hour at a time; only their changes are kept.
    ///
    /// # Errors
    /// When history can't be read.
    pub async fn then(
        &self,
        store: &dyn HistoryStore,
        span: Span,
    ) -> Result<BelongingThen<'_>, HistoryError> {
        let records = Records::of(store, span).await?;
        let (words, recipes) = (BTreeMap::new(), BTreeMap::new());
        let mut then = BelongingThen { belonging: self, records, words, recipes };
        for tag in self.tags() {
            let mut from = span.from().0.saturating_sub(HOUR_MS);
            while from < span.to().0 {
                let to = from.saturating_add(HOUR_MS).min(span.to().0);
                let hour = Span::new(UtcMillis(from), UtcMillis(to))
                    .map_err(|error| HistoryError { text: error.text })?;
                for read in store.exact(vec![tag.clone()], hour).await? {
                    read.samples.iter().for_each(|sample| then.take(&tag, sample));
                }
                from = to;
            }
        }
        then.follow_recipes();
        Ok(then)
    }

    /// The words that say anything, of whichever run.
    fn tags(&self) -> BTreeSet<String> {
        let of = |of: &LineOfRun| -> Vec<String> {
            let line = &of.line;
            let numbers = line.recipe_numbers.iter().map(|word| word.signal);
            let kettles = line.kettles.iter();
            let kettles = kettles.flat_map(|kettle| [kettle.step(), kettle.batch_number]).flatten();
            let tank = line.feed.as_ref().and_then(|feed| feed.tank);
            numbers.chain(kettles).chain(tank).map(|signal| line.signal(signal).tag.clone()).collect()
        };
        self.runs.values().flat_map(of).collect()
    }
}

impl BelongingThen<'_> {
    fn take(&mut self, tag: &str, sample: &ExactSample) {
        let word = self.words.entry((RunId(sample.run), tag.to_owned())).or_default();
        let value = sample.reading.good();
        if word.last().is_none_or(|(_, last)| *last != value) {
            word.push((sample.utc, value));
        }
    }

    /// Lets the numbers say what they said to the line then: a number counts once it has stood for a while.
    fn follow_recipes(&mut self) {
        for (run, LineOfRun { line, .. }) in &self.belonging.runs {
            let mut moments: Vec<(UtcMillis, SignalId, Option<f64>)> = Vec::new();
            for asked in &line.recipe_numbers {
                let word = self.words.get(&(*run, line.signal(asked.signal).tag.clone()));
                let word = word.map(Vec::as_slice).unwrap_or_default();
                for (index, (utc, value)) in word.iter().enumerate() {
                    moments.push((*utc, asked.signal, *value));
                    // A number that stands is looked at again and again until it counts, or another comes.
                    let until = word.get(index + 1).map_or(i64::MAX, |(next, _)| next.0);
                    let counts = utc.0.saturating_add(COUNTS_BY_MS);
                    if counts < until {
                        moments.push((UtcMillis(counts), asked.signal, *value));
                    }
                }
            }
            moments.sort_by_key(|(utc, ..)| *utc);
            let told = recipes_of(line, &moments);
            self.recipes.extend(told.into_iter().map(|(station, told)| ((*run, station), told)));
        }
    }

    /// The recipe that the station of a signal ran; empty if it is not known.
    #[must_use]
    pub fn recipe(&self, tag: &str, run: RunId, utc: UtcMillis) -> &str {
        let Some(LineOfRun { line, recipes }) = self.belonging.runs.get(&run) else { return "" };
        let Some(signal) = line.signal_by_tag(tag) else { return "" };
        let told = self.recipes.get(&(run, line.signal(signal).station));
        let recipe = told.and_then(|told| at(told, utc)).copied().unwrap_or(line.running_recipe);
        recipes.get(recipe).map_or("", String::as_str)
    }

    /// The batches that a reading is about, by their records: `kettle-1-20261123T1100Z`, two joined by `+`; else the
    /// controller's number of it or the tank: `4711`, `tank 4`; empty if nothing says it.
    #[must_use]
    pub fn batch(&self, tag: &str, run: RunId, utc: UtcMillis) -> String {
        let Some(LineOfRun { line, .. }) = self.belonging.runs.get(&run) else { return String::new() };
        let Some(signal) = line.signal_by_tag(tag) else { return String::new() };
        if let Some(kettle) = kettle_of(line, signal) {
            let recorded = self.records.in_kettle(&kettle.name, utc);
            let by_word = || self.batch_in(line, kettle, run, utc).unwrap_or_default();
            return if recorded.is_empty() { by_word() } else { recorded };
        }
        let is_of = |tank: &&setward_config::line::Tank| {
            [Some(tank.told_by()), tank.temperature].contains(&Some(signal))
        };
        let (recorded, number) = match line.tanks.iter().find(is_of) {
            Some(tank) => (self.records.in_tank(tank.number, utc), Some(tank.number.to_string())),
            None if is_behind_tanks(line, signal) => {
                (self.records.on_the_line(utc), self.fed_from(line, run, utc))
            }
            None => (String::new(), None),
        };
        if !recorded.is_empty() {
            return recorded;
        }
        number.map(|number| format!("tank {number}")).unwrap_or_default()
    }

    fn batch_in(&self, line: &Line, kettle: &Kettle, run: RunId, utc: UtcMillis) -> Option<String> {
        let KettlePhases::Step { word, codes } = &kettle.phases else { return None };
        let step = self.value(line, *word, run, utc)?;
        let phase = codes.iter().find(|(code, _)| **code as f64 == step)?.1;
        if *phase == Phase::Idle {
            return None;
        }
        Some(self.value(line, kettle.batch_number?, run, utc)?.to_string())
    }

    fn fed_from(&self, line: &Line, run: RunId, utc: UtcMillis) -> Option<String> {
        let number = self.value(line, line.feed.as_ref()?.tank?, run, utc)?;
        (number != 0.0).then(|| number.to_string())
    }

    fn value(&self, line: &Line, signal: SignalId, run: RunId, utc: UtcMillis) -> Option<f64> {
        let word = self.words.get(&(run, line.signal(signal).tag.clone()))?;
        at(word, utc).copied().flatten()
    }
}

/// By station: the recipes that the numbers gave it, in order of time.
fn recipes_of(
    line: &Line,
    moments: &[(UtcMillis, SignalId, Option<f64>)],
) -> BTreeMap<StationId, Vec<(UtcMillis, usize)>> {
    let mut told: BTreeMap<StationId, Vec<(UtcMillis, usize)>> = BTreeMap::new();
    let Some((first, ..)) = moments.first() else { return told };
    let mut book = RecipeBook::new(line);
    for (utc, signal, value) in moments {
        let since_ms = u64::try_from(utc.0.saturating_sub(first.0)).unwrap_or_default();
        let now = Uptime::START + Duration::from_millis(since_ms);
        for change in book.handle(line, now, |asked| value.filter(|_| asked == *signal)) {
            let (Some(asked), Some(recipe)) = (line.recipe_numbers.get(change.word), change.recipe) else {
                continue;
            };
            for station in &asked.stations {
                told.entry(*station).or_default().push((*utc, recipe));
            }
        }
    }
    told
}

/// What held at `utc`, in a list that is in order of time.
fn at<T>(list: &[(UtcMillis, T)], utc: UtcMillis) -> Option<&T> {
    let after = list.partition_point(|(from, _)| *from <= utc);
    list.get(after.checked_sub(1)?).map(|(_, value)| value)
}

/// The kettle that a signal is one of the named signals of.
fn kettle_of(line: &Line, signal: SignalId) -> Option<&Kettle> {
    let named = |kettle: &&Kettle| {
        [Some(kettle.temperature), kettle.step(), kettle.batch_number].contains(&Some(signal))
    };
    line.kettles.iter().find(named)
}

/// Whether the signal belongs to a station behind the last one that has tanks.
fn is_behind_tanks(line: &Line, signal: SignalId) -> bool {
    let last = line.tanks.iter().map(|tank| line.signal(tank.told_by()).station).max();
    last.is_some_and(|last| line.signal(signal).station > last)
}

#[cfg(test)]
#[path = "belongs_tests.rs"]
mod tests;
