//! What people enter, from a form or over the API: read, passed on, answered in plain words.

use super::acknowledge::{checked_name, name_cookie};
use super::api_types::SCHEMA_VERSION;
use super::api_types::entries::{EnteredBody, entry as entry_body};
use super::pages::keypad::{self, Told};
use super::pages::messages;
use super::problem::Problem;
use super::{Web, api, api_types, times};
use crate::entries::{EntryRefusal, EntryWish, Typed, said};
use axum::Json;
use axum::extract::rejection::{FormRejection, JsonRejection};
use axum::extract::{Form, Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::Value;
use setward_config::line::LineEntry;
use setward_protocol::UtcMillis;
use utoipa::ToSchema;

/// Body of an entry.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct EntryBody {
    entry: String,
    /// A number, text with a decimal point or comma, true or false, or three of a calibration.
    value: Value,
    #[serde(default)]
    by: String,
    taken: Option<String>,
    about: Option<String>,
    note: Option<String>,
    corrects: Option<u64>,
    seen: Option<u64>,
    #[serde(default)]
    confirmed: bool,
}

const EXPECTED: &str = "expected {\"entry\":\"AI-451\",\"value\":1.3,\"by\":\"name\"} and as it suits \"taken\" (RFC 3339), \
    \"about\", \"note\", \"corrects\" (a number of an entry), \"seen\" (the newest number you saw) and \"confirmed\"";

/// The form of the keypad.
#[derive(Deserialize, Default)]
pub(super) struct EntryForm {
    #[serde(default)]
    pub(super) value: String,
    /// What was meant, chosen instead of the value.
    meant: Option<String>,
    found: Option<String>,
    left: Option<String>,
    right: Option<String>,
    #[serde(default)]
    pub(super) by: String,
    #[serde(default)]
    pub(super) taken: String,
    #[serde(default)]
    pub(super) about: String,
    #[serde(default)]
    pub(super) note: String,
    pub(super) corrects: Option<u64>,
    seen: Option<u64>,
    confirmed: Option<String>,
}

impl EntryForm {
    /// An empty one that corrects an entry.
    pub(super) fn correcting(n: u64) -> Self {
        Self { corrects: Some(n), ..Self::default() }
    }

    /// What was typed, as one text.
    pub(super) fn text(&self) -> String {
        match (&self.found, &self.left, &self.right) {
            (Some(found), Some(left), Some(right)) => format!("{found};{left};{right}"),
            _ => self.value.clone(),
        }
    }

    /// The three of a calibration, to show them again.
    pub(super) fn three(&self) -> [&str; 3] {
        [&self.found, &self.left, &self.right].map(|part| part.as_deref().unwrap_or_default())
    }
}

/// The entry with this tag, and its place.
pub(super) fn named<'a>(web: &'a Web, tag: &str) -> Option<(usize, &'a LineEntry)> {
    let line = &web.app.line;
    line.entries.iter().enumerate().find(|(_, entry)| line.signal(entry.signal).tag == tag)
}

/// The state of every entry.
pub(super) async fn list(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let pairs = scene.line.entries.iter().zip(snapshot.entries.iter());
    let items: Vec<_> = pairs.map(|(entry, view)| entry_body(&scene, entry, view)).collect();
    Json(api_types::list(&scene, items)).into_response()
}

/// Takes an entry over the API. 409 asks back, with the question and what may have been meant.
pub(super) async fn from_api(
    State(web): State<Web>,
    body: Result<Json<EntryBody>, JsonRejection>,
) -> Response {
    let wish = match body {
        Err(rejection) => Err(Problem::new(rejection.status(), api::unread(&rejection, EXPECTED))),
        Ok(Json(body)) => read_body(&web, &body),
    };
    let wish = match wish {
        Ok(wish) => wish,
        Err(problem) => return problem.into_response(),
    };
    match web.app.handle.enter(wish).await {
        Ok(taken) => Json(EnteredBody {
            schema_version: SCHEMA_VERSION,
            entry: api_types::entries::row(&taken.entry, false),
            durable: taken.durable,
        })
        .into_response(),
        Err(refusal) => refused(refusal).into_response(),
    }
}

fn refused(refusal: EntryRefusal) -> Problem {
    match refusal {
        EntryRefusal::Asked { question, meant } => {
            Problem::new(StatusCode::CONFLICT, question).with_question(meant)
        }
        EntryRefusal::Refused(text) => Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text),
        EntryRefusal::Corrected(text) => Problem::new(StatusCode::CONFLICT, text),
        EntryRefusal::Unavailable => Problem::new(StatusCode::SERVICE_UNAVAILABLE, UNAVAILABLE),
    }
}

const UNAVAILABLE: &str = "the daemon is stopping or too busy: nothing was entered, try again";

fn read_body(web: &Web, body: &EntryBody) -> Result<EntryWish, Problem> {
    let bad = |text: String| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text);
    let Some((place, entry)) = named(web, &body.entry) else {
        let tags = web.app.line.entries.iter().map(|entry| web.app.line.signal(entry.signal).tag.as_str());
        let nearest = super::names::nearest(&body.entry.to_uppercase(), tags);
        let hint = nearest.as_ref().map(|name| format!("; the nearest is \"{name}\"")).unwrap_or_default();
        let text = format!("no entry of this name on this line{hint}");
        return Err(Problem::new(StatusCode::NOT_FOUND, text).with_nearest(nearest));
    };
    let typed = said::typed(entry, &text_of(&body.value)).map_err(bad)?;
    let by = checked_name(&body.by)
        .ok_or_else(|| bad("\"by\" must be a name of 1 to 60 characters without line breaks".to_owned()))?;
    let taken = body.taken.as_deref().map(|text| {
        let at = text.parse::<jiff::Timestamp>();
        at.map(|at| UtcMillis(at.as_millisecond())).map_err(|_| {
            bad("\"taken\" is no time; write it as RFC 3339, such as 2026-11-25T14:00:00Z".to_owned())
        })
    });
    let texts = |text: &Option<String>| said::beside(text.as_deref().unwrap_or_default()).map_err(bad);
    Ok(EntryWish {
        entry: place,
        typed,
        taken: taken.transpose()?,
        by,
        about: texts(&body.about)?,
        note: texts(&body.note)?,
        corrects: body.corrects,
        seen: body.seen,
        confirmed: body.confirmed,
    })
}

fn text_of(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Bool(true) => "passed".to_owned(),
        Value::Bool(false) => "failed".to_owned(),
        Value::Array(list) => list.iter().map(text_of).collect::<Vec<_>>().join(" "),
        Value::Null | Value::Number(_) | Value::Object(_) => value.to_string(),
    }
}

/// Takes the form of the keypad; sends the browser to the list, or shows the keypad again with the question.
pub(super) async fn from_form(
    State(web): State<Web>,
    Path(tag): Path<String>,
    headers: HeaderMap,
    form: Result<Form<EntryForm>, FormRejection>,
) -> Response {
    let Some((place, entry)) = named(&web, &tag) else { return messages::no_such_entry(&web, &tag) };
    let mut form = match form {
        Ok(Form(form)) => form,
        Err(rejection) => return messages::bad_form(&web, rejection.status()),
    };
    if let Some(meant) = form.meant.take() {
        form.value = meant;
        form.confirmed = None;
    }
    let wish = match read_form(&web, place, entry, &form) {
        Ok(wish) => wish,
        Err(text) => {
            let page = keypad::render(&web, place, &headers, Some((&form, Told::Refused(text))));
            return (StatusCode::UNPROCESSABLE_ENTITY, page).into_response();
        }
    };
    let cookie = name_cookie(&wish.by);
    let told = match web.app.handle.enter(wish).await {
        Ok(taken) => {
            let how = if taken.durable { "kept" } else { "not-kept" };
            let page = format!("/entries?said={how}&n={}", taken.entry.n);
            let headers = [(header::LOCATION, page), (header::SET_COOKIE, cookie)];
            return (StatusCode::SEE_OTHER, headers).into_response();
        }
        Err(EntryRefusal::Asked { question, meant }) => Told::Asked(question, meant),
        Err(EntryRefusal::Refused(text) | EntryRefusal::Corrected(text)) => Told::Refused(text),
        Err(EntryRefusal::Unavailable) => Told::Refused(UNAVAILABLE.to_owned()),
    };
    let page = keypad::render(&web, place, &headers, Some((&form, told)));
    (StatusCode::CONFLICT, [(header::SET_COOKIE, cookie)], page).into_response()
}

fn read_form(web: &Web, place: usize, entry: &LineEntry, form: &EntryForm) -> Result<EntryWish, String> {
    let typed: Typed = said::typed(entry, &form.text())?;
    let by = checked_name(&form.by).ok_or_else(|| "give your name, 1 to 60 characters".to_owned())?;
    let taken = match form.taken.trim() {
        "" => None,
        text => Some(web.zone.moment(text).ok_or_else(|| {
            format!(
                "\"{}\" is no time; write it like {}",
                text.chars().take(40).collect::<String>(),
                times::EXAMPLE
            )
        })?),
    };
    Ok(EntryWish {
        entry: place,
        typed,
        taken,
        by,
        about: said::beside(&form.about)?,
        note: said::beside(&form.note)?,
        corrects: form.corrects,
        seen: form.seen,
        confirmed: form.confirmed.is_some(),
    })
}
