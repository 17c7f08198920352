//! Questions to history, bounded before they are asked, and their answers.

use super::StoredSample;
use super::rollup::Stretch;
use setward_protocol::{Reading, Uptime, UtcMillis};
use std::fmt;

/// Most signals of one question.
pub const SIGNALS_MAX: usize = 32;
/// Most columns of an envelope.
pub const COLUMNS_MAX: usize = 4_000;
/// Most readings of one answer, all signals together.
pub const POINTS_MAX: usize = 1_000_000;
/// Longest window: ten years, ms.
const SPAN_MAX_MS: i64 = 10 * 366 * 24 * HOUR_MS;
/// Most signal-hours of one question: 32 signals over a year, or 3 over ten.
const SIGNAL_HOURS_MAX: i64 = 32 * 366 * 24;
const HOUR_MS: i64 = 3_600_000;

/// A question that is refused: what was asked, what is accepted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadQuery {
    /// In words for a person.
    pub text: String,
}

impl fmt::Display for BadQuery {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl std::error::Error for BadQuery {}

fn bad<T>(text: String) -> Result<T, BadQuery> {
    Err(BadQuery { text })
}

/// A stretch of wall time, `from <= t < to`, of at most ten years.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    from: UtcMillis,
    to: UtcMillis,
}

impl Span {
    /// All of time: for what must not miss anything. It has no length.
    pub(super) const EVER: Self = Self { from: UtcMillis(i64::MIN), to: UtcMillis(i64::MAX) };

    /// A stretch of wall time.
    ///
    /// # Errors
    /// When it ends before it begins, is empty, or is longer than ten years.
    pub fn new(from: UtcMillis, to: UtcMillis) -> Result<Self, BadQuery> {
        let length = to.0.saturating_sub(from.0);
        if length <= 0 {
            return bad(format!(
                "the window ends at {} ms and begins at {} ms; give an end after the beginning",
                to.0, from.0
            ));
        }
        if length > SPAN_MAX_MS {
            let days = length / (24 * HOUR_MS);
            return bad(format!("a window of {days} days is longer than ten years; ask for a shorter one"));
        }
        Ok(Self { from, to })
    }

    /// Its beginning.
    #[must_use]
    pub const fn from(&self) -> UtcMillis {
        self.from
    }

    /// Its end, no longer in it.
    #[must_use]
    pub const fn to(&self) -> UtcMillis {
        self.to
    }

    /// Its length, ms; positive.
    #[must_use]
    pub const fn length_ms(&self) -> i64 {
        self.to.0 - self.from.0
    }

    /// Whether a time lies in it.
    #[must_use]
    pub const fn contains(&self, utc: UtcMillis) -> bool {
        self.from.0 <= utc.0 && utc.0 < self.to.0
    }
}

/// Several signals over a window, in columns.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Window {
    tags: Vec<String>,
    span: Span,
    columns: usize,
}

/// From what an envelope was made: the coarsest that loses nothing at its width of column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Level {
    /// Single readings.
    Samples,
    /// Roll-ups of a minute.
    Minutes,
    /// Roll-ups of an hour.
    Hours,
}

impl Window {
    /// A question for envelopes.
    ///
    /// # Errors
    /// When there are no or too many tags, no or too many columns, or too many signals for so long a window.
    pub fn new(tags: Vec<String>, span: Span, columns: usize) -> Result<Self, BadQuery> {
        check_tags(&tags)?;
        if columns == 0 || columns > COLUMNS_MAX {
            return bad(format!("{columns} columns; ask for 1 to {COLUMNS_MAX}"));
        }
        let signal_hours = (span.length_ms() / HOUR_MS + 1).saturating_mul(tags.len() as i64);
        if signal_hours > SIGNAL_HOURS_MAX {
            return bad(format!(
                "{} signals over {} days are too many; ask for fewer signals or a shorter window",
                tags.len(),
                span.length_ms() / (24 * HOUR_MS)
            ));
        }
        Ok(Self { tags, span, columns })
    }

    /// The signals.
    #[must_use]
    pub fn tags(&self) -> &[String] {
        &self.tags
    }

    /// The stretch of time.
    #[must_use]
    pub const fn span(&self) -> Span {
        self.span
    }

    /// How many columns.
    #[must_use]
    pub const fn columns(&self) -> usize {
        self.columns
    }

    /// The coarsest level whose entries are no wider than a column.
    #[must_use]
    pub fn level(&self) -> Level {
        let width_ms = self.span.length_ms() / self.columns as i64;
        if width_ms >= HOUR_MS {
            Level::Hours
        } else if width_ms >= 60_000 {
            Level::Minutes
        } else {
            Level::Samples
        }
    }

    /// The column of a time; what lies before the window is in its first.
    pub(super) fn column(&self, utc_ms: i64) -> Option<usize> {
        let into = i128::from(utc_ms.saturating_sub(self.span.from.0).max(0));
        let column = into * self.columns as i128 / i128::from(self.span.length_ms());
        usize::try_from(column).ok().filter(|column| *column < self.columns)
    }
}

/// Refuses no tags, and too many.
pub(super) fn check_tags(tags: &[String]) -> Result<(), BadQuery> {
    if tags.is_empty() || tags.len() > SIGNALS_MAX {
        return bad(format!("{} signals; ask for 1 to {SIGNALS_MAX}", tags.len()));
    }
    Ok(())
}

/// A signal over a window, in columns.
#[derive(Debug, Clone, PartialEq)]
pub struct Envelope {
    /// The signal.
    pub tag: String,
    /// Whether history has ever heard of it.
    pub is_known: bool,
    /// What the columns were made from.
    pub level: Level,
    /// What each column was like, from left to right. Without samples and others: no rows at all, a gap.
    pub columns: Vec<Stretch>,
    /// Chunks in the window that could not be read: what is missing is not known, not a gap of the line.
    pub unreadable: u32,
}

impl Envelope {
    pub(super) fn empty(tag: &str, window: &Window, level: Level) -> Self {
        Self {
            tag: tag.to_owned(),
            is_known: false,
            level,
            columns: vec![Stretch::EMPTY; window.columns],
            unreadable: 0,
        }
    }

    /// Puts something into the column of its time.
    pub(super) fn put(&mut self, window: &Window, utc_ms: i64, put: impl FnOnce(&mut Stretch)) {
        if let Some(column) = window.column(utc_ms).and_then(|column| self.columns.get_mut(column)) {
            put(column);
        }
    }

    /// An envelope of single readings of which nothing more is known: extremes and means, no times.
    #[must_use]
    pub fn of_samples(tag: &str, window: &Window, samples: &[StoredSample]) -> Self {
        let mut envelope = Self::empty(tag, window, Level::Samples);
        for sample in samples.iter().filter(|sample| window.span.contains(sample.utc)) {
            envelope.is_known = true;
            envelope.put(window, sample.utc.0, |column| column.take(sample.reading.value()));
        }
        envelope
    }
}

/// A reading with all its times.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExactSample {
    /// The run it is of.
    pub run: i64,
    /// Its number in the store; readings of one poll share it.
    pub sequence: u64,
    /// Wall time.
    pub utc: UtcMillis,
    /// Time of the run, to the microsecond.
    pub at: Uptime,
    /// The reading.
    pub reading: Reading,
}

/// The readings of one signal, in order of wall time.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalSamples {
    /// The signal.
    pub tag: String,
    /// Whether history has ever heard of it.
    pub is_known: bool,
    /// Symbol of its unit; empty if none is known.
    pub unit: String,
    /// What the recipe asked of it, in the order in which it came into force.
    pub bands: Vec<KnownBand>,
    /// Its readings.
    pub samples: Vec<ExactSample>,
    /// Whether there were more than may be given at once; ask again from the last one on.
    pub is_cut: bool,
    /// Chunks in the window that could not be read.
    pub unreadable: u32,
}

/// What the recipe asked of a signal from a time of a run on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownBand {
    /// The run.
    pub run: i64,
    /// From when on.
    pub at: Uptime,
    /// The same moment in wall time.
    pub utc: UtcMillis,
    /// Setpoint, signal unit.
    pub setpoint: Option<f64>,
    /// Lowest and highest value within tolerance, signal unit.
    pub tolerance: Option<(f64, f64)>,
}

impl SignalSamples {
    /// Setpoint, lowest and highest value within tolerance that were in force at a reading.
    #[must_use]
    pub fn asked_at(&self, sample: &ExactSample) -> (Option<f64>, Option<f64>, Option<f64>) {
        let before = self.bands.iter().rev().find(|band| band.run == sample.run && band.at <= sample.at);
        let (low, high) = before.and_then(|band| band.tolerance).unzip();
        (before.and_then(|band| band.setpoint), low, high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(from: i64, to: i64) -> Result<Span, BadQuery> {
        Span::new(UtcMillis(from), UtcMillis(to))
    }

    #[test]
    fn reversed_empty_and_endless_windows_are_refused_with_what_is_accepted() {
        assert!(span(5, 5).unwrap_err().text.contains("end after"));
        assert!(span(5, 4).is_err());
        assert!(span(i64::MIN, i64::MAX).unwrap_err().text.contains("ten years"));
        let tags = |count: usize| vec!["TT-310".to_owned(); count];
        let day = span(0, 86_400_000).unwrap();
        assert!(Window::new(tags(0), day, 10).unwrap_err().text.contains("1 to 32"));
        assert!(Window::new(tags(33), day, 10).is_err());
        assert!(Window::new(tags(1), day, 0).is_err());
        assert!(Window::new(tags(1), day, 4001).unwrap_err().text.contains("1 to 4000"));
        let years = span(0, 9 * 365 * 86_400_000).unwrap();
        assert!(Window::new(tags(4), years, 10).unwrap_err().text.contains("fewer signals"));
        assert!(Window::new(tags(3), years, 10).is_ok());
    }

    #[test]
    fn the_level_is_the_coarsest_no_wider_than_a_column() {
        let level = |hours: i64| {
            Window::new(vec!["TT-310".to_owned()], span(0, hours * 3_600_000).unwrap(), 1500).unwrap().level()
        };
        assert_eq!(
            [level(24), level(25), level(720), level(1500)],
            [Level::Samples, Level::Minutes, Level::Minutes, Level::Hours]
        );
    }

    #[test]
    fn every_time_of_a_window_has_its_column() {
        let window = Window::new(vec!["X".to_owned()], span(1000, 2000).unwrap(), 10).unwrap();
        assert_eq!(
            [1000, 1099, 1100, 1999].map(|utc| window.column(utc)),
            [Some(0), Some(0), Some(1), Some(9)]
        );
        assert_eq!(
            [i64::MIN, 999, 2000, i64::MAX].map(|utc| window.column(utc)),
            [Some(0), Some(0), None, None]
        );
    }
}
