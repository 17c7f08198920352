//! Signals over time as one SVG file that any browser or word processor shows. Pure.
//!
//! Grey is what was, the band is what was asked, and what lies outside is drawn thick and dark: shape before colour.

use super::plot::{Curve, decimals};
use super::window::local;
use jiff::tz::TimeZone;
use maud::{Markup, html};
use setward_protocol::UtcMillis;
use std::fmt::Write as _;

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 240.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 985.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 208.0;

/// Columns that a drawing is worth.
pub(crate) const COLUMNS: usize = 900;

/// The file's text: one drawing above the other.
pub(crate) fn svg(title: &str, curves: &[Curve], zone: &TimeZone) -> String {
    let height = HEIGHT * curves.len() as f64 + 40.0;
    let drawn = html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox=(format!("0 0 {WIDTH} {height}")) font-family="sans-serif" font-size="12" fill="#222" {
            title { (title) }
            rect width=(WIDTH) height=(height) fill="#f4f4f4" {}
            text x=(LEFT) y="22" font-size="14" { (title) }
            @for (index, curve) in curves.iter().enumerate() {
                g transform=(format!("translate(0 {})", 32.0 + HEIGHT * index as f64)) { (one(curve, zone)) }
            }
        }
    };
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n", drawn.into_string())
}

/// Maps columns and values to the drawing.
struct Axes {
    low: f64,
    high: f64,
    columns: f64,
}

impl Axes {
    fn x(&self, column: usize) -> f64 {
        tenth(LEFT + column as f64 / self.columns * (RIGHT - LEFT))
    }

    fn y(&self, value: f64) -> f64 {
        tenth(BOTTOM - (value - self.low) / (self.high - self.low) * (BOTTOM - TOP))
    }
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn one(curve: &Curve, zone: &TimeZone) -> Markup {
    let (low, high) = curve.range();
    let axes = Axes { low, high, columns: curve.columns.len() as f64 };
    let figures = decimals(high - low);
    html! {
        text x=(LEFT) y="24" { (curve.title()) }
        rect x=(LEFT) y=(TOP) width=(RIGHT - LEFT) height=(BOTTOM - TOP) fill="#fff" stroke="#999" {}
        path d=(bands(curve, &axes)) fill="#dcdcdc" {}
        path d=(setpoints(curve, &axes)) fill="none" stroke="#777" stroke-dasharray="6 4" {}
        path d=(extremes(curve, &axes)) stroke="#8c8c8c" stroke-width="1.1" fill="none" {}
        path d=(means(curve, &axes)) stroke="#222" stroke-width="1.3" fill="none" stroke-linejoin="round" {}
        path d=(outside(curve, &axes)) stroke="#8a1020" stroke-width="3" fill="none" {}
        @for step in 0..=4 {
            @let value = low + (high - low) * f64::from(step) / 4.0;
            text x=(LEFT - 6.0) y=(axes.y(value) + 4.0) text-anchor="end" { (format!("{value:.figures$}")) }
        }
        text x=(LEFT + 6.0) y=(TOP + 14.0) { (curve.unit) }
        @for step in 0..=4 {
            @let at = UtcMillis(curve.from.0 + (curve.to.0 - curve.from.0) / 4 * step);
            @let anchor = if step == 0 { "start" } else if step == 4 { "end" } else { "middle" };
            @let x = tenth(LEFT + (RIGHT - LEFT) * step as f64 / 4.0);
            path d=(format!("M{x} {BOTTOM}v5")) stroke="#999" {}
            text x=(x) y=(BOTTOM + 19.0) text-anchor=(anchor) { (local(at, zone).get(..16).unwrap_or_default()) }
        }
    }
}

/// A rectangle for each stretch of columns with one tolerance.
fn bands(curve: &Curve, axes: &Axes) -> String {
    let mut path = String::new();
    let mut from = 0;
    for column in 0..curve.columns.len() {
        let here = curve.asked(column).tolerance;
        let is_last = column + 1 == curve.columns.len();
        if !is_last && curve.asked(column + 1).tolerance == here {
            continue;
        }
        if let Some((below, above)) = here {
            let (left, right) = (axes.x(from), axes.x(column + 1));
            // Writing to a String can't fail.
            let _ = write!(path, "M{left} {}H{right}V{}H{left}Z", axes.y(above), axes.y(below));
        }
        from = column + 1;
    }
    path
}

fn setpoints(curve: &Curve, axes: &Axes) -> String {
    let mut path = String::new();
    let mut last = None;
    for column in 0..curve.columns.len() {
        let here = curve.asked(column).setpoint;
        if let Some(setpoint) = here {
            if last != here {
                let _ = write!(path, "M{} {}", axes.x(column), axes.y(setpoint));
            }
            let _ = write!(path, "H{}", axes.x(column + 1));
        }
        last = here;
    }
    path
}

/// A vertical line a column, from its lowest to its highest value.
fn extremes(curve: &Curve, axes: &Axes) -> String {
    let mut path = String::new();
    for (column, stretch) in curve.columns.iter().enumerate().filter(|(_, stretch)| stretch.samples > 0) {
        let _ = write!(path, "M{} {}V{}", axes.x(column), axes.y(stretch.max), axes.y(stretch.min));
    }
    path
}

/// The means, joined where columns follow each other; a gap stays a gap.
fn means(curve: &Curve, axes: &Axes) -> String {
    let mut path = String::new();
    let mut verb = 'M';
    for (column, stretch) in curve.columns.iter().enumerate() {
        match stretch.mean() {
            Some(mean) => {
                let _ = write!(path, "{verb}{} {}", axes.x(column), axes.y(mean));
                if verb == 'M' {
                    path.push_str("h.1");
                }
                verb = 'L';
            }
            None => verb = 'M',
        }
    }
    path
}

/// What of each column lies outside the tolerance of its time.
fn outside(curve: &Curve, axes: &Axes) -> String {
    let mut path = String::new();
    for (column, stretch) in curve.columns.iter().enumerate().filter(|(_, stretch)| stretch.samples > 0) {
        let Some((below, above)) = curve.asked(column).tolerance else { continue };
        let mut piece = |from: f64, to: f64| {
            let _ = write!(path, "M{} {}V{}", axes.x(column), axes.y(from), axes.y(to));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::{KnownBand, Stretch};
    use setward_protocol::Uptime;

    fn stretch(min: f64, max: f64) -> Stretch {
        Stretch { samples: 2, min, max, sum: min + max, good_s: 1.0, ..Stretch::EMPTY }
    }

    fn curve() -> Curve {
        let band = KnownBand {
            run: 1,
            at: Uptime::from_millis(0),
            utc: UtcMillis(0),
            setpoint: Some(182.0),
            tolerance: Some((179.0, 185.0)),
        };
        Curve {
            tag: "TT-310".to_owned(),
            name: "Oil <inlet> & outlet".to_owned(),
            unit: "degC".to_owned(),
            from: UtcMillis(1_795_572_000_000),
            to: UtcMillis(1_795_572_040_000),
            columns: vec![
                stretch(181.0, 183.0),
                Stretch::EMPTY,
                stretch(170.0, 182.0),
                stretch(181.0, 182.0),
            ],
            bands: vec![band],
            axis: None,
        }
    }

    #[test]
    fn a_gap_is_not_bridged_and_only_what_is_outside_is_drawn_thick() {
        let curve = curve();
        let (low, high) = curve.range();
        let axes = Axes { low, high, columns: 4.0 };
        let line = means(&curve, &axes);
        assert_eq!((line.matches('M').count(), line.matches('L').count()), (2, 1), "{line}");
        let thick = outside(&curve, &axes);
        assert_eq!(thick, format!("M{} {}V{}", axes.x(2), axes.y(179.0), axes.y(170.0)));
        assert_eq!(bands(&curve, &axes).matches('M').count(), 1);
        assert!(axes.y(high) == TOP && axes.y(low) == BOTTOM);
    }

    #[test]
    fn names_are_escaped_and_the_text_is_one_document() {
        let text = svg("blue \"corn\" <line>", &[curve()], &TimeZone::UTC);
        assert!(text.contains("Oil &lt;inlet&gt; &amp; outlet") && !text.contains("<inlet>"), "{text}");
        assert!(text.starts_with("<?xml") && text.trim_end().ends_with("</svg>"));
        assert_eq!(text.matches("<svg").count(), 1);
        assert!(text.contains("2026-11-25 02:00"));
    }
}
