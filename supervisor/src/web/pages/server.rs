//! The parts of an alarm's page that differ when it watches a server that history is sent to.

use super::alarm;
use crate::web::facts::{AlarmFacts, Scene};
use crate::web::{live, words};
use maud::{Markup, html};
use setward_alarm::Kind;
use setward_config::line::Server;

/// What, where, since when.
pub(super) fn first_block(scene: &Scene<'_>, facts: &AlarmFacts<'_>, on: &Server) -> Markup {
    let id = &facts.alarm.id;
    html! {
        section.first #first {
            (alarm::headline(scene, facts))
            p.point { "Server " b { (on.name) } " \u{b7} " code { (on.url) } }
            p.big { span.value { b data-t=(format!("{id}.far")) { (live::server_state(facts)) } } }
            dl.facts {
                dt { "Behind for" } dd data-t=(format!("{id}.since")) { (live::how_long_short(scene, facts)) }
                dt { "Raises" } dd { "after " (bound(facts)) ", or at once when rows were dropped before it had them" }
                dt { "Waiting" } dd { a href="/" { "how much waits, and what the server says" } }
            }
        }
    }
}

fn bound(facts: &AlarmFacts<'_>) -> String {
    let Kind::Forwarding(settings) = facts.alarm.settings.kind else { return String::new() };
    words::span(settings.behind_most.as_secs_f64())
}

/// What goes there.
pub(super) fn sent(scene: &Scene<'_>, on: &Server) -> Markup {
    html! {
        section {
            h2 { "What is sent to it" }
            @match &on.send {
                Some(tags) => p { (tags.join(", ")) },
                None => p { "All " (scene.line.signals.len()) " signals." }
            }
        }
    }
}
