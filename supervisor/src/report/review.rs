//! Exceptions for the quality lead's review: what was not met, what alarms touched product, what was corrected or held, when
//! nobody could have seen it; and the signature under it.

use super::corn::CornRow;
use super::entered::{Correction, entered};
use super::hold_window::ProductRow;
use super::holds::{HoldRow, holds};
use super::ledger::{BlindAlarm, Ledger};
use super::lot_review::{LotRow, NoLot, lot_review, lot_rows};
use super::lots::Touched;
use super::recent::events_for;
use super::review_alarms::touched;
use super::shift::{BatchLine, batch_line};
use super::{calls, rfc3339};
use crate::history::{HistoryError, HistoryStore, KeptRecord, NewRecord, Span, StoredEvent};
use serde::{Deserialize, Serialize};
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use utoipa::ToSchema;

/// The kind of record that signs a review.
pub const SIGN_OFF: &str = "sign-off";
const RECORDS_MAX: usize = 100_000;
const BATCHES_MOST: usize = 10_000;
const DAY_MS: i64 = 86_400_000;
/// No review reaches over more.
pub const LONGEST_MS: i64 = 93 * DAY_MS;
/// A step of the wall clock that is worth a line, ms: less is the clock's own correction.
const STEP_LEAST_MS: i64 = 500;

/// Exceptions over a window.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ReviewReport {
    /// Version of this object.
    pub schema_version: u32,
    /// The line.
    pub line: String,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End, RFC 3339.
    pub to: String,
    /// The lot that is reviewed; `None`: a time.
    pub lot: Option<String>,
    /// The line tells lots.
    pub lots_are_told: bool,
    /// The lots that were packed in it, each with what touched it.
    pub lots: Vec<LotRow>,
    /// Kettle batches that began in it.
    pub batches: usize,
    /// Those among them that did not meet a limit, or of which it is not known.
    pub batch_exceptions: Vec<BatchLine>,
    /// Calls of medium and high alarms, with the product they touched.
    pub alarms: Vec<TouchedRow>,
    /// Values that were corrected.
    pub corrections: Vec<Correction>,
    /// The line has values that people enter.
    pub entries_are_kept: bool,
    /// Holds that were placed or decided in it, and those that are open.
    pub holds: Vec<HoldRow>,
    /// When nobody watched.
    pub gaps: Vec<GapRow>,
    /// Steps of the wall clock.
    pub clock_steps: Vec<ClockStep>,
    /// Alarms that could not have fired for a while.
    pub blind: Vec<BlindAlarm>,
    /// Entries of the audit trail.
    pub audit_entries: u64,
    /// Every place where its chain is broken; none: it is whole.
    pub audit_broken: Vec<String>,
    /// Who signed this window, or one that holds it.
    pub signed: Vec<SignOff>,
}

/// A call and the product it touched.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct TouchedRow {
    /// The alarm.
    pub alarm: String,
    /// Its name.
    pub name: String,
    /// When it raised, RFC 3339.
    pub raised: String,
    /// When it cleared, RFC 3339.
    pub cleared: Option<String>,
    /// The product; `None` if its station is not on the way to the bag, or nothing is known of it.
    pub product: Option<ProductRow>,
    /// The corn, if it is an alarm of a kettle or a tank.
    pub corn: Option<CornRow>,
    /// Lots and date codes of the product at its widest, or of what the corn became. Of all that was packed in the time of the
    /// review from when the trouble began to a day after it was over, where nobody can tell when its product was packed; of the
    /// time of the call, where no product is traced.
    #[serde(flatten)]
    pub touched: Touched,
}

/// A time in which nobody watched.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct GapRow {
    /// RFC 3339.
    pub from: String,
    /// RFC 3339.
    pub to: String,
    /// Its length, s.
    pub length_s: f64,
}

/// A step of the wall clock within a run.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ClockStep {
    /// Between this event and the one before, RFC 3339.
    pub seen: String,
    /// Forward is more than 0, s.
    pub step_s: f64,
}

/// A signature.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct SignOff {
    /// Who.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
    /// Beginning of what was reviewed, RFC 3339.
    pub from: String,
    /// Its end, RFC 3339.
    pub to: String,
    /// The lot that was signed; `None`: a time.
    pub lot: Option<String>,
    /// Exceptions that were seen.
    pub exceptions: usize,
}

#[derive(Serialize, Deserialize)]
struct Signed {
    from_utc_ms: i64,
    to_utc_ms: i64,
    exceptions: usize,
    /// The lot that was signed; none: a time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    lot: Option<String>,
}

impl ReviewReport {
    /// How many exceptions there are to look at.
    #[must_use]
    pub fn exceptions(&self) -> usize {
        self.batch_exceptions.len()
            + self.alarms.len()
            + self.corrections.len()
            + self.holds.len()
            + self.gaps.len()
            + self.clock_steps.len()
            + self.audit_broken.len()
    }
}

/// The exceptions of a window. `known_until`: the last that is known of a run that goes on.
///
/// # Errors
/// When history can't be read.
pub async fn review_report(
    line: &Line,
    store: &dyn HistoryStore,
    window: Span,
    known_until: UtcMillis,
) -> Result<ReviewReport, HistoryError> {
    let mut events = events_for(line, store, window.from()).await?;
    // Before what came later is left out: an alarm of the window may have cleared after it.
    let all = calls::calls(line, &events);
    events.retain(|stored| stored.event.utc < window.to());
    let mut report = review_of(line, store, &events, (window, known_until)).await?;
    report.alarms = touched(line, store, (&events, &all), (window, known_until)).await?;
    report.lots = lot_rows(line, store, (window, known_until), (&report.alarms, &report.holds)).await?;
    Ok(report)
}

/// All of a review that hangs on its time alone: without alarms and lots.
pub(super) async fn review_of(
    line: &Line,
    store: &dyn HistoryStore,
    events: &[StoredEvent],
    (window, known_until): (Span, UtcMillis),
) -> Result<ReviewReport, HistoryError> {
    let rows = store.batches(window.from(), window.to(), BATCHES_MOST).await?;
    let batches: Vec<BatchLine> = rows.iter().rev().filter_map(|row| batch_line(&row.record)).collect();
    let entered = entered(line, store, (window.from(), window.to())).await?;
    let gaps = calls::outages(events, window, known_until);
    let (audit_entries, audit_broken) = store.broken_audit().await?;
    let is_exception = |batch: &&BatchLine| batch.verdict == "not met" || batch.verdict == "not known";
    Ok(ReviewReport {
        schema_version: 1,
        line: line.name.clone(),
        from: rfc3339(window.from()),
        to: rfc3339(window.to()),
        lot: None,
        lots_are_told: line.lots.is_some(),
        lots: Vec::new(),
        batches: batches.len(),
        batch_exceptions: batches.iter().filter(is_exception).cloned().collect(),
        alarms: Vec::new(),
        corrections: entered.corrections,
        entries_are_kept: entered.is_kept,
        holds: holds(store).await?.into_iter().filter(|row| concerns(row, window)).collect(),
        gaps: gaps.iter().map(|gap| gap_row(gap.from, gap.to)).collect(),
        clock_steps: clock_steps(events, window),
        blind: Ledger::of(events, window).alarms(line).into_iter().filter(|row| row.blind_s > 0.0).collect(),
        audit_entries,
        audit_broken,
        signed: signatures(store, window).await?,
    })
}

fn gap_row(from: UtcMillis, to: UtcMillis) -> GapRow {
    GapRow { from: rfc3339(from), to: rfc3339(to), length_s: (to.0 - from.0) as f64 / 1000.0 }
}

/// Placed or decided within the window, or open.
fn concerns(row: &HoldRow, window: Span) -> bool {
    let within = |text: &str| {
        text.parse::<jiff::Timestamp>().is_ok_and(|at| window.contains(UtcMillis(at.as_millisecond())))
    };
    row.is_open() || within(&row.at) || row.dispositions.iter().any(|decided| within(&decided.at))
}

/// Where the wall clock went another way than the run's own between two events.
fn clock_steps(events: &[StoredEvent], window: Span) -> Vec<ClockStep> {
    let offset = |stored: &StoredEvent| {
        let at = i64::try_from(stored.event.at.as_nanos() / 1_000_000).unwrap_or(i64::MAX);
        stored.event.utc.0.saturating_sub(at)
    };
    let mut steps = Vec::new();
    let mut before: Option<(crate::snapshot::RunId, i64)> = None;
    // In the order in which they were numbered: what lies in the past by its own clock is older.
    for stored in events.iter().filter(|stored| stored.event.alarm.is_none()) {
        let now = (stored.run, offset(stored));
        let step = before.filter(|before| before.0 == now.0).map_or(0, |before| now.1 - before.1);
        if step.abs() >= STEP_LEAST_MS && window.contains(stored.event.utc) {
            steps.push(ClockStep { seen: rfc3339(stored.event.utc), step_s: step as f64 / 1000.0 });
        }
        before = Some(now);
    }
    steps
}

async fn signatures(store: &dyn HistoryStore, window: Span) -> Result<Vec<SignOff>, HistoryError> {
    let kept = sign_offs(store).await?;
    Ok(kept.iter().filter_map(|kept| signature(kept, window)).filter(|signed| signed.lot.is_none()).collect())
}

/// Every signature there is, for [`signed_lot`].
pub(super) async fn sign_offs(store: &dyn HistoryStore) -> Result<Vec<KeptRecord>, HistoryError> {
    store.records(SIGN_OFF.to_owned(), RECORDS_MAX).await
}

/// Who signed a lot as it is now, or a time that holds all of it.
pub(super) fn signed_lot(all: &[KeptRecord], lot: &str, window: Span) -> Vec<SignOff> {
    let is_own = |signed: &SignOff| signed.lot.as_deref().is_none_or(|own| own == lot);
    all.iter().filter_map(|kept| signature(kept, window)).filter(is_own).collect()
}

fn signature(kept: &KeptRecord, window: Span) -> Option<SignOff> {
    let signed: Signed = serde_json::from_str(&kept.record).ok()?;
    let holds_it = signed.from_utc_ms <= window.from().0 && window.to().0 <= signed.to_utc_ms;
    holds_it.then(|| SignOff {
        by: kept.by.clone(),
        at: rfc3339(kept.utc),
        from: rfc3339(UtcMillis(signed.from_utc_ms)),
        to: rfc3339(UtcMillis(signed.to_utc_ms)),
        lot: signed.lot,
        exceptions: signed.exceptions,
    })
}

/// Why a signature was not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotSigned {
    /// The time or the lot is not over.
    NotOver,
    /// No lot of this name is known.
    NoSuchLot,
    /// It shows other exceptions by now than the person saw.
    Changed(usize),
    /// History could not keep it.
    NotKept(String),
}

/// What a person signs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reviewed<'a> {
    /// A stretch of time.
    Time(Span),
    /// A lot.
    Lot(&'a str),
}

/// Signs a review of which the person saw so many exceptions. On return it is on disk; true if the same person had signed it
/// before.
///
/// # Errors
/// What is wrong with it, or that it could not be kept.
pub async fn sign_off(
    line: &Line,
    store: &dyn HistoryStore,
    (what, seen): (Reviewed<'_>, usize),
    (by, now): (&str, UtcMillis),
) -> Result<bool, NotSigned> {
    let not_kept = |error: HistoryError| NotSigned::NotKept(error.text);
    let (report, window) = match what {
        Reviewed::Time(window) if window.to() > now => return Err(NotSigned::NotOver),
        Reviewed::Time(window) => (review_report(line, store, window, now).await.map_err(not_kept)?, window),
        Reviewed::Lot(lot) => match lot_review(line, store, lot, now).await {
            Ok((_, _, true)) => return Err(NotSigned::NotOver),
            Ok((report, window, false)) => (report, window),
            Err(NoLot::NotTold | NoLot::NoSuchLot) => return Err(NotSigned::NoSuchLot),
            Err(NoLot::History(error)) => return Err(not_kept(error)),
        },
    };
    let is_same = |signed: &SignOff| {
        signed.by == by
            && (&signed.from, &signed.to, &signed.lot) == (&report.from, &report.to, &report.lot)
            && signed.exceptions == seen
    };
    if report.signed.iter().any(is_same) {
        return Ok(true);
    }
    if report.exceptions() != seen {
        return Err(NotSigned::Changed(report.exceptions()));
    }
    let (from_utc_ms, to_utc_ms) = (window.from().0, window.to().0);
    let about = match &report.lot {
        Some(lot) => format!("lot {lot}"),
        None => format!("{} to {}", report.from, report.to),
    };
    let signed = Signed { from_utc_ms, to_utc_ms, exceptions: seen, lot: report.lot };
    let record = serde_json::to_string(&signed).map_err(|error| NotSigned::NotKept(error.to_string()))?;
    let new = NewRecord { utc: now, kind: SIGN_OFF.to_owned(), about, by: by.to_owned(), record, why: None };
    store.add_record(new).await.map(|_kept| false).map_err(not_kept)
}
