//! The review: exceptions over a time, and the signature under them.

use super::{
    batch_lines, batch_link, between, clock, dated, lot_address, name_field, page, said, unreadable,
};
use crate::history::Span;
use crate::report::hold_window::{HoldReport, NoWindow, hold_report};
use crate::report::lot_review::{NoLot, lot_review};
use crate::report::review::{LONGEST_MS, ReviewReport, review_report};
use crate::report::tables::{hold_words, lot_words};
use crate::web::acknowledge::remembered_name;
use crate::web::doors::{self, Needs};
use crate::web::problem::Problem;
use crate::web::{Web, names, reports, words};
use axum::Json;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use serde::Deserialize;
use setward_protocol::UtcMillis;

const DAY_MS: i64 = 24 * 3_600_000;
const HOUR_MS: i64 = 3_600_000;

/// The window; the last 24 h up to the full hour without it.
#[derive(Deserialize)]
pub(in crate::web) struct Asked {
    from: Option<String>,
    to: Option<String>,
    /// A lot instead of a time.
    lot: Option<String>,
    said: Option<String>,
}

fn window(web: &Web, asked: &Asked) -> Result<Span, String> {
    // To the hour, so that a page that is read again shows the same time, and can be signed.
    let now = web.app.clock.utc();
    let hour = UtcMillis(now.0 - now.0.rem_euclid(HOUR_MS));
    let window = reports::span((asked.from.as_deref(), asked.to.as_deref()), DAY_MS, hour)?;
    if window.length_ms() > LONGEST_MS {
        return Err("a review reaches over 93 days at most; ask for a shorter time".to_owned());
    }
    Ok(window)
}

/// The review, for programs.
pub(in crate::web) async fn for_programs(State(web): State<Web>, Query(asked): Query<Asked>) -> Response {
    // It reads much: few at a time, as all that does.
    let _turn = web.heavy.acquire().await;
    if let Some(lot) = &asked.lot {
        return match lot_review(&web.app.line, &*web.app.history, lot, web.app.clock.utc()).await {
            Ok((report, _, _)) => Json(report).into_response(),
            Err(NoLot::History(error)) => Problem::unread(error).into_response(),
            Err(why @ (NoLot::NotTold | NoLot::NoSuchLot)) => {
                Problem::new(StatusCode::NOT_FOUND, no_lot(&why)).into_response()
            }
        };
    }
    let window = match window(&web, &asked) {
        Ok(window) => window,
        Err(text) => return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response(),
    };
    match review_report(&web.app.line, &*web.app.history, window, web.app.clock.utc()).await {
        Ok(report) => Json(report).into_response(),
        Err(error) => Problem::unread(error).into_response(),
    }
}

/// Serves the page.
pub(in crate::web) async fn show(
    State(web): State<Web>,
    Query(asked): Query<Asked>,
    headers: HeaderMap,
) -> Response {
    let outcome = (asked.said.as_deref(), remembered_name(&headers));
    if let Some(lot) = &asked.lot {
        return show_lot(&web, lot, (outcome.0, outcome.1.as_deref())).await;
    }
    let window = match window(&web, &asked) {
        Ok(window) => window,
        Err(text) => {
            let body = html! { h1 { "Review" } p { (text) "." } p { a.button href="/records" { "The last 24 hours" } } };
            let mut response = page(&web, "Review", body);
            *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
            return response;
        }
    };
    let _turn = web.heavy.acquire().await;
    match review_report(&web.app.line, &*web.app.history, window, web.app.clock.utc()).await {
        Ok(report) => {
            let is_over = window.to() <= web.app.clock.utc();
            page(
                &web,
                "Review",
                show_report(&web, (window, is_over), &report, (outcome.0, outcome.1.as_deref())),
            )
        }
        Err(error) => unreadable(&web, "Review", &error.text),
    }
}

/// Why there is no review of a lot, and what to do.
fn no_lot(why: &NoLot) -> &'static str {
    match why {
        NoLot::NotTold => "nothing on this line tells lots: [lots] of line.toml would",
        NoLot::NoSuchLot => {
            "no lot of this name was packed, as far as history goes back; see the review for those there are"
        }
        NoLot::History(_) => "history can't be read",
    }
}

async fn show_lot(web: &Web, lot: &str, outcome: (Option<&str>, Option<&str>)) -> Response {
    let _turn = web.heavy.acquire().await;
    match lot_review(&web.app.line, &*web.app.history, lot, web.app.clock.utc()).await {
        Ok((report, window, goes_on)) => {
            page(web, &format!("Review of lot {lot}"), show_report(web, (window, !goes_on), &report, outcome))
        }
        Err(NoLot::History(error)) => unreadable(web, "Review", &error.text),
        Err(why @ (NoLot::NotTold | NoLot::NoSuchLot)) => {
            let body = html! { h1 { "Review" } p { (no_lot(&why)) "." } p { a.button href="/records" { "The last 24 hours" } } };
            let mut response = page(web, "Review", body);
            *response.status_mut() = StatusCode::NOT_FOUND;
            response
        }
    }
}

/// The lots of a review, each with the way to its own.
fn lots(web: &Web, report: &ReviewReport) -> Markup {
    let local = |text: &str| dated(web, text);
    html! {
        @if report.lots_are_told {
            section {
                h2 { "By lot" }
                @if report.lots.is_empty() { p { "None." } }
                ul { @for row in &report.lots {
                    li {
                        @if report.lot.is_some() { (lot_words(row, &local)) } @else { a href=(lot_address(&row.lot)) { (lot_words(row, &local)) } }
                        @if !row.date_codes.is_empty() { br; "date codes " (row.date_codes.join(", ")) }
                        @if report.lot.is_some() && !row.batches.is_empty() { br; "batches " @for id in &row.batches { (batch_link(id)) " " } }
                    }
                } }
            }
        }
    }
}

fn part(title: &str, lines: &[Markup]) -> Markup {
    html! {
        section { h2 { (title) } @if lines.is_empty() { p { "None." } } ul { @for line in lines { li { (line) } } } }
    }
}

fn show_report(
    web: &Web,
    (window, is_over): (Span, bool),
    report: &ReviewReport,
    (outcome, name): (Option<&str>, Option<&str>),
) -> Markup {
    let local = |text: &str| clock(web, text);
    let stretch = |from: &str, to: &str| between(web, from, to);
    let batches = batch_lines(&report.batch_exceptions);
    let alarms: Vec<Markup> = report
        .alarms
        .iter()
        .map(|row| {
            html! {
                a href=(format!("/alarms/{}", row.alarm)) { (row.name) } ", raised " (local(&row.raised))
                @match &row.cleared { Some(at) => { ", cleared " (local(at)) }, None => ", stands" }
                @for line in row.product_words(&local) { br; (line) }
                @if let Some(words) = row.touched.words() { br; (words) }
            }
        })
        .collect();
    let corrections: Vec<Markup> = report
        .corrections
        .iter()
        .map(|row| html! { (local(&row.at)) " " (row.name) ": " (row.old) " to " (row.new) " by " (row.by) })
        .collect();
    let holds: Vec<Markup> =
        report.holds.iter().map(|row| html! { a href="/holds" { (hold_words(row, &local)) } }).collect();
    let gaps: Vec<Markup> = report
        .gaps
        .iter()
        .map(|gap| html! { (stretch(&gap.from, &gap.to)) ", " (words::span(gap.length_s)) })
        .collect();
    let steps: Vec<Markup> = report
        .clock_steps
        .iter()
        .map(|step| html! { (words::signed(step.step_s, 1)) " s, seen " (local(&step.seen)) })
        .collect();
    let blind: Vec<Markup> = report.blind.iter().map(|row| html! { a href=(format!("/alarms/{}", row.alarm)) { (row.name) } " for " (words::span(row.blind_s)) }).collect();
    html! {
        h1 { @match &report.lot { Some(lot) => { "Lot " (lot) }, None => "Review" } ": " (words::counted(report.exceptions(), "exception")) }
        (said(outcome))
        p.point { (stretch(&report.from, &report.to)) }
        (lots(web, report))
        (part(&format!("Kettle batches, {} in all: limits not met or not known", report.batches), &batches))
        (part("Medium and high alarms, with the product they touched", &alarms))
        (part(if report.entries_are_kept { "Corrections" } else { "Corrections: nothing is entered on this line" }, &corrections))
        (part("Holds placed, decided or open", &holds))
        (part("Nobody watched", &gaps))
        (part("Steps of the clock", &steps))
        section {
            h2 { "Audit trail" }
            @if report.audit_broken.is_empty() { p { "Whole, " (report.audit_entries) " entries." } }
            ul { @for broken in &report.audit_broken { li { b { "\u{25b2} " (broken) } } } }
        }
        @if !blind.is_empty() { details { summary { (blind.len()) " alarms could not have fired for a while" } ul { @for line in &blind { li { (line) } } } } }
        (signing(web, (window, is_over), report, name))
    }
}

fn signing(web: &Web, (window, is_over): (Span, bool), report: &ReviewReport, name: Option<&str>) -> Markup {
    html! {
        section #sign {
            h2 { "Signed" }
            @if report.signed.is_empty() { p { "Nobody has signed this " @if report.lot.is_some() { "lot" } @else { "period" } "." } }
            ul { @for signed in &report.signed { li { b { (signed.by) } " at " (clock(web, &signed.at)) ", with " (words::counted(signed.exceptions, "exception")) " seen" } } }
            @if report.signed.is_empty() { p.printed { "By hand: name ______________________ date ______________ signature ______________________" } }
            @if report.lot.is_some() && !is_over { p { "It can be signed once the next lot has begun." } }
            @if is_over {
                @if let Some(instead) = doors::instead(Needs::Engineer, "sign") { (instead) } @else { form.acknowledge method="post" action="/sign-offs" {
                    @match &report.lot {
                        Some(lot) => input type="hidden" name="lot" value=(lot);,
                        None => {
                            input type="hidden" name="from_utc_ms" value=(window.from().0);
                            input type="hidden" name="to_utc_ms" value=(window.to().0);
                        }
                    }
                    input type="hidden" name="seen" value=(report.exceptions());
                    (name_field("by", name))
                    button type="submit" { "Sign" small { "I have reviewed these records" } }
                } }
            }
        }
    }
}

/// What a program asks to hold.
#[derive(Deserialize)]
pub(in crate::web) struct HoldAsked {
    alarm: String,
    occurrence: Option<u32>,
}

/// What to hold for an occurrence of an alarm, for programs.
pub(in crate::web) async fn hold_for_programs(
    State(web): State<Web>,
    Query(asked): Query<HoldAsked>,
) -> Response {
    let alarm = match names::alarm(&web.app.line, &asked.alarm) {
        Ok(alarm) => alarm,
        Err(nearest) => return crate::web::api::missing("alarm", nearest),
    };
    let _turn = web.heavy.acquire().await;
    let found: Result<HoldReport, NoWindow> =
        hold_report(&web.app.line, &*web.app.history, (alarm, asked.occurrence), web.app.clock.utc()).await;
    match found {
        Ok(report) => Json(report).into_response(),
        Err(NoWindow::NoSuchOccurrence) => {
            Problem::new(StatusCode::NOT_FOUND, "history has no such occurrence").into_response()
        }
        Err(NoWindow::History(error)) => Problem::unread(error).into_response(),
    }
}
