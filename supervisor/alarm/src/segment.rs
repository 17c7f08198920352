//! What lies between two samples: a straight line, or unknown time.

use core::time::Duration;
use setward_protocol::{Reading, Uptime};

/// A stretch between two good samples, in which the value is a straight line. Averages keep them in storage that the
/// caller lends.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Segment {
    pub(crate) from_at: Uptime,
    pub(crate) from: f64,
    pub(crate) to_at: Uptime,
    pub(crate) to: f64,
}

impl Segment {
    /// A single sample.
    pub(crate) const fn point(at: Uptime, value: f64) -> Self {
        Self { from_at: at, from: value, to_at: at, to: value }
    }

    /// The value stays the same.
    pub(crate) const fn flat(from_at: Uptime, to_at: Uptime, value: f64) -> Self {
        Self { from_at, from: value, to_at, to: value }
    }

    pub(crate) fn length_s(&self) -> f64 {
        seconds_between(self.from_at, self.to_at)
    }

    /// Value times seconds.
    pub(crate) fn area(&self) -> f64 {
        0.5 * (self.from + self.to) * self.length_s()
    }

    /// The value at a moment within it.
    pub(crate) fn value_at(&self, at: Uptime) -> f64 {
        let share = seconds_between(self.from_at, at) / self.length_s();
        if share.is_finite() { self.from + (self.to - self.from) * share.clamp(0.0, 1.0) } else { self.to }
    }

    /// What of it lies between two moments; `None` if nothing does.
    pub(crate) fn clipped(&self, from_at: Uptime, to_at: Uptime) -> Option<Self> {
        let (start, end) = (self.from_at.max(from_at), self.to_at.min(to_at));
        let cut = Self { from_at: start, from: self.value_at(start), to_at: end, to: self.value_at(end) };
        (start < end).then_some(cut)
    }

    /// When the line passes `level`; the end if it does not.
    pub(crate) fn crossing(&self, level: f64) -> Uptime {
        let share = (level - self.from) / (self.to - self.from);
        if share.is_finite() {
            self.from_at.plus_seconds(self.length_s() * share.clamp(0.0, 1.0))
        } else {
            self.to_at
        }
    }
}

/// Seconds from one moment to a later one; zero if it is not later. Windows do this for hundreds of pieces a sample, so it
/// does without the detour over seconds and nanoseconds apart.
pub(crate) fn seconds_between(from_at: Uptime, to_at: Uptime) -> f64 {
    to_at.as_nanos().saturating_sub(from_at.as_nanos()) as f64 / 1e9
}

/// What a reading means to a detector.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Step {
    /// Nothing was heard. The next good sample may still be joined to the last.
    Silence,
    /// The instrument is known to be bad.
    Lost,
    /// A good sample that nothing precedes.
    Point(Uptime, f64),
    /// A good sample joined to the one before.
    Joined(Segment),
}

/// The last good sample, as far as it may still be joined to the next.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Anchor {
    last: Option<(Uptime, f64)>,
    /// Whether there ever was a good sample.
    ever: bool,
}

/// What a detector sees of its signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sight {
    /// A value that is young enough.
    Clear,
    /// None yet.
    NotYet,
    /// The instrument is known to be bad.
    Bad,
    /// Nothing has been heard for too long.
    Gap,
}

impl Anchor {
    pub(crate) fn step(&mut self, at: Uptime, reading: Reading, gap_limit: Duration) -> Step {
        let value = match reading {
            Reading::Good(value) if value.is_finite() => value,
            Reading::Bad(why) if why.is_silence() => return Step::Silence,
            Reading::Good(_) | Reading::Uncertain(..) | Reading::Bad(_) => {
                self.last = None;
                return Step::Lost;
            }
        };
        self.ever = true;
        match self.last.replace((at, value)) {
            Some((from_at, from)) if at.since(from_at) <= gap_limit => {
                Step::Joined(Segment { from_at, from, to_at: at, to: value })
            }
            Some(_) | None => Step::Point(at, value),
        }
    }

    /// When the last good sample came.
    pub(crate) fn last_at(&self) -> Option<Uptime> {
        self.last.map(|(at, _)| at)
    }

    /// What is seen at `now`.
    pub(crate) fn sight(&self, now: Uptime, gap_limit: Duration) -> Sight {
        match self.last {
            _ if !self.ever => Sight::NotYet,
            None => Sight::Bad,
            Some(_) if self.seen(now, gap_limit).is_some() => Sight::Clear,
            Some(_) => Sight::Gap,
        }
    }

    /// The last good sample, if it is young enough to say anything about `now`.
    pub(crate) fn seen(&self, now: Uptime, gap_limit: Duration) -> Option<(Uptime, f64)> {
        self.last.filter(|(at, _)| now.since(*at) <= gap_limit)
    }
}
