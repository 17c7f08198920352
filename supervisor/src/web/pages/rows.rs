//! Rows that several pages show: an alarm in a list, with its acknowledge form.

use crate::web::facts::{AlarmFacts, Scene};
use crate::web::{live, svg, words};
use maud::{Markup, html};
use setward_alarm::AlarmState;

/// The priority's shape and word and the state's word. Bold and doubly edged while nobody has acknowledged.
pub(super) fn badge(facts: &AlarmFacts<'_>) -> Markup {
    let state = facts.view.state;
    let gone = !state.condition_holds();
    let class = if state.awaits_acknowledgement() { "badge new" } else { "badge" };
    html! {
        span class=(class) {
            (svg::shape(facts.alarm.priority, gone))
            b { (words::priority(facts.alarm.priority)) }
            @if facts.is_building() { span.state { "building up, not yet an alarm" } } @else {
                span.state { (words::state(state, &facts.alarm.settings.kind)) }
            }
        }
    }
}

/// An alarm in a list.
pub(super) fn alarm_row(scene: &Scene<'_>, facts: &AlarmFacts<'_>, name: Option<&str>) -> Markup {
    let id = &facts.alarm.id;
    let station = &scene.line.station(facts.on.signal.station).name;
    let waits = facts.view.state.awaits_acknowledgement();
    let class = format!(
        "alarm{}{}",
        if waits { " new" } else { "" },
        if facts.view.state.is_active() {
            format!(" {}", facts.alarm.priority.name())
        } else {
            String::new()
        },
    );
    html! {
        li class=(class) {
            a.open href=(format!("/alarms/{id}")) {
                (badge(facts))
                b.title { (facts.alarm.name) }
                span.point { (station) " \u{b7} " (facts.on.signal.tag) " " (facts.on.signal.name) }
            }
            div.far {
                (value(facts))
                @if facts.deviation().is_some() {
                    span.deviation data-t=(format!("{id}.d")) { (facts.shown_deviation()) }
                }
                span.against data-t=(format!("{id}.how")) { (live::how_far(facts)) }
            }
            div.more {
                span data-t=(format!("{id}.long")) { (live::how_long(scene, facts)) }
                (exposure(facts))
                span.forecast data-t=(format!("{id}.fore")) { (live::forecast(facts)) }
                @if let Some((at, by)) = &facts.view.acknowledged {
                    @if !facts.view.state.awaits_acknowledgement() {
                        span { "acknowledged by " (by) " at " (scene.clock(*at)) }
                    }
                }
            }
            @if facts.view.state.awaits_acknowledgement() { (acknowledge_form(scene, facts, name, "list")) }
        }
    }
}

fn value(facts: &AlarmFacts<'_>) -> Markup {
    let tag = &facts.on.signal.tag;
    html! {
        @match facts.on.missing() {
            Some(why) => span.lost { b { "No value: " (why) } },
            None => span.value { b data-t=(format!("{tag}.v")) { (facts.on.shown()) } " " (facts.on.signal.unit.display()) }
        }
    }
}

/// Exposure in words with its bar.
pub(super) fn exposure(facts: &AlarmFacts<'_>) -> Markup {
    let id = &facts.alarm.id;
    html! {
        @if let (Some(text), Some(share)) = (live::exposure(facts), facts.view.exposure) {
            span.exposed {
                span { "exposure " span data-t=(format!("{id}.expo")) { (text) } }
                (svg::exposure_bar(share, id))
            }
        }
    }
}

/// The form that acknowledges the occurrence shown.
pub(super) fn acknowledge_form(
    scene: &Scene<'_>,
    facts: &AlarmFacts<'_>,
    name: Option<&str>,
    back: &str,
) -> Markup {
    let id = &facts.alarm.id;
    let field = format!("by-{id}");
    html! {
        form.acknowledge method="post" action=(format!("/alarms/{id}/acknowledge")) {
            input type="hidden" name="run" value=(scene.snapshot.run.0);
            input type="hidden" name="occurrence" value=(facts.view.occurrence);
            input type="hidden" name="back" value=(back);
            label for=(field) { "Your name" }
            input id=(field) type="text" name="by" value=[name] required maxlength="60" autocomplete="name";
            button type="submit" {
                "Acknowledge"
                @if facts.view.state == AlarmState::Returned { small { "and close" } }
            }
        }
    }
}
