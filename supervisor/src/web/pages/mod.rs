//! The pages' frame: header with what must always be seen, footer with the cautions, and the pages for what is not there.

pub(super) mod alarm;
pub(super) mod alarms;
pub(super) mod line;
mod registers;
mod rows;
pub(super) mod signal;
mod trend;

use super::facts::Scene;
use super::live::{self, Scope};
use super::{Web, assets, svg, words};
use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use setward_config::line::{Priority, StationId};
use setward_protocol::Reading;

/// Characters of the configuration fingerprint that are enough to tell two apart by eye.
const FINGERPRINT_SHOWN: usize = 12;

/// One page.
pub(super) struct Page<'a> {
    pub(super) title: &'a str,
    pub(super) scope: Scope,
    /// Seconds after which a browser without scripts fetches the page again.
    pub(super) reload_s: u32,
    pub(super) body: Markup,
}

/// The page in its frame.
pub(super) fn frame(scene: &Scene<'_>, page: Page<'_>) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (page.title) " \u{2013} " (scene.line.name) }
                link rel="stylesheet" href=(assets::address("page.css"));
                link rel="icon" href=(assets::address("icon.svg")) type="image/svg+xml";
                noscript { meta http-equiv="refresh" content=(page.reload_s); }
                script type="module" src=(assets::address("live.js")) {}
            }
            body data-events=(events_address(scene, page.scope)) data-shape=(live::shape(scene, page.scope)) {
                (header(scene, page.scope))
                main #main data-region { (page.body) }
                (footer(scene))
            }
        }
    }
}

fn events_address(scene: &Scene<'_>, scope: Scope) -> String {
    let encoded = |text: &str| {
        percent_encoding::utf8_percent_encode(text, percent_encoding::NON_ALPHANUMERIC).to_string()
    };
    match scope {
        Scope::Line => "/events".to_owned(),
        Scope::Signal(id) => format!("/events?signal={}", encoded(&scene.line.signal(id).tag)),
        Scope::Alarm(id) => format!("/events?alarm={}", encoded(&scene.line.alarm(id).id)),
    }
}

fn header(scene: &Scene<'_>, scope: Scope) -> Markup {
    let line = scene.line;
    html! {
        header {
            nav aria-label="Pages" {
                a href="/" { "Line" }
                a href="/alarms" { "Alarms" span #counts data-region { (counts(scene)) } }
            }
            div.place {
                b { (line.name) } span.plant { (line.plant) }
                @if line.simulated { span.simulated { "SIMULATED" } }
                span.recipe { (line.recipe().name) }
            }
            div #state data-region { (state(scene, scope)) }
            p #silence role="status" hidden {}
        }
    }
}

/// How often a page without scripts loads anew: seldom while a name may be being typed into it.
fn quiet_reload_s(has_form: bool) -> u32 {
    if has_form { 300 } else { 30 }
}

/// How many alarms stand, in words, highest priority first.
fn counts(scene: &Scene<'_>) -> Markup {
    let standing = scene.standing_alarms();
    let waiting = standing.iter().filter(|facts| facts.view.state.awaits_acknowledgement()).count();
    html! {
        @let blind = scene.blind_alarms().len();
        @if standing.is_empty() { span.quiet { "none active" } }
        @for priority in [Priority::High, Priority::Medium, Priority::Low] {
            @let count = standing.iter().filter(|facts| facts.alarm.priority == priority).count();
            @if count > 0 { span.count { (svg::shape(priority, false)) (count) " " (priority.name()) } }
        }
        @if waiting > 0 { span.waiting { (waiting) " not acknowledged" } }
        // A line that can't be seen must not read as one that is fine.
        @if blind > 0 { span.blind { (blind) " of " (scene.line.alarms.len()) " blind" } }
    }
}

/// Data age, and what makes the page doubtful: of the whole line, or of the station that the page is about.
fn state(scene: &Scene<'_>, scope: Scope) -> Markup {
    let here = live::station(scene, scope);
    let at_hand = |station: StationId| here.is_none_or(|here| here == station);
    let manual = scene.manual_loops().map(|control| (control, scene.line.signal(control.measured)));
    let failing = scene.line.controllers.iter().zip(&scene.snapshot.controllers).zip(0_u16..);
    let serves = |controller: u16| {
        let mut its =
            scene.line.signals.iter().filter(|signal| {
                signal.register().is_some_and(|register| register.controller.0 == controller)
            });
        its.any(|signal| at_hand(signal.station))
    };
    html! {
        p.age data-t="age" { (live::data_age(scene)) }
        @for (control, measured) in manual.filter(|(_, measured)| at_hand(measured.station)) {
            p.notice { b { "MANUAL" } " " (control.tag) ", " (measured.name) }
        }
        @for ((controller, view), id) in failing {
            @if view.problem.is_some() && serves(id) { p.notice { b { "NO DATA" } " from controller " (controller.name) } }
        }
        @if let Some(problem) = &scene.snapshot.history_problem {
            p.notice { b { "HISTORY" } " is not being kept: " (problem) }
        }
    }
}

fn footer(scene: &Scene<'_>) -> Markup {
    let fingerprint: String = scene.line.fingerprint.chars().take(FINGERPRINT_SHOWN).collect();
    html! {
        footer {
            p {
                b { "Monitoring only" } ": not a safety function, high limit, burner management or interlock. Losing Setward "
                "changes nothing on the plant. Follow local codes and licensed practice."
            }
            p {
                "Hot oil, gas flames, belts and caustic lime hurt people: a value here does not prove that a protective "
                "device works, and \u{201c}stopped\u{201d} on a screen is not isolated. Lock out, tag out, verify."
            }
            p.version { "Setward " (env!("CARGO_PKG_VERSION")) " \u{b7} configuration " code { (fingerprint) } " \u{b7} times in " (scene.line.time_zone) }
        }
    }
}

/// Why a value is missing, in words, with the last good one struck through.
fn missing_value(scene: &Scene<'_>, facts: &super::facts::SignalFacts<'_>) -> Markup {
    html! {
        @if let Some(why) = facts.missing() {
            span.lost {
                b { "No value: " (why) }
                @if let Some((value, at)) = facts.view.last_good {
                    span.last { "last good " s { (facts.show_with_unit(value)) } " at " (scene.clock(at)) }
                }
            }
        }
    }
}

/// Whether the signal can be trusted, in words.
fn trust(facts: &super::facts::SignalFacts<'_>) -> String {
    match facts.view.reading {
        Reading::Good(_) => "good".to_owned(),
        Reading::Uncertain(_, doubt) => format!("doubtful: {doubt}"),
        Reading::Bad(why) => format!("bad: {why}"),
    }
}

/// A page that says what is wrong and where to go on.
fn message(web: &Web, title: &str, body: Markup) -> Markup {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    frame(&scene, Page { title, scope: Scope::Line, reload_s: 600, body })
}

pub(super) fn no_such_alarm(web: &Web, id: &str) -> Response {
    let nearest = super::names::alarm(&web.app.line, id).err().flatten();
    let body = html! {
        h1 { "No such alarm" }
        p { "This line has no alarm called \u{201c}" (shortened(id)) "\u{201d}." }
        @if let Some(near) = nearest { p { "Did you mean " a.button href=(format!("/alarms/{near}")) { (near) } } }
        p { a.button href="/alarms" { "All alarms" } }
    };
    (StatusCode::NOT_FOUND, message(web, "No such alarm", body)).into_response()
}

pub(super) fn no_such_signal(web: &Web, tag: &str) -> Response {
    let nearest = super::names::signal(&web.app.line, tag).err().flatten();
    let body = html! {
        h1 { "No such signal" }
        p { "This line has no signal tagged \u{201c}" (shortened(tag)) "\u{201d}." }
        @if let Some(near) = nearest { p { "Did you mean " a.button href=(format!("/signals/{near}")) { (near) } } }
        p { a.button href="/" { "The line" } }
    };
    (StatusCode::NOT_FOUND, message(web, "No such signal", body)).into_response()
}

/// A form that could not be read.
pub(super) fn bad_form(web: &Web, status: StatusCode, why: &str) -> Response {
    let body = html! {
        h1 { "Nothing was acknowledged" }
        p { "The form could not be read: " (shortened(why)) "." }
        p { a.button href="/alarms" { "All alarms" } }
    };
    (status, message(web, "Nothing was acknowledged", body)).into_response()
}

/// Any other address.
pub(super) async fn not_found(State(web): State<Web>, uri: Uri) -> Response {
    let body = html! {
        h1 { "No such page" }
        p { "There is nothing at " code { (shortened(uri.path())) } "." }
        p { a.button href="/" { "The line" } " " a.button href="/alarms" { "All alarms" } }
    };
    (StatusCode::NOT_FOUND, message(&web, "No such page", body)).into_response()
}

/// What came from outside, cut to what a page can show.
fn shortened(text: &str) -> String {
    text.chars().take(120).collect()
}

/// The outcome of the last form, if the page was opened with one.
#[derive(serde::Deserialize)]
pub(super) struct Outcome {
    said: Option<String>,
}

/// The words before a list of events.
fn events(
    scene: &Scene<'_>,
    kept: &Result<Vec<crate::history::StoredEvent>, String>,
    with_alarm: bool,
) -> Markup {
    html! {
        @match kept {
            Err(problem) => p.notice { b { "HISTORY" } " could not be read: " (problem) },
            Ok(kept) if kept.is_empty() => p { "None kept yet." },
            Ok(kept) => ol.events {
                @for stored in kept {
                    li { time { (scene.clock(stored.event.utc)) } " " (event_words(scene, stored, with_alarm)) }
                }
            }
        }
    }
}

fn event_words(scene: &Scene<'_>, stored: &crate::history::StoredEvent, with_alarm: bool) -> Markup {
    let event = &stored.event;
    let known = event.alarm.as_deref().and_then(|id| scene.line.alarm_by_id(id));
    html! {
        @if with_alarm { @match (known, &event.alarm) {
            (Some(id), Some(key)) => { a href=(format!("/alarms/{key}")) { (scene.line.alarm(id).name) } " " },
            (None, Some(key)) => { (key) " " },
            (_, None) => {}
        } }
        span { (words::event(event)) }
        @if let (Some(id), Some(value)) = (known, event.value) {
            span.detail { " at " (scene.alarm(id).on.show_with_unit(value)) }
        }
        @if let Some(onset) = event.onset { span.detail { ", trouble began " (scene.clock(onset)) } }
    }
}
