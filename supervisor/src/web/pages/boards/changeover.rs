//! The changeover board: what is to be entered, old to new; what is in band already; until when it lasts; what keeps the old recipe.

use super::{caution, held_row, page};
use crate::web::boards::api::{FromTo, Wrong};
use crate::web::boards::changeover::{Board, Entry, Todo};
use crate::web::facts::{Entered, Scene, SignalFacts};
use crate::web::pages::messages;
use crate::web::{Web, words};
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use setward_config::line::Recipe;
use std::collections::BTreeMap;

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, Query(asked): Query<FromTo>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let (from, to) = match asked.read(&scene) {
        Ok(both) => both,
        Err(Wrong::NoSuchRecipe(key, near)) => {
            return messages::no_such_recipe(&web, &key, ("/changeover?to=", near));
        }
        Err(Wrong::OnlyOne) => {
            let body = html! { h1 { "Changeover board" } p { "This line has one recipe only: there is nothing to change over to." } };
            return page(&scene, StatusCode::OK, "Changeover board", body);
        }
    };
    let board = Board::of(&scene, from, to);
    let body = html! {
        h1 { "Changeover board" }
        p.point { "From " b { (from.name) } " to " b { (to.name) } }
        (choice(&scene, from, to))
        section.verdict-box { p #verdict .verdict { (board.sentence()) } (window(&scene, &board)) }
        (sheet(&scene, &board))
        (kettle(&board))
        (transit(&board))
        (held(&scene, &board))
        (caution())
        p.further { a href=(format!("/start-up?recipe={}", to.key)) { "Start-up board against " (to.name) } }
    };
    page(&scene, StatusCode::OK, "Changeover board", body)
}

fn choice(scene: &Scene<'_>, from: &Recipe, to: &Recipe) -> Markup {
    let picked = |recipe: &Recipe, own: &Recipe| recipe.key == own.key;
    html! {
        form.choice method="get" action="/changeover" {
            @for (name, label, own) in [("from", "From", from), ("to", "To", to)] {
                label { (label) " " select name=(name) { @for recipe in &scene.line.recipes { option value=(recipe.key) selected[picked(recipe, own)] { (recipe.name) } } } }
            }
            button type="submit" { "Show" }
        }
    }
}

/// Until when a changeover lasts.
fn window(scene: &Scene<'_>, board: &Board<'_>) -> Markup {
    html! {
        @match &board.under_way {
            Some(one) => p {
                b { "Under way" } @if let Some(since) = one.since { " since " (scene.clock(since)) } " at " (one.stations.join(", "))
                @if let Some(until) = one.until { ": it ends at " (scene.clock(until)) " at the latest, or once all values are in the new band" }
                "."
            },
            None => @if let Some(lasts) = board.lasts {
                p.soft { "No station changes over now. From the moment the recipe number changes it lasts " (words::span(lasts.as_secs_f64())) " at most, and ends once all values are in the new band." }
            }
        }
    }
}

/// Setpoints, old to new: those to enter first.
fn sheet(scene: &Scene<'_>, board: &Board<'_>) -> Markup {
    let (stay, change): (Vec<&Entry<'_>>, Vec<&Entry<'_>>) =
        board.entries.iter().partition(|entry| entry.todo() == Todo::Stays);
    html! {
        section {
            h2 { "Setpoints that people enter" }
            @if board.entries.is_empty() { p { "The recipes have nothing entered at a panel." } }
            @if !change.is_empty() { (table(scene, &change, "Setpoints that change")) }
            @if !stay.is_empty() {
                details id="stay" {
                    summary { @if stay.len() == 1 { "1 setpoint stays as it is" } @else { (stay.len()) " setpoints stay as they are" } }
                    (table(scene, &stay, "Setpoints that stay"))
                }
            }
        }
    }
}

fn table(scene: &Scene<'_>, entries: &[&Entry<'_>], label: &str) -> Markup {
    html! {
        div.wide tabindex="0" role="region" aria-label=(label) {
            table.tanks.figures {
                thead { tr { th scope="col" { "Setpoint" } th scope="col" { "New" } th scope="col" { "Panel now" } } }
                tbody {
                    @for entry in entries {
                        tr {
                            th scope="row" { a href=(format!("/signals/{}", entry.facts.signal.tag)) { (entry.facts.signal.name) } small { (entry.facts.signal.tag) ", " (scene.line.station(entry.facts.signal.station).name) } }
                            td { b { (asked(&entry.facts, entry.to)) } small { "was " (asked(&entry.facts, entry.from)) } }
                            td { span data-t=(format!("{}.v", entry.facts.signal.tag)) { (entry.facts.shown()) } small { (todo(entry.todo())) } }
                        }
                    }
                }
            }
        }
    }
}

fn asked(facts: &SignalFacts<'_>, entered: Option<Entered>) -> String {
    entered.map_or_else(|| "\u{2013}".to_owned(), |entered| facts.show_with_unit(entered.recipe))
}

fn todo(todo: Todo) -> Markup {
    html! {
        @match todo {
            Todo::Enter | Todo::Unseen => b.outside { (todo.name()) },
            Todo::Stays | Todo::Done | Todo::Free => (todo.name())
        }
    }
}

fn kettle(board: &Board<'_>) -> Markup {
    html! {
        @if !board.kettle.is_empty() {
            section {
                h2 { "Kettles and soak" }
                div.wide tabindex="0" role="region" aria-label="Kettles and soak" {
                    table.tanks {
                        thead { tr { th scope="col" { "What" } th scope="col" { "Old" } th scope="col" { "New" } } }
                        tbody {
                            @for one in &board.kettle {
                                tr {
                                    th scope="row" { (one.what) }
                                    td { (one.from) }
                                    td { @if one.from == one.to { "stays" } @else { b { (one.to) } } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Tanks under the recipe of their corn, in the order of the line.
fn by_recipe(tanks: &[(String, String)]) -> BTreeMap<&str, Vec<&str>> {
    let mut all: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for (tank, recipe) in tanks {
        all.entry(recipe).or_default().push(tank);
    }
    all
}

fn transit(board: &Board<'_>) -> Markup {
    let transit = &board.transit;
    html! {
        section {
            h2 { "Product that keeps the old recipe" }
            @match transit.takes_s {
                Some((least, most)) => p { "What is on the belts at the change is packed as it was made: from " (transit.from) " to the bag takes " b { (words::span(least)) @if most > least + 1.0 { " to " (words::span(most)) } } " at the present speeds." },
                None => p { "How long product takes to the bag is not known now: a belt\u{2019}s speed has no value, or it stands." }
            }
            @if !transit.tanks.is_empty() {
                p { "Corn in these tanks was cooked by another recipe:" }
                ul { @for (recipe, tanks) in by_recipe(&transit.tanks) { li { (recipe) ": " (tanks.join(", ")) } } }
            }
        }
    }
}

fn held(scene: &Scene<'_>, board: &Board<'_>) -> Markup {
    let (out, within): (Vec<_>, Vec<_>) = board.held.iter().partition(|held| held.is_in_the_way());
    html! {
        section.station {
            h2 { "Values against the new recipe" }
            @if out.is_empty() { p { "All that can be judged now are in the new band." } }
            ul.rows { @for held in &out { (held_row(scene, held)) } }
            @if !within.is_empty() {
                details id="within" {
                    summary { (words::counted(within.len(), "value")) " in the new band, or not counting now" }
                    ul.rows { @for held in &within { (held_row(scene, held)) } }
                }
            }
        }
    }
}
