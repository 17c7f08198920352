//! One pane: a signal over the stretch, from lowest to highest value with its mean, against the tolerance and the setpoint that
//! were in force. A gap stays open. Lines are in a drawing that stretches with the screen, letters beside and above it keep
//! their size.

use super::axis::{percent, ticks};
use crate::cli::plot::{Curve, percent as percent_words};
use crate::web::trends::Asked;
use crate::web::trends::api::{Quality, quality};
use crate::web::trends::read::{Bar, Pane};
use crate::web::{Web, words};
use maud::{Markup, html};
use setward_config::line::LineSignal;
use setward_protocol::UtcMillis;
use std::fmt::Write as _;

/// Width and height of the drawing, in its own units.
const SIZE: f64 = 1000.0;
/// Labels closer than this would touch, per cent of the height.
const LABEL_PERCENT: f64 = 9.0;
/// A word has room in a shade of this width on any screen, and of this one on a wide screen; per cent.
const ROOM_PERCENT: f64 = 24.0;
const ROOM_WIDE_PERCENT: f64 = 7.0;

/// Lowest and highest value of the axis, and whether something lies beyond.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Axis {
    low: f64,
    high: f64,
    is_cut: bool,
}

impl Axis {
    /// About what was asked, unless everything is to be seen: a fryer that stands cold must not make a line of its band.
    fn of(curve: &Curve, shows_all_values: bool) -> Self {
        let (low, high) = curve.range();
        let data = curve.whole();
        match curve.about_band().filter(|_| !shows_all_values) {
            // What is never negative needs no room below nothing.
            None if data.min >= 0.0 => Self { low: low.max(0.0), high, is_cut: false },
            None => Self { low, high, is_cut: false },
            Some((low, high)) => {
                let is_cut = data.samples > 0 && (data.min < low || data.max > high);
                Self { low, high, is_cut }
            }
        }
    }

    fn y(&self, value: f64) -> f64 {
        let share = (self.high - value) / (self.high - self.low);
        (share.clamp(0.0, 1.0) * SIZE).round()
    }
}

/// The left edge of a column.
fn x(curve: &Curve, column: usize) -> f64 {
    (column as f64 / curve.columns.len().max(1) as f64 * SIZE * 10.0).round() / 10.0
}

/// Runs of columns with values that are joined: what lies further apart is a gap.
fn runs(curve: &Curve, joined: usize) -> Vec<Vec<usize>> {
    let mut runs: Vec<Vec<usize>> = Vec::new();
    let mut broken = true;
    for (column, stretch) in curve.columns.iter().enumerate() {
        if stretch.samples == 0 {
            // Readings without a value between two are no mere pause between polls.
            broken |= stretch.others > 0;
            continue;
        }
        match runs.last_mut() {
            Some(run) if !broken && run.last().is_some_and(|last| column - last <= joined) => {
                run.push(column)
            }
            Some(_) | None => runs.push(vec![column]),
        }
        broken = false;
    }
    runs
}

/// The area from lowest to highest value.
fn extremes(curve: &Curve, axis: &Axis, joined: usize) -> String {
    let half = SIZE / curve.columns.len().max(1) as f64 / 2.0;
    let mut path = String::new();
    for run in runs(curve, joined) {
        let of = |column: &usize| curve.columns.get(*column).map(|stretch| (*column, stretch));
        let mut verb = 'M';
        for (column, stretch) in run.iter().filter_map(of) {
            // Writing to a String can't fail.
            let _ = write!(path, "{verb}{:.1} {}", x(curve, column) + half, axis.y(stretch.max));
            verb = 'L';
        }
        for (column, stretch) in run.iter().rev().filter_map(of) {
            let _ = write!(path, "L{:.1} {}", x(curve, column) + half, axis.y(stretch.min));
        }
        path.push('Z');
    }
    path
}

/// The means, joined within a run; a single one is a dot.
fn means(curve: &Curve, axis: &Axis, joined: usize) -> String {
    let half = SIZE / curve.columns.len().max(1) as f64 / 2.0;
    let mut path = String::new();
    for run in runs(curve, joined) {
        let mut verb = 'M';
        for column in &run {
            let Some(mean) = curve.columns.get(*column).and_then(crate::history::Stretch::mean) else {
                continue;
            };
            let _ = write!(path, "{verb}{:.1} {}", x(curve, *column) + half, axis.y(mean));
            verb = 'L';
        }
        if run.len() == 1 {
            path.push_str("h.5");
        }
    }
    path
}

/// What of each column lies outside the tolerance of its time.
fn outside(curve: &Curve, axis: &Axis) -> String {
    let half = SIZE / curve.columns.len().max(1) as f64 / 2.0;
    let mut path = String::new();
    for (column, stretch) in curve.columns.iter().enumerate().filter(|(_, stretch)| stretch.samples > 0) {
        let Some((below, above)) = curve.asked(column).tolerance else { continue };
        let mut piece = |from: f64, to: f64| {
            let _ = write!(path, "M{:.1} {}V{}", x(curve, column) + half, axis.y(from), axis.y(to));
        };
        if stretch.max > above {
            piece(stretch.max, above.max(stretch.min));
        }
        if stretch.min < below {
            piece(below.min(stretch.max), stretch.min);
        }
    }
    path
}

/// Columns of one kind, as strips along the lower edge, from `top` down.
fn strips(curve: &Curve, top: u32, is_one: impl Fn(Quality) -> bool) -> String {
    let mut path = String::new();
    let mut from: Option<usize> = None;
    for column in 0..=curve.columns.len() {
        let is_here = column < curve.columns.len() && is_one(quality(curve, column));
        match (from, is_here) {
            (None, true) => from = Some(column),
            (Some(start), false) => {
                let (left, right) = (x(curve, start), x(curve, column).max(x(curve, start) + 1.0));
                let _ = write!(path, "M{left} {top}H{right}V1000H{left}Z");
                from = None;
            }
            (Some(_), true) | (None, false) => {}
        }
    }
    path
}

/// The tolerance as an area with stepped edges, and the setpoint as a stepped line.
fn asked(curve: &Curve, axis: &Axis) -> (String, String, String) {
    let (mut areas, mut edges, mut setpoints) = (String::new(), String::new(), String::new());
    let length = (curve.to.0 - curve.from.0) as f64;
    let place = |utc: UtcMillis| {
        (((utc.0 - curve.from.0) as f64 / length).clamp(0.0, 1.0) * SIZE * 10.0).round() / 10.0
    };
    for (index, band) in curve.bands.iter().enumerate() {
        let next = curve.bands.get(index + 1).map_or(curve.to, |next| next.utc);
        let (left, right) = (place(band.utc), place(next));
        if left >= right {
            continue;
        }
        if let Some((below, above)) = band.tolerance {
            let (top, bottom) = (axis.y(above), axis.y(below));
            let _ = write!(areas, "M{left} {top}H{right}V{bottom}H{left}Z");
            let _ = write!(edges, "M{left} {top}H{right}M{left} {bottom}H{right}");
        }
        if let Some(setpoint) = band.setpoint {
            let verb = if setpoints.is_empty() { 'M' } else { 'L' };
            let _ = write!(setpoints, "{verb}{left} {}H{right}", axis.y(setpoint));
        }
    }
    (areas, edges, setpoints)
}

/// One pane with its title, its labels and a sentence that says the same.
pub(in crate::web::pages) fn pane(web: &Web, request: &Asked, pane: &Pane) -> Markup {
    let signal = web.app.line.signal(pane.id);
    let curve = &pane.curve;
    let axis = Axis::of(curve, request.shows_all_values);
    let sentence = sentence(signal, pane);
    html! {
        figure.pane data-tag=(signal.tag) data-low=(axis.low) data-high=(axis.high) {
            h3 { a href=(format!("/signals/{}", signal.tag)) { b { (signal.tag) } " " (signal.name) } @if !curve.unit.is_empty() { ", " (curve.unit) } }
            div.drawn {
                svg.values width="100%" height="100%" aria-hidden="true" focusable="false" {
                    @for (value, y) in labels(curve, &axis) {
                        text x="100%" dx="-5" y=(format!("{y}%")) dy="4" text-anchor="end" { (words::number(value, signal.decimals)) }
                    }
                }
                svg.plot width="100%" height="100%" role="img" aria-label=(format!("{} {}: {sentence}", signal.tag, signal.name)) {
                    (lines(web, request, pane, &axis))
                    @for stop in &pane.stops { (stop_word(request, stop)) }
                    @if curve.whole().samples == 0 { text x="50%" y="50%" text-anchor="middle" { "nothing kept in this time" } }
                }
            }
            figcaption {
                (sentence)
                @if axis.is_cut {
                    " Some values lie beyond this axis: "
                    a href=(request.with_axis(true).address(&web.app.line, "/trend")) { "show them all" } "."
                } @else if request.shows_all_values {
                    " " a href=(request.with_axis(false).address(&web.app.line, "/trend")) { "Axis about the band" } "."
                }
            }
        }
    }
}

/// Everything that stretches with the screen.
fn lines(web: &Web, request: &Asked, pane: &Pane, axis: &Axis) -> Markup {
    let curve = &pane.curve;
    let (areas, edges, setpoints) = asked(curve, axis);
    html! {
        svg viewBox="0 0 1000 1000" preserveAspectRatio="none" width="100%" height="100%" {
            rect.paper width="1000" height="1000" {}
            path.band d=(areas) {}
            @for stop in &pane.stops {
                @let (left, right) = (percent(request.span, stop.from) * 10.0, percent(request.span, stop.to) * 10.0);
                rect.stop x=(left) y="0" width=((right - left).max(0.5)) height="1000" {}
            }
            path.edge d=(edges) {}
            path.tick d=(ticks(&web.zone, request.span).iter().fold(String::new(), |path, tick| {
                format!("{path}M{} 0V1000", percent(request.span, tick.at) * 10.0)
            })) {}
            path.setpoint d=(setpoints) {}
            @if let Some(other) = &pane.other { path.other d=(means(other, axis, pane.joined)) {} }
            path.extremes d=(extremes(curve, axis, pane.joined)) {}
            path.out d=(outside(curve, axis)) {}
            path.mean d=(means(curve, axis, pane.joined)) {}
            path.none d=(strips(curve, 955, |one| matches!(one, Quality::NoValue | Quality::Mixed))) {}
            path.doubtful d=(strips(curve, 978, |one| one == Quality::Doubtful)) {}
            rect.frame width="1000" height="1000" {}
        }
    }
}

/// What the station did, where there is room to say it.
fn stop_word(request: &Asked, stop: &Bar) -> Markup {
    let (left, right) = (percent(request.span, stop.from), percent(request.span, stop.to));
    let class = if right - left >= ROOM_PERCENT { "word" } else { "word roomy" };
    html! {
        @if right - left >= ROOM_WIDE_PERCENT {
            text class=(class) x=(format!("{:.2}%", (left + right) / 2.0)) y="16" text-anchor="middle" { (stop.text) }
        }
    }
}

/// Values with a label: what was asked last, then the ends of the axis; one that would touch an earlier one is left out.
fn labels(curve: &Curve, axis: &Axis) -> Vec<(f64, f64)> {
    let asked = curve.bands.iter().rev();
    let asked = asked.flat_map(|band| {
        let (low, high) = band.tolerance.unzip();
        [band.setpoint, low, high]
    });
    let ends = [axis.low, axis.high].map(Some);
    let mut placed: Vec<(f64, f64)> = Vec::new();
    for value in asked.chain(ends).flatten().filter(|value| (axis.low..=axis.high).contains(value)) {
        let y = (axis.y(value) / 10.0).clamp(3.0, 97.0);
        if placed.iter().all(|(_, other)| (other - y).abs() >= LABEL_PERCENT) {
            placed.push((value, y));
        }
    }
    placed
}

/// Lowest, mean and highest value, and how much was known. How much was within tolerance is told of running time only, below.
fn sentence(signal: &LineSignal, pane: &Pane) -> String {
    let curve = &pane.curve;
    let whole = curve.whole();
    let Some(mean) = whole.time_weighted_mean().or_else(|| whole.mean()) else {
        return "nothing kept in this time.".to_owned();
    };
    let shown = |value: f64| words::number(value, signal.decimals);
    let unit = |text: String| words::with_unit(&text, signal.unit);
    let known = whole.good_s * 1000.0 / (curve.to.0 - curve.from.0) as f64;
    let mut text = format!(
        "lowest {}, mean {}, highest {}, stops included; good values {} of the time",
        shown(whole.min),
        shown(mean),
        unit(shown(whole.max)),
        percent_words(known)
    );
    if pane.unreadable > 0 {
        let _ = write!(text, "; {} damaged blocks of history are left out", pane.unreadable);
    }
    text.push('.');
    text
}

/// What the lines and shades mean, in words beside a piece of each.
pub(super) fn legend(request: &Asked) -> Markup {
    let piece = |class: &str, d: &str, text: &str| {
        html! { li { svg.key viewBox="0 0 28 14" width="28" height="14" aria-hidden="true" { path class=(class) d=(d) {} } (text) } }
    };
    html! {
        ul.legend {
            (piece("mean", "M1 7H27", "mean"))
            (piece("extremes", "M1 3H27V11H1Z", "lowest to highest"))
            (piece("band", "M1 2H27V12H1Z", "recipe\u{2019}s tolerance"))
            (piece("setpoint", "M1 7H27", "its setpoint"))
            (piece("out", "M6 2V12M10 2V12M14 2V12M18 2V12", "outside tolerance"))
            (piece("stop", "M1 1H27V13H1Z", "station not in run"))
            (piece("none", "M1 9H27V14H1Z", "no good value"))
            (piece("doubtful", "M1 11H27V14H1Z", "doubtful"))
            @if request.against.is_some() { (piece("other", "M1 7H27", "mean of the other stretch")) }
            li { "open: nothing kept" }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::{KnownBand, Stretch};
    use setward_protocol::Uptime;

    fn column(value: Option<f64>) -> Stretch {
        value.map_or(Stretch::EMPTY, |value| Stretch {
            samples: 2,
            min: value - 1.0,
            max: value + 1.0,
            sum: 2.0 * value,
            good_s: 1.0,
            ..Stretch::EMPTY
        })
    }

    fn curve(values: &[Option<f64>]) -> Curve {
        let band = |utc: i64, setpoint: f64| KnownBand {
            run: 1,
            at: Uptime::from_millis(0),
            utc: UtcMillis(utc),
            setpoint: Some(setpoint),
            tolerance: Some((setpoint - 3.0, setpoint + 3.0)),
        };
        Curve {
            tag: "TT-310".to_owned(),
            name: "Fryer oil inlet".to_owned(),
            unit: "\u{b0}C".to_owned(),
            from: UtcMillis(0),
            to: UtcMillis(10_000),
            columns: values.iter().map(|value| column(*value)).collect(),
            bands: vec![band(0, 182.0), band(5_000, 176.0)],
            axis: None,
        }
    }

    #[test]
    fn a_gap_is_never_bridged_and_a_pause_between_polls_is() {
        let values = [Some(182.0), None, Some(182.0), None, None, None, Some(182.0)];
        assert_eq!(runs(&curve(&values), 2), [vec![0, 2], vec![6]]);
        let mut bad = curve(&values);
        bad.columns[1].others = 3;
        assert_eq!(runs(&bad, 2), [vec![0], vec![2], vec![6]], "readings without a value break the line");
        let drawn = means(&bad, &Axis::of(&bad, false), 2);
        assert_eq!(drawn.matches('M').count(), 3, "{drawn}");
    }

    #[test]
    fn the_axis_stays_about_the_band_when_the_fryer_stands_cold_and_says_so() {
        let cold = curve(&[Some(182.0), Some(21.0)]);
        let axis = Axis::of(&cold, false);
        assert_eq!((axis.low, axis.high, axis.is_cut), (164.0, 194.0, true));
        let all = Axis::of(&cold, true);
        assert!(all.low < 20.0 && !all.is_cut, "{all:?}");
        assert_eq!(axis.y(21.0), SIZE, "what lies beyond stands at the edge");
    }

    #[test]
    fn the_band_steps_with_the_recipe_and_what_lies_outside_its_own_is_marked() {
        let changed = curve(&[Some(182.0), Some(176.0)]);
        let axis = Axis::of(&changed, false);
        let (areas, _, setpoints) = asked(&changed, &axis);
        assert_eq!(areas.matches('M').count(), 2, "{areas}");
        assert_eq!(setpoints, format!("M0 {}H500L500 {}H1000", axis.y(182.0), axis.y(176.0)));
        assert_eq!(outside(&changed, &axis), "", "each value is within what was asked then");
        let late = curve(&[Some(182.0), Some(182.0)]);
        let out = outside(&late, &axis);
        assert_eq!(out, format!("M750.0 {}V{}", axis.y(183.0), axis.y(181.0)));
    }

    #[test]
    fn what_has_no_value_and_what_is_doubtful_shows_as_such() {
        let mut curve = curve(&[Some(182.0), None, Some(182.0), Some(182.0)]);
        curve.columns[1].others = 5;
        curve.columns[3].good_s = 0.0;
        assert_eq!(strips(&curve, 955, |one| one == Quality::NoValue), "M250 955H500V1000H250Z");
        assert_eq!(strips(&curve, 978, |one| one == Quality::Doubtful), "M750 978H1000V1000H750Z");
        assert_eq!(strips(&curve, 955, |one| one == Quality::Gap), "");
    }
}
