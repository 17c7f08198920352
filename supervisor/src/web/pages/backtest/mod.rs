//! Back-tests for an engineer: the alarms that have numbers, the form with an alarm's numbers, and what a run found. Complete without
//! scripts. Nothing here changes the line: what is proposed is a text to review.

mod result;

use super::{Page, STILL, frame, messages};
use crate::web::acknowledge::{name_cookie, remembered_name};
use crate::web::backtest::settings::{self, Field, Refused, Written};
use crate::web::backtest::{DAYS_MOST, NotBegun, Wish, begin, file, outcome};
use crate::web::facts::Scene;
use crate::web::live::Scope;
use crate::web::{Web, names, words};
use axum::extract::rejection::FormRejection;
use axum::extract::{Form, Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use setward_alarm::AlarmId;
use setward_config::line::LineAlarm;
use std::collections::BTreeMap;

/// Nothing on the list moves by itself.
const RELOAD_S: u32 = 60;
/// While one runs, so often.
const RELOAD_RUNNING_S: u32 = 2;
/// Fields of the form that are no numbers of the file.
const OWN_FIELDS: [&str; 2] = ["by", "days"];

fn page(web: &Web, status: StatusCode, (title, reload_s): (&str, u32), body: Markup) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    (status, frame(&scene, Page { title, scope: Scope::Line, reload_s, body })).into_response()
}

/// What it is, for whoever comes here first.
fn about() -> Markup {
    html! {
        p { "Changes the numbers of one alarm, and lets the alarm engine run over the history of the last days: once with the numbers of now, once with yours. It changes nothing on the line; what you find can be taken away as a file to review." }
    }
}

/// Every alarm with numbers, and the last back-tests.
pub(in crate::web) async fn list(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let offered = settings::offered(scene.line);
    let body = html! {
        h1 { "Back-test of alarm settings" }
        (about())
        (last(&web, &scene))
        @for facts in scene.stations() {
            @let own: Vec<&LineAlarm> = offered.iter().filter(|id| scene.alarm(**id).station == Some(facts.id)).map(|id| scene.line.alarm(*id)).collect();
            @if !own.is_empty() {
                section {
                    h2 { (facts.station.name) }
                    ul.index {
                        @for alarm in own { li { a href=(format!("/back-test/{}", alarm.id)) { (alarm.name) small { (alarm.id) } } } }
                    }
                }
            }
        }
        p.soft { "Alarms that come by themselves with a signal, a setpoint, a controller or a server have no numbers of their own here." }
    };
    page(&web, StatusCode::OK, ("Back-test", RELOAD_S), body)
}

/// The last ones, newest first.
fn last(web: &Web, scene: &Scene<'_>) -> Markup {
    let all = web.back_tests.all();
    html! {
        section {
            h2 { "Last back-tests" }
            @if all.is_empty() { p { "None since the program or its files began anew." } }
            ul.events {
                @for test in &all {
                    li {
                        time { (scene.clock(test.at)) }
                        a href=(format!("/back-tests/{}", test.n)) { (scene.line.alarm(test.alarm).name) } ", by " (test.by) ": "
                        (test.changed.iter().map(outcome::changed_words).collect::<Vec<_>>().join("; "))
                        @match test.stage.outcome() {
                            None => b { " \u{2013} runs, " (test.percent()) " %" },
                            Some(Err(why)) => { " \u{2013} nothing found: " (why) },
                            Some(Ok(found)) => @if let Some(one) = found.alarms.first() { " \u{2013} " (outcome::in_words(one.counts(found.span))) }
                        }
                    }
                }
            }
        }
    }
}

/// Which back-test's numbers the form begins with.
#[derive(serde::Deserialize)]
pub(in crate::web) struct Again {
    again: Option<u32>,
}

/// The form of one alarm.
pub(in crate::web) async fn form(
    State(web): State<Web>,
    Path(id): Path<String>,
    Query(again): Query<Again>,
    headers: HeaderMap,
) -> Response {
    let (alarm, written) = match found(&web, &id) {
        Ok(found) => found,
        Err(answer) => return *answer,
    };
    let mut wish = Wish {
        by: remembered_name(&headers).unwrap_or_default(),
        days: DAYS_MOST.to_string(),
        ..Wish::default()
    };
    if let Some(test) = again.again.and_then(|n| web.back_tests.one(n)).filter(|test| test.alarm == alarm) {
        wish.numbers =
            test.changed.iter().map(|changed| (changed.key.to_owned(), changed.new.clone())).collect();
    }
    show_form(&web, alarm, &written, &wish, None)
}

/// The alarm and its numbers, or the page that says why there are none.
fn found(web: &Web, id: &str) -> Result<(AlarmId, Written), Box<Response>> {
    let Ok(alarm) = names::alarm(&web.app.line, id) else {
        return Err(Box::new(messages::no_such_alarm(web, id)));
    };
    let own = web.app.line.alarm(alarm);
    settings::written(&web.app.line, own).map(|written| (alarm, written)).ok_or_else(|| {
        let body = html! {
            h1 { "No numbers to change" }
            p { b { (own.name) } " comes by itself with its signal, setpoint, controller or server; no table of the file of alarms makes it." }
            p { a.button href="/back-test" { "Alarms with numbers" } }
        };
        Box::new(page(web, StatusCode::NOT_FOUND, ("Back-test", RELOAD_S), body))
    })
}

fn show_form(web: &Web, alarm: AlarmId, written: &Written, wish: &Wish, not: Option<&NotBegun>) -> Response {
    let line = &*web.app.line;
    let own = line.alarm(alarm);
    let wrong: &[Refused] = match not {
        Some(NotBegun::Refused(wrong)) => wrong,
        Some(NotBegun::Busy(..) | NotBegun::Unable(_)) | None => &[],
    };
    let status = match not {
        None => StatusCode::OK,
        Some(NotBegun::Refused(_)) => StatusCode::UNPROCESSABLE_ENTITY,
        Some(NotBegun::Busy(..)) => StatusCode::CONFLICT,
        Some(NotBegun::Unable(_)) => StatusCode::SERVICE_UNAVAILABLE,
    };
    let body = html! {
        h1 { "Back-test: " (own.name) }
        p.point {
            a href=(format!("/alarms/{}", own.id)) { (own.id) } ", " (own.settings.kind.name())
            @if let Some(on) = own.settings.watches.signal() { ", on " (line.signal(on).tag) " " (line.signal(on).name) }
        }
        (about())
        @if written.id != own.id { p { "These numbers hold for every alarm of the table " b { (written.id) } ": they change together." } }
        (not_begun(not))
        form.numbers method="post" action=(format!("/back-test/{}", own.id)) {
            @for (field, present) in &written.numbers { (number(field, present, wish, wrong)) }
            div.number {
                label for="days" { "Days of history" }
                input id="days" name="days" inputmode="numeric" value=(wish.days) aria-describedby="days-says";
                small id="days-says" { "1 to " (DAYS_MOST) ", up to now" }
                (refused("days", wrong))
            }
            div.number {
                label for="by" { "Your name" }
                input id="by" name="by" value=(wish.by) maxlength="60" autocomplete="name" required;
                (refused("by", wrong))
            }
            button type="submit" { "Run it over these days" small { "nothing on the line changes" } }
        }
        p { a.button href="/back-test" { "Other alarms, and the last back-tests" } }
    };
    page(web, status, (&format!("Back-test of {}", own.name), STILL), body)
}

fn not_begun(not: Option<&NotBegun>) -> Markup {
    html! {
        @match not {
            None => {},
            Some(NotBegun::Refused(wrong)) => {
                div.said role="alert" {
                    p { "It was not begun:" }
                    @for one in wrong.iter().filter(|one| one.key.is_none()) { p { (one.text) } }
                    @if wrong.iter().any(|one| one.key.is_some()) { p { "Mend what is marked below." } }
                }
            },
            Some(NotBegun::Busy(n, by)) => p.said role="alert" { "It was not begun: one runs already, of " (by) ". " a href=(format!("/back-tests/{n}")) { "See it, or stop it" } },
            Some(NotBegun::Unable(why)) => p.said role="alert" { "It was not begun: " (why) },
        }
    }
}

fn number(field: &Field, present: &str, wish: &Wish, wrong: &[Refused]) -> Markup {
    let value = wish.numbers.get(field.key).map_or(present, String::as_str);
    let says = format!("{}-says", field.key);
    html! {
        div.number {
            label for=(field.key) { (field.label) }
            input id=(field.key) name=(field.key) value=(value) autocomplete="off" spellcheck="false" aria-describedby=(says);
            small id=(says) {
                "now " b { @if present.is_empty() { "not written" } @else { (present) } } " \u{b7} " (field.accepts) " \u{b7} " code { (field.key) }
            }
            (refused(field.key, wrong))
        }
    }
}

fn refused(key: &str, wrong: &[Refused]) -> Markup {
    html! { @for one in wrong.iter().filter(|one| one.key.as_deref() == Some(key)) { p.outside role="alert" { (one.text) } } }
}

/// Takes the form.
pub(in crate::web) async fn post(
    State(web): State<Web>,
    Path(id): Path<String>,
    form: Result<Form<BTreeMap<String, String>>, FormRejection>,
) -> Response {
    let (alarm, written) = match found(&web, &id) {
        Ok(found) => found,
        Err(answer) => return *answer,
    };
    let mut numbers = match form {
        Ok(Form(fields)) => fields,
        Err(rejection) => return messages::bad_form(&web, rejection.status()),
    };
    let [by, days] = OWN_FIELDS.map(|key| numbers.remove(key).unwrap_or_default());
    let wish = Wish { by, days, numbers };
    match begin(&web, alarm, &written, &wish) {
        Ok(n) => {
            let headers = [
                (header::LOCATION, format!("/back-tests/{n}")),
                (header::SET_COOKIE, name_cookie(wish.by.trim())),
            ];
            (StatusCode::SEE_OTHER, headers).into_response()
        }
        Err(not) => show_form(&web, alarm, &written, &wish, Some(&not)),
    }
}

/// One back-test: how far it is, or what it found.
pub(in crate::web) async fn one(State(web): State<Web>, Path(n): Path<String>) -> Response {
    let Some(test) = n.parse().ok().and_then(|n| web.back_tests.one(n)) else { return none(&web) };
    let alarm = web.app.line.alarm(test.alarm);
    let title = format!("Back-test of {}", alarm.name);
    let head = html! {
        h1 { (title) }
        p.point {
            (test.changed.iter().map(outcome::changed_words).collect::<Vec<_>>().join("; "))
            " \u{b7} by " (test.by) ", " (web.zone.stamp(test.at))
        }
    };
    let again = html! { p.ways { a.button href=(format!("/back-test/{}?again={}", alarm.id, test.n)) { "Change the numbers again" } " " a.button href="/back-test" { "Other alarms" } } };
    match test.stage.outcome() {
        None => {
            let body = html! { (head) (running(&test)) };
            page(&web, StatusCode::OK, (&title, RELOAD_RUNNING_S), body)
        }
        Some(Err(why)) => {
            let body = html! { (head) p.said role="status" { "Nothing was found: " (why) "." } (again) };
            page(&web, StatusCode::OK, (&title, RELOAD_S), body)
        }
        Some(Ok(found)) => {
            let body = html! { (head) (result::show(&web, &test, &found).await) (again) };
            page(&web, StatusCode::OK, (&title, super::OF_A_STRETCH), body)
        }
    }
}

fn running(test: &crate::web::backtest::BackTest) -> Markup {
    let percent = test.percent();
    html! {
        section {
            p role="status" { "It runs beside the line, at a low priority: " b { (percent) " %" } " done. This page looks again every two seconds." }
            progress max="100" value=(percent) aria-label="Share that is done" { (percent) " %" }
            form.acknowledge method="post" action=(format!("/back-tests/{}/stop", test.n)) { button type="submit" { "Stop it" } }
        }
    }
}

fn none(web: &Web) -> Response {
    let body = html! {
        h1 { "No such back-test" }
        p { "The last few are kept, until the program or its files begin anew." }
        p { a.button href="/back-test" { "Back-tests" } }
    };
    page(web, StatusCode::NOT_FOUND, ("No such back-test", RELOAD_S), body)
}

/// Stops one.
pub(in crate::web) async fn stop(State(web): State<Web>, Path(n): Path<String>) -> Response {
    let Some(test) = n.parse().ok().and_then(|n| web.back_tests.one(n)) else { return none(&web) };
    test.stop();
    (StatusCode::SEE_OTHER, [(header::LOCATION, format!("/back-tests/{}", test.n))]).into_response()
}

/// The file to review.
pub(in crate::web) async fn download(State(web): State<Web>, Path(n): Path<String>) -> Response {
    let test = n.parse().ok().and_then(|n| web.back_tests.one(n));
    let Some((test, Some(Ok(found)))) = test.map(|test| {
        let outcome = test.stage.outcome();
        (test, outcome)
    }) else {
        return none(&web);
    };
    let name = format!("alarms-proposed-{}-{}.toml", web.app.line.alarm(test.alarm).id, test.n);
    let headers = [
        (header::CONTENT_TYPE, "text/plain; charset=utf-8".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    (headers, file::text(&web, &test, &found)).into_response()
}

/// The way here from an alarm, where it has numbers.
pub(in crate::web) fn link(scene: &Scene<'_>, alarm: AlarmId) -> Markup {
    let own = scene.line.alarm(alarm);
    html! {
        @if settings::may_be_offered(scene.line, own) {
            p.further { a href=(format!("/back-test/{}", own.id)) { "Try other settings on the last " (words::counted(DAYS_MOST as usize, "day")) } }
        }
    }
}
