//! What people entered, on one axis with what was measured: each sample is drawn when its product was at the station that the
//! trend is of. From where it was taken it is traced back through belts, by their measured speed, and delays, from least to
//! most; so each has a spread. A sample of the station itself is drawn when it was taken.

use super::Asked;
use super::read::{Bar, Lane, in_time};
use crate::history::export::{quote, safe};
use crate::history::{ExactSample, HistoryError, HistoryStore, StoredEntry};
use crate::report::axis::{self, Axis};
use crate::web::times::rfc3339;
use crate::web::words;
use serde::Serialize;
use setward_config::line::{EntryKind, Line, LineEntry, StationId};
use setward_process::series::{Span as Stretch, Steps};
use setward_process::windows::{Belt, Delay, Step, trace_back};
use setward_protocol::{SignalId, Unit, UtcMillis};
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;
use utoipa::ToSchema;

/// Nothing takes longer from the oven to the bag, ms.
const WAY_MS: i64 = 3_600_000;
/// Entries of one kind that are looked at, the newest.
const ENTRIES_MAX: usize = 20_000;
/// Samples of one kind that are drawn, the newest.
const DRAWN_MAX: usize = 1_000;
/// A longer stretch has more speeds than a page reads, ms.
const TRACED_MS: i64 = 8 * 24 * 3_600_000;
/// A mark is seen from this width on, ms of a stretch as a share.
const MARK_SHARE: i64 = 400;

/// One sample at the station of a trend.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = TrendSample)]
pub(in crate::web) struct Sample {
    /// Number of the entry.
    pub(in crate::web) entry: u64,
    pub(in crate::web) tag: String,
    pub(in crate::web) name: String,
    pub(in crate::web) station: String,
    pub(in crate::web) value: f64,
    pub(in crate::web) unit: String,
    /// "1.3 %", "passed".
    pub(in crate::web) text: String,
    pub(in crate::web) by: String,
    /// When it was taken, RFC 3339.
    pub(in crate::web) taken: String,
    /// When its product was at the station, not before, RFC 3339; none: it is not known.
    pub(in crate::web) there_not_before: Option<String>,
    /// And not after.
    pub(in crate::web) there_not_after: Option<String>,
    /// From the middle of that until it was taken, s.
    pub(in crate::web) delay_s: Option<f64>,
    /// Half of how long that is, s: the delay is as uncertain.
    pub(in crate::web) spread_s: Option<f64>,
    /// Why it is not known when its product was there.
    pub(in crate::web) not_traced_because: Option<String>,
    #[serde(skip)]
    there: Option<(UtcMillis, UtcMillis)>,
}

/// The samples of one kind at one station.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::web) struct SampleLane {
    pub(in crate::web) name: String,
    pub(in crate::web) samples: Vec<Sample>,
}

impl SampleLane {
    /// As bars on the axis of the trend: each as wide as it is uncertain, wide enough to be seen.
    pub(in crate::web) fn lane(&self, asked: &Asked) -> Lane {
        let least = asked.span.length_ms() / MARK_SHARE;
        let bar = |sample: &Sample| {
            let (from, to) = sample.there?;
            let short = (least - (to.0 - from.0)).max(0);
            let (from, to) = (UtcMillis(from.0 - short / 2), UtcMillis(to.0 + short / 2));
            let (from, to) = (from.max(asked.span.from()), to.min(asked.span.to()));
            let text = sample.text.clone();
            (from < to).then_some(Bar { from, to, text, link: None, goes_on: false })
        };
        Lane { name: self.name.clone(), bars: self.samples.iter().filter_map(bar).collect() }
    }
}

/// The samples of every kind that belong to a trend.
///
/// # Errors
/// In words, when history can't be read.
pub(in crate::web) async fn samples(
    line: &Line,
    store: &dyn HistoryStore,
    asked: &Asked,
) -> Result<Vec<SampleLane>, String> {
    let stations: BTreeSet<StationId> = asked.signals.iter().map(|id| line.signal(*id).station).collect();
    let mut lanes = Vec::new();
    for entry in line.entries.iter().filter(|entry| entry.kind != EntryKind::Calibration) {
        let own = line.signal(entry.signal).station;
        for &station in stations.iter().filter(|&&one| one == own || entry.traced_to.contains(&one)) {
            let found = in_time(of_entry(line, store, entry, (station, asked))).await?;
            if !found.is_empty() {
                let at = line.station(station).name.to_lowercase();
                let name = format!("{}, at the {at}", line.signal(entry.signal).name);
                lanes.push(SampleLane { name, samples: found });
            }
        }
    }
    Ok(lanes)
}

async fn of_entry(
    line: &Line,
    store: &dyn HistoryStore,
    entry: &LineEntry,
    (station, asked): (StationId, &Asked),
) -> Result<Vec<Sample>, HistoryError> {
    let signal = line.signal(entry.signal);
    let rows = store.entries(Some(signal.tag.clone()), ENTRIES_MAX).await?;
    let replaced: BTreeSet<u64> = rows.iter().filter_map(|row| row.corrects).collect();
    let (from, to) = (asked.span.from(), asked.span.to());
    let latest = UtcMillis(to.0.saturating_add(if station == signal.station { 0 } else { WAY_MS }));
    let is_near = |row: &&StoredEntry| !replaced.contains(&row.n) && from <= row.taken && row.taken <= latest;
    let mut near: Vec<&StoredEntry> = rows.iter().filter(is_near).take(DRAWN_MAX).collect();
    near.sort_by_key(|row| (row.taken, row.n));
    if near.is_empty() {
        return Ok(Vec::new());
    }
    let way = Way::new(line, station, signal.station);
    let speeds = if asked.span.length_ms() > TRACED_MS {
        None
    } else {
        Some(way.read(line, store, (UtcMillis(from.0 - WAY_MS), latest)).await?)
    };
    let sample = |row: &&StoredEntry| {
        let there = match (&speeds, station == signal.station) {
            (_, true) => Ok((row.taken, row.taken)),
            (Some(speeds), false) => way.there(line, speeds, row.taken),
            (None, false) => Err("traced over 8 days at most; choose a shorter stretch"),
        };
        told(line, (entry, station), row, there)
    };
    let overlaps = |sample: &Sample| sample.there.is_none_or(|(first, last)| first <= to && from <= last);
    Ok(near.iter().map(sample).filter(overlaps).collect())
}

fn told(
    line: &Line,
    (entry, station): (&LineEntry, StationId),
    row: &StoredEntry,
    there: Result<(UtcMillis, UtcMillis), &'static str>,
) -> Sample {
    let signal = line.signal(entry.signal);
    let text = match entry.kind {
        EntryKind::Check => (if row.value > 0.5 { "passed" } else { "failed" }).to_owned(),
        EntryKind::Number | EntryKind::Calibration => {
            words::with_unit(&words::number(row.value, signal.decimals), signal.unit)
        }
    };
    let known = there.ok();
    let seconds = |ms: i64| ms as f64 / 1000.0;
    Sample {
        entry: row.n,
        tag: row.tag.clone(),
        name: signal.name.clone(),
        station: line.station(station).key.clone(),
        value: row.value,
        unit: signal.unit.symbol().to_owned(),
        text,
        by: row.by.clone(),
        taken: rfc3339(row.taken),
        there_not_before: known.map(|(first, _)| rfc3339(first)),
        there_not_after: known.map(|(_, last)| rfc3339(last)),
        delay_s: known.map(|(first, last)| seconds(row.taken.0 - i64::midpoint(first.0, last.0))),
        spread_s: known.map(|(first, last)| seconds(last.0 - first.0) / 2.0),
        not_traced_because: there.err().map(str::to_owned),
        there: known,
    }
}

/// The places between a station and where the sample is taken, in the order product passes.
struct Way {
    /// A place's station, and what it is.
    places: Vec<(StationId, Place)>,
    station: StationId,
}

enum Place {
    Belt { length_m: f64, spread: f64, speed: SignalId },
    Delay { least: Duration, most: Duration, running: Option<SignalId> },
}

/// Readings of what the way hangs on, in m/s and as codes.
type Readings = BTreeMap<SignalId, Vec<ExactSample>>;

impl Way {
    fn new(line: &Line, from: StationId, to: StationId) -> Self {
        let mut places = Vec::new();
        for station in (from.0..=to.0).map(StationId) {
            for belt in line.belts.iter().filter(|belt| belt.station == station) {
                let (length_m, spread) = (belt.effective_length_m, belt.spread());
                let place = Place::Belt { length_m, spread, speed: belt.speed };
                places.push((station, place));
            }
            for delay in line.delays.iter().filter(|delay| delay.station == station) {
                let (least, most, running) = (delay.least, delay.most, delay.running);
                places.push((station, Place::Delay { least, most, running }));
            }
        }
        Self { places, station: from }
    }

    async fn read(
        &self,
        line: &Line,
        store: &dyn HistoryStore,
        span: (UtcMillis, UtcMillis),
    ) -> Result<Readings, HistoryError> {
        let mut readings = Readings::new();
        for (_, place) in &self.places {
            let (signal, unit) = match place {
                Place::Belt { speed, .. } => (*speed, Unit::MetrePerSecond),
                Place::Delay { running: Some(running), .. } => (*running, line.signal(*running).unit),
                Place::Delay { running: None, .. } => continue,
            };
            if let Entry::Vacant(place) = readings.entry(signal) {
                place.insert(axis::read(line, store, (signal, unit), span).await?);
            }
        }
        Ok(readings)
    }

    /// From when to when product that was sampled at `taken` may have been at the station: from its coming in, where the
    /// sample was the last of its own station, until its going out, where it was the first.
    fn there(
        &self,
        line: &Line,
        readings: &Readings,
        taken: UtcMillis,
    ) -> Result<(UtcMillis, UtcMillis), &'static str> {
        const UNKNOWN: &str = "the speed of a belt on its way is not known for that time";
        let axis = Axis(UtcMillis(taken.0 - WAY_MS));
        let records: Vec<Vec<(setward_protocol::Uptime, Option<f64>)>> =
            self.places.iter().map(|(_, place)| record(line, readings, place, (axis, taken))).collect();
        let until = axis.at(taken);
        let mut steps = Vec::new();
        for ((station, place), record) in self.places.iter().zip(&records) {
            steps.push((*station, step(place, record, until).ok_or(UNKNOWN)?));
        }
        let slice = Stretch { from: until, to: until };
        let whole: Vec<Step<'_>> = steps.iter().map(|(_, step)| *step).collect();
        let beyond: Vec<Step<'_>> =
            steps.iter().filter(|(station, _)| *station > self.station).map(|(_, step)| *step).collect();
        let passed = |way: &[Step<'_>]| {
            let traced = trace_back(slice, way);
            let known = traced.stopped.is_none();
            let window = traced.passages.last().map(|passage| passage.first);
            known.then(|| window.map_or((until, until), |window| (window.earliest, window.latest)))
        };
        let (first, last) = passed(&whole).zip(passed(&beyond)).ok_or(UNKNOWN)?;
        Ok((axis.utc(first.0), axis.utc(last.1)))
    }
}

/// What a place's readings say of the time before a sample.
fn record(
    line: &Line,
    readings: &Readings,
    place: &Place,
    (axis, taken): (Axis, UtcMillis),
) -> Vec<(setward_protocol::Uptime, Option<f64>)> {
    let signal = match place {
        Place::Belt { speed, .. } => *speed,
        Place::Delay { running: Some(running), .. } => *running,
        Place::Delay { running: None, .. } => return Vec::new(),
    };
    let all = readings.get(&signal).map_or(&[][..], Vec::as_slice);
    let from = all.partition_point(|sample| sample.utc < axis.0);
    let to = all.partition_point(|sample| sample.utc <= taken);
    let own = all.get(from..to).unwrap_or_default();
    let mut steps = axis.steps(own, line.gap_limit(signal));
    // A belt does not run backward; an encoder's noise about standstill may say so.
    steps.iter_mut().for_each(|step| step.1 = step.1.map(|value| value.max(0.0)));
    steps
}

fn step<'a>(
    place: &Place,
    record: &'a [(setward_protocol::Uptime, Option<f64>)],
    until: setward_protocol::Uptime,
) -> Option<Step<'a>> {
    match place {
        Place::Belt { length_m, spread, .. } => {
            let belt = Belt::new(*length_m, Steps::new(record, until).ok()?).ok()?;
            Some(Step::Belt(belt.with_spread(*spread).ok()?))
        }
        Place::Delay { least, most, running } => {
            let delay = Delay::new(*least, *most).ok()?;
            match running {
                Some(_) => Some(Step::Delay(delay.while_running(Steps::new(record, until).ok()?))),
                None => Some(Step::Delay(delay)),
            }
        }
    }
}

/// The lanes as a table of characters, a row a sample.
pub(in crate::web) fn csv(lanes: &[SampleLane]) -> String {
    let mut text = "entry,tag,name,station,taken_utc,there_not_before_utc,there_not_after_utc,delay_s,spread_s,value,unit,by,\
                    not_traced_because\r\n"
        .to_owned();
    for sample in lanes.iter().flat_map(|lane| &lane.samples) {
        let number = |value: Option<f64>| value.map(|value| format!("{value:.1}")).unwrap_or_default();
        let cells = [
            sample.entry.to_string(),
            safe(&sample.tag),
            safe(&sample.name),
            safe(&sample.station),
            sample.taken.clone(),
            sample.there_not_before.clone().unwrap_or_default(),
            sample.there_not_after.clone().unwrap_or_default(),
            number(sample.delay_s),
            number(sample.spread_s),
            sample.value.to_string(),
            safe(&sample.unit),
            // Where nobody signs in, anybody may call themselves anything.
            safe(&sample.by),
            safe(sample.not_traced_because.as_deref().unwrap_or_default()),
        ];
        text += &cells.map(|cell| quote(&cell, ",")).join(",");
        text += "\r\n";
    }
    text
}

#[cfg(test)]
#[path = "samples_tests.rs"]
mod tests;
