//! Control charts of a group of statistics: individuals with their moving range, EWMA, CUSUM; as figures, and in words.

use super::statistics::{StatisticsReport, StatisticsRow};
use super::text::span;
use serde::Serialize;
use setward_process::statistics::charted::Charted;
use utoipa::ToSchema;

/// What the charts say. Values and limits are in the unit of the statistics beside them.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ChartRow {
    /// Values that are charted are so far apart, s: far enough to be independent.
    pub every_s: f64,
    /// How many.
    pub count: usize,
    /// Mean: the centre line of the individuals.
    pub centre: f64,
    /// Lower limit of the individuals.
    pub low: f64,
    /// Upper limit of the individuals.
    pub high: f64,
    /// Values beyond these limits.
    pub beyond: usize,
    /// Mean moving range.
    pub mean_range: f64,
    /// Upper limit of the moving range.
    pub range_high: f64,
    /// Moving ranges beyond it.
    pub ranges_beyond: usize,
    /// What EWMA and CUSUM are held against: the setpoint (0, of value less setpoint), or else the mean.
    pub target: f64,
    /// Last value of the EWMA, by a weight of 0.2.
    pub ewma: f64,
    /// Its lower limit there.
    pub ewma_low: f64,
    /// Its upper limit there.
    pub ewma_high: f64,
    /// Values of the EWMA beyond its limits.
    pub ewma_beyond: usize,
    /// Highest sum upward, in decision limits (slack 0.5, decision 5 standard deviations): above 1 is a signal.
    pub cusum_up: f64,
    /// Highest sum downward, in decision limits.
    pub cusum_down: f64,
    /// The value, counted from 1, at which a sum first signalled.
    pub cusum_signal: Option<usize>,
}

impl From<Charted> for ChartRow {
    fn from(found: Charted) -> Self {
        Self {
            every_s: found.every_s,
            count: found.count,
            centre: found.centre,
            low: found.low,
            high: found.high,
            beyond: found.beyond,
            mean_range: found.mean_range,
            range_high: found.range_high,
            ranges_beyond: found.ranges_beyond,
            target: found.target,
            ewma: found.ewma,
            ewma_low: found.ewma_low,
            ewma_high: found.ewma_high,
            ewma_beyond: found.ewma_beyond,
            cusum_up: found.cusum_up,
            cusum_down: found.cusum_down,
            cusum_signal: found.cusum_signal,
        }
    }
}

/// A figure with two decimals; what rounds to nothing has no sign.
fn two(value: f64) -> String {
    let text = format!("{value:.2}");
    text.strip_prefix('-').filter(|text| *text == "0.00").map(str::to_owned).unwrap_or(text)
}

impl ChartRow {
    /// The three charts in three lines.
    fn lines(&self) -> [String; 3] {
        let beyond = |count: usize, of: usize| match count {
            0 => format!("none of {of} beyond"),
            count => format!("{count} of {of} beyond"),
        };
        let sums = match self.cusum_signal {
            Some(at) => format!("signals first at value {at} of {}", self.count),
            None => "no signal".to_owned(),
        };
        [
            format!(
                "individuals {} to {} about {}: {}; moving range up to {}: {}",
                two(self.low),
                two(self.high),
                two(self.centre),
                beyond(self.beyond, self.count),
                two(self.range_high),
                beyond(self.ranges_beyond, self.count.saturating_sub(1))
            ),
            format!(
                "EWMA about {}: now {}, limits {} to {}; {}",
                two(self.target),
                two(self.ewma),
                two(self.ewma_low),
                two(self.ewma_high),
                beyond(self.ewma_beyond, self.count)
            ),
            format!(
                "CUSUM about {}: {sums} (up to {:.1} of its limit upward, {:.1} downward)",
                two(self.target),
                self.cusum_up,
                self.cusum_down
            ),
        ]
    }
}

/// What stands beside the table: the area outside the tolerance, and the charts, group by group.
pub(super) fn lines(report: &StatisticsReport) -> Vec<String> {
    let mut lines = Vec::new();
    for row in report.rows.iter().filter(|row| row.refused.is_none()) {
        lines.push(String::new());
        lines.push(row.group.clone());
        lines.extend(area(row, &report.unit).map(|area| format!("  {area}")));
        match (&row.charts, &row.no_charts_because) {
            (Some(charts), _) => {
                lines.push(format!(
                    "  charts of values {} apart, far enough to be independent:",
                    span(charts.every_s)
                ));
                lines.extend(charts.lines().map(|line| format!("    {line}")));
            }
            (None, Some(why)) => lines.push(format!("  no control charts: {why}")),
            (None, None) => {}
        }
    }
    lines
}

/// "outside the tolerance: 120 K.s below, 0 K.s above".
fn area(row: &StatisticsRow, unit: &str) -> Option<String> {
    let (below, above) = row.area_below.zip(row.area_above)?;
    let unit = match unit {
        "degC" => "K",
        "1" => "",
        other => other,
    };
    let unit = if unit.is_empty() { "s".to_owned() } else { format!("{unit}.s") };
    Some(format!("outside the tolerance: {below:.0} {unit} below, {above:.0} {unit} above"))
}
