//! Rows that several pages show: alarms in a list, with their acknowledge forms, and the head of a station.

use crate::web::doors::{self, Needs};
use crate::web::facts::{AlarmFacts, Scene, StationFacts, Subject};
use crate::web::{live, svg, words};
use maud::{Markup, html};
use setward_alarm::AlarmState;
use setward_config::line::Priority;
use setward_protocol::StationId;
use std::collections::BTreeMap;

/// From so many automatic alarms with one trouble on, they are one line.
const TOLD_TOGETHER_FROM: usize = 4;

/// From more alarms on, each form waits behind a line, so that the list stays one.
const FORMS_SHOWN: usize = 3;

/// How an alarm's form stands in a list, with the name this device gave last.
#[derive(Clone, Copy)]
pub(super) enum Form<'a> {
    /// At once.
    Shown(Option<&'a str>),
    /// Behind a line that opens.
    Folded(Option<&'a str>),
}

/// What a station is doing, and how many alarms stand there.
pub(super) fn station_state(scene: &Scene<'_>, facts: &StationFacts<'_>) -> Markup {
    let standing: Vec<_> =
        scene.standing_alarms().into_iter().filter(|alarm| alarm.station == Some(facts.id)).collect();
    let worst = standing.iter().map(|alarm| alarm.alarm.priority).max();
    html! {
        @if let Some(mode) = facts.mode() { span.mode { (mode.name()) } }
        @if facts.view.product_present == Some(false) { span.soft { "no product under it" } }
        @if let Some(worst) = worst { (alarm_count(worst, standing.len())) }
    }
}

fn alarm_count(worst: Priority, count: usize) -> Markup {
    html! {
        span.count { (svg::shape(worst, false)) (words::counted(count, "alarm")) }
    }
}

/// Alarms that stand, one below the other; what one controller's trouble does to many signals is one line.
pub(super) fn alarm_list(scene: &Scene<'_>, standing: &[AlarmFacts<'_>], name: Option<&str>) -> Markup {
    let mut shared: BTreeMap<String, Vec<&AlarmFacts<'_>>> = BTreeMap::new();
    for facts in standing {
        shared.entry(shared_trouble(scene, facts).unwrap_or_default()).or_default().push(facts);
    }
    shared.retain(|trouble, alarms| !trouble.is_empty() && alarms.len() >= TOLD_TOGETHER_FROM);
    let is_shared =
        |facts: &AlarmFacts<'_>| shared_trouble(scene, facts).is_some_and(|why| shared.contains_key(&why));
    let form = if standing.len() > FORMS_SHOWN { Form::Folded(name) } else { Form::Shown(name) };
    html! {
        ul.alarms {
            @for facts in standing { @if !is_shared(facts) { (alarm_row(scene, facts, form)) } }
            @for (index, (trouble, alarms)) in shared.iter().enumerate() {
                li.alarm.together {
                    details id=(format!("together-{index}")) {
                        summary { b { (words::counted(alarms.len(), "alarm")) } " " (trouble) }
                        ul.alarms { @for facts in alarms { (alarm_row(scene, facts, form)) } }
                    }
                }
            }
        }
    }
}

/// Alarms that build up, one below the other; signals of one controller that begin to lack a value are one line.
pub(super) fn building_list(scene: &Scene<'_>, building: &[AlarmFacts<'_>], form: Form<'_>) -> Markup {
    let trouble = |facts: &AlarmFacts<'_>| {
        let on = facts.signal().filter(|_| !facts.judges_a_value())?;
        let controller = &scene.line.controller(on.signal.register()?.controller).name;
        Some(format!("on signals of controller {controller}: no usable value for some seconds"))
    };
    let mut shared: BTreeMap<String, Vec<&AlarmFacts<'_>>> = BTreeMap::new();
    for facts in building {
        shared.entry(trouble(facts).unwrap_or_default()).or_default().push(facts);
    }
    shared.retain(|trouble, alarms| !trouble.is_empty() && alarms.len() >= TOLD_TOGETHER_FROM);
    let is_shared = |facts: &AlarmFacts<'_>| trouble(facts).is_some_and(|why| shared.contains_key(&why));
    html! {
        ul.alarms.building {
            @for facts in building { @if !is_shared(facts) { (alarm_row(scene, facts, form)) } }
            @for (index, (trouble, alarms)) in shared.iter().enumerate() {
                li.alarm.together {
                    details id=(format!("building-{index}")) {
                        summary { b { (words::counted(alarms.len(), "alarm")) } " " (trouble) }
                        ul.alarms { @for facts in alarms { (alarm_row(scene, facts, form)) } }
                    }
                }
            }
        }
    }
}

/// What an automatic alarm may share with others: its controller, and why there is no value or that there is one again.
fn shared_trouble(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Option<String> {
    let on = facts.signal().filter(|_| !facts.judges_a_value())?;
    let controller = &scene.line.controller(on.signal.register()?.controller).name;
    let why = match facts.missing() {
        Some(why) => why.to_string(),
        None if facts.view.state.is_active() => return None,
        None => "usable again, not acknowledged".to_owned(),
    };
    Some(format!("on signals of controller {controller}: {why}"))
}

/// Written alarms as links, the automatic ones behind a line that opens.
pub(super) fn index(scene: &Scene<'_>, alarms: &[AlarmFacts<'_>], id: &str) -> Markup {
    let (written, automatic): (Vec<_>, Vec<_>) = alarms.iter().partition(|facts| facts.judges_a_value());
    let link = |facts: &AlarmFacts<'_>| {
        html! { li { a href=(format!("/alarms/{}", facts.alarm.id)) { (facts.alarm.name) small { (subject(facts)) ", " (calls(scene, facts)) } } } }
    };
    let active = automatic.iter().filter(|facts: &&&AlarmFacts<'_>| facts.is_standing()).count();
    html! {
        @if written.is_empty() { p { "None written in the line file." } }
        ul.index { @for facts in written { (link(facts)) } }
        @if !automatic.is_empty() {
            details id=(id) {
                summary {
                    (automatic.len()) " automatic, for signals without a value and controllers that do not answer: "
                    @if active == 0 { "none stands" } @else { (active) @if active == 1 { " stands" } @else { " stand" } }
                }
                ul.index { @for facts in automatic { (link(facts)) } }
            }
        }
    }
}

/// What an alarm says now; of one that is kept silent what keeps it so, as everywhere: it calls nobody, whatever its state.
pub(super) fn calls(scene: &Scene<'_>, alarm: &AlarmFacts<'_>) -> String {
    match &alarm.silence {
        Some(silence) => words::silence(scene, silence),
        None if alarm.is_blind() => "blind: no value".to_owned(),
        None if alarm.is_building() => "building up, not yet an alarm".to_owned(),
        None => words::state(alarm.view.state, &alarm.alarm.settings.kind),
    }
}

/// A station's name as a way to its page.
pub(super) fn station_link(scene: &Scene<'_>, id: StationId) -> Markup {
    let station = scene.line.station(id);
    html! { a href=(format!("/stations/{}", station.key)) { (station.name) } }
}

/// What an alarm watches, in the words of the line file.
pub(super) fn subject(facts: &AlarmFacts<'_>) -> String {
    match &facts.on {
        Subject::Signal(on) => on.signal.tag.clone(),
        Subject::Controller(on) => format!("controller {}", on.controller.name),
        Subject::Server(on) => format!("server {}", on.name),
    }
}

/// The priority's shape and word and the state's word. Bold and doubly edged while nobody has acknowledged.
pub(super) fn badge(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    let state = facts.view.state;
    let gone = !state.condition_holds();
    let asks = state.awaits_acknowledgement() && facts.silence.is_none();
    let class = if asks { "badge new" } else { "badge" };
    html! {
        span class=(class) {
            (svg::shape(facts.alarm.priority, gone))
            b { (words::priority(facts.alarm.priority)) }
            @if let Some(silence) = &facts.silence { span.state { (words::silence(scene, silence)) } }
            @else if facts.is_building() {
                span.state { @if facts.view.beyond_since.is_some() { "building up, not yet an alarm" } @else { "back inside; what was collected runs down" } }
            } @else {
                span.state { (words::state(state, &facts.alarm.settings.kind)) }
            }
        }
    }
}

/// An alarm in a list.
pub(super) fn alarm_row(scene: &Scene<'_>, facts: &AlarmFacts<'_>, form: Form<'_>) -> Markup {
    let id = &facts.alarm.id;
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
                (badge(scene, facts))
                b.title { (facts.alarm.name) }
                (instrument(scene, facts))
            }
            (far(facts))
            div.more {
                span data-t=(format!("{id}.long")) { (live::how_long(scene, facts)) }
                (exposure(facts))
                span.forecast data-t=(format!("{id}.fore")) { (live::forecast(facts)) }
                @if let Some((at, by)) = &facts.view.acknowledged {
                    @if !waits { span { "acknowledged by " (by) " at " (scene.clock(*at)) } }
                }
            }
            @if waits {
                @match form {
                    Form::Shown(name) => (acknowledge_form(scene, facts, name, "list")),
                    Form::Folded(name) => details.acknowledging id=(format!("acknowledge-{id}")) {
                        summary { "Acknowledge" }
                        (acknowledge_form(scene, facts, name, "list"))
                    }
                }
            }
        }
    }
}

/// The instrument by tag, name and station: what a person looks for on the plant.
fn instrument(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    let station = facts.station.map(|id| scene.line.station(id).name.as_str());
    html! {
        span.instrument {
            @match &facts.on {
                Subject::Signal(on) => { b { (on.signal.tag) } " " (on.signal.name) },
                Subject::Controller(on) => { b { "Controller " (on.controller.name) } " " (on.controller.endpoint) }
                Subject::Server(on) => { b { "Server " (on.name) } " " (on.url) }
            }
            @if let Some(station) = station { small { " \u{b7} " (station) } }
        }
    }
}

/// The value, how far it is off, and from what.
fn far(facts: &AlarmFacts<'_>) -> Markup {
    let id = &facts.alarm.id;
    html! {
        div.far {
            @if let Some(on) = facts.signal() {
                @match on.missing() {
                    Some(why) => span.lost { b { "No value: " (why) } },
                    None => span.value { b data-t=(format!("{}.v", on.signal.tag)) { (on.shown()) } " " (on.signal.unit.display()) }
                }
            }
            @if facts.deviation().is_some() { span.deviation data-t=(format!("{id}.d")) { (facts.shown_deviation()) } }
            span.against data-t=(format!("{id}.how")) { (live::how_far(facts)) }
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
    if let Some(instead) = doors::instead(Needs::Operate, "acknowledge") {
        return instead;
    }
    let id = &facts.alarm.id;
    let field = format!("by-{id}");
    html! {
        form.acknowledge method="post" action=(format!("/alarms/{id}/acknowledge")) {
            input type="hidden" name="run" value=(scene.snapshot.run.0);
            input type="hidden" name="occurrence" value=(facts.view.occurrence);
            input type="hidden" name="back" value=(back);
            (super::name_field(&field, "Your name", name))
            button type="submit" {
                "Acknowledge"
                @if facts.view.state == AlarmState::Returned { small { "it is over already" } }
            }
        }
    }
}
