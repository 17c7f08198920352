//! One alarm, for whoever stands at the machine: the first block fits a phone and answers what, where, how far, how long,
//! worse or better, and whether the signal can be trusted; then what to do; then where the value comes from.

use super::said::Said;
use super::{
    Outcome, Page, around, aside, backtest, controller, events, frame, messages, missing_value, past,
    product, registers, rows, server, trend, trend_page, trust,
};
use crate::history::StoredSample;
use crate::web::facts::{AlarmFacts, Direction, Scene, SignalFacts, Subject};
use crate::web::live::{self, Scope};
use crate::web::{Web, names, svg, words};
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use setward_alarm::AlarmId;
use setward_protocol::{SignalId, UtcMillis};

/// Events of this alarm shown.
const EVENTS_SHOWN: usize = 8;

/// Serves the page.
pub(in crate::web) async fn show(
    State(web): State<Web>,
    Path(id): Path<String>,
    Query(outcome): Query<Outcome>,
    headers: HeaderMap,
) -> Response {
    let Ok(alarm) = names::alarm(&web.app.line, &id) else { return messages::no_such_alarm(&web, &id) };
    let said = outcome.said.as_deref();
    let said = match outcome.of.as_deref() {
        Some("close") => html! { (super::records::said(said)) },
        Some(_) | None => html! { @if let Some(said) = said.and_then(Said::from_key) { (said.show()) } },
    };
    render(&web, alarm, &headers, said).await.into_response()
}

/// The page of one alarm.
pub(in crate::web) async fn render(web: &Web, alarm: AlarmId, headers: &HeaderMap, said: Markup) -> Markup {
    let settings = web.app.line.alarm(alarm);
    let (occurrence, began, raised) = when(web, alarm);
    let (kept, happened, told, changed, belongs) = tokio::join!(
        kept_of(web, settings.settings.watches.signal()),
        trend::events(web, Some(&settings.id), EVENTS_SHOWN),
        past::read(web, &settings.id, occurrence),
        around::read(web, &settings.id, began, raised),
        product::belongs(web, alarm),
    );
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let facts = scene.alarm(alarm);
    let name = super::super::acknowledge::remembered_name(headers);
    let body = html! {
        (said)
        @match &facts.on {
            Subject::Signal(on) => (signal_block(&scene, &facts, on, kept.as_ref())),
            Subject::Controller(on) => (controller::first_block(&scene, &facts, on)),
            Subject::Server(on) => (server::first_block(&scene, &facts, on))
        }
        @if let (Some(on), Some(kept)) = (facts.signal(), &kept) {
            section {
                @if asks(&facts) { p.soft { (trend::caption(&scene, on, kept)) } } @else { (trend::draw(&scene, on, &[facts], kept)) }
                (trend_page::alarm_link(&scene, &facts, &on.signal.tag))
            }
        }
        (response(&facts))
        @if facts.view.state.awaits_acknowledgement() {
            section #acknowledge { h2 { "Acknowledge" } (rows::acknowledge_form(&scene, &facts, name.as_deref(), "alarm")) }
        }
        (past::last(&scene, &told))
        (around::changes(&scene, &changed))
        (around::neighbours(&scene, &facts))
        (past::close_form(&facts, &told, name.as_deref()))
        (aside::show(&scene, &facts, name.as_deref()))
        (product::show(&scene, &facts, &belongs))
        (background(&scene, &facts))
        section { h2 { "Last events of this alarm" } (events::show(&scene, &happened, false)) (backtest::link(&scene, alarm)) }
        @match &facts.on {
            Subject::Signal(on) => (registers::show(&scene, on)),
            Subject::Controller(on) => (controller::served(&scene, on)),
            Subject::Server(on) => (server::sent(&scene, on))
        }
    };
    frame(
        &scene,
        Page {
            title: &settings.name,
            scope: Scope::Alarm(alarm),
            reload_s: super::quiet_reload_s(facts.is_open()),
            body,
        },
    )
}

/// The present occurrence, when its trouble began, and when it raised; now, for what has not.
fn when(web: &Web, alarm: AlarmId) -> (u32, UtcMillis, UtcMillis) {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let facts = scene.alarm(alarm);
    let now = scene.now;
    let is_building = facts.is_building();
    let raised = facts.view.raised.filter(|_| !is_building).unwrap_or(now);
    let began = facts.view.beyond_since.filter(|_| is_building).or(facts.began());
    (facts.view.occurrence, began.map_or(raised, |began| began.min(raised)), raised)
}

/// What history has of the watched signal; `None` where there is no signal.
async fn kept_of(web: &Web, watched: Option<SignalId>) -> Option<Result<Vec<StoredSample>, String>> {
    let tag = &web.app.line.signal(watched?).tag;
    Some(trend::read(web, tag, web.app.clock.utc()).await)
}

/// Badge, way to the form, name.
pub(super) fn headline(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    html! {
        p.headline {
            (rows::badge(scene, facts))
            @if facts.view.state.awaits_acknowledgement() { a.button href="#acknowledge" { "Acknowledge" } }
        }
        h1 { (facts.alarm.name) }
    }
}

/// Whether somebody has to do with it now: then the first block has all of it, the picture too, and is kept short.
fn asks(facts: &AlarmFacts<'_>) -> bool {
    facts.is_standing() || facts.is_building()
}

fn signal_block(
    scene: &Scene<'_>,
    facts: &AlarmFacts<'_>,
    on: &SignalFacts<'_>,
    kept: Option<&Result<Vec<StoredSample>, String>>,
) -> Markup {
    let (id, signal) = (&facts.alarm.id, on.signal);
    html! {
        section.first #first {
            (headline(scene, facts))
            p.point { (rows::station_link(scene, signal.station)) " \u{b7} " a href=(format!("/signals/{}", signal.tag)) { b { (signal.tag) } " " (signal.name) } }
            (how_far(scene, facts, on))
            dl.facts {
                dt { (live::how_long_label(facts)) } dd data-t=(format!("{id}.since")) { (live::how_long_short(scene, facts)) }
                @if facts.view.exposure.is_some() { dt { "Exposure" } dd { (exposure(facts)) } }
                dt { "Trend" } dd class=(course_class(facts)) data-t=(format!("{id}.dir")) { (live::direction(facts)) }
                dt { "Forecast" } dd data-t=(format!("{id}.fore")) { (live::forecast(facts)) }
                dt { "Signal" } dd { (signal_words(scene, on)) }
                @if let Some(short) = product::in_few_words(scene, facts) { dt { "Product" } dd data-t=(format!("{id}.prod")) { (short) } }
            }
            @if let Some(kept) = kept.filter(|_| asks(facts)) { (trend::picture(scene, on, &[*facts], (kept, svg::SHORT))) }
            @if let Some(against) = on.entered { (super::signal::entered(on, against)) }
        }
    }
}

fn course_class(facts: &AlarmFacts<'_>) -> &'static str {
    match facts.direction() {
        Direction::Worse if asks(facts) && facts.is_beyond() => "worse",
        Direction::Worse | Direction::Steady | Direction::Better | Direction::Unknown => "course",
    }
}

fn how_far(scene: &Scene<'_>, facts: &AlarmFacts<'_>, on: &SignalFacts<'_>) -> Markup {
    let (id, tag) = (&facts.alarm.id, &on.signal.tag);
    html! {
        p.big {
            @if on.missing().is_some() { (missing_value(scene, on)) } @else {
                span.value { b data-t=(format!("{tag}.v")) { (on.shown()) } " " (on.signal.unit.display()) }
                @if facts.deviation().is_some() { span.deviation data-t=(format!("{id}.d")) { (facts.shown_deviation()) } }
            }
        }
        p.against {
            span data-t=(format!("{id}.how")) { (live::how_far(facts)) }
            @if let Some((low, high)) = on.band() { " (recipe " (on.show(low)) " to " (on.show_with_unit(high)) ")" }
        }
        @if on.setpoint().is_some() { (svg::band_bar(on.widths_off(), on.out_of_band().is_some(), tag)) }
    }
}

fn exposure(facts: &AlarmFacts<'_>) -> Markup {
    let id = &facts.alarm.id;
    html! {
        @match live::exposure(facts) {
            Some(text) => span data-t=(format!("{id}.expo")) { (text) },
            None => "none"
        }
        @if let Some(share) = facts.view.exposure { (svg::exposure_bar(share, id)) }
    }
}

fn signal_words(scene: &Scene<'_>, on: &SignalFacts<'_>) -> Markup {
    let tag = &on.signal.tag;
    html! {
        (trust(on)) ", " span data-t=(format!("{tag}.age")) { (live::reading_age(scene, on)) }
        @if let Some(why) = on.missing() { br; (words::no_data_hint(why)) }
    }
}

fn response(facts: &AlarmFacts<'_>) -> Markup {
    let alarm = facts.alarm;
    html! {
        section {
            @if facts.is_blind() {
                p { b { "This alarm can't judge now." } " Read the local instrument, and have the signal mended. If the local reading is out:" }
            }
            h2 { @if facts.is_open() || facts.is_building() { "Operator, now" } @else { "Operator, when it raises" } }
            ol.steps { @for step in &alarm.response_now { li { (step) } } }
            @if let Some(device) = &alarm.independent_device {
                p.device { "An independent device acts on its own: " (device.trim_end_matches('.')) ". This alarm does not prove that it works." }
            }
            p { "Time to act before it costs product or worse: " b { (words::span(alarm.time_to_respond.as_secs_f64())) } "." }
            @if !alarm.response_next.is_empty() {
                h2 { "Technician, next" }
                ol.steps { @for step in &alarm.response_next { li { (step) } } }
            }
        }
    }
}

fn background(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    let alarm = facts.alarm;
    html! {
        section {
            h2 { "If nobody acts" }
            p { (alarm.consequence) }
            @if !alarm.causes.is_empty() {
                h2 { "Likely causes" }
                ul { @for cause in &alarm.causes { li { (cause) } } }
            }
            dl.facts {
                @if facts.view.occurrence > 0 { dt { "Occurrence" } dd { (facts.view.occurrence) } }
                @if let Some(onset) = facts.began() { dt { "Trouble began" } dd { (scene.clock(onset)) } }
                @if let Some(raised) = facts.view.raised { dt { "Raised" } dd { (scene.clock(raised)) } }
                @if let Some(cleared) = facts.view.cleared { dt { "Cleared" } dd { (scene.clock(cleared)) } }
                @if let Some((at, by)) = &facts.view.acknowledged { dt { "Acknowledged" } dd { "by " (by) " at " (scene.clock(*at)) } }
            }
        }
    }
}
