//! Alarms that say nothing, and why: blind for want of a value, or kept silent by a rule or a person. What one reason
//! silences together is one line.

use super::rows;
use crate::web::facts::{AlarmFacts, Scene, Silence};
use crate::web::words;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// From so many alarms on, those with one reason are folded under it.
const FOLDED_FROM: usize = 4;

/// Alarms that can't raise because nobody knows their value; those that one silent controller blinds are told together.
pub(super) fn blind(scene: &Scene<'_>, blind: &[AlarmFacts<'_>]) -> Markup {
    let why = |facts: &AlarmFacts<'_>| {
        let on = facts.signal();
        match on.and_then(|on| scene.silent_controller(on)) {
            Some(controller) => format!("controller {} gives no data", controller.controller.name),
            None => facts.missing().map(|why| why.to_string()).unwrap_or_default(),
        }
    };
    html! {
        @if !blind.is_empty() {
            section {
                h2 { "Blind: " (blind.len()) " can\u{2019}t raise now" }
                (groups("blind", &by_reason(blind, why)))
            }
        }
    }
}

/// A person's shelf, out of service, suppressed by design: each with its reason in words.
pub(super) fn sections(scene: &Scene<'_>) -> Markup {
    let silent = scene.silent_alarms();
    let of = |letter| -> Vec<_> {
        let its = |facts: &&AlarmFacts<'_>| facts.silence.is_some_and(|silence| silence.letter() == letter);
        silent.iter().filter(its).copied().collect()
    };
    html! {
        (section(scene, "shelved", "Shelved by a person", &of('G')))
        (section(scene, "service", "Out of service", &of('I')))
        (section(scene, "design", "Silent by the line\u{2019}s own rules", &of('H')))
    }
}

fn section(scene: &Scene<'_>, key: &str, title: &str, alarms: &[AlarmFacts<'_>]) -> Markup {
    let why = |facts: &AlarmFacts<'_>| {
        facts.silence.as_ref().map(|silence: &Silence<'_>| words::silence(scene, silence)).unwrap_or_default()
    };
    html! {
        @if !alarms.is_empty() {
            section { h2 { (title) ": " (alarms.len()) } (groups(key, &by_reason(alarms, why))) }
        }
    }
}

/// Alarms under their reason, in the order of the reasons' words.
fn by_reason<'a, 'b>(
    alarms: &'b [AlarmFacts<'a>],
    why: impl Fn(&AlarmFacts<'a>) -> String,
) -> BTreeMap<String, Vec<&'b AlarmFacts<'a>>> {
    let mut groups: BTreeMap<String, Vec<&AlarmFacts<'_>>> = BTreeMap::new();
    for facts in alarms {
        groups.entry(why(facts)).or_default().push(facts);
    }
    groups
}

fn groups(key: &str, groups: &BTreeMap<String, Vec<&AlarmFacts<'_>>>) -> Markup {
    html! {
        @for (index, (reason, alarms)) in groups.iter().enumerate() {
            @if alarms.len() >= FOLDED_FROM {
                details id=(format!("{key}-{index}")) {
                    summary { b { (alarms.len()) " alarms" } " " (reason) }
                    ul.index { @for facts in alarms { (row(facts, None)) } }
                }
            } @else {
                ul.index { @for facts in alarms { (row(facts, Some(reason))) } }
            }
        }
    }
}

fn row(facts: &AlarmFacts<'_>, reason: Option<&str>) -> Markup {
    html! {
        li {
            a href=(format!("/alarms/{}", facts.alarm.id)) { (facts.alarm.name) small { (rows::subject(facts)) } }
            @if facts.is_open() {
                b { @if facts.view.state.is_active() { "would stand: " } (words::state(facts.view.state, &facts.alarm.settings.kind)) }
                " "
            }
            @if let Some(reason) = reason { span.why { (reason) } }
        }
    }
}
