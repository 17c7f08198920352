//! The start-up board: a sentence, then station by station in the order in which product passes.

use super::super::rows;
use super::{caution, held_row, page};
use crate::web::Web;
use crate::web::boards::api::Against;
use crate::web::boards::start_up::{Board, IN_SENTENCE, StationBoard};
use crate::web::boards::{present, recipe};
use crate::web::facts::Scene;
use crate::web::pages::messages;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use setward_config::line::Recipe;

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, Query(against): Query<Against>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let key = against.recipe.as_deref().filter(|key| !key.is_empty());
    let against = match key.map(|key| recipe(scene.line, key)).transpose() {
        Ok(against) => against,
        Err(near) => {
            return messages::no_such_recipe(&web, key.unwrap_or_default(), ("/start-up?recipe=", near));
        }
    };
    let board = Board::of(&scene, against);
    let body = html! {
        h1 { "Start-up board" }
        (choice(&scene, against))
        (verdict(&board))
        (rest(&scene, &board))
        div.stations { @for station in &board.stations { (one(&scene, station)) } }
        (caution())
        p.further { a href="/changeover" { "Changeover board" } }
    };
    page(&scene, StatusCode::OK, "Start-up board", body)
}

/// Which recipe the line is held against.
fn choice(scene: &Scene<'_>, against: Option<&Recipe>) -> Markup {
    html! {
        @if scene.line.recipes.len() > 1 {
            p.point {
                "Held against "
                @match against {
                    Some(recipe) => { b { (recipe.name) } ". " a href="/start-up" { "Against what each station runs" } },
                    None => { "what each station runs. " }
                }
                @for recipe in scene.line.recipes.iter().filter(|recipe| Some(&recipe.key) != against.map(|own| &own.key)) {
                    " \u{b7} " a href=(format!("/start-up?recipe={}", recipe.key)) { "Against " (recipe.name) }
                }
            }
        } @else { p.point { "Held against " (present(scene).name) } }
    }
}

fn verdict(board: &Board<'_>) -> Markup {
    html! {
        section.verdict-box {
            p #verdict .verdict { (board.sentence()) }
            @if let Some(wait) = board.wait() { p { (wait) } }
            @if board.reasons.len() > 1 {
                details id="reasons" {
                    summary { @if board.reasons.len() > IN_SENTENCE { "All " (board.reasons.len()) " reasons, with the way to each" } @else { "The way to each" } }
                    ul { @for reason in &board.reasons { li { a href=(reason.link) { (reason.text) } } } }
                }
            }
        }
    }
}

/// What is due, and what the soak has.
fn rest(scene: &Scene<'_>, board: &Board<'_>) -> Markup {
    html! {
        dl.facts {
            @if !scene.line.entries.is_empty() {
                dt { "Checks due" }
                dd {
                    @if board.due.is_empty() { "none" }
                    @for (index, due) in board.due.iter().enumerate() {
                        @if index > 0 { "; " }
                        a href=(format!("/entries/{}", due.tag)) { (due.name) } " since " (scene.clock(due.since))
                        @if due.is_late { " " b.outside { "late" } }
                    }
                }
            }
            @if let Some(soak) = &board.soak { dt { a href="/tanks" { "Tanks" } } dd { (soak.words(scene)) } }
        }
    }
}

fn one(scene: &Scene<'_>, station: &StationBoard<'_>) -> Markup {
    let is_small = station.held.is_empty() && station.turned.is_empty();
    let class = if is_small { "station small" } else { "station" };
    html! {
        section class=(class) {
            div.head {
                h2 { a href=(format!("/stations/{}", station.facts.station.key)) { (station.facts.station.name) } }
                (rows::station_state(scene, &station.facts))
                @if station.is_ready() { span.fine { "nothing in the way" } } @else { b.outside { "not ready" } }
            }
            @if let Some(mode) = station.mode_words() { p { b { (mode) } @if let Some(since) = station.facts.view.since { " since " (scene.clock(since)) } } }
            @for lost in &station.lost { p.lost { b { "No data from controller " (lost.controller.name) } } }
            @if !station.manual.is_empty() { p { b.outside { "MANUAL" } " " (station.manual.join(", ")) } }
            @if let Some(until) = station.settles_until { p.soft { "Alarms here wait for things to settle until " (scene.clock(until)) "." } }
            @for due in &station.due { p { a href=(format!("/entries/{}", due.tag)) { (due.name) } " is due since " (scene.clock(due.since)) } }
            @if station.cooks { p.soft { "Cooks in batches: its values follow its program, and do not count here." } }
            @for turned in &station.turned {
                p {
                    a href=(format!("/signals/{}", turned.facts.signal.tag)) { (turned.facts.signal.name) } " is entered as "
                    b { (turned.facts.show_with_unit(turned.value)) } ", the recipe asks " (turned.facts.show_with_unit(turned.against.recipe))
                    " " b.outside { "beyond latitude" }
                }
            }
            @if !station.held.is_empty() { ul.rows { @for held in &station.held { (held_row(scene, held)) } } }
        }
    }
}
