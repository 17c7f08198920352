//! Where product comes from and how it passes: kettles, tanks, drums and hoppers, the feed.

use setward_process::batches::{Phase, TemperatureRule};
use setward_process::follow::LevelRule;
use setward_protocol::{SignalId, StationId};
use std::collections::BTreeMap;
use std::time::Duration;

/// A kettle and what tells its batches.
#[derive(Debug, Clone, PartialEq)]
pub struct Kettle {
    /// Its name for people.
    pub name: String,
    /// The station it belongs to.
    pub station: StationId,
    /// Cook temperature.
    pub temperature: SignalId,
    /// What tells its phases.
    pub phases: KettlePhases,
    /// The plant's own number of the batch.
    pub batch_number: Option<SignalId>,
    /// Water metered into the batch; its meter begins anew with each.
    pub water_total: Option<SignalId>,
    /// Weight of what is in it.
    pub weight: Option<SignalId>,
    /// Corn in one batch, kg.
    pub corn_kg: f64,
}

/// What tells the phases of a kettle.
#[derive(Debug, Clone, PartialEq)]
pub enum KettlePhases {
    /// A word of its program.
    Step {
        /// The word.
        word: SignalId,
        /// What its codes mean. Never empty.
        codes: BTreeMap<i64, Phase>,
    },
    /// Its cook temperature, where there is no such word.
    Temperature {
        /// What tells cold, quenched and cooking apart, degC.
        limits: TemperatureRule,
        /// A quenched batch is out within this time.
        pumped_within: Duration,
    },
}

impl Kettle {
    /// Its step word, if it has one.
    #[must_use]
    pub const fn step(&self) -> Option<SignalId> {
        match &self.phases {
            KettlePhases::Step { word, .. } => Some(*word),
            KettlePhases::Temperature { .. } => None,
        }
    }

    /// The signal that tells its phases.
    #[must_use]
    pub fn told_by(&self) -> SignalId {
        self.step().unwrap_or(self.temperature)
    }
}

/// A soak tank.
#[derive(Debug, Clone, PartialEq)]
pub struct Tank {
    /// Its name for people.
    pub name: String,
    /// Its number, as the word says it that names the tank that feeds.
    pub number: u16,
    /// What tells whether anything is in it.
    pub contents: TankContents,
    /// Temperature.
    pub temperature: Option<SignalId>,
}

/// What tells whether anything is in a tank.
#[derive(Debug, Clone, PartialEq)]
pub enum TankContents {
    /// Its state word.
    Word {
        /// The word.
        word: SignalId,
        /// What its codes mean. Never empty.
        codes: BTreeMap<i64, TankCode>,
    },
    /// Its level, where there is no such word.
    Level {
        /// The level.
        signal: SignalId,
        /// What tells empty and full apart, in the signal's unit.
        limits: LevelRule,
    },
}

impl Tank {
    /// The signal that tells whether anything is in it.
    #[must_use]
    pub const fn told_by(&self) -> SignalId {
        match &self.contents {
            TankContents::Word { word, .. } => *word,
            TankContents::Level { signal, .. } => *signal,
        }
    }
}

/// What a code of a tank's state word means for what is in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TankCode {
    /// Nothing, or it is rinsed.
    Empty,
    /// Corn comes in.
    Filling,
    /// Soaking, ready or emptying.
    Full,
    /// Nobody says.
    OutOfUse,
}

/// A place that is no plug flow: a tray, drum, hopper or weigher.
#[derive(Debug, Clone, PartialEq)]
pub struct Delay {
    /// Its name for people.
    pub name: String,
    /// The station it belongs to; product passes it after the station's belts.
    pub station: StationId,
    /// Product stays at least so long.
    pub least: Duration,
    /// Product stays at most so long.
    pub most: Duration,
    /// 1 while it runs and 0 while it stands and keeps its product.
    pub running: Option<SignalId>,
}

/// Where the product that passes is weighed.
#[derive(Debug, Clone, PartialEq)]
pub struct FeedRate {
    /// Mass flow, in whatever unit its signal has.
    pub signal: SignalId,
    /// The station before which it is weighed.
    pub station: StationId,
    /// Dry corn out of the tanks for each kilogram weighed.
    pub corn_per_kg: f64,
    /// Relative uncertainty of the rate.
    pub uncertainty: f64,
    /// The number of the tank that feeds; 0: none.
    pub tank: Option<SignalId>,
    /// 1 while what is weighed goes to scrap and not to the baggers, 0 else.
    pub diverted: Option<SignalId>,
}
