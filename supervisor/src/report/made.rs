//! How much product passed the weigher and was not diverted there.

use super::axis::{self, Axis};
use crate::history::{HistoryError, HistoryStore};
use serde::Serialize;
use setward_config::line::{FeedRate, Line};
use setward_process::series::{self, Steps, Trace};
use setward_protocol::{Unit, UtcMillis};
use utoipa::ToSchema;

/// What passed, and how long it is not known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct Made {
    /// Kilograms while the rate was known.
    pub kg: f64,
    /// How long it was not known, s.
    pub unknown_s: f64,
}

/// What was weighed of what was packed between two moments.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighed {
    /// By the middle of the way from the weigher to the bag.
    pub about: Made,
    /// At most so much, kg; `None`: the feed has no most, or between the weigher and the bag lies a belt, or something that may
    /// stand: how long that takes the delays alone do not say.
    pub most_kg: Option<f64>,
}

/// What was packed between two moments of the clock, by the weigher's record: it passed there before, by the delays that
/// lie between. `None` if the line weighs nothing.
///
/// # Errors
/// When history can't be read.
pub async fn weighed_for(
    line: &Line,
    store: &dyn HistoryStore,
    (from, to): (UtcMillis, UtcMillis),
) -> Result<Option<Weighed>, HistoryError> {
    let Some(feed) = &line.feed else { return Ok(None) };
    let after = line.delays.iter().filter(|delay| delay.station >= feed.station);
    let ms = |span: std::time::Duration| i64::try_from(span.as_millis()).unwrap_or(0);
    let (least, most) =
        after.fold((0, 0), |(least, most), delay| (least + ms(delay.least), most + ms(delay.most)));
    let middle = i64::midpoint(least, most);
    let Some(about) = made(line, store, (UtcMillis(from.0 - middle), UtcMillis(to.0 - middle))).await? else {
        return Ok(None);
    };
    let is_bounded = !line.belts.iter().any(|belt| belt.station >= feed.station)
        && !line.delays.iter().any(|delay| delay.station >= feed.station && delay.running.is_some());
    if !is_bounded {
        return Ok(Some(Weighed { about, most_kg: None }));
    }
    let widest = made(line, store, (UtcMillis(from.0 - most), UtcMillis(to.0 - least))).await?;
    let signal = line.signal(feed.signal);
    let most_kg_per_h = signal.unit.convert(signal.range.1, Unit::KilogramPerHour);
    let most_kg = widest
        .zip(most_kg_per_h)
        .map(|(widest, at_most)| widest.kg * (1.0 + feed.uncertainty) + at_most * widest.unknown_s / 3600.0);
    Ok(Some(Weighed { about, most_kg }))
}

/// What passed the weigher between two moments, less what was diverted there; `None` if the line has none.
///
/// # Errors
/// When history can't be read.
pub async fn made(
    line: &Line,
    store: &dyn HistoryStore,
    (from, to): (UtcMillis, UtcMillis),
) -> Result<Option<Made>, HistoryError> {
    let Some(feed) = &line.feed else { return Ok(None) };
    let samples = axis::read(line, store, (feed.signal, Unit::KilogramPerHour), (from, to)).await?;
    let axis = Axis(UtcMillis(from.0 - 60_000));
    let (points, span) = (axis.points(&samples), axis.span((from, to)));
    let Ok(rate) = Trace::new(&points, line.gap_limit(feed.signal)) else {
        return Ok(Some(Made { kg: 0.0, unknown_s: span.seconds() }));
    };
    let passed = |span: series::Span| {
        let kg = rate
            .segments_within(span)
            .map(|piece| piece.seconds() * f64::midpoint(piece.first, piece.last).max(0.0) / 3600.0);
        // A sum of nothing is -0.0.
        (kg.sum::<f64>() + 0.0, rate.unknown_s(span))
    };
    let away = diverted(line, store, feed, (axis, span), (from, to)).await?;
    let (kg, unknown_s) = away
        .into_iter()
        .map(passed)
        .fold(passed(span), |(kg, unknown_s), away| ((kg - away.0).max(0.0), (unknown_s - away.1).max(0.0)));
    Ok(Some(Made { kg, unknown_s }))
}

/// When what was weighed went to scrap; none, where no word says so or it is not known.
async fn diverted(
    line: &Line,
    store: &dyn HistoryStore,
    feed: &FeedRate,
    (axis, span): (Axis, series::Span),
    (from, to): (UtcMillis, UtcMillis),
) -> Result<Vec<series::Span>, HistoryError> {
    let Some(signal) = feed.diverted else { return Ok(Vec::new()) };
    let samples = axis::read(line, store, (signal, line.signal(signal).unit), (from, to)).await?;
    let steps = axis.steps(&samples, line.gap_limit(signal));
    let until = steps.last().map_or(span.to, |(last, _)| span.to.max(*last));
    let Ok(steps) = Steps::signed(&steps, until) else { return Ok(Vec::new()) };
    let is_away = |value: Option<f64>| value.is_some_and(|value| value > 0.5);
    Ok(steps.pieces_within(span).filter(|(_, value)| is_away(*value)).map(|(span, _)| span).collect())
}
