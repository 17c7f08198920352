//! Statistics as tables: of a signal by shift on its own page, of the main signals in a handover.

use crate::history::Span;
use crate::report::recent::events_for;
use crate::report::shift::SignalRow;
use crate::report::statistics::{By, StatisticsRow, statistics_report};
use crate::report::stops::modes;
use crate::web::problem::Problem;
use crate::web::{Web, names, reports, words};
use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use serde::Deserialize;
use setward_config::line::Role;
use setward_protocol::{SignalId, UtcMillis};

/// How far back the table on a signal's page looks.
const DAY_MS: i64 = 24 * 3_600_000;

/// What a program asks for.
#[derive(Deserialize)]
pub(in crate::web) struct Asked {
    signal: String,
    by: Option<String>,
    from: Option<String>,
    to: Option<String>,
}

/// Statistics, for programs: `signal`, `by` (window, shift, day, recipe, batch, lot), `from` and `to` as RFC 3339, a day without them.
pub(in crate::web) async fn for_programs(State(web): State<Web>, Query(asked): Query<Asked>) -> Response {
    let bad = |text: String| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response();
    let signal = match names::signal(&web.app.line, &asked.signal) {
        Ok(signal) => signal,
        Err(nearest) => return crate::web::api::missing("signal", nearest),
    };
    let by = match asked.by.as_deref() {
        None | Some("shift") => By::Shift,
        Some("window") => By::Window,
        Some("day") => By::Day,
        Some("recipe") => By::Recipe,
        Some("batch") => By::Batch,
        Some("lot") => By::Lot,
        Some(_) => return bad("\"by\" is one of window, shift, day, recipe, batch, lot".to_owned()),
    };
    let ends = (asked.from.as_deref(), asked.to.as_deref());
    let window = match reports::span(ends, DAY_MS, web.app.clock.utc()) {
        Ok(window) => window,
        Err(text) => return bad(text),
    };
    match worked_out(&web, (signal, by), window).await {
        Ok(report) => Json(report).into_response(),
        Err(why) => Problem::new(StatusCode::SERVICE_UNAVAILABLE, why).into_response(),
    }
}

async fn worked_out(
    web: &Web,
    asked: (SignalId, By),
    window: Span,
) -> Result<crate::report::statistics::StatisticsReport, String> {
    let app = &web.app;
    let events = events_for(&app.line, &*app.history, window.from()).await.map_err(|error| error.text)?;
    let modes = modes(&app.line, &events, window, app.clock.utc());
    let report = statistics_report(&app.line, &*app.history, asked, (window, None), &modes).await;
    report.map_err(|error| error.text)
}

/// The last day of a measured signal by shift, or as a whole where there are no shifts.
pub(in crate::web) async fn last_day(web: &Web, signal: SignalId) -> Markup {
    let line = &web.app.line;
    if line.signal(signal).role != Role::Measured {
        return html! {};
    }
    let now = web.app.clock.utc();
    let by = if line.shifts.is_empty() { By::Window } else { By::Shift };
    let Ok(window) = Span::new(UtcMillis(now.0 - DAY_MS), now) else { return html! {} };
    html! {
        section {
            h2 { "Statistics of the last 24 hours" }
            @match worked_out(web, (signal, by), window).await {
                Ok(report) => (table(&report.rows.iter().map(|row| (row.group.as_str(), row)).collect::<Vec<_>>())),
                Err(why) => p { "Not told: " (why) }
            }
            (legend())
        }
    }
}

/// The main signals of a handover.
pub(super) fn signals(rows: &[SignalRow]) -> Markup {
    let named: Vec<(String, &StatisticsRow)> = rows.iter().map(|row| (title(row), &row.figures)).collect();
    html! {
        (table(&named.iter().map(|(name, row)| (name.as_str(), *row)).collect::<Vec<_>>()))
        (legend())
    }
}

/// What the columns are.
fn legend() -> Markup {
    html! {
        p.soft {
            "While the station ran and the value was good. Value less setpoint where the recipe has one. Ppk stands on the overall standard
            deviation (sd), Cpk on the one within: each compares the distance to the nearer end of the specification with three of them, and is
            better the higher it is. n eff. is how many independent values the readings are worth."
        }
    }
}

fn table(rows: &[(&str, &StatisticsRow)]) -> Markup {
    html! {
        @if rows.is_empty() { p { "None." } } @else {
            div.wide tabindex="0" role="region" aria-label="Statistics" {
                table.tanks.figures.stack {
                    thead { tr { th { "" span.unseen { "Of" } } th { "Ran" } th { "In tolerance" } th { "Mean" } th { "sd" } th { "n eff." } th { "Ppk" } th { "Cpk" } } }
                    tbody { @for (name, row) in rows { (row_of(name, row)) } }
                }
            }
        }
    }
}

fn row_of(name: &str, row: &StatisticsRow) -> Markup {
    let shown = |value: Option<f64>, digits: u8| {
        value.map_or_else(|| "\u{2013}".to_owned(), |value| words::number(value, digits))
    };
    let mean = row.mean.map_or_else(
        || "\u{2013}".to_owned(),
        |mean| if row.is_deviation { words::signed(mean, 2) } else { words::number(mean, 2) },
    );
    let why = row.no_ppk_because.as_deref().map(|why| format!("no Ppk: {why}"));
    let why = why.or_else(|| row.no_cpk_because.as_deref().map(|why| format!("no Cpk: {why}")));
    html! {
        tr {
            th scope="row" { (name) }
            @match &row.refused {
                Some(why) => td colspan="7" { (why) },
                None => {
                    td data-h="Ran" { (words::span(row.known_s)) }
                    td data-h="In tolerance" { @match row.in_tolerance_percent { Some(share) => { (words::number(share, 1)) " %" }, None => "\u{2013}" } }
                    td data-h="Mean" { (mean) }
                    td data-h="sd" { (shown(row.standard_deviation, 2)) }
                    td data-h="n eff." { (shown(row.effective_count, 0)) }
                    td data-h="Ppk" { (shown(row.ppk, 2)) }
                    td data-h="Cpk" { (shown(row.cpk, 2)) @if let Some(why) = why { br; small { (why) } } }
                }
            }
        }
    }
}

/// Tag, name and unit, if it has one.
fn title(row: &SignalRow) -> String {
    match words::shown_unit(&row.unit) {
        "" => format!("{} {}", row.signal, row.name),
        unit => format!("{} {}, {unit}", row.signal, row.name),
    }
}
