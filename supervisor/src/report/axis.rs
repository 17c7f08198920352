//! Kept readings on one time axis, for the computations over records.
//!
//! The axis is wall time from a beginning. A clock that is stepped within a record makes a length wrong by its step, once; the
//! times of kettle phases come from the run's own clock.

use crate::history::{ExactSample, HistoryError, HistoryStore, Span};
use setward_config::line::Line;
use setward_process::series;
use setward_protocol::{SignalId, Unit, Uptime, UtcMillis};

/// So much is read at once where only points are wanted.
const PIECE_MS: i64 = 3_600_000;

/// The beginning of an axis.
#[derive(Debug, Clone, Copy)]
pub struct Axis(pub UtcMillis);

impl Axis {
    /// A moment on the axis; what lies before the beginning is the beginning.
    #[must_use]
    pub fn at(self, utc: UtcMillis) -> Uptime {
        Uptime::from_millis(u64::try_from(utc.0.saturating_sub(self.0.0)).unwrap_or(0))
    }

    /// A moment of the axis in wall time.
    #[must_use]
    pub fn utc(self, at: Uptime) -> UtcMillis {
        UtcMillis(self.0.0.saturating_add(i64::try_from(at.as_nanos() / 1_000_000).unwrap_or(i64::MAX)))
    }

    /// A stretch of wall time on the axis.
    #[must_use]
    pub fn span(self, (from, to): (UtcMillis, UtcMillis)) -> series::Span {
        series::Span { from: self.at(from), to: self.at(to.max(from)) }
    }

    /// Good readings, in order of time, each later than the one before.
    #[must_use]
    pub fn points(self, samples: &[ExactSample]) -> Vec<(Uptime, f64)> {
        let mut points = Vec::new();
        self.append_points(&mut points, samples);
        points
    }

    fn append_points(self, points: &mut Vec<(Uptime, f64)>, samples: &[ExactSample]) {
        for sample in samples {
            let at = self.at(sample.utc);
            let is_later = points.last().is_none_or(|(last, _)| at > *last);
            if let Some(value) = sample.reading.good().filter(|value| is_later && value.is_finite()) {
                points.push((at, value));
            }
        }
    }

    /// What held from when: each reading until the next, not known from a bad one on, and not known once none has come for
    /// longer than `gap_limit`.
    #[must_use]
    pub fn steps(
        self,
        samples: &[ExactSample],
        gap_limit: std::time::Duration,
    ) -> Vec<(Uptime, Option<f64>)> {
        let mut steps: Vec<(Uptime, Option<f64>)> = Vec::new();
        let mut last: Option<Uptime> = None;
        for sample in samples {
            let at = self.at(sample.utc);
            if let Some(last) = last.filter(|last| at.since(*last) > gap_limit) {
                put(&mut steps, last + gap_limit, None);
            }
            put(&mut steps, at, sample.reading.good().filter(|value| value.is_finite()));
            last = Some(at);
        }
        steps
    }
}

/// Adds a step, if it says something new.
fn put(steps: &mut Vec<(Uptime, Option<f64>)>, at: Uptime, value: Option<f64>) {
    let is_news = steps.last().is_none_or(|(last, known)| at > *last && *known != value);
    if is_news {
        steps.push((at, value));
    }
}

/// Kept readings of a signal, converted to a unit, a little beyond both ends so that the ends are known.
///
/// # Errors
/// When history can't be read.
pub async fn read(
    line: &Line,
    store: &dyn HistoryStore,
    what: (SignalId, Unit),
    ends: (UtcMillis, UtcMillis),
) -> Result<Vec<ExactSample>, HistoryError> {
    read_between(line, store, what, a_little_beyond(line, what.0, ends)).await
}

/// The good ones of [`read`] on an axis, as [`Axis::points`] has them. An hour at a time is read: the run that cooks does this for each
/// batch, and a soak of half a day should not need memory for all that is known of each of its readings.
///
/// # Errors
/// When history can't be read.
pub async fn read_points(
    axis: Axis,
    line: &Line,
    store: &dyn HistoryStore,
    what: (SignalId, Unit),
    ends: (UtcMillis, UtcMillis),
) -> Result<Vec<(Uptime, f64)>, HistoryError> {
    let (mut from, to) = a_little_beyond(line, what.0, ends);
    let mut points = Vec::new();
    while from < to {
        let until = UtcMillis(from.0.saturating_add(PIECE_MS)).min(to);
        axis.append_points(&mut points, &read_between(line, store, what, (from, until)).await?);
        from = until;
    }
    Ok(points)
}

fn a_little_beyond(
    line: &Line,
    signal: SignalId,
    (from, to): (UtcMillis, UtcMillis),
) -> (UtcMillis, UtcMillis) {
    let beyond = i64::try_from(line.gap_limit(signal).as_millis()).unwrap_or(0);
    (UtcMillis(from.0.saturating_sub(beyond)), UtcMillis(to.0.saturating_add(beyond)))
}

async fn read_between(
    line: &Line,
    store: &dyn HistoryStore,
    (signal, unit): (SignalId, Unit),
    (from, to): (UtcMillis, UtcMillis),
) -> Result<Vec<ExactSample>, HistoryError> {
    let Ok(span) = Span::new(from, to) else { return Ok(Vec::new()) };
    let own = line.signal(signal).unit;
    let read = store.exact(vec![line.signal(signal).tag.clone()], span).await?;
    let mut samples: Vec<ExactSample> = read.into_iter().flat_map(|read| read.samples).collect();
    if own != unit {
        for sample in &mut samples {
            sample.reading = match sample.reading.good().and_then(|value| own.convert(value, unit)) {
                Some(value) => setward_protocol::Reading::Good(value),
                None => sample.reading,
            };
        }
    }
    Ok(samples)
}
