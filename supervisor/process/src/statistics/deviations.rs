//! Value less setpoint on counted time, weighed by time.

use super::{Refused, Samples};
use crate::series::{Segment, Span, Steps, Trace, merged};
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// More values are not taken from one record: two months at 1 s.
const MOST_SAMPLES: f64 = 5e6;

/// How far a measurement was from its setpoint, over the time that counts: in straight pieces, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Deviations {
    pieces: Vec<Segment>,
    counted_s: f64,
}

/// Time and area inside and outside a band. Areas are in the signal's unit times seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Below it, s.
    pub below_s: f64,
    /// Within it, its ends included, s.
    pub within_s: f64,
    /// Above it, s.
    pub above_s: f64,
    /// How far below it by how long.
    pub below_area: f64,
    /// How far above it by how long.
    pub above_area: f64,
}

impl Band {
    /// Share of the known time within the band, from 0 to 1.
    #[must_use]
    pub fn within_share(&self) -> f64 {
        self.within_s / (self.below_s + self.within_s + self.above_s)
    }
}

impl Deviations {
    /// A measurement less its setpoint, over the spans that count: those in which the station ran. Time in which value
    /// or setpoint is not known is left out, and told by [`Deviations::unknown_s`].
    #[must_use]
    pub fn new(value: &Trace<'_>, setpoint: &Steps<'_>, counted: &[Span]) -> Self {
        let counted = merged(counted);
        let mut pieces = Vec::new();
        for (part, level) in counted.iter().flat_map(|span| setpoint.pieces_within(*span)) {
            let Some(level) = level else { continue };
            let shifted =
                |piece: Segment| Segment { first: piece.first - level, last: piece.last - level, ..piece };
            pieces.extend(value.segments_within(part).map(shifted));
        }
        Self { pieces, counted_s: seconds(&counted) }
    }

    /// The measurement itself, where there is no setpoint.
    #[must_use]
    pub fn of_value(value: &Trace<'_>, counted: &[Span]) -> Self {
        let counted = merged(counted);
        let pieces = counted.iter().flat_map(|span| value.segments_within(*span)).collect();
        Self { pieces, counted_s: seconds(&counted) }
    }

    /// Its pieces, in order of time.
    #[must_use]
    pub fn pieces(&self) -> &[Segment] {
        &self.pieces
    }

    /// How long it is known, s.
    #[must_use]
    pub fn known_s(&self) -> f64 {
        self.pieces.iter().map(Segment::seconds).sum()
    }

    /// How much of the counted time it is not known, s.
    #[must_use]
    pub fn unknown_s(&self) -> f64 {
        (self.counted_s - self.known_s()).max(0.0)
    }

    /// Its mean by time.
    ///
    /// # Errors
    /// No known time.
    pub fn mean(&self) -> Result<f64, Refused> {
        let known_s = self.known_s();
        if known_s <= 0.0 {
            return Err(Refused::Nothing);
        }
        let area: f64 = self.pieces.iter().map(|piece| piece.seconds() * middle(piece)).sum();
        Ok(area / known_s)
    }

    /// Its standard deviation by time, exact for the straight pieces: what their spread is, not what polls would add.
    ///
    /// # Errors
    /// No known time.
    pub fn standard_deviation(&self) -> Result<f64, Refused> {
        let mean = self.mean()?;
        let squares = |piece: &Segment| {
            let (first, last) = (piece.first - mean, piece.last - mean);
            piece.seconds() * (first * first + first * last + last * last) / 3.0
        };
        Ok(libm::sqrt(self.pieces.iter().map(squares).sum::<f64>() / self.known_s()))
    }

    /// Lowest and highest value, each with the time at which it was first met.
    ///
    /// # Errors
    /// No known time.
    pub fn extremes(&self) -> Result<[(Uptime, f64); 2], Refused> {
        let ends =
            || self.pieces.iter().flat_map(|piece| [(piece.from, piece.first), (piece.to, piece.last)]);
        let start = ends().next().ok_or(Refused::Nothing)?;
        let lowest = ends().fold(start, |low, end| if end.1 < low.1 { end } else { low });
        let highest = ends().fold(start, |high, end| if end.1 > high.1 { end } else { high });
        Ok([lowest, highest])
    }

    /// Seconds and areas inside and outside a band; an end that is not set is never passed.
    ///
    /// # Errors
    /// A low end above the high one, or ends that are no numbers; no known time.
    pub fn band(&self, low: Option<f64>, high: Option<f64>) -> Result<Band, Refused> {
        let (low, high) = (low.unwrap_or(f64::NEG_INFINITY), high.unwrap_or(f64::INFINITY));
        // Written so that a limit that is no number is refused too.
        let is_band = low <= high;
        if !is_band {
            return Err(Refused::Setting);
        }
        if self.pieces.is_empty() {
            return Err(Refused::Nothing);
        }
        let sum = |of: &dyn Fn(&Segment) -> f64| self.pieces.iter().map(of).sum::<f64>();
        let above_s = sum(&|piece| seconds_above(piece, high));
        let below_s = sum(&|piece| seconds_above(&mirrored(piece), -low));
        Ok(Band {
            below_s,
            within_s: (self.known_s() - below_s - above_s).max(0.0),
            above_s,
            below_area: sum(&|piece| area_above(&mirrored(piece), -low)),
            above_area: sum(&|piece| area_above(piece, high)),
        })
    }

    /// Its values at a steady interval, in unbroken runs; each begins where its run does.
    ///
    /// # Errors
    /// No known time, an interval of nothing, or one that would make more than five million values.
    pub fn samples(&self, every: Duration) -> Result<Samples, Refused> {
        if every.is_zero() || self.known_s() / every.as_secs_f64() > MOST_SAMPLES {
            return Err(Refused::Setting);
        }
        let mut runs: Vec<Vec<f64>> = Vec::new();
        let mut next: Option<(Uptime, Uptime)> = None;
        for piece in &self.pieces {
            let mut due = match next {
                Some((due, until)) if until == piece.from => due,
                _ => {
                    runs.push(Vec::new());
                    piece.from
                }
            };
            let Some(run) = runs.last_mut() else { break };
            // The end of a piece belongs to the next one, where the setpoint may have moved.
            while due < piece.to {
                run.push(piece.value_at(due));
                due = due + every;
            }
            next = Some((due, piece.to));
        }
        Samples::new(runs, every)
    }
}

fn seconds(spans: &[Span]) -> f64 {
    spans.iter().map(|span| span.seconds()).sum()
}

fn middle(piece: &Segment) -> f64 {
    f64::midpoint(piece.first, piece.last)
}

fn mirrored(piece: &Segment) -> Segment {
    Segment { first: -piece.first, last: -piece.last, ..*piece }
}

/// Seconds strictly above a limit: a line that lies on it is not above.
fn seconds_above(piece: &Segment, limit: f64) -> f64 {
    if piece.first <= limit && piece.last <= limit { 0.0 } else { piece.seconds_at_or_above(limit) }
}

/// Area between a straight piece and a limit below it.
fn area_above(piece: &Segment, limit: f64) -> f64 {
    let (first, last) = ((piece.first - limit).max(0.0), (piece.last - limit).max(0.0));
    seconds_above(piece, limit) * f64::midpoint(first, last)
}
