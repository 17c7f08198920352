//! What people entered by hand, as far as reports use it: checks that bound a hold, weighed lime, what is due. A report works
//! with nothing entered, and says so.

use crate::history::{HistoryError, HistoryStore};
use serde::Serialize;
use setward_config::line::Line;
use setward_protocol::UtcMillis;

/// A check that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Check {
    /// What was checked, for people.
    pub name: String,
    /// When it was made.
    pub at: UtcMillis,
    /// Whether it passed.
    pub passed: bool,
}

/// A check that is due or late.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DueCheck {
    /// What is to be checked, for people.
    pub name: String,
    /// Since when it is due, RFC 3339.
    pub due: String,
    /// It is late.
    pub is_late: bool,
}

/// A value that was corrected; the old one stays in its own record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Correction {
    /// What it is, for people.
    pub name: String,
    /// When it was corrected, RFC 3339.
    pub at: String,
    /// By whom.
    pub by: String,
    /// The value before.
    pub old: String,
    /// The value since.
    pub new: String,
}

/// All that is known of it over a stretch of time.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Entered {
    /// The line has values that people enter.
    pub is_kept: bool,
    /// Checks, in order of time.
    pub checks: Vec<Check>,
    /// What is due at the end of the time.
    pub due: Vec<DueCheck>,
    /// Corrections made within the time.
    pub corrections: Vec<Correction>,
}

/// What was entered between two moments. The line file has no table for entries yet, so nothing was.
///
/// # Errors
/// When history can't be read.
pub async fn entered(
    _line: &Line,
    _store: &dyn HistoryStore,
    _span: (UtcMillis, UtcMillis),
) -> Result<Entered, HistoryError> {
    Ok(Entered::default())
}

/// Lime that a person weighed into a batch, kg; `None`: nobody entered it.
///
/// # Errors
/// When history can't be read.
pub async fn lime_kg(
    _line: &Line,
    _store: &dyn HistoryStore,
    _filled: (UtcMillis, UtcMillis),
) -> Result<Option<f64>, HistoryError> {
    Ok(None)
}
