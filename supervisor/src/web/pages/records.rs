//! Pages of records: kettle batches, holds, the handover of a shift, the review. Complete without scripts, and made to be printed.

pub(in crate::web) mod alarm_report;
pub(in crate::web) mod batches;
pub(in crate::web) mod figures;
pub(in crate::web) mod handover;
pub(in crate::web) mod holds;
pub(in crate::web) mod review;

use super::{OF_A_STRETCH, Page, frame};
use crate::report::shift::BatchLine;
use crate::web::facts::Scene;
use crate::web::live::Scope;
use crate::web::{Web, records};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};
use setward_protocol::UtcMillis;

/// A page that could not be read is tried again after so long.
const RELOAD_S: u32 = 300;

/// What came of the last form, if the page was opened with that.
pub(super) fn said(key: Option<&str>) -> Markup {
    html! { @if let Some(text) = key.and_then(records::said) { p.said role="status" { (text) } } }
}

/// A page of records in the frame of all pages. It stays as it was opened: what somebody reads and signs, or writes on, is not changed
/// under their eyes.
fn page(web: &Web, title: &str, body: Markup) -> Response {
    let as_of = web.zone.shown(web.app.clock.utc(), "%Y-%m-%d %H:%M:%S");
    let body = html! { (body) p.soft #as-of { "As of " (as_of) ". What came since is on the page once it is opened anew." } };
    framed(web, title, OF_A_STRETCH, body)
}

fn framed(web: &Web, title: &str, reload_s: u32, body: Markup) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    frame(&scene, Page { title, scope: Scope::Line, reload_s, body }).into_response()
}

/// History could not be read: nothing that is shown may look like "none".
fn unreadable(web: &Web, title: &str, why: &str) -> Response {
    let body = html! { h1 { (title) } p.notice { b { "HISTORY" } " could not be read: " (why) } };
    let mut response = framed(web, title, RELOAD_S, body);
    *response.status_mut() = StatusCode::SERVICE_UNAVAILABLE;
    response
}

/// A time that a report keeps as RFC 3339, as the plant's clock shows it.
fn clock(web: &Web, text: &str) -> String {
    match text.parse::<Timestamp>() {
        Ok(at) => web.zone.clock(UtcMillis(at.as_millisecond()), web.app.clock.utc()),
        Err(_) => text.to_owned(),
    }
}

/// The same to the minute.
fn minute_of(web: &Web, text: &str) -> String {
    let at = text.parse::<Timestamp>().map(|at| UtcMillis(at.as_millisecond()));
    at.map_or_else(|_unread| text.to_owned(), |at| web.zone.minute_of(at, web.app.clock.utc()))
}

/// The same with its date, whatever day it is, to the minute.
fn dated(web: &Web, text: &str) -> String {
    let at = text.parse::<Timestamp>().map(|at| UtcMillis(at.as_millisecond()));
    at.map_or_else(|_unread| text.to_owned(), |at| web.zone.shown(at, "%F %H:%M"))
}

/// A stretch between two such times.
fn between(web: &Web, from: &str, to: &str) -> String {
    let at = |text: &str| text.parse::<Timestamp>().map(|at| UtcMillis(at.as_millisecond()));
    match (at(from), at(to)) {
        (Ok(from), Ok(to)) => web.zone.between(from, to, web.app.clock.utc()),
        (_, _) => format!("{from} to {to}"),
    }
}

/// Where a lot's review is.
pub(in crate::web) fn lot_address(lot: &str) -> String {
    format!("/records?lot={}", percent_encoding::utf8_percent_encode(lot, percent_encoding::NON_ALPHANUMERIC))
}

/// Where a batch's record is.
pub(in crate::web) fn batch_link(id: &str) -> Markup {
    batch_link_named(id, id)
}

fn batch_link_named(id: &str, name: &str) -> Markup {
    html! { a href=(format!("/batches/{id}")) { (name) } }
}

/// Batches that have the same verdict and recipe.
struct Alike<'a> {
    words: String,
    recipe: &'a str,
    is_missed: bool,
    batches: Vec<&'a BatchLine>,
}

/// Batches with the same verdict are told together, so that one that differs stands out.
fn batch_lines(batches: &[BatchLine]) -> Vec<Markup> {
    let mut all: Vec<Alike<'_>> = Vec::new();
    for batch in batches {
        let (words, recipe) = (batch.words(), batch.recipe.as_str());
        match all.iter_mut().find(|other| other.words == words && other.recipe == recipe) {
            Some(alike) => alike.batches.push(batch),
            None => {
                let is_missed = batch.verdict == "not met";
                all.push(Alike { words, recipe, is_missed, batches: vec![batch] });
            }
        }
    }
    // What is not met comes first.
    all.sort_by_key(|alike| !alike.is_missed);
    let line = |alike: &Alike<'_>| {
        html! {
            @if alike.is_missed { b { "\u{25b2} " (alike.words) } } @else { (alike.words) }
            ", " (alike.recipe) ": "
            @for (index, batch) in alike.batches.iter().enumerate() { @if index > 0 { ", " } (batch_link_named(&batch.id, &batch.name)) }
        }
    };
    all.iter().map(line).collect()
}

/// The ways to all records, at the foot of every page.
pub(in crate::web) fn links(scene: &Scene<'_>) -> Markup {
    html! {
        p.records {
            a href="/trend" { "Trend" } " "
            a href="/start-up" { "Start-up" } " "
            @if scene.line.recipes.len() > 1 { a href="/changeover" { "Changeover" } " " }
            a href="/wall" { "Wall" } " "
            "Records: "
            @if !scene.line.shifts.is_empty() { a href="/handover" { "Handover" } " " }
            @if !scene.line.kettles.is_empty() { a href="/batches" { "Batches" } " " }
            a href="/holds" { "Holds" } " "
            a href="/records" { "Review" } " "
            a href="/alarm-report" { "Alarm report" } " "
            a href="/back-test" { "Back-test" }
        }
    }
}

/// A person's name, remembered from last time.
pub(super) fn name_field(id: &str, name: Option<&str>) -> Markup {
    super::name_field(id, "Your name", name)
}
