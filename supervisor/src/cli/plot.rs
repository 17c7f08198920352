//! One signal over time, drawn with characters: what `setward trend` shows on a terminal. Pure.
//!
//! A column holds what its stretch of time was like: lowest to highest value, and the mean. Where nothing is known nothing is
//! drawn. Meaning is in the character, never in colour.

use super::window::local;
use crate::history::{KnownBand, Stretch};
use jiff::tz::TimeZone;
use setward_protocol::UtcMillis;

/// Lines of one drawing.
const ROWS: usize = 12;
/// Characters before the drawing.
pub(crate) const LEFT: usize = 11;

/// What an axis about a band shows beyond it, in widths of it.
const ABOUT_BAND: f64 = 1.5;

/// What the characters mean.
pub(crate) const LEGEND: &str =
    "● mean  │ lowest to highest  █ outside tolerance  ┄ edge of tolerance  ─ setpoint  × no value";

/// One signal over a window, in columns.
#[derive(Debug, Clone)]
pub(crate) struct Curve {
    pub(crate) tag: String,
    /// For people; empty if the line no longer has the signal.
    pub(crate) name: String,
    pub(crate) unit: String,
    pub(crate) from: UtcMillis,
    pub(crate) to: UtcMillis,
    pub(crate) columns: Vec<Stretch>,
    /// What was asked of the signal, in order of wall time.
    pub(crate) bands: Vec<KnownBand>,
    /// Lowest and highest value of the axis, where it is not to follow the data.
    pub(crate) axis: Option<(f64, f64)>,
}

/// What the recipe asked in a column.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct AskedThen {
    pub(crate) setpoint: Option<f64>,
    pub(crate) tolerance: Option<(f64, f64)>,
}

impl Curve {
    /// The moment at which a column begins.
    pub(crate) fn start(&self, column: usize) -> UtcMillis {
        let length = i128::from(self.to.0 - self.from.0);
        let into = length * column as i128 / self.columns.len().max(1) as i128;
        UtcMillis(self.from.0.saturating_add(i64::try_from(into).unwrap_or(0)))
    }

    /// What was asked in the middle of a column.
    pub(crate) fn asked(&self, column: usize) -> AskedThen {
        let (start, end) = (self.start(column).0, self.start(column + 1).0);
        let middle = start + (end - start) / 2;
        let band = self.bands.iter().rev().find(|band| band.utc.0 <= middle);
        band.map_or_else(AskedThen::default, |band| AskedThen {
            setpoint: band.setpoint,
            tolerance: band.tolerance,
        })
    }

    /// All columns as one.
    pub(crate) fn whole(&self) -> Stretch {
        let mut whole = Stretch::EMPTY;
        self.columns.iter().for_each(|column| whole.merge(column));
        whole
    }

    /// Share of the time, where value and tolerance were known, in which the value was within tolerance.
    pub(crate) fn share_in_band(&self) -> Option<f64> {
        let judged = self.columns.iter().filter_map(|column| Some((column.in_band_s?, column.good_s)));
        let (inside, all) = judged.fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
        (all > 0.0).then(|| inside / all)
    }

    /// Lowest and highest value of the axis: the data, and what was asked, with a little room.
    pub(crate) fn range(&self) -> (f64, f64) {
        if let Some(axis) = self.axis {
            return axis;
        }
        let asked = (0..self.columns.len()).map(|column| self.asked(column));
        let edges = asked.flat_map(|asked| {
            [asked.setpoint, asked.tolerance.map(|band| band.0), asked.tolerance.map(|band| band.1)]
        });
        let data = self.columns.iter().filter(|column| column.samples > 0);
        let values = data.flat_map(|column| [Some(column.min), Some(column.max)]).chain(edges).flatten();
        let (low, high) = values
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        if low > high {
            return (0.0, 1.0);
        }
        let room = ((high - low) * 0.05).max(high.abs().max(1.0) * 1e-3);
        (low - room, high + room)
    }

    /// An axis about what was asked, so that a fryer that stands cold does not make a line of its tolerance; `None` where nothing
    /// was asked.
    pub(crate) fn about_band(&self) -> Option<(f64, f64)> {
        let about = |(low, high): (f64, f64)| {
            let room = ABOUT_BAND * (high - low);
            (low - room, high + room)
        };
        let bands = self.bands.iter().filter_map(|band| band.tolerance).filter(|(low, high)| high > low);
        bands.map(about).reduce(|all, one| (all.0.min(one.0), all.1.max(one.1)))
    }

    /// Tag, name, and the figures of the whole window.
    pub(crate) fn title(&self) -> String {
        let whole = self.whole();
        let head = [self.tag.as_str(), self.name.as_str()].join(" ");
        let Some(mean) = whole.time_weighted_mean().or_else(|| whole.mean()) else {
            return format!("{}: no value in this time", head.trim());
        };
        let decimals = decimals(whole.max - whole.min);
        let unit = &self.unit;
        let mut title = format!(
            "{}: lowest {:.decimals$}, mean {mean:.decimals$}, highest {:.decimals$} {unit}",
            head.trim(),
            whole.min,
            whole.max
        );
        let known = whole.good_s * 1000.0 / (self.to.0 - self.from.0) as f64;
        title.push_str(&format!("; known {} of the time", percent(known)));
        if let Some(share) = self.share_in_band() {
            title.push_str(&format!(", of that within tolerance {}, stops counted too", percent(share)));
        }
        title
    }

    /// The drawing, with its title and its axes.
    pub(crate) fn text(&self, zone: &TimeZone) -> String {
        let (low, high) = self.range();
        let row_of = |value: f64| {
            let share = (high - value) / (high - low);
            ((share * ROWS as f64) as usize).min(ROWS - 1)
        };
        let columns: Vec<Vec<char>> =
            (0..self.columns.len()).map(|column| self.column_cells(column, row_of)).collect();
        let mut text = format!("{}\n", self.title());
        let decimals = decimals((high - low) / ROWS as f64 * 4.0);
        for row in 0..ROWS {
            // A label stands for the middle of its row.
            let value = high - (high - low) * (row as f64 + 0.5) / ROWS as f64;
            let label =
                if row % 3 == 0 || row == ROWS - 1 { format!("{value:.decimals$}") } else { String::new() };
            let cells: String = columns.iter().filter_map(|cells| cells.get(row)).collect();
            text.push_str(&format!("{label:>width$} ┤{}\n", cells.trim_end(), width = LEFT - 2));
        }
        text.push_str(&self.axis(zone));
        text
    }

    fn column_cells(&self, column: usize, row_of: impl Fn(f64) -> usize) -> Vec<char> {
        let mut cells = vec![' '; ROWS];
        let mut put = |row: usize, cell: char| {
            if let Some(place) = cells.get_mut(row) {
                *place = cell;
            }
        };
        let asked = self.asked(column);
        if let Some(setpoint) = asked.setpoint {
            put(row_of(setpoint), '─');
        }
        if let Some((below, above)) = asked.tolerance {
            put(row_of(below), '┄');
            put(row_of(above), '┄');
        }
        let Some(stretch) = self.columns.get(column).filter(|stretch| stretch.samples > 0) else {
            return cells;
        };
        let (first, last) = (row_of(stretch.max), row_of(stretch.min));
        for row in first..=last {
            put(row, '│');
        }
        if let Some(mean) = stretch.mean() {
            put(row_of(mean), '●');
        }
        if let Some((below, above)) = asked.tolerance {
            let highest_inside = row_of(above.min(stretch.max));
            let lowest_inside = row_of(below.max(stretch.min));
            if stretch.max > above {
                (first..=highest_inside.min(last)).for_each(|row| put(row, '█'));
            }
            if stretch.min < below {
                (lowest_inside.max(first)..=last).for_each(|row| put(row, '█'));
            }
        }
        cells
    }

    /// Where readings had no value, then the times.
    fn axis(&self, zone: &TimeZone) -> String {
        let without = |stretch: &Stretch| if stretch.others > 0 { '×' } else { '─' };
        let marks: String = self.columns.iter().map(without).collect();
        let clock = |at: UtcMillis| local(at, zone).get(..16).unwrap_or_default().to_owned();
        let width = self.columns.len();
        let (from, to) = (clock(self.from), clock(self.to));
        let middle = width.saturating_sub(from.len() + to.len());
        let pad = " ".repeat(LEFT - 1);
        format!("{pad}└{marks}\n{pad} {from}{}{to}\n", " ".repeat(middle))
    }
}

/// Digits after the point that tell values of such a range apart.
pub(crate) fn decimals(range: f64) -> usize {
    match range {
        range if range >= 50.0 => 0,
        range if range >= 1.0 => 1,
        range if range >= 0.1 => 2,
        _ => 3,
    }
}

/// A share as percent that never calls nearly all all, or something nothing.
pub(crate) fn percent(share: f64) -> String {
    let percent = (share * 100.0).clamp(0.0, 100.0);
    let shown = (percent * 10.0).round() / 10.0;
    if shown >= 100.0 && percent < 100.0 {
        "over 99.9 %".to_owned()
    } else if shown <= 0.0 && percent > 0.0 {
        "under 0.1 %".to_owned()
    } else {
        format!("{shown} %")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::Uptime;

    fn stretch(min: f64, max: f64, others: u32) -> Stretch {
        Stretch {
            samples: 2,
            others,
            min,
            max,
            sum: min + max,
            integral: (min + max) / 2.0 * 10.0,
            good_s: 10.0,
            in_band_s: Some(5.0),
        }
    }

    fn curve(columns: Vec<Stretch>) -> Curve {
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
            unit: "degC".to_owned(),
            from: UtcMillis(1_795_572_000_000),
            to: UtcMillis(1_795_572_000_000 + columns.len() as i64 * 10_000),
            columns,
            bands: vec![band(0, 182.0), band(1_795_572_000_000 + 20_000, 190.0)],
            axis: None,
        }
    }

    /// The characters of one column, from top to bottom.
    fn cells(curve: &Curve, column: usize) -> String {
        let lines: Vec<String> = curve.text(&TimeZone::UTC).lines().map(str::to_owned).collect();
        let cell = |line: &String| line.chars().nth(LEFT + column).unwrap_or(' ');
        lines.iter().skip(1).take(ROWS).map(cell).collect()
    }

    #[test]
    fn what_lies_outside_the_tolerance_of_its_time_has_its_own_character() {
        let curve = curve(vec![
            stretch(181.0, 183.0, 0),
            stretch(170.0, 182.0, 0),
            stretch(188.0, 192.0, 0),
            stretch(181.0, 183.0, 0),
        ]);
        assert!(!cells(&curve, 0).contains('█') && cells(&curve, 0).contains('●'));
        let fallen = cells(&curve, 1);
        assert!(fallen.trim_end().ends_with('█') && fallen.trim_start().contains('│'), "{fallen:?}");
        assert!(!cells(&curve, 2).contains('█'), "the setpoint went up with it");
        assert!(
            cells(&curve, 3).contains('█'),
            "the same values, but more was asked: {:?}",
            cells(&curve, 3)
        );
    }

    #[test]
    fn a_gap_stays_empty_and_a_reading_without_a_value_is_marked_below() {
        let mut without = Stretch::EMPTY;
        without.others = 3;
        let curve = curve(vec![stretch(181.0, 182.0, 0), Stretch::EMPTY, without, stretch(181.0, 182.0, 1)]);
        assert!(cells(&curve, 1).chars().all(|cell| " ─┄".contains(cell)));
        let text = curve.text(&TimeZone::UTC);
        assert!(text.contains("└──××"), "{text}");
        assert!(text.contains("2026-11-25 02:00"), "{text}");
    }

    #[test]
    fn the_title_says_what_the_window_was_like() {
        let title = curve(vec![stretch(181.0, 183.0, 0), Stretch::EMPTY]).title();
        assert_eq!(
            title,
            "TT-310 Fryer oil inlet: lowest 181.0, mean 182.0, highest 183.0 degC; known 50 % of the time, of that \
             within tolerance 50 %, stops counted too"
        );
        assert!(curve(vec![Stretch::EMPTY]).title().ends_with("no value in this time"));
        assert_eq!([percent(0.99999), percent(1.0), percent(1e-6)], ["over 99.9 %", "100 %", "under 0.1 %"]);
    }

    #[test]
    fn a_line_that_never_moves_and_one_without_values_have_an_axis() {
        for curve in [curve(vec![stretch(0.0, 0.0, 0)]), curve(vec![Stretch::EMPTY])] {
            let (low, high) = Curve { bands: Vec::new(), ..curve }.range();
            assert!(low < high);
        }
    }
}
