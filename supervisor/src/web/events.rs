//! `GET /api/v1/events`: what happened, newest first.

use super::Web;
use super::api_types::SCHEMA_VERSION;
use super::names;
use super::paging::{PageOf, Paging};
use super::problem::Problem;
use super::times::rfc3339;
use crate::history::{EventsAsked, HistoryStore, StoredEvent};
use crate::snapshot::RunId;
use axum::Json;
use axum::extract::{Query, State};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Of which alarm; of all of them and of the daemon itself without one.
#[derive(Deserialize)]
pub(super) struct Of {
    alarm: Option<String>,
}

/// An event, as a program reads it.
#[derive(Serialize, ToSchema)]
pub(super) struct EventBody {
    run: i64,
    sequence: u64,
    at: String,
    alarm: Option<String>,
    occurrence: u32,
    what: String,
    /// Letters of the states before and after.
    states: String,
    onset_at: Option<String>,
    value: Option<f64>,
    exposure_share: Option<f64>,
    by: Option<String>,
    note: Option<String>,
}

/// A page of them.
#[derive(Serialize, ToSchema)]
pub(super) struct EventsBody {
    schema_version: u32,
    events: Vec<EventBody>,
    /// Behind the last one here; null on the last page.
    next: Option<String>,
}

impl From<StoredEvent> for EventBody {
    fn from(StoredEvent { run, event }: StoredEvent) -> Self {
        Self {
            run: run.0,
            sequence: event.sequence,
            at: rfc3339(event.utc),
            alarm: event.alarm,
            occurrence: event.occurrence,
            what: event.what,
            states: event.states,
            onset_at: event.onset.map(rfc3339),
            value: event.value,
            exposure_share: event.exposure,
            by: event.by,
            note: event.note,
        }
    }
}

/// Lists them.
pub(super) async fn list(
    State(web): State<Web>,
    Query(of): Query<Of>,
    Query(paging): Query<Paging>,
) -> Response {
    if let Some(Err(nearest)) = of.alarm.as_deref().map(|id| names::alarm(&web.app.line, id)) {
        return super::api::missing("alarm", nearest);
    }
    match page(&*web.app.history, of.alarm, &paging).await {
        Ok(PageOf { items: events, next }) => {
            Json(EventsBody { schema_version: SCHEMA_VERSION, events, next }).into_response()
        }
        Err(problem) => problem.into_response(),
    }
}

/// "7.1234": its run and its number in it.
fn cursor(text: &str) -> Option<(RunId, u64)> {
    let (run, sequence) = text.split_once('.')?;
    Some((RunId(run.parse().ok()?), sequence.parse().ok()?))
}

async fn page(
    history: &dyn HistoryStore,
    alarm: Option<String>,
    paging: &Paging,
) -> Result<PageOf<EventBody>, Problem> {
    let limit = paging.limit()?;
    let mut asked = EventsAsked { alarm, before: paging.after(cursor)?, ..EventsAsked::default() };
    let mut found: Vec<StoredEvent> = Vec::new();
    // A row that is damaged is left out by the store: a short answer is no sign of the end, only an empty one is.
    while found.len() <= limit {
        asked.limit = limit + 1 - found.len();
        let more = history.events_of(asked.clone()).await.map_err(Problem::unread)?;
        let Some(last) = more.last() else { break };
        asked.before = Some((last.run, last.event.sequence));
        found.extend(more);
    }
    let page = PageOf::cut(found, limit, |one| format!("{}.{}", one.run.0, one.event.sequence));
    Ok(page.read(|one| Some(EventBody::from(one))))
}
