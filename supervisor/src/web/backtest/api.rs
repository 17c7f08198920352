//! Back-tests for programs: an alarm's numbers, beginning one, how far it is, what it found, stopping it.

use super::outcome::{Change, OfAlarm};
use super::{BackTest, NotBegun, Wish, begin, file, settings};
use crate::history::Span;
use crate::replay::compare::{Occurrence, OfTurn};
use crate::web::api::{missing, unread};
use crate::web::problem::Problem;
use crate::web::times::rfc3339;
use crate::web::{Web, names};
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use utoipa::ToSchema;

const EXPECTED: &str =
    "expected {\"alarm\":\"id\",\"numbers\":{\"allowance\":\"120 K.s\"},\"days\":7,\"by\":\"name\"}";

/// Body of a beginning.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = BackTestBody)]
pub(in crate::web) struct Body {
    alarm: String,
    numbers: BTreeMap<String, String>,
    days: Option<u32>,
    by: String,
}

/// The numbers of an alarm, as its file has them.
pub(in crate::web) async fn numbers(State(web): State<Web>, Path(id): Path<String>) -> Response {
    let alarm = match names::alarm(&web.app.line, &id) {
        Ok(alarm) => web.app.line.alarm(alarm),
        Err(nearest) => return missing("alarm", nearest),
    };
    let Some(written) = settings::written(&web.app.line, alarm) else { return automatic() };
    let number = |(field, value): &(settings::Field, String)| json!({ "key": field.key, "value": value, "label": field.label, "accepts": field.accepts });
    let numbers: Vec<Value> = written.numbers.iter().map(number).collect();
    let kind = alarm.settings.kind.name();
    Json(json!({ "schema_version": 1, "alarm": alarm.id, "kind": kind, "table": written.id, "numbers": numbers }))
        .into_response()
}

fn automatic() -> Response {
    let text =
        "no table of alarms.toml makes this alarm: it comes with its signal, recipe, controller or server";
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response()
}

/// Every back-test that is kept.
pub(in crate::web) async fn list(State(web): State<Web>) -> Response {
    let all: Vec<Value> = web.back_tests.all().iter().map(|test| head(&web, test)).collect();
    Json(json!({ "schema_version": 1, "back_tests": all })).into_response()
}

/// Begins one.
pub(in crate::web) async fn post(
    State(web): State<Web>,
    body: Result<Json<Body>, JsonRejection>,
) -> Response {
    let Json(body) = match body {
        Ok(body) => body,
        Err(rejection) => {
            return Problem::new(rejection.status(), unread(&rejection, EXPECTED)).into_response();
        }
    };
    let id = match names::alarm(&web.app.line, &body.alarm) {
        Ok(id) => id,
        Err(nearest) => return missing("alarm", nearest),
    };
    let Some(written) = settings::written(&web.app.line, web.app.line.alarm(id)) else { return automatic() };
    let days = body.days.unwrap_or(super::DAYS_MOST).to_string();
    let wish = Wish { by: body.by, days, numbers: body.numbers };
    match begin(&web, id, &written, &wish) {
        Ok(n) => {
            let location = [(header::LOCATION, format!("/api/v1/back-tests/{n}"))];
            (StatusCode::ACCEPTED, location, Json(json!({ "schema_version": 1, "n": n }))).into_response()
        }
        Err(NotBegun::Refused(refused)) => {
            let one = |refused: &settings::Refused| match &refused.key {
                Some(key) => format!("{key}: {}", refused.text),
                None => refused.text.clone(),
            };
            let text = refused.iter().map(one).collect::<Vec<_>>().join(". ");
            Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response()
        }
        Err(NotBegun::Busy(n, by)) => {
            let text = format!("back-test {n} of {by} runs; wait for it, or stop it");
            Problem::new(StatusCode::CONFLICT, text).into_response()
        }
        Err(NotBegun::Unable(text)) => Problem::new(StatusCode::SERVICE_UNAVAILABLE, text).into_response(),
    }
}

fn none() -> Response {
    let text = "no back-test of this number; the last few are kept until the program begins anew";
    Problem::new(StatusCode::NOT_FOUND, text).into_response()
}

/// One, with what it found once it is done.
pub(in crate::web) async fn show(State(web): State<Web>, Path(n): Path<String>) -> Response {
    let Some(test) = n.parse().ok().and_then(|n| web.back_tests.one(n)) else { return none() };
    let mut body = head(&web, &test);
    if let (Some(Ok(found)), Value::Object(body)) = (test.stage.outcome(), &mut body) {
        let (own, others) = found.alarms.split_at(found.own.min(found.alarms.len()));
        let all = |alarms: &[OfAlarm]| alarms.iter().map(|one| alarm(one, found.span)).collect::<Vec<_>>();
        body.insert("alarms".to_owned(), Value::from(all(own)));
        body.insert("other_alarms".to_owned(), Value::from(all(others)));
        body.insert("readings".to_owned(), Value::from(found.readings));
        body.insert("took_s".to_owned(), Value::from(found.took_s));
        body.insert("proposal".to_owned(), Value::from(file::extract(&web, &test, &found)));
    }
    Json(body).into_response()
}

/// Stops one that runs; of one that is over it is nothing.
pub(in crate::web) async fn stop(State(web): State<Web>, Path(n): Path<String>) -> Response {
    let Some(test) = n.parse().ok().and_then(|n| web.back_tests.one(n)) else { return none() };
    test.stop();
    Json(head(&web, &test)).into_response()
}

fn head(web: &Web, test: &BackTest) -> Value {
    let outcome = test.stage.outcome();
    let (state, problem) = match &outcome {
        None => ("running", None),
        Some(Ok(_)) => ("done", None),
        Some(Err(why)) => ("failed", Some(why.clone())),
    };
    let span = outcome.and_then(Result::ok).map_or(test.span, |found| found.span);
    json!({
        "schema_version": 1,
        "n": test.n,
        "alarm": web.app.line.alarm(test.alarm).id,
        "by": test.by,
        "at": rfc3339(test.at),
        "from": rfc3339(span.from()),
        "to": rfc3339(span.to()),
        "changed": test.changed,
        "state": state,
        "problem": problem,
        "percent": test.percent(),
    })
}

fn alarm(one: &OfAlarm, span: Span) -> Value {
    let counts = one.counts(span);
    let stands_s = one.stands_s(span);
    let times = |occurrence: Option<Occurrence>| {
        occurrence.map(|one| {
            json!({ "onset": rfc3339(one.onset), "raised": rfc3339(one.raised), "cleared": one.cleared.map(rfc3339) })
        })
    };
    let rows = one.rows.iter().map(|row| {
        let change: Change = row.change(span);
        json!({
            "change": change.name(),
            "now": times(row.now),
            "with": times(row.then),
            "later_s": row.later_s(),
        })
    });
    json!({
        "alarm": one.alarm,
        "calls_now": counts.now,
        "calls_with": counts.then,
        "missed": counts.missed,
        "added": counts.added,
        "longer": counts.longer,
        "shorter": counts.shorter,
        "stands_now_s": stands_s.0,
        "stands_with_s": stands_s.1,
        "at_risk_now": one.at_risk.map(|(now, _)| now),
        "at_risk_with": one.at_risk.map(|(_, then)| then),
        "by_shift_and_recipe": one.turns.iter().map(turn).collect::<Vec<_>>(),
        "occurrences": rows.collect::<Vec<_>>(),
    })
}

fn turn(one: &OfTurn) -> Value {
    json!({
        "shift": one.turn.shift,
        "recipe": one.turn.recipe,
        "calls_now": one.then,
        "calls_with": one.now,
        "missed": one.missed,
        "added": one.added,
        "at_risk_now": one.at_risk_then,
        "at_risk_with": one.at_risk_now,
    })
}
