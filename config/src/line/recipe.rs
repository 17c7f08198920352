//! Recipes: what each signal is held against.

use setward_alarm::Target;
use setward_protocol::SignalId;

/// A recipe.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// File name without its ending.
    pub key: String,
    /// Its name for people.
    pub name: String,
    /// What each signal is held against: measured, derived and, through them, entered setpoints.
    pub setpoints: Vec<RecipeSetpoint>,
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
