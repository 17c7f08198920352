//! The ways in which alarms leave the page: whether each of them works, and since when not.

use crate::notify::ChannelStatus;
use crate::web::facts::Scene;
use crate::web::words;
use maud::{Markup, html};

/// A line a channel, on the line's own page.
pub(super) fn show(scene: &Scene<'_>) -> Markup {
    let channels = scene.channels();
    html! {
        @if !channels.is_empty() {
            section.station {
                h2 { "Messages" }
                ul.plain.long { @for channel in &channels { (row(scene, channel)) } }
            }
        }
    }
}

/// What every page says of channels that have failed for long: an alarm may reach nobody there.
pub(super) fn notices(scene: &Scene<'_>) -> Markup {
    html! {
        @for channel in scene.channels().iter().filter(|channel| channel.is_broken) {
            p.notice {
                b { "MESSAGES" } " to " (channel.name) " do not arrive"
                @if let Some(since) = channel.failing_since { " since " (scene.clock(since)) }
                ": alarms may reach nobody there"
            }
        }
    }
}

fn row(scene: &Scene<'_>, channel: &ChannelStatus) -> Markup {
    html! {
        li.bad[channel.problem.is_some()] {
            span.name { (channel.name) small { "by " (channel.way) } }
            @match &channel.problem {
                Some(problem) => span.lost {
                    b { (problem) }
                    span.last { (last(scene, channel)) }
                },
                None => span { (last(scene, channel)) }
            }
        }
    }
}

fn last(scene: &Scene<'_>, channel: &ChannelStatus) -> String {
    let waiting = match channel.waiting {
        0 => String::new(),
        count => format!(", {} to be said", words::counted(count, "thing")),
    };
    match channel.last_sent {
        Some(at) => format!("last message {}{waiting}", scene.clock(at)),
        None => format!("no message yet in this run{waiting}"),
    }
}
