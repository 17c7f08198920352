//! One station: what it is doing, its alarms, all its values, and who feeds it.

use super::values::Values;
use super::{Page, frame, line, messages, rows};
use crate::web::facts::{AlarmFacts, Scene, StationFacts};
use crate::web::live::Scope;
use crate::web::{Web, names};
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// Serves the page.
pub(in crate::web) async fn show(
    State(web): State<Web>,
    Path(key): Path<String>,
    headers: HeaderMap,
) -> Response {
    let Ok(id) = names::station(&web.app.line, &key) else {
        return messages::no_such_station(&web, &key);
    };
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let facts = scene.station(id);
    let scope = Scope::Station(id);
    let name = crate::web::acknowledge::remembered_name(&headers);
    let feeding = scene.controllers().filter(|controller| scope.is_fed_by(&scene, controller.id));
    let all: Vec<_> = scene.alarms().filter(|alarm| alarm.station == Some(id)).collect();
    let body = html! {
        div.head { h1 { (facts.station.name) } (rows::station_state(&scene, &facts)) }
        @if let Some(since) = facts.mode().and(facts.view.since) { p.soft { "In this mode since " (scene.clock(since)) "." } }
        (alarms(&scene, &facts, name.as_deref()))
        section.station { h2 { "Values" } (Values::of(&scene, &facts).show_all(&scene)) }
        section.station { h2 { "Alarms of this station" } (rows::index(&scene, &all, "station-alarms")) }
        section.station { h2 { "Controllers that feed it" } (line::controllers(&scene, feeding)) }
    };
    frame(&scene, Page { title: &facts.station.name, scope, reload_s: 15, body }).into_response()
}

fn alarms(scene: &Scene<'_>, station: &StationFacts<'_>, name: Option<&str>) -> Markup {
    let here = |facts: &AlarmFacts<'_>| facts.station == Some(station.id);
    let standing: Vec<_> = scene.standing_alarms().into_iter().filter(here).collect();
    let building: Vec<_> = scene.building_alarms().into_iter().filter(here).collect();
    html! {
        @if !standing.is_empty() { section { h2 { "Alarms" } (rows::alarm_list(scene, &standing, name)) } }
        @if !building.is_empty() {
            section {
                h2 { "Building up, not yet an alarm" }
                (rows::building_list(scene, &building, rows::Form::Shown(name)))
            }
        }
    }
}
