//! The list of alarms: those that stand, those that build up, and what happened last.

use super::said::Said;
use super::{Outcome, Page, events, frame, past, quiet_reload_s, rows, silent, trend};
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
    let (kept, unsaid) = tokio::join!(trend::events(&web, None, EVENTS_SHOWN), past::unsaid(&web));
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
            @if standing.is_empty() { p { (none_stands(&scene, blind.len())) } }
            (rows::alarm_list(&scene, &standing, name.as_deref()))
        }
        (silent::blind(&scene, &blind))
        section {
            h2 { "Building up" }
            @if building.is_empty() { p { "None of those that can be judged." } }
            (rows::building_list(&scene, &building, rows::Form::Folded(None)))
        }
        (past::unsaid_list(&scene, &unsaid))
        (silent::sections(&scene))
        section { h2 { "What happened last" } (events::show(&scene, &kept, true)) }
        section { h2 { "All alarms of this line" } (all(&scene)) }
    };
    frame(
        &scene,
        Page { title: "Alarms", scope: Scope::Line, reload_s: quiet_reload_s(!standing.is_empty()), body },
    )
}

/// Why an empty list may or may not be good news.
fn none_stands(scene: &Scene<'_>, blind: usize) -> String {
    let silent = scene.silent_alarms().len();
    match (blind, silent) {
        (0, 0) => "None. Nothing is beyond its allowance or limit.".to_owned(),
        (0, silent) => format!("None. {silent} are silent, see below."),
        (blind, 0) => format!("None among those that can be judged. {blind} are blind."),
        (blind, silent) => {
            format!("None among those that can be judged and may speak. {blind} are blind, {silent} silent.")
        }
    }
}

/// Every alarm as a link, by station; a long list is folded.
fn all(scene: &Scene<'_>) -> Markup {
    let all: Vec<_> = scene.alarms().collect();
    let of = |station| all.iter().filter(move |facts: &&AlarmFacts<'_>| facts.station == station);
    html! {
        @for station in scene.stations() {
            (by_station(scene, &station.station.name, &station.station.key, of(Some(station.id)).copied().collect()))
        }
        (by_station(scene, "Of no one station", "none", of(None).copied().collect()))
    }
}

fn by_station(scene: &Scene<'_>, name: &str, key: &str, alarms: Vec<AlarmFacts<'_>>) -> Markup {
    html! {
        @if !alarms.is_empty() {
            details id=(format!("all-{key}")) {
                summary { (name) ": " (alarms.len()) }
                (rows::index(scene, &alarms, &format!("automatic-{key}")))
            }
        }
    }
}
