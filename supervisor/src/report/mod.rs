//! The alarm report: how well the alarms serve the person who hears them, and how long each could not have fired.
//!
//! Pure over kept events, but for `actions.rs`, which asks history whether anybody did anything. Figures are defined in
//! `setward_alarm::metrics`; aims are those openly restated from the alarm standard, which itself was not read.

pub mod actions;
pub mod axis;
pub mod batch;
mod batch_record;
pub mod batch_text;
pub mod calls;
pub mod charts;
pub mod closures;
pub mod corn;
pub mod entered;
pub mod figures;
pub mod hold_window;
pub mod holds;
pub mod keeper;
pub mod latitude;
pub mod ledger;
pub mod loops;
mod loops_text;
pub mod lot_review;
pub mod lots;
pub mod made;
mod product_text;
pub mod recent;
pub mod review;
mod review_alarms;
pub mod shift;
pub mod shifts;
pub mod statistics;
pub(crate) mod statistics_recipes;
mod statistics_rows;
pub mod stops;
pub mod tables;
pub mod text;
mod weighing;

use crate::history::{HistoryError, HistoryStore, Span, StoredEvent};
use figures::{Figure, Found, figures};
use jiff::Timestamp;
use ledger::{BlindAlarm, BlindDay, Ledger};
use serde::Serialize;
use setward_alarm::AlarmId;
use setward_alarm::metrics::{
    Annunciation, Flood, Outage, bin_rates, chatter_index, chatters, delays, floods, is_fleeting, is_stale,
    peak, split, top_ten,
};
use setward_config::line::{Line, Priority};
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;
use std::time::Duration;
use utoipa::ToSchema;

/// Events that are looked at, the newest: years of a calm line.
pub const EVENTS_MAX: usize = 1_000_000;
const DAY_MS: i64 = 86_400_000;

/// A report.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct AlarmReport {
    /// Version of this object.
    pub schema_version: u32,
    /// The line.
    pub line: String,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End, RFC 3339.
    pub to: String,
    /// How long the window is, s.
    pub window_s: f64,
    /// How long the program ran in it, s.
    pub running_s: f64,
    /// Calls: raises and re-alarms while nothing kept the alarm silent.
    pub calls: usize,
    /// Median and 95th percentile of the clock's ten-minute intervals.
    pub per_ten_minutes_median: u32,
    /// See above.
    pub per_ten_minutes_95th_percentile: u32,
    /// Figures beside their aims.
    pub figures: Vec<Figure>,
    /// Times with more calls than a person can handle.
    pub floods: Vec<FloodRow>,
    /// Calls by priority: low, medium, high. Those of alarms that the files no longer have are in none.
    pub by_priority: [u32; 3],
    /// Alarms that called and that the files no longer have, most first: their calls are counted like all others, their priority
    /// is not known.
    pub no_longer_in_files: Vec<CountRow>,
    /// The ten most frequent alarms.
    pub most_frequent: Vec<CountRow>,
    /// Every alarm that called, most first: together all calls.
    pub calls_by_alarm: Vec<CountRow>,
    /// Alarms that chattered or were fleeting.
    pub nuisances: Vec<NuisanceRow>,
    /// Alarms that stood for more than a day.
    pub stale: Vec<StaleRow>,
    /// How long acknowledgements took.
    pub acknowledgement: Option<DelayRow>,
    /// Acknowledged and cleared without anybody touching a setpoint, a mode or the line's state; by alarm.
    pub without_action: Vec<ActionRow>,
    /// How long the ledger watched, s.
    pub ledger_watched_s: f64,
    /// How long each alarm could not have fired.
    pub could_not_have_fired: Vec<BlindAlarm>,
    /// The same by day of the plant.
    pub days: BTreeMap<String, BlindDay>,
}

/// A flood, as far as it lies in the window and the program ran.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct FloodRow {
    /// Its beginning, RFC 3339.
    pub from: String,
    /// How long it lasted, s.
    pub length_s: f64,
    /// Calls in it.
    pub calls: usize,
}

/// An alarm and how often it called.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CountRow {
    /// The alarm.
    pub alarm: String,
    /// Calls.
    pub calls: u32,
}

/// An alarm that wears people out.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct NuisanceRow {
    /// The alarm.
    pub alarm: String,
    /// Whether three calls came within a minute.
    pub chattered: bool,
    /// Highest chatter index of any day, a second.
    pub chatter_index_per_s: Option<f64>,
    /// Calls that went by themselves at once.
    pub fleeting: usize,
}

/// An alarm that stood for more than a day.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StaleRow {
    /// The alarm.
    pub alarm: String,
    /// Since when, RFC 3339.
    pub since: String,
    /// How long, up to its end or that of the window, s.
    pub stood_s: f64,
}

/// How long acknowledgements took.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct DelayRow {
    /// Calls that were acknowledged.
    pub acknowledged: usize,
    /// Those that were not.
    pub waiting: usize,
    /// Half took no longer than this, s.
    pub median_s: f64,
    /// 19 of 20 took no longer than this, s.
    pub percentile_95_s: f64,
    /// The longest, s.
    pub longest_s: f64,
}

/// What followed from the calls of an alarm that were acknowledged and have cleared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ActionRow {
    /// The alarm.
    pub alarm: String,
    /// Such calls that could be looked at.
    pub looked_at: usize,
    /// Those after which nobody touched anything.
    pub without_action: usize,
}

/// The report over `span`, from what `store` holds; `known_until`: the last that is known of a run that goes on.
///
/// # Errors
/// When history can't be read.
pub async fn alarm_report(
    line: &Line,
    store: &dyn HistoryStore,
    span: Span,
    known_until: UtcMillis,
) -> Result<AlarmReport, HistoryError> {
    let mut events = recent::events_for(line, store, span.from()).await?;
    events.retain(|stored| stored.event.utc < span.to());
    let calls = calls::calls(line, &events);
    let acted = actions::acted(line, store, &events, &in_span(&calls, span)).await?;
    Ok(report(line, &events, &acted, span, known_until))
}

fn in_span(calls: &[Annunciation], span: Span) -> Vec<Annunciation> {
    calls.iter().filter(|call| span.contains(call.at)).copied().collect()
}

/// The report over `span`. `acted` says of each call in it whether somebody did something, as far as is known.
#[must_use]
pub fn report(
    line: &Line,
    events: &[StoredEvent],
    acted: &[Option<bool>],
    span: Span,
    known_until: UtcMillis,
) -> AlarmReport {
    let (heard, removed) = calls::with_removed(line, events);
    let names = Names { line, removed: &removed };
    let all: Vec<Annunciation> = heard.iter().filter(|call| names.is_in_files(call.alarm)).copied().collect();
    let calls = in_span(&heard, span);
    let outages = calls::outages(events, span, known_until);
    let dark_ms: i64 = outages.iter().map(|outage| outage.to.0 - outage.from.0).sum();
    let running_s = (span.length_ms() - dark_ms) as f64 / 1000.0;
    let rates = bin_rates(&calls, span.from(), span.to(), &outages);
    let floods = flood_rows(&heard, span, &outages);
    let mut counts = vec![0; line.alarms.len() + removed.len()];
    let top = top_ten(&calls, &mut counts);
    let nuisances = nuisances(names, &calls, span);
    let stale = stale(line, &all, span);
    let by_priority: [u32; 3] = split(&calls, |alarm| priority_place(line, alarm));
    let known_calls: u32 = by_priority.iter().sum();
    let found = Found {
        watched_s: running_s,
        intervals: rates.intervals,
        mean: rates.mean,
        peak_fixed: rates.peak,
        peak_sliding: peak(&calls),
        crowded: rates.crowded,
        // A sum of nothing is -0.0.
        flood_s: floods.iter().map(|flood| flood.length_s).sum::<f64>() + 0.0,
        calls: known_calls as usize,
        top_ten: top.share,
        chattering: nuisances.iter().filter(|row| row.chattered).count(),
        fleeting: nuisances.iter().map(|row| row.fleeting).sum(),
        stale: stale_at_once(&all, span),
        priorities: by_priority.map(|count| f64::from(count) / f64::from(known_calls.max(1))),
    };
    let ledger = Ledger::of(events, span);
    AlarmReport {
        schema_version: 1,
        line: line.name.clone(),
        from: rfc3339(span.from()),
        to: rfc3339(span.to()),
        window_s: span.length_ms() as f64 / 1000.0,
        running_s,
        calls: calls.len(),
        per_ten_minutes_median: rates.median,
        per_ten_minutes_95th_percentile: rates.percentile_95,
        figures: figures(&found),
        floods,
        by_priority,
        no_longer_in_files: calls_by_alarm(names, &counts, line.alarms.len()),
        most_frequent: top.alarms.iter().map(|(alarm, calls)| names.count_row(*alarm, *calls)).collect(),
        calls_by_alarm: calls_by_alarm(names, &counts, 0),
        nuisances,
        stale,
        acknowledgement: delay_row(&calls),
        without_action: action_rows(line, &in_span(&all, span), acted),
        ledger_watched_s: ledger.watched_s,
        could_not_have_fired: ledger.alarms(line),
        days: ledger.days,
    }
}

pub(crate) fn rfc3339(at: UtcMillis) -> String {
    Timestamp::from_millisecond(at.0).unwrap_or_default().to_string()
}

/// Station and beginning of a stop, "fryer@2026-11-25T02:10:00Z".
pub(crate) fn named_about(about: &str) -> Option<(&str, UtcMillis)> {
    let (name, at) = about.split_once('@')?;
    Some((name, UtcMillis(at.parse::<Timestamp>().ok()?.as_millisecond())))
}

/// Floods of all that was heard, also before the window: one may be under way when it begins. Each is cut to the window, and
/// time in which no program ran is no time in flood.
fn flood_rows(heard: &[Annunciation], span: Span, dark: &[Outage]) -> Vec<FloodRow> {
    let until = heard.partition_point(|call| call.at < span.to());
    let heard = heard.get(..until).unwrap_or_default();
    let row = |flood: Flood| {
        let (from, to) = (flood.from.max(span.from()), flood.to.min(span.to()));
        let within = |outage: &Outage| (outage.to.min(to).0 - outage.from.max(from).0).max(0);
        let lasted_ms = to.0 - from.0 - dark.iter().map(within).sum::<i64>();
        let since = |call: &&Annunciation| from <= call.at && call.at <= to;
        let calls = if from == flood.from { flood.annunciations } else { heard.iter().filter(since).count() };
        let length_s = lasted_ms as f64 / 1000.0;
        (lasted_ms > 0).then(|| FloodRow { from: rfc3339(from), length_s, calls })
    };
    floods(heard).filter_map(row).collect()
}

/// Ids of alarms, also of those that the files no longer have, which are numbered behind the line's.
#[derive(Clone, Copy)]
struct Names<'a> {
    line: &'a Line,
    removed: &'a [String],
}

impl Names<'_> {
    const fn is_in_files(self, alarm: AlarmId) -> bool {
        alarm.index() < self.line.alarms.len()
    }

    fn id(self, alarm: AlarmId) -> String {
        let known = self.line.alarms.get(alarm.index()).map(|known| &known.id);
        let removed = || self.removed.get(alarm.index() - self.line.alarms.len());
        known.or_else(removed).cloned().unwrap_or_default()
    }

    fn count_row(self, alarm: AlarmId, calls: u32) -> CountRow {
        CountRow { alarm: self.id(alarm), calls }
    }
}

/// Every alarm from a number on that called, most first; equal ones in the order of the files.
fn calls_by_alarm(names: Names<'_>, counts: &[u32], first: usize) -> Vec<CountRow> {
    let called = (0..=u16::MAX).map(AlarmId).zip(counts).skip(first).filter(|(_, count)| **count > 0);
    let mut rows: Vec<CountRow> = called.map(|(id, count)| names.count_row(id, *count)).collect();
    rows.sort_by_key(|row| std::cmp::Reverse(row.calls));
    rows
}

fn priority_place(line: &Line, alarm: AlarmId) -> Option<usize> {
    Some(match line.alarms.get(alarm.index())?.priority {
        Priority::Low => 0,
        Priority::Medium => 1,
        Priority::High => 2,
    })
}

fn nuisances(names: Names<'_>, calls: &[Annunciation], span: Span) -> Vec<NuisanceRow> {
    let mut rows = Vec::new();
    for id in (0..=u16::MAX).map(AlarmId).take(names.line.alarms.len() + names.removed.len()) {
        let own = calls::of_one(calls, id);
        // How long the response to one that is gone would have taken nobody knows: ten seconds bound it.
        let known = names.line.alarms.get(id.index());
        let time_to_respond = known.map_or(Duration::MAX, |alarm| alarm.time_to_respond);
        let fleeting = own.iter().filter(|call| is_fleeting(call, time_to_respond)).count();
        let chattered = chatters(&own);
        if chattered || fleeting > 0 {
            let chatter_index_per_s = worst_day(&own, span);
            rows.push(NuisanceRow { alarm: names.id(id), chattered, chatter_index_per_s, fleeting });
        }
    }
    rows
}

/// The highest chatter index of any 24 hours from the beginning on: one burst in a month must not be averaged away.
fn worst_day(own: &[Annunciation], span: Span) -> Option<f64> {
    let day = |call: &Annunciation| (call.at.0 - span.from().0).div_euclid(DAY_MS);
    own.chunk_by(|a, b| day(a) == day(b)).filter_map(chatter_index).max_by(f64::total_cmp)
}

/// What stood for more than a day, and still did at some time in the window.
fn stale(line: &Line, all: &[Annunciation], span: Span) -> Vec<StaleRow> {
    let still = |call: &&Annunciation| call.cleared.is_none_or(|cleared| cleared >= span.from());
    let mut rows = Vec::new();
    for call in standing_calls(all).iter().filter(still).filter(|call| is_stale(call, span.to())) {
        let end = call.cleared.unwrap_or(span.to());
        rows.push(StaleRow {
            alarm: line.alarm(call.alarm).id.clone(),
            since: rfc3339(call.at),
            stood_s: (end.0 - call.at.0) as f64 / 1000.0,
        });
    }
    rows
}

/// Of calls of one alarm that follow each other without a clear between (re-alarms), the first stands for all.
fn standing_calls(all: &[Annunciation]) -> Vec<Annunciation> {
    let mut first: BTreeMap<AlarmId, Annunciation> = BTreeMap::new();
    let mut standing = Vec::new();
    for call in all {
        let since = first.get(&call.alarm).map_or(call.at, |first| first.at);
        if call.cleared.is_some() {
            first.remove(&call.alarm);
            standing.push(Annunciation { at: since, ..*call });
        } else {
            first.entry(call.alarm).or_insert(*call);
        }
    }
    standing.extend(first.into_values());
    standing
}

/// Most alarms that were stale at the same time, looked at once a day.
fn stale_at_once(all: &[Annunciation], span: Span) -> usize {
    let standing = standing_calls(all);
    let looks =
        (0..).map(|day| span.from().0.saturating_add(day * DAY_MS)).take_while(|at| *at < span.to().0);
    let at = |now: i64| {
        let stands = |call: &&Annunciation| call.cleared.is_none_or(|cleared| cleared.0 > now);
        standing.iter().filter(stands).filter(|call| is_stale(call, UtcMillis(now))).count()
    };
    looks.chain([span.to().0]).map(at).max().unwrap_or(0)
}

fn delay_row(calls: &[Annunciation]) -> Option<DelayRow> {
    let found = delays(calls, &mut vec![0; calls.len()])?;
    Some(DelayRow {
        acknowledged: found.acknowledged,
        waiting: found.waiting,
        median_s: found.median_s,
        percentile_95_s: found.percentile_95_s,
        longest_s: found.longest_s,
    })
}

fn action_rows(line: &Line, calls: &[Annunciation], acted: &[Option<bool>]) -> Vec<ActionRow> {
    let mut rows: BTreeMap<AlarmId, ActionRow> = BTreeMap::new();
    for (call, acted) in calls.iter().zip(acted) {
        let Some(acted) = acted else { continue };
        let row = rows.entry(call.alarm).or_insert_with(|| ActionRow {
            alarm: line.alarm(call.alarm).id.clone(),
            looked_at: 0,
            without_action: 0,
        });
        row.looked_at += 1;
        row.without_action += usize::from(!acted);
    }
    rows.into_values().collect()
}

#[cfg(test)]
#[path = "tests.rs"]
mod tests;

#[cfg(test)]
mod records_tests;
