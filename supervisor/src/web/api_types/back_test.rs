//! The bodies of back-tests.

use serde::Serialize;
use utoipa::ToSchema;

/// The numbers of an alarm, as its file has them.
#[derive(Serialize, ToSchema)]
#[schema(as = AlarmNumbers)]
pub(in crate::web) struct NumbersBody {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) alarm: String,
    pub(in crate::web) kind: &'static str,
    /// Id of the table that makes it: several alarms may come of one.
    pub(in crate::web) table: String,
    pub(in crate::web) numbers: Vec<NumberBody>,
}

/// One of them.
#[derive(Serialize, ToSchema)]
#[schema(as = AlarmNumber)]
pub(in crate::web) struct NumberBody {
    pub(in crate::web) key: &'static str,
    /// As it is written, with its unit; empty: not written.
    pub(in crate::web) value: String,
    pub(in crate::web) label: &'static str,
    pub(in crate::web) accepts: &'static str,
}

/// Every back-test that is kept, newest first.
#[derive(Serialize, ToSchema)]
#[schema(as = BackTests)]
pub(in crate::web) struct BackTestsBody {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) back_tests: Vec<BackTestHead>,
}

/// One that was begun.
#[derive(Serialize, ToSchema)]
#[schema(as = BackTestBegun)]
pub(in crate::web) struct BegunBody {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) n: u32,
}

/// A back-test, and how far it is.
#[derive(Serialize, ToSchema)]
#[schema(as = BackTestHead)]
pub(in crate::web) struct BackTestHead {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) n: u32,
    pub(in crate::web) alarm: String,
    pub(in crate::web) by: String,
    /// When it was begun.
    pub(in crate::web) at: String,
    /// Beginning of what it looks at: of what history held, once it is done.
    pub(in crate::web) from: String,
    pub(in crate::web) to: String,
    pub(in crate::web) changed: Vec<ChangedBody>,
    /// running, done or failed.
    pub(in crate::web) state: &'static str,
    pub(in crate::web) problem: Option<String>,
    pub(in crate::web) percent: u32,
}

/// A number that is tried.
#[derive(Serialize, ToSchema)]
#[schema(as = NumberChanged)]
pub(in crate::web) struct ChangedBody {
    pub(in crate::web) key: &'static str,
    /// As it stands; empty: not written.
    pub(in crate::web) old: String,
    /// As it would be; empty: not written.
    pub(in crate::web) new: String,
}

/// A back-test, with what it found once it is done.
#[derive(Serialize, ToSchema)]
#[schema(as = BackTest)]
pub(in crate::web) struct BackTestFullBody {
    #[serde(flatten)]
    pub(in crate::web) head: BackTestHead,
    /// Alarms of the changed table.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) alarms: Option<Vec<AlarmOutcomeBody>>,
    /// Every other alarm that would change.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) other_alarms: Option<Vec<AlarmOutcomeBody>>,
    /// Readings that were fed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) readings: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) took_s: Option<f64>,
    /// The changed table as text, to be reviewed: nothing is written by the program.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(in crate::web) proposal: Option<String>,
}

/// One alarm, as it is now and with the other numbers.
#[derive(Serialize, ToSchema)]
#[schema(as = BackTestAlarm)]
pub(in crate::web) struct AlarmOutcomeBody {
    pub(in crate::web) alarm: String,
    pub(in crate::web) calls_now: usize,
    pub(in crate::web) calls_with: usize,
    pub(in crate::web) missed: usize,
    pub(in crate::web) added: usize,
    /// Calls just before the readings end: whether the other would call too is not seen.
    pub(in crate::web) undecided: usize,
    pub(in crate::web) longer: usize,
    pub(in crate::web) shorter: usize,
    pub(in crate::web) stands_now_s: f64,
    pub(in crate::web) stands_with_s: f64,
    /// Null without a weigher.
    pub(in crate::web) at_risk_now: Option<AtRiskBody>,
    pub(in crate::web) at_risk_with: Option<AtRiskBody>,
    pub(in crate::web) by_shift_and_recipe: Vec<TurnBody>,
    pub(in crate::web) occurrences: Vec<ComparedBody>,
}

/// Kilograms that were fed while a trouble stood.
#[derive(Serialize, ToSchema)]
#[schema(as = AtRisk)]
pub(in crate::web) struct AtRiskBody {
    /// From onset to return.
    pub(in crate::web) touched_kg: f64,
    /// Of these, until somebody was called.
    pub(in crate::web) before_call_kg: f64,
    /// Time in which the rate is not known: kilograms are at least what is said.
    pub(in crate::web) unknown_s: f64,
}

/// The calls of one shift and recipe.
#[derive(Serialize, ToSchema)]
#[schema(as = BackTestTurn)]
pub(in crate::web) struct TurnBody {
    /// Null on a line that names no shifts.
    pub(in crate::web) shift: Option<String>,
    pub(in crate::web) recipe: String,
    pub(in crate::web) calls_now: usize,
    pub(in crate::web) calls_with: usize,
    pub(in crate::web) missed: usize,
    pub(in crate::web) added: usize,
    /// Calls just before the readings end: whether the other would call too is not seen.
    pub(in crate::web) undecided: usize,
    pub(in crate::web) at_risk_now: Option<AtRiskBody>,
    pub(in crate::web) at_risk_with: Option<AtRiskBody>,
}

/// One trouble, as it is now and with the other numbers.
#[derive(Serialize, ToSchema)]
#[schema(as = BackTestOccurrence)]
pub(in crate::web) struct ComparedBody {
    /// same, missed, added, undecided, longer or shorter.
    pub(in crate::web) change: &'static str,
    /// Null: nobody is called.
    pub(in crate::web) now: Option<OccurrenceTimesBody>,
    /// Null: nobody would be called.
    pub(in crate::web) with: Option<OccurrenceTimesBody>,
    /// How much later it would call.
    pub(in crate::web) later_s: Option<f64>,
}

/// When a trouble began, called, and was over.
#[derive(Serialize, ToSchema)]
#[schema(as = OccurrenceTimes)]
pub(in crate::web) struct OccurrenceTimesBody {
    pub(in crate::web) onset: String,
    pub(in crate::web) raised: String,
    /// Null while it goes on.
    pub(in crate::web) cleared: Option<String>,
}
