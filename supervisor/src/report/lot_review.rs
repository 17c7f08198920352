//! The review by lot: what a quality lead releases is a lot, so exceptions are gathered by the lots that they touched, and each
//! lot has a review and a signature of its own.
//!
//! A lot's alarms are those whose product may have been packed in it, its batches those whose corn may have been; an alarm of a
//! kettle or a tank is in the lots that its corn was packed in. What no product is traced of belongs to the lot that was being
//! packed when it was told.

use super::batch::BatchReport;
use super::calls;
use super::corn::{COOKED_BEFORE_MS, packed_of, utc};
use super::holds::{HoldRow, holds};
use super::lots::{self, LotSpan};
use super::made::made;
use super::recent::events_for;
use super::review::{ReviewReport, SignOff, TouchedRow, review_of, sign_offs, signed_lot};
use super::review_alarms::touched;
use super::rfc3339;
use super::shift::batch_line;
use crate::history::{HistoryError, HistoryStore, Span, StoredEvent};
use serde::Serialize;
use setward_alarm::metrics::Annunciation;
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use utoipa::ToSchema;

const BATCHES_MOST: usize = 10_000;
/// Lots of one review that are told.
const LOTS_MOST: usize = 300;

/// A lot in a review.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct LotRow {
    /// What it is called.
    pub lot: String,
    /// Packed from, RFC 3339.
    pub from: String,
    /// Packed until, RFC 3339; up to when it is known, while it goes on.
    pub to: String,
    /// It goes on: it can't be signed yet.
    pub goes_on: bool,
    /// How much was made in it, kg, by the weigher's clock; `None`: nothing weighs it.
    pub about_kg: Option<f64>,
    /// How long the feed was not known in it, s.
    pub unknown_s: Option<f64>,
    /// Date codes on its bags; none: nothing tells them.
    pub date_codes: Vec<String>,
    /// Kettle batches that may be in it.
    pub batches: Vec<String>,
    /// Those among them that did not meet a limit, or of which it is not known.
    pub batch_exceptions: Vec<String>,
    /// Medium and high alarms whose product may be in it, by id and time of the raise.
    pub alarms: Vec<String>,
    /// Numbers of the holds that touch it.
    pub holds: Vec<i64>,
    /// Who signed it, or a time that holds it.
    pub signed: Vec<SignOff>,
}

/// A batch as far as lots need it.
struct Fed {
    id: String,
    is_exception: bool,
    packed: Vec<(UtcMillis, UtcMillis)>,
}

fn overlaps(span: Span, (from, to): (UtcMillis, UtcMillis)) -> bool {
    from < span.to() && span.from() <= to
}

/// Every batch whose corn may have been packed in a window.
async fn fed(store: &dyn HistoryStore, window: Span) -> Result<Vec<(Fed, String)>, HistoryError> {
    let from = UtcMillis(window.from().0.saturating_sub(COOKED_BEFORE_MS));
    let rows = store.batches(from, window.to(), BATCHES_MOST).await?;
    let read = |record: String| {
        let report: BatchReport = serde_json::from_str(&record).ok()?;
        let is_exception = matches!(report.verdict(), "not met" | "not known");
        Some((Fed { packed: packed_of(&report), is_exception, id: report.id.clone() }, record))
    };
    Ok(rows.into_iter().rev().filter_map(|row| read(row.record)).collect())
}

/// The lots that were packed in a window.
///
/// # Errors
/// When history can't be read.
pub(super) async fn lot_rows(
    line: &Line,
    store: &dyn HistoryStore,
    (window, known_until): (Span, UtcMillis),
    (alarms, holds): (&[TouchedRow], &[HoldRow]),
) -> Result<Vec<LotRow>, HistoryError> {
    if line.lots.is_none() {
        return Ok(Vec::new());
    }
    let found = lots::lots(line, store, window, known_until).await?;
    let (fed, signed) = (fed(store, window).await?, sign_offs(store).await?);
    let mut rows = Vec::new();
    for lot in found.iter().take(LOTS_MOST) {
        let own = |fed: &&(Fed, String)| fed.0.packed.iter().any(|packed| overlaps(lot.span, *packed));
        let made = made(line, store, (lot.span.from(), lot.span.to())).await?;
        let own_alarms = alarms.iter().filter(|row| row.touched.lots.contains(&lot.lot));
        rows.push(LotRow {
            lot: lot.lot.clone(),
            from: rfc3339(lot.span.from()),
            to: rfc3339(lot.span.to()),
            goes_on: lot.goes_on,
            about_kg: made.map(|made| made.kg),
            unknown_s: made.map(|made| made.unknown_s),
            date_codes: lots::date_codes(line, lot.span),
            batches: fed.iter().filter(own).map(|fed| fed.0.id.clone()).collect(),
            batch_exceptions: fed
                .iter()
                .filter(own)
                .filter(|fed| fed.0.is_exception)
                .map(|fed| fed.0.id.clone())
                .collect(),
            alarms: own_alarms.map(|row| format!("{} {}", row.alarm, row.raised)).collect(),
            holds: holds.iter().filter(|hold| is_held(hold, lot)).map(|hold| hold.n).collect(),
            signed: signed_lot(&signed, &lot.lot, lot.span),
        });
    }
    Ok(rows)
}

fn is_held(hold: &HoldRow, lot: &LotSpan) -> bool {
    utc(&hold.from).zip(utc(&hold.to)).is_some_and(|packed| overlaps(lot.span, packed))
}

/// Why there is no review of a lot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoLot {
    /// Nothing on this line tells lots.
    NotTold,
    /// No lot of this name was packed, as far as history goes back.
    NoSuchLot,
    /// History can't be read.
    History(HistoryError),
}

impl From<HistoryError> for NoLot {
    fn from(error: HistoryError) -> Self {
        Self::History(error)
    }
}

/// The review of one lot, from its first bag to its last.
///
/// # Errors
/// When nothing tells lots, there is no such lot, or history can't be read.
pub async fn lot_review(
    line: &Line,
    store: &dyn HistoryStore,
    lot: &str,
    known_until: UtcMillis,
) -> Result<(ReviewReport, Span, bool), NoLot> {
    if line.lots.is_none() {
        return Err(NoLot::NotTold);
    }
    let spans = lots::named(line, store, lot, known_until).await?;
    let (Some(first), Some(last)) = (spans.first(), spans.last()) else { return Err(NoLot::NoSuchLot) };
    let window = Span::new(first.span.from(), last.span.to()).map_err(|_| NoLot::NoSuchLot)?;
    let mut events = events_for(line, store, window.from()).await?;
    // Before what came later is left out: an alarm of the lot may have cleared after it.
    let calls = calls::calls(line, &events);
    events.retain(|stored| stored.event.utc < window.to());
    let mut report = review_of(line, store, &events, (window, known_until)).await?;
    report.alarms = alarms_of(line, store, (&events, &calls), (lot, &spans, window), known_until).await?;
    let is_own = |packed: &(UtcMillis, UtcMillis)| spans.iter().any(|lot| overlaps(lot.span, *packed));
    let fed = fed(store, window).await?;
    let own: Vec<&(Fed, String)> = fed.iter().filter(|fed| fed.0.packed.iter().any(is_own)).collect();
    report.batches = own.len();
    report.batch_exceptions =
        own.iter().filter(|fed| fed.0.is_exception).filter_map(|fed| batch_line(&fed.1)).collect();
    let all = holds(store).await?;
    report.holds = all.into_iter().filter(|hold| spans.iter().any(|lot| is_held(hold, lot))).collect();
    report.lots = lot_rows(line, store, (window, known_until), (&report.alarms, &report.holds)).await?;
    report.lots.retain(|row| row.lot == lot);
    report.signed = signed_lot(&sign_offs(store).await?, lot, window);
    report.lot = Some(lot.to_owned());
    Ok((report, window, last.goes_on))
}

/// Alarms whose product may be in the lot, wherever they raised: one may have stood since long before its first bag.
async fn alarms_of(
    line: &Line,
    store: &dyn HistoryStore,
    told: (&[StoredEvent], &[Annunciation]),
    (lot, spans, window): (&str, &[LotSpan], Span),
    known_until: UtcMillis,
) -> Result<Vec<TouchedRow>, HistoryError> {
    let mut rows = touched(line, store, told, (window, known_until)).await?;
    rows.retain(|row| match (&row.product, &row.corn) {
        (Some(_), _) | (_, Some(_)) => row.touched.lots.iter().any(|own| own == lot),
        (None, None) => utc(&row.raised).is_some_and(|at| spans.iter().any(|own| own.span.contains(at))),
    });
    Ok(rows)
}
