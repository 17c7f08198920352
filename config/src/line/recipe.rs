//! Recipes: what each signal is held against.

use super::cook::{CookLimits, Hydration};
use setward_alarm::Target;
use setward_process::tanks::SoakLimits;
use setward_protocol::{SignalId, StationId};
use std::collections::BTreeMap;
use std::time::Duration;

/// A recipe.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// File name without its ending.
    pub key: String,
    /// Its name for people.
    pub name: String,
    /// What each signal is held against: measured, derived and, through them, entered setpoints.
    pub setpoints: Vec<RecipeSetpoint>,
    /// How old corn must and may be when it is fed; `None`: no limit.
    pub soak: Option<SoakLimits>,
    /// What it asks of a kettle batch; `None`: nothing is judged.
    pub cook: Option<CookLimits>,
    /// How its grain takes up water in the soak; `None`: no moisture is told.
    pub hydration: Option<Hydration>,
}

impl Recipe {
    /// What it asks of `signal`.
    #[must_use]
    pub fn setpoint(&self, signal: SignalId) -> Option<&RecipeSetpoint> {
        self.setpoints.iter().find(|setpoint| setpoint.signal == signal)
    }
}

/// A word in a controller, or a number that a person enters, that says which recipe some stations run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecipeNumber {
    /// The word.
    pub signal: SignalId,
    /// Index into the line's recipes for each number. Never empty.
    pub numbers: BTreeMap<i64, usize>,
    /// The stations that run what it says. No station obeys two words.
    pub stations: Vec<StationId>,
    /// How long they count as changing over after a change, at most; it ends once all that the new recipe holds is within.
    pub changeover: Duration,
}

/// What a recipe asks of one signal. Three widths that are never mixed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecipeSetpoint {
    /// The signal that is held: measured or derived.
    pub signal: SignalId,
    /// Setpoint, and the widths in the signal's unit.
    pub target: Target,
    /// The setpoint a person entered for it, in the same kind of unit.
    pub entered: Option<SignalId>,
    /// When its value counts.
    pub judge_when: JudgeWhen,
}

/// When a value is held against the recipe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum JudgeWhen {
    /// While its station runs and product is under it.
    ProductPresent,
    /// While its station runs.
    #[default]
    StationRun,
    /// Always.
    Always,
}
