//! Figures beside what users of the alarm standard aim at, and whether there is enough to judge them by.

use serde::Serialize;
use setward_alarm::metrics::targets;
use utoipa::ToSchema;

/// So much watched time is wanted before an average is judged, days.
pub const DAYS_WANTED: f64 = 30.0;
/// So many calls are wanted before a share of them is judged.
pub const CALLS_WANTED: usize = 100;

/// How a figure stands to its aim.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// As it should be.
    Met,
    /// Not as it should be.
    NotMet,
    /// There is too little to say.
    TooFew,
}

impl Verdict {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Met => "met",
            Self::NotMet => "not met",
            Self::TooFew => "too few to judge",
        }
    }
}

/// One figure.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Figure {
    /// A stable word.
    pub key: &'static str,
    /// What it is.
    pub title: &'static str,
    /// What was found; `None` if it can't be said at all.
    pub found: Option<f64>,
    /// What it should not exceed.
    pub at_most: f64,
    /// How it stands.
    pub verdict: Verdict,
}

/// What the figures are made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// How long was watched, s.
    pub watched_s: f64,
    /// Whole ten-minute intervals.
    pub intervals: u32,
    /// Mean of such an interval.
    pub mean: f64,
    /// Most in such an interval.
    pub peak_fixed: u32,
    /// Most in any ten minutes.
    pub peak_sliding: usize,
    /// Intervals with more than ten.
    pub crowded: u32,
    /// Time in flood, s.
    pub flood_s: f64,
    /// Calls whose priority is known.
    pub calls: usize,
    /// Share of the ten most frequent alarms, if it says anything.
    pub top_ten: Option<f64>,
    /// Alarms that chattered.
    pub chattering: usize,
    /// Fleeting calls.
    pub fleeting: usize,
    /// Most stale alarms on any day.
    pub stale: usize,
    /// Shares of low, medium and high priority.
    pub priorities: [f64; 3],
}

/// Every figure. An average is judged when enough was watched; a single bad case is one however little was.
#[must_use]
pub fn figures(found: &Found) -> Vec<Figure> {
    let mut all = Vec::from(load(found));
    all.extend(nuisances(found));
    all.extend(shares(found));
    all
}

fn load(found: &Found) -> [Figure; 5] {
    let most = f64::from(targets::IN_ANY_TEN_MINUTES);
    let intervals = f64::from(found.intervals);
    let mean = (found.intervals > 0).then_some(found.mean);
    let crowded = share(f64::from(found.crowded), intervals);
    let flood = share(found.flood_s, found.watched_s);
    let enough = found.enough_time();
    [
        average(("per_ten_minutes_mean", "calls in 10 min, mean"), mean, targets::PER_TEN_MINUTES, enough),
        worst(
            ("in_fixed_ten_minutes_most", "calls in 10 min by the clock, most"),
            f64::from(found.peak_fixed),
            most,
            enough,
        ),
        worst(
            ("in_any_ten_minutes_most", "calls in any 10 min, most"),
            found.peak_sliding as f64,
            most,
            enough,
        ),
        average(
            ("crowded_intervals_share", "share of 10 min with more than 10 calls"),
            crowded,
            targets::CROWDED_INTERVALS,
            enough,
        ),
        average(("flood_share", "share of the time in flood"), flood, targets::TIME_IN_FLOOD, enough),
    ]
}

fn nuisances(found: &Found) -> [Figure; 3] {
    let none = f64::from(targets::NUISANCES);
    let stale = f64::from(targets::STALE - 1);
    let enough = found.enough_time();
    [
        worst(("chattering_alarms", "alarms that chattered"), found.chattering as f64, none, enough),
        worst(
            ("fleeting_calls", "calls that went by themselves at once"),
            found.fleeting as f64,
            none,
            enough,
        ),
        worst(("stale_alarms_most", "stale alarms on any day, most"), found.stale as f64, stale, enough),
    ]
}

fn shares(found: &Found) -> [Figure; 3] {
    let [low, _, high] = targets::PRIORITIES;
    let [_, medium_found, high_found] = found.priorities;
    let of_calls = |value: f64| (found.calls > 0).then_some(value);
    let enough = found.calls >= CALLS_WANTED;
    let top = ("top_ten_share", "share of the ten most frequent alarms");
    let loud = ("medium_and_high_share", "share of medium and high priority");
    let loudest = ("high_share", "share of high priority");
    [
        average(top, found.top_ten, targets::TOP_TEN, enough),
        average(loud, of_calls(medium_found + high_found), 1.0 - low, enough),
        average(loudest, of_calls(high_found), high, enough),
    ]
}

impl Found {
    fn enough_time(&self) -> bool {
        self.watched_s >= DAYS_WANTED * 86_400.0
    }
}

fn share(part: f64, whole: f64) -> Option<f64> {
    (whole > 0.0).then(|| part / whole)
}

type Name = (&'static str, &'static str);

/// What only many cases tell.
fn average((key, title): Name, found: Option<f64>, at_most: f64, enough: bool) -> Figure {
    let verdict = match found {
        Some(value) if enough => verdict(value <= at_most),
        Some(_) | None => Verdict::TooFew,
    };
    Figure { key, title, found, at_most, verdict }
}

/// What one case tells, if it is a bad one.
fn worst((key, title): Name, found: f64, at_most: f64, enough: bool) -> Figure {
    let verdict = match (found <= at_most, enough) {
        (false, _) => Verdict::NotMet,
        (true, true) => Verdict::Met,
        (true, false) => Verdict::TooFew,
    };
    Figure { key, title, found: Some(found), at_most, verdict }
}

const fn verdict(is_met: bool) -> Verdict {
    if is_met { Verdict::Met } else { Verdict::NotMet }
}
