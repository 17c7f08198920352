//! Keeps the record of each kettle batch as it goes: when it has left the kettle, and again as its corn soaks and is fed.
//!
//! It works from what history holds, beside the line task and never in its way. What a run misses, the next one makes good: it
//! follows the last two days again.

use super::batch::{BatchReport, batch_report};
use super::entered;
use crate::history::{BatchRow, HistoryError, HistoryStore};
use crate::line::batches::BatchView;
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
    let filled = view.phase(Phase::Fill).unwrap_or((start, end));
    let lime_kg = match line.kettles.get(view.kettle) {
        Some(kettle) => entered::lime_kg(line, store, kettle, (filled.0, end)).await?,
        None => None,
    };
    let Some(report) = batch_report(line, store, view, lime_kg).await? else { return Ok(()) };
    let report = match known {
        // What it was cooked by stays, whatever the files say since.
        Some(known) if known.configuration != report.configuration => {
            BatchReport { soak: report.soak, fed: report.fed, is_complete: report.is_complete, ..known }
        }
        Some(_) | None => report,
    };
    let record = serde_json::to_string(&report).map_err(|error| HistoryError { text: error.to_string() })?;
    store.keep_batch(BatchRow { id: view.id.clone(), start, end: Some(end), record }).await
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
