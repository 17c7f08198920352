//! What else happened around an alarm: what changed in the quarter of an hour before it, and its neighbours now.
//!
//! A change here is no cause: it is what a technician would ask the operator about first.

use super::trend::{self, in_time};
use super::values::plain_row;
use crate::history::{StoredEvent, StoredSample};
use crate::web::Web;
use crate::web::facts::{AlarmFacts, Scene, SignalFacts};
use maud::{Markup, html};
use setward_config::line::{Behaves, Line, Role};
use setward_protocol::{SignalId, StationId, UtcMillis};
use std::collections::BTreeSet;

/// How far back "before" reaches, ms.
const BEFORE_MS: i64 = 15 * 60_000;
/// Events among the newest that are looked through.
const EVENTS_LOOKED_AT: usize = 400;
/// Readings of one signal that are looked at: so long at one a second.
const SAMPLES_MAX: usize = 4_000;
/// Signals that are looked at, at most.
const SIGNALS_MAX: usize = 40;
/// Changes told, the newest.
const TOLD_MAX: usize = 12;
/// Nobody turns one thing more often than that in a quarter of an hour.
const TURNS_MAX: usize = 5;
/// A measured value has changed if its means at both ends lie apart by so much of its range.
const WORTH_TELLING: f64 = 0.02;
/// .. each over so many readings.
const MEAN_OF: usize = 20;
/// Neighbours shown.
const NEIGHBOURS_MAX: usize = 8;

/// Somebody turned something, or something moved, or something happened.
enum Change {
    Turned(SignalId, f64, f64),
    Moved(SignalId, f64, f64),
    Event(StoredEvent),
}

/// What changed before an alarm.
pub(super) struct Changes {
    from: UtcMillis,
    to: UtcMillis,
    told: Result<Vec<(UtcMillis, Change)>, String>,
    /// Changes of that time that are not told, all of them older.
    left_off: usize,
}

/// Asks history what changed before `began`, and from then until `raised`.
pub(super) async fn read(web: &Web, own: &str, began: UtcMillis, raised: UtcMillis) -> Changes {
    let (from, to) = (UtcMillis(began.0.min(raised.0) - BEFORE_MS), raised);
    let told = async {
        let mut told = events(web, own, (from, to)).await?;
        told.extend(in_time(values(web, own, (from, to))).await?);
        told.sort_by_key(|(at, _)| *at);
        Ok(told)
    };
    let mut told: Result<Vec<_>, String> = told.await;
    let left_off = told.as_ref().map_or(0, |told| told.len().saturating_sub(TOLD_MAX));
    if let Ok(told) = &mut told {
        told.drain(..left_off);
    }
    Changes { from, to, told, left_off }
}

async fn events(
    web: &Web,
    own: &str,
    (from, to): (UtcMillis, UtcMillis),
) -> Result<Vec<(UtcMillis, Change)>, String> {
    let kept = trend::events(web, None, EVENTS_LOOKED_AT).await?;
    let is_told = |stored: &StoredEvent| {
        let event = &stored.event;
        let is_other = event.alarm.as_deref() != Some(own);
        is_other
            && (from..=to).contains(&event.utc)
            && !matches!(event.what.as_str(), "acknowledged" | "product")
    };
    Ok(kept.into_iter().filter(is_told).map(|stored| (stored.event.utc, Change::Event(stored))).collect())
}

/// What people turn anywhere on the line, and what is measured where the alarm is.
fn looked_at(line: &Line, own: &str) -> Vec<(SignalId, bool)> {
    let settings = line.alarm_by_id(own).map(|id| &line.alarm(id).settings);
    let watched = settings.and_then(|settings| settings.watches.signal());
    let station =
        settings.and_then(|settings| settings.station).or(watched.map(|id| line.signal(id).station));
    let turned: BTreeSet<SignalId> = line.loops.iter().filter_map(|control| control.mode).collect();
    let belts: BTreeSet<SignalId> = line.belts.iter().map(|belt| belt.speed).collect();
    let all = line.signals_with_ids().filter(|(id, _)| Some(*id) != watched);
    let wanted = all.filter_map(|(id, signal)| {
        let is_turned = signal.role == Role::Setpoint || turned.contains(&id);
        let is_here = Some(signal.station) == station && signal.behaves == Behaves::Value;
        let moves = matches!(signal.role, Role::Measured | Role::Output) && (is_here || belts.contains(&id));
        (is_turned || moves).then_some((id, is_turned))
    });
    wanted.take(SIGNALS_MAX).collect()
}

async fn values(
    web: &Web,
    own: &str,
    (from, to): (UtcMillis, UtcMillis),
) -> Result<Vec<(UtcMillis, Change)>, crate::history::HistoryError> {
    let line = &web.app.line;
    let mut told = Vec::new();
    for (id, is_turned) in looked_at(line, own) {
        let signal = line.signal(id);
        let samples = web.app.history.samples(signal.tag.clone(), from, to, SAMPLES_MAX).await?;
        let turns: Vec<_> = turns(&samples).collect();
        if is_turned && turns.len() <= TURNS_MAX {
            told.extend(turns.into_iter().map(|(at, old, new)| (at, Change::Turned(id, old, new))));
        } else {
            // A setpoint that goes on changing is another loop's work, and told as what is measured.
            let moved = moved(&samples, WORTH_TELLING * (signal.range.1 - signal.range.0).abs());
            told.extend(moved.map(|(at, old, new)| (at, Change::Moved(id, old, new))));
        }
    }
    Ok(told)
}

/// Where a value that people turn changed: when, from what, to what.
fn turns(samples: &[StoredSample]) -> impl Iterator<Item = (UtcMillis, f64, f64)> {
    let good: Vec<(UtcMillis, f64)> =
        samples.iter().filter_map(|sample| Some((sample.utc, sample.reading.good()?))).collect();
    let pairs: Vec<_> = good.windows(2).filter_map(|pair| <[_; 2]>::try_from(pair).ok()).collect();
    pairs.into_iter().filter(|[old, new]| old.1 != new.1).map(|[old, new]| (new.0, old.1, new.1))
}

/// A measured value whose mean at the end is apart from that at the beginning: when half of the way was passed, and both.
fn moved(samples: &[StoredSample], by_at_least: f64) -> Option<(UtcMillis, f64, f64)> {
    let good: Vec<(UtcMillis, f64)> =
        samples.iter().filter_map(|sample| Some((sample.utc, sample.reading.good()?))).collect();
    let mean =
        |part: &[(UtcMillis, f64)]| part.iter().map(|(_, value)| value).sum::<f64>() / part.len() as f64;
    if good.len() < 2 * MEAN_OF {
        return None;
    }
    let (first, last) = (mean(good.get(..MEAN_OF)?), mean(good.get(good.len() - MEAN_OF..)?));
    let half = (first + last) / 2.0;
    let is_past = |value: f64| if last > first { value >= half } else { value <= half };
    let at = good.iter().find(|(_, value)| is_past(*value))?.0;
    ((last - first).abs() >= by_at_least).then_some((at, first, last))
}

/// What changed, the newest last.
pub(super) fn changes(scene: &Scene<'_>, changes: &Changes) -> Markup {
    html! {
        section #before {
            h2 { "What changed before" }
            p.soft { "From " (scene.between(changes.from, changes.to)) "; setpoints and modes of the whole line, measured values of this station." }
            @match &changes.told {
                Err(problem) => p.notice { b { "HISTORY" } " could not be read: " (problem) },
                Ok(told) if told.is_empty() => p { "Nothing that is recorded." },
                Ok(told) => {
                    @if changes.left_off > 0 { p.soft { "The newest " (told.len()) " of " (told.len() + changes.left_off) "." } }
                    ol.events { @for (at, change) in told.iter().filter(|(_, change)| is_seen(scene, change)) { li { time { (scene.clock(*at)) } " " (change_row(scene, change)) } } }
                }
            }
        }
    }
}

/// Whether it shows at all: two values that read alike are no change to whoever reads them.
fn is_seen(scene: &Scene<'_>, change: &Change) -> bool {
    match change {
        Change::Turned(id, old, new) | Change::Moved(id, old, new) => {
            let facts = scene.signal(*id);
            facts.show(*old) != facts.show(*new)
        }
        Change::Event(_) => true,
    }
}

fn change_row(scene: &Scene<'_>, change: &Change) -> Markup {
    let signal = |id: SignalId, old: f64, new: f64, verb: &str| {
        let facts = scene.signal(id);
        html! {
            a href=(format!("/signals/{}", facts.signal.tag)) { (facts.signal.tag) " " (facts.signal.name) }
            " " (verb) " from " (facts.show(old)) " to " b { (facts.show_with_unit(new)) }
        }
    };
    match change {
        Change::Turned(id, old, new) => signal(*id, *old, *new, "turned"),
        Change::Moved(id, old, new) => signal(*id, *old, *new, "went"),
        Change::Event(stored) => super::events::in_words(scene, stored, true),
    }
}

/// Measured values of the same station, now.
pub(super) fn neighbours(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Markup {
    let Some(station) = facts.station else { return html! {} };
    let near = near(scene, facts, station);
    html! {
        @if !near.is_empty() {
            section #neighbours {
                h2 { "Its neighbours now" }
                ul.plain { @for facts in &near { (plain_row(scene, facts)) } }
            }
        }
    }
}

/// Those first that the steps below name, then what has its number ("PT-111" beside "TT-111": the same kettle, the same zone), then what is
/// measured in the same unit; of equals what lies nearest by its number.
fn near<'a>(scene: &Scene<'a>, facts: &AlarmFacts<'_>, station: StationId) -> Vec<SignalFacts<'a>> {
    let own = facts.signal();
    let steps = facts.alarm.response_now.iter().chain(&facts.alarm.response_next);
    let named: BTreeSet<&str> = steps.flat_map(|step| words(step)).collect();
    let is_named = |near: &SignalFacts<'_>| named.contains(near.signal.tag.as_str());
    let is_told = |near: &SignalFacts<'a>| {
        matches!(near.signal.role, Role::Measured | Role::Setpoint) && near.signal.station == station
    };
    let mut all: Vec<SignalFacts<'a>> = scene
        .signals()
        .filter(|near| own.is_none_or(|own| own.id != near.id) && (is_told(near) || is_named(near)))
        .collect();
    let number = own.and_then(|own| number(&own.signal.tag));
    all.sort_by_key(|near| {
        let apart = number.zip(self::number(&near.signal.tag)).map(|(own, other)| own.abs_diff(other));
        let is_other_unit = own.is_none_or(|own| own.signal.unit != near.signal.unit);
        (!is_named(near), apart != Some(0), is_other_unit, apart.unwrap_or(u32::MAX))
    });
    all.truncate(NEIGHBOURS_MAX);
    all
}

/// The words of a text, a tag in one piece: "TT-31" is not named by "TT-310".
fn words(text: &str) -> impl Iterator<Item = &str> {
    let belongs = |letter: char| letter.is_alphanumeric() || letter == '-' || letter == '_';
    text.split(move |letter: char| !belongs(letter))
}

/// The number of a tag: 111 of "TT-111".
fn number(tag: &str) -> Option<u32> {
    tag.split(|letter: char| !letter.is_ascii_digit()).find(|digits| !digits.is_empty())?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::Reading;

    #[test]
    fn a_step_names_whole_tags_and_a_tag_has_its_number() {
        let told: Vec<&str> = words("Check that PT-111 (not TT-310) is 1.8 bar(g).").collect();
        assert!(told.contains(&"PT-111") && told.contains(&"TT-310") && !told.contains(&"TT-31"), "{told:?}");
        assert_eq!(["TT-111", "TIC-310-SP", "FEED"].map(number), [Some(111), Some(310), None]);
    }

    fn samples(values: impl IntoIterator<Item = f64>) -> Vec<StoredSample> {
        let at = |(second, value): (i64, f64)| StoredSample {
            utc: UtcMillis(second * 1000),
            reading: Reading::Good(value),
        };
        (0..).zip(values).map(at).collect()
    }

    #[test]
    fn a_setpoint_that_was_turned_twice_is_told_twice_each_at_its_moment() {
        let turned: Vec<_> = turns(&samples([182.0, 182.0, 186.0, 186.0, 182.0])).collect();
        assert_eq!(turned, [(UtcMillis(2_000), 182.0, 186.0), (UtcMillis(4_000), 186.0, 182.0)]);
        assert_eq!(turns(&samples([182.0; 5])).count(), 0);
    }

    #[test]
    fn a_measured_value_has_moved_where_its_means_lie_apart_and_noise_is_none() {
        let step = samples((0..100).map(|second| if second < 60 { 46.0 } else { 38.0 }));
        assert_eq!(moved(&step, 2.0), Some((UtcMillis(60_000), 46.0, 38.0)));
        let noise = samples((0..100).map(|second| 46.0 + if second % 2 == 0 { 1.5 } else { -1.5 }));
        assert_eq!(moved(&noise, 2.0), None);
        assert_eq!(moved(&samples([46.0, 38.0]), 2.0), None, "too few to say");
    }
}
