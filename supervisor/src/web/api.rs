//! The API under `/api/v1`: reads, and an acknowledgement. A person's other wishes are in `wishes.rs`.

use super::acknowledge::{AcknowledgeBody, ask, checked_name};
use super::api_types;
use super::backtest::api as back_tests;
use super::boards::api as boards;
use super::doors::Needs;
use super::pages::records as pages;
use super::problem::Problem;
use super::routes::Routes;
use super::wishes::{self, granted_body, refused};
use super::{Web, channels, entries, events, names, openapi, records, reload, reports};
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

const EXPECTED: &str =
    "expected {\"run\":1,\"occurrence\":1,\"by\":\"name\"} with the numbers that the alarm shows";

/// Every address below `/api/v1` with what it needs.
pub(super) fn routes(routes: Routes) -> Routes {
    use Needs::{Engineer, Operate, View};
    routes
        .get("/openapi.json", View, openapi::show)
        .get("/events", View, events::list)
        .get("/line", View, line)
        .get("/signals", View, signals)
        .get("/signals/{tag}", View, signal)
        .get("/alarms", View, alarms)
        .get("/alarms/{id}", View, alarm)
        .post("/alarms/{id}/acknowledge", Operate, acknowledge)
        .get("/reports/alarms", View, reports::alarms)
        .get("/entries", View, entries::list)
        .post("/entries", Operate, entries::from_api)
        .get("/alarms/{id}/times", View, super::pages::past::for_programs)
        .post("/alarms/{id}/close", Operate, records::close_from_api)
        .post("/alarms/{id}/{wish}", Operate, wishes::from_api)
        .get("/channels", View, channels::list)
        .post("/channels/test", Engineer, channels::test)
        .get("/batches", View, pages::batches::list_for_programs)
        .get("/batches/{id}", View, pages::batches::one_for_programs)
        .post("/reload", Engineer, reload::from_api)
        .post("/users/reload", Engineer, reload::users_from_api)
        .get("/holds", View, pages::holds::for_programs)
        .post("/holds", Operate, records::hold_from_api)
        .post("/holds/{n}/decision", Engineer, records::decision_from_api)
        .post("/stops/{id}/reason", Operate, records::reason_from_api)
        .post("/sign-offs", Engineer, records::sign_from_api)
        .get("/reports/shift", View, pages::handover::for_programs)
        .get("/reports/hold", View, pages::review::hold_for_programs)
        .get("/reports/records", View, pages::review::for_programs)
        .get("/reports/statistics", View, pages::figures::for_programs)
        .get("/trend", View, super::trends::api::show)
        .post("/alarms/{id}/out-of-service", Engineer, wishes::out_from_api)
        .post("/alarms/{id}/return-to-service", Engineer, wishes::back_from_api)
        .get("/tanks", View, tanks)
        .get("/start-up", View, boards::start_up)
        .get("/changeover", View, boards::changeover)
        .get("/alarms/{id}/numbers", View, back_tests::numbers)
        .get("/back-tests", View, back_tests::list)
        .post("/back-tests", Engineer, back_tests::post)
        .get("/back-tests/{n}", View, back_tests::show)
        .post("/back-tests/{n}/stop", Engineer, back_tests::stop)
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

async fn tanks(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    Json(api_types::one(&scene, api_types::tank::tanks(&scene))).into_response()
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
    let text = "no such address: /api/v1 serves openapi.json, which lists them all: line, events, signals, signals/{tag}, alarms, alarms/{id}, alarms/{id}/times, \
                alarms/{id}/numbers, back-tests, back-tests/{n}, channels, entries, batches, batches/{id}, holds, trend, start-up, changeover, \
                reports/alarms, shift, hold, records and statistics; and a POST to entries, back-tests, back-tests/{n}/stop, \
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
