//! What was found when an alarm called: the last times, and the form that closes an occurrence with a cause.

use super::trend::{self, in_time};
use crate::history::{HistoryError, HistoryStore};
use crate::report::closures::{CAUSES, Closure, Past, closures, last_times, not_closed, of};
use crate::web::doors::{self, Needs};
use crate::web::facts::{AlarmFacts, Scene};
use crate::web::paging::{PageOf, Paging};
use crate::web::problem::Problem;
use crate::web::{Web, names, words};
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use serde::Serialize;
use setward_protocol::UtcMillis;
use utoipa::ToSchema;

/// Times that a page tells: enough to see a habit.
const TIMES_TOLD: usize = 3;
/// Calls are asked about for so long, ms: a shift and what is handed over.
const ASKED_FOR_MS: i64 = 12 * 3_600_000;
/// Events among the newest that are looked through.
const EVENTS_LOOKED_AT: usize = 400;
/// Calls listed.
const UNSAID_MAX: usize = 8;

/// What history has of an alarm's occurrences.
pub(super) struct Told {
    /// Those before the present one, newest first.
    times: Vec<Past>,
    /// What was found of the present one.
    present: Option<Closure>,
}

/// Asks history for the occurrences before `occurrence`, and what was found of this one.
pub(super) async fn read(web: &Web, alarm: &str, occurrence: u32) -> Result<Told, String> {
    let history = &*web.app.history;
    let asked = async {
        let times = last_times(history, alarm, occurrence, TIMES_TOLD).await?;
        let present = of(&closures(history).await?, alarm, occurrence).cloned();
        Ok::<Told, HistoryError>(Told { times, present })
    };
    in_time(asked).await
}

/// The last times, for whoever wonders what it was then.
pub(super) fn last(scene: &Scene<'_>, told: &Result<Told, String>) -> Markup {
    html! {
        section #times {
            h2 { "The last times" }
            @match told {
                Err(problem) => p.notice { b { "HISTORY" } " could not be read: " (problem) },
                Ok(told) if told.times.is_empty() => p { "None is kept: nobody was called for it before." },
                Ok(told) => ol.events { @for past in &told.times { li { (time_row(scene, past)) } } }
            }
        }
    }
}

fn time_row(scene: &Scene<'_>, past: &Past) -> Markup {
    html! {
        time { (scene.clock(past.raised)) }
        @match past.lasted_s {
            Some(lasted_s) => { ", for " (words::span(lasted_s as f64)) ": " },
            None => ": "
        }
        @match &past.closure {
            Some(closure) => (found(closure)),
            None => "nobody said what it was"
        }
    }
}

fn found(closure: &Closure) -> Markup {
    let cause =
        CAUSES.iter().find(|(key, _)| *key == closure.cause).map_or(closure.cause.as_str(), |(_, text)| text);
    html! {
        b { (cause) } @if let Some(note) = &closure.note { ", " (note) } span.detail { " (" (closure.by) ")" }
    }
}

/// A call that nobody has said anything of: alarm, occurrence, and when it raised.
type Unsaid = (String, u32, UtcMillis);

/// The calls of the last shift's length that nobody has closed, newest first.
pub(super) async fn unsaid(web: &Web) -> Result<Vec<Unsaid>, String> {
    let from = UtcMillis(web.app.clock.utc().0.saturating_sub(ASKED_FOR_MS));
    let kept = trend::events(web, None, EVENTS_LOOKED_AT).await?;
    let closed = in_time(closures(&*web.app.history)).await?;
    Ok(not_closed(&kept, &closed, from))
}

/// Those that have cleared: what stands is told above them.
pub(super) fn unsaid_list(scene: &Scene<'_>, unsaid: &Result<Vec<Unsaid>, String>) -> Markup {
    let unsaid = unsaid.as_deref().unwrap_or_default();
    let over = |call: &&Unsaid| {
        let facts = scene.line.alarm_by_id(&call.0).map(|id| scene.alarm(id));
        facts.is_some_and(|facts| !(facts.is_open() && facts.view.occurrence == call.1))
    };
    let mut told: Vec<&str> = Vec::new();
    let once = unsaid.iter().filter(over).filter(|call| {
        let is_new = !told.contains(&call.0.as_str());
        told.push(&call.0);
        is_new
    });
    let rows: Vec<_> = once.take(UNSAID_MAX).collect();
    html! {
        @if !rows.is_empty() {
            section #unsaid {
                h2 { "Over, and nobody has said what it was" }
                ul.plain { @for (alarm, _, raised) in rows { li {
                    a href=(format!("/alarms/{alarm}#close")) {
                        (scene.line.alarm_by_id(alarm).map_or(alarm.as_str(), |id| scene.line.alarm(id).name.as_str()))
                    }
                    span { (scene.clock(*raised)) }
                } } }
            }
        }
    }
}

/// The form that says what it was; nothing for an alarm that has never called.
pub(super) fn close_form(facts: &AlarmFacts<'_>, told: &Result<Told, String>, name: Option<&str>) -> Markup {
    let Ok(told) = told else { return html! {} };
    if facts.view.occurrence == 0 {
        return html! {};
    }
    html! {
        section #close {
            h2 { "What it was" }
            @match &told.present {
                Some(closure) => {
                    p { (found(closure)) }
                    details.acknowledging { summary { "Say something else" } (form(facts, name)) }
                },
                None => {
                    p { "Say it once it is found, also after the alarm has cleared: next time it stands here." }
                    (form(facts, name))
                }
            }
        }
    }
}

fn form(facts: &AlarmFacts<'_>, name: Option<&str>) -> Markup {
    if let Some(instead) = doors::instead(Needs::Operate, "say what it was") {
        return instead;
    }
    html! {
        form.acknowledge method="post" action=(format!("/alarms/{}/close", facts.alarm.id)) {
            input type="hidden" name="occurrence" value=(facts.view.occurrence);
            label for="close-cause" { "Cause" }
            select id="close-cause" name="cause" required {
                option value="" { "Choose" }
                @for (key, text) in CAUSES { option value=(key) { (text) } }
            }
            label for="close-note" { "What was done" }
            input id="close-note" type="text" name="note" maxlength="200";
            (super::records::name_field("close-by", name))
            button type="submit" { "Close" small { "occurrence " (facts.view.occurrence) } }
        }
    }
}

/// A page of an alarm's occurrences, newest first.
#[derive(Serialize, ToSchema)]
pub(in crate::web) struct TimesBody {
    schema_version: u32,
    alarm: String,
    times: Vec<Past>,
    /// Behind the last one here; null on the last page.
    next: Option<String>,
}

/// The occurrences of an alarm for which somebody was called, newest first, the present one too.
pub(in crate::web) async fn for_programs(
    State(web): State<Web>,
    Path(id): Path<String>,
    Query(paging): Query<Paging>,
) -> Response {
    if let Err(near) = names::alarm(&web.app.line, &id) {
        return crate::web::api::missing("alarm", near);
    }
    match page(&*web.app.history, &id, &paging).await {
        Ok(PageOf { items: times, next }) => {
            Json(TimesBody { schema_version: 1, alarm: id, times, next }).into_response()
        }
        Err(problem) => problem.into_response(),
    }
}

async fn page(history: &dyn HistoryStore, alarm: &str, paging: &Paging) -> Result<PageOf<Past>, Problem> {
    let limit = paging.limit()?;
    let before = paging.after(|text| text.parse().ok())?.unwrap_or(u32::MAX);
    let times = last_times(history, alarm, before, limit + 1).await.map_err(Problem::unread)?;
    Ok(PageOf::cut(times, limit, |one| one.occurrence.to_string()))
}
