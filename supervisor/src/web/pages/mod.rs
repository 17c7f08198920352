//! The pages' frame: header with what must always be seen, footer with the cautions.

pub(super) mod alarm;
pub(super) mod alarms;
mod around;
mod aside;
pub(super) mod backtest;
pub(super) mod boards;
mod channels;
mod controller;
pub(super) mod entries;
mod events;
pub(in crate::web) mod keypad;
pub(super) mod line;
pub(super) mod messages;
pub(in crate::web) mod past;
pub(in crate::web) mod product;
pub(in crate::web) mod records;
mod registers;
mod rows;
pub(super) mod said;
mod server;
pub(super) mod signal;
mod silent;
pub(super) mod station;
pub(super) mod tanks;
mod trend;
pub(in crate::web) mod trend_page;
mod values;
pub(super) mod wall;

use super::facts::{Scene, SignalFacts, Silence};
use super::live::{self, Scope};
use super::{assets, doors, svg};
use maud::{DOCTYPE, Markup, html};
use setward_config::line::Priority;
use setward_protocol::Reading;

/// Characters of the configuration fingerprint that are enough to tell two apart by eye.
const FINGERPRINT_SHOWN: usize = 12;

/// For a page that stays as it is while somebody writes on it.
const STILL: u32 = 0;

/// For a page over a stretch of time: it stays as it is, and only its head is kept fresh.
const OF_A_STRETCH: u32 = u32::MAX;
/// A page that is read anew so often, or more, is so with scripts too.
const OFTEN_S: u32 = 5;
/// A light page with the same head.
const FRESH_HEAD: &str = "/alarms";

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
        @let still = matches!(page.reload_s, STILL | OF_A_STRETCH);
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (page.title) " \u{2013} " (scene.line.name) }
                link rel="stylesheet" href=(assets::address("page.css"));
                link rel="icon" href=(assets::icon()) type="image/svg+xml";
                @if !still { noscript { meta http-equiv="refresh" content=(page.reload_s); } }
                script type="module" src=(assets::address("live.js")) {}
                @if page.reload_s == STILL { script type="module" src=(assets::address("keypad.js")) {} }
            }
            body data-every=[(!still && page.reload_s <= OFTEN_S).then_some(page.reload_s)] data-events=(events_address(scene, page.scope)) data-shape=(live::shape(scene, page.scope)) data-fresh=[fresh_address(scene, &page)] {
                (header(scene, page.scope))
                main #main data-region[!still] { (page.body) }
                (footer(scene))
            }
        }
    }
}

/// Where the page's markup is read anew, if not where the browser has it from: an answer to a form has no such address.
fn fresh_address(scene: &Scene<'_>, page: &Page<'_>) -> Option<String> {
    if page.reload_s == OF_A_STRETCH {
        return Some(FRESH_HEAD.to_owned());
    }
    match page.scope {
        Scope::Alarm(id) => Some(format!("/alarms/{}", scene.line.alarm(id).id)),
        Scope::Line | Scope::Station(_) | Scope::Signal(_) => None,
    }
}

fn events_address(scene: &Scene<'_>, scope: Scope) -> String {
    let encoded = |text: &str| {
        percent_encoding::utf8_percent_encode(text, percent_encoding::NON_ALPHANUMERIC).to_string()
    };
    match scope {
        Scope::Line => "/events".to_owned(),
        Scope::Station(id) => format!("/events?station={}", encoded(&scene.line.station(id).key)),
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
                @if !line.tanks.is_empty() { a href="/tanks" { "Tanks" } }
                @if !line.entries.is_empty() { a href="/entries" { "Entries" (late(scene)) } }
                // Where there is room; the foot of every page leads there too.
                a.roomy href="/trend" { "Trend" }
                a href="/alarms" { "Alarms" span #counts data-region { (counts(scene)) } }
            }
            div.place {
                b { (line.name) } span.plant { (line.plant) }
                @if line.simulated { span.simulated { "SIMULATED" } }
                span.recipe data-t="recipe" { (scene.recipe_words(scope.station(scene))) }
            }
            div #state data-region { (state(scene, scope)) }
            p #silence role="status" hidden {}
        }
    }
}

/// How many entries are overdue, in words.
fn late(scene: &Scene<'_>) -> Markup {
    let is_late = |view: &&crate::entries::EntryView| matches!(view.due, crate::entries::DueView::Overdue(_));
    let count = scene.snapshot.entries.iter().filter(is_late).count();
    html! { @if count > 0 { span.late { (count) " late" } } }
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
        @let shelved = scene.alarms().filter(|facts| matches!(facts.silence, Some(Silence::Shelved(..)))).count();
        @for priority in [Priority::High, Priority::Medium, Priority::Low] {
            @let count = standing.iter().filter(|facts| facts.alarm.priority == priority).count();
            @if count > 0 { span.count { (svg::shape(priority, false)) (count) " " (priority.name()) } }
        }
        @if shelved > 0 { span.quiet { (shelved) " shelved" } }
        @if waiting > 0 { span.waiting { (waiting) " not acknowledged" } }
        // A line that can't be seen must not read as one that is fine.
        @if blind > 0 { span.blind { (blind) " of " (scene.line.alarms.len()) " blind" } }
    }
}

/// Data age, and what makes the page doubtful: of the whole line, or of the station that the page is about.
fn state(scene: &Scene<'_>, scope: Scope) -> Markup {
    let station = scope.station(scene);
    let at_hand = |id| station.is_none_or(|station| station == scene.line.signal(id).station);
    let manual: Vec<_> = scene.manual_loops().filter(|control| at_hand(control.measured)).collect();
    let silent = scene.controllers().filter(|facts| facts.is_silent() && scope.is_fed_by(scene, facts.id));
    html! {
        p.age data-t="age" { (live::data_age(scene)) }
        @if !manual.is_empty() {
            p.notice {
                b { "MANUAL" }
                @for (index, control) in manual.iter().enumerate() {
                    (if index == 0 { " " } else { ", " }) (control.tag) " " (scene.line.signal(control.measured).name)
                }
            }
        }
        @for facts in silent {
            p.notice {
                b { "NO DATA" } " from controller " (facts.controller.name)
                @if let Some(at) = facts.view.last_good { " since " (scene.clock(at)) }
            }
        }
        (channels::notices(scene))
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
            (records::links(scene))
            (doors::who())
            p.version { "Setward " (env!("CARGO_PKG_VERSION")) " \u{b7} configuration " code { (fingerprint) } " \u{b7} times in " (scene.line.time_zone) }
            p.printed { "As of " (scene.zone.shown(scene.now, "%Y-%m-%d %H:%M:%S")) }
        }
    }
}

/// Why a value is missing, in words, with the last good one struck through.
fn missing_value(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
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
pub(in crate::web) fn trust(facts: &SignalFacts<'_>) -> String {
    match facts.view.reading {
        Reading::Good(_) => "good".to_owned(),
        Reading::Uncertain(_, doubt) => format!("doubtful: {doubt}"),
        Reading::Bad(why) => format!("bad: {why}"),
    }
}

/// Who a form is by: a field for the name, remembered from last time; or, where people sign in, the name that it will bear.
pub(super) fn name_field(id: &str, label: &str, name: Option<&str>) -> Markup {
    html! {
        @match doors::signed_name() {
            Some(name) => p.signer { "In the name of " b { (name) } },
            None => {
                label for=(id) { (label) }
                input id=(id) type="text" name="by" value=[name] required maxlength="60" autocomplete="name";
            }
        }
    }
}

/// The outcome of the last form, if the page was opened with one.
#[derive(serde::Deserialize)]
pub(super) struct Outcome {
    said: Option<String>,
    /// "close": it is of the form that closes an occurrence.
    of: Option<String>,
}
