//! What a back-test found: in a sentence, as a picture of both on one axis of time, occurrence by occurrence, and as a file to review.

use super::super::trend_page::{axis, drawing};
use crate::history::Span;
use crate::replay::compare::{Occurrence, OfTurn};
use crate::replay::ground::AtRisk;
use crate::web::backtest::outcome::{Change, OfAlarm, Row};
use crate::web::backtest::run::Found;
use crate::web::backtest::{BackTest, file, outcome};
use crate::web::times::rfc3339;
use crate::web::trends::beside;
use crate::web::{Web, assets, svg, words};
use maud::{Markup, html};
use setward_config::line::{LineAlarm, Priority};
use setward_protocol::UtcMillis;

/// Occurrences that are shown; the file and the API have all.
const SHOWN: usize = 100;
/// A link shows so much of the time before and after.
const ROUND_MS: i64 = 30 * 60_000;

pub(super) async fn show(web: &Web, test: &BackTest, found: &Found) -> Markup {
    let own = found.own_alarms();
    let others = found.other_alarms();
    let drawn = pictures(web, own, found.span).await;
    html! {
        link rel="stylesheet" href=(assets::address("trend.css"));
        p.point { (web.zone.stamp(found.span.from())) " to " (web.zone.stamp(found.span.to())) " \u{b7} " (readings(found.readings)) " in " (words::span(found.took_s)) }
        @for (one, picture) in own.iter().zip(drawn) {
            section {
                h2 { @if own.len() > 1 { (name_of(web, &one.alarm)) } @else { "Told, as it is and with these settings" } }
                p.verdict { (sentence(&file::told(one, found.span))) }
                (fed(web, one))
                (picture)
                (table(web, one, found.span))
            }
        }
        (beside_it(web, others, found.span))
        (to_review(web, test, found))
        p.soft {
            "A call is a raise that calls somebody. Both columns are the same readings through the same engine, after an hour to warm up, and with the hour after it as far as it is kept; what people did then is done at its time in both. The settings of now may not be those that were in force then."
        }
    }
}

/// What people call it; its id, where the line has no such alarm.
fn name_of<'a>(web: &'a Web, id: &'a str) -> &'a str {
    let line = &*web.app.line;
    line.alarm_by_id(id).map_or(id, |alarm| &line.alarm(alarm).name)
}

/// "8.3 million readings", "7900 readings".
fn readings(count: u64) -> String {
    match count {
        0..100_000 => format!("{count} readings"),
        _ => format!("{} million readings", words::number(count as f64 / 1e6, 1)),
    }
}

/// As a sentence of its own.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
}

fn fed(web: &Web, one: &OfAlarm) -> Markup {
    html! {
        @if let Some((now, then)) = one.at_risk {
            p { "Product fed while it stood: " (kg(now)) " as it is, " (kg(then)) " with these settings; before anybody was called, " (words::number(now.before_call_kg, 0)) " kg and " (words::number(then.before_call_kg, 0)) " kg." }
        }
        @if one.turns.len() > 1 {
            details id=(format!("turns-{}", one.alarm)) {
                summary { "By shift and recipe" }
                div.wide tabindex="0" role="region" aria-label=(format!("{} by shift and recipe", name_of(web, &one.alarm))) {
                    table.tanks.figures {
                        thead { tr { th scope="col" { "Shift, recipe" } th scope="col" { "Calls" } th scope="col" { "Product fed" } } }
                        tbody { @for turn in &one.turns { (turn_row(web, turn)) } }
                    }
                }
            }
        }
    }
}

fn turn_row(web: &Web, turn: &OfTurn) -> Markup {
    let recipe = web.app.line.recipes.iter().find(|recipe| recipe.key == turn.turn.recipe);
    html! {
        tr {
            th scope="row" { @if let Some(shift) = &turn.turn.shift { (shift) ", " } (recipe.map_or(turn.turn.recipe.as_str(), |recipe| &recipe.name)) }
            td { (turn.then) " as it is, " (turn.now) " with these" }
            td { @match turn.at_risk_then { Some(now) => (kg(now)), None => "\u{2013}" } ", " @match turn.at_risk_now { Some(then) => (kg(then)), None => "\u{2013}" } }
        }
    }
}

/// "about 208 kg", "at least 208 kg" where some of the feed is not known.
fn kg(at_risk: AtRisk) -> Markup {
    let word = if at_risk.unknown_s > 0.0 { "at least" } else { "about" };
    html! { (word) " " b { (words::number(at_risk.touched_kg, 0)) " kg" } }
}

/// Each alarm's signal with both rows of bars below it.
async fn pictures(web: &Web, own: &[OfAlarm], span: Span) -> Vec<Markup> {
    let mut all = Vec::new();
    for one in own {
        all.push(picture(web, one, span).await);
    }
    all
}

async fn picture(web: &Web, one: &OfAlarm, span: Span) -> Markup {
    let line = &*web.app.line;
    let Some(alarm) = line.alarm_by_id(&one.alarm).map(|id| line.alarm(id)) else { return html! {} };
    let drawn = match alarm.settings.watches.signal() {
        Some(signal) => beside::one(web, signal, span).await,
        None => return html! {},
    };
    let lanes = [
        ("As it is", one.rows.iter().filter_map(|row| row.now).collect::<Vec<_>>()),
        ("With these settings", one.rows.iter().filter_map(|row| row.then).collect()),
    ];
    html! {
        div.trends {
            (axis::show(&web.zone, span))
            @match drawn {
                Ok((asked, Some(pane))) => (drawing::pane(web, &asked, &pane)),
                Ok((_, None)) => {},
                Err(why) => p.notice { b { "HISTORY" } " could not be read: " (why) }
            }
            @for (name, all) in &lanes { (lane(name, all, alarm.priority, span)) }
            (axis::show(&web.zone, span))
        }
    }
}

fn lane(name: &str, all: &[Occurrence], priority: Priority, span: Span) -> Markup {
    html! {
        div.lane {
            p { (svg::shape(priority, false)) b { (name) } small { (words::counted(all.len(), "call")) } }
            svg width="100%" height="14" aria-hidden="true" focusable="false" {
                rect.paper width="100%" height="14" {}
                @for one in all {
                    @let (left, right) = (axis::percent(span, one.raised), axis::percent(span, one.cleared.unwrap_or(span.to())));
                    rect class=(format!("alarm {}", priority.name())) x=(format!("{left}%")) y="2" width=(format!("{:.3}%", (right - left).max(0.15))) height="10" {}
                }
            }
        }
    }
}

fn table(web: &Web, one: &OfAlarm, span: Span) -> Markup {
    let line = &*web.app.line;
    let alarm = line.alarm_by_id(&one.alarm).map(|id| line.alarm(id));
    html! {
        @if !one.rows.is_empty() {
            div.wide tabindex="0" role="region" aria-label=(format!("Occurrences of {}", name_of(web, &one.alarm))) {
                table.tanks.figures {
                    thead { tr { th scope="col" { "Trouble began" } th scope="col" { "As it is" } th scope="col" { "With these settings" } th scope="col" { "What changes" } } }
                    tbody { @for row in one.rows.iter().take(SHOWN) { (row_of(web, alarm, row, span)) } }
                }
            }
            @if one.rows.len() > SHOWN { p.soft { "The first " (SHOWN) " of " (one.rows.len()) "; the API has all." } }
        }
    }
}

fn row_of(web: &Web, alarm: Option<&LineAlarm>, row: &Row, span: Span) -> Markup {
    let onset = [row.now, row.then].into_iter().flatten().map(|one| one.onset).min();
    let stands_s = row.stands_s(span);
    html! {
        tr {
            th scope="row" {
                @let began = onset.unwrap_or(row.at());
                @match alarm.and_then(|alarm| link(web, alarm, began, row.ends(), span)) {
                    Some(address) => a href=(address) { (web.zone.stamp(began)) },
                    None => (web.zone.stamp(began))
                }
            }
            td { (stood(web, row.now, stands_s.0)) }
            td { (stood(web, row.then, stands_s.1)) }
            td { (changes(row, span)) }
        }
    }
}

/// "raised 03:10:22, stood 4 min".
fn stood(web: &Web, one: Option<Occurrence>, stands_s: Option<f64>) -> Markup {
    html! {
        @match one.zip(stands_s) {
            None => "no call",
            Some((one, seconds)) => {
                "raised " (web.zone.shown(one.raised, "%H:%M:%S"))
                small { @if one.cleared.is_some() { "stood " } @else { "stands, " } (words::span(seconds)) }
            }
        }
    }
}

fn changes(row: &Row, span: Span) -> Markup {
    let later = row.later_s().filter(|later| later.abs() >= 1.0).map(|later| {
        let way = if later > 0.0 { "later" } else { "sooner" };
        format!("raises {} {way}", words::span(later.abs()))
    });
    html! {
        @match row.change(span) {
            Change::Same => "nothing",
            Change::Missed => b { "missed" },
            Change::Added => b { "added" },
            Change::Undecided => {
                "undecided"
                small { "the readings end too soon" }
            },
            Change::Longer => "longer",
            Change::Shorter => "shorter"
        }
        @if let Some(later) = later { small { (later) } }
    }
}

/// The trend of the time about one trouble.
fn link(
    web: &Web,
    alarm: &LineAlarm,
    began: UtcMillis,
    ends: Option<UtcMillis>,
    span: Span,
) -> Option<String> {
    let tag = &web.app.line.signal(alarm.settings.watches.signal()?).tag;
    let whole = |ms: i64| rfc3339(UtcMillis(ms.div_euclid(1000) * 1000));
    let to = ends.unwrap_or(span.to()).0 + ROUND_MS;
    Some(format!("/trend?signals={tag}&from={}&to={}", whole(began.0 - ROUND_MS), whole(to)))
}

/// Alarms that change because this one hides them, or no longer does.
fn beside_it(web: &Web, others: &[OfAlarm], span: Span) -> Markup {
    html! {
        @if !others.is_empty() {
            section {
                h2 { "Other alarms change too" }
                p { "They are hidden by it, or no longer are." }
                ul.events {
                    @for one in others {
                        @let named = web.app.line.alarm_by_id(&one.alarm).map(|id| &web.app.line.alarm(id).name);
                        li { a href=(format!("/alarms/{}", one.alarm)) { (named.unwrap_or(&one.alarm)) } ": " (outcome::in_words(one.counts(span))) }
                    }
                }
            }
        }
    }
}

fn to_review(web: &Web, test: &BackTest, found: &Found) -> Markup {
    html! {
        section {
            h2 { "A file to review" }
            p { "Setward never writes the line\u{2019}s files. Take the whole file with these numbers, let somebody review it, and put it in its place by hand." }
            p { a.button href=(format!("/back-tests/{}/alarms.toml", test.n)) download { "alarms.toml with these numbers" } }
            details id="table" {
                summary { "The alarm\u{2019}s table alone, to copy" }
                pre.file tabindex="0" { (file::extract(web, test, found)) }
            }
        }
    }
}
