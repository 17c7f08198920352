//! Which stretch and which signals: said in words, moved by links, chosen by a form; and the same as files.

use super::length;
use crate::report::shifts;
use crate::web::facts::Scene;
use crate::web::trends::downloads::{PICTURED_MAX, READINGS_MAX, about_readings};
use crate::web::trends::{Asked, SIGNALS_MAX};
use crate::web::{Web, words};
use maud::{Markup, html};
use setward_protocol::{StationId, UtcMillis};

/// Stretches that end now, as they are written in an address.
const LAST: [(&str, &str); 4] =
    [("8h", "Last 8 h"), ("24h", "Last day"), ("7d", "Last week"), ("28d", "Last 4 weeks")];

/// From when to when, and the ways to another stretch.
pub(super) fn stretch(scene: &Scene<'_>, asked: &Asked) -> Markup {
    let (zone, span) = (scene.zone, asked.span);
    html! {
        p.range {
            b { (zone.stamp(span.from())) " to " (zone.stamp(span.to())) }
            " \u{b7} " (length(scene, asked)) " \u{b7} times in " (zone.name())
            @if asked.last.is_some() { " \u{b7} up to now, moves on when the page is loaded anew" }
        }
        nav.moves aria-label="Stretch of time" {
            (moved(scene, "Earlier", asked.moved(zone, -1)))
            (moved(scene, "Later", asked.moved(zone, 1).filter(|later| later.span.from() < scene.now)))
            (moved(scene, "Wider", asked.scaled(2.0, scene.now)))
            (moved(scene, "Narrower", asked.scaled(0.5, scene.now)))
            @for (name, shift) in shift_links(scene, asked) { (moved(scene, name, Some(shift))) }
            @for (last, text) in LAST {
                @if asked.last.as_deref() != Some(last) { (moved(scene, text, Some(asked.up_to_now(last)))) }
            }
        }
        @if asked.against.is_some() { (against(scene, asked)) }
    }
}

fn moved(scene: &Scene<'_>, text: &str, to: Option<Asked>) -> Markup {
    html! { @if let Some(to) = to { a href=(to.address(scene.line, "/trend")) { (text) } } }
}

fn shift_links(scene: &Scene<'_>, asked: &Asked) -> Vec<(&'static str, Asked)> {
    let Some(present) = shifts::at(scene.line, scene.now) else { return Vec::new() };
    let before = shifts::before(scene.line, &present);
    let over = |span: crate::history::Span| asked.over(span.from(), span.to());
    let this = asked.over(present.span.from(), present.span.to()).map(|this| ("This shift", this));
    let last = before.and_then(|before| over(before.span)).map(|last| ("Last shift", last));
    last.into_iter().chain(this).collect()
}

/// The stretch that it is held against, and the ways to one.
fn against(scene: &Scene<'_>, asked: &Asked) -> Markup {
    let zone = scene.zone;
    let begins = zone.civil(asked.span.from());
    let earlier = |days: i64| crate::web::trends::shifted(zone, begins, -days);
    let long = asked.span.length_ms();
    let day = (long <= 24 * 3_600_000).then(|| earlier(1)).flatten();
    let week = (long <= 7 * 24 * 3_600_000).then(|| earlier(7)).flatten();
    let before = asked.moved(zone, -1).map(|before| before.span.from());
    let ways = [("the stretch before", before), ("a day earlier", day), ("a week earlier", week)];
    let mut offered: Vec<(&str, UtcMillis)> = Vec::new();
    for (text, from) in ways {
        if let Some(from) = from.filter(|from| offered.iter().all(|(_, known)| known != from)) {
            offered.push((text, from));
        }
    }
    html! {
        nav.moves aria-label="Hold against another stretch" {
            span {
                @match asked.other() {
                    Some(other) => { "Held against " b { (zone.stamp(other.from())) " to " (zone.stamp(other.to())) } ", laid over it from its beginning:" }
                    None => "Hold against:"
                }
            }
            @for (text, from) in offered {
                @if asked.against != Some(from) { (moved(scene, text, Some(asked.fixed().held_against(Some(from))))) }
            }
            @if asked.against.is_some() { (moved(scene, "nothing", Some(asked.held_against(None)))) }
        }
    }
}

/// The form: signals by station, and the ends of the stretch.
pub(super) fn form(scene: &Scene<'_>, asked: &Asked) -> Markup {
    let line = scene.line;
    let stations = (0..=u16::MAX).map(StationId).zip(&line.stations);
    let (from, to) = match asked.last.as_deref() {
        Some(last) => (last.to_owned(), "now".to_owned()),
        None => (written(scene, asked.span.from()), written(scene, asked.span.to())),
    };
    html! {
        details.choose id="choose" {
            summary { "Choose signals, time, or another stretch to hold this one against" }
            @if asked.against.is_none() { (against(scene, asked)) }
            form method="get" action="/trend" {
                p.soft { "Up to " (SIGNALS_MAX) " signals, one pane each, in the line\u{2019}s order." }
                @for (id, station) in stations {
                    @let own: Vec<_> = line.signals_with_ids().filter(|(_, signal)| signal.station == id).collect();
                    @if !own.is_empty() {
                        fieldset {
                            legend { (station.name) }
                            @for (id, signal) in own {
                                label.box {
                                    input type="checkbox" name="signals" value=(signal.tag) checked[asked.signals.contains(&id)];
                                    span { b { (signal.tag) } " " (signal.name) }
                                }
                            }
                        }
                    }
                }
                div.ends {
                    label for="from" { "From" }
                    input id="from" type="text" name="from" value=(from) required maxlength="40" autocomplete="off" aria-describedby="ends-hint";
                    label for="to" { "To" }
                    input id="to" type="text" name="to" value=(to) required maxlength="40" autocomplete="off" aria-describedby="ends-hint";
                }
                p.soft #ends-hint { "By the plant\u{2019}s clock, such as 2026-11-23 06:00; a length counts back from now, such as 8h or 7d; or now." }
                @if asked.shows_all_values { input type="hidden" name="axis" value="all"; }
                button type="submit" { "Show" }
            }
        }
    }
}

/// A moment as the form's field takes it; one that comes twice, with its distance from UTC.
fn written(scene: &Scene<'_>, at: UtcMillis) -> String {
    let civil = scene.zone.civil(at);
    let is_twice = scene.zone.jiff().to_ambiguous_timestamp(civil).is_ambiguous();
    let pattern = match (is_twice, at.0.rem_euclid(60_000) == 0) {
        (true, _) => "%FT%T%:z",
        (false, true) => "%F %H:%M",
        (false, false) => "%F %H:%M:%S",
    };
    scene.zone.shown(at, pattern)
}

/// The same as files and for programs.
pub(super) fn downloads(web: &Web, asked: &Asked) -> Markup {
    let line = &*web.app.line;
    let fixed = asked.fixed();
    let about = about_readings(line, asked);
    html! {
        section #downloads {
            h2 { "Take it along" }
            ul.downloads {
                li { a href=(fixed.address(line, "/trend")) { "This stretch as a link" } " that shows the same to a colleague, whenever it is opened" }
                @if asked.signals.len() <= PICTURED_MAX {
                    li { a href=(fixed.address(line, "/trend.png")) { "Picture (PNG)" } " with line, stretch and zone in it" }
                } @else {
                    li { "Picture (PNG): of " (PICTURED_MAX) " signals at most; choose fewer." }
                }
                li { a href=(fixed.address(line, "/trend.csv")) { "Columns as drawn (CSV)" } ": lowest, mean and highest, time within tolerance" }
                @if about <= READINGS_MAX {
                    li { a href=(fixed.address(line, "/trend-readings.csv")) { "Every reading (CSV)" } ", at most " (words::number(about, 0)) " rows" }
                } @else {
                    li { "Every reading: about " (many(about)) ", too many for a page. Choose a shorter stretch, or use " code { "setward export" } "." }
                }
                @if !line.entries.is_empty() { li { a href=(fixed.address(line, "/trend-samples.csv")) { "What people entered (CSV)" } ", when its product was here" } }
                li { a href=(fixed.address(line, "/api/v1/trend")) { "For programs (JSON)" } }
            }
        }
    }
}

/// A large number for people: "45 thousand", "1.8 million".
fn many(about: f64) -> String {
    if about >= 1e6 {
        format!("{} million", words::number(about / 1e6, 1))
    } else {
        format!("{} thousand", words::number(about / 1e3, 0))
    }
}
