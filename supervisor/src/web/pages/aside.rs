//! What else a person may do with an alarm: reset it, put it on the shelf for a time, take it out of service, and back.

use crate::line::wishes::SHELVE_MOST;
use crate::web::doors::{self, Needs};
use crate::web::facts::{AlarmFacts, Scene};
use crate::web::words;
use maud::{Markup, html};
use setward_alarm::AlarmState;

/// Times offered for a shelf, minutes; those beyond what the alarm allows are left out.
const MINUTES: [u64; 8] = [10, 30, 60, 120, 240, 480, 720, 1440];

/// The forms that fit the alarm as it is, with the name this device gave last.
pub(super) fn show(scene: &Scene<'_>, facts: &AlarmFacts<'_>, name: Option<&str>) -> Markup {
    let id = &facts.alarm.id;
    let flags = facts.view.flags;
    let silences = !(flags.shelved_until.is_some() && flags.out_of_service);
    html! {
        section #aside {
            h2 { "Put aside, and back" }
            @if facts.view.state == AlarmState::LatchedAcknowledged {
                p { "Its condition has gone, and it is held until somebody has looked and resets it." }
                (form(scene, facts, "reset", name, html! { button type="submit" { "Reset" } }))
            }
            @if flags.shelved_until.is_some() {
                (form(scene, facts, "unshelve", name, html! { button type="submit" { "Take off the shelf now" } }))
            }
            @if flags.out_of_service {
                (form(scene, facts, "return-to-service", name, html! { button type="submit" { "Return to service" } }))
            }
            @if silences {
                details.acknowledging id=(format!("aside-{id}")) {
                    summary { "Shelve it, or take it out of service" }
                    p { "It goes on watching, and the list of alarms shows it as put aside, but nobody is called." @if doors::signed_name().is_none() { " Names are as typed; nobody checks them." } }
                    (form(scene, facts, "shelve", name, shelve(facts)))
                    @if !flags.out_of_service { (form(scene, facts, "out-of-service", name, out_of_service(facts))) }
                }
            }
        }
    }
}

fn form(scene: &Scene<'_>, facts: &AlarmFacts<'_>, wish: &str, name: Option<&str>, asked: Markup) -> Markup {
    let (needs, what) = match wish {
        "out-of-service" => (Needs::Engineer, "take it out of service"),
        "return-to-service" => (Needs::Engineer, "return it to service"),
        "shelve" | "unshelve" => (Needs::Operate, "put it on the shelf or take it off"),
        _ => (Needs::Operate, "reset it"),
    };
    if let Some(instead) = doors::instead(needs, what) {
        return instead;
    }
    let id = &facts.alarm.id;
    let field = format!("{wish}-by-{id}");
    html! {
        form.acknowledge method="post" action=(format!("/alarms/{id}/{wish}")) {
            input type="hidden" name="run" value=(scene.snapshot.run.0);
            input type="hidden" name="occurrence" value=(facts.view.occurrence);
            @if doors::signed_name().is_some() {
                (super::name_field(&field, "", name))
            } @else {
                label for=(field) { "Your name, if you like" }
                input id=(field) type="text" name="by" value=[name] maxlength="60" autocomplete="name";
            }
            (asked)
        }
    }
}

fn reason(wish: &str, facts: &AlarmFacts<'_>) -> Markup {
    let field = format!("{wish}-why-{}", facts.alarm.id);
    html! {
        label for=(field) { "Reason" }
        input id=(field) type="text" name="why" maxlength="200";
    }
}

fn shelve(facts: &AlarmFacts<'_>) -> Markup {
    let field = format!("shelve-for-{}", facts.alarm.id);
    let most = facts.alarm.settings.shelve_most.unwrap_or(SHELVE_MOST).as_secs() / 60;
    // An alarm that may be shelved for less than the shortest time gets just what it allows.
    let fitting: Vec<u64> = MINUTES.into_iter().filter(|minutes| *minutes <= most).collect();
    let offered = if fitting.is_empty() { vec![most.max(1)] } else { fitting };
    html! {
        label for=(field) { "For" }
        select id=(field) name="minutes" {
            @for minutes in offered { option value=(minutes) { (words::span(minutes as f64 * 60.0)) } }
        }
        label.once { input type="checkbox" name="once" value="1"; " until this occurrence is over, or the next one, if that is sooner" }
        (reason("shelve", facts))
        button type="submit" { "Shelve" }
    }
}

fn out_of_service(facts: &AlarmFacts<'_>) -> Markup {
    html! {
        (reason("out-of-service", facts))
        button type="submit" { "Take out of service" small { "until somebody returns it" } }
    }
}
