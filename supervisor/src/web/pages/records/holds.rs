//! Product on hold: what is, what became of it, and the forms to hold and to decide.

use super::{between, clock, name_field, page, said, unreadable};
use crate::report::holds::{DISPOSITIONS, HoldRow, holds};
use crate::report::tables::words_of;
use crate::web::acknowledge::remembered_name;
use crate::web::doors::{self, Needs};
use crate::web::paging::{PageOf, Paging};
use crate::web::problem::Problem;
use crate::web::{Web, words};
use axum::Json;
use axum::extract::{Query, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use serde::{Deserialize, Serialize};
use setward_protocol::UtcMillis;
use utoipa::ToSchema;

/// Decided holds that are shown, the newest.
const DECIDED_SHOWN: usize = 50;

/// What the page is opened with.
#[derive(Deserialize)]
pub(in crate::web) struct Asked {
    said: Option<String>,
    alarm: Option<String>,
}

/// What a hold is proposed for: the present occurrence of an alarm.
struct Proposed {
    alarm: String,
    name: String,
    run: i64,
    occurrence: u32,
    span: (UtcMillis, UtcMillis),
    kg: Option<f64>,
}

/// Serves the page.
pub(in crate::web) async fn show(
    State(web): State<Web>,
    Query(asked): Query<Asked>,
    headers: HeaderMap,
) -> Response {
    let all = match holds(&*web.app.history).await {
        Ok(all) => all,
        Err(error) => return unreadable(&web, "Holds", &error.text),
    };
    let name = remembered_name(&headers);
    let proposed = asked.alarm.as_deref().and_then(|alarm| propose(&web, alarm));
    let (open, decided): (Vec<&HoldRow>, Vec<&HoldRow>) = all.iter().partition(|row| row.is_open());
    let body = html! {
        h1 { "Product on hold" }
        (said(asked.said.as_deref()))
        @if let Some(proposed) = &proposed { (hold_form(&web, proposed, name.as_deref())) }
        @else if asked.alarm.is_some() {
            p { "No product of this alarm is known to hold: it has not raised, or its station is not on the way to the bag." }
        }
        section {
            h2 { "On hold: " (open.len()) }
            @if open.is_empty() { p { "Nothing is on hold. A hold is placed from the page of an alarm, beside the product that it touched." } }
            ul.alarms { @for row in &open { li { (facts(&web, row)) (decision_form(row, name.as_deref())) } } }
        }
        @if !decided.is_empty() {
            section {
                h2 { "Decided" }
                ul.alarms { @for row in decided.iter().take(DECIDED_SHOWN) {
                    li { (facts(&web, row)) details.give { summary { "Decide again" } (decision_form(row, name.as_deref())) } }
                } }
            }
        }
        p.soft { "Holds and decisions are never changed: a decision that was wrong is followed by another, and both stay on record." }
    };
    page(&web, "Holds", body)
}

fn propose(web: &Web, id: &str) -> Option<Proposed> {
    let alarm = web.app.line.alarm_by_id(id)?;
    let snapshot = web.app.handle.snapshot();
    let product = snapshot.following.products.get(&alarm)?;
    Some(Proposed {
        alarm: id.to_owned(),
        name: web.app.line.alarm(alarm).name.clone(),
        run: snapshot.run.0,
        occurrence: product.occurrence,
        span: product.packed_at_most.or(product.packed)?,
        kg: product.most_kg.or(product.about_kg),
    })
}

fn hold_form(web: &Web, proposed: &Proposed, name: Option<&str>) -> Markup {
    if let Some(instead) = doors::instead(Needs::Operate, "put product on hold") {
        return instead;
    }
    let now = web.app.clock.utc();
    let (from, to) = proposed.span;
    html! {
        section #new {
            h2 { "Put on hold" }
            p { "For " b { (proposed.name) } ", occurrence " (proposed.occurrence) ": packed " (web.zone.between(from, to, now)) " at most." }
            form.acknowledge method="post" action="/holds" {
                input type="hidden" name="alarm" value=(proposed.alarm);
                input type="hidden" name="run" value=(proposed.run);
                input type="hidden" name="occurrence" value=(proposed.occurrence);
                input type="hidden" name="from_utc_ms" value=(from.0);
                input type="hidden" name="to_utc_ms" value=(to.0);
                label for="kg" { "How much, kg" }
                input id="kg" type="text" inputmode="decimal" name="kg" maxlength="12" value=[proposed.kg.map(|kg| words::number(kg, 0))];
                label for="why" { "Why" }
                input id="why" type="text" name="why" required maxlength="200";
                (name_field("by", name))
                button type="submit" { "Put on hold" }
            }
        }
    }
}

fn facts(web: &Web, row: &HoldRow) -> Markup {
    html! {
        p { b { "Hold " (row.n) } ": packed " (between(web, &row.from, &row.to)) ", "
            @if let Some(words) = row.touched.words() { (words) ", " }
            @match row.kg { Some(kg) => { "about " (words::number(kg, 0)) " kg" }, None => "how much is not known" } }
        p { "By " (row.by) " at " (clock(web, &row.at)) ": " (row.why)
            @if let Some((id, occurrence)) = row.alarm.as_deref().and_then(|alarm| alarm.split_once('@')) {
                " (for " a href=(format!("/alarms/{id}")) { (alarm_name(web, id)) } ", occurrence " (occurrence) ")"
            } }
        @for decided in &row.dispositions {
            p { b { (words_of(&DISPOSITIONS, &decided.what)) } " by " (decided.by) " at " (clock(web, &decided.at)) ": " (decided.why) }
        }
    }
}

/// An alarm's name; its id where the line has it no more.
fn alarm_name<'a>(web: &'a Web, id: &'a str) -> &'a str {
    let known = web.app.line.alarms.iter().find(|alarm| alarm.id == id);
    known.map_or(id, |alarm| alarm.name.as_str())
}

fn decision_form(row: &HoldRow, name: Option<&str>) -> Markup {
    if let Some(instead) = doors::instead(Needs::Engineer, "decide about it") {
        return instead;
    }
    let field = |key: &str| format!("{key}-{}", row.n);
    html! {
        form.acknowledge method="post" action=(format!("/holds/{}/decision", row.n)) {
            input type="hidden" name="seen" value=(row.last_decision());
            label for=(field("what")) { "What becomes of it" }
            select id=(field("what")) name="what" required {
                option value="" { "Choose" }
                @for (key, words) in DISPOSITIONS { option value=(key) { (words) } }
            }
            label for=(field("why")) { "Why" }
            input id=(field("why")) type="text" name="why" required maxlength="200";
            (name_field(&field("by"), name))
            button type="submit" { "Decide" }
        }
    }
}

/// A page of holds, newest first.
#[derive(Serialize, ToSchema)]
pub(in crate::web) struct HoldsBody {
    schema_version: u32,
    holds: Vec<HoldRow>,
    /// Behind the last one here; null on the last page.
    next: Option<String>,
}

/// The list, for programs.
pub(in crate::web) async fn for_programs(State(web): State<Web>, Query(paging): Query<Paging>) -> Response {
    match holds(&*web.app.history).await {
        Ok(holds) => match paging.of(holds, |one| one.n.to_string()) {
            Ok(PageOf { items, next }) => {
                Json(HoldsBody { schema_version: 1, holds: items, next }).into_response()
            }
            Err(problem) => problem.into_response(),
        },
        Err(error) => Problem::unread(error).into_response(),
    }
}
