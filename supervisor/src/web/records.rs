//! What people decide about product, stops and reviews, from a form or over the API: checked, kept, answered in plain words. It
//! goes to the store, which answers when it is on disk; the line task has no part in it.

use super::acknowledge::{checked_name, name_cookie};
use super::problem::Problem;
use super::{Web, pages};
use crate::history::Span;
use crate::report::closures::{CAUSES, NotClosed, close};
use crate::report::holds::{Held, NoHold, decide, put_on_hold};
use crate::report::lots::Touched;
use crate::report::review::{NotSigned, Reviewed, sign_off};
use crate::report::stops::{NoReason, give_reason};
use axum::Json;
use axum::extract::rejection::{FormRejection, JsonRejection};
use axum::extract::{Form, Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use setward_protocol::UtcMillis;
use utoipa::ToSchema;

/// Longest reason or note, characters.
const LONGEST_REASON: usize = 200;

/// What became of a wish: the word in an address, and the sentence.
pub(super) const SAID: [(&str, &str); 16] = [
    ("closed", "Kept. The next time this alarm calls, its page says what was found."),
    ("closed-before", "This had been said before; nothing changed."),
    ("held", "On hold. It stays so until somebody decides about it."),
    ("held-before", "This was on hold before; nothing changed."),
    ("decided", "Kept. The hold and the decision stay on record."),
    ("decided-before", "This had been decided so before; nothing changed."),
    ("reason", "Kept. The handover shows it."),
    ("reason-before", "This reason had been given before; nothing changed."),
    ("signed", "Signed. The signature is a record of its own."),
    ("signed-before", "You had signed this before; nothing changed."),
    (
        "look-again",
        "Nothing was kept: somebody has decided, or something has changed, since your page was made. Look again first.",
    ),
    ("no-name", "Nothing was kept: give your name, 1 to 60 characters."),
    ("no-reason", "Nothing was kept: say why, in up to 200 characters."),
    ("not-over", "Not signed: this time is not over yet."),
    ("wrong", "Nothing was kept: this names no alarm, hold, stop or time that Setward knows."),
    (
        "not-kept",
        "Nothing was kept: history can\u{2019}t be written now. See what the head of the page says of it, then try again.",
    ),
];

/// The sentence of a word in an address.
pub(super) fn said(key: &str) -> Option<&'static str> {
    SAID.iter().find(|(known, _)| *known == key).map(|(_, text)| *text)
}

/// What came of it: a word for the form's answer, a problem for a program's.
type Answer = Result<(&'static str, Kept), Refused>;

/// Why nothing was kept: the word for a form's answer, and what a program is told.
struct Refused {
    key: &'static str,
    status: StatusCode,
    text: String,
}

/// What a program is told.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Kept {
    schema_version: u32,
    /// On disk.
    durable: bool,
    /// It was so before: asking twice changes nothing.
    already: bool,
    /// Number of the record, where it has one of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    n: Option<i64>,
}

const fn kept(already: bool, n: Option<i64>) -> Kept {
    Kept { schema_version: 1, durable: true, already, n }
}

fn refused(key: &'static str, status: StatusCode, text: impl Into<String>) -> Refused {
    Refused { key, status, text: text.into() }
}

fn unable(text: &str) -> Refused {
    refused("not-kept", StatusCode::SERVICE_UNAVAILABLE, format!("history could not keep it: {text}"))
}

/// A reason or note as typed; empty is none. `None`: too long, or with line breaks.
fn checked_text(text: &str) -> Option<Option<String>> {
    let text = text.trim();
    let fits = text.chars().count() <= LONGEST_REASON && !text.chars().any(char::is_control);
    fits.then(|| (!text.is_empty()).then(|| text.to_owned()))
}

fn name(by: &str) -> Result<String, Refused> {
    let text = "\"by\" must be a name of 1 to 60 characters without line breaks";
    checked_name(by).ok_or_else(|| refused("no-name", StatusCode::UNPROCESSABLE_ENTITY, text))
}

fn reason(why: &str) -> Result<Option<String>, Refused> {
    let text = "a reason or note has at most 200 characters without line breaks";
    checked_text(why).ok_or_else(|| refused("no-reason", StatusCode::UNPROCESSABLE_ENTITY, text))
}

/// A wish for a hold.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct HoldWish {
    #[serde(default)]
    alarm: String,
    #[serde(default)]
    run: i64,
    #[serde(default)]
    occurrence: u32,
    from_utc_ms: i64,
    to_utc_ms: i64,
    #[serde(default)]
    kg: String,
    #[serde(default)]
    by: String,
    why: String,
}

/// A wish for a decision.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct DecisionWish {
    /// Number of the last decision that the person saw; 0 for none.
    seen: i64,
    what: String,
    #[serde(default)]
    by: String,
    why: String,
}

/// A wish for a stop's reason.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ReasonWish {
    reason: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    by: String,
    /// Where the browser goes back to.
    #[serde(default)]
    back: String,
}

/// A wish to close an occurrence of an alarm.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct CloseWish {
    occurrence: u32,
    cause: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    by: String,
}

/// A wish to sign.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct SignWish {
    #[serde(default)]
    from_utc_ms: i64,
    #[serde(default)]
    to_utc_ms: i64,
    /// A lot instead of a time.
    #[serde(default)]
    lot: String,
    seen: usize,
    #[serde(default)]
    by: String,
}

async fn hold(web: &Web, wish: &HoldWish) -> Answer {
    let by = name(&wish.by)?;
    let why = reason(&wish.why)?.unwrap_or_default();
    let typed = wish.kg.trim().replace(',', ".");
    let kg = if typed.is_empty() { None } else { Some(typed.parse().unwrap_or(f64::NAN)) };
    let alarm = (!wish.alarm.is_empty()).then(|| wish.alarm.clone());
    let held = Held {
        alarm,
        run: wish.run,
        occurrence: wish.occurrence,
        from_utc_ms: wish.from_utc_ms,
        to_utc_ms: wish.to_utc_ms,
        kg,
        why,
        touched: Touched::default(),
    };
    let app = &web.app;
    let done = put_on_hold(&app.line, &*app.history, held, (&by, app.clock.utc())).await;
    match done {
        Ok((n, already)) => Ok((if already { "held-before" } else { "held" }, kept(already, Some(n)))),
        Err(why) => Err(no_hold(&why)),
    }
}

async fn decision(web: &Web, hold: i64, wish: &DecisionWish) -> Answer {
    let by = name(&wish.by)?;
    let why = reason(&wish.why)?.unwrap_or_default();
    let app = &web.app;
    let done = decide(&*app.history, (hold, wish.seen), (&wish.what, &why), (&by, app.clock.utc())).await;
    match done {
        Ok(already) => Ok((if already { "decided-before" } else { "decided" }, kept(already, None))),
        Err(why) => Err(no_hold(&why)),
    }
}

fn no_hold(why: &NoHold) -> Refused {
    let bad = StatusCode::UNPROCESSABLE_ENTITY;
    match why {
        NoHold::NoSuchAlarm => refused("wrong", StatusCode::NOT_FOUND, "the line has no such alarm"),
        NoHold::Window => refused(
            "wrong",
            bad,
            "\"to_utc_ms\" must lie after \"from_utc_ms\", by a month at most, and both be moments on the calendar",
        ),
        NoHold::Mass => refused("wrong", bad, "\"kg\" is a mass in kg, 0 or more, or empty"),
        NoHold::NoReason => refused("no-reason", bad, "\"why\" must say why"),
        NoHold::NoSuchHold => refused("wrong", StatusCode::NOT_FOUND, "there is no hold with this number"),
        NoHold::NotListed => {
            refused("wrong", bad, "\"what\" is one of released, reworked, animal-feed, destroyed")
        }
        NoHold::Stale(last) => refused(
            "look-again",
            StatusCode::CONFLICT,
            format!(
                "somebody has decided meanwhile: the last decision is {last}; look at it, then ask with \"seen\":{last}"
            ),
        ),
        NoHold::NotKept(text) => unable(text),
    }
}

async fn stop_reason(web: &Web, stop: &str, wish: &ReasonWish) -> Answer {
    let by = name(&wish.by)?;
    let note = reason(&wish.note)?;
    let app = &web.app;
    let given = (wish.reason.as_str(), note.as_deref());
    match give_reason(&app.line, &*app.history, stop, given, (&by, app.clock.utc())).await {
        Ok(true) => Ok(("reason", kept(false, None))),
        Ok(false) => Ok(("reason-before", kept(true, None))),
        Err(NoReason::NotListed) => {
            Err(refused("wrong", StatusCode::UNPROCESSABLE_ENTITY, "\"reason\" is none of the listed ones"))
        }
        Err(NoReason::NoteNeeded) => {
            Err(refused("no-reason", StatusCode::UNPROCESSABLE_ENTITY, "\"other\" needs a \"note\""))
        }
        Err(NoReason::NoSuchStop) => Err(refused(
            "wrong",
            StatusCode::NOT_FOUND,
            "a stop is called by station and beginning, fryer@2026-11-25T02:10:00Z",
        )),
        Err(NoReason::NotKept(text)) => Err(unable(&text)),
    }
}

async fn closing(web: &Web, alarm: &str, wish: &CloseWish) -> Answer {
    let by = name(&wish.by)?;
    let note = reason(&wish.note)?;
    let app = &web.app;
    let known = app.line.alarm_by_id(alarm);
    let raised =
        known.and_then(|id| app.handle.snapshot().alarm(id).map(|view| view.occurrence)).unwrap_or(0);
    let said = (wish.cause.as_str(), note.as_deref());
    let which = (alarm, wish.occurrence, raised);
    match close(&app.line, &*app.history, which, said, (&by, app.clock.utc())).await {
        Ok(true) => Ok(("closed", kept(false, None))),
        Ok(false) => Ok(("closed-before", kept(true, None))),
        Err(NotClosed::NoSuchAlarm) => {
            Err(refused("wrong", StatusCode::NOT_FOUND, "the line has no such alarm"))
        }
        Err(NotClosed::NoSuchOccurrence(raised)) => {
            let text =
                format!("this alarm has raised {raised} times: \"occurrence\" is one of these, from 1");
            Err(refused("wrong", StatusCode::UNPROCESSABLE_ENTITY, text))
        }
        Err(NotClosed::NotListed) => {
            let listed: Vec<_> = CAUSES.iter().map(|(key, _)| *key).collect();
            let text = format!("\"cause\" is one of {}", listed.join(", "));
            Err(refused("wrong", StatusCode::UNPROCESSABLE_ENTITY, text))
        }
        Err(NotClosed::NotKept(text)) => Err(unable(&text)),
    }
}

fn signed_time(wish: &SignWish) -> Result<Span, Refused> {
    let bad = StatusCode::UNPROCESSABLE_ENTITY;
    let span = Span::new(UtcMillis(wish.from_utc_ms), UtcMillis(wish.to_utc_ms))
        .map_err(|error| refused("wrong", bad, error.text))?;
    if span.length_ms() > crate::report::review::LONGEST_MS {
        return Err(refused("wrong", bad, "a review reaches over 93 days at most"));
    }
    Ok(span)
}

async fn signature(web: &Web, wish: &SignWish) -> Answer {
    let by = name(&wish.by)?;
    let bad = StatusCode::UNPROCESSABLE_ENTITY;
    let what =
        if wish.lot.is_empty() { Reviewed::Time(signed_time(wish)?) } else { Reviewed::Lot(&wish.lot) };
    let app = &web.app;
    match sign_off(&app.line, &*app.history, (what, wish.seen), (&by, app.clock.utc())).await {
        Ok(already) => Ok((if already { "signed-before" } else { "signed" }, kept(already, None))),
        Err(NotSigned::NotOver) => Err(refused("not-over", bad, "the time or the lot is not over yet")),
        Err(NotSigned::NoSuchLot) => {
            Err(refused("wrong", StatusCode::NOT_FOUND, "no lot of this name is known"))
        }
        Err(NotSigned::Changed(found)) => {
            let text =
                format!("there are {found} exceptions by now: look at them, then sign with \"seen\":{found}");
            Err(refused("look-again", StatusCode::CONFLICT, text))
        }
        Err(NotSigned::NotKept(text)) => Err(unable(&text)),
    }
}

fn to_program(answer: Answer) -> Response {
    match answer {
        Ok((_, kept)) => Json(kept).into_response(),
        Err(refused) => Problem::new(refused.status, refused.text).into_response(),
    }
}

/// Back to a page, with what came of it; the name is remembered on the device.
fn to_browser(answer: &Answer, page: &str, by: &str) -> Response {
    let key = match answer {
        Ok((key, _)) => key,
        Err(refused) => refused.key,
    };
    let with = if page.contains('?') { '&' } else { '?' };
    let page = format!("{page}{with}said={key}");
    match checked_name(by) {
        Some(by) => {
            let headers = [(header::LOCATION, page), (header::SET_COOKIE, name_cookie(&by))];
            (StatusCode::SEE_OTHER, headers).into_response()
        }
        None => (StatusCode::SEE_OTHER, [(header::LOCATION, page)]).into_response(),
    }
}

fn read<T>(body: Result<Json<T>, JsonRejection>, expected: &str) -> Result<T, Box<Response>> {
    body.map(|Json(wish)| wish).map_err(|rejection| {
        Problem::new(rejection.status(), super::api::unread(&rejection, expected)).into_response().into()
    })
}

fn read_form<T: DeserializeOwned>(
    web: &Web,
    form: Result<Form<T>, FormRejection>,
) -> Result<T, Box<Response>> {
    form.map(|Form(wish)| wish).map_err(|rejection| pages::messages::bad_form(web, rejection.status()).into())
}

pub(super) async fn hold_from_form(
    State(web): State<Web>,
    form: Result<Form<HoldWish>, FormRejection>,
) -> Response {
    match read_form(&web, form) {
        Ok(wish) => to_browser(&hold(&web, &wish).await, "/holds", &wish.by),
        Err(answer) => *answer,
    }
}

pub(super) async fn hold_from_api(
    State(web): State<Web>,
    body: Result<Json<HoldWish>, JsonRejection>,
) -> Response {
    let expected = "expected {\"alarm\":\"id\",\"run\":1,\"occurrence\":1,\"from_utc_ms\":0,\"to_utc_ms\":1,\"kg\":\"208\",\
                    \"by\":\"name\",\"why\":\"reason\"}; alarm and kg may be left out";
    match read(body, expected) {
        Ok(wish) => to_program(hold(&web, &wish).await),
        Err(answer) => *answer,
    }
}

pub(super) async fn decision_from_form(
    State(web): State<Web>,
    Path(n): Path<i64>,
    form: Result<Form<DecisionWish>, FormRejection>,
) -> Response {
    match read_form(&web, form) {
        Ok(wish) => to_browser(&decision(&web, n, &wish).await, "/holds", &wish.by),
        Err(answer) => *answer,
    }
}

pub(super) async fn decision_from_api(
    State(web): State<Web>,
    Path(n): Path<i64>,
    body: Result<Json<DecisionWish>, JsonRejection>,
) -> Response {
    let expected = "expected {\"seen\":0,\"what\":\"released\",\"by\":\"name\",\"why\":\"reason\"}";
    match read(body, expected) {
        Ok(wish) => to_program(decision(&web, n, &wish).await),
        Err(answer) => *answer,
    }
}

pub(super) async fn reason_from_form(
    State(web): State<Web>,
    Path(stop): Path<String>,
    form: Result<Form<ReasonWish>, FormRejection>,
) -> Response {
    match read_form(&web, form) {
        Ok(wish) => {
            // Only ever back to the handover, whatever the form says.
            let back = if wish.back.starts_with("/handover") { wish.back.as_str() } else { "/handover" };
            to_browser(&stop_reason(&web, &stop, &wish).await, back, &wish.by)
        }
        Err(answer) => *answer,
    }
}

pub(super) async fn reason_from_api(
    State(web): State<Web>,
    Path(stop): Path<String>,
    body: Result<Json<ReasonWish>, JsonRejection>,
) -> Response {
    let expected = "expected {\"reason\":\"fryer\",\"note\":\"words\",\"by\":\"name\"}; note may be left out";
    match read(body, expected) {
        Ok(wish) => to_program(stop_reason(&web, &stop, &wish).await),
        Err(answer) => *answer,
    }
}

pub(super) async fn close_from_form(
    State(web): State<Web>,
    Path(id): Path<String>,
    form: Result<Form<CloseWish>, FormRejection>,
) -> Response {
    if super::names::alarm(&web.app.line, &id).is_err() {
        return pages::messages::no_such_alarm(&web, &id);
    }
    match read_form(&web, form) {
        Ok(wish) => to_browser(&closing(&web, &id, &wish).await, &format!("/alarms/{id}?of=close"), &wish.by),
        Err(answer) => *answer,
    }
}

pub(super) async fn close_from_api(
    State(web): State<Web>,
    Path(id): Path<String>,
    body: Result<Json<CloseWish>, JsonRejection>,
) -> Response {
    let expected = "expected {\"occurrence\":1,\"cause\":\"oil\",\"note\":\"words\",\"by\":\"name\"}; note may be left out";
    match read(body, expected) {
        Ok(wish) => to_program(closing(&web, &id, &wish).await),
        Err(answer) => *answer,
    }
}

pub(super) async fn sign_from_form(
    State(web): State<Web>,
    form: Result<Form<SignWish>, FormRejection>,
) -> Response {
    match read_form(&web, form) {
        Ok(wish) => {
            let at = |ms: i64| super::times::rfc3339(UtcMillis(ms));
            let page = if wish.lot.is_empty() {
                format!("/records?from={}&to={}", at(wish.from_utc_ms), at(wish.to_utc_ms))
            } else {
                super::pages::records::lot_address(&wish.lot)
            };
            to_browser(&signature(&web, &wish).await, &page, &wish.by)
        }
        Err(answer) => *answer,
    }
}

pub(super) async fn sign_from_api(
    State(web): State<Web>,
    body: Result<Json<SignWish>, JsonRejection>,
) -> Response {
    let expected = "expected {\"from_utc_ms\":0,\"to_utc_ms\":1,\"seen\":0,\"by\":\"name\"}, or \"lot\":\"name\" instead of both times, with the exceptions that the report shows";
    match read(body, expected) {
        Ok(wish) => to_program(signature(&web, &wish).await),
        Err(answer) => *answer,
    }
}
