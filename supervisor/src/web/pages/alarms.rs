//! The list of alarms: those that stand, those that build up, and what happened last.

use super::alarm::Said;
use super::{Outcome, Page, events, frame, quiet_reload_s, rows, trend};
use crate::web::Web;
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
            ul.alarms { @for facts in &standing { (rows::alarm_row(&scene, facts, name.as_deref())) } }
        }
        @if !blind.is_empty() {
            section {
                h2 { "Blind: can't raise now" }
                ul.index {
                    @for facts in &blind {
                        li {
                            a href=(format!("/alarms/{}", facts.alarm.id)) { (facts.alarm.name) small { (facts.on.signal.tag) } }
                            @if let Some(why) = facts.on.missing() { " " (why) }
                        }
                    }
                }
            }
        }
        section {
            h2 { "Building up" }
            @if building.is_empty() { p { "None of those that can be judged." } }
            ul.alarms.building { @for facts in &building { (rows::alarm_row(&scene, facts, None)) } }
        }
        section { h2 { "What happened last" } (events(&scene, &kept, true)) }
        section { h2 { "All alarms of this line" } (all(&scene)) }
    };
    frame(
        &scene,
        Page { title: "Alarms", scope: Scope::Line, reload_s: quiet_reload_s(!standing.is_empty()), body },
    )
}

fn all(scene: &crate::web::facts::Scene<'_>) -> Markup {
    html! {
        ul.index {
            @for facts in scene.alarms() {
                li { a href=(format!("/alarms/{}", facts.alarm.id)) { (facts.alarm.name) small { (facts.on.signal.tag) } } }
            }
        }
    }
}
