//! The handover of a shift, to be read at its change and printed.

use super::{batch_lines, between, clock, minute_of, name_field, page, said, unreadable};
use crate::report::entered;
use crate::report::latitude::LatitudeRow;
use crate::report::shift::{AtTheEnd, CallRow, ShiftReport, TankRow, shift_report};
use crate::report::shifts::{self, ShiftSpan};
use crate::report::stops::{REASONS, StopRow};
use crate::report::tables::{call_words, hold_words, words_of};
use crate::web::acknowledge::remembered_name;
use crate::web::doors::{self, Needs};
use crate::web::problem::Problem;
use crate::web::{Web, words};
use axum::Json;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use serde::Deserialize;

/// Calls that are told before a line that opens: a line that stood still has more of them than anybody reads.
const CALLS_TOLD: usize = 20;

/// Which shift: by its name and local day; without them the one that goes on, or the one before it.
#[derive(Deserialize)]
pub(in crate::web) struct Asked {
    shift: Option<String>,
    date: Option<String>,
    last: Option<String>,
    said: Option<String>,
}

fn find(web: &Web, asked: &Asked) -> Result<ShiftSpan, String> {
    let (line, now) = (&web.app.line, web.app.clock.utc());
    let present =
        shifts::at(line, now).ok_or("line.toml names no shifts: add [[shift]] with `name` and `from`")?;
    let found = match (&asked.shift, &asked.date) {
        (Some(name), Some(date)) => {
            let day = date.parse().map_err(|_| "a day is written as 2026-11-23".to_owned())?;
            shifts::named(line, name, day).ok_or_else(|| "there is no such shift on that day".to_owned())?
        }
        (None, None) if asked.last.is_some() => {
            shifts::before(line, &present).ok_or("there is no shift before")?
        }
        (None, None) => present,
        (_, _) => return Err("give both shift and date, or neither".to_owned()),
    };
    if found.span.from() > now { Err("that shift has not begun".to_owned()) } else { Ok(found) }
}

async fn report(web: &Web, shift: &ShiftSpan) -> Result<ShiftReport, String> {
    let (app, now) = (&web.app, web.app.clock.utc());
    let snapshot = app.handle.snapshot();
    let due = entered::due(&app.line, &snapshot.entries);
    // Of an older shift nobody remembers the state of things but its own printed handover.
    let state = if shift.span.contains(now) {
        AtTheEnd { tanks: &snapshot.following.tanks, due: Some(&due) }
    } else {
        AtTheEnd::default()
    };
    // It reads much: few at a time, as all that does.
    let _turn = web.heavy.acquire().await;
    shift_report(&app.line, &*app.history, shift, state, now).await.map_err(|error| error.text)
}

/// The handover, for programs.
pub(in crate::web) async fn for_programs(State(web): State<Web>, Query(asked): Query<Asked>) -> Response {
    let shift = match find(&web, &asked) {
        Ok(shift) => shift,
        Err(text) => return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response(),
    };
    match report(&web, &shift).await {
        Ok(report) => Json(report).into_response(),
        Err(why) => Problem::unread(why).into_response(),
    }
}

/// Serves the page.
pub(in crate::web) async fn show(
    State(web): State<Web>,
    Query(asked): Query<Asked>,
    headers: HeaderMap,
) -> Response {
    let shift = match find(&web, &asked) {
        Ok(shift) => shift,
        Err(text) => {
            let body = html! { h1 { "Handover" } p { (text) "." } p { a.button href="/" { "The line" } } };
            let mut response = page(&web, "Handover", body);
            *response.status_mut() = StatusCode::NOT_FOUND;
            return response;
        }
    };
    match report(&web, &shift).await {
        Ok(report) => {
            let name = remembered_name(&headers);
            page(
                &web,
                "Handover",
                show_report(&web, &shift, &report, (asked.said.as_deref(), name.as_deref())),
            )
        }
        Err(why) => unreadable(&web, "Handover", &why),
    }
}

fn address(shift: &ShiftSpan) -> String {
    let name = percent_encoding::utf8_percent_encode(&shift.name, percent_encoding::NON_ALPHANUMERIC);
    format!("/handover?shift={name}&date={}", shift.date)
}

fn show_report(
    web: &Web,
    shift: &ShiftSpan,
    report: &ShiftReport,
    (outcome, name): (Option<&str>, Option<&str>),
) -> Markup {
    let local = |text: &str| clock(web, text);
    let rows = |calls: &[CallRow]| {
        html! { ul { @for call in calls { li { a href=(format!("/alarms/{}", call.alarm)) { (call_words(call, &local)) } } } } }
    };
    let calls = |calls: &[CallRow]| {
        let (told, folded) = calls.split_at(calls.len().min(CALLS_TOLD));
        html! {
            @if calls.is_empty() { p { "None." } }
            (rows(told))
            @if !folded.is_empty() { details { summary { (folded.len()) " more" } (rows(folded)) } }
        }
    };
    html! {
        h1 { "Handover, shift " (report.shift) ", " (report.date) }
        (said(outcome))
        p.point { (between(web, &report.from, &report.to)) @if report.goes_on { ", it goes on" } ", watched for " (words::span(report.watched_s)) }
        nav.shifts aria-label="Shifts" {
            @if let Some(before) = shifts::before(&web.app.line, shift) { a.button href=(address(&before)) { "Shift before" } }
            @if !report.goes_on && let Some(after) = shifts::at(&web.app.line, shift.span.to()) && after.span.from() <= web.app.clock.utc() {
                a.button href=(address(&after)) { "Shift after" }
            }
        }
        dl.facts { dt { "Made" } dd { (made(report)) } }
        section { h2 { @if report.goes_on { "Standing now: " } @else { "Standing at the end: " } (report.standing.len()) } (calls(&report.standing)) }
        section { h2 { "Alarms of the shift: " (report.calls.len()) } (calls(&report.calls)) }
        (silent(web, report))
        section {
            h2 { "Stops: " (report.stops.len()) }
            @if report.stops.is_empty() { p { "None." } }
            ul.alarms { @for (index, stop) in report.stops.iter().enumerate() { li { (stop_row(web, stop, (index, &address(shift), report.goes_on), name)) } } }
        }
        (turned(report))
        (tanks(web, report))
        (batches(report))
        section {
            h2 { "On hold: " (report.holds_open.len()) }
            @if report.holds_open.is_empty() { p { "Nothing." } }
            ul { @for hold in &report.holds_open { li { a href="/holds" { (hold_words(hold, &local)) } } } }
        }
        section {
            h2 { "Checks due: " @if report.is_due_known { (report.checks_due.len()) } @else { "not known" } }
            @if !report.checks_are_kept { p { "This line has no checks that people enter." } }
            @else if !report.is_due_known { p { "What was due then is not kept." } }
            ul { @for check in &report.checks_due { li { (check.name) ", due " (local(&check.due)) @if check.is_late { b { " \u{25b2} late" } } } } }
        }
        section { h2 { "Signals that the recipe holds" } (super::figures::signals(&report.statistics)) }
    }
}

fn made(report: &ShiftReport) -> String {
    match report.made {
        Some(made) if made.unknown_s > 1.0 => {
            format!(
                "{} kg, and what passed in {} of unknown feed",
                words::number(made.kg, 0),
                words::span(made.unknown_s)
            )
        }
        Some(made) => format!("{} kg", words::number(made.kg, 0)),
        None => "nothing weighs it".to_owned(),
    }
}

/// Its name, or its id once the line has it no longer.
fn alarm_name<'a>(web: &'a Web, id: &'a str) -> &'a str {
    web.app.line.alarm_by_id(id).map_or(id, |known| web.app.line.alarm(known).name.as_str())
}

fn silent(web: &Web, report: &ShiftReport) -> Markup {
    html! {
        section {
            h2 { "Shelved and out of service: " (report.shelved.len() + report.out_of_service.len()) }
            @if report.shelved.is_empty() && report.out_of_service.is_empty() { p { "None." } }
            ul {
                @for row in report.shelved.iter().chain(&report.out_of_service) {
                    li {
                        a href=(format!("/alarms/{}", row.alarm)) { (alarm_name(web, &row.alarm)) }
                        @match &row.until { Some(until) => { ", shelved until " (clock(web, until)) }, None => ", out of service until returned" }
                        ", by " (row.by) @if let Some(why) = &row.why { ": " (why) }
                    }
                }
            }
        }
    }
}

fn stop_row(
    web: &Web,
    stop: &StopRow,
    (index, back, goes_on): (usize, &str, bool),
    name: Option<&str>,
) -> Markup {
    let field = |key: &str| format!("{key}-{index}");
    let place = |key: &str| {
        let known = web.app.line.stations.iter().find(|station| station.key == key);
        known.map_or_else(|| key.to_owned(), |station| station.name.clone())
    };
    html! {
        p {
            b { (place(&stop.station)) } @if !stop.with.is_empty() { " with " (stop.with.iter().map(|key| place(key)).collect::<Vec<_>>().join(", ")) }
            ": " @match &stop.to { Some(to) => (between(web, &stop.from, to)), None => { (clock(web, &stop.from)) @if goes_on { ", stands still" } @else { ", and stood on at its end" } } }
            ", " (words::span(stop.length_s)) " in this shift"
        }
        @match &stop.reason {
            Some(said) => p { b { (words_of(&REASONS, &said.reason)) } @if let Some(note) = &said.note { ", " (note) } ", by " (said.by) },
            None => p { "No reason given." }
        }
        details.give {
            summary { @if stop.reason.is_some() { "Give another reason" } @else { "Give the reason" } }
            @if let Some(instead) = doors::instead(Needs::Operate, "give a reason") { (instead) } @else { form.acknowledge method="post" action=(format!("/stops/{}/reason", stop.id)) {
                input type="hidden" name="back" value=(back);
                label for=(field("reason")) { "Why it stood" }
                select id=(field("reason")) name="reason" required {
                    option value="" { "Choose" }
                    @for (key, words) in REASONS { option value=(key) { (words) } }
                }
                label for=(field("note")) { "Note" }
                input id=(field("note")) type="text" name="note" maxlength="200";
                (name_field(&field("by"), name))
                button type="submit" { "Keep the reason" }
            } }
        }
    }
}

fn turned(report: &ShiftReport) -> Markup {
    // A share is turned by points, as everywhere on the pages.
    let unit = |row: &LatitudeRow| {
        if row.unit == "%" { "points".to_owned() } else { words::shown_unit(&row.unit).to_owned() }
    };
    html! {
        section {
            h2 { "Setpoints away from the recipe: " (report.latitude.len()) }
            @if report.latitude.is_empty() { p { "None." } }
            ul { @for row in &report.latitude { li {
                a href=(format!("/signals/{}", row.signal)) { (row.signal) " " (row.name) }
                ": turned " (row.turns) (if row.turns == 1 { " time" } else { " times" }) ", farthest " (words::signed(row.farthest, 1)) " " (unit(row))
                @if let Some(may) = row.latitude { " (latitude " (words::number(may, 1)) " " (unit(row)) ")" }
                @if row.within_s >= 1.0 { ", " (words::span(row.within_s)) " within it" }
                @if row.beyond_s >= 1.0 { ", " b { "\u{25b2} " (words::span(row.beyond_s)) " beyond it" } }
            } } }
        }
    }
}

fn tanks(web: &Web, report: &ShiftReport) -> Markup {
    let age = |tank: &TankRow| match (tank.youngest_h, tank.oldest_h) {
        (Some(youngest), Some(oldest)) => words::hours_between(youngest * 3600.0, oldest * 3600.0),
        (_, _) => "\u{2013}".to_owned(),
    };
    let at =
        |at: &Option<String>| at.as_deref().map_or_else(|| "\u{2013}".to_owned(), |at| minute_of(web, at));
    html! {
        @if !report.tanks.is_empty() {
            section {
                h2 { "Tanks now" }
                div.wide tabindex="0" role="region" aria-label="Tanks" {
                    table.tanks.figures.stack {
                        thead { tr { th { "Tank" } th { "State" } th { "kg" } th { "Age" } th { "May be fed" } th { "Too old" } } }
                        tbody { @for tank in &report.tanks { tr {
                            th scope="row" { (tank.name) } td data-h="State" { (tank.state) }
                            td data-h="kg" { @match tank.corn_kg { Some(kg) => (words::number(kg, 0)), None => "\u{2013}" } }
                            td data-h="Age" { (age(tank)) } td data-h="May be fed" { (at(&tank.ready)) } td data-h="Too old" { (at(&tank.too_old)) }
                        } } }
                    }
                }
            }
        }
    }
}

fn batches(report: &ShiftReport) -> Markup {
    html! {
        section {
            h2 { "Kettle batches begun: " (report.batches.len()) }
            @if report.batches.is_empty() { p { "None has a record." } }
            ul { @for line in batch_lines(&report.batches) { li { (line) } } }
            p.soft { "A batch has its record when it has left the kettle." }
        }
    }
}
