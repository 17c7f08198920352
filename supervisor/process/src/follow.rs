//! Follows the line in time order: samples in, batches, tank feedings and product windows out.
//!
//! ```text
//! kettle steps or temperatures -> batches -> tanks -> feedings -> path (hoppers, belts, drums) -> packed
//! ```
//!
//! [`Follower`] is told what was read and remembers the last hours of it, as much as [`Shape::remembers`] says. Its results
//! hold numbers, times and indices, no text: whoever shows them knows the names.
//!
//! Times are one continuous [`Uptime`]. A stepped wall clock moves nothing. After a restart the caller replays its stored
//! hours into a new follower, on an axis that goes on over the outage by the wall clock, with bad readings in between: so
//! ages of a soak go on, and what passed unseen is unknown.

mod cookhouse;
mod kettle;
mod level;
mod product;
mod recorder;
mod shape;
#[cfg(test)]
mod tests;

pub use cookhouse::{BatchRecord, FedFrom, TankReport};
pub use level::{LevelRule, LevelTracker};
pub use product::{BehindProduct, HoldWindow, Product, Times};
pub use recorder::Recorder;
pub use shape::{CheckPoint, KettleRule, Place, Recognition, Shape, ShapeProblem, Through, Weighing};

use crate::tanks::{Feeding, Tank};
use alloc::vec::Vec;
use cookhouse::Cookhouse;
use core::time::Duration;
use kettle::Reading;
use setward_protocol::Uptime;

/// Old things are looked for so often.
const FORGET_EACH: Duration = Duration::from_secs(600);

/// Something that was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Input {
    /// A kettle's step register; `None` is bad.
    Step {
        /// Which kettle, counted from 0.
        kettle: usize,
        /// The code.
        code: Option<i64>,
    },
    /// The temperature of a kettle whose batches it tells; `None` is bad.
    CookTemperature {
        /// Which kettle, counted from 0.
        kettle: usize,
        /// degC.
        degc: Option<f64>,
    },
    /// The plant's own number of the batch in a kettle.
    BatchNumber {
        /// Which kettle, counted from 0.
        kettle: usize,
        /// The number.
        number: u64,
    },
    /// A tank's state register.
    Tank {
        /// The tank's number.
        number: u16,
        /// What it says.
        report: TankReport,
    },
    /// Which tank feeds the line.
    FedFrom(FedFrom),
    /// A speed, m/s, a rate, kg/h, or a running bit, 0 or 1; `None` is bad.
    Record {
        /// Which record, counted from 0.
        record: usize,
        /// Its value.
        value: Option<f64>,
    },
    /// The recipe in force on the line, by the caller's number; `None`: none, or removed.
    Recipe(Option<u32>),
    /// The recipe in force in the cook house.
    CookRecipe(Option<u32>),
    /// A check by a person or a machine.
    Check {
        /// Its kind.
        kind: u16,
        /// Whether it passed.
        passed: bool,
    },
}

/// What an input ended.
#[derive(Debug, Clone, PartialEq)]
pub enum Ended {
    /// A kettle batch.
    Batch(BatchRecord),
    /// A time in which a tank fed the line.
    Feeding(Feeding),
}

/// A check that was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Check {
    at: Uptime,
    kind: u16,
    passed: bool,
}

/// Follows the line.
#[derive(Debug, Clone, PartialEq)]
pub struct Follower {
    shape: Shape,
    cookhouse: Cookhouse,
    records: Vec<Recorder>,
    recipes: Vec<(Uptime, Option<u32>)>,
    checks: Vec<Check>,
    /// Last rate that the feed was seen at, kg/h: what a tank loses from then on.
    fed_until: Option<(Uptime, f64)>,
    /// Time of the newest input.
    now: Uptime,
    /// When old things were last forgotten.
    forgotten: Uptime,
}

impl Follower {
    /// One that has seen nothing yet.
    #[must_use]
    pub fn new(shape: Shape) -> Self {
        let cookhouse = Cookhouse::new(&shape);
        let records = shape.records.iter().map(|gap_limit| Recorder::new(*gap_limit)).collect();
        let (recipes, checks) = (Vec::new(), Vec::new());
        let now = Uptime::START;
        Self { shape, cookhouse, records, recipes, checks, fed_until: None, now, forgotten: now }
    }

    /// Takes what was read at a time. An input that is older than the newest one is dropped, one that names no kettle,
    /// tank or record of the shape too.
    pub fn handle(&mut self, at: Uptime, input: Input) -> Option<Ended> {
        if at < self.now {
            return None;
        }
        self.now = at;
        if at.since(self.forgotten) >= FORGET_EACH {
            self.forgotten = at;
            self.forget();
        }
        match input {
            Input::Step { kettle, code } => {
                self.cookhouse.read(kettle, at, Reading::Step(code)).map(Ended::Batch)
            }
            Input::CookTemperature { kettle, degc } => {
                self.cookhouse.read(kettle, at, Reading::Temperature(degc)).map(Ended::Batch)
            }
            Input::BatchNumber { kettle, number } => {
                self.cookhouse.number(kettle, number);
                None
            }
            Input::Tank { number, report } => {
                self.cookhouse.tank(at, number, report);
                None
            }
            Input::FedFrom(from) => self.cookhouse.fed_from(at, from).map(Ended::Feeding),
            Input::Record { record, value } => {
                self.record(at, record, value);
                None
            }
            Input::Recipe(recipe) => {
                if self.recipes.last().is_none_or(|(_, last)| *last != recipe) {
                    self.recipes.push((at, recipe));
                }
                None
            }
            Input::CookRecipe(recipe) => {
                self.cookhouse.cook_recipe(recipe);
                None
            }
            Input::Check { kind, passed } => {
                self.checks.push(Check { at, kind, passed });
                None
            }
        }
    }

    /// The tanks, as far as they are known.
    #[must_use]
    pub fn tanks(&self) -> &[Tank] {
        self.cookhouse.tanks()
    }

    /// The kettle batches that ended within what is remembered, in the order in which they ended.
    #[must_use]
    pub fn batches(&self) -> &[BatchRecord] {
        self.cookhouse.batches()
    }

    /// The times in which a tank fed the line, in order of time; the last may still go on.
    #[must_use]
    pub fn feedings(&self) -> Vec<Feeding> {
        self.cookhouse.feedings()
    }

    /// A record of speeds, rates or running bits.
    #[must_use]
    pub fn recorded(&self, record: usize) -> Option<&Recorder> {
        self.records.get(record)
    }

    fn record(&mut self, at: Uptime, record: usize, value: Option<f64>) {
        let oldest = self.oldest();
        if let Some(recorder) = self.records.get_mut(record) {
            recorder.push(at, value);
            recorder.forget_before(oldest);
        }
        let Some(weighing) = self.shape.weighing.filter(|weighing| weighing.rate == record) else { return };
        let known = value.filter(|rate| rate.is_finite() && *rate > 0.0);
        let last = core::mem::replace(&mut self.fed_until, known.map(|rate| (at, rate)));
        let gap_limit = self.shape.records.get(record).copied().unwrap_or_default();
        let Some((from, rate)) = last.filter(|(from, _)| at.since(*from) <= gap_limit) else { return };
        self.cookhouse.fed(rate * at.seconds_since(from) / 3600.0 * weighing.corn_per_weighed);
    }

    /// The oldest time that is remembered.
    fn oldest(&self) -> Uptime {
        let remembered = self.now.since(Uptime::START).saturating_sub(self.shape.remembers);
        Uptime::START + remembered
    }

    fn forget(&mut self) {
        let oldest = self.oldest();
        self.checks.retain(|check| check.at >= oldest);
        self.cookhouse.forget_before(oldest);
        // The recipe in force at the oldest time was set before it.
        let in_force = self.recipes.iter().rposition(|(at, _)| *at <= oldest).unwrap_or_default();
        self.recipes.drain(..in_force);
    }
}
