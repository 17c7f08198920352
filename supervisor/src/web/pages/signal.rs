//! One signal: what it says, the last thirty minutes, the alarms on it, and where it comes from.

use super::{Page, frame, messages, missing_value, registers, rows, trend, trend_page, trust};
use crate::line::balance::BalanceView;
use crate::web::facts::{Entered, Scene, SignalFacts};
use crate::web::live::{self, Scope};
use crate::web::{Web, names, svg, words};
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use setward_config::line::{Origin, Role};

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, Path(tag): Path<String>) -> Response {
    let Ok(id) = names::signal(&web.app.line, &tag) else { return messages::no_such_signal(&web, &tag) };
    let kept = trend::read(&web, &tag, web.app.clock.utc()).await;
    let figures = super::records::figures::last_day(&web, id).await;
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let facts = scene.signal(id);
    let alarms: Vec<_> =
        scene.alarms().filter(|alarm| alarm.alarm.settings.watches.signal() == Some(id)).collect();
    let body = html! {
        section.first {
            h1 { (facts.signal.name) }
            p.point { (rows::station_link(&scene, facts.signal.station)) " \u{b7} " (facts.signal.tag) " \u{b7} " (comes_from(&facts)) }
            (now(&scene, &facts))
        }
        section { (trend::draw(&scene, &facts, &alarms, &kept)) (trend_page::signal_link(&facts.signal.tag)) }
        section {
            h2 { "Alarms on this signal" }
            @if alarms.is_empty() { p { "None." } }
            ul.index {
                @for alarm in &alarms {
                    li { a href=(format!("/alarms/{}", alarm.alarm.id)) {
                        (alarm.alarm.name) small { (rows::calls(&scene, alarm)) }
                    } (rows::exposure(alarm)) }
                }
            }
        }
        (figures)
        (registers::show(&scene, &facts))
    };
    frame(&scene, Page { title: &facts.signal.name, scope: Scope::Signal(id), reload_s: 15, body })
        .into_response()
}

/// Its role, but for what nobody measures.
const fn comes_from(facts: &SignalFacts<'_>) -> &'static str {
    match facts.signal.origin {
        Origin::Derived(_) | Origin::Followed(_) => "computed",
        Origin::Register(_) | Origin::Entered => facts.signal.role.name(),
    }
}

fn now(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
    let tag = &facts.signal.tag;
    html! {
        @if facts.missing().is_some() { p.big { (missing_value(scene, facts)) } } @else {
            p.big {
                span.value { b data-t=(format!("{tag}.v")) { (facts.shown()) } " " (facts.signal.unit.display()) }
                @if let Some(off) = facts.deviation() {
                    span.deviation data-t=(format!("{tag}.d")) { (facts.show_deviation(off)) }
                }
            }
        }
        @if let (Some(setpoint), Some((low, high))) = (facts.setpoint(), facts.band()) {
            p.against {
                "recipe " (facts.show_with_unit(setpoint)) ", " (facts.band_word()) " from " (facts.show(low)) " to " (facts.show_with_unit(high))
                @if !facts.judged { "; not judged now" }
            }
            (svg::band_bar(facts.widths_off(), facts.out_of_band().is_some(), tag))
        }
        @if let Some(against) = facts.entered { (entered(facts, against)) }
        dl.facts {
            dt { "Signal" } dd { (trust(facts)) ", " span data-t=(format!("{tag}.age")) { (live::reading_age(scene, facts)) } }
            @if let Some(why) = facts.missing() { dt { "Look at" } dd { (words::no_data_hint(why)) } }
            @if let Some(beside) = scene.snapshot.balance_of(facts.id) { (balance(facts, beside)) }
            @if facts.signal.role == Role::Measured { dt { "Slope" } dd data-t=(format!("{tag}.slope")) { (live::slope(facts)) } }
            @if let Some((why, at)) = facts.view.last_failure {
                dt { "Last failure" } dd { (why) " at " (scene.clock(at)) }
            }
        }
    }
}

/// How sure a figure of the heat balance is, or what it waits for.
fn balance(facts: &SignalFacts<'_>, beside: &BalanceView) -> Markup {
    html! {
        @if let Some(sure) = beside.uncertainty {
            dt { "Uncertainty" }
            dd { "\u{b1}" (words::with_difference_unit(&words::number(sure, facts.signal.decimals), facts.signal.unit)) " (95 of 100 times the truth lies within)" }
        }
        @if let Some(why) = &beside.why { dt { "Why not" } dd { (why) } }
        @if let Some(verdict) = beside.verdict { dt { "Probes" } dd { (verdict) } }
    }
}

/// An entered setpoint against the recipe's, and how much of what a person may turn is used.
pub(super) fn entered(facts: &SignalFacts<'_>, against: Entered) -> Markup {
    let off = facts.view.reading.value().map(|value| against.off(value));
    let width = words::number(against.latitude, facts.signal.decimals);
    let width = words::with_difference_unit(&width, facts.signal.unit);
    html! {
        dl.facts {
            dt { "Entered" } dd { (facts.view.reading.value().map_or_else(|| "not known".to_owned(), |value| facts.show_with_unit(value))) }
            dt { "Recipe" } dd { (facts.show_with_unit(against.recipe)) }
            dt { "Latitude" }
            dd {
                "\u{b1}" (width) " may be turned unasked"
                @if let Some(off) = off { "; " (latitude_used(off, against.latitude, &facts.show_deviation(off))) }
            }
        }
    }
}

/// "+3.0 K is 150 % of it".
fn latitude_used(off: f64, latitude: f64, shown: &str) -> String {
    if latitude > 0.0 {
        format!("{shown} is {} % of it", words::number(off.abs() / latitude * 100.0, 0))
    } else {
        format!("{shown} is entered")
    }
}
