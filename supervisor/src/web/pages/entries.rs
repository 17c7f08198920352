//! What is due and what was entered, the most urgent first; corrections stay visible.

use super::{Page, frame};
use crate::entries::{DueView, EntryView};
use crate::history::StoredEntry;
use crate::web::facts::Scene;
use crate::web::live::Scope;
use crate::web::{Web, words};
use axum::extract::{Query, State};
use maud::{Markup, html};
use setward_config::line::{EntryDue, EntryKind, LineEntry};

/// What the last form came to.
#[derive(serde::Deserialize)]
pub(in crate::web) struct Outcome {
    said: Option<String>,
    n: Option<u64>,
}

/// Serves the page.
pub(in crate::web) async fn show(State(web): State<Web>, Query(outcome): Query<Outcome>) -> Markup {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let mut all: Vec<(&LineEntry, &EntryView)> =
        scene.line.entries.iter().zip(snapshot.entries.iter()).collect();
    all.sort_by_key(|(_, view)| rank(view.due));
    let waiting = all.iter().filter(|(_, view)| rank(view.due).0 < 2).count();
    let body = html! {
        h1 { "Entries" }
        (said(&outcome))
        @if scene.line.entries.is_empty() {
            p { "The line file names nothing to be entered: add [[entry]] to line.toml, and it is asked for from then on." }
        } @else {
            p.soft { @if waiting == 0 { "Nothing is due now." } @else { (waiting) " due now." } }
            ul.entries { @for (entry, view) in &all { (item(&scene, entry, view)) } }
        }
    };
    frame(&scene, Page { title: "Entries", scope: Scope::Line, reload_s: 30, body })
}

fn said(outcome: &Outcome) -> Markup {
    let text = match (outcome.said.as_deref(), outcome.n) {
        (Some("kept"), Some(n)) => Some(format!("Entered as number {n}.")),
        (Some("not-kept"), Some(n)) => Some(format!(
            "Entered as number {n}, but it could not be written to disk: after a restart it may have to be entered again."
        )),
        (_, _) => None,
    };
    html! { @if let Some(text) = text { p.said role="status" { (text) } } }
}

/// Overdue first, then due, then by when it will be.
fn rank(due: DueView) -> (u8, i64) {
    match due {
        DueView::Overdue(at) => (0, at.0),
        DueView::Since(at) => (1, at.0),
        DueView::At(at) => (2, at.0),
        DueView::NotAsked => (3, 0),
    }
}

fn item(scene: &Scene<'_>, entry: &LineEntry, view: &EntryView) -> Markup {
    let signal = scene.line.signal(entry.signal);
    let is_late = matches!(view.due, DueView::Overdue(_));
    html! {
        li.late[is_late] {
            a.open href=(format!("/entries/{}", signal.tag)) {
                b { (signal.name) }
                small { (signal.tag) " \u{b7} " (scene.line.station(signal.station).name) }
            }
            p.due { (due(scene, entry, view)) }
            @if let Some(row) = view.last() { p { (last(scene, entry, row)) } } @else { p.soft { "nothing entered yet" } }
            @if let Some(asked) = asked(scene, entry) { p.soft { (asked) } }
            @if !view.rows.is_empty() {
                details id=(format!("rows-{}", signal.tag)) {
                    summary { "Last " (view.rows.len()) }
                    (rows(scene, entry, view))
                }
            }
        }
    }
}

/// Whether it is due, in words.
pub(super) fn due(scene: &Scene<'_>, entry: &LineEntry, view: &EntryView) -> Markup {
    let ago = |at| words::span(scene.seconds_since(at));
    html! {
        @match view.due {
            DueView::Overdue(at) => span.outside { "overdue since " (scene.clock(at)) ", " (ago(at)) },
            DueView::Since(at) => b { "due since " (scene.clock(at)) },
            DueView::At(at) => { "due at " (scene.clock(at)) @if matches!(entry.due, EntryDue::Running(_)) { ", if the station runs on" } },
            DueView::NotAsked => (not_asked(entry))
        }
        @if let Some(first) = view.awaited_for.first() { " \u{b7} for " (first) }
        @if view.awaited_for.len() > 1 { " and " (view.awaited_for.len() - 1) " more" }
    }
}

const fn not_asked(entry: &LineEntry) -> &'static str {
    match entry.due {
        EntryDue::Never => "entered when there is something to enter",
        EntryDue::Running(_) => "not asked for while the station stands",
        EntryDue::Clock(_) | EntryDue::Daily(_) | EntryDue::After { .. } => "nothing is asked for now",
    }
}

/// The last value with its time, and whether it is out.
pub(super) fn last(scene: &Scene<'_>, entry: &LineEntry, row: &StoredEntry) -> Markup {
    html! {
        b { (value(scene, entry, row)) }
        @if let Some(out) = out(scene, entry, row) { " " span.outside { (out) } }
        " taken " (scene.clock(row.taken)) " by " (row.by)
    }
}

/// The value in words: with its unit, passed or failed, or the error found and what was left.
pub(super) fn value(scene: &Scene<'_>, entry: &LineEntry, row: &StoredEntry) -> String {
    let signal = scene.line.signal(entry.signal);
    let digits = |value: f64| words::with_unit(&plain_number(value, signal.decimals), entry.unit);
    match (entry.kind, row.calibration) {
        (EntryKind::Check, _) if row.value == 1.0 => "passed".to_owned(),
        (EntryKind::Check, _) => "failed".to_owned(),
        (EntryKind::Calibration, Some([found, left, right])) => {
            let off = words::with_unit(&words::signed(row.value, signal.decimals), signal.unit);
            format!("{off} (found {}, left {}, right {})", digits(found), digits(left), digits(right))
        }
        (EntryKind::Number | EntryKind::Calibration, _) => digits(row.value),
    }
}

/// With the line's digits, and more if more were typed.
fn plain_number(value: f64, decimals: u8) -> String {
    let rounded = words::number(value, decimals);
    let is_exact = rounded.replace('\u{2212}', "-").parse::<f64>().is_ok_and(|shown| shown == value);
    if is_exact { rounded } else { value.to_string().replace('-', "\u{2212}") }
}

/// A word for a value that is out.
fn out(scene: &Scene<'_>, entry: &LineEntry, row: &StoredEntry) -> Option<&'static str> {
    if entry.kind == EntryKind::Check {
        return (row.value != 1.0).then_some("failed");
    }
    let target = scene.signal(entry.signal).asked?.target;
    if target.specification.is_some_and(|(low, high)| !(low..=high).contains(&row.value)) {
        return Some("out of specification");
    }
    (!target.is_within_tolerance(row.value)).then_some("out of tolerance")
}

/// What the recipe asks, in words.
pub(super) fn asked(scene: &Scene<'_>, entry: &LineEntry) -> Option<String> {
    let facts = scene.signal(entry.signal);
    let target = facts.asked?.target;
    let show = |value: f64| words::number(value, facts.signal.decimals);
    let (low, high) = (target.setpoint - target.tolerance_below, target.setpoint + target.tolerance_above);
    let asked = format!(
        "target {}, tolerance {} to {}",
        words::with_unit(&show(target.setpoint), facts.signal.unit),
        show(low),
        show(high)
    );
    Some(match target.specification {
        Some((low, high)) => format!("{asked}, specification {} to {}", show(low), show(high)),
        None => asked,
    })
}

fn rows(scene: &Scene<'_>, entry: &LineEntry, view: &EntryView) -> Markup {
    let tag = &scene.line.signal(entry.signal).tag;
    html! {
        ul.kept {
            @for row in &view.rows {
                @let is_corrected = view.is_corrected(row.n);
                li {
                    span {
                        "no. " (row.n) " "
                        @if is_corrected { s { (value(scene, entry, row)) } " corrected" } @else { b { (value(scene, entry, row)) } }
                        @if let Some(out) = out(scene, entry, row) { @if !is_corrected { " " span.outside { (out) } } }
                        @if let Some(wrong) = row.corrects { " in place of no. " (wrong) }
                    }
                    small {
                        "taken " (scene.clock(row.taken)) ", entered " (scene.clock(row.entered)) " by " (row.by)
                        @if row.was_asked { ", asked back and confirmed" }
                        @if row.late_s >= 60.0 { ", " (words::span(row.late_s)) " late" }
                        @if let Some(about) = &row.about { " \u{b7} " (about) }
                        @if let Some(note) = &row.note { " \u{b7} " (note) }
                    }
                    @if !is_corrected { a.correct href=(format!("/entries/{tag}?correct={}", row.n)) { "Correct no. " (row.n) } }
                }
            }
        }
    }
}
