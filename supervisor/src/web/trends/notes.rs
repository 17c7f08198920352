//! Notes that people pin to a stretch of time, kept with who and when. What was written stays; markup in it is text.

use super::Asked;
use super::read::in_time;
use crate::history::{HistoryError, HistoryStore, NewNote, Span};
use crate::web::Web;
use crate::web::acknowledge::{checked_name, name_cookie};
use crate::web::pages::messages;
use axum::extract::rejection::FormRejection;
use axum::extract::{Form, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use setward_protocol::UtcMillis;

/// What the notes of a stretch of time are filed under.
const ABOUT: &str = "trend";
/// Notes that are looked at, the newest.
const NOTES_MAX: usize = 5_000;
/// Longest note, characters.
pub(in crate::web) const LONGEST: usize = 500;

/// What became of a note: the word in an address, and the sentence.
const SAID: [(&str, &str); 5] = [
    ("note-kept", "Kept, with your name and the time. A note stays: write another to correct it."),
    ("note-before", "This note had been written before; nothing changed."),
    ("no-name", "Nothing was kept: give your name, 1 to 60 characters."),
    ("no-note", "Nothing was kept: write 1 to 500 characters, without line breaks."),
    (
        "not-kept",
        "Nothing was kept: history can\u{2019}t be written now. See the head of the page, then try again.",
    ),
];

/// The sentence of a word in an address.
pub(in crate::web) fn said(key: &str) -> Option<&'static str> {
    SAID.iter().find(|(known, _)| *known == key).map(|(_, text)| *text)
}

/// What a note says, as it is kept.
#[derive(Serialize, Deserialize)]
struct Text {
    from_utc_ms: i64,
    to_utc_ms: i64,
    signals: Vec<String>,
    text: String,
}

/// A note with the stretch it is pinned to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::web) struct Pinned {
    pub(in crate::web) n: i64,
    pub(in crate::web) from: UtcMillis,
    pub(in crate::web) to: UtcMillis,
    /// The signals that were on the page.
    pub(in crate::web) signals: Vec<String>,
    pub(in crate::web) text: String,
    pub(in crate::web) by: String,
    pub(in crate::web) at: UtcMillis,
}

/// The notes whose stretch reaches into `span`, in order of time.
pub(super) async fn pinned(store: &dyn HistoryStore, span: Span) -> Result<Vec<Pinned>, HistoryError> {
    let mut found: Vec<Pinned> = all(store).await?;
    found.retain(|note| note.from < span.to() && note.to > span.from());
    found.sort_by_key(|note| (note.from, note.n));
    Ok(found)
}

async fn all(store: &dyn HistoryStore) -> Result<Vec<Pinned>, HistoryError> {
    let notes = store.notes(ABOUT.to_owned(), NOTES_MAX).await?;
    let read = notes.into_iter().filter_map(|kept| {
        let said: Text = serde_json::from_str(&kept.note.text).ok()?;
        Some(Pinned {
            n: kept.n,
            from: UtcMillis(said.from_utc_ms),
            to: UtcMillis(said.to_utc_ms),
            signals: said.signals,
            text: said.text,
            by: kept.note.by,
            at: kept.note.utc,
        })
    });
    Ok(read.collect())
}

/// The form.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::web) struct NoteForm {
    /// Tags with commas between.
    signals: String,
    from: String,
    to: String,
    /// How the page's axis was.
    #[serde(default)]
    axis: String,
    text: String,
    #[serde(default)]
    by: String,
}

/// Takes the form, and sends the browser back to the same stretch with what came of it.
pub(in crate::web) async fn from_form(
    State(web): State<Web>,
    form: Result<Form<NoteForm>, FormRejection>,
) -> Response {
    let form = match form {
        Ok(Form(form)) => form,
        Err(rejection) => return messages::bad_form(&web, rejection.status()),
    };
    let pairs = [("signals", &form.signals), ("from", &form.from), ("to", &form.to), ("axis", &form.axis)];
    let pairs = pairs.map(|(key, value)| (key.to_owned(), value.clone()));
    let asked = match Asked::read(&web.app.line, &web.zone, web.app.clock.utc(), &pairs) {
        Ok(asked) => asked,
        Err(wrong) => return messages::no_such_trend(&web, &wrong),
    };
    let by = checked_name(&form.by);
    let key = match &by {
        None => "no-name",
        Some(by) => keep(&web, &asked, &form.text, by).await,
    };
    let page = format!("{}&said={key}#notes", asked.address(&web.app.line, "/trend"));
    match by {
        Some(by) => {
            let headers = [(header::LOCATION, page), (header::SET_COOKIE, name_cookie(&by))];
            (StatusCode::SEE_OTHER, headers).into_response()
        }
        None => (StatusCode::SEE_OTHER, [(header::LOCATION, page)]).into_response(),
    }
}

async fn keep(web: &Web, asked: &Asked, text: &str, by: &str) -> &'static str {
    let text = text.trim();
    let fits = (1..=LONGEST).contains(&text.chars().count()) && !text.chars().any(char::is_control);
    if !fits {
        return "no-note";
    }
    let history = &web.app.history;
    let said = Text {
        from_utc_ms: asked.span.from().0,
        to_utc_ms: asked.span.to().0,
        signals: asked.tags(&web.app.line),
        text: text.to_owned(),
    };
    let Ok(words) = serde_json::to_string(&said) else { return "not-kept" };
    // A form that is sent twice is one note.
    match in_time(history.notes(ABOUT.to_owned(), 1)).await {
        Err(_unread) => return "not-kept",
        Ok(last) => {
            if last.iter().any(|last| last.note.by == by && last.note.text == words) {
                return "note-before";
            }
        }
    }
    let utc = web.app.clock.utc();
    let note = NewNote { utc, about: ABOUT.to_owned(), by: by.to_owned(), text: words, replaces: None };
    match in_time(history.add_note(note)).await {
        Ok(_kept) => "note-kept",
        Err(_why) => "not-kept",
    }
}
