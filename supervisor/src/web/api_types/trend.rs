//! The body of a trend: columns of every signal, and what happened meanwhile.

use crate::web::trends::samples::Sample;
use serde::Serialize;
use utoipa::ToSchema;

/// Signals over time. With `parts=panes`, the columns and stops alone: alarms, recipes, batches, notes and samples are left out.
#[derive(Serialize, ToSchema)]
#[schema(as = Trend)]
pub(in crate::web) struct TrendBody {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) line: String,
    pub(in crate::web) simulated: bool,
    pub(in crate::web) time_zone: String,
    pub(in crate::web) from: String,
    pub(in crate::web) to: String,
    /// Where the stretch begins that this one is held against.
    pub(in crate::web) against_from: Option<String>,
    /// How many columns every signal has.
    pub(in crate::web) columns: usize,
    pub(in crate::web) column_s: f64,
    pub(in crate::web) signals: Vec<TrendSignalBody>,
    /// What happened before is not known here: there were too many events since.
    pub(in crate::web) events_known_from: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) alarms: Option<Vec<TrendAlarmBody>>,
    /// Alarms that called too, and are not listed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) alarms_left_out: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) recipes: Option<Vec<TrendLaneBody>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) batches: Option<Vec<TrendLaneBody>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) notes: Option<Vec<TrendNoteBody>>,
    /// What people entered, when its product was at these stations.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) samples: Option<Vec<Sample>>,
}

/// One signal: its columns, and what was asked of it.
#[derive(Serialize, ToSchema)]
#[schema(as = TrendSignal)]
pub(in crate::web) struct TrendSignalBody {
    pub(in crate::web) tag: String,
    pub(in crate::web) name: String,
    pub(in crate::web) station: String,
    pub(in crate::web) unit: &'static str,
    pub(in crate::web) decimals: u8,
    /// What the columns are made from: readings, minutes or hours.
    pub(in crate::web) made_from: &'static str,
    /// Columns with values so far apart at most are joined by a line.
    pub(in crate::web) joined_columns: usize,
    /// Share of the time with good values that lay within tolerance, stops and starts counted too. `/reports/statistics` tells the
    /// share of the time in which the station ran.
    pub(in crate::web) in_tolerance_with_stops_percent: Option<f64>,
    /// Blocks of history that could not be read.
    pub(in crate::web) unreadable_blocks: u32,
    /// Setpoint and tolerance, each from a moment until the next.
    pub(in crate::web) asked: Vec<TrendAskedBody>,
    /// When its station did not make product, and what it did instead.
    pub(in crate::web) not_running: Vec<TrendBarBody>,
    /// The same signal over the stretch that this one is held against.
    pub(in crate::web) against: Option<TrendColumnsBody>,
    #[serde(flatten)]
    pub(in crate::web) columns: TrendColumnsBody,
}

/// A value for each column, in the signal's unit; null where there is none.
#[derive(Serialize, ToSchema)]
#[schema(as = TrendColumns)]
pub(in crate::web) struct TrendColumnsBody {
    pub(in crate::web) lowest: Vec<Option<f64>>,
    pub(in crate::web) highest: Vec<Option<f64>>,
    pub(in crate::web) mean: Vec<Option<f64>>,
    /// One letter a column for what it stands on: g good values, d doubtful ones, m values and readings without one, b readings
    /// without a value, - nothing.
    pub(in crate::web) quality: String,
}

/// What the recipe in force asked, in the signal's unit.
#[derive(Serialize, ToSchema)]
#[schema(as = TrendAsked)]
pub(in crate::web) struct TrendAskedBody {
    pub(in crate::web) from: String,
    pub(in crate::web) setpoint: Option<f64>,
    /// Lowest value within tolerance.
    pub(in crate::web) low: Option<f64>,
    /// Highest value within tolerance.
    pub(in crate::web) high: Option<f64>,
}

/// Something that held from when to when, cut to the stretch.
#[derive(Serialize, ToSchema)]
#[schema(as = TrendBar)]
pub(in crate::web) struct TrendBarBody {
    pub(in crate::web) from: String,
    pub(in crate::web) to: String,
    pub(in crate::web) text: String,
}

/// Such things of one kind.
#[derive(Serialize, ToSchema)]
#[schema(as = TrendLane)]
pub(in crate::web) struct TrendLaneBody {
    pub(in crate::web) name: String,
    pub(in crate::web) bars: Vec<TrendBarBody>,
}

/// The calls of one alarm.
#[derive(Serialize, ToSchema)]
#[schema(as = TrendAlarm)]
pub(in crate::web) struct TrendAlarmBody {
    pub(in crate::web) alarm: String,
    pub(in crate::web) name: String,
    pub(in crate::web) priority: &'static str,
    pub(in crate::web) stood: Vec<TrendCallBody>,
}

/// When it stood.
#[derive(Serialize, ToSchema)]
#[schema(as = TrendCall)]
pub(in crate::web) struct TrendCallBody {
    pub(in crate::web) from: String,
    /// Null while it stands.
    pub(in crate::web) to: Option<String>,
}

/// A note pinned to a stretch of time.
#[derive(Serialize, ToSchema)]
#[schema(as = TrendNote)]
pub(in crate::web) struct TrendNoteBody {
    pub(in crate::web) n: i64,
    pub(in crate::web) from: String,
    pub(in crate::web) to: String,
    /// The signals that were on the page.
    pub(in crate::web) signals: Vec<String>,
    pub(in crate::web) text: String,
    pub(in crate::web) by: String,
    pub(in crate::web) at: String,
}
