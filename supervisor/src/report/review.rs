//! Exceptions for the quality lead's review: what was not met, what alarms touched product, what was corrected or held, when
//! nobody could have seen it; and the signature under it.

use super::entered::{Correction, entered};
use super::hold_window::{ProductRow, product_row};
use super::holds::{HoldRow, holds};
use super::ledger::{BlindAlarm, Ledger};
use super::lot_review::{LotRow, NoLot, lot_review, lot_rows};
use super::lots::{self, Touched};
use super::recent::events_for;
use super::shift::{BatchLine, batch_line};
use super::{calls, rfc3339};
use crate::history::{HistoryError, HistoryStore, KeptRecord, NewRecord, Span, StoredEvent};
use crate::line::follow::ProductView;
use crate::line::past;
use serde::{Deserialize, Serialize};
use setward_alarm::metrics::Annunciation;
use setward_config::line::{Line, Priority};
use setward_protocol::{Uptime, UtcMillis};
use utoipa::ToSchema;

/// The kind of record that signs a review.
pub const SIGN_OFF: &str = "sign-off";
const RECORDS_MAX: usize = 100_000;
const BATCHES_MOST: usize = 10_000;
const DAY_MS: i64 = 86_400_000;
/// What has not been packed by then never will be, as far as anybody can tell, ms.
const PACKED_WITHIN_MS: i64 = 3 * 3_600_000;
/// The product of an alarm that has cleared is packed no later, ms.
const PACKED_AFTER_MS: i64 = 2 * 3_600_000;
/// The follower knows no more than that of the time before, ms.
const FOLLOWED_MS: i64 = 2 * DAY_MS;
/// With what raised within a day before it, and was over within that, the follower knows it whole, ms.
const LONG_MS: i64 = 12 * 3_600_000;
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
    /// Lots and date codes of the product at its widest; of the time of the call, where no product is traced.
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

/// Calls of medium and high alarms that stood in the window, or whose product may have been packed in it, wherever they raised.
/// One that was hidden and told anew is one call: its product is the same.
pub(super) async fn touched(
    line: &Line,
    store: &dyn HistoryStore,
    (events, all): (&[StoredEvent], &[Annunciation]),
    (window, known_until): (Span, UtcMillis),
) -> Result<Vec<TouchedRow>, HistoryError> {
    let counts = |call: &&Annunciation| {
        call.at < window.to()
            && packed_by(call, known_until) > window.from()
            && line.alarm(call.alarm).priority != Priority::Low
    };
    let mut whole = super::standing_calls(all);
    whole.sort_by_key(|call| (call.at, call.alarm));
    let wanted: Vec<&Annunciation> = whole.iter().filter(counts).collect();
    let mut rows = Vec::new();
    for group in together(&wanted, window, known_until) {
        let until = group.iter().map(|call| end_of(call, known_until)).max().unwrap_or(known_until).0;
        let begun = group.iter().map(|call| call.at.0.saturating_add(1)).max().unwrap_or(until);
        let now = UtcMillis(until.saturating_add(PACKED_WITHIN_MS).min(known_until.0).max(begun));
        let onset = group.iter().map(|call| onset_of(line, events, call)).min().unwrap_or(now);
        let since = onset.max(UtcMillis(now.0.saturating_sub(FOLLOWED_MS)));
        let book = past::followed(line, store, since, now).await;
        for call in group {
            let span = (onset_of(line, events, call), call.cleared);
            let product = book.product(line, call.alarm, span, (Uptime::START, now));
            let packed = product.as_ref().and_then(|product| product.packed_at_most.or(product.packed));
            let (from, to) = packed.unwrap_or_else(|| match product {
                // Its way is not known: it may be in all that was packed while the call stood.
                Some(_) => (call.at.max(window.from()), end_of(call, known_until).min(window.to())),
                None => (call.at, call.at),
            });
            let stood = call.at >= window.from() || end_of(call, known_until) > window.from();
            if stood || to > window.from() {
                let touched = lots::touched(line, store, (from, to), known_until).await?;
                rows.push((call, touched_row(line, call, (product.as_ref(), touched))));
            }
        }
    }
    rows.sort_by_key(|(call, _)| (call.at, call.alarm));
    Ok(rows.into_iter().map(|(_, row)| row).collect())
}

fn touched_row(
    line: &Line,
    call: &Annunciation,
    (product, touched): (Option<&ProductView>, Touched),
) -> TouchedRow {
    let alarm = line.alarm(call.alarm);
    TouchedRow {
        alarm: alarm.id.clone(),
        name: alarm.name.clone(),
        raised: rfc3339(call.at),
        cleared: call.cleared.map(rfc3339),
        product: product.map(|product| product_row(line, product)),
        touched,
    }
}

/// When its trouble was over, or the last that is known of it while it stands.
fn end_of(call: &Annunciation, known_until: UtcMillis) -> UtcMillis {
    call.cleared.unwrap_or(known_until).max(call.at)
}

/// The last of its product was packed before; no such moment is known of one that stands.
fn packed_by(call: &Annunciation, known_until: UtcMillis) -> UtcMillis {
    match call.cleared {
        Some(_) => UtcMillis(end_of(call, known_until).0.saturating_add(PACKED_AFTER_MS)),
        None => UtcMillis(i64::MAX),
    }
}

/// Calls whose product one follower knows, as it knows two days and no more: those that raised on one day and were soon over
/// together, and each that went on for long by itself.
fn together<'a>(
    wanted: &[&'a Annunciation],
    window: Span,
    known_until: UtcMillis,
) -> Vec<Vec<&'a Annunciation>> {
    let day = |call: &Annunciation| call.at.0.saturating_sub(window.from().0).div_euclid(DAY_MS);
    let is_long = |call: &&Annunciation| end_of(call, known_until).0.saturating_sub(call.at.0) > LONG_MS;
    let mut groups = Vec::new();
    for own in wanted.chunk_by(|a, b| day(a) == day(b)) {
        let (long, short): (Vec<_>, Vec<_>) = own.iter().copied().partition(is_long);
        groups.push(short);
        groups.extend(long.into_iter().map(|call| vec![call]));
    }
    groups.retain(|group| !group.is_empty());
    groups
}

/// When the trouble of a call began.
fn onset_of(line: &Line, events: &[StoredEvent], call: &Annunciation) -> UtcMillis {
    let id = &line.alarm(call.alarm).id;
    let own =
        events.iter().find(|stored| stored.event.utc == call.at && stored.event.alarm.as_ref() == Some(id));
    own.and_then(|stored| stored.event.onset).unwrap_or(call.at)
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
