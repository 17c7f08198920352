//! What is fixed about a line, and whether it makes sense.

use crate::batches::{HeatRule, StepRule};
use crate::series::Steps;
use crate::windows::{Belt, Delay, GeometryError};
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// How product passes one place of the path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Through {
    /// Plug flow on a belt.
    Belt {
        /// Effective length, m.
        length_m: f64,
        /// Which record has its speed, m/s.
        speed: usize,
        /// How many times faster than the record it runs; 1 for its own speed.
        ratio: f64,
        /// Relative uncertainty of length over speed.
        spread: f64,
        /// The fastest that the record can show, m/s: bounds gaps.
        fastest_m_per_s: Option<f64>,
    },
    /// A tray, drum, hopper or weigher.
    Delay {
        /// Product stays at least so long.
        least: Duration,
        /// Product stays at most so long.
        most: Duration,
        /// Which record is 1 while it runs and 0 while it stands, if it keeps its product then.
        running: Option<usize>,
    },
}

/// One place of the path from the soak tanks to the bag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Which station it belongs to: the caller's number. Places of one station follow each other.
    pub station: u16,
    /// How product passes it.
    pub through: Through,
}

/// Where the feed is weighed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighing {
    /// Which record has the rate, kg/h.
    pub rate: usize,
    /// Before which place, counted from 0; the number of places: behind the last.
    pub before: usize,
    /// Relative uncertainty of the rate.
    pub spread: f64,
    /// The most that it can be, kg/h: bounds gaps.
    pub most_kg_per_h: Option<f64>,
    /// Corn that is fed per kilogram weighed: what a tank loses.
    pub corn_per_weighed: f64,
    /// Which record is 1 while product is diverted there.
    pub diverted: Option<usize>,
}

/// A kind of check, and where its sample is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CheckPoint {
    /// Its kind: the caller's number.
    pub kind: u16,
    /// Before which place the sample is taken, counted from 0; the number of places: behind the last.
    pub before: usize,
}

/// What tells a kettle's batches.
#[derive(Debug, Clone, PartialEq)]
pub enum Recognition {
    /// Its step register.
    Step(StepRule),
    /// Its temperature.
    Temperature {
        /// What tells cold, quenched and cooking apart.
        rule: HeatRule,
        /// A quenched batch is pumped out within this time. A tank that fills meanwhile is taken to be where it went.
        pumped_within: Duration,
    },
}

/// What is fixed about a kettle.
#[derive(Debug, Clone, PartialEq)]
pub struct KettleRule {
    /// What tells its batches.
    pub told_by: Recognition,
    /// Corn in one batch, kg.
    pub corn_kg: f64,
}

/// What is fixed about a line.
#[derive(Debug, Clone, PartialEq)]
pub struct Shape {
    /// The kettles.
    pub kettles: Vec<KettleRule>,
    /// Numbers of the soak tanks.
    pub tanks: Vec<u16>,
    /// From the tanks to the bag, in the order in which product passes.
    pub path: Vec<Place>,
    /// The records there are, speeds, running bits and rates: a reading of each that is older than this is not known any more.
    pub records: Vec<Duration>,
    /// Where the feed is weighed, if it is.
    pub weighing: Option<Weighing>,
    /// The kinds of checks.
    pub checks: Vec<CheckPoint>,
    /// A word that says which tank feeds, and is older than this, is not known any more.
    pub fed_from_gap_limit: Duration,
    /// How much is remembered.
    pub remembers: Duration,
}

/// What is wrong with a shape. Places, kettles and records are counted from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ShapeProblem {
    /// The figures of this place.
    Geometry {
        /// Which place.
        place: usize,
        /// What about them.
        why: GeometryError,
    },
    /// This place names a record that is not there.
    NoRecord {
        /// Which place; `None`: the weighing.
        place: Option<usize>,
        /// Which record.
        record: usize,
    },
    /// Places of this station do not follow each other.
    StationInPieces(u16),
    /// The weighing, or this kind of check, is before a place that is not there.
    NoPlace {
        /// The kind of check; `None`: the weighing.
        check: Option<u16>,
        /// Which place.
        before: usize,
    },
    /// The weighing's spread, most or ratio of corn is not usable.
    Weighing,
    /// Two tanks have this number, or it is 0, which says that none feeds.
    TankNumber(u16),
    /// Two meanings for one code of this kettle.
    CodeTwice {
        /// Which kettle.
        kettle: usize,
        /// The code.
        code: i64,
    },
    /// The corn in a batch of this kettle is not above zero.
    BatchCorn {
        /// Which kettle.
        kettle: usize,
    },
    /// Nothing is remembered, or every reading is too old at once.
    Times,
}

impl Shape {
    /// Everything that is wrong with it. With any of it the follower answers still, but less than it could.
    #[must_use]
    pub fn problems(&self) -> Vec<ShapeProblem> {
        let mut found = Vec::new();
        for (at, place) in self.path.iter().enumerate() {
            found.extend(place.geometry().err().map(|why| ShapeProblem::Geometry { place: at, why }));
            let record = place.record().filter(|record| *record >= self.records.len());
            found.extend(record.map(|record| ShapeProblem::NoRecord { place: Some(at), record }));
            let earlier = self.path.get(..at).unwrap_or_default();
            let is_apart = earlier.last().is_some_and(|before| before.station != place.station);
            if is_apart && earlier.iter().any(|before| before.station == place.station) {
                found.push(ShapeProblem::StationInPieces(place.station));
            }
        }
        found.extend(self.weighing.iter().flat_map(|weighing| self.weighing_problems(weighing)));
        let beyond = self.checks.iter().filter(|point| point.before > self.path.len());
        found.extend(
            beyond.map(|point| ShapeProblem::NoPlace { check: Some(point.kind), before: point.before }),
        );
        found.extend(self.cookhouse_problems());
        let mut limits = self.records.iter().chain([&self.fed_from_gap_limit, &self.remembers]);
        if limits.any(Duration::is_zero) {
            found.push(ShapeProblem::Times);
        }
        found
    }

    fn weighing_problems(&self, weighing: &Weighing) -> Vec<ShapeProblem> {
        let mut found = Vec::new();
        for record in [Some(weighing.rate), weighing.diverted].into_iter().flatten() {
            if record >= self.records.len() {
                found.push(ShapeProblem::NoRecord { place: None, record });
            }
        }
        if weighing.before > self.path.len() {
            found.push(ShapeProblem::NoPlace { check: None, before: weighing.before });
        }
        let is_share = (0.0..1.0).contains(&weighing.spread);
        let is_ratio = weighing.corn_per_weighed > 0.0 && weighing.corn_per_weighed.is_finite();
        if !is_share || !is_ratio || weighing.most_kg_per_h.is_some_and(|most| !is_above_zero(most)) {
            found.push(ShapeProblem::Weighing);
        }
        found
    }

    fn cookhouse_problems(&self) -> Vec<ShapeProblem> {
        let mut found = Vec::new();
        for (at, number) in self.tanks.iter().enumerate() {
            if *number == 0 || self.tanks.iter().skip(at + 1).any(|other| other == number) {
                found.push(ShapeProblem::TankNumber(*number));
            }
        }
        for (kettle, rule) in self.kettles.iter().enumerate() {
            let codes = match &rule.told_by {
                Recognition::Step(step) => step.codes.as_slice(),
                Recognition::Temperature { .. } => &[],
            };
            for (at, (code, _)) in codes.iter().enumerate() {
                if codes.iter().skip(at + 1).any(|(other, _)| other == code) {
                    found.push(ShapeProblem::CodeTwice { kettle, code: *code });
                }
            }
            if !is_above_zero(rule.corn_kg) {
                found.push(ShapeProblem::BatchCorn { kettle });
            }
        }
        found
    }
}

impl Place {
    const fn record(&self) -> Option<usize> {
        match self.through {
            Through::Belt { speed, .. } => Some(speed),
            Through::Delay { running, .. } => running,
        }
    }

    /// Tries its figures on a record of one reading.
    fn geometry(&self) -> Result<(), GeometryError> {
        match self.through {
            Through::Delay { least, most, .. } => Delay::new(least, most).map(|_| ()),
            Through::Belt { length_m, ratio, spread, fastest_m_per_s, .. } => {
                let points = [(Uptime::START, Some(0.0))];
                let Ok(still) = Steps::new(&points, Uptime::START) else { return Ok(()) };
                let belt = Belt::new(length_m, still)?.with_ratio(ratio)?.with_spread(spread)?;
                fastest_m_per_s.map_or(Ok(()), |fastest| belt.with_fastest(fastest).map(|_| ()))
            }
        }
    }
}

fn is_above_zero(value: f64) -> bool {
    value > 0.0 && value.is_finite()
}
