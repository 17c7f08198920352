//! What history has kept of the line's events, as a list in words.

use crate::history::{Event, StoredEvent};
use crate::line::entering::{CORRECTED, ENTERED};
use crate::web::facts::Scene;
use crate::web::words;
use maud::{Markup, html};

/// A list of events; with the alarm's name before each where they are of several.
pub(super) fn show(scene: &Scene<'_>, kept: &Result<Vec<StoredEvent>, String>, with_alarm: bool) -> Markup {
    html! {
        @match kept {
            Err(problem) => p.notice { b { "HISTORY" } " could not be read: " (problem) },
            Ok(kept) if kept.is_empty() => p { "None kept yet." },
            Ok(kept) => ol.events {
                @for stored in kept {
                    li { time { (scene.clock(stored.event.utc)) } " " (in_words(scene, stored, with_alarm)) }
                }
            }
        }
    }
}

/// What a person entered, by the name of what it is; `None`: it is no entry, or one of something that the line no longer has.
fn entered(scene: &Scene<'_>, event: &Event) -> Option<Markup> {
    if !matches!(event.what.as_str(), ENTERED | CORRECTED) {
        return None;
    }
    let (tag, rest) = event.note.as_deref()?.split_once(' ')?;
    let (value, by) = rest.split_once(' ')?;
    let facts = scene.signal(scene.line.signal_by_tag(tag)?);
    let value: f64 = value.parse().ok()?;
    Some(html! {
        span { (event.what) ": " }
        a href=(format!("/entries/{tag}")) { (facts.signal.name) }
        span { " " b { (facts.show_with_unit(value)) } " " (by) }
    })
}

/// An event in words.
pub(super) fn in_words(scene: &Scene<'_>, stored: &StoredEvent, with_alarm: bool) -> Markup {
    let event = &stored.event;
    let known = event.alarm.as_deref().and_then(|id| scene.line.alarm_by_id(id)).map(|id| scene.alarm(id));
    let value = known.as_ref().and_then(|alarm| alarm.signal()).zip(event.value);
    html! {
        @if with_alarm { @match (&known, &event.alarm) {
            (Some(alarm), Some(key)) => { a href=(format!("/alarms/{key}")) { (alarm.alarm.name) } " " },
            (None, Some(key)) => { (key) " " },
            (_, None) => {}
        } }
        @let told = words::event(event, |at| scene.clock(at));
        @let (told, silent) = told.strip_suffix(words::NOBODY_CALLED).map_or((told.as_str(), ""), |rest| (rest, words::NOBODY_CALLED));
        @match entered(scene, event) { Some(entered) => (entered), None => span { (told) } }
        @if let Some((on, value)) = value { span.detail { (words::at_value(on, value)) } }
        (silent)
        @if let Some(onset) = event.onset { span.detail { ", trouble began " (scene.clock(onset)) } }
    }
}
