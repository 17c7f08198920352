//! The alarm report: how often people are called beside what one person can handle, and for each alarm how often it called and how
//! long it could not have fired. The longest lists are folded; the API has all of it.

use super::{clock, page, unreadable};
use crate::history::Span;
use crate::report::figures::Verdict;
use crate::report::ledger::BlindAlarm;
use crate::report::{AlarmReport, alarm_report};
use crate::web::{Web, words};
use axum::extract::{Query, State};
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;

const DAY_MS: i64 = 24 * 3_600_000;
/// How far back it looks without being told, days.
const DAYS_USUAL: u8 = 7;
/// The ways to other lengths, days.
const DAYS_OFFERED: [u8; 3] = [1, 7, 30];
/// Reasons that are told of one alarm, the longest.
const REASONS_TOLD: usize = 2;

/// How far back it looks.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::web) struct Asked {
    days: Option<Days>,
}

/// From 1 to 30.
#[derive(Deserialize)]
#[serde(try_from = "u8")]
struct Days(u8);

impl TryFrom<u8> for Days {
    type Error = &'static str;

    fn try_from(days: u8) -> Result<Self, Self::Error> {
        if (1..=30).contains(&days) { Ok(Self(days)) } else { Err("days is a number from 1 to 30") }
    }
}

/// One alarm: how often it called, how many of its calls went at once, how long it could not have fired.
struct Row<'a> {
    alarm: &'a str,
    calls: u32,
    fleeting: usize,
    blind: Option<&'a BlindAlarm>,
}

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, Query(asked): Query<Asked>) -> Response {
    let days = asked.days.map_or(DAYS_USUAL, |days| days.0);
    let now = web.app.clock.utc();
    let report = match Span::new(UtcMillis(now.0.saturating_sub(i64::from(days) * DAY_MS)), now) {
        Ok(span) => {
            // It reads much: few at a time, as all that does.
            let _turn = web.heavy.acquire().await;
            alarm_report(&web.app.line, &*web.app.history, span, now).await.map_err(|error| error.text)
        }
        Err(error) => Err(error.text),
    };
    match report {
        Ok(report) => page(&web, "Alarm report", body(&web, &report, days)),
        Err(why) => unreadable(&web, "Alarm report", &why),
    }
}

fn last(days: u8) -> String {
    if days == 1 { "the last day".to_owned() } else { format!("the last {days} days") }
}

fn body(web: &Web, report: &AlarmReport, days: u8) -> Markup {
    let [low, medium, high] = report.by_priority;
    html! {
        h1 { "Alarm report, " (last(days)) }
        p.point { (super::between(web, &report.from, &report.to)) ", watched for " (words::span(report.running_s)) }
        nav.shifts aria-label="Other lengths" {
            @for other in DAYS_OFFERED { @if other != days { a.button href=(format!("/alarm-report?days={other}")) { @if other == 1 { "Last day" } @else { "Last " (other) " days" } } } }
        }
        p { b { (words::counted(report.calls, "call")) } ": " (high) " high, " (medium) " medium, " (low) " low" @if let Some(words) = report.no_longer_in_files_words() { "; " (words) } ". A call is an alarm that raised, or raised again, while nothing kept it silent." }
        (figures(report))
        (alarms(web, report))
        (trouble(web, report))
    }
}

fn figures(report: &AlarmReport) -> Markup {
    html! {
        section {
            h2 { "Beside what one person can handle" }
            div.wide tabindex="0" role="region" aria-label="Figures" {
                table.tanks.stack {
                    thead { tr { th { "Figure" } th { "Found" } th { "At most" } th { "How it stands" } } }
                    tbody { @for figure in &report.figures {
                        @let (found, at_most) = figure.in_words();
                        tr {
                            th scope="row" { (figure.title) }
                            td data-h="Found" { (found.as_deref().unwrap_or("\u{2013}")) }
                            td data-h="At most" { (at_most) }
                            td data-h="How it stands" { @match figure.verdict { Verdict::NotMet => b { "\u{25b2} not met" }, Verdict::Met | Verdict::TooFew => (figure.verdict.words()) } }
                        }
                    } }
                }
            }
            p.soft { "The bounds are those of the alarm standards. Averages are judged once a month was watched, shares once there are calls enough." }
        }
    }
}

/// Every alarm that called or could not have fired, what called most first.
fn rows(report: &AlarmReport) -> Vec<Row<'_>> {
    let mut all: BTreeMap<&str, Row<'_>> = BTreeMap::new();
    let row = |alarm| Row { alarm, calls: 0, fleeting: 0, blind: None };
    for called in &report.calls_by_alarm {
        all.entry(&called.alarm).or_insert_with(|| row(&called.alarm)).calls = called.calls;
    }
    for nuisance in &report.nuisances {
        all.entry(&nuisance.alarm).or_insert_with(|| row(&nuisance.alarm)).fleeting = nuisance.fleeting;
    }
    for blind in &report.could_not_have_fired {
        all.entry(&blind.alarm).or_insert_with(|| row(&blind.alarm)).blind = Some(blind);
    }
    let mut rows: Vec<Row<'_>> = all.into_values().collect();
    let blind_s = |row: &Row<'_>| row.blind.map_or(0.0, |blind| blind.blind_s);
    rows.sort_by(|a, b| b.calls.cmp(&a.calls).then(blind_s(b).total_cmp(&blind_s(a))));
    rows
}

fn alarms(web: &Web, report: &AlarmReport) -> Markup {
    let (called, other): (Vec<_>, Vec<_>) = rows(report).into_iter().partition(|row| row.calls > 0);
    let (most, seldom) = called.split_at(called.len().min(report.most_frequent.len()));
    html! {
        section {
            h2 { "Alarm by alarm" }
            @if report.could_not_have_fired.is_empty() { p { "Of the time in which an alarm could not have fired, nothing is kept of this stretch." } }
            @else { p { "Could not have fired: without a good value, in a gap, masked by a mode or by a person, settling. Of " (words::span(report.ledger_watched_s)) " that were watched." } }
            @if called.is_empty() { p { "No alarm called." } } @else { (table(web, most)) }
            @if !seldom.is_empty() {
                details id="called-less" {
                    summary { (words::counted(seldom.len(), "alarm")) " that called less often: " (words::counted(seldom.iter().map(|row| row.calls as usize).sum(), "call")) }
                    (table(web, seldom))
                }
            }
            @if !other.is_empty() {
                details id="never-called" {
                    summary { (words::counted(other.len(), "alarm")) " that did not call" }
                    (table(web, &other))
                }
            }
        }
    }
}

fn name<'a>(web: &'a Web, id: &'a str) -> &'a str {
    web.app.line.alarm_by_id(id).map_or(id, |known| web.app.line.alarm(known).name.as_str())
}

/// What the files no longer have has no page.
fn link(web: &Web, id: &str) -> Markup {
    html! { @if web.app.line.alarm_by_id(id).is_some() { a href=(format!("/alarms/{id}")) { (name(web, id)) } } @else { (id) } }
}

fn table(web: &Web, rows: &[Row<'_>]) -> Markup {
    html! {
        div.wide tabindex="0" role="region" aria-label="Alarms" {
            table.tanks.stack {
                thead { tr { th { "Alarm" } th { "Calls" } th { "Gone at once" } th { "Could not have fired" } th { "Mostly" } } }
                tbody { @for row in rows { tr {
                    th scope="row" { (link(web, row.alarm)) }
                    td data-h="Calls" { (row.calls) }
                    td data-h="Gone at once" { (row.fleeting) }
                    td data-h="Could not have fired" { @match row.blind { Some(blind) => { (minutes(blind.blind_s)) ", " (words::number(blind.share * 100.0, 1)) " %" }, None => "\u{2013}" } }
                    td data-h="Mostly" { @match row.blind { Some(blind) => (reasons(blind)), None => "\u{2013}" } }
                } } }
            }
        }
    }
}

/// A length in minutes: one unit, so that a column can be compared.
fn minutes(seconds: f64) -> String {
    format!("{} min", words::number(seconds / 60.0, 0))
}

fn reasons(blind: &BlindAlarm) -> String {
    let mut reasons: Vec<(&str, f64)> = blind.by_reason_s.iter().map(|(key, s)| (*key, *s)).collect();
    reasons.sort_by(|a, b| b.1.total_cmp(&a.1));
    let told = reasons.iter().take(REASONS_TOLD);
    told.map(|(key, s)| format!("{} {}", key.replace('_', " "), words::span(*s)))
        .collect::<Vec<_>>()
        .join(", ")
}

/// What wears people out: floods, chatter, alarms that stand for days, calls that nobody did anything about.
fn trouble(web: &Web, report: &AlarmReport) -> Markup {
    let link = |id: &str| link(web, id);
    let (alone, touched): (Vec<_>, Vec<_>) =
        report.without_action.iter().partition(|row| row.without_action > 0);
    html! {
        section {
            h2 { "Floods, chatter and what stands" }
            @if report.floods.is_empty() && report.stale.is_empty() && !report.nuisances.iter().any(|row| row.chattered) { p { "None." } }
            ul {
                @for flood in &report.floods { li { "Flood from " (clock(web, &flood.from)) ", " (words::span(flood.length_s)) ", " (words::counted(flood.calls, "call")) } }
                @for row in report.nuisances.iter().filter(|row| row.chattered) { li { (link(&row.alarm)) " chattered: three calls within a minute" } }
                @for row in &report.stale { li { (link(&row.alarm)) " stands, or stood, for " (words::span(row.stood_s)) " since " (clock(web, &row.since)) } }
            }
        }
        section {
            h2 { "What people did" }
            @match &report.acknowledgement {
                None => p { "No call was acknowledged." },
                Some(took) => p {
                    (took.acknowledged) " acknowledged, " (took.waiting) " not. Half within " (words::span(took.median_s)) ", 19 of 20 within "
                    (words::span(took.percentile_95_s)) ", the longest " (words::span(took.longest_s)) "."
                }
            }
            @if !alone.is_empty() { p { "Acknowledged, and cleared without anybody touching a setpoint or a mode:" } }
            ul { @for row in &alone { li { (link(&row.alarm)) ": " (row.without_action) " of " (words::counted(row.looked_at, "call")) } } }
            @if !touched.is_empty() { p { "After each call of " (words::counted(touched.len(), "alarm")) " somebody touched a setpoint or a mode." } }
        }
    }
}
