//! What a parcel of product is, where it can be, and what is counted at the doors of the line.

use std::fmt;

/// Heat capacities of dry matter and oil, trade figures; and of water from 30 to 100 degC, IAPWS-IF97; J/(kg K).
pub(super) const DRY_J_PER_KG_K: f64 = 1600.0;
const OIL_J_PER_KG_K: f64 = 2200.0;
/// As above.
pub(super) const WATER_J_PER_KG_K: f64 = 4190.8;

/// Where a parcel is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// On the oven belt of this pass, from 0.
    Oven(u8),
    /// On the equilibrator.
    Equilibrator,
    /// In the fryer.
    Fryer,
    /// Cooling.
    Cooling,
    /// Between cooling and the weigh belt.
    Seasoning,
    /// On its way to the baggers.
    Buckets,
    /// Packed.
    Packed,
}

/// A share of a parcel that comes from one tank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Origin {
    /// Number of the tank, from 1; 0: not known.
    pub tank: u16,
    /// Which of the feeds since the start it was, from 0: a tank feeds again days later.
    pub feed: u32,
    /// Share of the parcel's dry matter, 0 to 1.
    pub share: f64,
}

/// Two seconds of product. Times are virtual seconds since the start.
#[derive(Debug, Clone, PartialEq)]
pub struct Parcel {
    /// Its number, in the order of cutting.
    pub number: u64,
    /// Dry matter, kg.
    pub dry_kg: f64,
    /// Water, kg.
    pub water_kg: f64,
    /// Oil taken up, kg.
    pub oil_kg: f64,
    /// Temperature, degC.
    pub degc: f64,
    /// Where it is.
    pub stage: Stage,
    /// How far along there: m on a belt of the oven, the equilibrator or the fryer, s elsewhere.
    pub along: f64,
    /// When it was cut, s.
    pub cut_s: f64,
    /// When it came to each further stage, in their order, s.
    pub entered_s: Vec<(Stage, f64)>,
    /// Moisture with which it entered the fryer, %; `None` before.
    pub fed_percent: Option<f64>,
    /// The tanks it comes from.
    pub origins: Vec<Origin>,
    /// How much longer than usual it waits for a bagger, s; less than 0: how much shorter.
    pub baggers_wait_s: f64,
}

/// A stage as it moves in one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// Which.
    pub stage: Stage,
    /// Its length: m, or s where product is only late.
    pub length: f64,
    /// How far it moves in the step, same unit.
    pub moved: f64,
}

/// Kilograms through a door since the start.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ledger {
    /// Dry matter and water that were on the line at the start, cut since, or added by a fault.
    pub dry_in_kg: f64,
    /// The same for water.
    pub water_in_kg: f64,
    /// Water boiled off in the oven.
    pub baked_off_kg: f64,
    /// Water boiled off in the fryer.
    pub fried_off_kg: f64,
    /// Oil taken up.
    pub oil_in_kg: f64,
    /// Packed: dry matter, water, oil.
    pub packed_kg: (f64, f64, f64),
}

/// A balance that does not close.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unbalanced {
    /// Of what.
    pub of: &'static str,
    /// What went in, kg.
    pub in_kg: f64,
    /// What went out or is still there, kg.
    pub out_kg: f64,
}

impl fmt::Display for Unbalanced {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { of, in_kg, out_kg } = self;
        write!(f, "the balance of {of} does not close: {in_kg} kg in, {out_kg} kg out or on the line")
    }
}

impl std::error::Error for Unbalanced {}

impl Parcel {
    /// Moisture, % of all it weighs.
    #[must_use]
    pub fn moisture_percent(&self) -> f64 {
        100.0 * self.water_kg / self.mass_kg()
    }

    /// Mass, kg.
    #[must_use]
    pub fn mass_kg(&self) -> f64 {
        self.dry_kg + self.water_kg + self.oil_kg
    }

    /// When it came to `stage`, s; `None` if it has not been there.
    #[must_use]
    pub fn entered(&self, stage: Stage) -> Option<f64> {
        self.entered_s.iter().find(|(one, _)| *one == stage).map(|(_, at)| *at)
    }

    pub(super) fn j_per_k(&self) -> f64 {
        self.dry_kg * DRY_J_PER_KG_K + self.water_kg * WATER_J_PER_KG_K + self.oil_kg * OIL_J_PER_KG_K
    }
}
