//! Keeps the record of each kettle batch as it goes: when it has left the kettle, and again as its corn soaks and is fed.
//!
//! It works from what history holds, beside the line task and never in its way. What a run misses, the next one makes good: it
//! follows the last two days again.

use super::batch::{BatchReport, FedRow, batch_report};
use super::entered;
use crate::history::{BatchRow, HistoryError, HistoryStore};
use crate::line::batches::BatchView;
use jiff::Timestamp;
use setward_config::line::Line;
use setward_process::batches::{Oddity, Phase};
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;

/// After this, history holds the readings that a batch's end was seen by.
const SETTLE: Duration = Duration::from_secs(5);
/// Batches of one kettle that are looked at for one that overlaps.
const LOOKED_AT: usize = 200;
/// No batch lasts longer.
const LONGEST_MS: i64 = 12 * 3_600_000;

/// Keeps records until the line task ends.
pub async fn keep_batches(
    line: Arc<Line>,
    store: Arc<dyn HistoryStore>,
    mut told: watch::Receiver<Arc<Vec<BatchView>>>,
) {
    let mut kept: BTreeMap<String, BatchView> = BTreeMap::new();
    let mut is_over = false;
    while !is_over {
        is_over = told.changed().await.is_err();
        if !is_over {
            tokio::time::sleep(SETTLE).await;
        }
        let views = Arc::clone(&told.borrow_and_update());
        kept.retain(|id, _| views.iter().any(|view| view.id == *id));
        for view in views.iter() {
            if kept.get(&view.id) == Some(view) {
                continue;
            }
            match keep(&line, &*store, view).await {
                Ok(()) => {
                    kept.insert(view.id.clone(), view.clone());
                }
                Err(error) => {
                    tracing::warn!(code = "batch-not-kept", "a batch's record waits: {error}");
                    break;
                }
            }
        }
    }
}

/// Keeps one record, unless history has it whole.
async fn keep(line: &Line, store: &dyn HistoryStore, view: &BatchView) -> Result<(), HistoryError> {
    let Some((start, end)) = view.span() else { return Ok(()) };
    let known = store.batch(view.id.clone()).await?;
    let known: Option<BatchReport> = known.and_then(|row| serde_json::from_str(&row.record).ok());
    if known.as_ref().is_some_and(|known| known.is_complete) {
        return Ok(());
    }
    if known.is_none() && is_rest_of_another(store, view, start).await? {
        return Ok(());
    }
    // What it was cooked for stays too, whatever this run knows of the number that told it.
    let on_record = known.as_ref().map(|known| known.recipe.as_str());
    let recipe = line.recipes.iter().position(|recipe| Some(recipe.key.as_str()) == on_record);
    let view = &BatchView { recipe: recipe.unwrap_or(view.recipe), ..view.clone() };
    let filled = view.phase(Phase::Fill).unwrap_or((start, end));
    let lime_kg = match line.kettles.get(view.kettle) {
        Some(kettle) => entered::lime_kg(line, store, kettle, (filled.0, end)).await?,
        None => None,
    };
    let Some(report) = batch_report(line, store, view, lime_kg).await? else { return Ok(()) };
    let report = match known {
        Some(known) => {
            let fed = report.fed.iter().map(|row| with_known(&known.fed, row)).collect();
            let report = BatchReport { fed, ..report };
            if known.configuration == report.configuration {
                report
            } else {
                // What it was cooked by stays, whatever the files say since.
                BatchReport { soak: report.soak, fed: report.fed, is_complete: report.is_complete, ..known }
            }
        }
        None => report,
    };
    let record = serde_json::to_string(&report).map_err(|error| HistoryError { text: error.to_string() })?;
    store.keep_batch(BatchRow { id: view.id.clone(), start, end: Some(end), record }).await
}

/// A feeding of which belts no longer tell when it was packed, because nobody saw them for a while, was packed when the record
/// says. A forecast that is on record is left out while the belts may yet tell better.
fn with_known(known: &[FedRow], row: &FedRow) -> FedRow {
    let at = |text: &str| text.parse::<Timestamp>().ok();
    let is_same =
        |old: &&FedRow| old.tank == row.tank && at(&old.from) <= at(&row.to) && at(&row.from) <= at(&old.to);
    let is_better = |old: &&FedRow| old.packed_from.is_some() && !(old.is_forecast && row.is_forecast);
    let better = known.iter().filter(is_same).find(is_better);
    match better.filter(|_| row.packed_from.is_none()) {
        Some(old) => FedRow {
            tank: row.tank,
            from: row.from.clone(),
            to: row.to.clone(),
            goes_on: row.goes_on,
            ..old.clone()
        },
        None => row.clone(),
    }
}

/// A batch whose beginning was not seen, after a restart, is what is left of one that has a record already.
async fn is_rest_of_another(
    store: &dyn HistoryStore,
    view: &BatchView,
    start: UtcMillis,
) -> Result<bool, HistoryError> {
    if !view.oddities.contains(&Oddity::BeginningNotSeen) {
        return Ok(false);
    }
    let kettle = format!("kettle-{}-", view.kettle + 1);
    let before = store.batches(UtcMillis(start.0 - LONGEST_MS), UtcMillis(start.0 + 1), LOOKED_AT).await?;
    Ok(before.iter().any(|row| row.id.starts_with(&kettle) && row.end.is_some_and(|end| end > start)))
}

#[cfg(test)]
#[path = "keeper_tests.rs"]
mod tests;
