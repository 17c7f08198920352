//! Statistics as they are given to programs.

use super::charts::ChartRow;
use serde::Serialize;
use utoipa::ToSchema;

/// Statistics over a window.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StatisticsReport {
    /// Version of this object.
    pub schema_version: u32,
    /// The line.
    pub line: String,
    /// The signal.
    pub signal: String,
    /// Its name.
    pub name: String,
    /// Its unit; deviations are in that of its differences.
    pub unit: String,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End, RFC 3339.
    pub to: String,
    /// One row a group.
    pub rows: Vec<StatisticsRow>,
    /// The window held against another one.
    pub compared: Option<Comparison>,
}

/// Statistics of one group. Areas are in the unit of differences times seconds.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StatisticsRow {
    /// Which: a shift, a day, a recipe, a batch.
    pub group: String,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End, RFC 3339.
    pub to: String,
    /// Why there is nothing to tell; the rest is empty then.
    pub refused: Option<String>,
    /// Figures are of value less setpoint.
    pub is_deviation: bool,
    /// How long it ran with a good value, s.
    pub known_s: f64,
    /// How long it ran without, s.
    pub unknown_s: f64,
    /// Mean by time.
    pub mean: Option<f64>,
    /// Standard deviation by time.
    pub standard_deviation: Option<f64>,
    /// Lowest.
    pub lowest: Option<f64>,
    /// Highest.
    pub highest: Option<f64>,
    /// Share of the known time within the tolerance, %.
    pub in_tolerance_percent: Option<f64>,
    /// How far below the tolerance by how long.
    pub area_below: Option<f64>,
    /// How far above the tolerance by how long.
    pub area_above: Option<f64>,
    /// Values that the figures below stand on, taken `every_s` apart.
    pub count: Option<usize>,
    /// Their interval, s.
    pub every_s: f64,
    /// Correlation of each with the next.
    pub first_lag_autocorrelation: Option<f64>,
    /// Independent values that they are worth.
    pub effective_count: Option<f64>,
    /// By the overall standard deviation.
    pub ppk: Option<f64>,
    /// 95 % interval of Ppk.
    pub ppk_interval: Option<(f64, f64)>,
    /// Why there is no Ppk.
    pub no_ppk_because: Option<String>,
    /// By the standard deviation within.
    pub cpk: Option<f64>,
    /// Why there is no Cpk.
    pub no_cpk_because: Option<String>,
    /// Individuals and moving range, EWMA, CUSUM.
    pub charts: Option<ChartRow>,
    /// Why there are none.
    pub no_charts_because: Option<String>,
}

/// Two windows held against each other.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Comparison {
    /// The other window, RFC 3339.
    pub other_from: String,
    /// Its end, RFC 3339.
    pub other_to: String,
    /// Why they can't be compared; the rest is empty then.
    pub refused: Option<String>,
    /// Mean of this window less that of the other.
    pub difference: Option<f64>,
    /// It is at least this, with 95 %.
    pub least: Option<f64>,
    /// It is at most this, with 95 %.
    pub most: Option<f64>,
    /// In words.
    pub finding: Option<String>,
}
