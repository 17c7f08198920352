//! The parts of an alarm's page that differ when it watches a controller: who is silent, since when, and what nobody can
//! see because of it.

use super::{alarm, line, rows, values};
use crate::web::facts::{AlarmFacts, ControllerFacts, Scene, SignalFacts};
use crate::web::{live, words};
use maud::{Markup, html};

/// What, where, since when.
pub(super) fn first_block(scene: &Scene<'_>, facts: &AlarmFacts<'_>, on: &ControllerFacts<'_>) -> Markup {
    let (id, controller) = (&facts.alarm.id, on.controller);
    let (signals, blind) = (signals(scene, on).count(), blinded(scene, on).len());
    html! {
        section.first #first {
            (alarm::headline(scene, facts))
            p.point { "Controller " b { (controller.name) } " \u{b7} " code { (controller.endpoint) } " unit id " (controller.unit_id) }
            p.big { span.value { b { @if on.is_silent() { "No data" } @else { (live::answer_words(on)) } } } }
            @if let Some(problem) = &on.view.problem { p.against { (problem) } }
            dl.facts {
                dt { "Silent for" } dd data-t=(format!("{id}.since")) { (live::how_long_short(scene, facts)) }
                dt { "Last good" } dd { (line::last_scan(scene, on)) }
                dt { "Scans" } dd { (on.view.scans_good) " good, " (on.view.scans_failed) " failed in this run" }
                dt { "Blind" }
                dd {
                    @if on.is_silent() { (words::counted(signals, "signal")) " without a value, " (words::counted(blind, "alarm")) " that can\u{2019}t raise" }
                    @else { "nothing: " (words::counted(signals, "signal")) " read" }
                }
            }
        }
    }
}

fn signals<'a>(
    scene: &Scene<'a>,
    on: &ControllerFacts<'_>,
) -> impl Iterator<Item = SignalFacts<'a>> + use<'a> {
    let id = on.id;
    scene
        .signals()
        .filter(move |facts| facts.signal.register().is_some_and(|register| register.controller == id))
}

/// Alarms that have no value to judge because of this controller.
fn blinded<'a>(scene: &Scene<'a>, on: &ControllerFacts<'_>) -> Vec<AlarmFacts<'a>> {
    let its = |facts: &AlarmFacts<'_>| {
        facts.signal().and_then(|signal| scene.silent_controller(signal)).is_some_and(|one| one.id == on.id)
    };
    scene.blind_alarms().into_iter().filter(its).collect()
}

/// What comes through it.
pub(super) fn served(scene: &Scene<'_>, on: &ControllerFacts<'_>) -> Markup {
    let blind = blinded(scene, on);
    let signals: Vec<_> = signals(scene, on).collect();
    html! {
        @if !blind.is_empty() {
            section { h2 { "Blind because of it" } (rows::index(scene, &blind, "blind-alarms")) }
        }
        section.station {
            h2 { "Signals that come through it" }
            details #served {
                summary { (words::counted(signals.len(), "signal")) }
                ul.plain { @for facts in &signals { (values::plain_row(scene, facts)) } }
            }
        }
    }
}
