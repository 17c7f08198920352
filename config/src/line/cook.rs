//! What a recipe asks of a cook and a soak, and the shifts that reports are made by.

use setward_process::hydration::SoakLaw;
use setward_process::thermal::Reference;

/// What a recipe asks of one kettle batch. Each pair is the least and the most that is accepted, both included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CookLimits {
    /// Dry corn of a batch, kg, and what is accepted.
    pub corn_kg: Amount,
    /// Water of a batch, L, and what is accepted.
    pub water_l: Amount,
    /// Lime of a batch, kg, and what is accepted.
    pub lime_kg: Amount,
    /// How fast it must heat; `None`: not judged.
    pub heating: Option<Heating>,
    /// How long the heating phase may last, s; `None`: not judged.
    pub heat_most_s: Option<f64>,
    /// Time at or above [`Self::hold_above_degc`] during the cook, s.
    pub hold_s: (f64, f64),
    /// Temperature from which hold time counts, degC.
    pub hold_above_degc: f64,
    /// Temperature at the end of the quench, degC.
    pub quench_to_degc: (f64, f64),
    /// Equivalent time of cook and quench, min; never with the soak. `None`: not judged.
    pub dose_min: Option<(f64, f64)>,
    /// By which the equivalent time counts.
    pub reference: Reference,
}

/// How fast a kettle must heat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heating {
    /// The mean rate at least, K/min.
    pub least_k_per_min: f64,
    /// Between these two temperatures, degC, the lower one first.
    pub between_degc: (f64, f64),
}

/// How much goes into a batch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// What the recipe asks for.
    pub target: f64,
    /// What is accepted; `None`: it is not judged.
    pub within: Option<(f64, f64)>,
}

/// How grain takes up water in the soak, by the plant's own samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hydration {
    /// Moisture at the start of the soak, % of the dry matter.
    pub start_dry_percent: f64,
    /// The law, with the range it was measured in.
    pub law: SoakLaw,
    /// How far a prediction may be off, percentage points of the wet grain.
    pub uncertainty_percent: f64,
}

/// A shift. It lasts until the next one begins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shift {
    /// What people call it.
    pub name: String,
    /// Minutes after midnight, local time, at which it begins.
    pub from_minute: u16,
}
