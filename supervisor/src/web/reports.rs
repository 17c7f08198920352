//! Reports over the API: `from` and `to` as RFC 3339, a week up to now without them.

use super::Web;
use super::problem::Problem;
use crate::history::Span;
use crate::report::alarm_report;
use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Deserialize;
use setward_protocol::UtcMillis;

const WEEK_MS: i64 = 7 * 24 * 3_600_000;

/// The window that is asked for.
#[derive(Deserialize)]
pub(super) struct Over {
    from: Option<String>,
    to: Option<String>,
}

/// The alarm report.
pub(super) async fn alarms(State(web): State<Web>, Query(over): Query<Over>) -> Response {
    let now = web.app.clock.utc();
    let span = match span((over.from.as_deref(), over.to.as_deref()), WEEK_MS, now) {
        Ok(span) => span,
        Err(text) => return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response(),
    };
    let _turn = web.heavy.acquire().await;
    match alarm_report(&web.app.line, &*web.app.history, span, now).await {
        Ok(report) => Json(report).into_response(),
        Err(error) => Problem::unread(error).into_response(),
    }
}

/// From `from` to `to`, RFC 3339; without them so long up to `now`.
pub(super) fn span(
    (from, to): (Option<&str>, Option<&str>),
    usual_ms: i64,
    now: UtcMillis,
) -> Result<Span, String> {
    let to = to.map_or(Ok(now), |text| moment("to", text))?;
    let usual = UtcMillis(to.0.saturating_sub(usual_ms));
    let from = from.map_or(Ok(usual), |text| moment("from", text))?;
    Span::new(from, to).map_err(|error| error.text)
}

fn moment(key: &str, text: &str) -> Result<UtcMillis, String> {
    let shown: String = text.chars().take(40).collect();
    let at: Result<Timestamp, _> = text.parse();
    at.map(|at| UtcMillis(at.as_millisecond()))
        .map_err(|_| format!("\"{key}\" is \"{shown}\", not a time; write it as 2026-11-25T02:10:00Z"))
}
