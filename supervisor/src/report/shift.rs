//! The handover of a shift: what stands, what happened, what stood still and why, what was turned, what is in the tanks, what is
//! on hold, what is due, how much was made, and how the main signals did.

use super::closures::{Closure, by_call, closures};
use super::entered::{DueCheck, entered};
use super::holds::{HoldRow, holds};
use super::made::{Made, made};
use super::recent::events_for;
use super::shifts::ShiftSpan;
use super::statistics::{Basis, Group, StatisticsRow};
use super::stops::{ModeSpan, StopRow, modes, reasons, stops};
use super::{calls, rfc3339};
use crate::history::{HistoryError, HistoryStore, Span, StoredEvent};
use crate::line::follow::TankView;
use crate::report::batch::BatchReport;
use crate::report::latitude::{LatitudeRow, latitude};
use serde::Serialize;
use setward_alarm::metrics::Annunciation;
use setward_config::line::{Line, RecipeSetpoint, TankCode};
use setward_process::tanks::TankState;
use setward_protocol::{SignalId, UtcMillis};
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// Batches that are listed.
const BATCHES_MOST: usize = 200;

/// A handover.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ShiftReport {
    /// Version of this object.
    pub schema_version: u32,
    /// The line.
    pub line: String,
    /// The shift.
    pub shift: String,
    /// The local day on which it began.
    pub date: String,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End, RFC 3339: up to when it is told, while it goes on.
    pub to: String,
    /// The shift goes on.
    pub goes_on: bool,
    /// How much of it was watched, s.
    pub watched_s: f64,
    /// Alarms that stand at the end, the longest first.
    pub standing: Vec<CallRow>,
    /// Calls of the shift, in order of time.
    pub calls: Vec<CallRow>,
    /// Alarms on the shelf at the end.
    pub shelved: Vec<ShelfRow>,
    /// Alarms out of service at the end.
    pub out_of_service: Vec<ShelfRow>,
    /// Stops.
    pub stops: Vec<StopRow>,
    /// Setpoints that were away from the recipe.
    pub latitude: Vec<LatitudeRow>,
    /// Tanks at the end.
    pub tanks: Vec<TankRow>,
    /// Kettle batches that began in the shift.
    pub batches: Vec<BatchLine>,
    /// Product that is on hold.
    pub holds_open: Vec<HoldRow>,
    /// The line has checks that people enter.
    pub checks_are_kept: bool,
    /// Whether it is known what is due.
    pub is_due_known: bool,
    /// Checks that are due or late.
    pub checks_due: Vec<DueCheck>,
    /// How much was made; `None`: nothing weighs it.
    pub made: Option<Made>,
    /// How the signals did that the recipe holds.
    pub statistics: Vec<SignalRow>,
}

/// A call.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CallRow {
    /// The alarm.
    pub alarm: String,
    /// Its name.
    pub name: String,
    /// Its priority.
    pub priority: &'static str,
    /// When it raised, RFC 3339.
    pub raised: String,
    /// When it was acknowledged, RFC 3339.
    pub acknowledged: Option<String>,
    /// When it cleared, RFC 3339.
    pub cleared: Option<String>,
    /// What was found, if a person said.
    pub closure: Option<Closure>,
}

/// An alarm that a person keeps silent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ShelfRow {
    /// The alarm.
    pub alarm: String,
    /// Since when, RFC 3339.
    pub since: String,
    /// Until when, RFC 3339; `None`: until somebody returns it.
    pub until: Option<String>,
    /// By whom.
    pub by: String,
    /// Why.
    pub why: Option<String>,
}

/// A tank.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct TankRow {
    /// Its name.
    pub name: String,
    /// What it is doing.
    pub state: &'static str,
    /// Corn left, kg, as far as its age is known.
    pub corn_kg: Option<f64>,
    /// Age of its youngest corn, h.
    pub youngest_h: Option<f64>,
    /// Age of its oldest corn, h.
    pub oldest_h: Option<f64>,
    /// When it may be fed, RFC 3339.
    pub ready: Option<String>,
    /// When it is too old, RFC 3339.
    pub too_old: Option<String>,
}

/// A batch in one line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct BatchLine {
    /// Its key.
    pub id: String,
    /// Its kettle, and the controller's number of it if it has one.
    pub name: String,
    /// The recipe's name.
    pub recipe: String,
    /// Met, met so far while it soaks, not met, not known or not judged.
    pub verdict: String,
    /// The limits that were not met.
    pub missed: Vec<String>,
    /// The limits of which it is not known.
    pub not_known: Vec<String>,
}

impl BatchLine {
    /// The verdict with its limits, in words.
    #[must_use]
    pub fn words(&self) -> String {
        match self.verdict.as_str() {
            "not met" => format!("not met: {}", self.missed.join("; ")),
            "not known" => {
                // Without a figure its unit says nothing.
                let name = |limit: &String| {
                    limit.rsplit_once(", ").map_or(limit.clone(), |(name, _)| name.to_owned())
                };
                format!("not known: {}", self.not_known.iter().map(name).collect::<Vec<_>>().join("; "))
            }
            verdict => verdict.to_owned(),
        }
    }
}

/// A signal's statistics.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct SignalRow {
    /// The signal.
    pub signal: String,
    /// Its name.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Its figures.
    pub figures: StatisticsRow,
}

/// What only the moment knows: the state of things at the end of the shift, or now.
#[derive(Debug, Clone, Copy, Default)]
pub struct AtTheEnd<'a> {
    /// The tanks.
    pub tanks: &'a [TankView],
    /// What is due to be entered; `None`: only the running program knows.
    pub due: Option<&'a [DueCheck]>,
}

/// The handover of `shift`; `known_until`: the last that is known of a run that goes on.
///
/// # Errors
/// When history can't be read.
pub async fn shift_report(
    line: &Line,
    store: &dyn HistoryStore,
    shift: &ShiftSpan,
    state: AtTheEnd<'_>,
    known_until: UtcMillis,
) -> Result<ShiftReport, HistoryError> {
    let whole = shift.span;
    let goes_on = known_until < whole.to();
    let window = Span::new(whole.from(), whole.to().min(known_until)).unwrap_or(whole);
    let mut events = events_for(line, store, window.from()).await?;
    events.retain(|stored| stored.event.utc < window.to());
    let modes = modes(line, &events, window, known_until);
    let all = calls::calls(line, &events);
    let found = by_call(&events, &closures(store).await?);
    let row = |call: &Annunciation| call_row(line, call, window, &found);
    let records = store.alarm_records().await?;
    let entered = entered(line, store, (window.from(), window.to())).await?;
    let reasons = reasons(store).await?;
    let batches = store.batches(window.from(), window.to(), BATCHES_MOST).await?;
    Ok(ShiftReport {
        schema_version: 1,
        line: line.name.clone(),
        shift: shift.name.clone(),
        date: shift.date.clone(),
        from: rfc3339(window.from()),
        to: rfc3339(window.to()),
        goes_on,
        watched_s: watched_s(&events, window, known_until),
        standing: standing(&all, window).into_iter().map(row).collect(),
        calls: calls::with_ends(&all).iter().filter(|call| window.contains(call.at)).map(row).collect(),
        shelved: records.iter().filter_map(|record| shelf_row(record, window)).collect(),
        out_of_service: records.iter().filter_map(|record| service_row(record, window)).collect(),
        stops: stops(line, &modes, window, &reasons),
        latitude: latitude(line, store, (window, &modes)).await?,
        tanks: state.tanks.iter().filter_map(|view| tank_row(line, view)).collect(),
        batches: batches.iter().rev().filter_map(|row| batch_line(&row.record)).collect(),
        holds_open: holds(store).await?.into_iter().filter(HoldRow::is_open).collect(),
        checks_are_kept: entered.is_kept,
        is_due_known: state.due.is_some(),
        checks_due: state.due.unwrap_or_default().to_vec(),
        made: made(line, store, (window.from(), window.to())).await?,
        statistics: statistics(line, store, (window, &modes), &events).await?,
    })
}

fn watched_s(events: &[StoredEvent], window: Span, known_until: UtcMillis) -> f64 {
    let dark = calls::outages(events, window, known_until);
    let dark_ms: i64 = dark.iter().map(|outage| outage.to.0 - outage.from.0).sum();
    (window.length_ms() - dark_ms) as f64 / 1000.0
}

/// What was not back at the end, the longest first.
fn standing(all: &[Annunciation], window: Span) -> Vec<&Annunciation> {
    // By alarm: the first call since it was last over, and when the last of them cleared.
    let mut last: BTreeMap<setward_alarm::AlarmId, (&Annunciation, Option<UtcMillis>)> = BTreeMap::new();
    for call in all {
        match last.get_mut(&call.alarm) {
            // Told anew: the first says since when, the newest whether it is over.
            Some((_, cleared)) if cleared.is_none() => *cleared = call.cleared,
            Some(_) | None => {
                last.insert(call.alarm, (call, call.cleared));
            }
        }
    }
    let stands = |cleared: Option<UtcMillis>| cleared.is_none_or(|cleared| cleared >= window.to());
    let standing = last.into_values().filter(|(_, cleared)| stands(*cleared));
    let mut standing: Vec<&Annunciation> = standing.map(|(call, _)| call).collect();
    standing.sort_by_key(|call| call.at);
    standing
}

/// What comes after the end of the shift is not told.
fn call_row(
    line: &Line,
    call: &Annunciation,
    window: Span,
    found: &BTreeMap<(String, String), Closure>,
) -> CallRow {
    let alarm = line.alarm(call.alarm);
    let raised = rfc3339(call.at);
    let within = |at: Option<UtcMillis>| at.filter(|at| *at < window.to()).map(rfc3339);
    CallRow {
        alarm: alarm.id.clone(),
        name: alarm.name.clone(),
        priority: alarm.priority.name(),
        closure: found.get(&(alarm.id.clone(), raised.clone())).cloned(),
        raised,
        acknowledged: within(call.acknowledged),
        cleared: within(call.cleared),
    }
}

/// History keeps an alarm's last shelf only: one that was there at the end of an older shift and has gone since is not told.
fn shelf_row(record: &crate::history::AlarmRecord, window: Span) -> Option<ShelfRow> {
    let shelf =
        record.shelf.as_ref().filter(|shelf| shelf.since < window.to() && shelf.until > window.to())?;
    Some(ShelfRow {
        alarm: record.id.clone(),
        since: rfc3339(shelf.since),
        until: Some(rfc3339(shelf.until)),
        by: shelf.by.clone(),
        why: shelf.why.clone(),
    })
}

fn service_row(record: &crate::history::AlarmRecord, window: Span) -> Option<ShelfRow> {
    let out = record.out_of_service.as_ref().filter(|out| out.since < window.to())?;
    let (by, why) = (out.by.clone(), out.why.clone());
    Some(ShelfRow { alarm: record.id.clone(), since: rfc3339(out.since), until: None, by, why })
}

/// A tank as a row; `None` for one that the line file does not know.
fn tank_row(line: &Line, view: &TankView) -> Option<TankRow> {
    let hours = |seconds: Option<f64>| seconds.map(|seconds| seconds / 3600.0);
    let row = &view.row;
    Some(TankRow {
        name: line.tanks.get(view.tank)?.name.clone(),
        state: match row.state {
            TankState::Empty => match view.holds {
                Some(TankCode::Empty) => "empty",
                Some(TankCode::Filling) => "filling",
                Some(TankCode::Full) => "full, age not known",
                Some(TankCode::OutOfUse) => "out of use",
                None => "not known",
            },
            TankState::Filling => "filling",
            TankState::Soaking => "soaking",
            TankState::Ready => "may be fed",
            TankState::Feeding => "feeds the line",
            TankState::OverAge => "too old",
        },
        corn_kg: row.oldest_s.map(|_| row.corn_kg),
        youngest_h: hours(row.youngest_s),
        oldest_h: hours(row.oldest_s),
        ready: view.ready_at.map(rfc3339),
        too_old: view.over_age_at.map(rfc3339),
    })
}

pub(super) fn batch_line(record: &str) -> Option<BatchLine> {
    let report: BatchReport = serde_json::from_str(record).ok()?;
    let number = report.number.map(|number| format!(" {number}")).unwrap_or_default();
    Some(BatchLine {
        name: format!("{}{number}", report.kettle),
        verdict: report.verdict().to_owned(),
        missed: report.missed().map(|row| row.limit.clone()).collect(),
        not_known: report.not_known().map(|row| row.limit.clone()).collect(),
        id: report.id,
        recipe: report.recipe_name,
    })
}

/// The signals that any recipe holds, but for kettles, which their batches judge: each once, in the order of the line file; setpoints that a person entered are not among
/// them.
fn held(line: &Line) -> Vec<SignalId> {
    let holds =
        |asked: &RecipeSetpoint| line.signal(asked.signal).role == setward_config::line::Role::Measured;
    let all = line.recipes.iter().flat_map(|recipe| &recipe.setpoints).filter(|asked| holds(asked));
    let all: std::collections::BTreeSet<SignalId> = all.map(|asked| asked.signal).collect();
    let is_of_kettle = |signal: &SignalId| line.kettles.iter().any(|kettle| kettle.temperature == *signal);
    all.into_iter().filter(|signal| !is_of_kettle(signal)).collect()
}

async fn statistics(
    line: &Line,
    store: &dyn HistoryStore,
    (window, modes): (Span, &[Vec<ModeSpan>]),
    events: &[StoredEvent],
) -> Result<Vec<SignalRow>, HistoryError> {
    let mut rows = Vec::new();
    for signal in held(line) {
        let basis = Basis::read(line, store, signal, (window, modes)).await?.told_by(events);
        let own = line.signal(signal);
        rows.push(SignalRow {
            signal: own.tag.clone(),
            name: own.name.clone(),
            unit: own.unit.symbol().to_owned(),
            figures: basis.row(&Group { name: "shift".to_owned(), spans: vec![window] }),
        });
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An alarm that was uncovered is told anew without having cleared: it stands since the first call, until the last is over.
    #[test]
    fn an_alarm_told_anew_stands_since_its_first_call_and_no_longer_than_its_last() {
        let line = setward_config::load_demo().unwrap().line;
        let alarm = line.alarm_by_id("oil-filter-blocking").unwrap();
        let call = |at: i64, cleared: Option<i64>| Annunciation {
            alarm,
            at: UtcMillis(at),
            cleared: cleared.map(UtcMillis),
            acknowledged: None,
        };
        let window = Span::new(UtcMillis(0), UtcMillis(100_000)).unwrap();
        let stands = |second| {
            let calls = [call(1_000, None), second];
            standing(&calls, window).iter().map(|call| call.at.0).collect::<Vec<_>>()
        };
        assert_eq!(stands(call(5_000, Some(9_000))), Vec::<i64>::new());
        assert_eq!(stands(call(5_000, None)), [1_000], "told anew: the first says since when");
    }
}
