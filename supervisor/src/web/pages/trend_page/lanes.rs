//! What happened meanwhile, on the same axis: alarms from raise to return, the recipe in force, batches; and the alarms as a list.

use super::axis::percent;
use super::samples;
use crate::web::trends::Asked;
use crate::web::trends::read::{AlarmLane, Bar, Lane, Shown};
use crate::web::{Web, svg, words};
use maud::{Markup, html};

/// A word has room in a bar of this width on a wide screen, and of this one on any; per cent.
const ROOM_WIDE_PERCENT: f64 = 8.0;
const ROOM_PERCENT: f64 = 40.0;
/// Rows of the list: more are in the report of alarms.
const LISTED_MAX: usize = 200;

/// The lanes below the panes.
pub(super) fn show(web: &Web, asked: &Asked, shown: &Shown) -> Markup {
    html! {
        h2 { "Alarms of these stations" }
        @if let Some(from) = shown.known_from { p.notice { b { "NOT ALL" } " events before " (web.zone.stamp(from)) " are looked at: there were too many since." } }
        @if shown.alarms.is_empty() { p { "No alarm of these stations stood in this time." } }
        @for lane in &shown.alarms { (alarm_lane(web, asked, lane)) }
        @if !shown.alarms.is_empty() {
            p.soft { "A bar is one time an alarm stood, from raise to return. The alarm report counts calls: an alarm that called again while it stood is one bar here and two calls there." }
        }
        @if shown.alarms_left_out > 0 { p.soft { (words::counted(shown.alarms_left_out, "more alarm")) " of these stations stood too; choose a shorter stretch." } }
        @if !shown.recipes.is_empty() { h2 { "Recipe in force" } }
        @for lane in &shown.recipes { (lane_of(asked, lane, "recipe")) }
        @if !shown.batches.is_empty() { h2 { "Batches" } }
        @for lane in &shown.batches { (lane_of(asked, lane, "batch")) }
        (samples::show(web, asked, shown))
        @if !shown.notes.is_empty() {
            h2 { "Notes" }
            @let bars = shown.notes.iter().map(|note| Bar {
                from: note.from.max(asked.span.from()),
                to: note.to.min(asked.span.to()),
                text: note.n.to_string(),
                link: None,
                goes_on: false,
            });
            (lane_of(asked, &Lane { name: "By their numbers below".to_owned(), bars: bars.collect() }, "noted"))
        }
    }
}

/// "Fryer oil outlet too cold, medium: 3 times, 42 min in all".
fn alarm_lane(web: &Web, asked: &Asked, lane: &AlarmLane) -> Markup {
    let alarm = web.app.line.alarm(lane.alarm);
    let span = asked.span;
    let stood_ms: i64 =
        lane.bars.iter().map(|bar| bar.to.0.min(span.to().0) - bar.from.0.max(span.from().0)).sum();
    html! {
        div.lane {
            p {
                (svg::shape(alarm.priority, false))
                a href=(format!("/alarms/{}", alarm.id)) { (alarm.name) }
                small {
                    (alarm.priority.name()) ", " (words::counted(lane.bars.len(), "time")) ", " (words::span(stood_ms as f64 / 1000.0)) " in all"
                    @if lane.bars.last().is_some_and(|bar| bar.goes_on) { ", " b { "stands" } }
                }
            }
            svg width="100%" height="14" aria-hidden="true" focusable="false" {
                rect.paper width="100%" height="14" {}
                @for bar in &lane.bars {
                    @let (left, right) = (percent(span, bar.from), percent(span, bar.to));
                    rect class=(format!("alarm {}", alarm.priority.name())) x=(format!("{left}%")) y="2" width=(format!("{:.3}%", (right - left).max(0.15))) height="10" {}
                }
            }
        }
    }
}

pub(super) fn lane_of(asked: &Asked, lane: &Lane, class: &str) -> Markup {
    html! {
        div.lane {
            p { (lane.name) small { (in_words(lane)) } }
            svg width="100%" height="20" aria-hidden="true" focusable="false" {
                rect.paper width="100%" height="20" {}
                @for bar in &lane.bars {
                    @let (left, right) = (percent(asked.span, bar.from), percent(asked.span, bar.to));
                    // A drawing of its own cuts the word at the bar's end.
                    svg x=(format!("{left}%")) width=(format!("{:.3}%", (right - left).max(0.15))) height="20" {
                        rect class=(class) width="100%" height="18" y="1" {}
                        @if right - left >= ROOM_WIDE_PERCENT {
                            text.roomy[right - left < ROOM_PERCENT] x="4" y="14" { (bar.text) }
                        }
                    }
                }
            }
        }
    }
}

/// What a lane holds, for those who do not see it, and where a bar is too short for its word.
fn in_words(lane: &Lane) -> String {
    let mut names: Vec<&str> = Vec::new();
    for bar in &lane.bars {
        if !names.contains(&bar.text.as_str()) {
            names.push(&bar.text);
        }
    }
    match names.as_slice() {
        [one] => (*one).to_owned(),
        few if few.len() <= 4 => few.join(", "),
        _many => format!("{} in all", lane.bars.len()),
    }
}

/// Every alarm that stood, from raise to return, with a link to that time.
pub(super) fn list(web: &Web, shown: &Shown) -> Markup {
    let line = &*web.app.line;
    let mut rows: Vec<(&AlarmLane, &Bar)> =
        shown.alarms.iter().flat_map(|lane| lane.bars.iter().map(move |bar| (lane, bar))).collect();
    rows.sort_by_key(|(_, bar)| std::cmp::Reverse(bar.from));
    let count = rows.len();
    html! {
        section #alarm-list {
            @if count > 0 {
                details id="alarms-in-words" {
                    summary { "The alarms in words: " (words::counted(count, "time")) }
                    @if count > LISTED_MAX { p { "The last " (LISTED_MAX) " of them." } }
                    ul.events {
                        @for (lane, bar) in rows.iter().take(LISTED_MAX) {
                            @let alarm = line.alarm(lane.alarm);
                            li {
                                time { (web.zone.stamp(bar.from)) }
                                " " (alarm.name) ", " (alarm.priority.name()) ": "
                                @if bar.goes_on { "stands" } @else {
                                    "returned after " (words::span((bar.to.0 - bar.from.0) as f64 / 1000.0))
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}
