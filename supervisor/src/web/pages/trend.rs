//! The last thirty minutes of a signal, drawn from history.

use crate::history::StoredEvent;
use crate::history::StoredSample;
use crate::line::alarms::LAPSED;
use crate::line::blindness::BLINDNESS;
use crate::web::facts::{AlarmFacts, Scene, SignalFacts};
use crate::web::{Web, svg, words};
use maud::{Markup, html};
use setward_alarm::{AverageReference, Kind};
use setward_protocol::UtcMillis;
use std::time::Duration;

const WINDOW_MS: i64 = 30 * 60 * 1000;

/// Most readings asked for: thirty minutes at a quarter of a second.
const MOST_SAMPLES: usize = 7_200;

/// Events among the newest that may be for reports only: a night's.
const FOR_REPORTS_AMONG_THEM: usize = 80;

/// A page never waits longer for history than a person would.
const HISTORY_WITHIN: Duration = Duration::from_secs(2);

/// What history has of a signal; the problem in words when it has none to give.
pub(super) async fn read(web: &Web, tag: &str, now: UtcMillis) -> Result<Vec<StoredSample>, String> {
    let until = UtcMillis(now.0.saturating_add(1));
    let asked = web.app.history.samples(tag.to_owned(), UtcMillis(now.0 - WINDOW_MS), until, MOST_SAMPLES);
    in_time(asked).await
}

/// The newest events, of one alarm or of all.
pub(super) async fn events(web: &Web, alarm: Option<&str>, limit: usize) -> Result<Vec<StoredEvent>, String> {
    // What is kept for reports is no news; a few more are asked for in its place.
    let mut kept =
        in_time(web.app.history.events(alarm.map(str::to_owned), limit + FOR_REPORTS_AMONG_THEM)).await?;
    kept.retain(|stored| !matches!(stored.event.what.as_str(), BLINDNESS | LAPSED));
    kept.truncate(limit);
    Ok(kept)
}

pub(super) async fn in_time<T>(
    asked: impl Future<Output = Result<T, crate::history::HistoryError>>,
) -> Result<T, String> {
    match tokio::time::timeout(HISTORY_WITHIN, asked).await {
        Ok(answer) => answer.map_err(|error| error.text),
        Err(_late) => Err("it did not answer within 2 s".to_owned()),
    }
}

/// The drawing with a sentence that says the same.
pub(super) fn draw(
    scene: &Scene<'_>,
    facts: &SignalFacts<'_>,
    alarms: &[AlarmFacts<'_>],
    kept: &Result<Vec<StoredSample>, String>,
) -> Markup {
    html! { figure { (picture(scene, facts, alarms, (kept, svg::TALL))) figcaption { (caption(scene, facts, kept)) } } }
}

/// The sentence that says what the drawing shows.
pub(super) fn caption(
    scene: &Scene<'_>,
    facts: &SignalFacts<'_>,
    kept: &Result<Vec<StoredSample>, String>,
) -> String {
    kept.as_ref().map_or_else(
        |_unread| String::new(),
        |samples| format!("Last 30 minutes. {}", summary(scene, facts, samples)),
    )
}

/// The drawing by itself, of a height.
pub(super) fn picture(
    scene: &Scene<'_>,
    facts: &SignalFacts<'_>,
    alarms: &[AlarmFacts<'_>],
    (kept, height): (&Result<Vec<StoredSample>, String>, f64),
) -> Markup {
    let samples = match kept {
        Ok(samples) => samples.as_slice(),
        Err(problem) => return html! { p.notice { b { "HISTORY" } " could not be read: " (problem) } },
    };
    let summary = summary(scene, facts, samples);
    let trend = svg::Trend {
        height,
        samples,
        from: UtcMillis(scene.now.0 - WINDOW_MS),
        to: scene.now,
        gap_ms: gap_ms(scene, facts),
        band: facts.band(),
        setpoint: facts.setpoint(),
        limits: alarms.iter().filter_map(limit).collect(),
        marks: alarms.iter().flat_map(marks).collect(),
        decimals: facts.signal.decimals,
        codes: &facts.signal.codes,
        unit: facts.signal.unit.display(),
        zone: scene.zone,
        label: format!("{}, last 30 minutes. {summary}", facts.signal.name),
    };
    svg::trend(&trend)
}

/// Three polls: a longer silence is unknown time.
fn gap_ms(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> i64 {
    i64::try_from(scene.line.gap_limit(facts.id).as_millis()).unwrap_or(i64::MAX)
}

/// Time between the first and the last value in which no value was known, ms: what the drawing leaves open.
fn unknown_ms(samples: &[StoredSample], gap_ms: i64) -> i64 {
    let mut unknown = 0;
    let mut last: Option<UtcMillis> = None;
    let mut lost = false;
    for sample in samples {
        if sample.reading.value().is_none() {
            lost = true;
            continue;
        }
        let apart = last.map_or(0, |last| sample.utc.0.saturating_sub(last.0));
        if lost || apart > gap_ms {
            unknown += apart;
        }
        (last, lost) = (Some(sample.utc), false);
    }
    unknown
}

fn limit(facts: &AlarmFacts<'_>) -> Option<f64> {
    match facts.alarm.settings.kind {
        Kind::Limit(settings) => Some(settings.limit),
        Kind::MovingAverage(settings) => match settings.reference {
            AverageReference::Limit(limit) => Some(limit),
            AverageReference::Target(_) => None,
        },
        Kind::Deviation(_)
        | Kind::TimeWeighted(_)
        | Kind::Discrepancy(_)
        | Kind::Rate(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Drift(_)
        | Kind::Measurement(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => None,
    }
}

fn marks(facts: &AlarmFacts<'_>) -> Vec<(UtcMillis, &'static str)> {
    if !facts.is_standing() {
        return Vec::new();
    }
    let view = facts.view;
    [(view.raised, "raised"), (view.cleared, "cleared")]
        .into_iter()
        .filter_map(|(at, word)| at.map(|at| (at, word)))
        .collect()
}

/// Lowest and highest value, and for how long nothing was known.
fn summary(scene: &Scene<'_>, facts: &SignalFacts<'_>, samples: &[StoredSample]) -> String {
    let good = || samples.iter().filter_map(|sample| sample.reading.value().map(|value| (value, sample.utc)));
    let lowest = good().min_by(|(a, _), (b, _)| a.total_cmp(b));
    let highest = good().max_by(|(a, _), (b, _)| a.total_cmp(b));
    let (Some((low, low_at)), Some((high, high_at))) = (lowest, highest) else {
        return "No values kept in this time.".to_owned();
    };
    let gaps = match unknown_ms(samples, gap_ms(scene, facts)) {
        0 => "known all the time between".to_owned(),
        unknown => format!("not known for {} in all", words::span(unknown as f64 / 1000.0)),
    };
    let last = good().map(|(_, at)| at).max();
    let open = last.filter(|at| scene.now.0 - at.0 > gap_ms(scene, facts));
    let gaps = match open {
        Some(at) => format!("{gaps}, no value since {}", scene.clock(at)),
        None => gaps,
    };
    if low == high {
        return format!("Always {}, {gaps}.", words::with_unit(&facts.show(low), facts.signal.unit));
    }
    format!(
        "Lowest {} at {}, highest {} at {}, {gaps}.",
        words::with_unit(&facts.show(low), facts.signal.unit),
        scene.clock(low_at),
        words::with_unit(&facts.show(high), facts.signal.unit),
        scene.clock(high_at),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::{NoData, Reading};

    #[test]
    fn what_is_not_known_is_counted_in_time() {
        let sample = |second: i64, reading| StoredSample { utc: UtcMillis(second * 1000), reading };
        let good = |second| sample(second, Reading::Good(182.0));
        let bad = |second| sample(second, Reading::Bad(NoData::SensorFault));
        assert_eq!(unknown_ms(&[good(0), good(2), good(5)], 3_000), 0);
        assert_eq!(unknown_ms(&[good(0), good(10), good(11), good(31)], 3_000), 30_000);
        assert_eq!(unknown_ms(&[bad(0), good(1), bad(2), good(3), good(4)], 3_000), 2_000);
        assert_eq!(unknown_ms(&[], 3_000), 0);
    }
}
