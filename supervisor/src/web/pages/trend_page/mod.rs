//! The trend page: signals over a stretch of time against what the recipe asked, with stops, alarms, recipes, batches and notes.
//! Complete without scripts: drawn here, chosen by a form, moved by links. `assets/trend.js` adds a cursor and a quicker hand.

pub(super) mod axis;
mod choice;
pub(super) mod drawing;
mod lanes;
mod notes;
mod samples;
mod table;

use super::{OF_A_STRETCH, Page, frame, messages};
use crate::web::acknowledge::remembered_name;
use crate::web::facts::{AlarmFacts, Scene};
use crate::web::live::Scope;
use crate::web::times::rfc3339;
use crate::web::trends::api::Pairs;
use crate::web::trends::read::{Shown, read};
use crate::web::trends::{Asked, Wrong, notes as kept_notes};
use crate::web::{Web, assets, words};
use axum::extract::{Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use setward_protocol::UtcMillis;

/// What is shown of the time before an alarm's trouble began, and after it returned, ms.
const BEFORE_ALARM_MS: i64 = 2 * 3_600_000;
const AFTER_ALARM_MS: i64 = 3_600_000;

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, headers: HeaderMap, pairs: Pairs) -> Response {
    let pairs = pairs.map(|Query(pairs)| pairs).unwrap_or_default();
    let asked = match Asked::read(&web.app.line, &web.zone, web.app.clock.utc(), &pairs) {
        Ok(asked) => asked,
        Err(wrong) => return messages::no_such_trend(&web, &wrong),
    };
    let shown = match read(&web, &asked).await {
        Ok(shown) => shown,
        Err(why) => return unreadable(&web, &asked, &why),
    };
    let statistics = table::statistics(&web, &asked, &shown).await;
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let name = remembered_name(&headers);
    let body = html! {
        (head(&scene, &asked))
        (trends(&web, &scene, &asked, &shown))
        (table::show(&web, &asked, &statistics))
        (lanes::list(&web, &shown))
        (notes::show(&web, &asked, &shown.notes, name.as_deref()))
        (choice::downloads(&web, &asked))
        script type="module" src=(assets::address("trend.js")) {}
    };
    frame(&scene, Page { title: &title(&scene, &asked), scope: Scope::Line, reload_s: OF_A_STRETCH, body })
        .into_response()
}

fn title(scene: &Scene<'_>, asked: &Asked) -> String {
    format!("Trend of {}", asked.tags(scene.line).join(", "))
}

/// History could not be read: nothing that is shown may look like "nothing happened".
fn unreadable(web: &Web, asked: &Asked, why: &str) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let body = html! {
        (head(&scene, asked))
        p.notice { b { "HISTORY" } " could not be read: " (why) }
    };
    let page = Page { title: &title(&scene, asked), scope: Scope::Line, reload_s: OF_A_STRETCH, body };
    (StatusCode::SERVICE_UNAVAILABLE, frame(&scene, page)).into_response()
}

/// What is shown and from when to when, and the ways to another stretch.
fn head(scene: &Scene<'_>, asked: &Asked) -> Markup {
    html! {
        link rel="stylesheet" href=(assets::address("trend.css"));
        h1 { "Trend" }
        @if let Some(said) = asked.said.as_deref().and_then(kept_notes::said) { p.said role="status" { (said) } }
        div #stretch { (choice::stretch(scene, asked)) }
        div #choice { (choice::form(scene, asked)) }
    }
}

/// The panes on one axis of time, and below them what happened meanwhile.
fn trends(web: &Web, scene: &Scene<'_>, asked: &Asked, shown: &Shown) -> Markup {
    html! {
        section #trends.trends data-from=(asked.span.from().0) data-to=(asked.span.to().0)
            data-zone=(web.zone.name()) data-now=(scene.now.0) data-line=(line_name(scene)) data-picture=(assets::address("trend-picture.js")) {
            h2.unseen { "Drawings" }
            div #hand.hand hidden {}
            p #cursor.cursor hidden {}
            (axis::show(&web.zone, asked.span))
            @for pane in &shown.panes { (drawing::pane(web, asked, pane)) }
            (axis::show(&web.zone, asked.span))
            (drawing::legend(asked))
            div #lanes { (lanes::show(web, asked, shown)) }
        }
    }
}

/// What stands over a picture.
fn line_name(scene: &Scene<'_>) -> String {
    let simulated = if scene.line.simulated { " (simulated)" } else { "" };
    format!("{}, {}{simulated}", scene.line.plant, scene.line.name)
}

/// Says how long a stretch is, and what the clocks did in it.
fn length(scene: &Scene<'_>, asked: &Asked) -> String {
    let (from, to) = (asked.span.from(), asked.span.to());
    let long = words::span(asked.span.length_ms() as f64 / 1000.0);
    match scene.zone.offset_s(to) - scene.zone.offset_s(from) {
        0 => long,
        seconds if seconds > 0 => format!("{long}; the clocks are put forward in it"),
        _ => format!("{long}; the clocks are put back in it"),
    }
}

/// Where more of a signal is than its own page shows: the last shift's length.
pub(in crate::web) fn signal_link(tag: &str) -> Markup {
    html! {
        p.further { a href=(format!("/trend?signals={tag}&last=8h")) { "Trend of the last 8 h, with recipe, stops and alarms" } }
    }
}

/// Where the time of an alarm is: from before its trouble began until after it returned; the last hours if it never raised.
pub(in crate::web) fn alarm_link(scene: &Scene<'_>, facts: &AlarmFacts<'_>, tag: &str) -> Markup {
    let began = facts.view.raised.map(|raised| facts.view.onset.map_or(raised, |onset| onset.min(raised)));
    let stretch = match began {
        None => "last=8h".to_owned(),
        Some(began) => {
            let ended = facts.view.cleared.filter(|cleared| *cleared > began).unwrap_or(scene.now);
            let whole = |ms: i64| rfc3339(UtcMillis(ms.div_euclid(1000) * 1000));
            let from = whole(began.0 - BEFORE_ALARM_MS);
            format!(
                "from={from}&to={}",
                whole((ended.0 + AFTER_ALARM_MS).min(scene.now.0.max(began.0 + 60_000)))
            )
        }
    };
    html! {
        p.further { a href=(format!("/trend?signals={tag}&{stretch}")) { "Trend of this time, with recipe, stops and other alarms" } }
    }
}

/// What an address that can't be answered is told, with the way on.
pub(in crate::web) fn refusal(wrong: &Wrong) -> (StatusCode, Markup) {
    let status = match wrong {
        Wrong::NoSuchSignal(..) => StatusCode::NOT_FOUND,
        Wrong::Other(_) => StatusCode::UNPROCESSABLE_ENTITY,
    };
    let near = match wrong {
        Wrong::NoSuchSignal(_, near) => near.as_deref(),
        Wrong::Other(_) => None,
    };
    let body = html! {
        p { "Nothing is shown: " (wrong.text()) "." }
        @if let Some(near) = near { p { "Did you mean " a.button href=(format!("/trend?signals={near}")) { (near) } } }
        p { a.button href="/trend" { "The trend of the last week" } }
    };
    (status, body)
}
