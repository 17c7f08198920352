//! One value to enter, on a phone: a plain field, and big keys where scripts run.

use super::{Page, STILL, entries, frame};
use crate::entries::EntryView;
use crate::web::acknowledge::remembered_name;
use crate::web::doors::{self, Needs};
use crate::web::entries::{EntryForm, named};
use crate::web::facts::Scene;
use crate::web::live::Scope;
use crate::web::pages::messages;
use crate::web::{Web, words};
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use setward_config::line::{EntryKind, LineEntry};

/// Why the keypad is shown again.
pub(in crate::web) enum Told {
    /// The question, and what may have been meant.
    Asked(String, Option<f64>),
    /// It was not taken.
    Refused(String),
}

/// Which entry is to be corrected.
#[derive(serde::Deserialize)]
pub(in crate::web) struct Which {
    correct: Option<u64>,
}

/// Serves the keypad.
pub(in crate::web) async fn show(
    State(web): State<Web>,
    Path(tag): Path<String>,
    Query(which): Query<Which>,
    headers: HeaderMap,
) -> Response {
    let Some((place, _)) = named(&web, &tag) else { return messages::no_such_entry(&web, &tag) };
    match which.correct {
        None => render(&web, place, &headers, None).into_response(),
        Some(n) => {
            let form = EntryForm::correcting(n);
            page(&web, place, &headers, &form, None).into_response()
        }
    }
}

/// The keypad, with what was typed and why it was not taken.
pub(in crate::web) fn render(
    web: &Web,
    place: usize,
    headers: &HeaderMap,
    again: Option<(&EntryForm, Told)>,
) -> Markup {
    match again {
        Some((form, told)) => page(web, place, headers, form, Some(told)),
        None => page(web, place, headers, &EntryForm::default(), None),
    }
}

fn page(web: &Web, place: usize, headers: &HeaderMap, form: &EntryForm, told: Option<Told>) -> Markup {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let empty = EntryView::default();
    let view = snapshot.entries.get(place).unwrap_or(&empty);
    let Some(entry) = scene.line.entries.get(place) else { return html! {} };
    let signal = scene.line.signal(entry.signal);
    let name = if form.by.is_empty() { remembered_name(headers) } else { Some(form.by.clone()) };
    let body = html! {
        h1 { (signal.name) }
        p.against { @if let Some(asked) = entries::asked(&scene, entry) { (asked) } @else { (signal.tag) } }
        p { (entries::due(&scene, entry, view)) }
        @if let Some(row) = view.last() { p.soft { "last " (entries::last(&scene, entry, row)) } }
        (correcting(&scene, entry, view, form))
        @if let Some(instead) = doors::instead(Needs::Operate, "enter it") { (instead) } @else { form.keypad method="post" action=(format!("/entries/{}", signal.tag)) {
            input type="hidden" name="seen" value=(view.newest());
            @if let Some(n) = form.corrects { input type="hidden" name="corrects" value=(n); }
            @if let Some(told) = &told { (answer(told)) }
            (fields(entry, form))
            (super::name_field("by", "Your name", name.as_deref()))
            (beside(form))
            (send(entry))
        } }
        p { a.button href="/entries" { "All entries" } }
    };
    frame(&scene, Page { title: &signal.name, scope: Scope::Line, reload_s: STILL, body })
}

fn correcting(scene: &Scene<'_>, entry: &LineEntry, view: &EntryView, form: &EntryForm) -> Markup {
    let Some(n) = form.corrects else { return html! {} };
    html! {
        @match view.rows.iter().find(|row| row.n == n) {
            Some(row) => p.said { "In place of no. " (n) ": " (entries::value(scene, entry, row)) ", taken " (scene.clock(row.taken)) " by " (row.by) ". The old value stays visible." },
            None => p.said { "There is no entry " (n) " here any more." }
        }
    }
}

/// The question with its two answers, or the reason.
fn answer(told: &Told) -> Markup {
    html! {
        @match told {
            Told::Asked(question, meant) => {
                p.said role="alert" { (question) "." }
                div.answers {
                    @if let Some(meant) = meant { button type="submit" name="meant" value=(meant) { "I meant " (meant.to_string()) } }
                    button type="submit" name="confirmed" value="yes" { "It is right" }
                }
            },
            Told::Refused(text) => p.said role="alert" { "Not entered: " (text) "." }
        }
    }
}

fn fields(entry: &LineEntry, form: &EntryForm) -> Markup {
    let unit = entry.unit.display();
    let field = |id: &str, label: &str, value: &str| {
        html! {
            label for=(id) { (words::with_unit(label, entry.unit)) @if unit.is_empty() { "" } }
            input.number id=(id) type="text" name=(id) value=(value) inputmode="decimal" autocomplete="off" required maxlength="20";
        }
    };
    let [found, left, right] = form.three();
    html! {
        @match entry.kind {
            EntryKind::Number => {
                (field("value", "Value in", &form.value))
                (keys(entry))
            },
            EntryKind::Check => {},
            EntryKind::Calibration => {
                (field("found", "As found, in", found))
                (field("left", "As left, in", left))
                (field("right", "What was right, in", right))
                (keys(entry))
            }
        }
    }
}

/// Keys that type into the field touched last; shown only where a script makes them work.
fn keys(entry: &LineEntry) -> Markup {
    let has_sign = entry.possible.0 < 0.0;
    html! {
        div.keys role="group" aria-label="Digits" {
            @for key in ["7", "8", "9", "4", "5", "6", "1", "2", "3", "."] { button type="button" data-key=(key) { (key) } }
            button type="button" data-key="0" { "0" }
            button type="button" data-key="back" aria-label="delete the last digit" { "\u{232b}" }
            @if has_sign { button type="button" data-key="-" aria-label="minus" { "\u{2212}" } }
        }
    }
}

fn beside(form: &EntryForm) -> Markup {
    let is_open = !(form.taken.is_empty() && form.about.is_empty() && form.note.is_empty());
    html! {
        details #beside open[is_open] {
            summary { "Taken earlier, lot or tank, remark" }
            @if form.corrects.is_none() {
                label for="taken" { "When the sample was taken, if not now" }
                input #taken type="datetime-local" name="taken" value=(form.taken);
            }
            label for="about" { "Lot, tank or bag" }
            input #about type="text" name="about" value=(form.about) maxlength="200" autocomplete="off";
            label for="note" { "Remark" }
            input #note type="text" name="note" value=(form.note) maxlength="200" autocomplete="off";
        }
    }
}

fn send(entry: &LineEntry) -> Markup {
    html! {
        @match entry.kind {
            EntryKind::Check => div.answers {
                button type="submit" name="value" value="passed" { "Passed" }
                button type="submit" name="value" value="failed" { "Failed" }
            },
            EntryKind::Number | EntryKind::Calibration => button type="submit" { "Enter" }
        }
    }
}
