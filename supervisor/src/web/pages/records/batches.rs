//! Kettle batches: the list, and the record of one, with the way forward to the product it became.

use super::{between, clock, page, unreadable};
use crate::history::{BatchRow, HistoryStore};
use crate::report::batch::{BatchReport, VerdictRow};
use crate::report::batch_text::{accepted, found};
use crate::web::paging::{PageOf, Paging};
use crate::web::problem::Problem;
use crate::web::{Web, words};
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use maud::{Markup, html};
use serde::Serialize;
use setward_protocol::UtcMillis;
use utoipa::ToSchema;

/// Batches that are listed, the newest.
const LISTED: usize = 120;
/// Most batches that begin in one millisecond: kettles are fewer.
const AT_ONCE: usize = 64;
/// Batches before one that are looked through for one of its kettle.
const LOOKED_BACK: usize = 24;

fn read(row: &BatchRow) -> Option<BatchReport> {
    serde_json::from_str(&row.record).ok()
}

async fn newest(web: &Web, most: usize) -> Result<Vec<BatchReport>, String> {
    let rows = web.app.history.batches(UtcMillis(i64::MIN), UtcMillis(i64::MAX), most).await;
    Ok(rows.map_err(|error| error.text)?.iter().filter_map(read).collect())
}

/// Serves the list.
pub(in crate::web) async fn list(State(web): State<Web>) -> Response {
    let batches = match newest(&web, LISTED).await {
        Ok(batches) => batches,
        Err(why) => return unreadable(&web, "Batches", &why),
    };
    let body = html! {
        h1 { "Kettle batches" }
        @if batches.is_empty() {
            p { "No batch has a record yet: each gets one when it has left its kettle." }
        } @else {
            (not_met(&web, &batches))
            div.wide tabindex="0" role="region" aria-label="Batches" {
                table.tanks {
                    thead { tr { th { "Batch" } th { "Began" } th { "Limits" } th { "Tank" } } }
                    tbody { @for report in &batches { (row(&web, report)) } }
                }
            }
            p.soft { "Limits are those of the recipe that was in force. Not known: too little was seen to say; not known yet: its corn is soaking or being fed." }
        }
    };
    page(&web, "Batches", body)
}

/// Those that missed a limit, before a list in which they would have to be looked for.
fn not_met(web: &Web, batches: &[BatchReport]) -> Markup {
    let missed: Vec<&BatchReport> =
        batches.iter().filter(|report| report.missed().next().is_some()).collect();
    let limits =
        |report: &BatchReport| report.missed().map(|row| row.limit.as_str()).collect::<Vec<_>>().join(", ");
    html! {
        p { "Of the last " (batches.len()) ", " @if missed.is_empty() { "none missed a limit that is known." } @else { b { (missed.len()) } " missed a limit:" } }
        @if !missed.is_empty() {
            ul.events {
                @for report in missed { li {
                    b { "\u{25b2} " } a href=(format!("/batches/{}", report.id)) { (report.kettle) @if let Some(number) = report.number { " " (number) } }
                    ", " (clock(web, &report.from)) ": " (limits(report))
                } }
            }
        }
    }
}

fn row(web: &Web, report: &BatchReport) -> Markup {
    html! {
        tr.bad[report.missed().next().is_some()] {
            th scope="row" { a href=(format!("/batches/{}", report.id)) { (report.kettle) @if let Some(number) = report.number { " " (number) } } small { (report.recipe_name) } }
            td { (clock(web, &report.from)) }
            td { (verdict(so_far(report))) }
            td { @match report.soak.tank { Some(tank) => (tank), None => "\u{2013}" } }
        }
    }
}

/// The verdict; while corn soaks or is fed what is not known may be known yet.
fn so_far(report: &BatchReport) -> &str {
    match report.verdict() {
        "not known" if !report.is_complete => "not known yet",
        verdict => verdict,
    }
}

/// A verdict, with a shape where it is not met.
fn verdict(word: &str) -> Markup {
    html! { @if word.starts_with("not met") { b { "\u{25b2} " (word) } } @else { (word) } }
}

/// Serves one.
pub(in crate::web) async fn one(State(web): State<Web>, Path(id): Path<String>) -> Response {
    let found = match web.app.history.batch(id.clone()).await {
        Ok(found) => found,
        Err(error) => return unreadable(&web, "Batch", &error.text),
    };
    let Some(report) = found.as_ref().and_then(read) else {
        let shown: String = id.chars().take(60).collect();
        let body = html! {
            h1 { "No such batch" }
            p { "No record is kept of a batch called \u{201c}" (shown) "\u{201d}." }
            p { a.button href="/batches" { "All batches" } }
        };
        let mut response = page(&web, "No such batch", body);
        *response.status_mut() = StatusCode::NOT_FOUND;
        return response;
    };
    let before = before(&web, &report).await;
    page(&web, "Batch", record(&web, &report, before.as_ref()))
}

/// The batch of the same kettle before this one.
async fn before(web: &Web, report: &BatchReport) -> Option<BatchReport> {
    let from: Timestamp = report.from.parse().ok()?;
    let began = UtcMillis(from.as_millisecond());
    let earlier = web.app.history.batches(UtcMillis(i64::MIN), began, LOOKED_BACK).await.ok()?;
    earlier.iter().filter_map(read).find(|other| other.kettle == report.kettle)
}

/// Ways to the cook over time, alone and laid over the batch before it from its beginning.
fn over_time(web: &Web, report: &BatchReport, before: Option<&BatchReport>) -> Markup {
    let line = &web.app.line;
    let Some(kettle) = line.kettles.iter().find(|kettle| kettle.name == report.kettle) else {
        return html! {};
    };
    let tag = &line.signal(kettle.temperature).tag;
    let cook = format!("/trend?signals={tag}&from={}&to={}", report.from, report.to);
    html! {
        section {
            h2 { "Over time" }
            ul {
                li { a href=(cook) { "Cook temperature of this batch" } }
                @if let Some(before) = before {
                    li { a href=(format!("{cook}&against={}", before.from)) { "Laid over the batch before it" } @if let Some(number) = before.number { ", " (number) } ", from the beginning of each" }
                }
            }
        }
    }
}

fn record(web: &Web, report: &BatchReport, before: Option<&BatchReport>) -> Markup {
    let known = |value: Option<f64>, digits: u8, unit: &str| {
        value.map_or_else(
            || "not known".to_owned(),
            |value| format!("{} {unit}", words::number(value, digits)),
        )
    };
    html! {
        h1 { (report.kettle) @if let Some(number) = report.number { ", batch " (number) } ": limits " (verdict(so_far(report))) }
        p.soft { (report.id) " \u{b7} " (report.recipe_name) }
        dl.facts {
            dt { "In the kettle" } dd { (between(web, &report.from, &report.to)) ", " (report.ending) }
            dt { "Come-up" } dd { (known(report.come_up_s.map(|s| s / 60.0), 1, "min")) " until hold time counts" }
            dt { "Water" } dd { (known(report.water_l, 0, "L")) ", " (known(report.water_to_corn_l_per_kg, 2, "L/kg")) " of " (words::number(report.corn_kg, 0)) " kg corn, " (report.corn_known_by()) }
            dt { "Lime" } dd { (known(report.lime_kg, 2, "kg")) ", " (known(report.lime_to_corn_percent, 2, "%")) " of the corn" }
            @if report.unseen_s > 0.0 { dt { "Not seen" } dd { "what tells its phases, for " (words::span(report.unseen_s)) } }
            @for oddity in &report.oddities { dt { "Odd" } dd { (oddity) } }
        }
        section { h2 { "Cook" } (verdicts(&report.cook, "Limits of the cook")) }
        section {
            h2 { "Phases" }
            table.tanks {
                thead { tr { th { "Phase" } th { "From" } th { "min" } } }
                tbody { @for phase in &report.phases {
                    tr { th scope="row" { (phase.phase) } td { (clock(web, &phase.from)) } td { (words::number(phase.length_s / 60.0, 1)) } }
                } }
            }
        }
        (over_time(web, report, before))
        (soak(web, report))
        section {
            h2 { "What it became" }
            @if report.fed.is_empty() { p { "It has not been fed to the line yet." } }
            ul { @for fed in &report.fed { li { (crate::report::batch_text::fed_words(fed, &|text| clock(web, text))) } } }
        }
        p.soft {
            "Recipe file " code { (report.recipe_sha256.as_deref().map_or("", short)) } ", configuration " code { (short(&report.configuration)) }
            @if !report.is_complete { ". The record goes on until its corn is packed." }
        }
        p { a.button href="/batches" { "All batches" } }
    }
}

fn short(fingerprint: &str) -> &str {
    fingerprint.get(..12).unwrap_or(fingerprint)
}

fn verdicts(rows: &[VerdictRow], label: &str) -> Markup {
    html! {
        @if rows.is_empty() { p { "The recipe asks for nothing here." } } @else {
            div.wide tabindex="0" role="region" aria-label=(label) {
                table.tanks {
                    thead { tr { th { "Limit" } th { "Accepted" } th { "Was" } th { "" span.unseen { "Verdict" } } } }
                    tbody { @for row in rows {
                        tr.bad[row.verdict.starts_with("not met")] {
                            th scope="row" { (row.limit.replace("degC", "\u{b0}C")) } td { (accepted(row)) } td { (found(row)) } td { (verdict(&row.verdict)) }
                        }
                    } }
                }
            }
        }
    }
}

fn soak(web: &Web, report: &BatchReport) -> Markup {
    let soak = &report.soak;
    html! {
        section {
            h2 { "Soak" }
            @match soak.tank {
                None => p { "It is not known which tank it was pumped to." },
                Some(tank) => {
                    dl.facts {
                        dt { "Tank" } dd { (tank) @if let Some(from) = &soak.from { @match &soak.from_not_before {
                            Some(earliest) => { ", from between " (clock(web, earliest)) " and " (clock(web, from)) }
                            None => { ", from " (clock(web, from)) }
                        } } }
                        @if let Some(hours) = soak.soaked_h { dt { "Soaked" } dd { (words::span(hours * 3600.0)) " until it was first fed" } }
                        dt { "Moisture" } dd {
                            @match (soak.moisture_percent, soak.moisture_uncertainty_percent, &soak.no_moisture_because) {
                                (Some(moisture), Some(off), _) => { (words::number(moisture, 1)) " % predicted, give or take " (words::number(off, 1)) },
                                (_, _, Some(why)) => { "not predicted: " (why) },
                                (_, _, None) => "not predicted"
                            }
                        }
                    }
                    (verdicts(&soak.limits, "Limits of the soak"))
                }
            }
        }
    }
}

/// The list, for programs.
pub(in crate::web) async fn list_for_programs(
    State(web): State<Web>,
    Query(paging): Query<Paging>,
) -> Response {
    match paged(&*web.app.history, &paging).await {
        Ok(PageOf { items: batches, next }) => {
            Json(BatchesBody { schema_version: 1, batches, next }).into_response()
        }
        Err(problem) => problem.into_response(),
    }
}

/// A page of batches, newest first.
#[derive(Serialize, ToSchema)]
pub(in crate::web) struct BatchesBody {
    schema_version: u32,
    batches: Vec<BatchReport>,
    /// Behind the last one here; null on the last page.
    next: Option<String>,
}

async fn paged(history: &dyn HistoryStore, paging: &Paging) -> Result<PageOf<BatchReport>, Problem> {
    let limit = paging.limit()?;
    let mut to = UtcMillis(i64::MAX);
    let mut behind = None;
    if let Some(id) = paging.after(|text| Some(text.to_owned()))? {
        let last = history.batch(id).await.map_err(Problem::unread)?;
        let last = last.ok_or_else(|| {
            let text = "\"after\" is the \"next\" of the page before: no batch of this name is kept";
            Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text)
        })?;
        to = UtcMillis(last.start.0.saturating_add(1));
        behind = Some((last.start, last.id));
    }
    let rows = history.batches(UtcMillis(i64::MIN), to, limit + 1 + AT_ONCE).await;
    let mut rows = rows.map_err(Problem::unread)?;
    if let Some((start, id)) = behind {
        rows.retain(|row| (row.start, &row.id) < (start, &id));
    }
    Ok(PageOf::cut(rows, limit, |row| row.id.clone()).read(|row| read(&row)))
}

/// One, for programs.
pub(in crate::web) async fn one_for_programs(State(web): State<Web>, Path(id): Path<String>) -> Response {
    match web.app.history.batch(id).await {
        Ok(found) => match found.as_ref().and_then(read) {
            Some(report) => Json(report).into_response(),
            None => Problem::new(
                StatusCode::NOT_FOUND,
                "no record is kept of this batch; /api/v1/batches lists them",
            )
            .into_response(),
        },
        Err(error) => Problem::unread(error).into_response(),
    }
}
