//! The whole line on one screen that nobody touches, to be read from some metres: stations in order, standing alarms, tanks and feed.
//! It has no links and no forms, and never changes what stands where: what does not fit is counted, not shown in turns.

use super::{counts, events_address, state};
use crate::web::facts::{AlarmFacts, Scene, SignalFacts, StationFacts};
use crate::web::live::{self, Scope};
use crate::web::{Web, assets, doors, svg, words};
use axum::extract::{Query, State};
use maud::{DOCTYPE, Markup, html};
use serde::Deserialize;
use setward_config::line::{Priority, Role};
use setward_process::tanks::TankState;
use setward_protocol::{NoData, SignalId};

/// Values of a station that have room.
const VALUES_SHOWN: usize = 1;
/// Alarms that have room.
const ALARMS_SHOWN: usize = 4;
/// A browser without scripts fetches it anew so often, s.
const RELOAD_S: u32 = 10;
/// With scripts it looks anew so often, s, besides what comes at once.
const EVERY_S: u32 = 5;
/// A snapshot older than this is not the present, s.
const STALE_AFTER_S: f64 = 10.0;

/// How the screen is to look.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::web) struct Asked {
    /// "dark" for a room that is dark at night; else as the browser prefers.
    scheme: Option<String>,
}

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, Query(asked): Query<Asked>) -> Markup {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let dark = asked.scheme.as_deref() == Some("dark");
    let age_s = scene.seconds_since(snapshot.utc);
    let is_stale = age_s > STALE_AFTER_S;
    html! {
        (DOCTYPE)
        html lang="en" class=[dark.then_some("dark")] {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content=(if dark { "dark" } else { "light dark" });
                title { "Wall \u{2013} " (scene.line.name) }
                link rel="stylesheet" href=(assets::address("page.css"));
                link rel="stylesheet" href=(assets::address("wall.css"));
                link rel="icon" href=(assets::icon()) type="image/svg+xml";
                noscript { meta http-equiv="refresh" content=(RELOAD_S); }
                script type="module" src=(assets::address("live.js")) {}
            }
            body.wall data-every=(EVERY_S) data-events=(events_address(&scene, Scope::Line)) data-shape=(live::shape(&scene, Scope::Line)) {
                header {
                    h1 { (scene.line.name) " " small { (scene.line.plant) } @if scene.line.simulated { " " span.simulated { "SIMULATED" } } }
                    p.recipe data-t="recipe" { (scene.recipe_words(None)) }
                    p #counts data-region { (counts(&scene)) }
                    div #state data-region { (state(&scene, Scope::Line)) }
                    p #silence role="status" hidden {}
                }
                main #main data-region {
                    @if is_stale { p.old role="status" { "OLD: these values are from " (scene.clock(snapshot.utc)) ", " (words::age(age_s)) " ago" } }
                    div.both.stale[is_stale] {
                        (alarms(&scene))
                        section.places aria-label="Stations" { @for facts in scene.stations() { (tile(&scene, &facts)) } }
                    }
                }
                footer #foot data-region { (supply(&scene)) p.only { "Monitoring only: not a safety function, high limit, burner management or interlock. " (doors::who_watches()) } }
            }
        }
    }
}

fn alarms(scene: &Scene<'_>) -> Markup {
    let standing = scene.standing_alarms();
    let (shown, rest) = standing.split_at(standing.len().min(ALARMS_SHOWN));
    html! {
        section.standing aria-label="Alarms" {
            @if standing.is_empty() { p.none { (none(scene)) } }
            ul { @for facts in shown { (alarm(scene, facts)) } }
            @if !rest.is_empty() {
                p.further-alarms {
                    "and " (rest.len()) " more: "
                    @for priority in [Priority::High, Priority::Medium, Priority::Low] {
                        @let count = rest.iter().filter(|facts| facts.alarm.priority == priority).count();
                        @if count > 0 { span.count { (svg::shape(priority, false)) (count) " " (priority.name()) } " " }
                    }
                }
            }
        }
    }
}

fn none(scene: &Scene<'_>) -> String {
    match scene.blind_alarms().len() {
        0 => "No alarm stands".to_owned(),
        blind => format!("No alarm stands among those that can be judged; {blind} are blind"),
    }
}

fn alarm(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    let id = &facts.alarm.id;
    let is_active = facts.view.state.is_active();
    html! {
        li class=(facts.alarm.priority.name()) {
            p.what { (svg::shape(facts.alarm.priority, !is_active)) b { (facts.alarm.name) } }
            p.how {
                span { (words::priority(facts.alarm.priority)) }
                @if let Some(on) = facts.signal() {
                    @if on.missing().is_some() { span { b { "no value" } } } @else {
                        span { b data-t=(format!("{}.v", on.signal.tag)) { (on.shown()) } " " (on.signal.unit.display()) }
                        @if facts.deviation().is_some() { span data-t=(format!("{id}.d")) { (facts.shown_deviation()) } }
                    }
                }
                @if is_active { span data-t=(format!("{id}.since")) { (live::how_long_short(scene, facts)) } } @else { span { (words::back(&facts.alarm.settings.kind)) } }
                @if facts.view.state.awaits_acknowledgement() { span { b { "NEW" } } } @else if let Some((_, by)) = &facts.view.acknowledged { span { "seen by " (by) } }
            }
            @if let Some(share) = facts.view.exposure {
                p.how { (svg::exposure_bar(share, id)) span data-t=(format!("{id}.expo")) { (live::exposure(facts).unwrap_or_default()) } }
            }
        }
    }
}

/// How a station is, the worst first.
enum Worst<'a> {
    Alarm(Priority, usize),
    NoData,
    Building(AlarmFacts<'a>),
    Out(usize),
    Fine,
    NotJudged,
}

fn worst<'a>(scene: &Scene<'a>, station: &StationFacts<'_>, values: &[SignalFacts<'a>]) -> Worst<'a> {
    let here = |facts: &AlarmFacts<'_>| facts.station == Some(station.id);
    let standing: Vec<Priority> = scene
        .standing_alarms()
        .iter()
        .filter(|facts| here(facts))
        .map(|facts| facts.alarm.priority)
        .collect();
    if let Some(priority) = standing.iter().max() {
        return Worst::Alarm(*priority, standing.len());
    }
    if values.iter().any(|facts| scene.silent_controller(facts).is_some()) {
        return Worst::NoData;
    }
    if let Some(building) = scene.building_alarms().into_iter().find(here) {
        return Worst::Building(building);
    }
    match values.iter().filter(|facts| facts.out_of_band().is_some()).count() {
        0 if values
            .iter()
            .any(|facts| facts.judged && facts.asked.is_some() && facts.missing().is_none()) =>
        {
            Worst::Fine
        }
        0 => Worst::NotJudged,
        out => Worst::Out(out),
    }
}

fn tile(scene: &Scene<'_>, station: &StationFacts<'_>) -> Markup {
    let values: Vec<SignalFacts<'_>> = scene.signals_at(station.id).collect();
    let worst = worst(scene, station, &values);
    html! {
        section class=(match worst { Worst::Alarm(priority, _) => format!("tile {}", priority.name()), Worst::NoData => "tile lost-tile".to_owned(), Worst::Building(_) | Worst::Out(_) | Worst::Fine | Worst::NotJudged => "tile".to_owned() }) {
            h2 { (station.station.name) @if let Some(mode) = station.mode() { " " span.mode { (mode.name()) } } }
            p.how-it-is {
                @match &worst {
                    Worst::Alarm(priority, count) => { (svg::shape(*priority, false)) b { (words::counted(*count, "alarm")) } },
                    Worst::NoData => b { "NO DATA" },
                    Worst::Building(facts) => { b { "building up" } @if let Some(share) = facts.view.exposure { " " (svg::exposure_bar(share, &facts.alarm.id)) } },
                    Worst::Out(count) => b { (count) " out of tolerance" },
                    Worst::Fine => "in tolerance",
                    Worst::NotJudged => "nothing judged now"
                }
            }
            @for facts in foremost(&values, &alarmed(scene, station)) {
                p.foremost {
                    (facts.signal.tag) " "
                    @match facts.missing() {
                        Some(_) => b { "no value" },
                        None => {
                            span { b data-t=(format!("{}.v", facts.signal.tag)) { (facts.shown()) } " " (facts.signal.unit.display()) } " "
                            @if facts.deviation().is_some() { span data-t=(format!("{}.judged", facts.signal.tag)) { (facts.judged_deviation()) } }
                        }
                    }
                }
            }
        }
    }
}

/// The signals of the alarms that stand at a station, the foremost alarm first.
fn alarmed(scene: &Scene<'_>, station: &StationFacts<'_>) -> Vec<SignalId> {
    let standing = scene.standing_alarms();
    let here = standing.iter().filter(|facts| facts.station == Some(station.id));
    here.filter_map(|facts| facts.signal().map(|on| on.id)).collect()
}

/// The values that tell most of a station: what an alarm stands on, and of those that the recipe holds and that count, the ones that are furthest off. What people
/// enter, and what is still being counted, is for other pages.
fn foremost<'a>(values: &[SignalFacts<'a>], alarmed: &[SignalId]) -> Vec<SignalFacts<'a>> {
    let is_told = |facts: &&SignalFacts<'a>| {
        let counted = facts.missing() == Some(NoData::TooLittleKnown);
        facts.asked.is_some() && facts.signal.role == Role::Measured && !counted
    };
    // Widths are cut off at 3; what an alarm stands on comes before all others, the foremost alarm's first.
    let off = |facts: &SignalFacts<'_>| {
        let place = alarmed.iter().position(|id| *id == facts.id);
        match (place, facts.judged) {
            (Some(place), _) => 1e3 - place as f64,
            (None, true) => facts.widths_off().map_or(4.0, f64::abs),
            (None, false) => -1.0,
        }
    };
    let mut all: Vec<SignalFacts<'a>> = values.iter().filter(is_told).copied().collect();
    // Stable: of equals the first in the file stays first.
    all.sort_by(|one, other| off(other).total_cmp(&off(one)));
    all.truncate(VALUES_SHOWN);
    all
}

/// Kettles, tanks and the feed.
fn supply(scene: &Scene<'_>) -> Markup {
    let line = scene.line;
    let following = &scene.snapshot.following;
    let tank = |index: usize| line.tanks.get(index).map_or("", |tank| tank.name.as_str());
    let feeding = following.tanks.iter().find(|view| view.row.state == TankState::Feeding);
    let ready = following.tanks.iter().filter(|view| view.row.state == TankState::Ready);
    let old: Vec<&str> = following
        .tanks
        .iter()
        .filter(|view| view.row.state == TankState::OverAge)
        .map(|view| tank(view.tank))
        .collect();
    html! {
        ul.supply {
            @if let Some(feed) = &line.feed {
                @let facts = scene.signal(feed.signal);
                li { span.what { "Feed" } " " b data-t=(format!("{}.v", facts.signal.tag)) { (facts.shown()) } " " (facts.signal.unit.display()) }
            }
            @if !line.tanks.is_empty() {
                li {
                    @match feeding {
                        Some(view) => { b { (tank(view.tank)) } " feeds" @if let Some(age) = view.row.oldest_s { ", corn " (words::span(age)) } },
                        None => "no tank is known to feed"
                    }
                }
                li { b { (ready.count()) } " ready" @if !old.is_empty() { ", " b.outside { "too old: " (old.join(", ")) } } }
                @if let Some(outlook) = following.outlook { li { "corn until " b { (scene.minute_of(outlook.empty_at)) } } }
            }
            @for kettle in &line.kettles {
                @let (step, cook) = (kettle.step().map(|step| scene.signal(step)), scene.signal(kettle.temperature));
                li { span.what { (kettle.name) } " " @if let Some(step) = step { (step.shown()) " " } b data-t=(format!("{}.v", cook.signal.tag)) { (cook.shown()) } " " (cook.signal.unit.display()) }
            }
        }
    }
}
