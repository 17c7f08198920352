//! Product put on hold, and what became of it. Records are only added: a disposition that was wrong is followed by another.

use super::lots::{self, Touched};
use super::rfc3339;
use crate::history::{HistoryError, HistoryStore, KeptRecord, NewRecord};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use utoipa::ToSchema;

/// The kind of record that puts product on hold.
pub const HOLD: &str = "hold";
/// The kind of record that says what became of it.
pub const DISPOSITION: &str = "disposition";
/// Records that are looked at, the newest.
const RECORDS_MAX: usize = 100_000;
/// No hold reaches over more.
const LONGEST_MS: i64 = 31 * 86_400_000;

/// What may become of held product. A closed list.
pub const DISPOSITIONS: [(&str, &str); 4] = [
    ("released", "released"),
    ("reworked", "reworked"),
    ("animal-feed", "to animal feed"),
    ("destroyed", "destroyed"),
];

/// What is put on hold, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Held {
    /// The alarm that it is held for; `None`: for another reason.
    pub alarm: Option<String>,
    /// Run of the occurrence; 0 without an alarm.
    pub run: i64,
    /// The occurrence; 0 without an alarm.
    pub occurrence: u32,
    /// Packed from then on, ms.
    pub from_utc_ms: i64,
    /// Until then, ms.
    pub to_utc_ms: i64,
    /// How much, kg, as far as anybody knows.
    pub kg: Option<f64>,
    /// Why.
    pub why: String,
    /// Lots and date codes of that time, as they were known when it was held.
    #[serde(default)]
    pub touched: Touched,
}

#[derive(Serialize, Deserialize)]
struct Became {
    hold: i64,
    what: String,
    why: String,
}

/// What became of held product.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Disposition {
    /// Number of its record.
    pub n: i64,
    /// What: one of the closed list.
    pub what: String,
    /// Who decided.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
    /// Why.
    pub why: String,
}

/// A hold with all that was decided about it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct HoldRow {
    /// Its number.
    pub n: i64,
    /// Who put it on hold.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
    /// Why.
    pub why: String,
    /// The alarm's id and occurrence, "fryer-outlet-cold@3"; `None`: for another reason.
    pub alarm: Option<String>,
    /// Packed from, RFC 3339.
    pub from: String,
    /// Packed until, RFC 3339.
    pub to: String,
    /// How much, kg.
    pub kg: Option<f64>,
    /// Lots and date codes, as they were known when it was held.
    #[serde(flatten)]
    pub touched: Touched,
    /// What became of it, in the order in which it was decided; the last stands. None: it is on hold.
    pub dispositions: Vec<Disposition>,
}

impl HoldRow {
    /// Nobody has decided about it.
    #[must_use]
    pub const fn is_open(&self) -> bool {
        self.dispositions.is_empty()
    }

    /// Number of the record of the last decision; 0 without one.
    #[must_use]
    pub fn last_decision(&self) -> i64 {
        self.dispositions.last().map_or(0, |last| last.n)
    }
}

/// Every hold, newest first.
///
/// # Errors
/// When history can't be read.
pub async fn holds(store: &dyn HistoryStore) -> Result<Vec<HoldRow>, HistoryError> {
    let placed = store.records(HOLD.to_owned(), RECORDS_MAX).await?;
    let decided = store.records(DISPOSITION.to_owned(), RECORDS_MAX).await?;
    Ok(placed.iter().filter_map(|kept| row(kept, &decided)).collect())
}

fn row(kept: &KeptRecord, decided: &[KeptRecord]) -> Option<HoldRow> {
    let held: Held = serde_json::from_str(&kept.record).ok()?;
    let of_it = |kept_later: &KeptRecord| {
        let became: Became = serde_json::from_str(&kept_later.record).ok()?;
        (became.hold == kept.n).then(|| Disposition {
            n: kept_later.n,
            what: became.what,
            by: kept_later.by.clone(),
            at: rfc3339(kept_later.utc),
            why: became.why,
        })
    };
    Some(HoldRow {
        n: kept.n,
        by: kept.by.clone(),
        at: rfc3339(kept.utc),
        why: held.why,
        alarm: held.alarm.map(|alarm| format!("{alarm}@{}", held.occurrence)),
        from: rfc3339(UtcMillis(held.from_utc_ms)),
        to: rfc3339(UtcMillis(held.to_utc_ms)),
        kg: held.kg,
        touched: held.touched,
        dispositions: decided.iter().rev().filter_map(of_it).collect(),
    })
}

/// Why a hold or a decision was not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoHold {
    /// The line has no alarm of this id.
    NoSuchAlarm,
    /// The end is not after the beginning, or more than a month, or no calendar has that time.
    Window,
    /// A mass that is none.
    Mass,
    /// A hold and a decision need a reason.
    NoReason,
    /// There is no hold with this number.
    NoSuchHold,
    /// The decision is not in the list.
    NotListed,
    /// Somebody has decided about it since the person looked; the number of the last decision.
    Stale(i64),
    /// History could not keep it.
    NotKept(String),
}

fn not_kept(error: HistoryError) -> NoHold {
    NoHold::NotKept(error.text)
}

/// Whether a calendar holds this moment, with room for the shifts and days around it.
fn is_calendar_time(utc_ms: i64) -> bool {
    let is_time = |utc_ms: Option<i64>| utc_ms.is_some_and(|at| Timestamp::from_millisecond(at).is_ok());
    is_time(utc_ms.checked_sub(LONGEST_MS)) && is_time(utc_ms.checked_add(LONGEST_MS))
}

/// Puts product on hold; on return it is on disk. Gives its number, and whether it was so before: the same occurrence and window
/// while it is on hold still is the same hold, sent twice.
///
/// # Errors
/// What is wrong with it, or that it could not be kept.
pub async fn put_on_hold(
    line: &Line,
    store: &dyn HistoryStore,
    mut held: Held,
    (by, now): (&str, UtcMillis),
) -> Result<(i64, bool), NoHold> {
    if held.alarm.as_deref().is_some_and(|alarm| line.alarm_by_id(alarm).is_none()) {
        return Err(NoHold::NoSuchAlarm);
    }
    let is_long = !(1..=LONGEST_MS).contains(&held.to_utc_ms.saturating_sub(held.from_utc_ms));
    if is_long || ![held.from_utc_ms, held.to_utc_ms].into_iter().all(is_calendar_time) {
        return Err(NoHold::Window);
    }
    if held.kg.is_some_and(|kg| !(kg.is_finite() && kg >= 0.0)) {
        return Err(NoHold::Mass);
    }
    if held.why.trim().is_empty() {
        return Err(NoHold::NoReason);
    }
    let packed = (UtcMillis(held.from_utc_ms), UtcMillis(held.to_utc_ms));
    held.touched = lots::touched(line, store, packed, now).await.map_err(not_kept)?;
    let known = holds(store).await.map_err(not_kept)?;
    let placed = store.records(HOLD.to_owned(), RECORDS_MAX).await.map_err(not_kept)?;
    let is_same = |kept: &&KeptRecord| {
        let is_open = known.iter().any(|row| row.n == kept.n && row.is_open());
        let before: Option<Held> = serde_json::from_str(&kept.record).ok();
        is_open
            && before.is_some_and(|before| {
                let (why, touched) = (held.why.clone(), held.touched.clone());
                Held { why, touched, kg: held.kg, ..before } == held
            })
    };
    if let Some(before) = placed.iter().find(is_same) {
        return Ok((before.n, true));
    }
    let about = match &held.alarm {
        Some(alarm) => format!("{alarm}@{}", held.occurrence),
        None => "product".to_owned(),
    };
    let record = serde_json::to_string(&held).map_err(|error| NoHold::NotKept(error.to_string()))?;
    let (by, why) = (by.to_owned(), Some(held.why));
    let new = NewRecord { utc: now, kind: HOLD.to_owned(), about, by, record, why };
    Ok((store.add_record(new).await.map_err(not_kept)?.n, false))
}

/// Decides about held product; on return it is on disk. `seen`: the last decision that the person saw, 0 for none. True if it
/// was so before.
///
/// # Errors
/// What is wrong with it, that somebody else has decided meanwhile, or that it could not be kept.
pub async fn decide(
    store: &dyn HistoryStore,
    (hold, seen): (i64, i64),
    (what, why): (&str, &str),
    (by, now): (&str, UtcMillis),
) -> Result<bool, NoHold> {
    if !DISPOSITIONS.iter().any(|(key, _)| *key == what) {
        return Err(NoHold::NotListed);
    }
    if why.trim().is_empty() {
        return Err(NoHold::NoReason);
    }
    let known = holds(store).await.map_err(not_kept)?;
    let row = known.iter().find(|row| row.n == hold).ok_or(NoHold::NoSuchHold)?;
    let is_same = |last: &Disposition| last.what == what && last.by == by && last.why == why;
    if row.dispositions.last().is_some_and(is_same) {
        return Ok(true);
    }
    if row.last_decision() != seen {
        return Err(NoHold::Stale(row.last_decision()));
    }
    let became = Became { hold, what: what.to_owned(), why: why.to_owned() };
    let record = serde_json::to_string(&became).map_err(|error| NoHold::NotKept(error.to_string()))?;
    let new = NewRecord {
        utc: now,
        kind: DISPOSITION.to_owned(),
        about: format!("hold {hold}"),
        by: by.to_owned(),
        record,
        why: Some(why.to_owned()),
    };
    store.add_record(new).await.map(|_kept| false).map_err(not_kept)
}
