//! What to hold for one occurrence of an alarm: the product that it touched, traced to the bag, and beside it the wider window
//! from the last good check to the next.

use super::entered::{self, Check};
use super::holds::{HoldRow, holds};
use super::lots::{self, Touched};
use super::made::{Weighed, weighed_for};
use super::rfc3339;
use crate::history::{HistoryError, HistoryStore, StoredEvent};
use crate::line::follow::ProductView;
use crate::line::past;
use crate::report::EVENTS_MAX;
use serde::Serialize;
use setward_alarm::AlarmId;
use setward_config::line::Line;
use setward_protocol::{Uptime, UtcMillis};
use utoipa::ToSchema;

/// What has not been packed by then never will be, as far as anybody can tell, ms.
const PACKED_WITHIN_MS: i64 = 3 * 3_600_000;
/// How far back and ahead a good check is looked for, ms.
const CHECKS_WITHIN_MS: i64 = 24 * 3_600_000;

/// What to hold.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct HoldReport {
    /// Version of this object.
    pub schema_version: u32,
    /// The line.
    pub line: String,
    /// The alarm.
    pub alarm: String,
    /// Its name.
    pub name: String,
    /// Run of the occurrence.
    pub run: i64,
    /// The occurrence.
    pub occurrence: u32,
    /// When its trouble began, RFC 3339.
    pub onset: String,
    /// When it cleared, RFC 3339; `None`: it stands.
    pub cleared: Option<String>,
    /// The product; `None` if the alarm's station is not on the way to the bag.
    pub product: Option<ProductRow>,
    /// From the last good check to the next, by kind of check.
    pub checks: Vec<CheckWindow>,
    /// The line has checks that people enter.
    pub checks_are_kept: bool,
    /// The line tells lots.
    pub lots_are_told: bool,
    /// Lots and date codes of the product at its widest.
    #[serde(flatten)]
    pub touched: Touched,
    /// Holds that were placed for this occurrence.
    pub holds: Vec<HoldRow>,
}

/// The product that an occurrence touched.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ProductRow {
    /// Packed about from, RFC 3339.
    pub packed_from: Option<String>,
    /// Packed about until, RFC 3339.
    pub packed_to: Option<String>,
    /// How uncertain each end is, s.
    pub spread_s: Option<f64>,
    /// None of it was packed before, RFC 3339.
    pub packed_not_before: Option<String>,
    /// None of it was packed after, RFC 3339.
    pub packed_not_after: Option<String>,
    /// Some of it is not packed yet.
    pub is_forecast: bool,
    /// About so much, kg.
    pub about_kg: Option<f64>,
    /// It has not been weighed yet: so much it is if the feed stays as it is.
    pub is_at_present_rate: bool,
    /// At most so much, kg.
    pub most_kg: Option<f64>,
    /// The tanks it came from.
    pub tanks: Vec<u16>,
    /// The kettle batches that may be in it.
    pub batches: Vec<String>,
    /// The recipes it was made by.
    pub recipes: Vec<String>,
    /// How long it came out of tanks that are not known, s.
    pub unknown_tank_s: f64,
    /// A belt of its way ran backward: the times can't be relied on.
    pub was_reversed: bool,
}

/// What lies between two good checks.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CheckWindow {
    /// What is checked.
    pub check: String,
    /// The last good one before the product was packed, RFC 3339; `None`: none is known.
    pub last_good: Option<String>,
    /// The next good one after, RFC 3339; `None`: there is none yet.
    pub next_good: Option<String>,
    /// Checks between them that failed.
    pub failed: usize,
    /// What was made between them, kg, by the feed's record over that time less the way from the weigher to the bag.
    pub about_kg: Option<f64>,
    /// At most so much, kg: the longest way, the feed's uncertainty, and the most that can pass while it was not known.
    pub most_kg: Option<f64>,
    /// How long the feed was not known, s.
    pub unknown_s: Option<f64>,
    /// Lots and date codes that were packed between them.
    #[serde(flatten)]
    pub touched: Touched,
}

/// One occurrence, by its events.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Occurrence {
    /// The run in which it raised.
    pub run: i64,
    /// Its number.
    pub occurrence: u32,
    /// When its trouble began.
    pub onset: UtcMillis,
    /// When it cleared.
    pub cleared: Option<UtcMillis>,
}

/// An occurrence of an alarm; the last one, if no number is given. `events` are the alarm's own, newest first.
#[must_use]
pub fn occurrence(events: &[StoredEvent], number: Option<u32>) -> Option<Occurrence> {
    let is_raise = |stored: &&StoredEvent| stored.event.what == "raised";
    let wanted = |stored: &&StoredEvent| number.is_none_or(|number| stored.event.occurrence == number);
    let raised = events.iter().filter(is_raise).find(wanted)?;
    let occurrence = raised.event.occurrence;
    let own = events
        .iter()
        .take_while(|stored| (stored.run, stored.event.sequence) != (raised.run, raised.event.sequence));
    let cleared =
        own.filter(|stored| stored.event.occurrence == occurrence && stored.event.what == "cleared");
    Some(Occurrence {
        run: raised.run.0,
        occurrence,
        onset: raised.event.onset.unwrap_or(raised.event.utc),
        cleared: cleared.last().map(|stored| stored.event.utc),
    })
}

/// Why there is nothing to tell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoWindow {
    /// History has no such occurrence.
    NoSuchOccurrence,
    /// History can't be read.
    History(HistoryError),
}

impl From<HistoryError> for NoWindow {
    fn from(error: HistoryError) -> Self {
        Self::History(error)
    }
}

/// What to hold for an occurrence of an alarm; the last one, if no number is given. `known_until`: the last that history knows.
///
/// # Errors
/// When there is no such occurrence, or history can't be read.
pub async fn hold_report(
    line: &Line,
    store: &dyn HistoryStore,
    (alarm, number): (AlarmId, Option<u32>),
    known_until: UtcMillis,
) -> Result<HoldReport, NoWindow> {
    let settings = line.alarm(alarm);
    let events = store.events(Some(settings.id.clone()), EVENTS_MAX).await?;
    let found = occurrence(&events, number).ok_or(NoWindow::NoSuchOccurrence)?;
    let product = product(line, store, (alarm, found), known_until).await;
    let packed = product.as_ref().and_then(|product| product.packed_at_most.or(product.packed));
    let around = packed.unwrap_or((found.onset, found.cleared.unwrap_or(known_until)));
    let near = (UtcMillis(around.0.0 - CHECKS_WITHIN_MS), UtcMillis(around.1.0 + CHECKS_WITHIN_MS));
    let entered = entered::entered(line, store, near).await?;
    let mut checks = Vec::new();
    for name in names(&entered.checks) {
        checks.push(check_window(line, store, (&name, &entered.checks), (around, known_until)).await?);
    }
    let belongs = match packed {
        Some(packed) => lots::touched(line, store, packed, known_until).await?,
        None => Touched::default(),
    };
    let own = format!("{}@{}", settings.id, found.occurrence);
    let holds = holds(store).await?.into_iter().filter(|row| row.alarm.as_deref() == Some(own.as_str()));
    Ok(HoldReport {
        schema_version: 1,
        line: line.name.clone(),
        alarm: settings.id.clone(),
        name: settings.name.clone(),
        run: found.run,
        occurrence: found.occurrence,
        onset: rfc3339(found.onset),
        cleared: found.cleared.map(rfc3339),
        product: product.as_ref().map(|product| product_row(line, product)),
        checks,
        checks_are_kept: entered.is_kept,
        lots_are_told: line.lots.is_some(),
        touched: belongs,
        holds: holds.collect(),
    })
}

/// The product of an occurrence, worked out anew from what history holds.
async fn product(
    line: &Line,
    store: &dyn HistoryStore,
    (alarm, found): (AlarmId, Occurrence),
    known_until: UtcMillis,
) -> Option<ProductView> {
    let until = found.cleared.unwrap_or(known_until).0.saturating_add(PACKED_WITHIN_MS);
    let now = UtcMillis(until.min(known_until.0)).max(UtcMillis(found.onset.0 + 1));
    let book = past::followed(line, store, found.onset, now).await;
    let product = book.product(line, alarm, (found.onset, found.cleared), (Uptime::START, now))?;
    // As on the page of an alarm that stands: what is still on its way is told by what is fed now.
    Some(if product.is_forecast { product.at_rate(book.rate_kg_per_h()) } else { product })
}

/// A product as a row.
#[must_use]
pub fn product_row(line: &Line, product: &ProductView) -> ProductRow {
    let both =
        |span: Option<(UtcMillis, UtcMillis)>| span.map(|(from, to)| (rfc3339(from), rfc3339(to))).unzip();
    let (packed_from, packed_to) = both(product.packed);
    let (packed_not_before, packed_not_after) = both(product.packed_at_most);
    let name = |index: &usize| line.recipes.get(*index).map(|recipe| recipe.name.clone());
    ProductRow {
        packed_from,
        packed_to,
        spread_s: product.spread_s,
        packed_not_before,
        packed_not_after,
        is_forecast: product.is_forecast,
        about_kg: product.about_kg,
        is_at_present_rate: product.is_at_present_rate,
        most_kg: product.most_kg,
        tanks: product.tanks.iter().map(|(tank, _, _)| *tank).collect(),
        batches: product.batches.clone(),
        recipes: product.recipes.iter().filter_map(name).collect(),
        unknown_tank_s: product.unknown_tank_s,
        was_reversed: product.was_reversed,
    }
}

fn names(checks: &[Check]) -> Vec<String> {
    let mut names: Vec<String> = checks.iter().map(|check| check.name.clone()).collect();
    names.sort();
    names.dedup();
    names
}

async fn check_window(
    line: &Line,
    store: &dyn HistoryStore,
    (name, checks): (&str, &[Check]),
    ((packed_from, packed_to), known_until): ((UtcMillis, UtcMillis), UtcMillis),
) -> Result<CheckWindow, HistoryError> {
    let own = || checks.iter().filter(|check| check.name == name);
    let good = || own().filter(|check| check.passed).map(|check| check.at);
    let last_good = good().filter(|at| *at <= packed_from).max();
    let next_good = good().filter(|at| *at >= packed_to).min();
    let (from, to) = (last_good.unwrap_or(packed_from), next_good.unwrap_or(known_until.max(packed_to)));
    let failed = own().filter(|check| !check.passed && from < check.at && check.at < to).count();
    let weighed = match last_good {
        Some(_) => weighed_for(line, store, (from, to)).await?,
        // Where it began nobody knows.
        None => None,
    };
    Ok(CheckWindow {
        check: name.to_owned(),
        last_good: last_good.map(rfc3339),
        next_good: next_good.map(rfc3339),
        failed,
        about_kg: weighed.map(|weighed| weighed.about.kg),
        most_kg: weighed.and_then(|Weighed { most_kg, .. }| most_kg),
        unknown_s: weighed.map(|weighed| weighed.about.unknown_s),
        touched: lots::touched(line, store, (from, to), known_until).await?,
    })
}
