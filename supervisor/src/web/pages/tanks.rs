//! The tanks: what is in each, how old its corn is, when it may be fed and when it is too old, and how long the corn lasts.

use super::{Page, frame};
use crate::line::follow::TankView;
use crate::web::facts::Scene;
use crate::web::live::Scope;
use crate::web::{Web, words};
use axum::extract::State;
use maud::{Markup, html};
use setward_config::line::TankCode;
use setward_process::tanks::TankState;

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>) -> Markup {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let body = html! {
        div.head { h1 { "Tanks" } }
        @if scene.line.tanks.is_empty() {
            p { "The line file names no tank: add [[tank]] to line.toml, and they are followed from then on." }
        } @else {
            (outlook(&scene))
            section.station { h2 { "In the order in which they should be fed" } (board(&scene)) }
            p.soft { "Ages count from the end of the last transfer for the youngest corn, of the first for the oldest. Corn that was
                already in a tank when the watching began has no known age." }
        }
    };
    frame(&scene, Page { title: "Tanks", scope: Scope::Line, reload_s: 15, body })
}

/// Tanks that feed first, then by their oldest corn, then those of which no age is known, then empty ones.
pub(in crate::web) fn in_order<'a>(scene: &Scene<'a>) -> Vec<&'a TankView> {
    let mut tanks: Vec<&TankView> = scene.snapshot.following.tanks.iter().collect();
    let rank = |view: &TankView| match view.row.state {
        TankState::Feeding => 0,
        TankState::OverAge | TankState::Ready | TankState::Soaking | TankState::Filling => 1,
        TankState::Empty if view.holds != Some(TankCode::Empty) => 2,
        TankState::Empty => 3,
    };
    tanks.sort_by(|one, other| {
        let age = |view: &TankView| view.row.oldest_s.unwrap_or(-1.0);
        rank(one).cmp(&rank(other)).then(age(other).total_cmp(&age(one))).then(one.tank.cmp(&other.tank))
    });
    tanks
}

fn board(scene: &Scene<'_>) -> Markup {
    html! {
        div.wide tabindex="0" role="region" aria-label="Tanks" {
            table.tanks.stack {
                thead { tr { th { "Tank" } th { "Corn" } th { "Age" } th { "May be fed" } th { "Too old" } } }
                tbody { @for view in in_order(scene) { (row(scene, view)) } }
            }
        }
    }
}

fn row(scene: &Scene<'_>, view: &TankView) -> Markup {
    let name = scene.line.tanks.get(view.tank).map_or("", |tank| tank.name.as_str());
    let row = &view.row;
    let is_known = row.oldest_s.is_some();
    let is_empty = view.holds == Some(TankCode::Empty);
    html! {
        tr.bad[row.state == TankState::OverAge] {
            th scope="row" { (name) br; small { (says(scene, view)) } }
            td data-h="Corn" { @if is_known { @if row.has_unseen { "at least " } (words::number(row.corn_kg, 0)) " kg" } @else { "\u{2013}" } }
            td data-h="Age" {
                @match (row.youngest_s, row.oldest_s) {
                    (Some(youngest), Some(oldest)) => { (words::hours_between(youngest, oldest)) },
                    (_, _) if is_empty => "\u{2013}",
                    (_, _) => "not known"
                }
            }
            td data-h="May be fed" { @match view.ready_at { Some(at) if at <= scene.now => "now", Some(at) => (scene.minute_of(at)), None => "\u{2013}" } }
            td data-h="Too old" {
                @match view.over_age_at {
                    Some(at) if at <= scene.now => b { "\u{25b2} since " (scene.minute_of(at)) },
                    Some(at) => (scene.minute_of(at)),
                    None => "\u{2013}"
                }
            }
        }
    }
}

/// What the tank is doing: what its word or its level says, and what follows from the ages.
pub(in crate::web) fn says(scene: &Scene<'_>, view: &TankView) -> String {
    let code = view.code.and_then(|code| {
        let word = scene.line.tanks.get(view.tank)?.told_by();
        scene.line.signal(word).codes.get(&code).cloned()
    });
    let said = code.unwrap_or_else(|| match (view.code, view.holds) {
        (Some(code), _) => format!("code {code}"),
        (None, Some(TankCode::Empty)) => "empty".to_owned(),
        (None, Some(TankCode::Filling)) => "filling".to_owned(),
        (None, Some(TankCode::Full)) => "full".to_owned(),
        (None, Some(TankCode::OutOfUse) | None) => "state not known".to_owned(),
    });
    match view.row.state {
        TankState::Feeding => format!("{said}, feeds the line"),
        TankState::OverAge => format!("{said}, too old"),
        TankState::Empty | TankState::Filling | TankState::Soaking | TankState::Ready => said,
    }
}

/// How long the corn lasts, and what a stop of an hour would cost.
fn outlook(scene: &Scene<'_>) -> Markup {
    let following = &scene.snapshot.following;
    html! {
        @match following.outlook {
            Some(outlook) => {
                section {
                    dl.facts {
                        dt { "Corn lasts" } dd { "until " (scene.minute_of(outlook.empty_at)) ", at " (words::number(outlook.rate_kg_per_h, 0)) " kg/h of corn, without new batches" }
                        dt { "Line waits" } dd { @if outlook.starved_s > 0.0 { (words::span(outlook.starved_s)) " in all for tanks that are too young" } @else { "for no tank" } }
                        dt { "Too old" } dd { (words::number(outlook.over_age_kg, 0)) " kg when they are fed" }
                        dt { "If the line stops an hour" } dd { (words::number(outlook.over_age_kg_after_stop, 0)) " kg too old" }
                    }
                }
            },
            None => p.soft { "How long the corn lasts is not known: nothing is fed now, or no tank has corn of a known age." }
        }
    }
}
