//! Which recipe each station runs, by the words of the controllers, or by the numbers that people enter.
//!
//! A number in a controller counts once it has stood for a while, one that was entered at once. A number without a recipe
//! changes nothing, and neither does one that is not known now: what held before goes on.

use setward_config::line::{Line, Recipe, RecipeNumber, RecipeSetpoint, StationId};
use setward_protocol::{SignalId, Uptime};
use std::time::Duration;

/// A number must stand so long to count: one that is being typed at a panel is no recipe.
const STANDS_FOR: Duration = Duration::from_secs(5);

/// The recipes that run.
#[derive(Debug)]
pub struct RecipeBook {
    /// By station: index into the line's recipes.
    running: Vec<usize>,
    /// By station: the end of its changeover at the latest, while it changes over.
    changing_until: Vec<Option<Uptime>>,
    words: Vec<Word>,
    /// By recipe: which of its setpoints is whose, in the order of the signals. A line at capacity asks for thousands at once.
    places: Vec<Vec<(SignalId, usize)>>,
    /// It has been looked at before.
    was_looked_at: bool,
}

/// A recipe number in a controller.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Word {
    /// The number that counts.
    number: Option<i64>,
    /// The number that is read now, if it is another, and since when.
    next: Option<(i64, Uptime)>,
}

/// What a recipe number has done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RecipeChange {
    /// The word, as an index into the line's recipe numbers.
    pub word: usize,
    /// The number that counted before; `None` at the start.
    pub before: Option<i64>,
    /// The number that counts now.
    pub number: i64,
    /// Index of its recipe; `None` if the number has none.
    pub recipe: Option<usize>,
}

impl RecipeChange {
    /// What an event says of it: what has happened, and a note.
    #[must_use]
    pub fn told(&self, line: &Line) -> (&'static str, String) {
        let Some(asked) = line.recipe_numbers.get(self.word) else { return ("recipe", String::new()) };
        let (word, number) = (&line.signal(asked.signal).tag, self.number);
        let before = self.before.map(|before| format!(", before it {before}")).unwrap_or_default();
        let named = |key: &StationId| line.station(*key).key.clone();
        let stations = asked.stations.iter().map(named).collect::<Vec<_>>().join(", ");
        let mend = if line.chooses_recipe(asked.signal) {
            "enter another number"
        } else {
            "correct the number at the panel"
        };
        match self.recipe.and_then(|recipe| line.recipes.get(recipe)) {
            Some(recipe) => ("recipe", format!("{}: {word} says {number}{before}; {stations}", recipe.key)),
            None => (
                "recipe unknown",
                format!(
                    "{word} says {number}{before}, which has no recipe: {stations} are held against the one before; {mend}, \
                     or give it a recipe in `numbers` of [[recipe-number]]"
                ),
            ),
        }
    }
}

impl RecipeBook {
    /// Every station runs the line's own recipe until a controller says otherwise.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let stations = line.stations.len();
        Self {
            running: vec![line.running_recipe; stations],
            changing_until: vec![None; stations],
            words: vec![Word::default(); line.recipe_numbers.len()],
            places: line.recipes.iter().map(places).collect(),
            was_looked_at: false,
        }
    }

    /// Index of the recipe that a station runs.
    #[must_use]
    pub fn running(&self, line: &Line, station: StationId) -> usize {
        self.running.get(station.index()).copied().unwrap_or(line.running_recipe)
    }

    /// What the recipe that runs at the signal's station asks of it.
    #[must_use]
    pub fn setpoint<'a>(&self, line: &'a Line, signal: SignalId) -> Option<&'a RecipeSetpoint> {
        let running = self.running(line, line.signal(signal).station);
        let places = self.places.get(running)?;
        let found = places.binary_search_by_key(&signal, |place| place.0).ok()?;
        line.recipes.get(running)?.setpoints.get(places.get(found)?.1)
    }

    /// Whether something changes with time alone: a number that does not count yet, a changeover.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        self.words.iter().any(|word| word.next.is_some()) || self.changing_until.iter().any(Option::is_some)
    }

    /// Whether a station changes over from one recipe to another.
    #[must_use]
    pub fn is_changing_over(&self, station: StationId) -> bool {
        self.changing_until.get(station.index()).copied().flatten().is_some()
    }

    /// Looks at the numbers as they are at `now`; gives the words whose number counts from now on.
    pub fn handle(
        &mut self,
        line: &Line,
        now: Uptime,
        value_of: impl Fn(SignalId) -> Option<f64>,
    ) -> Vec<RecipeChange> {
        let mut changes = Vec::new();
        for (index, (word, asked)) in self.words.iter_mut().zip(&line.recipe_numbers).enumerate() {
            let value = value_of(asked.signal).filter(|value| value.fract() == 0.0).map(whole);
            let is_entered = line.chooses_recipe(asked.signal);
            let Some(before) = value.and_then(|number| word.take_from(is_entered, number, now)) else {
                continue;
            };
            let Some(number) = word.number else { continue };
            let recipe = asked.numbers.get(&number).copied();
            changes.push(RecipeChange { word: index, before, number, recipe });
        }
        for change in &changes {
            if let Some((asked, recipe)) = line.recipe_numbers.get(change.word).zip(change.recipe) {
                // What a person enters while nothing was entered before is a change all the same.
                let is_new = self.was_looked_at && line.chooses_recipe(asked.signal);
                self.run(asked, recipe, now, is_new || change.before.is_some());
            }
        }
        self.was_looked_at = true;
        changes
    }

    /// Ends the changeover of a station that is over its time, or in which `is_within` says that all is well by the recipe
    /// with this index.
    pub fn end_changeovers(&mut self, now: Uptime, is_within: impl Fn(StationId, usize) -> bool) {
        let stations = (0..=u16::MAX).map(StationId).zip(&self.running);
        for ((station, recipe), until) in stations.zip(&mut self.changing_until) {
            if until.is_some_and(|until| now >= until || is_within(station, *recipe)) {
                *until = None;
            }
        }
    }

    /// Only a change is a changeover: what the first look finds has been running.
    fn run(&mut self, asked: &RecipeNumber, recipe: usize, now: Uptime, is_changeover: bool) {
        for station in &asked.stations {
            let Some(running) = self.running.get_mut(station.index()) else { continue };
            if std::mem::replace(running, recipe) != recipe
                && is_changeover
                && let Some(until) = self.changing_until.get_mut(station.index())
            {
                *until = Some(now + asked.changeover);
            }
        }
    }
}

/// Which setpoint of a recipe is whose, in the order of the signals.
fn places(recipe: &Recipe) -> Vec<(SignalId, usize)> {
    let mut places: Vec<_> = recipe.setpoints.iter().map(|asked| asked.signal).zip(0..).collect();
    places.sort_by_key(|place| place.0);
    places
}

impl Word {
    /// The number that counts; `None` before the first look.
    pub(super) const fn number(&self) -> Option<i64> {
        self.number
    }

    /// Takes a number: one that a person entered counts at once.
    pub(super) fn take_from(&mut self, is_entered: bool, number: i64, now: Uptime) -> Option<Option<i64>> {
        if is_entered && self.number != Some(number) {
            self.next = None;
            return Some(self.number.replace(number));
        }
        self.take(number, now)
    }

    /// Takes the number that is read at `now`; gives the one that counted before, if another counts from now on.
    fn take(&mut self, number: i64, now: Uptime) -> Option<Option<i64>> {
        if self.number == Some(number) {
            self.next = None;
            return None;
        }
        let since = match self.next {
            Some((next, since)) if next == number => since,
            Some(_) | None => now,
        };
        self.next = Some((number, since));
        // The first look waits for nobody.
        if self.number.is_some() && now.since(since) < STANDS_FOR {
            return None;
        }
        self.next = None;
        Some(self.number.replace(number))
    }
}

/// The code that a value stands for: status words are whole numbers.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a cast of a float saturates, and a register is far within"
)]
pub(super) const fn whole(value: f64) -> i64 {
    value as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRYER: &str = "fryer";

    fn line() -> Line {
        setward_config::load_demo().unwrap().line
    }

    fn station(line: &Line, key: &str) -> StationId {
        let index = line.stations.iter().position(|station| station.key == key).unwrap();
        StationId(u16::try_from(index).unwrap())
    }

    fn at(second: u64) -> Uptime {
        Uptime::from_millis(second * 1000)
    }

    /// Gives the book the number of the line at a second; says what has changed and what the fryer runs.
    fn see(
        book: &mut RecipeBook,
        line: &Line,
        second: u64,
        number: Option<f64>,
    ) -> (Vec<RecipeChange>, String) {
        let word = line.signal_by_tag("XI-393");
        let changes = book.handle(line, at(second), |signal| number.filter(|_| Some(signal) == word));
        let running = book.running(line, station(line, FRYER));
        (changes, line.recipes[running].key.clone())
    }

    #[test]
    fn the_first_number_counts_at_once_and_is_no_changeover() {
        let (line, mut book) = (line(), RecipeBook::new(&line()));
        assert_eq!(see(&mut book, &line, 0, None), (vec![], "blue-corn-rounds".to_owned()));
        let (changes, running) = see(&mut book, &line, 1, Some(7.0));
        assert_eq!(running, "white-corn-strips");
        let white = line.recipes.iter().position(|recipe| recipe.key == running);
        assert_eq!(changes, [RecipeChange { word: 1, before: None, number: 7, recipe: white }]);
        assert!(!book.is_changing_over(station(&line, FRYER)));
        assert_eq!(line.recipes[book.running(&line, station(&line, "kettle"))].key, "blue-corn-rounds");
    }

    /// Found by place, each setpoint is the one that a look through the recipe finds, and what has none has none.
    #[test]
    fn the_running_recipe_asks_of_each_signal_what_its_file_says() {
        let (line, mut book) = (line(), RecipeBook::new(&line()));
        for (second, number) in [(0, 3.0), (60, 7.0), (70, 7.0)] {
            see(&mut book, &line, second, Some(number));
            for (id, signal) in line.signals_with_ids() {
                let asked = line.recipes[book.running(&line, signal.station)].setpoint(id);
                assert_eq!(book.setpoint(&line, id), asked, "{}", signal.tag);
            }
        }
        assert_eq!(
            see(&mut book, &line, 71, Some(7.0)).1,
            "white-corn-strips",
            "both recipes were looked at"
        );
        let under = |tag: &str| book.setpoint(&line, line.signal_by_tag(tag).unwrap()).is_some();
        assert!(under("TT-310") && !under("XI-393"));
    }

    #[test]
    fn a_change_counts_after_five_seconds_and_its_stations_change_over_until_all_is_within_or_time_is_up() {
        let (line, mut book) = (line(), RecipeBook::new(&line()));
        see(&mut book, &line, 0, Some(3.0));
        for second in [10, 12, 14] {
            assert_eq!(see(&mut book, &line, second, Some(7.0)).1, "blue-corn-rounds");
        }
        assert_eq!(see(&mut book, &line, 15, Some(7.0)).1, "white-corn-strips");
        let (fryer, kettle) = (station(&line, FRYER), station(&line, "kettle"));
        assert!(book.is_changing_over(fryer) && !book.is_changing_over(kettle));
        book.end_changeovers(at(16), |_, _| false);
        assert!(book.is_changing_over(fryer));
        book.end_changeovers(at(17), |station, _| station == fryer);
        assert!(!book.is_changing_over(fryer) && book.is_changing_over(station(&line, "oven")));
        book.end_changeovers(at(15 + 20 * 60), |_, _| false);
        assert!(!book.is_changing_over(station(&line, "oven")));
    }

    #[test]
    fn a_number_that_is_being_typed_or_unknown_or_has_no_recipe_changes_nothing() {
        let (line, mut book) = (line(), RecipeBook::new(&line()));
        see(&mut book, &line, 0, Some(3.0));
        for (second, number) in
            [(10, Some(7.0)), (13, None), (14, Some(3.0)), (16, Some(7.0)), (20, Some(7.0))]
        {
            assert_eq!(see(&mut book, &line, second, number), (vec![], "blue-corn-rounds".to_owned()));
        }
        see(&mut book, &line, 30, Some(5.0));
        let (changes, running) = see(&mut book, &line, 36, Some(5.0));
        assert_eq!(changes, [RecipeChange { word: 1, before: Some(3), number: 5, recipe: None }]);
        assert_eq!(running, "blue-corn-rounds");
        assert!(!book.is_changing_over(station(&line, FRYER)));
    }
}
