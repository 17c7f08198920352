//! What to hold for one occurrence of an alarm: the product that it touched, traced to the bag, and beside it the wider window
//! from the last good check to the next.

use super::corn::{Corn, CornRow, PACKED_AT_LAST_MS, batches_of, corn_of, is_of_cook_house};
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

/// What an alarm touched is followed for so long after it, ms; and where it was not all packed by then, for a day.
pub(super) const FOLLOWED_FOR_MS: [i64; 2] = [3 * 3_600_000, PACKED_AT_LAST_MS];
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
    /// The corn, if it is an alarm of a kettle or a tank: its product is what that corn becomes, half a day later.
    pub corn: Option<CornRow>,
    /// From the last good check to the next, by kind of check; none, as long as none of the corn is known to be packed.
    pub checks: Vec<CheckWindow>,
    /// The line has checks that people enter.
    pub checks_are_kept: bool,
    /// The line tells lots.
    pub lots_are_told: bool,
    /// Lots and date codes of the product at its widest; where it is not known when it was packed, of all that was packed since
    /// the trouble began, for a day after it was over.
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
    /// The next good one after, RFC 3339; `None`: there is none yet, or none counts, for more of it may be packed later.
    pub next_good: Option<String>,
    /// Checks between them that failed.
    pub failed: usize,
    /// What was made between them, kg, by the feed's record over that time less the way from the weigher to the bag.
    pub about_kg: Option<f64>,
    /// At most so much, kg: the longest way, the feed's uncertainty, and the most that can pass while it was not known. `None` also
    /// where a belt, or what may stand, lies between the weigher and the bag.
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
    let corn = corn(line, store, (alarm, found), known_until).await?;
    let product = match &corn {
        Some(_) => None,
        None => product(line, store, (alarm, found), known_until).await,
    };
    let around = Around::of((found, known_until), product.as_ref(), corn.as_ref());
    let looked_at = around.map_or((found.onset, found.onset), |around| (around.from, around.to));
    let near = (UtcMillis(looked_at.0.0 - CHECKS_WITHIN_MS), UtcMillis(looked_at.1.0 + CHECKS_WITHIN_MS));
    let entered = entered::entered(line, store, near).await?;
    let mut checks = Vec::new();
    if let Some(around) = around {
        for name in names(&entered.checks) {
            checks.push(check_window(line, store, (&name, &entered.checks), (around, known_until)).await?);
        }
    }
    let belongs = match (&corn, around.filter(|_| product.is_some())) {
        (Some(corn), _) => corn.touched(line, store, known_until).await?,
        (None, Some(around)) => lots::touched(line, store, (around.from, around.to), known_until).await?,
        (None, None) => Touched::default(),
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
        corn: corn.map(|corn| corn.row),
        checks,
        checks_are_kept: entered.is_kept,
        lots_are_told: line.lots.is_some(),
        touched: belongs,
        holds: holds.collect(),
    })
}

/// Around which time of packing good checks are looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Around {
    from: UtcMillis,
    to: UtcMillis,
    /// More of it may be packed: no check is the next good one yet.
    is_open: bool,
}

impl Around {
    /// `None`: nothing that the occurrence touched is known to be packed.
    fn of(
        (found, known_until): (Occurrence, UtcMillis),
        product: Option<&ProductView>,
        corn: Option<&Corn>,
    ) -> Option<Self> {
        let cleared = found.cleared.unwrap_or(known_until);
        let (product, (from, to)) = match (product, corn) {
            (_, Some(corn)) => {
                let (from, to) = corn.packed_within()?;
                let is_open = corn.row.is_waiting;
                return Some(Self { from, to: if is_open { to.max(known_until) } else { to }, is_open });
            }
            (None, None) => return Some(Self { from: found.onset, to: cleared, is_open: false }),
            (Some(product), None) => (product, unknown_packing((found.onset, found.cleared), known_until)),
        };
        Some(match product.packed_at_most.or(product.packed) {
            Some((from, to)) => Self { from, to, is_open: false },
            // The first of it was packed after the trouble began, and the last of it nobody knows when.
            None => Self { from, to, is_open: to >= known_until },
        })
    }
}

/// When product may have been packed of which no way to the bag can be told: not before its trouble began, and until a day after
/// that was over, as far as that has come.
pub(super) fn unknown_packing(
    (onset, cleared): (UtcMillis, Option<UtcMillis>),
    known_until: UtcMillis,
) -> (UtcMillis, UtcMillis) {
    let at_last = cleared.map_or(i64::MAX, |cleared| cleared.0.saturating_add(PACKED_AT_LAST_MS));
    (onset, UtcMillis(at_last.min(known_until.0)).max(onset))
}

/// The corn of an occurrence; `None`, if the alarm is not of a kettle or a tank.
async fn corn(
    line: &Line,
    store: &dyn HistoryStore,
    (alarm, found): (AlarmId, Occurrence),
    known_until: UtcMillis,
) -> Result<Option<Corn>, HistoryError> {
    if !is_of_cook_house(line, alarm) {
        return Ok(None);
    }
    let stood = (found.onset, found.cleared.unwrap_or(known_until));
    Ok(corn_of(line, alarm, stood, &batches_of(store, stood).await?))
}

/// The product of an occurrence, worked out anew from what history holds.
async fn product(
    line: &Line,
    store: &dyn HistoryStore,
    (alarm, found): (AlarmId, Occurrence),
    known_until: UtcMillis,
) -> Option<ProductView> {
    let mut told = None;
    for followed_for in FOLLOWED_FOR_MS {
        let until = found.cleared.unwrap_or(known_until).0.saturating_add(followed_for);
        let now = UtcMillis(until.min(known_until.0)).max(UtcMillis(found.onset.0 + 1));
        let book = past::followed(line, store, found.onset, now).await;
        let product = book.product(line, alarm, (found.onset, found.cleared), (Uptime::START, now))?;
        let is_all_seen = !is_on_its_way(&product) || now >= known_until;
        // As on the page of an alarm that stands: what is still on its way is told by what is fed now.
        told = Some(if product.is_forecast { product.at_rate(book.rate_kg_per_h()) } else { product });
        if is_all_seen {
            break;
        }
    }
    told
}

/// Whether it was not all packed when it was followed, as far as that can be told.
pub(super) const fn is_on_its_way(product: &ProductView) -> bool {
    product.is_forecast || product.packed.is_none()
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
    (around, known_until): (Around, UtcMillis),
) -> Result<CheckWindow, HistoryError> {
    let own = || checks.iter().filter(|check| check.name == name);
    let good = || own().filter(|check| check.passed).map(|check| check.at);
    let last_good = good().filter(|at| *at <= around.from).max();
    let next_good = good().filter(|at| !around.is_open && *at >= around.to).min();
    let (from, to) = (last_good.unwrap_or(around.from), next_good.unwrap_or(known_until.max(around.to)));
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
