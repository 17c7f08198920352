//! Follows product through the line: which batch is in which tank, and what an alarm has touched, from the tank to the bag.
//!
//! The computation is in `setward_process::follow`; here it is fed with signals, and its times become wall times.

use super::batches::{BatchBook, BatchView};
use super::past::Past;
use super::recipes::{Word, whole};
use super::wiring::{Told, shape};
use setward_alarm::AlarmId;
use setward_config::line::{Line, TankCode, TankContents};
use setward_process::follow::{Ended, FedFrom, Follower, Input, LevelTracker, Product, TankReport};
use setward_process::tanks::{Row, SoakLimits, Tank, forecast};
use setward_protocol::{SignalId, Unit, Uptime, UtcMillis};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// What is known of product.
#[derive(Debug)]
pub struct FollowBook {
    follower: Follower,
    /// By signal: what its values tell; nothing, for most.
    told: Vec<Vec<Told>>,
    /// Kettle batches by the names that records know them by.
    batches: BatchBook,
    /// By recipe number of the line: the number that counts.
    numbers: Vec<Word>,
    /// The recipe that each kettle's station runs, as far as its number has been read.
    cooks: Option<usize>,
    /// By index into the line's tanks.
    contents: Vec<Contents>,
    /// The line's own time runs on over restarts: this much is added to the run's.
    since_start: Duration,
}

/// What a tank's word or level says.
#[derive(Debug, Clone)]
struct Contents {
    /// The last code of its word.
    code: Option<i64>,
    /// What that, or its level, means; `None` before it was read.
    holds: Option<TankCode>,
    level: Option<LevelTracker>,
}

/// A tank at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TankView {
    /// Index into the line's tanks.
    pub tank: usize,
    /// What its state word says; `None` before it was read, or without such a word.
    pub code: Option<i64>,
    /// What its word or its level means; `None` before it was read.
    pub holds: Option<TankCode>,
    /// What is known of the corn in it.
    pub row: Row,
    /// When the tank may be fed.
    pub ready_at: Option<UtcMillis>,
    /// When its corn is too old.
    pub over_age_at: Option<UtcMillis>,
    /// The limits that hold for its corn.
    pub limits: Option<SoakLimits>,
}

/// When something happened: by this run's own time where that is known, which nobody can set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moment {
    /// In this run.
    Run(Uptime),
    /// In an earlier one, as far as its wall clock was right.
    Wall(UtcMillis),
}

impl From<UtcMillis> for Moment {
    fn from(utc: UtcMillis) -> Self {
        Self::Wall(utc)
    }
}

impl Moment {
    /// How long ago it was at `now`; nothing, if it is still to come.
    #[must_use]
    pub fn ago(self, (now, utc): (Uptime, UtcMillis)) -> Duration {
        match self {
            Self::Run(at) => now.since(at),
            Self::Wall(then) => Duration::from_millis(u64::try_from(utc.0 - then.0).unwrap_or_default()),
        }
    }
}

/// The product that an alarm touched, in wall time.
#[derive(Debug, Clone, PartialEq)]
pub struct ProductView {
    /// From when to when it was, or will be, packed, as a middle estimate; `None` if that is not known.
    pub packed: Option<(UtcMillis, UtcMillis)>,
    /// How uncertain each end is, s.
    pub spread_s: Option<f64>,
    /// Some of it is not packed yet.
    pub is_forecast: bool,
    /// The widest time in which any of it may have been packed.
    pub packed_at_most: Option<(UtcMillis, UtcMillis)>,
    /// About so much, kg; `None` if the feed is not known.
    pub about_kg: Option<f64>,
    /// It has not been weighed yet: so much it is if the feed stays as it is.
    pub is_at_present_rate: bool,
    /// At most so much, kg.
    pub most_kg: Option<f64>,
    /// The batches that may be in it, by their names in the records.
    pub batches: Vec<String>,
    /// The tanks it came from, by number, with the ages of their youngest and oldest corn then, s.
    pub tanks: Vec<(u16, Option<f64>, Option<f64>)>,
    /// Those of them that may have held corn too that nobody saw come.
    pub unseen_in: Vec<u16>,
    /// How long, s, it came out of the tanks while nobody knows which fed.
    pub unknown_tank_s: f64,
    /// The recipes it was made by, as indices into the line's.
    pub recipes: Vec<usize>,
    /// A belt of its way ran backward: the times can't be relied on.
    pub was_reversed: bool,
    /// The occurrence of the alarm.
    pub occurrence: u32,
    /// When it was worked out.
    pub at: UtcMillis,
}

/// All that is known of product at one moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Following {
    /// The tanks that anything is known of.
    pub tanks: Vec<TankView>,
    /// Kettle batches that are remembered, in the order in which they ended.
    pub batches: Arc<Vec<BatchView>>,
    /// By alarm: the product of its last occurrence.
    pub products: BTreeMap<AlarmId, ProductView>,
    /// How long the corn lasts; `None` if nothing is fed, or no age is known.
    pub outlook: Option<Outlook>,
}

/// What becomes of the corn in the tanks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook {
    /// Corn that the line takes, kg/h.
    pub rate_kg_per_h: f64,
    /// When the corn of known age runs out.
    pub empty_at: UtcMillis,
    /// How long the line waits for corn that is too young, s.
    pub starved_s: f64,
    /// Corn that is too old when it is fed, kg.
    pub over_age_kg: f64,
    /// The same, if the line stopped for an hour now, kg.
    pub over_age_kg_after_stop: f64,
}

impl ProductView {
    /// What has not passed the weigher yet is told by the present rate, kg/h, and marked so.
    #[must_use]
    pub fn at_rate(self, rate_kg_per_h: Option<f64>) -> Self {
        let packed = self.packed.filter(|_| self.about_kg.is_none());
        match packed.zip(rate_kg_per_h) {
            Some(((first, last), rate)) => {
                let hours = (last.0 - first.0) as f64 / 3_600_000.0;
                Self { about_kg: Some(rate * hours), is_at_present_rate: true, ..self }
            }
            None => self,
        }
    }

    /// Whether nothing about it will change: its alarm has gone, and all of it is packed.
    #[must_use]
    pub fn is_settled(&self, cleared: Option<UtcMillis>) -> bool {
        let packed_by = self.packed_at_most.map(|(_, last)| last);
        cleared.is_some_and(|cleared| self.at > cleared)
            && !self.is_forecast
            && packed_by.is_some_and(|by| by < self.at)
    }
}

impl FollowBook {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let mut told = vec![Vec::new(); line.signals.len()];
        let shape = shape(line, &mut told);
        Self {
            follower: Follower::new(shape),
            told,
            batches: BatchBook::default(),
            numbers: vec![Word::default(); line.recipe_numbers.len()],
            cooks: None,
            contents: line.tanks.iter().map(Contents::of).collect(),
            since_start: Duration::ZERO,
        }
    }

    /// The signals it wants to know: words of kettles and tanks, or speeds and rates.
    pub fn signals(&self, is_slow: bool) -> impl Iterator<Item = SignalId> + '_ {
        let is_record = |told: &Told| matches!(told, Told::Record(..));
        let wanted = move |told: &[Told]| !told.is_empty() && told.iter().all(is_record) != is_slow;
        let signals = (0..=u16::MAX).map(SignalId).zip(&self.told);
        signals.filter(move |(_, told)| wanted(told)).map(|(signal, _)| signal)
    }

    /// Takes what an earlier run has read, in order of time; the run begins at `now`. The outage between is unknown time.
    pub fn take_past(&mut self, line: &Line, past: &[Past], now: UtcMillis) {
        let Some(first) = past.first() else { return };
        let after =
            |utc: UtcMillis| Duration::from_millis(u64::try_from(utc.0 - first.utc.0).unwrap_or_default());
        for one in past.iter().filter(|one| one.utc < now) {
            let at = Uptime::START + after(one.utc);
            self.handle(line, (at, one.utc), one.signal, one.value);
        }
        self.since_start = after(now);
    }

    /// A value, or that there is none, at a time of this run, which is so much in wall time.
    pub fn handle(
        &mut self,
        line: &Line,
        (at, utc): (Uptime, UtcMillis),
        signal: SignalId,
        value: Option<f64>,
    ) {
        let at = at + self.since_start;
        let count = self.told.get(signal.index()).map_or(0, Vec::len);
        for index in 0..count {
            let Some(one) = self.told.get(signal.index()).and_then(|told| told.get(index)).copied() else {
                break;
            };
            let Some(input) = self.input(line, at, (one, signal), value) else { continue };
            match self.follower.handle(at, input) {
                Some(Ended::Batch(batch)) => self.batches.note(line, &batch, self.cooks, (at, utc)),
                Some(Ended::Feeding(_)) => self.batches.note_feeding(),
                None => {}
            }
        }
    }

    /// The recipe that the line's last station runs is what product is packed under.
    pub fn handle_recipe(&mut self, at: Uptime, recipe: usize) {
        let recipe = u32::try_from(recipe).ok();
        self.follower.handle(at + self.since_start, Input::Recipe(recipe));
    }

    /// The kettle batches that are remembered, if there is news of them since this was asked last, or it is forced.
    pub fn batches(
        &mut self,
        line: &Line,
        (now, utc): (Uptime, UtcMillis),
        force: bool,
    ) -> Option<Vec<BatchView>> {
        let at = now + self.since_start;
        self.batches.views(line, &self.follower, (at, utc), force)
    }

    /// The tanks as they are at `now`.
    #[must_use]
    pub fn tanks(&self, line: &Line, now: Uptime, utc: UtcMillis) -> Vec<TankView> {
        let at = now + self.since_start;
        let wall =
            |then: Uptime| UtcMillis(utc.0 + millis(then.seconds_since(at)) - millis(at.seconds_since(then)));
        let view = |(index, tank): (usize, &setward_config::line::Tank)| {
            let known = self.follower.tanks().iter().find(|known| known.number == tank.number)?;
            let limits = self.limits(line, known);
            let row = known.row(at, limits.unwrap_or(NO_LIMITS));
            Some(TankView {
                tank: index,
                code: self.contents.get(index).and_then(|contents| contents.code),
                holds: self.contents.get(index).and_then(|contents| contents.holds),
                row,
                ready_at: limits.and(row.ready_at).map(wall),
                over_age_at: limits.and(row.over_age_at).map(wall),
                limits,
            })
        };
        line.tanks.iter().enumerate().filter_map(view).collect()
    }

    /// The product that an alarm touched which began at `onset` and has ended at `cleared`, as far as is known at `now`.
    #[must_use]
    pub fn product(
        &self,
        line: &Line,
        alarm: AlarmId,
        (onset, cleared): (impl Into<Moment>, Option<impl Into<Moment>>),
        (now, utc): (Uptime, UtcMillis),
    ) -> Option<ProductView> {
        let station = line.alarm(alarm).settings.station?;
        let at = now + self.since_start;
        let on_axis =
            |then: Moment| Uptime::START + at.since(Uptime::START).saturating_sub(then.ago((now, utc)));
        let cleared = cleared.map(|cleared| on_axis(cleared.into()));
        let product = self.follower.product(station.0, on_axis(onset.into()), cleared)?;
        let batches = product.tanks.iter().flat_map(|tank| &tank.batches);
        let batches = batches.filter_map(|id| self.batches.name(*id)).collect();
        Some(ProductView { batches, ..view(&product, at, utc) })
    }

    /// What passes the weigher now, kg/h; `None` if that is not known.
    #[must_use]
    pub fn rate_kg_per_h(&self) -> Option<f64> {
        self.follower.rate_kg_per_h()
    }

    /// What becomes of the corn, if `rate_kg_per_h` of product goes on to pass.
    #[must_use]
    pub fn outlook(
        &self,
        line: &Line,
        (now, utc): (Uptime, UtcMillis),
        rate_kg_per_h: f64,
    ) -> Option<Outlook> {
        let (at, tanks) = (now + self.since_start, self.follower.tanks());
        let limits = |tank: &Tank| self.limits(line, tank).unwrap_or(NO_LIMITS);
        let rate = rate_kg_per_h * line.feed.as_ref()?.corn_per_kg;
        let runs_on = forecast(tanks, at, limits, rate, Duration::ZERO)?;
        let after_stop = forecast(tanks, at, limits, rate, Duration::from_secs(3600))?;
        (!runs_on.feeds.is_empty()).then(|| Outlook {
            rate_kg_per_h: rate,
            empty_at: UtcMillis(utc.0 + millis(runs_on.empty_at.seconds_since(at))),
            starved_s: runs_on.starved_s,
            over_age_kg: runs_on.over_age_kg,
            over_age_kg_after_stop: after_stop.over_age_kg,
        })
    }

    /// The recipe that a number says, once it counts.
    fn recipe_by(&mut self, line: &Line, word: usize, at: Uptime, code: i64) -> Option<usize> {
        let counts = self.numbers.get_mut(word)?;
        // One word may be told twice, for the kettles and for the last station.
        let asked = line.recipe_numbers.get(word)?;
        counts.take_from(line.chooses_recipe(asked.signal), code, at);
        line.recipe_numbers.get(word)?.numbers.get(&counts.number()?).copied()
    }

    fn input(
        &mut self,
        line: &Line,
        at: Uptime,
        (told, signal): (Told, SignalId),
        value: Option<f64>,
    ) -> Option<Input> {
        let code = value.map(whole);
        Some(match told {
            Told::CookRecipe(word) => {
                self.cooks = Some(self.recipe_by(line, word, at, code?)?);
                Input::CookRecipe(self.cooks.and_then(|recipe| u32::try_from(recipe).ok()))
            }
            Told::LineRecipe(word) => {
                Input::Recipe(u32::try_from(self.recipe_by(line, word, at, code?)?).ok())
            }
            Told::Step(kettle) => Input::Step { kettle, code },
            Told::CookTemperature(kettle) => {
                let unit = line.signal(signal).unit;
                Input::CookTemperature {
                    kettle,
                    degc: value.and_then(|value| unit.convert(value, Unit::DegC)),
                }
            }
            Told::BatchNumber(kettle) => {
                Input::BatchNumber { kettle, number: code.and_then(|code| u64::try_from(code).ok())? }
            }
            Told::Tank(index) => {
                let tank = line.tanks.get(index)?;
                let report = self.contents.get_mut(index)?.handle(tank, value);
                Input::Tank { number: tank.number, report }
            }
            Told::FedFrom => Input::FedFrom(match code {
                None => FedFrom::Unknown,
                Some(0) => FedFrom::Nothing,
                Some(number) => u16::try_from(number).map_or(FedFrom::Unknown, FedFrom::Tank),
            }),
            Told::Record(record, unit) => {
                let from = line.signal(signal).unit;
                Input::Record { record, value: value.and_then(|value| from.convert(value, unit)) }
            }
        })
    }

    /// By the recipe that its corn was cooked for.
    fn limits(&self, line: &Line, tank: &Tank) -> Option<SoakLimits> {
        let recipe = tank.fills.first().and_then(|fill| self.batches.recipe(fill.batch));
        line.recipes.get(recipe.unwrap_or(line.running_recipe))?.soak
    }
}

#[cfg(test)]
#[path = "follow_tests.rs"]
mod tests;

/// Nothing is too young, nothing too old.
const NO_LIMITS: SoakLimits =
    SoakLimits { least: Duration::ZERO, most: Duration::from_secs(u32::MAX as u64) };

impl Contents {
    fn of(tank: &setward_config::line::Tank) -> Self {
        let level = match &tank.contents {
            TankContents::Word { .. } => None,
            TankContents::Level { limits, .. } => Some(LevelTracker::new(*limits)),
        };
        Self { code: None, holds: None, level }
    }

    /// What a value of the word or the level says; a bad one says nothing, and what was known last goes on.
    fn handle(&mut self, tank: &setward_config::line::Tank, value: Option<f64>) -> TankReport {
        match (&tank.contents, &mut self.level) {
            (TankContents::Word { codes, .. }, _) => {
                let Some(code) = value.map(whole) else { return TankReport::Unknown };
                (self.code, self.holds) = (Some(code), codes.get(&code).copied());
                report(self.holds)
            }
            (TankContents::Level { .. }, Some(level)) => {
                let report = level.handle(value);
                self.holds = holds(report).or(self.holds);
                report
            }
            (TankContents::Level { .. }, None) => TankReport::Unknown,
        }
    }
}

const fn holds(report: TankReport) -> Option<TankCode> {
    match report {
        TankReport::Empty => Some(TankCode::Empty),
        TankReport::Filling => Some(TankCode::Filling),
        TankReport::Full => Some(TankCode::Full),
        TankReport::Unknown => None,
    }
}

const fn report(code: Option<TankCode>) -> TankReport {
    match code {
        Some(TankCode::Empty) => TankReport::Empty,
        Some(TankCode::Filling) => TankReport::Filling,
        Some(TankCode::Full) => TankReport::Full,
        Some(TankCode::OutOfUse) | None => TankReport::Unknown,
    }
}

#[expect(clippy::cast_possible_truncation, reason = "a cast of a float saturates")]
pub(super) const fn millis(seconds: f64) -> i64 {
    (seconds * 1000.0) as i64
}

fn view(product: &Product, at: Uptime, utc: UtcMillis) -> ProductView {
    let wall =
        |then: Uptime| UtcMillis(utc.0 + millis(then.seconds_since(at)) - millis(at.seconds_since(then)));
    let expected = product.expected.passage();
    let span = |span: setward_process::series::Span| (wall(span.from), wall(span.to));
    ProductView {
        packed: expected.map(|passage| span(passage.about())),
        spread_s: expected.map(|passage| passage.spread_s()),
        is_forecast: product.packed.passage().is_none(),
        packed_at_most: expected.map(|passage| span(passage.whole())),
        is_at_present_rate: false,
        about_kg: product.about.map(setward_process::windows::Mass::about_kg),
        most_kg: product.whole.map(|mass| mass.most_kg),
        batches: Vec::new(),
        tanks: product.tanks.iter().map(|tank| (tank.number, tank.youngest_s, tank.oldest_s)).collect(),
        unseen_in: product.tanks.iter().filter(|tank| tank.has_unseen).map(|tank| tank.number).collect(),
        unknown_tank_s: product.unknown_tank_s,
        recipes: product.recipes.iter().filter_map(|recipe| usize::try_from(*recipe).ok()).collect(),
        was_reversed: product.was_reversed,
        occurrence: 0,
        at: utc,
    }
}
