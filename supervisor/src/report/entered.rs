//! What people entered by hand, as far as reports use it: checks that bound a hold, weighed lime, what is due. A report works
//! with nothing entered, and says so.

use super::statistics::in_force;
use crate::entries::{DueView, EntryView};
use crate::history::{HistoryError, HistoryStore, KnownBand, Span, StoredEntry};
use serde::Serialize;
use setward_config::line::{EntryDue, EntryKind, Kettle, Line, LineEntry};
use setward_protocol::{Dimension, SignalId, Unit, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;

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
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct DueCheck {
    /// What is to be checked, for people.
    pub name: String,
    /// Since when it is due, RFC 3339.
    pub due: String,
    /// It is late.
    pub is_late: bool,
}

/// A value that was corrected; the old one stays in its own record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
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
    /// Corrections made within the time.
    pub corrections: Vec<Correction>,
}

/// Entries that are looked at, the newest.
const ENTRIES_MAX: usize = 200_000;

/// What was entered between two moments. Checks are those at the line's last station, where product is packed: passed or failed,
/// and numbers within the tolerance of the recipe that was in force when they were taken. What was corrected since counts as it
/// was corrected.
///
/// # Errors
/// When history can't be read.
pub async fn entered(
    line: &Line,
    store: &dyn HistoryStore,
    (from, to): (UtcMillis, UtcMillis),
) -> Result<Entered, HistoryError> {
    if line.entries.is_empty() {
        return Ok(Entered::default());
    }
    let rows = store.entries(None, ENTRIES_MAX).await?;
    let within = |at: UtcMillis| from <= at && at < to;
    let taken: Vec<&StoredEntry> = holding(&rows).filter(|row| within(row.taken)).collect();
    let tags: BTreeSet<&str> = taken.iter().map(|row| row.tag.as_str()).collect();
    let asked = asked(line, store, &tags).await?;
    let mut checks: Vec<Check> = taken.into_iter().filter_map(|row| check(line, row, &asked)).collect();
    checks.sort_by_key(|check| check.at);
    let corrections = rows.iter().rev().filter(|row| within(row.entered)).filter_map(|row| {
        let wrong = rows.iter().find(|other| Some(other.n) == row.corrects)?;
        let signal = line.signal(line.signal_by_tag(&row.tag)?);
        Some(Correction {
            name: signal.name.clone(),
            at: super::rfc3339(row.entered),
            by: row.by.clone(),
            old: format!("{} {}", wrong.value, signal.unit),
            new: format!("{} {}", row.value, signal.unit),
        })
    });
    Ok(Entered { is_kept: true, checks, corrections: corrections.collect() })
}

/// The entries that no other has replaced.
fn holding(rows: &[StoredEntry]) -> impl Iterator<Item = &StoredEntry> {
    let replaced: BTreeSet<u64> = rows.iter().filter_map(|row| row.corrects).collect();
    rows.iter().filter(move |row| !replaced.contains(&row.n))
}

/// By tag: what recipes asked of the numbers among these, from when on.
type Asked = BTreeMap<String, Vec<KnownBand>>;

async fn asked(line: &Line, store: &dyn HistoryStore, tags: &BTreeSet<&str>) -> Result<Asked, HistoryError> {
    let mut asked = Asked::new();
    let numbers = line.entries.iter().filter(|entry| matches!(entry.kind, EntryKind::Number));
    let numbers = numbers.map(|entry| &line.signal(entry.signal).tag);
    // History gives all that was ever asked of a signal, however short the time of its readings.
    let Ok(moment) = Span::new(UtcMillis(0), UtcMillis(1)) else { return Ok(asked) };
    for tag in numbers.filter(|tag| tags.contains(tag.as_str())) {
        let read = store.exact(vec![tag.clone()], moment).await?.into_iter().next();
        asked.insert(tag.clone(), read.map_or_else(Vec::new, |read| in_force(read.bands)));
    }
    Ok(asked)
}

fn check(line: &Line, row: &StoredEntry, asked: &Asked) -> Option<Check> {
    let id = line.signal_by_tag(&row.tag)?;
    let (entry, signal) = (line.entries.iter().find(|entry| entry.signal == id)?, line.signal(id));
    if signal.station.index() + 1 != line.stations.len() {
        return None;
    }
    let passed = match entry.kind {
        EntryKind::Check => row.value > 0.5,
        EntryKind::Calibration => return None,
        EntryKind::Number => {
            let bands = asked.get(&row.tag).map_or(&[][..], Vec::as_slice);
            let then = bands.iter().rev().find(|band| band.utc <= row.taken);
            match then.map(|band| band.tolerance) {
                Some(Some((low, high))) => low <= row.value && row.value <= high,
                // A number that the recipe does not hold is a reading, no check.
                Some(None) => return None,
                // Which recipe ran is not known: it passed only if it would have by any of them.
                None => is_within_all(line, id, row.value)?,
            }
        }
    };
    Some(Check { name: signal.name.clone(), at: row.taken, passed })
}

/// `None`: no recipe holds it.
fn is_within_all(line: &Line, signal: SignalId, value: f64) -> Option<bool> {
    let asked = || line.recipes.iter().filter_map(|recipe| recipe.setpoint(signal));
    asked().next()?;
    Some(asked().all(|asked| asked.target.is_within_tolerance(value)))
}

/// Lime that a person weighed into a batch, kg; `None`: nobody entered it. The entry is the one that the kettle's step, or its
/// temperature where that tells its phases, asks for.
///
/// # Errors
/// When history can't be read.
pub async fn lime_kg(
    line: &Line,
    store: &dyn HistoryStore,
    kettle: &Kettle,
    (from, to): (UtcMillis, UtcMillis),
) -> Result<Option<f64>, HistoryError> {
    let is_of_kettle = |entry: &&LineEntry| match &entry.due {
        EntryDue::After { any, .. } => any.iter().any(|condition| condition.signal == kettle.told_by()),
        EntryDue::Never | EntryDue::Running(_) | EntryDue::Clock(_) | EntryDue::Daily(_) => false,
    };
    let mass = |entry: &&LineEntry| line.signal(entry.signal).unit.dimension() == Dimension::Mass;
    let Some(entry) = line.entries.iter().filter(is_of_kettle).find(mass) else { return Ok(None) };
    let signal = line.signal(entry.signal);
    let rows = store.entries(Some(signal.tag.clone()), ENTRIES_MAX).await?;
    let own = holding(&rows).filter(|row| from <= row.taken && row.taken <= to);
    let last = own.max_by_key(|row| (row.taken, row.n));
    Ok(last.and_then(|row| signal.unit.convert(row.value, Unit::Kilogram)))
}

/// What is due now, by what the running program says.
#[must_use]
pub fn due(line: &Line, views: &[EntryView]) -> Vec<DueCheck> {
    let row = |(entry, view): (&LineEntry, &EntryView)| {
        let (since, is_late) = match view.due {
            DueView::Since(since) => (since, false),
            DueView::Overdue(since) => (since, true),
            DueView::NotAsked | DueView::At(_) => return None,
        };
        Some(DueCheck { name: line.signal(entry.signal).name.clone(), due: super::rfc3339(since), is_late })
    };
    line.entries.iter().zip(views).filter_map(row).collect()
}
