//! Drawings as inline SVG: attributes and classes only, since the page forbids inline style.
//!
//! A gap stays a gap: nothing is drawn where nothing is known. Shapes carry meaning together with the word beside them.

use super::times::Zone;
use super::words;
use crate::history::StoredSample;
use maud::{Markup, html};
use setward_config::line::Priority;
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Shape of a priority, each told apart without colour. Outlined when the condition has gone.
pub(super) fn shape(priority: Priority, outlined: bool) -> Markup {
    let points = match priority {
        Priority::High => "7,1 15,1 21,7 21,15 15,21 7,21 1,15 1,7",
        Priority::Medium => "11,2 21,20 1,20",
        Priority::Low => "3,3 19,3 19,19 3,19",
    };
    let class = if outlined { "outlined" } else { priority.name() };
    html! {
        svg.shape viewBox="0 0 22 22" width="22" height="22" aria-hidden="true" focusable="false" {
            polygon class=(class) points=(points) {}
        }
    }
}

/// Width of a band bar's drawing; the band is its middle third.
const BAR_WIDTH: f64 = 150.0;

/// Where a deviation of so many tolerances stands in a band bar.
pub(super) fn bar_x(tolerances_off: f64) -> f64 {
    (BAR_WIDTH / 2.0 + tolerances_off.clamp(-3.0, 3.0) * BAR_WIDTH / 6.0 * 0.96).round()
}

/// Deviation about the setpoint, in tolerances: the band is the middle third, whatever its width.
/// `off` is `None` when there is no value: then the bar is hatched. `out` says that it is beyond the band and counts.
/// `tag` names it for live updates.
pub(super) fn band_bar(off: Option<f64>, out: bool, tag: &str) -> Markup {
    let class = match off {
        Some(_) if out => "marker out",
        Some(_) => "marker",
        None => "marker none",
    };
    let x = bar_x(off.unwrap_or(0.0));
    html! {
        svg.bar viewBox="0 0 150 22" preserveAspectRatio="xMinYMid meet" aria-hidden="true" focusable="false" {
            rect.trough x="1" y="6" width="148" height="10" {}
            rect.band x="50" y="4" width="50" height="14" {}
            path.setpoint d="M75 2V20" {}
            @if off.is_none() { path.hatch d=(hatch(BAR_WIDTH, 6.0, 16.0)) {} }
            g class=(class) data-x=(format!("{tag}.x")) transform=(format!("translate({x} 0)")) {
                path d="M-5 0H5V14L0 21L-5 14Z" {}
            }
        }
    }
}

/// Slanted strokes over a bar that has no value.
fn hatch(width: f64, top: f64, bottom: f64) -> String {
    let mut path = String::new();
    let mut x = 4.0;
    while x < width - 10.0 {
        // Writing to a String can't fail.
        let _ = write!(path, "M{x} {bottom}L{} {top}", x + 8.0);
        x += 9.0;
    }
    path
}

/// Exposure against its allowance: full at the allowance.
pub(super) fn exposure_bar(share: f64, alarm: &str) -> Markup {
    html! {
        svg.exposure viewBox="0 0 300 12" preserveAspectRatio="none" aria-hidden="true" focusable="false" {
            rect.trough x="1" y="1" width="298" height="10" {}
            rect.fill x="1" y="1" height="10" width=(exposure_width(share)) data-w=(format!("{alarm}.w")) {}
        }
    }
}

/// Width of the filled part.
pub(super) fn exposure_width(share: f64) -> f64 {
    (share.clamp(0.0, 1.0) * 298.0).round()
}

/// What a trend shows.
pub(super) struct Trend<'a> {
    pub(super) samples: &'a [StoredSample],
    pub(super) from: UtcMillis,
    pub(super) to: UtcMillis,
    /// Two values further apart than this are not joined, ms.
    pub(super) gap_ms: i64,
    /// Lowest and highest value in tolerance, or a limit on one side.
    pub(super) band: Option<(f64, f64)>,
    pub(super) setpoint: Option<f64>,
    pub(super) limits: Vec<f64>,
    /// Moments to mark, with a word each.
    pub(super) marks: Vec<(UtcMillis, &'static str)>,
    pub(super) decimals: u8,
    /// Words of a status word's values; what has some is labelled by them.
    pub(super) codes: &'a BTreeMap<i64, String>,
    pub(super) unit: &'static str,
    pub(super) zone: &'a Zone,
    /// What it is, for those who do not see it.
    pub(super) label: String,
    /// [`TALL`] or [`SHORT`].
    pub(super) height: f64,
}

/// Extremes of one column of a drawing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Column {
    pub(super) index: usize,
    pub(super) low: f64,
    pub(super) high: f64,
}

/// The samples as runs of columns with their extremes; a run ends where a value is missing or a gap is too long.
pub(super) fn envelope(
    samples: &[StoredSample],
    (from, to): (UtcMillis, UtcMillis),
    columns: usize,
    gap_ms: i64,
) -> Vec<Vec<Column>> {
    let span_ms = to.0.saturating_sub(from.0).max(1) as f64;
    let mut runs: Vec<Vec<Column>> = Vec::new();
    let mut joined_to: Option<UtcMillis> = None;
    for sample in samples.iter().filter(|sample| sample.utc >= from && sample.utc <= to) {
        let Some(value) = sample.reading.value() else {
            joined_to = None;
            continue;
        };
        let share = (sample.utc.0 - from.0) as f64 / span_ms;
        let index = ((share * columns as f64) as usize).min(columns.saturating_sub(1));
        let joins = joined_to.is_some_and(|last| sample.utc.0.saturating_sub(last.0) <= gap_ms);
        joined_to = Some(sample.utc);
        let fresh = Column { index, low: value, high: value };
        match runs.last_mut() {
            Some(run) if joins => widen(run, fresh),
            Some(_) | None => runs.push(vec![fresh]),
        }
    }
    runs
}

fn widen(run: &mut Vec<Column>, fresh: Column) {
    match run.last_mut() {
        Some(last) if last.index == fresh.index => {
            last.low = last.low.min(fresh.low);
            last.high = last.high.max(fresh.high);
        }
        Some(_) | None => run.push(fresh),
    }
}

const WIDTH: f64 = 360.0;
/// Height of a drawing that stands by itself, and of one in the first block of an alarm, which a phone must hold.
pub(super) const TALL: f64 = 200.0;
pub(super) const SHORT: f64 = 104.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = 354.0;
const TOP: f64 = 10.0;
/// Room for the times below the plot.
const BELOW: f64 = 24.0;
const COLUMNS: usize = 240;
/// Labels closer than this would touch.
const LABEL_HEIGHT: f64 = 15.0;

/// Lowest and highest value of the drawing: one and a half bands beyond the band, and never less than the data.
fn value_range(trend: &Trend<'_>, runs: &[Vec<Column>]) -> (f64, f64) {
    let data = runs.iter().flatten().flat_map(|column| [column.low, column.high]);
    let fixed = trend.limits.iter().copied().chain(trend.setpoint);
    let margin = trend.band.map_or(0.0, |(low, high)| 1.5 * (high - low));
    let band = trend.band.into_iter().flat_map(|(low, high)| [low - margin, high + margin]);
    let (low, high) = data
        .chain(fixed)
        .chain(band)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    if low > high {
        return (0.0, 1.0);
    }
    if !trend.codes.is_empty() {
        return (low - 0.5, high + 0.5);
    }
    let room = if trend.band.is_some() { 0.0 } else { ((high - low) * 0.15).max(high.abs().max(1.0) * 0.01) };
    (low - room, high + room)
}

/// Maps values and times to the drawing.
struct Axes {
    low: f64,
    high: f64,
    from: UtcMillis,
    to: UtcMillis,
    /// The lower edge of the plot; times stand below it.
    bottom: f64,
}

impl Axes {
    fn y(&self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low);
        tenth(self.bottom - share.clamp(0.0, 1.0) * (self.bottom - TOP))
    }

    fn x(&self, at: UtcMillis) -> f64 {
        let span_ms = self.to.0.saturating_sub(self.from.0).max(1) as f64;
        let share = at.0.saturating_sub(self.from.0) as f64 / span_ms;
        tenth(LEFT + share.clamp(0.0, 1.0) * (RIGHT - LEFT))
    }
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// The path of all runs; a run of one point is a dot.
fn trace(runs: &[Vec<Column>], axes: &Axes) -> String {
    let mut path = String::new();
    for run in runs {
        let mut verb = 'M';
        for column in run {
            let x = tenth(LEFT + (column.index as f64 + 0.5) / COLUMNS as f64 * (RIGHT - LEFT));
            let (low, high) = (axes.y(column.low), axes.y(column.high));
            // Writing to a String can't fail.
            let _ = write!(path, "{verb}{x} {low}");
            if (low - high).abs() >= 0.1 {
                let _ = write!(path, "V{high}");
            }
            verb = 'L';
        }
        if run.len() == 1 {
            path.push_str("h.1");
        }
    }
    path
}

/// Values worth a label, the most telling first; one that would touch an earlier one is left out.
fn value_labels(trend: &Trend<'_>, axes: &Axes) -> Vec<(f64, f64)> {
    let band = trend.band.into_iter().flat_map(|(low, high)| [low, high]);
    let wanted = trend.setpoint.into_iter().chain(trend.limits.iter().copied()).chain(band);
    let mut placed: Vec<(f64, f64)> = Vec::new();
    for value in wanted.chain([axes.low, axes.high]) {
        let y = axes.y(value);
        // A whole number's drawing has room above and below it that is none of its values.
        let reads_alike =
            |other: f64| words::number(other, trend.decimals) == words::number(value, trend.decimals);
        if placed.iter().any(|(other, _)| reads_alike(*other)) {
            continue;
        }
        if placed.iter().all(|(_, other)| (other - y).abs() >= LABEL_HEIGHT) {
            placed.push((value, y));
        }
    }
    placed
}

/// Words of the values that occur, digits where a value has none, the last first; one that would touch another is left out.
fn code_labels(trend: &Trend<'_>, axes: &Axes) -> Vec<(String, f64)> {
    let inside = trend.samples.iter().rev().filter(|sample| (trend.from..=trend.to).contains(&sample.utc));
    let mut placed: Vec<(String, f64)> = Vec::new();
    for value in inside.filter_map(|sample| sample.reading.value()) {
        let y = axes.y(value);
        if placed.iter().all(|(_, other)| (other - y).abs() >= LABEL_HEIGHT) {
            let word = trend.codes.get(&(value.round() as i64)).cloned();
            placed.push((word.unwrap_or_else(|| words::number(value, trend.decimals)), y));
        }
    }
    placed
}

/// A line over time with its band, setpoint, limits and marks.
pub(super) fn trend(trend: &Trend<'_>) -> Markup {
    let runs = envelope(trend.samples, (trend.from, trend.to), COLUMNS, trend.gap_ms);
    let (low, high) = value_range(trend, &runs);
    let axes = Axes { low, high, from: trend.from, to: trend.to, bottom: trend.height - BELOW };
    let plot_width = RIGHT - LEFT;
    html! {
        svg.trend viewBox=(format!("0 0 {WIDTH} {}", trend.height)) role="img" aria-label=(trend.label) {
            rect.plot x=(LEFT) y=(TOP) width=(plot_width) height=(axes.bottom - TOP) {}
            @if let Some((band_low, band_high)) = trend.band { (band_area(&axes, band_low, band_high)) }
            @if let Some(setpoint) = trend.setpoint {
                path.setpoint d=(format!("M{LEFT} {}H{RIGHT}", axes.y(setpoint))) {}
            }
            @for limit in &trend.limits { path.limit d=(format!("M{LEFT} {}H{RIGHT}", axes.y(*limit))) {} }
            @for (index, (at, word)) in trend.marks.iter().enumerate() { (mark(&axes, (index, *at), word)) }
            g.within { path #trace d=(trace(&runs, &axes)) {} }
            @if runs.is_empty() {
                text.empty x=((LEFT + RIGHT) / 2.0) y=((TOP + axes.bottom) / 2.0 + 4.0) text-anchor="middle" { "no values kept in this time" }
            }
            @for (word, y) in code_labels(trend, &axes).into_iter().filter(|_| !trend.codes.is_empty()) {
                text.empty x=(LEFT + 6.0) y=(y - 4.0) { (word) }
            }
            @for (value, y) in value_labels(trend, &axes).into_iter().filter(|_| trend.codes.is_empty()) {
                text x=(LEFT - 5.0) y=(y + 4.0) text-anchor="end" { (words::number(value, trend.decimals)) }
            }
            (time_labels(trend, &axes))
        }
    }
}

/// The band, and the same trace drawn heavier where it lies outside.
fn band_area(axes: &Axes, band_low: f64, band_high: f64) -> Markup {
    let (top, bottom) = (axes.y(band_high), axes.y(band_low));
    let width = RIGHT - LEFT;
    html! {
        clipPath #outside {
            rect x=(LEFT) y=(TOP) width=(width) height=(tenth(top - TOP)) {}
            rect x=(LEFT) y=(bottom) width=(width) height=(tenth(axes.bottom - bottom)) {}
        }
        rect.band x=(LEFT) y=(top) width=(width) height=(tenth(bottom - top)) {}
        path.edge d=(format!("M{LEFT} {top}H{RIGHT}M{LEFT} {bottom}H{RIGHT}")) {}
        g.beyond clip-path="url(#outside)" { use href="#trace" {} }
    }
}

/// A moment with its word; each of several has a line of its own, for they may lie close together.
fn mark(axes: &Axes, (index, at): (usize, UtcMillis), word: &str) -> Markup {
    if at < axes.from || at > axes.to {
        return html! {};
    }
    let x = axes.x(at);
    let (anchor, text_x) = if x > (LEFT + RIGHT) / 2.0 { ("end", x - 4.0) } else { ("start", x + 4.0) };
    html! {
        path.mark d=(format!("M{x} {TOP}V{}", axes.bottom)) {}
        text x=(text_x) y=(axes.bottom - 5.0 - LABEL_HEIGHT * index as f64) text-anchor=(anchor) { (word) }
    }
}

fn time_labels(trend: &Trend<'_>, axes: &Axes) -> Markup {
    let third = (trend.to.0 - trend.from.0) / 3;
    let ticks = (0..4).map(|step| UtcMillis(trend.from.0 + third * step));
    html! {
        @for (step, at) in ticks.enumerate() {
            @let anchor = if step == 3 { "end" } else if step == 0 { "start" } else { "middle" };
            path.tick d=(format!("M{} {}v4", axes.x(at), axes.bottom)) {}
            text x=(axes.x(at)) y=(trend.height - 7.0) text-anchor=(anchor) { (trend.zone.minute(at)) }
        }
        text.unit x=(LEFT + 4.0) y=(TOP + 13.0) { (trend.unit) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::{NoData, Reading};

    fn samples(readings: &[(i64, Reading)]) -> Vec<StoredSample> {
        readings
            .iter()
            .map(|(s, reading)| StoredSample { utc: UtcMillis(s * 1000), reading: *reading })
            .collect()
    }

    fn runs(readings: &[(i64, Reading)]) -> Vec<Vec<Column>> {
        envelope(&samples(readings), (UtcMillis(0), UtcMillis(100_000)), 10, 3_000)
    }

    fn column(index: usize, low: f64, high: f64) -> Column {
        Column { index, low, high }
    }

    use Reading::{Bad, Good};

    #[test]
    fn a_column_keeps_both_extremes() {
        let drawn = runs(&[
            (1, Good(182.0)),
            (3, Good(176.4)),
            (5, Good(184.0)),
            (8, Good(181.0)),
            (11, Good(180.0)),
        ]);
        assert_eq!(drawn, vec![vec![column(0, 176.4, 184.0), column(1, 180.0, 180.0)]]);
    }

    #[test]
    fn a_fault_breaks_the_line_even_between_near_values() {
        let drawn = runs(&[(1, Good(1.0)), (2, Bad(NoData::SensorFault)), (3, Good(2.0))]);
        assert_eq!(drawn, vec![vec![column(0, 1.0, 1.0)], vec![column(0, 2.0, 2.0)]]);
    }

    #[test]
    fn a_gap_longer_than_three_polls_stays_open() {
        let drawn = runs(&[(10, Good(1.0)), (13, Good(2.0)), (17, Good(3.0))]);
        assert_eq!(drawn, vec![vec![column(1, 1.0, 2.0)], vec![column(1, 3.0, 3.0)]]);
    }

    #[test]
    fn the_edges_of_the_window_are_inside_and_beyond_is_not() {
        let drawn = runs(&[(-1, Good(9.0)), (0, Good(1.0)), (100, Good(2.0)), (101, Good(9.0))]);
        assert_eq!(drawn, vec![vec![column(0, 1.0, 1.0)], vec![column(9, 2.0, 2.0)]]);
        assert_eq!(runs(&[]), Vec::<Vec<Column>>::new());
    }

    static NONE: BTreeMap<i64, String> = BTreeMap::new();

    fn fryer<'a>(samples: &'a [StoredSample], zone: &'a Zone) -> Trend<'a> {
        Trend {
            samples,
            from: UtcMillis(0),
            to: UtcMillis(1_800_000),
            gap_ms: 3_000,
            band: Some((179.0, 185.0)),
            setpoint: Some(182.0),
            limits: Vec::new(),
            marks: vec![(UtcMillis(900_000), "raised"), (UtcMillis(-1), "long ago")],
            decimals: 1,
            codes: &NONE,
            unit: "°C",
            zone,
            label: "Fryer oil inlet".to_owned(),
            height: TALL,
        }
    }

    #[test]
    fn the_axis_is_fixed_by_the_band_and_stretched_only_by_the_data() {
        let zone = Zone::named("UTC");
        let calm = samples(&[(1, Good(182.0))]);
        let calm = fryer(&calm, &zone);
        let range = |trend: &Trend<'_>| {
            value_range(trend, &envelope(trend.samples, (trend.from, trend.to), COLUMNS, trend.gap_ms))
        };
        assert_eq!(range(&calm), (170.0, 194.0));
        let hot = samples(&[(1, Good(205.0))]);
        assert_eq!(range(&fryer(&hot, &zone)), (170.0, 205.0));
    }

    #[test]
    fn labels_never_touch_and_the_setpoint_comes_first() {
        let zone = Zone::named("UTC");
        let axes =
            Axes { low: 0.0, high: 1000.0, from: UtcMillis(0), to: UtcMillis(1), bottom: TALL - BELOW };
        let labels = value_labels(&fryer(&[], &zone), &axes);
        assert_eq!(labels.first().map(|(value, _)| *value), Some(182.0));
        assert!(labels.iter().all(|(value, _)| *value != 179.0), "the band's edge would touch the setpoint");
        for (index, (_, y)) in labels.iter().enumerate() {
            assert!(labels.iter().skip(index + 1).all(|(_, other)| (other - y).abs() >= LABEL_HEIGHT));
        }
    }

    /// A state that never changes had a single number at its lower edge.
    #[test]
    fn a_status_word_is_labelled_by_its_words_and_has_no_numbers() {
        let codes =
            BTreeMap::from([(0, "fill".to_owned()), (1, "hold".to_owned()), (7, "pump-out".to_owned())]);
        let zone = Zone::named("UTC");
        let samples = samples(&[(0, Good(1.0)), (1, Good(1.0)), (2, Good(0.0)), (3, Good(4.0))]);
        let trend =
            Trend { band: None, setpoint: None, marks: Vec::new(), codes: &codes, ..fryer(&samples, &zone) };
        let drawn = super::trend(&trend).into_string();
        assert!(
            drawn.contains(">hold<") && drawn.contains(">fill<") && !drawn.contains(">pump-out<"),
            "{drawn}"
        );
        assert!(!drawn.contains(">0.0<") && !drawn.contains(">-0.5<"), "{drawn}");
        assert!(drawn.contains(">4.0<"), "a value without a word has its digits: {drawn}");
        let axes = Axes { low: -0.5, high: 4.5, from: trend.from, to: trend.to, bottom: TALL - BELOW };
        assert_eq!(
            value_range(&trend, &envelope(&samples, (trend.from, trend.to), COLUMNS, 3000)),
            (axes.low, axes.high)
        );
    }

    #[test]
    fn the_drawing_has_no_inline_style_and_no_bridge_over_a_gap() {
        let zone = Zone::named("UTC");
        let kept = samples(&[(100, Good(180.0)), (101, Good(180.2)), (900, Good(176.0)), (901, Good(176.1))]);
        let drawn = trend(&fryer(&kept, &zone)).into_string();
        assert!(!drawn.contains("style="), "{drawn}");
        let path = drawn.split("id=\"trace\" d=\"").nth(1).and_then(|rest| rest.split('"').next()).unwrap();
        assert_eq!(path.matches('M').count(), 2, "{path}");
        assert_eq!(path.matches('L').count(), 0, "each run lies in one column: {path}");
        assert!(drawn.contains(">raised<") && !drawn.contains("long ago"));
    }

    #[test]
    fn the_marker_stays_in_the_bar_and_a_missing_value_is_hatched() {
        assert_eq!(bar_x(0.0), 75.0);
        assert_eq!(bar_x(1.0), 99.0);
        assert_eq!(bar_x(-40.0), 3.0);
        assert!(band_bar(None, false, "TT-310").into_string().contains("hatch"));
        assert!(!band_bar(Some(0.2), false, "TT-310").into_string().contains("hatch"));
        assert_eq!(exposure_width(1.7), 298.0);
    }
}
