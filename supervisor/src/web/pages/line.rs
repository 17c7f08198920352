//! The line at a glance: alarms first if there are any, then every station in product order against the recipe.

use super::{Page, frame, missing_value, rows};
use crate::web::facts::{Scene, SignalFacts};
use crate::web::live::{self, Scope};
use crate::web::{Web, svg, words};
use axum::extract::State;
use axum::http::HeaderMap;
use maud::{Markup, html};
use setward_config::line::{Belt, ControlLoop, Meaning, Role, StationId};
use setward_protocol::SignalId;

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, headers: HeaderMap) -> Markup {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let name = crate::web::acknowledge::remembered_name(&headers);
    let body = html! {
        h1.unseen { "Line overview" }
        (alarms(&scene, name.as_deref()))
        @for (index, station) in (0..=u16::MAX).zip(&scene.line.stations) {
            section.station { h2 { (station.name) } (rows_of(&scene, StationId(index))) }
        }
        section.station { h2 { "Controllers" } (controllers(&scene)) }
    };
    frame(&scene, Page { title: "Line", scope: Scope::Line, reload_s: 15, body })
}

fn alarms(scene: &Scene<'_>, name: Option<&str>) -> Markup {
    let standing = scene.standing_alarms();
    let building = scene.building_alarms();
    html! {
        @if !standing.is_empty() {
            section { h2 { "Alarms" } ul.alarms { @for facts in &standing { (rows::alarm_row(scene, facts, name)) } } }
        }
        @if !building.is_empty() {
            section {
                h2 { "Building up, not yet an alarm" }
                ul.alarms.building { @for facts in &building { (rows::alarm_row(scene, facts, name)) } }
            }
        }
    }
}

/// Signals of a station: its loops and measured values with the recipe, its belts, then the rest.
fn rows_of(scene: &Scene<'_>, station: StationId) -> Markup {
    let here = |facts: &SignalFacts<'_>| {
        facts.signal.station == station && facts.signal.means != Some(Meaning::Heartbeat)
    };
    let measured = scene.signals().filter(here).filter(|facts| facts.signal.role == Role::Measured);
    let (judged, plain): (Vec<_>, Vec<_>) =
        measured.partition(|facts| facts.asked.is_some() || scene.loop_of(facts.id).is_some());
    let belts: Vec<_> =
        scene.line.belts.iter().enumerate().filter(|(_, belt)| belt.station == station).collect();
    let told = told_by_loops(scene);
    let others = scene.signals().filter(here).filter(|facts| facts.signal.role != Role::Measured);
    let others: Vec<_> = others.filter(|facts| !told.contains(&facts.id)).collect();
    html! {
        ul.rows {
            @for facts in &judged { (judged_row(scene, facts)) }
            @for (index, belt) in &belts { (belt_row(scene, *index, belt)) }
        }
        @if !plain.is_empty() || !others.is_empty() {
            ul.plain { @for facts in plain.iter().chain(&others) { (plain_row(scene, facts)) } }
        }
        @if judged.is_empty() && belts.is_empty() && plain.is_empty() && others.is_empty() {
            p { "No signals here." }
        }
    }
}

/// Signals that a loop's or a belt's row already tells.
fn told_by_loops(scene: &Scene<'_>) -> Vec<SignalId> {
    let loops = scene.line.loops.iter();
    let parts =
        loops.flat_map(|control| [control.entered, control.output, control.mode].into_iter().flatten());
    let dwells =
        scene.line.belts.iter().filter_map(|belt| scene.dwell_setpoint(belt.station)).map(|facts| facts.id);
    parts.chain(dwells).collect()
}

fn judged_row(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
    let tag = &facts.signal.tag;
    let side = facts.out_of_tolerance();
    let class = match (facts.missing(), side) {
        (Some(_), _) => "row bad",
        (None, Some(_)) => "row out",
        (None, None) => "row",
    };
    html! {
        li class=(class) {
            (name_link(facts))
            @if facts.missing().is_some() { (missing_value(scene, facts)) } @else {
                span.value { b data-t=(format!("{tag}.v")) { (facts.shown()) } " " (facts.signal.unit.display()) }
                span.deviation {
                    @if let Some(off) = facts.deviation() { span data-t=(format!("{tag}.d")) { (facts.show_deviation(off)) } }
                    @if let Some(side) = side { b.outside { (words::side(side)) " tolerance" } }
                }
            }
            span.band { @if facts.asked.is_some() { (svg::band_bar(facts.tolerances_off(), tag)) } }
            span.set { (setpoints(scene, facts)) }
            span.loop { @if let Some(control) = scene.loop_of(facts.id) { (loop_words(scene, control)) } }
        }
    }
}

fn name_link(facts: &SignalFacts<'_>) -> Markup {
    html! {
        a.name href=(format!("/signals/{}", facts.signal.tag)) { (facts.signal.name) small { (facts.signal.tag) } }
    }
}

/// What the recipe asks, and what a person entered when that differs.
fn setpoints(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
    let entered = scene.loop_of(facts.id).and_then(|control| control.entered).map(|id| scene.signal(id));
    let turned = entered.and_then(|entered| {
        let (asked, value) = (facts.asked?, entered.view.reading.value()?);
        ((value - asked.target.setpoint).abs() > asked.target.latitude.unwrap_or(0.0) + 1e-9).then_some(value)
    });
    html! {
        @if let (Some(asked), Some((low, high))) = (facts.asked, facts.band()) {
            span { "recipe " (facts.show_with_unit(asked.target.setpoint)) }
            small { (facts.show(low)) " to " (facts.show(high)) }
        } @else {
            @if let Some(entered) = entered {
                span { "setpoint " span data-t=(format!("{}.v", entered.signal.tag)) { (entered.shown()) } " " (entered.signal.unit.display()) }
            }
        }
        @if let Some(value) = turned { b.outside { "entered " (facts.show_with_unit(value)) } }
    }
}

/// Output and mode of a loop.
fn loop_words(scene: &Scene<'_>, control: &ControlLoop) -> Markup {
    let output = control.output.map(|id| scene.signal(id));
    let mode = control.mode.map(|id| scene.signal(id));
    html! {
        @if let Some(output) = output {
            span { "output " span data-t=(format!("{}.v", output.signal.tag)) { (output.shown()) }
                @if output.missing().is_none() { " " (output.signal.unit.display()) } }
        }
        @if let Some(mode) = mode {
            @if scene.is_manual(control) { b.outside { "MANUAL" } } @else {
                span { "mode " span data-t=(format!("{}.v", mode.signal.tag)) { (mode.shown()) } }
            }
        }
    }
}

fn belt_row(scene: &Scene<'_>, index: usize, belt: &Belt) -> Markup {
    let speed = scene.signal(belt.speed);
    let dwell_s = scene.snapshot.dwell_s.get(index).copied().flatten();
    let setpoint = scene.dwell_setpoint(belt.station);
    html! {
        li.row.bad[dwell_s.is_none() && speed.missing().is_some()] {
            a.name href=(format!("/signals/{}", speed.signal.tag)) {
                (belt.name) small { "from " (speed.signal.tag) ", " (belt.effective_length_m) " m" }
            }
            @match (dwell_s, speed.missing()) {
                (None, Some(why)) => span.lost { b { "Unknown: the speed has no value (" (why) ")" } },
                (_, _) => span.value { b data-t=(format!("belt-{index}")) { (live::dwell(dwell_s)) } }
            }
            span.deviation {}
            span.band {}
            span.set {
                @if let Some(setpoint) = setpoint {
                    span { "setpoint " span data-t=(format!("{}.v", setpoint.signal.tag)) { (setpoint.shown()) }
                        @if setpoint.missing().is_none() { " " (setpoint.signal.unit.display()) } }
                }
            }
            span.loop {}
        }
    }
}

fn plain_row(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
    let tag = &facts.signal.tag;
    html! {
        li.bad[facts.missing().is_some()] {
            (name_link(facts))
            @if facts.missing().is_some() { (missing_value(scene, facts)) } @else {
                span.value { b data-t=(format!("{tag}.v")) { (facts.shown()) } " " (facts.signal.unit.display()) }
            }
        }
    }
}

fn controllers(scene: &Scene<'_>) -> Markup {
    let views = scene.snapshot.controllers.iter().map(Some).chain(std::iter::repeat(None));
    html! {
        ul.plain {
            @for (controller, view) in scene.line.controllers.iter().zip(views) {
                @let problem = view.and_then(|view| view.problem.as_deref());
                li.bad[problem.is_some()] {
                    span.name { (controller.name) small { (controller.endpoint) " unit " (controller.unit_id) } }
                    @match problem {
                        Some(problem) => span.lost { b { "No data: " (problem) } },
                        None => span { "answers" }
                    }
                    @match view.and_then(|view| view.last_good) {
                        Some(at) if problem.is_some() => span.last { "last complete scan " (scene.clock(at)) },
                        Some(_) => {},
                        None => span.last { "no complete scan yet" }
                    }
                }
            }
        }
    }
}
