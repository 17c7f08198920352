//! The API under `/api/v1`: reads, and an acknowledgement. A person's other wishes are in `wishes.rs`.

use super::acknowledge::{ask, checked_name};
use super::api_types;
use super::backtest::api as back_tests;
use super::boards::api as boards;
use super::pages::records as pages;
use super::problem::Problem;
use super::wishes::{self, granted_body, refused};
use super::{Web, channels, entries, names, records, reload, reports};
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::Deserialize;

/// Body of an acknowledgement.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AcknowledgeBody {
    run: i64,
    occurrence: u32,
    by: String,
}

const EXPECTED: &str =
    "expected {\"run\":1,\"occurrence\":1,\"by\":\"name\"} with the numbers that the alarm shows";

pub(super) fn routes() -> Router<Web> {
    Router::new()
        .route("/line", get(line))
        .route("/signals", get(signals))
        .route("/signals/{tag}", get(signal))
        .route("/alarms", get(alarms))
        .route("/alarms/{id}", get(alarm))
        .route("/alarms/{id}/acknowledge", post(acknowledge))
        .route("/reports/alarms", get(reports::alarms))
        .route("/entries", get(entries::list).post(entries::from_api))
        .route("/alarms/{id}/times", get(super::pages::past::for_programs))
        .route("/alarms/{id}/close", post(records::close_from_api))
        .route("/alarms/{id}/{wish}", post(wishes::from_api))
        .route("/channels", get(channels::list))
        .route("/channels/test", post(channels::test))
        .route("/batches", get(pages::batches::list_for_programs))
        .route("/batches/{id}", get(pages::batches::one_for_programs))
        .route("/reload", post(reload::from_api))
        .route("/holds", get(pages::holds::for_programs).post(records::hold_from_api))
        .route("/holds/{n}/decision", post(records::decision_from_api))
        .route("/stops/{id}/reason", post(records::reason_from_api))
        .route("/sign-offs", post(records::sign_from_api))
        .route("/reports/shift", get(pages::handover::for_programs))
        .route("/reports/hold", get(pages::review::hold_for_programs))
        .route("/reports/records", get(pages::review::for_programs))
        .route("/reports/statistics", get(pages::figures::for_programs))
        .route("/trend", get(super::trends::api::show))
        .route("/start-up", get(boards::start_up))
        .route("/changeover", get(boards::changeover))
        .route("/alarms/{id}/numbers", get(back_tests::numbers))
        .route("/back-tests", get(back_tests::list).post(back_tests::post))
        .route("/back-tests/{n}", get(back_tests::show))
        .route("/back-tests/{n}/stop", post(back_tests::stop))
        .fallback(unknown)
        .method_not_allowed_fallback(super::problem::method_not_allowed)
}

async fn line(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    Json(api_types::one(&scene, api_types::line(&scene))).into_response()
}

async fn signals(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let items = scene.signals().map(|facts| api_types::signal(&scene, &facts)).collect();
    Json(api_types::list(&scene, items)).into_response()
}

async fn signal(State(web): State<Web>, Path(tag): Path<String>) -> Response {
    let id = match names::signal(&web.app.line, &tag) {
        Ok(id) => id,
        Err(nearest) => return missing("signal", nearest),
    };
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    Json(api_types::one(&scene, api_types::signal(&scene, &scene.signal(id)))).into_response()
}

async fn alarms(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let items = scene.alarms().map(|facts| api_types::alarm(&scene, &facts)).collect();
    Json(api_types::list(&scene, items)).into_response()
}

async fn alarm(State(web): State<Web>, Path(id): Path<String>) -> Response {
    let id = match names::alarm(&web.app.line, &id) {
        Ok(id) => id,
        Err(nearest) => return missing("alarm", nearest),
    };
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    Json(api_types::one(&scene, api_types::alarm(&scene, &scene.alarm(id)))).into_response()
}

pub(super) fn missing(what: &str, nearest: Option<String>) -> Response {
    let hint = nearest.as_ref().map(|name| format!("; the nearest is \"{name}\"")).unwrap_or_default();
    let text = format!("no {what} of this name on this line{hint}");
    Problem::new(StatusCode::NOT_FOUND, text).with_nearest(nearest).into_response()
}

pub(super) async fn unknown() -> Response {
    let text = "no such address: /api/v1 serves line, signals, signals/{tag}, alarms, alarms/{id}, alarms/{id}/times, alarms/{id}/numbers, back-tests, back-tests/{n}, channels, entries, \
                batches, batches/{id}, holds, trend, start-up, changeover, reports/alarms, shift, hold, records and statistics; and a POST to entries, back-tests, back-tests/{n}/stop, \
                alarms/{id}/acknowledge, close, shelve, \
                unshelve, out-of-service, return-to-service or reset, to holds, holds/{n}/decision, stops/{id}/reason and \
                sign-offs";
    Problem::new(StatusCode::NOT_FOUND, text).into_response()
}

/// Acknowledges one occurrence. 409 names the present one when the caller saw another.
async fn acknowledge(
    State(web): State<Web>,
    Path(id): Path<String>,
    body: Result<Json<AcknowledgeBody>, JsonRejection>,
) -> Response {
    let alarm = match names::alarm(&web.app.line, &id) {
        Ok(alarm) => alarm,
        Err(nearest) => return missing("alarm", nearest),
    };
    let Json(body) = match body {
        Ok(body) => body,
        Err(rejection) => {
            return Problem::new(rejection.status(), unread(&rejection, EXPECTED)).into_response();
        }
    };
    let Some(by) = checked_name(&body.by) else {
        let text = "\"by\" must be a name of 1 to 60 characters without line breaks";
        return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response();
    };
    match ask(&web, alarm, (body.run, body.occurrence), by).await {
        Ok(done) => Json(granted_body(done)).into_response(),
        Err(refusal) => refused(&web, refusal).into_response(),
    }
}

/// Why a body could not be read, in our own words.
pub(super) fn unread(rejection: &JsonRejection, expected: &str) -> String {
    let found = match rejection {
        JsonRejection::JsonSyntaxError(_) => "the body is not JSON",
        JsonRejection::MissingJsonContentType(_) => "the content type is not application/json",
        JsonRejection::BytesRejection(_) => "the body is longer than 16 KiB, or broke off",
        // The library may add reasons; JSON of another shape is by far the commonest.
        JsonRejection::JsonDataError(_) | _ => "the body has a missing, an unknown or a mistyped key",
    };
    format!("{found}; {expected}")
}
