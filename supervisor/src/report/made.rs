//! How much product passed the weigher.

use super::axis::{self, Axis};
use crate::history::{HistoryError, HistoryStore};
use serde::Serialize;
use setward_config::line::Line;
use setward_process::series::Trace;
use setward_protocol::{Unit, UtcMillis};

/// What passed, and how long it is not known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Made {
    /// Kilograms while the rate was known.
    pub kg: f64,
    /// How long it was not known, s.
    pub unknown_s: f64,
}

/// What passed the weigher between two moments; `None` if the line has none.
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
    let kg = rate
        .segments_within(span)
        .map(|piece| piece.seconds() * f64::midpoint(piece.first, piece.last).max(0.0) / 3600.0);
    Ok(Some(Made { kg: kg.sum(), unknown_s: rate.unknown_s(span) }))
}
