//! One alarm, for whoever stands at the machine: the first block fits a phone and answers what, where, how far, how long,
//! worse or better, and whether the signal can be trusted; then what to do; then where the value comes from.

use super::{Outcome, Page, events, frame, missing_value, no_such_alarm, registers, rows, trend, trust};
use crate::web::facts::{AlarmFacts, Direction, Scene};
use crate::web::live::{self, Scope};
use crate::web::{Web, names, svg, words};
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use setward_alarm::AlarmId;

/// Events of this alarm shown.
const EVENTS_SHOWN: usize = 8;

/// What became of an acknowledgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) enum Said {
    Acknowledged,
    Already,
    NotDurable,
    Stale,
    NeverRaised,
    Unavailable,
    NoName,
}

impl Said {
    const ALL: [Self; 7] = [
        Self::Acknowledged,
        Self::Already,
        Self::NotDurable,
        Self::Stale,
        Self::NeverRaised,
        Self::Unavailable,
        Self::NoName,
    ];

    /// The word in the address.
    pub(in crate::web) const fn key(self) -> &'static str {
        match self {
            Self::Acknowledged => "acknowledged",
            Self::Already => "already",
            Self::NotDurable => "not-kept",
            Self::Stale => "stale",
            Self::NeverRaised => "never-raised",
            Self::Unavailable => "unavailable",
            Self::NoName => "no-name",
        }
    }

    pub(super) fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|said| said.key() == key)
    }

    const fn text(self) -> &'static str {
        match self {
            Self::Acknowledged => "Acknowledged. Everyone who looks sees your name.",
            Self::Already => "This had been acknowledged before; nothing changed.",
            Self::NotDurable => {
                "Acknowledged, but it could not be written to disk: after a restart it may have to be acknowledged again."
            }
            Self::Stale => {
                "Not acknowledged: this alarm has raised again since your page was made. Look again, then acknowledge."
            }
            Self::NeverRaised => "Not acknowledged: this alarm has never raised.",
            Self::Unavailable => "Not acknowledged: Setward is stopping or too busy. Try again.",
            Self::NoName => "Not acknowledged: give your name, 1 to 60 characters.",
        }
    }

    pub(super) fn show(self) -> Markup {
        html! { p.said role="status" { (self.text()) } }
    }
}

/// Serves the page.
pub(in crate::web) async fn show(
    State(web): State<Web>,
    Path(id): Path<String>,
    Query(outcome): Query<Outcome>,
    headers: HeaderMap,
) -> Response {
    let Ok(alarm) = names::alarm(&web.app.line, &id) else { return no_such_alarm(&web, &id) };
    let said = outcome.said.as_deref().and_then(Said::from_key);
    render(&web, alarm, &headers, said).await.into_response()
}

/// The page of one alarm.
pub(in crate::web) async fn render(
    web: &Web,
    alarm: AlarmId,
    headers: &HeaderMap,
    said: Option<Said>,
) -> Markup {
    let settings = web.app.line.alarm(alarm);
    let watched = settings.settings.watches.signal();
    let tag = watched.map(|signal| web.app.line.signal(signal).tag.clone()).unwrap_or_default();
    let (kept, happened) = tokio::join!(
        trend::read(web, &tag, web.app.clock.utc()),
        trend::events(web, Some(&settings.id), EVENTS_SHOWN),
    );
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let facts = scene.alarm(alarm);
    let name = super::super::acknowledge::remembered_name(headers);
    let body = html! {
        @if let Some(said) = said { (said.show()) }
        (first_block(&scene, &facts))
        section { (trend::draw(&scene, &facts.on, &[facts], &kept)) }
        (response(&facts))
        @if facts.view.state.awaits_acknowledgement() {
            section #acknowledge { h2 { "Acknowledge" } (rows::acknowledge_form(&scene, &facts, name.as_deref(), "alarm")) }
        }
        (background(&scene, &facts))
        section { h2 { "Last events of this alarm" } (events(&scene, &happened, false)) }
        (registers::show(&scene, &facts.on))
    };
    frame(
        &scene,
        Page {
            title: &settings.name,
            scope: Scope::Alarm(alarm),
            reload_s: super::quiet_reload_s(facts.is_standing()),
            body,
        },
    )
}

fn first_block(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    let (id, signal) = (&facts.alarm.id, facts.on.signal);
    html! {
        section.first #first {
            p.headline {
                (rows::badge(facts))
                @if facts.view.state.awaits_acknowledgement() { a.button href="#acknowledge" { "Acknowledge" } }
            }
            h1 { (facts.alarm.name) }
            p.point { (scene.line.station(signal.station).name) " \u{b7} " a href=(format!("/signals/{}", signal.tag)) { (signal.tag) " " (signal.name) } }
            (how_far(scene, facts))
            dl.facts {
                dt { "Out for" } dd data-t=(format!("{id}.since")) { (live::how_long_short(scene, facts)) }
                @if facts.view.exposure.is_some() { dt { "Exposure" } dd { (exposure(facts)) } }
                dt { "Trend" } dd class=(course_class(facts)) data-t=(format!("{id}.dir")) { (live::direction(facts)) }
                dt { "Forecast" } dd data-t=(format!("{id}.fore")) { (live::forecast(facts)) }
                dt { "Signal" } dd { (signal_words(scene, facts)) }
            }
        }
    }
}

fn course_class(facts: &AlarmFacts<'_>) -> &'static str {
    match facts.direction() {
        Direction::Worse if facts.is_standing() || facts.is_building() => "worse",
        Direction::Worse | Direction::Steady | Direction::Better | Direction::Unknown => "course",
    }
}

fn how_far(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    let (id, tag) = (&facts.alarm.id, &facts.on.signal.tag);
    html! {
        p.big {
            @if facts.on.missing().is_some() { (missing_value(scene, &facts.on)) } @else {
                span.value { b data-t=(format!("{tag}.v")) { (facts.on.shown()) } " " (facts.on.signal.unit.display()) }
                span.deviation data-t=(format!("{id}.d")) { (facts.shown_deviation()) }
            }
        }
        p.against {
            span data-t=(format!("{id}.how")) { (live::how_far(facts)) }
            @if let Some((low, high)) = facts.on.band() { " (" (facts.on.show(low)) " to " (facts.on.show(high)) ")" }
        }
        @if facts.on.asked.is_some() { (svg::band_bar(facts.on.tolerances_off(), tag)) }
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

fn signal_words(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    let tag = &facts.on.signal.tag;
    html! {
        (trust(&facts.on)) ", " span data-t=(format!("{tag}.age")) { (live::reading_age(scene, &facts.on)) }
        @if let Some(why) = facts.on.missing() { br; (words::no_data_hint(why)) }
    }
}

fn response(facts: &AlarmFacts<'_>) -> Markup {
    let alarm = facts.alarm;
    html! {
        section {
            @if facts.on.missing().is_some() {
                p { b { "This alarm can't judge now." } " Read the local instrument, and have the signal mended. If the local reading is out:" }
            }
            h2 { @if facts.is_standing() || facts.is_building() { "Operator, now" } @else { "Operator, when it raises" } }
            ol.steps { @for step in &alarm.response_now { li { (step) } } }
            @if let Some(device) = &alarm.independent_device {
                p.device { "An independent device acts on its own: " (device) " This alarm does not prove that it works." }
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
