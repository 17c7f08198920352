//! The list of alarms: those that stand, those that build up, and what happened last.

use super::said::Said;
use super::{Outcome, Page, events, frame, quiet_reload_s, rows, trend};
use crate::web::Web;
use crate::web::facts::{AlarmFacts, Scene};
use crate::web::live::Scope;
use axum::extract::{Query, State};
use axum::http::HeaderMap;
use maud::{Markup, html};

/// Events shown below the list.
const EVENTS_SHOWN: usize = 20;

/// Serves the page.
pub(in crate::web) async fn show(
    State(web): State<Web>,
    Query(outcome): Query<Outcome>,
    headers: HeaderMap,
) -> Markup {
    let kept = trend::events(&web, None, EVENTS_SHOWN).await;
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let name = crate::web::acknowledge::remembered_name(&headers);
    let standing = scene.standing_alarms();
    let building = scene.building_alarms();
    let blind = scene.blind_alarms();
    let body = html! {
        h1.unseen { "Alarms" }
        @if let Some(said) = outcome.said.as_deref().and_then(Said::from_key) { (said.show()) }
        section {
            h2 { "Active, or waiting for you" }
            @if standing.is_empty() && blind.is_empty() { p { "None. Nothing is beyond its allowance or limit." } }
            @if standing.is_empty() && !blind.is_empty() {
                p { "None among the " (scene.line.alarms.len() - blind.len()) " alarms that can be judged now." }
            }
            (rows::alarm_list(&scene, &standing, name.as_deref()))
        }
        (blind_section(&scene, &blind))
        section {
            h2 { "Building up" }
            @if building.is_empty() { p { "None of those that can be judged." } }
            ul.alarms.building { @for facts in &building { (rows::alarm_row(&scene, facts, None)) } }
        }
        section { h2 { "What happened last" } (events::show(&scene, &kept, true)) }
        section { h2 { "All alarms of this line" } (rows::index(&scene.alarms().collect::<Vec<_>>(), "all-automatic")) }
    };
    frame(
        &scene,
        Page { title: "Alarms", scope: Scope::Line, reload_s: quiet_reload_s(!standing.is_empty()), body },
    )
}

/// Alarms that nobody's value blinds one by one; those that one silent controller blinds together.
fn blind_section(scene: &Scene<'_>, blind: &[AlarmFacts<'_>]) -> Markup {
    let controller = |facts: &AlarmFacts<'_>| {
        facts.signal().and_then(|on| scene.silent_controller(on)).map(|controller| controller.id)
    };
    let alone: Vec<_> = blind.iter().filter(|facts| controller(facts).is_none()).collect();
    let silent = scene.controllers().filter(|facts| facts.is_silent());
    html! {
        @if !blind.is_empty() {
            section {
                h2 { "Blind: " (blind.len()) " can\u{2019}t raise now" }
                ul.index { @for facts in &alone { (blind_row(facts)) } }
                @for facts in silent {
                    @let its: Vec<_> = blind.iter().filter(|alarm| controller(alarm) == Some(facts.id)).collect();
                    @if !its.is_empty() {
                        details id=(format!("blind-{}", facts.controller.name)) {
                            summary { (its.len()) " because controller " b { (facts.controller.name) } " gives no data" }
                            ul.index { @for alarm in its { (blind_row(alarm)) } }
                        }
                    }
                }
            }
        }
    }
}

fn blind_row(facts: &AlarmFacts<'_>) -> Markup {
    html! {
        li {
            a href=(format!("/alarms/{}", facts.alarm.id)) { (facts.alarm.name) small { (rows::subject(facts)) } }
            @if let Some(why) = facts.missing() { " " (why) }
        }
    }
}
