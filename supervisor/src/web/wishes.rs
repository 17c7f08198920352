//! A person's other wishes: shelve, take off the shelf, out of service and back, reset. From a form or over the API:
//! checked, passed on, answered in plain words. The name may be left out; whoever gives one is not checked.

use super::acknowledge::{checked_name, name_cookie};
use super::api_types::{GrantedBody, SCHEMA_VERSION};
use super::pages::messages;
use super::pages::said::Said;
use super::problem::Problem;
use super::{Web, doors, names, words};
use crate::handle::{Granted, Refusal, Wish, WishRequest};
use crate::snapshot::RunId;
use axum::Json;
use axum::extract::rejection::{FormRejection, JsonRejection};
use axum::extract::{Form, Path, State};
use axum::http::{StatusCode, header};
use axum::response::{AppendHeaders, IntoResponse, Response};
use serde::Deserialize;
use setward_alarm::AlarmId;
use std::time::Duration;
use utoipa::ToSchema;

/// Longest reason, characters.
const LONGEST_REASON: usize = 200;
/// Stands for a person who gave no name.
const NOBODY_NAMED: &str = "somebody";
/// Longest shelf that is looked at: a year; what the alarm allows is shorter.
const LONGEST_SHELF_S: f64 = 366.0 * 86_400.0;

/// The wishes by their word in addresses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Shelve,
    Unshelve,
    OutOfService,
    ReturnToService,
    Reset,
}

impl Kind {
    const ALL: [Self; 5] =
        [Self::Shelve, Self::Unshelve, Self::OutOfService, Self::ReturnToService, Self::Reset];

    /// The word in addresses.
    pub(super) const fn key(self) -> &'static str {
        match self {
            Self::Shelve => "shelve",
            Self::Unshelve => "unshelve",
            Self::OutOfService => "out-of-service",
            Self::ReturnToService => "return-to-service",
            Self::Reset => "reset",
        }
    }

    /// The wish with this word, if it is one of those that a shift may have: the others have addresses of their own.
    fn from_key(key: &str) -> Option<Self> {
        let is_the_shifts = |kind: &Self| !matches!(kind, Self::OutOfService | Self::ReturnToService);
        Self::ALL.into_iter().filter(is_the_shifts).find(|kind| kind.key() == key)
    }

    /// The wish, if what belongs to it was given and nothing else.
    fn wish(self, span: Option<Duration>, once: bool) -> Option<Wish> {
        match (self, span) {
            (Self::Shelve, Some(span)) => Some(Wish::Shelve { span, once }),
            (Self::Unshelve, None) => Some(Wish::Unshelve),
            (Self::OutOfService, None) => Some(Wish::TakeOutOfService),
            (Self::ReturnToService, None) => Some(Wish::ReturnToService),
            (Self::Reset, None) => Some(Wish::Reset),
            (Self::Shelve, None) | (_, Some(_)) => None,
        }
    }

    const fn done(self) -> Said {
        match self {
            Self::Shelve => Said::Shelved,
            Self::Unshelve => Said::Unshelved,
            Self::OutOfService => Said::TakenOut,
            Self::ReturnToService => Said::BackInService,
            Self::Reset => Said::Reset,
        }
    }
}

/// The form of any of them.
#[derive(Deserialize)]
pub(super) struct WishForm {
    run: i64,
    occurrence: u32,
    #[serde(default)]
    by: String,
    #[serde(default)]
    why: String,
    minutes: Option<u32>,
    once: Option<String>,
}

/// Body of any of them.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct WishBody {
    run: i64,
    occurrence: u32,
    #[serde(default)]
    by: String,
    #[serde(default)]
    why: String,
    for_s: Option<f64>,
    #[serde(default)]
    once: bool,
}

/// Name and reason as typed; `None` if one of them is too long or holds line breaks.
fn checked_texts(by: &str, why: &str) -> Option<(String, Option<String>)> {
    let nobody = doors::signed_name().is_none() && by.trim().is_empty();
    let by = if nobody { NOBODY_NAMED.to_owned() } else { checked_name(by)? };
    let why = why.trim();
    let fits = why.chars().count() <= LONGEST_REASON && !why.chars().any(char::is_control);
    fits.then(|| (by, (!why.is_empty()).then(|| why.to_owned())))
}

/// Takes a form and sends the browser back to the alarm with the outcome in words.
pub(super) async fn from_form(
    State(web): State<Web>,
    Path((id, key)): Path<(String, String)>,
    form: Result<Form<WishForm>, FormRejection>,
) -> Response {
    match Kind::from_key(&key) {
        Some(kind) => take_form(&web, &id, kind, form).await,
        None => messages::bad_form(&web, StatusCode::NOT_FOUND),
    }
}

/// The form that takes an alarm out of service.
pub(super) async fn out_from_form(
    State(web): State<Web>,
    Path(id): Path<String>,
    form: Result<Form<WishForm>, FormRejection>,
) -> Response {
    take_form(&web, &id, Kind::OutOfService, form).await
}

/// The form that returns it.
pub(super) async fn back_from_form(
    State(web): State<Web>,
    Path(id): Path<String>,
    form: Result<Form<WishForm>, FormRejection>,
) -> Response {
    take_form(&web, &id, Kind::ReturnToService, form).await
}

async fn take_form(web: &Web, id: &str, kind: Kind, form: Result<Form<WishForm>, FormRejection>) -> Response {
    let Ok(alarm) = names::alarm(&web.app.line, id) else { return messages::no_such_alarm(web, id) };
    let form = match form {
        Ok(Form(form)) => form,
        Err(rejection) => return messages::bad_form(web, rejection.status()),
    };
    let span = form.minutes.map(|minutes| Duration::from_secs(60 * u64::from(minutes)));
    let wish = kind.wish(span.filter(|span| !span.is_zero()), form.once.is_some());
    let (Some(wish), Some((by, why))) = (wish, checked_texts(&form.by, &form.why)) else {
        return messages::bad_form(web, StatusCode::UNPROCESSABLE_ENTITY);
    };
    let cookie = (by != NOBODY_NAMED).then(|| (header::SET_COOKIE, name_cookie(&by)));
    let (run, occurrence) = (RunId(form.run), form.occurrence);
    let answer = web.app.handle.ask(WishRequest { alarm, run, occurrence, by, why, wish }).await;
    let page = format!("/alarms/{id}?said={}", outcome(kind, answer).key());
    (StatusCode::SEE_OTHER, [(header::LOCATION, page)], AppendHeaders(cookie)).into_response()
}

fn outcome(kind: Kind, answer: Result<Granted, Refusal>) -> Said {
    match answer {
        Ok(Granted { durable: false, .. }) => Said::NotKept,
        Ok(Granted { already: true, .. }) => Said::SoBefore,
        Ok(Granted { .. }) => kind.done(),
        Err(Refusal::Stale { .. }) => Said::StaleWish,
        Err(Refusal::NeverRaised | Refusal::NotResettable) => Said::NotResettable,
        Err(Refusal::TooLong { .. }) => Said::TooLong,
        Err(Refusal::Unavailable) => Said::NotTaken,
    }
}

/// Takes a body and answers with what is so now. 409 names the present occurrence when the caller saw another.
pub(super) async fn from_api(
    State(web): State<Web>,
    Path((id, key)): Path<(String, String)>,
    body: Result<Json<WishBody>, JsonRejection>,
) -> Response {
    match Kind::from_key(&key) {
        Some(kind) => take_body(&web, &id, kind, body).await,
        None => super::api::unknown().await,
    }
}

/// Takes an alarm out of service.
pub(super) async fn out_from_api(
    State(web): State<Web>,
    Path(id): Path<String>,
    body: Result<Json<WishBody>, JsonRejection>,
) -> Response {
    take_body(&web, &id, Kind::OutOfService, body).await
}

/// Returns it.
pub(super) async fn back_from_api(
    State(web): State<Web>,
    Path(id): Path<String>,
    body: Result<Json<WishBody>, JsonRejection>,
) -> Response {
    take_body(&web, &id, Kind::ReturnToService, body).await
}

async fn take_body(web: &Web, id: &str, kind: Kind, body: Result<Json<WishBody>, JsonRejection>) -> Response {
    let alarm = match names::alarm(&web.app.line, id) {
        Ok(alarm) => alarm,
        Err(nearest) => return super::api::missing("alarm", nearest),
    };
    match read_body(alarm, kind, body) {
        Err(problem) => problem.into_response(),
        Ok(wish) => match web.app.handle.ask(wish).await {
            Ok(granted) => Json(granted_body(granted)).into_response(),
            Err(refusal) => refused(web, refusal).into_response(),
        },
    }
}

fn read_body(
    alarm: AlarmId,
    kind: Kind,
    body: Result<Json<WishBody>, JsonRejection>,
) -> Result<WishRequest, Problem> {
    let bad = |text: &str| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text);
    let Json(body) =
        body.map_err(|rejection| Problem::new(rejection.status(), super::api::unread(&rejection, EXPECTED)))?;
    let Some((by, why)) = checked_texts(&body.by, &body.why) else {
        return Err(bad("\"by\" has at most 60 characters, \"why\" at most 200, neither with line breaks"));
    };
    let span = match body.for_s {
        None => None,
        Some(seconds) if (1.0..=LONGEST_SHELF_S).contains(&seconds) => Some(Duration::from_secs_f64(seconds)),
        Some(_) => return Err(bad("\"for_s\" is a time in seconds, 1 or more")),
    };
    let Some(wish) = kind.wish(span, body.once) else {
        return Err(bad("\"for_s\" belongs to shelve, which needs it, and to nothing else"));
    };
    let (run, occurrence) = (RunId(body.run), body.occurrence);
    Ok(WishRequest { alarm, run, occurrence, by, why, wish })
}

const EXPECTED: &str = "expected {\"run\":1,\"occurrence\":1} with the numbers that the alarm shows, \
    and as it suits \"by\", \"why\", and for shelve \"for_s\" and \"once\"";

/// What is so now, as a body.
pub(super) fn granted_body(granted: Granted) -> GrantedBody {
    GrantedBody {
        schema_version: SCHEMA_VERSION,
        state: words::state_key(granted.state),
        state_letter: granted.state.letter(),
        shelved_until: granted.shelved_until.map(super::times::rfc3339),
        out_of_service: granted.out_of_service,
        durable: granted.durable,
        already: granted.already,
    }
}

/// Why a wish was refused, as a problem.
pub(super) fn refused(web: &Web, refusal: Refusal) -> Problem {
    match refusal {
        Refusal::Stale { run, occurrence } => {
            let text = "the alarm has another occurrence now: look at it again, then ask for that one";
            Problem::new(StatusCode::CONFLICT, text).with_present(run.0, occurrence)
        }
        Refusal::NeverRaised => {
            let text = "the alarm has never raised, so there is nothing to acknowledge or reset";
            Problem::new(StatusCode::CONFLICT, text).with_present(web.app.handle.snapshot().run.0, 0)
        }
        Refusal::NotResettable => {
            let text =
                "only a latched alarm can be reset, once its condition has gone and it is acknowledged";
            Problem::new(StatusCode::CONFLICT, text)
        }
        Refusal::TooLong { most } => {
            let text = format!("the alarm may be shelved for {} s at most", most.as_secs());
            Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text)
        }
        Refusal::Unavailable => {
            let text = "the daemon is stopping or too busy: nothing was changed, try again";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, text)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_may_be_left_out_and_a_reason_is_not_endless() {
        assert_eq!(checked_texts(" ", ""), Some(("somebody".to_owned(), None)));
        assert_eq!(
            checked_texts(" Inés ", " probe out "),
            Some(("Inés".to_owned(), Some("probe out".to_owned())))
        );
        assert_eq!(checked_texts("A", &"x".repeat(201)), None);
        assert_eq!(checked_texts(&"x".repeat(61), ""), None);
        assert_eq!(checked_texts("A", "two\nlines"), None);
    }

    #[test]
    fn a_time_belongs_to_a_shelf_and_to_nothing_else() {
        let hour = Duration::from_secs(3600);
        assert_eq!(Kind::Shelve.wish(Some(hour), true), Some(Wish::Shelve { span: hour, once: true }));
        assert_eq!(Kind::Shelve.wish(None, false), None);
        assert_eq!(Kind::Unshelve.wish(Some(hour), false), None);
        for kind in Kind::ALL {
            let is_an_engineers = matches!(kind, Kind::OutOfService | Kind::ReturnToService);
            assert_eq!(Kind::from_key(kind.key()), (!is_an_engineers).then_some(kind));
        }
    }
}
