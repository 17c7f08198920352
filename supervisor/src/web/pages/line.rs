//! The line at a glance: alarms first if there are any, then every station in product order against the recipe.

use super::values::Values;
use super::{Page, frame, rows};
use crate::sink::ServerStatus;
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
        (servers(&scene, &web.servers()))
        (super::channels::show(&scene))
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
                (rows::building_list(scene, &building, rows::Form::Shown(name)))
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

/// A line a server that history is sent to: how far it is behind, what it lacks for good, why it takes nothing.
fn servers(scene: &Scene<'_>, servers: &[ServerStatus]) -> Markup {
    html! {
        @if !servers.is_empty() {
            section.station {
                h2 { "Servers" }
                ul.plain.long { @for server in servers { (server_row(scene, server)) } }
            }
        }
    }
}

fn server_row(scene: &Scene<'_>, server: &ServerStatus) -> Markup {
    let lacks = server.lost_rows + server.rejected;
    html! {
        li.bad[server.problem.is_some()] {
            span.name {
                (server.name)
                @if lacks > 0 { small { "lacks for good: " (words::counted(server.lost_rows as usize, "row")) ", " (words::counted(server.rejected as usize, "refused reading")) } }
            }
            @match &server.problem {
                Some(problem) => span.lost {
                    b { "Not sending: " (problem) }
                    span.last { (server_words(scene, server)) }
                },
                None => span { (server_words(scene, server)) }
            }
        }
    }
}

/// How far a server is behind.
fn server_words(scene: &Scene<'_>, server: &ServerStatus) -> String {
    let waiting = match server.waiting_rows {
        0 => String::new(),
        rows => format!(", {} wait", words::counted(rows as usize, "row")),
    };
    match server.behind_s(scene.now) {
        Some(behind_s) => format!("{} behind{waiting}", words::span(behind_s)),
        None => format!("nothing sent yet in this run{waiting}"),
    }
}

/// When the last complete scan of a controller was.
pub(super) fn last_scan(scene: &Scene<'_>, facts: &ControllerFacts<'_>) -> String {
    match facts.view.last_good {
        Some(at) => format!("last complete scan {}", scene.clock(at)),
        None => "no complete scan in this run".to_owned(),
    }
}
