//! Back-tests for programs: an alarm's numbers, beginning one, how far it is, what it found, stopping it.

use super::outcome::{OfAlarm, Row};
use super::{BackTest, NotBegun, Wish, begin, file, settings};
use crate::history::Span;
use crate::replay::compare::{Occurrence, OfTurn};
use crate::replay::ground::AtRisk;
use crate::web::api::{missing, unread};
use crate::web::api_types::SCHEMA_VERSION;
use crate::web::api_types::back_test::{
    AlarmOutcomeBody, AtRiskBody, BackTestFullBody, BackTestHead, BackTestsBody, BegunBody, ChangedBody,
    ComparedBody, NumberBody, NumbersBody, OccurrenceTimesBody, TurnBody,
};
use crate::web::problem::Problem;
use crate::web::times::rfc3339;
use crate::web::{Web, names};
use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
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
    let number = |(field, value): &(settings::Field, String)| NumberBody {
        key: field.key,
        value: value.clone(),
        label: field.label,
        accepts: field.accepts,
    };
    Json(NumbersBody {
        schema_version: SCHEMA_VERSION,
        alarm: alarm.id.clone(),
        kind: alarm.settings.kind.name(),
        table: written.id.clone(),
        numbers: written.numbers.iter().map(number).collect(),
    })
    .into_response()
}

fn automatic() -> Response {
    let text =
        "no table of alarms.toml makes this alarm: it comes with its signal, recipe, controller or server";
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response()
}

/// Every back-test that is kept.
pub(in crate::web) async fn list(State(web): State<Web>) -> Response {
    let back_tests = web.back_tests.all().iter().map(|test| head(&web, test)).collect();
    Json(BackTestsBody { schema_version: SCHEMA_VERSION, back_tests }).into_response()
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
            (StatusCode::ACCEPTED, location, Json(BegunBody { schema_version: SCHEMA_VERSION, n }))
                .into_response()
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
    let found = test.stage.outcome().and_then(Result::ok);
    let found = found.as_deref();
    let all = |alarms: &[OfAlarm], span| alarms.iter().map(|one| alarm(one, span)).collect();
    Json(BackTestFullBody {
        head: head(&web, &test),
        alarms: found.map(|found| all(found.own_alarms(), found.span)),
        other_alarms: found.map(|found| all(found.other_alarms(), found.span)),
        readings: found.map(|found| found.readings),
        took_s: found.map(|found| found.took_s),
        proposal: found.map(|found| file::extract(&web, &test, found)),
    })
    .into_response()
}

/// Stops one that runs; of one that is over it is nothing.
pub(in crate::web) async fn stop(State(web): State<Web>, Path(n): Path<String>) -> Response {
    let Some(test) = n.parse().ok().and_then(|n| web.back_tests.one(n)) else { return none() };
    test.stop();
    Json(head(&web, &test)).into_response()
}

fn head(web: &Web, test: &BackTest) -> BackTestHead {
    let outcome = test.stage.outcome();
    let (state, problem) = match &outcome {
        None => ("running", None),
        Some(Ok(_)) => ("done", None),
        Some(Err(why)) => ("failed", Some(why.clone())),
    };
    let span = outcome.and_then(Result::ok).map_or(test.span, |found| found.span);
    let changed = test.changed.iter();
    BackTestHead {
        schema_version: SCHEMA_VERSION,
        n: test.n,
        alarm: web.app.line.alarm(test.alarm).id.clone(),
        by: test.by.clone(),
        at: rfc3339(test.at),
        from: rfc3339(span.from()),
        to: rfc3339(span.to()),
        changed: changed
            .map(|one| ChangedBody { key: one.key, old: one.old.clone(), new: one.new.clone() })
            .collect(),
        state,
        problem,
        percent: test.percent(),
    }
}

fn alarm(one: &OfAlarm, span: Span) -> AlarmOutcomeBody {
    let counts = one.counts(span);
    let (stands_now_s, stands_with_s) = one.stands_s(span);
    let compared = |row: &Row| ComparedBody {
        change: row.change(span).name(),
        now: row.now.map(times),
        with: row.then.map(times),
        later_s: row.later_s(),
    };
    AlarmOutcomeBody {
        alarm: one.alarm.clone(),
        calls_now: counts.now,
        calls_with: counts.then,
        missed: counts.missed,
        added: counts.added,
        undecided: counts.undecided,
        longer: counts.longer,
        shorter: counts.shorter,
        stands_now_s,
        stands_with_s,
        at_risk_now: one.at_risk.map(|(now, _)| at_risk(now)),
        at_risk_with: one.at_risk.map(|(_, then)| at_risk(then)),
        by_shift_and_recipe: one.turns.iter().map(turn).collect(),
        occurrences: one.rows.iter().map(compared).collect(),
    }
}

fn times(one: Occurrence) -> OccurrenceTimesBody {
    OccurrenceTimesBody {
        onset: rfc3339(one.onset),
        raised: rfc3339(one.raised),
        cleared: one.cleared.map(rfc3339),
    }
}

const fn at_risk(of: AtRisk) -> AtRiskBody {
    AtRiskBody { touched_kg: of.touched_kg, before_call_kg: of.before_call_kg, unknown_s: of.unknown_s }
}

// What a comparison calls "then" is what is in force now, here "now"; its "now" are the numbers that are tried, here "with".
fn turn(one: &OfTurn) -> TurnBody {
    TurnBody {
        shift: one.turn.shift.clone(),
        recipe: one.turn.recipe.clone(),
        calls_now: one.then,
        calls_with: one.now,
        missed: one.missed,
        added: one.added,
        undecided: one.undecided,
        at_risk_now: one.at_risk_then.map(at_risk),
        at_risk_with: one.at_risk_now.map(at_risk),
    }
}
