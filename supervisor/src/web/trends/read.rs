//! What history knows of a stretch of time: columns of the signals, what was asked of them, when their stations stood, which
//! alarms called, which recipes were in force, which batches ran, what people noted.

use super::Asked;
use super::notes::{Pinned, pinned};
use super::samples::{SampleLane, samples};
use crate::cli::plot::Curve;
use crate::history::{BatchRow, HistoryError, KnownBand, Level, Span, StoredEvent, Window};
use crate::report::EVENTS_MAX;
use crate::report::batch::BatchReport;
use crate::report::calls::{calls, outages};
use crate::report::recent::events_for;
use crate::report::statistics::in_force;
use crate::report::statistics_recipes::recipe_told;
use crate::report::stops::{ModeSpan, modes};
use crate::web::Web;
use setward_alarm::metrics::{Annunciation, Outage};
use setward_alarm::{AlarmId, Watched};
use setward_config::line::{Line, LineAlarm};
use setward_protocol::{Mode, SignalId, StationId, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// A page never waits longer for history than a person would.
const WITHIN: Duration = Duration::from_secs(6);
/// Alarms that have a row of their own.
const ALARMS_SHOWN: usize = 12;
/// Batches that are looked at.
const BATCHES_MAX: usize = 2_000;
/// A kettle batch and its soak may have begun so long before what is fed now.
const SOAK_MOST_MS: i64 = 4 * 24 * 3_600_000;

/// Something that held from when to when, cut to the stretch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::web) struct Bar {
    pub(in crate::web) from: UtcMillis,
    pub(in crate::web) to: UtcMillis,
    pub(in crate::web) text: String,
    /// Where there is more of it.
    pub(in crate::web) link: Option<String>,
    /// It goes on.
    pub(in crate::web) goes_on: bool,
}

/// Bars of one kind below each other's time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::web) struct Lane {
    pub(in crate::web) name: String,
    pub(in crate::web) bars: Vec<Bar>,
}

/// The calls of one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::web) struct AlarmLane {
    pub(in crate::web) alarm: AlarmId,
    pub(in crate::web) bars: Vec<Bar>,
}

/// One signal over the stretch.
pub(in crate::web) struct Pane {
    pub(in crate::web) id: SignalId,
    pub(in crate::web) curve: Curve,
    pub(in crate::web) level: Level,
    /// Columns with values so far apart at most are joined.
    pub(in crate::web) joined: usize,
    /// When its station did not make product, and what it did instead.
    pub(in crate::web) stops: Vec<Bar>,
    /// The same signal over the stretch that this one is held against.
    pub(in crate::web) other: Option<Curve>,
    /// Blocks of history that could not be read.
    pub(in crate::web) unreadable: u32,
}

/// All that is shown of a stretch.
#[derive(Default)]
pub(in crate::web) struct Shown {
    pub(in crate::web) panes: Vec<Pane>,
    pub(in crate::web) alarms: Vec<AlarmLane>,
    /// Alarms that called too, and have no row.
    pub(in crate::web) alarms_left_out: usize,
    pub(in crate::web) recipes: Vec<Lane>,
    pub(in crate::web) batches: Vec<Lane>,
    pub(in crate::web) notes: Vec<Pinned>,
    /// What people entered, when its product was at these stations.
    pub(in crate::web) samples: Vec<SampleLane>,
    /// Nothing that happened before is known here: there were too many events since.
    pub(in crate::web) known_from: Option<UtcMillis>,
    /// What each station did, over the stretch and the one it is held against.
    pub(in crate::web) modes: Vec<Vec<ModeSpan>>,
}

/// Waits for history, but not for ever.
pub(super) async fn in_time<T>(asked: impl Future<Output = Result<T, HistoryError>>) -> Result<T, String> {
    match tokio::time::timeout(WITHIN, asked).await {
        Ok(answer) => answer.map_err(|error| error.text),
        Err(_late) => {
            Err("it did not answer within 6 s; ask for fewer signals or a shorter stretch".to_owned())
        }
    }
}

/// Reads it.
///
/// # Errors
/// In words, when history can't be read.
pub(in crate::web) async fn read(web: &Web, asked: &Asked) -> Result<Shown, String> {
    let (line, history, span) = (&*web.app.line, &web.app.history, asked.span);
    let now = web.app.clock.utc();
    let panes = panes(web, asked).await?;
    let whole = asked
        .other()
        .map_or(Ok(span), |other| Span::new(span.from().min(other.from()), span.to().max(other.to())));
    let whole = whole.map_err(|error| error.text)?;
    let events = in_time(events_for(line, &**history, whole.from())).await?;
    let oldest = events.len().checked_sub(EVENTS_MAX).and_then(|place| events.get(place));
    let known_from = oldest.map(|stored| stored.event.utc).filter(|first| *first > span.from());
    let modes = modes(line, &events, whole, now);
    let stations: BTreeSet<StationId> = asked.signals.iter().map(|id| line.signal(*id).station).collect();
    if asked.panes_only {
        return Ok(Shown {
            panes: stopped(line, panes, &modes, span),
            known_from,
            modes,
            ..Shown::default()
        });
    }
    let mut alarms = alarm_lanes(line, &events, asked, now);
    let alarms_left_out = alarms.len().saturating_sub(ALARMS_SHOWN);
    alarms.truncate(ALARMS_SHOWN);
    let from = UtcMillis(span.from().0.saturating_sub(SOAK_MOST_MS));
    let rows = in_time(history.batches(from, span.to(), BATCHES_MAX)).await?;
    Ok(Shown {
        panes: stopped(line, panes, &modes, span),
        alarms,
        alarms_left_out,
        recipes: recipe_lanes(line, &events, &stations, span, now),
        batches: batch_lanes(&rows, span, now),
        notes: in_time(pinned(&**history, span)).await?,
        samples: samples(line, &**history, asked).await?,
        known_from,
        modes,
    })
}

/// Each with the stops of its station.
fn stopped(line: &Line, mut panes: Vec<Pane>, modes: &[Vec<ModeSpan>], span: Span) -> Vec<Pane> {
    for pane in &mut panes {
        let station = line.signal(pane.id).station.index();
        pane.stops = stops(modes.get(station).map_or(&[][..], Vec::as_slice), span);
    }
    panes
}

/// The columns of the signals, and what was asked of them.
pub(super) async fn panes(web: &Web, asked: &Asked) -> Result<Vec<Pane>, String> {
    let line = &*web.app.line;
    let tags = asked.tags(line);
    let drawn = curves(web, &tags, asked.span, asked.columns).await?;
    let others = match asked.other() {
        Some(other) => curves(web, &tags, other, asked.columns).await?.into_iter().map(Some).collect(),
        None => tags.iter().map(|_| None).collect::<Vec<_>>(),
    };
    let column_ms = asked.span.length_ms() as f64 / asked.columns as f64;
    let of_signal = asked.signals.iter().zip(drawn).zip(others);
    Ok(of_signal
        .map(|((id, drawn), other)| {
            let gap_ms = line.gap_limit(*id).as_secs_f64() * 1000.0;
            Pane {
                id: *id,
                // An entry of a roll-up is as wide as a column at most: neighbours join.
                joined: ((gap_ms / column_ms).ceil() as usize).max(1),
                curve: drawn.0,
                level: drawn.1,
                unreadable: drawn.2,
                stops: Vec::new(),
                other: other.map(|other| other.0),
            }
        })
        .collect())
}

async fn curves(
    web: &Web,
    tags: &[String],
    span: Span,
    columns: usize,
) -> Result<Vec<(Curve, Level, u32)>, String> {
    let (line, history) = (&*web.app.line, &web.app.history);
    let window = Window::new(tags.to_vec(), span, columns).map_err(|error| error.text)?;
    let envelopes = in_time(history.envelopes(window)).await?;
    // What was asked comes with exact readings, however few.
    let moment = Span::new(span.from(), UtcMillis(span.from().0 + 1)).map_err(|error| error.text)?;
    let asked = in_time(history.exact(tags.to_vec(), moment)).await?;
    let all = envelopes.into_iter().zip(asked).map(|(envelope, asked)| {
        let signal = line.signals.iter().find(|signal| signal.tag == envelope.tag);
        let curve = Curve {
            name: signal.map_or_else(String::new, |signal| signal.name.clone()),
            unit: signal.map_or_else(String::new, |signal| signal.unit.display().to_owned()),
            tag: envelope.tag,
            from: span.from(),
            to: span.to(),
            columns: envelope.columns,
            bands: bands_over(in_force(asked.bands), span),
            axis: None,
        };
        (curve, envelope.level, envelope.unreadable)
    });
    Ok(all.collect())
}

/// Those in force in the stretch: the last one before it, and what came in it.
fn bands_over(bands: Vec<KnownBand>, span: Span) -> Vec<KnownBand> {
    let first = bands.iter().rposition(|band| band.utc <= span.from()).unwrap_or(0);
    bands.into_iter().skip(first).take_while(|band| band.utc < span.to()).collect()
}

/// When the station of each signal did not make product.
pub(super) async fn stops_of(web: &Web, asked: &Asked) -> Result<Vec<Vec<Bar>>, String> {
    let line = &*web.app.line;
    let events = in_time(events_for(line, &*web.app.history, asked.span.from())).await?;
    let all = modes(line, &events, asked.span, web.app.clock.utc());
    let of = |id: &SignalId| all.get(line.signal(*id).station.index()).map_or(&[][..], Vec::as_slice);
    Ok(asked.signals.iter().map(|id| stops(of(id), asked.span)).collect())
}

/// When a station did something else than making product: what statistics leave out.
fn stops(modes: &[ModeSpan], span: Span) -> Vec<Bar> {
    let bar = |found: &ModeSpan| {
        if found.mode == Some(Mode::Run) {
            return None;
        }
        let text = match found.mode {
            None => "nobody watched",
            // A gap of history is something else.
            Some(Mode::Gap) => "gap in the feed",
            Some(mode) => mode.name(),
        };
        let (from, to) = (found.from.max(span.from()), found.to.min(span.to()));
        (from < to).then(|| Bar { from, to, text: text.to_owned(), link: None, goes_on: false })
    };
    modes.iter().filter_map(bar).collect()
}

/// Alarms on the signals and at their stations that stood in the stretch: those on the signals first, then by priority.
fn alarm_lanes(line: &Line, events: &[StoredEvent], asked: &Asked, now: UtcMillis) -> Vec<AlarmLane> {
    let stations: BTreeSet<StationId> = asked.signals.iter().map(|id| line.signal(*id).station).collect();
    let is_shown = |alarm: &LineAlarm| match alarm.settings.watches {
        Watched::Signal(id) => stations.contains(&line.signal(id).station),
        Watched::Controller(_) | Watched::Server(_) => false,
    };
    let on_signal =
        |alarm: &LineAlarm| alarm.settings.watches.signal().is_some_and(|id| asked.signals.contains(&id));
    let mut by_alarm: BTreeMap<AlarmId, Vec<Annunciation>> = BTreeMap::new();
    for call in calls(line, events) {
        if is_shown(line.alarm(call.alarm)) {
            by_alarm.entry(call.alarm).or_default().push(call);
        }
    }
    let mut lanes: Vec<AlarmLane> = by_alarm
        .into_iter()
        .map(|(alarm, calls)| AlarmLane { alarm, bars: stood(&calls, asked.span, now) })
        .filter(|lane| !lane.bars.is_empty())
        .collect();
    lanes.sort_by_key(|lane| {
        let alarm = line.alarm(lane.alarm);
        (!on_signal(alarm), std::cmp::Reverse(alarm.priority), std::cmp::Reverse(lane.bars.len()))
    });
    lanes
}

/// From raise to return: a call anew while it stands is the same bar.
fn stood(calls: &[Annunciation], span: Span, now: UtcMillis) -> Vec<Bar> {
    let mut bars = Vec::new();
    let mut since: Option<UtcMillis> = None;
    let end = span.to().min(now);
    let mut add = |from: UtcMillis, to: UtcMillis, goes_on: bool| {
        // What was over before, and what had not begun, is not of this stretch.
        if from < end && to > span.from() {
            let bar = Bar { from, to, text: String::new(), link: None, goes_on };
            bars.push(bar);
        }
    };
    for call in calls {
        let from = *since.get_or_insert(call.at);
        if let Some(cleared) = call.cleared {
            add(from, cleared, false);
            since = None;
        }
    }
    if let Some(from) = since {
        add(from, end.max(UtcMillis(from.0 + 1)), true);
    }
    bars
}

/// The recipe in force at each of the stations; stations that ran the same share a lane.
fn recipe_lanes(
    line: &Line,
    events: &[StoredEvent],
    stations: &BTreeSet<StationId>,
    span: Span,
    now: UtcMillis,
) -> Vec<Lane> {
    let mut lanes: Vec<Lane> = Vec::new();
    let dark = outages(events, span, now);
    for station in stations {
        let station = line.station(*station);
        let told = events.iter().filter(|stored| stored.event.what == "recipe").filter_map(|stored| {
            let (recipe, mut named) = recipe_told(stored.event.note.as_deref()?)?;
            named.any(|key| key == station.key).then(|| (stored.event.utc, recipe.to_owned()))
        });
        let mut changes: Vec<(UtcMillis, String)> = told.collect();
        changes.dedup_by(|next, before| next.1 == before.1);
        let end = span.to().min(now);
        let ends = changes.iter().skip(1).map(|(at, _)| *at).chain([end]).collect::<Vec<_>>();
        let bars = changes.iter().zip(ends).filter_map(|((at, key), next)| {
            let (from, to) = ((*at).max(span.from()), next.min(end));
            let recipe = line.recipes.iter().find(|recipe| recipe.key == *key);
            let text = recipe.map_or_else(|| key.clone(), |recipe| recipe.name.clone());
            (from < to).then_some(Bar { from, to, text, link: None, goes_on: false })
        });
        // Where nobody watched nobody knows what ran.
        let bars: Vec<Bar> = bars.flat_map(|bar| watched(&bar, &dark)).collect();
        match lanes.iter_mut().find(|lane| lane.bars == bars) {
            Some(lane) => lane.name = format!("{}, {}", lane.name, station.name.to_lowercase()),
            None => lanes.push(Lane { name: format!("Recipe, {}", station.name.to_lowercase()), bars }),
        }
    }
    lanes.retain(|lane| !lane.bars.is_empty());
    lanes
}

/// A bar without the stretches in which no program ran.
fn watched(bar: &Bar, dark: &[Outage]) -> Vec<Bar> {
    let mut parts = Vec::new();
    let mut from = bar.from;
    for outage in dark.iter().filter(|outage| outage.from < bar.to && outage.to > bar.from) {
        if from < outage.from {
            parts.push(Bar { from, to: outage.from, goes_on: false, ..bar.clone() });
        }
        from = from.max(outage.to);
    }
    if from < bar.to {
        parts.push(Bar { from, ..bar.clone() });
    }
    parts
}

/// A lane for each kettle, and one for what the tanks fed to the line.
fn batch_lanes(rows: &[BatchRow], span: Span, now: UtcMillis) -> Vec<Lane> {
    let at = |text: &str| Some(UtcMillis(text.parse::<jiff::Timestamp>().ok()?.as_millisecond()));
    let cut = |from: UtcMillis, to: UtcMillis| {
        let (from, to) = (from.max(span.from()), to.min(span.to()));
        (from < to).then_some((from, to))
    };
    let mut lanes: BTreeMap<String, Vec<Bar>> = BTreeMap::new();
    let mut fed_bars = Vec::new();
    // The newest come first.
    for row in rows.iter().rev() {
        let Ok(report) = serde_json::from_str::<BatchReport>(&row.record) else { continue };
        let link = Some(format!("/batches/{}", report.id));
        let text = report.number.map_or_else(|| "no number".to_owned(), |number| number.to_string());
        if let Some((from, to)) = cut(row.start, row.end.unwrap_or(now)) {
            let (text, link) = (text.clone(), link.clone());
            let bar = Bar { from, to, text, link, goes_on: row.end.is_none() };
            lanes.entry(report.kettle.clone()).or_default().push(bar);
        }
        for fed in &report.fed {
            let ends = at(&fed.from).zip(if fed.goes_on { Some(now) } else { at(&fed.to) });
            if let Some((from, to)) = ends.and_then(|(from, to)| cut(from, to)) {
                let text = format!("{text}, tank {}", fed.tank);
                fed_bars.push(Bar { from, to, text, link: link.clone(), goes_on: fed.goes_on });
            }
        }
    }
    fed_bars.sort_by_key(|bar| (bar.from, bar.to));
    let kettles = lanes.into_iter().map(|(kettle, bars)| Lane { name: format!("{kettle}, batches"), bars });
    let fed = Lane { name: "Fed to the line, batch and tank".to_owned(), bars: fed_bars };
    [fed].into_iter().chain(kettles).filter(|lane| !lane.bars.is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_ends_where_nobody_watched_and_begins_again_when_somebody_does() {
        let bar =
            Bar { from: UtcMillis(100), to: UtcMillis(900), text: "x".to_owned(), link: None, goes_on: true };
        let dark = |from: i64, to: i64| Outage { from: UtcMillis(from), to: UtcMillis(to) };
        let parts = |dark: &[Outage]| -> Vec<(i64, i64, bool)> {
            watched(&bar, dark).iter().map(|part| (part.from.0, part.to.0, part.goes_on)).collect()
        };
        assert_eq!(parts(&[]), [(100, 900, true)]);
        assert_eq!(
            parts(&[dark(0, 150), dark(300, 400), dark(950, 990)]),
            [(150, 300, false), (400, 900, true)]
        );
        assert_eq!(parts(&[dark(500, 900)]), [(100, 500, false)]);
        assert_eq!(parts(&[dark(0, 1000)]), []);
    }
}
