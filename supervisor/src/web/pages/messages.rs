//! Pages that say what is wrong and where to go on.

use super::{Page, frame};
use crate::web::live::Scope;
use crate::web::{Web, doors, names};
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::request::Parts;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// Nothing on such a page moves: a browser without scripts need not fetch it again soon.
const RELOAD_S: u32 = 600;

fn message(web: &Web, status: StatusCode, title: &str, body: Markup) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let body = html! { h1 { (title) } (body) };
    (status, frame(&scene, Page { title, scope: Scope::Line, reload_s: RELOAD_S, body })).into_response()
}

/// What came from outside, cut to what a page can show.
fn shortened(text: &str) -> String {
    text.chars().take(120).collect()
}

fn did_you_mean(kind: &str, nearest: Option<String>) -> Markup {
    html! {
        @if let Some(near) = nearest { p { "Did you mean " a.button href=(format!("/{kind}/{near}")) { (near) } } }
    }
}

pub(in crate::web) fn no_such_alarm(web: &Web, id: &str) -> Response {
    let body = html! {
        p { "This line has no alarm called \u{201c}" (shortened(id)) "\u{201d}." }
        (did_you_mean("alarms", names::alarm(&web.app.line, id).err().flatten()))
        p { a.button href="/alarms" { "All alarms" } }
    };
    message(web, StatusCode::NOT_FOUND, "No such alarm", body)
}

/// `ways`: an address that takes a recipe's key, and the nearest key.
pub(in crate::web) fn no_such_recipe(web: &Web, key: &str, ways: (&str, Option<String>)) -> Response {
    let (address, near) = ways;
    let body = html! {
        p { "This line has no recipe called \u{201c}" (shortened(key)) "\u{201d}." }
        @if let Some(near) = near { p { "Did you mean " a.button href=(format!("{address}{near}")) { (near) } } }
        p { a.button href="/" { "The line" } }
    };
    message(web, StatusCode::NOT_FOUND, "No such recipe", body)
}

pub(in crate::web) fn no_such_signal(web: &Web, tag: &str) -> Response {
    let body = html! {
        p { "This line has no signal tagged \u{201c}" (shortened(tag)) "\u{201d}." }
        (did_you_mean("signals", names::signal(&web.app.line, tag).err().flatten()))
        p { a.button href="/" { "The line" } }
    };
    message(web, StatusCode::NOT_FOUND, "No such signal", body)
}

pub(in crate::web) fn no_such_station(web: &Web, key: &str) -> Response {
    let body = html! {
        p { "This line has no station called \u{201c}" (shortened(key)) "\u{201d}." }
        (did_you_mean("stations", names::station(&web.app.line, key).err().flatten()))
        p { a.button href="/" { "The line" } }
    };
    message(web, StatusCode::NOT_FOUND, "No such station", body)
}

pub(in crate::web) fn no_such_entry(web: &Web, tag: &str) -> Response {
    let tags = web.app.line.entries.iter().map(|entry| web.app.line.signal(entry.signal).tag.as_str());
    let body = html! {
        p { "Nothing called \u{201c}" (shortened(tag)) "\u{201d} is entered on this line." }
        (did_you_mean("entries", names::nearest(&tag.to_uppercase(), tags)))
        p { a.button href="/entries" { "All entries" } }
    };
    message(web, StatusCode::NOT_FOUND, "No such entry", body)
}

/// A trend that can't be shown: what is wrong with the address, and the way on.
pub(in crate::web) fn no_such_trend(web: &Web, wrong: &crate::web::trends::Wrong) -> Response {
    let (status, body) = super::trend_page::refusal(wrong);
    message(web, status, "No such trend", body)
}

/// A form that could not be read. The library's own words say nothing to a person, so it is told what was expected.
pub(in crate::web) fn bad_form(web: &Web, status: StatusCode) -> Response {
    let why = if status == StatusCode::PAYLOAD_TOO_LARGE {
        "The form was longer than 16 KiB. A name has at most 60 characters."
    } else {
        "The form did not arrive whole. Go back, load that page anew and use its own form."
    };
    let body = html! { p { (why) } p { a.button href="/" { "The line" } " " a.button href="/alarms" { "All alarms" } } };
    message(web, status, "Nothing was changed", body)
}

/// Any other address.
pub(in crate::web) async fn not_found(State(web): State<Web>, request: Parts) -> Response {
    // Whoever may not look is not told either what there is.
    if let Some(refused) = doors::shut(&web, &request).await {
        return refused;
    }
    let uri = request.uri;
    let body = html! {
        p { "There is nothing at " code { (shortened(uri.path())) } "." }
        p { a.button href="/" { "The line" } " " a.button href="/alarms" { "All alarms" } }
    };
    message(&web, StatusCode::NOT_FOUND, "No such page", body)
}
