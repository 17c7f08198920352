//! The line at a glance: alarms first if there are any, then every station in product order against the recipe.

use super::values::Values;
use super::{Page, frame, rows};
use crate::web::facts::{ControllerFacts, Scene, StationFacts};
use crate::web::live::{self, Scope};
use crate::web::{Web, words};
use axum::extract::State;
use axum::http::HeaderMap;
use maud::{Markup, html};

/// Most urgent alarms shown in full; the others are a way to the list.
const ALARMS_SHOWN: usize = 3;

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, headers: HeaderMap) -> Markup {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let name = crate::web::acknowledge::remembered_name(&headers);
    let body = html! {
        h1.unseen { "Line overview" }
        (alarms(&scene, name.as_deref()))
        div.stations { @for facts in scene.stations() { (station(&scene, &facts)) } }
        section.station { h2 { "Controllers" } (controllers(&scene, scene.controllers())) }
    };
    frame(&scene, Page { title: "Line", scope: Scope::Line, reload_s: 15, body })
}

fn alarms(scene: &Scene<'_>, name: Option<&str>) -> Markup {
    let standing = scene.standing_alarms();
    let building = scene.building_alarms();
    let (first, rest) = standing.split_at(standing.len().min(ALARMS_SHOWN));
    html! {
        @if !standing.is_empty() {
            section {
                h2 { "Alarms" }
                (rows::alarm_list(scene, first, name))
                @if !rest.is_empty() {
                    a.button.more-alarms href="/alarms" { (words::counted(rest.len(), "more alarm")) }
                }
            }
        }
        @if !building.is_empty() {
            section {
                h2 { "Building up, not yet an alarm" }
                ul.alarms.building { @for facts in &building { (rows::alarm_row(scene, facts, rows::Form::Shown(name))) } }
            }
        }
    }
}

fn station(scene: &Scene<'_>, facts: &StationFacts<'_>) -> Markup {
    let values = Values::of(scene, facts);
    let class = if values.is_small() { "station small" } else { "station" };
    html! {
        section class=(class) {
            div.head {
                h2 { a href=(format!("/stations/{}", facts.station.key)) { (facts.station.name) } }
                (rows::station_state(scene, facts))
            }
            (values.show(scene, facts))
        }
    }
}

/// A line a controller: whether it answers, and since when not.
pub(super) fn controllers<'a>(
    scene: &Scene<'_>,
    controllers: impl Iterator<Item = ControllerFacts<'a>>,
) -> Markup {
    html! {
        ul.plain.long {
            @for facts in controllers {
                li.bad[facts.is_silent()] {
                    span.name {
                        (facts.controller.name)
                        small { (facts.controller.endpoint) " unit " (facts.controller.unit_id) }
                    }
                    @match &facts.view.problem {
                        Some(problem) => span.lost {
                            b { "No data: " (problem) }
                            span.last { (last_scan(scene, &facts)) }
                        },
                        None => span { (live::answer_words(&facts)) }
                    }
                }
            }
        }
    }
}

/// When the last complete scan of a controller was.
pub(super) fn last_scan(scene: &Scene<'_>, facts: &ControllerFacts<'_>) -> String {
    match facts.view.last_good {
        Some(at) => format!("last complete scan {}", scene.clock(at)),
        None => "no complete scan in this run".to_owned(),
    }
}
