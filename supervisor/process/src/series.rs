//! Recorded values over time, in the two shapes the computations read.
//!
//! - [`Trace`]: a slow measurement, a straight line between its samples (temperatures).
//! - [`Steps`]: a value that holds until the next one (speeds, feed rates, states), with known gaps.
//!
//! Neither fills a gap: time without a value is handed on as unknown time, and the computation says what it makes of it.
//! Both are checked once, when made, so that nothing behind them needs to check again.

use alloc::vec::Vec;
use core::fmt;
use core::time::Duration;
use setward_protocol::Uptime;

/// A stretch of time. `to` is never before `from` in one made by [`Span::new`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Its beginning.
    pub from: Uptime,
    /// Its end.
    pub to: Uptime,
}

impl Span {
    /// From one time to another; `None` if the end is before the beginning.
    #[must_use]
    pub fn new(from: Uptime, to: Uptime) -> Option<Self> {
        (from <= to).then_some(Self { from, to })
    }

    /// How long it is, s.
    #[must_use]
    pub fn seconds(self) -> f64 {
        self.to.seconds_since(self.from)
    }

    /// What both have in common; `None` if they only touch or lie apart.
    #[must_use]
    pub fn overlap(self, other: Self) -> Option<Self> {
        let (from, to) = (self.from.max(other.from), self.to.min(other.to));
        (from < to).then_some(Self { from, to })
    }
}

/// The same spans in order of time, with none overlapping another.
#[must_use]
pub fn merged(spans: &[Span]) -> Vec<Span> {
    let mut sorted = spans.to_vec();
    sorted.sort_by_key(|span| span.from);
    let mut merged: Vec<Span> = Vec::new();
    for span in sorted {
        match merged.last_mut() {
            Some(last) if span.from <= last.to => last.to = last.to.max(span.to),
            _ => merged.push(span),
        }
    }
    merged
}

/// Why a record can't be computed with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SeriesError {
    /// There is no sample at all.
    Empty,
    /// This sample, counted from 0, is not later than the one before it.
    NotInOrder(usize),
    /// This sample, counted from 0, is not a finite number.
    NotFinite(usize),
    /// This sample, counted from 0, is below zero, where nothing can be.
    Negative(usize),
    /// The record is said to end before its last sample.
    EndsTooEarly,
}

impl fmt::Display for SeriesError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => {
                f.write_str("no sample in this time; choose a time in which the signal was polled")
            }
            Self::NotInOrder(at) => {
                write!(f, "sample {at} is not later than the one before it; sort by time")
            }
            Self::NotFinite(at) => write!(f, "sample {at} is not a number; leave bad readings out"),
            Self::Negative(at) => write!(f, "sample {at} is below zero; a speed or feed is 0 or more"),
            Self::EndsTooEarly => {
                f.write_str("the record ends before its last sample; its end is the last good reading")
            }
        }
    }
}

impl core::error::Error for SeriesError {}

/// A measurement by its good samples, a straight line between two that are no further apart than the gap limit.
///
/// Times strictly increase and values are finite: [`Trace::new`] sees to it. Bad readings are left out by the caller.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trace<'a> {
    points: &'a [(Uptime, f64)],
    gap_limit: Duration,
}

/// One straight piece of a [`Trace`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Where it begins.
    pub from: Uptime,
    /// Where it ends.
    pub to: Uptime,
    /// Value at the beginning, in the signal's unit.
    pub first: f64,
    /// Value at the end, in the signal's unit.
    pub last: f64,
}

impl Segment {
    /// How long it is, s.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.to.seconds_since(self.from)
    }

    /// Seconds of it at or above `limit`.
    #[must_use]
    pub fn seconds_at_or_above(&self, limit: f64) -> f64 {
        let (first, last) = (self.first - limit, self.last - limit);
        match (first >= 0.0, last >= 0.0) {
            (true, true) => self.seconds(),
            (false, false) => 0.0,
            (true, false) => self.seconds() * first / (first - last),
            (false, true) => self.seconds() * last / (last - first),
        }
    }

    /// The part of it inside a span; `None` if there is none.
    #[must_use]
    pub fn within(&self, span: Span) -> Option<Self> {
        let part = Span { from: self.from, to: self.to }.overlap(span)?;
        Some(Self {
            from: part.from,
            to: part.to,
            first: self.value_at(part.from),
            last: self.value_at(part.to),
        })
    }

    /// The value on the line at a time, in the signal's unit.
    #[must_use]
    pub fn value_at(&self, at: Uptime) -> f64 {
        if at >= self.to {
            return self.last;
        }
        let share = at.seconds_since(self.from) / self.seconds();
        self.first + (self.last - self.first) * share
    }

    /// When the line first stands at `value`; `None` if it does not reach it.
    #[must_use]
    pub fn first_at(&self, value: f64) -> Option<Uptime> {
        let (first, last) = (self.first - value, self.last - value);
        if first == 0.0 {
            return Some(self.from);
        }
        let crosses = (first < 0.0) != (last < 0.0) || last == 0.0;
        crosses.then(|| self.from.plus_seconds(self.seconds() * first / (first - last)))
    }
}

impl<'a> Trace<'a> {
    /// A record of good samples. Two further apart than `gap_limit` leave unknown time between them.
    ///
    /// # Errors
    /// No samples, times that do not increase, values that are not finite.
    pub fn new(points: &'a [(Uptime, f64)], gap_limit: Duration) -> Result<Self, SeriesError> {
        if points.is_empty() {
            return Err(SeriesError::Empty);
        }
        if let Some(at) = points.iter().position(|(_, value)| !value.is_finite()) {
            return Err(SeriesError::NotFinite(at));
        }
        match points.windows(2).position(|pair| matches!(pair, [a, b] if a.0 >= b.0)) {
            Some(at) => Err(SeriesError::NotInOrder(at + 1)),
            None => Ok(Self { points, gap_limit }),
        }
    }

    /// Its samples, in order of time.
    #[must_use]
    pub const fn points(&self) -> &'a [(Uptime, f64)] {
        self.points
    }

    /// From its first to its last sample.
    #[must_use]
    pub fn span(&self) -> Span {
        let first = self.points.first().map_or(Uptime::START, |(at, _)| *at);
        Span { from: first, to: self.points.last().map_or(first, |(at, _)| *at) }
    }

    /// Its straight pieces, in order of time; nothing where a gap is.
    pub fn segments(&self) -> impl Iterator<Item = Segment> + use<'a> {
        let gap_limit = self.gap_limit;
        self.points.windows(2).filter_map(move |pair| match *pair {
            [(from, first), (to, last)] if to.since(from) <= gap_limit => {
                Some(Segment { from, to, first, last })
            }
            _ => None,
        })
    }

    /// Its straight pieces inside a span, cut at the span's ends. Found by halving, so that a short span of a long
    /// record costs little.
    pub fn segments_within(&self, span: Span) -> impl Iterator<Item = Segment> + use<'a> {
        let first = self.points.partition_point(|(at, _)| *at <= span.from).saturating_sub(1);
        let last = self.points.partition_point(|(at, _)| *at < span.to);
        let near = self.points.get(first..=last).or_else(|| self.points.get(first..)).unwrap_or_default();
        let near = Self { points: near, gap_limit: self.gap_limit };
        near.segments().filter_map(move |segment| segment.within(span))
    }

    /// The value at a time, in the signal's unit; `None` outside the record and in its gaps.
    #[must_use]
    pub fn value_at(&self, at: Uptime) -> Option<f64> {
        let next = self.points.partition_point(|(point, _)| *point < at);
        let (to, last) = *self.points.get(next)?;
        if to == at {
            return Some(last);
        }
        let (from, first) = *self.points.get(next.checked_sub(1)?)?;
        (to.since(from) <= self.gap_limit).then(|| Segment { from, to, first, last }.value_at(at))
    }

    /// Seconds of a span in which the value is not known: before, after and in the gaps of the record.
    #[must_use]
    pub fn unknown_s(&self, span: Span) -> f64 {
        let known_s: f64 = self.segments_within(span).map(|segment| segment.seconds()).sum();
        (span.seconds() - known_s).max(0.0)
    }
}

/// A value that holds until the next one, with the stretches in which it is not known.
///
/// Times strictly increase and known values are finite; by [`Steps::new`] they are 0 or more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steps<'a> {
    points: &'a [(Uptime, Option<f64>)],
    until: Uptime,
}

impl<'a> Steps<'a> {
    /// A record that holds each value until the next, and the last one until `until`. `None` from a point on: not known.
    ///
    /// # Errors
    /// No points, times that do not increase, an end before the last point, known values that are negative or not
    /// finite. (A belt that an encoder's noise turns backward is for the caller to set to 0; a reversed one has no
    /// answer.)
    pub fn new(points: &'a [(Uptime, Option<f64>)], until: Uptime) -> Result<Self, SeriesError> {
        match points.iter().position(|(_, value)| value.is_some_and(|value| value < 0.0)) {
            Some(at) => Err(SeriesError::Negative(at)),
            None => Self::signed(points, until),
        }
    }

    /// The same of points that are known to be right, which are then not looked at one by one; `None` without any, or where the end is
    /// before the last.
    pub(crate) fn checked_before(points: &'a [(Uptime, Option<f64>)], until: Uptime) -> Option<Self> {
        (points.last()?.0 <= until).then_some(Self { points, until })
    }

    /// The same for values that may be below zero: setpoints.
    ///
    /// # Errors
    /// As for [`Steps::new`], but for negative values.
    pub fn signed(points: &'a [(Uptime, Option<f64>)], until: Uptime) -> Result<Self, SeriesError> {
        let is = |wrong: fn(f64) -> bool| points.iter().position(|(_, value)| value.is_some_and(wrong));
        let Some(last) = points.last() else { return Err(SeriesError::Empty) };
        if let Some(at) = is(|value| !value.is_finite()) {
            return Err(SeriesError::NotFinite(at));
        }
        if let Some(at) = points.windows(2).position(|pair| matches!(pair, [a, b] if a.0 >= b.0)) {
            return Err(SeriesError::NotInOrder(at + 1));
        }
        if last.0 > until { Err(SeriesError::EndsTooEarly) } else { Ok(Self { points, until }) }
    }

    /// When the record begins.
    #[must_use]
    pub fn from(&self) -> Uptime {
        self.points.first().map_or(self.until, |(at, _)| *at)
    }

    /// When the record ends.
    #[must_use]
    pub const fn until(&self) -> Uptime {
        self.until
    }

    /// Its pieces in order of time: from, to, value.
    pub fn pieces(&self) -> impl DoubleEndedIterator<Item = (Span, Option<f64>)> + use<'a> {
        let (points, until) = (self.points, self.until);
        (0..points.len()).filter_map(move |at| {
            let (from, value) = points.get(at).copied()?;
            let to = points.get(at + 1).map_or(until, |(next, _)| *next);
            Some((Span { from, to }, value))
        })
    }

    /// Its pieces inside a span, cut at the span's ends.
    pub fn pieces_within(
        &self,
        span: Span,
    ) -> impl DoubleEndedIterator<Item = (Span, Option<f64>)> + use<'a> {
        let first = self.points.partition_point(|(at, _)| *at <= span.from).saturating_sub(1);
        let last = self.points.partition_point(|(at, _)| *at < span.to);
        let near = self.points.get(first..last).unwrap_or_default();
        let until = self.points.get(last).map_or(self.until, |(next, _)| *next);
        let near = Self { points: near, until };
        near.pieces().filter_map(move |(piece, value)| piece.overlap(span).map(|part| (part, value)))
    }

    /// The value at a time; `None` outside the record and where it is not known.
    #[must_use]
    pub fn value_at(&self, at: Uptime) -> Option<f64> {
        let next = self.points.partition_point(|(point, _)| *point <= at);
        let (_, value) = *self.points.get(next.checked_sub(1)?)?;
        value.filter(|_| at <= self.until)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Uptime {
        Uptime::from_secs_f64(seconds)
    }

    #[test]
    fn a_record_that_cannot_be_computed_with_is_refused_when_it_is_made() {
        let gap = Duration::from_secs(3);
        assert_eq!(Trace::new(&[], gap), Err(SeriesError::Empty));
        assert_eq!(Trace::new(&[(at(1.0), 1.0), (at(1.0), 2.0)], gap), Err(SeriesError::NotInOrder(1)));
        assert_eq!(Trace::new(&[(at(1.0), f64::NAN)], gap), Err(SeriesError::NotFinite(0)));
        assert_eq!(Steps::new(&[], at(1.0)), Err(SeriesError::Empty));
        assert_eq!(Steps::new(&[(at(0.0), Some(-0.1))], at(1.0)), Err(SeriesError::Negative(0)));
        assert_eq!(Steps::new(&[(at(0.0), Some(f64::INFINITY))], at(1.0)), Err(SeriesError::NotFinite(0)));
        assert_eq!(Steps::new(&[(at(2.0), None)], at(1.0)), Err(SeriesError::EndsTooEarly));
        let backward = [(at(2.0), Some(1.0)), (at(1.0), None)];
        assert_eq!(Steps::new(&backward, at(9.0)), Err(SeriesError::NotInOrder(1)));
    }

    #[test]
    fn a_gap_longer_than_the_limit_has_no_line_through_it() {
        let points = [(at(0.0), 10.0), (at(2.0), 12.0), (at(10.0), 20.0), (at(12.0), 22.0)];
        let trace = Trace::new(&points, Duration::from_secs(3)).unwrap();
        let segments: Vec<_> = trace.segments().collect();
        assert_eq!(segments.len(), 2);
        assert_eq!(trace.unknown_s(Span { from: at(0.0), to: at(20.0) }), 16.0);
        assert_eq!(trace.unknown_s(Span { from: at(1.0), to: at(2.0) }), 0.0);
        assert_eq!(trace.value_at(at(1.0)), Some(11.0));
        assert_eq!((trace.value_at(at(2.0)), trace.value_at(at(10.0))), (Some(12.0), Some(20.0)));
        assert_eq!((trace.value_at(at(5.0)), trace.value_at(at(12.5))), (None, None));
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig { failure_persistence: None, ..Default::default() })]

        /// Halving finds the very pieces that looking at all of them does.
        #[test]
        fn pieces_found_by_halving_are_those_found_by_looking(
            times in proptest::collection::btree_set(0u64..40, 1..12), from in 0u64..45, length in 0u64..45
        ) {
            let span = Span { from: Uptime::from_millis(from), to: Uptime::from_millis(from + length) };
            let points: Vec<_> = times.iter().map(|&ms| (Uptime::from_millis(ms), ms as f64)).collect();
            let trace = Trace::new(&points, Duration::from_millis(6)).unwrap();
            let all: Vec<_> = trace.segments().filter_map(|piece| piece.within(span)).collect();
            proptest::prop_assert_eq!(trace.segments_within(span).collect::<Vec<_>>(), all);
            let points: Vec<_> = points.iter().map(|&(at, value)| (at, Some(value).filter(|ms| ms % 3.0 > 0.0))).collect();
            let steps = Steps::new(&points, Uptime::from_millis(42)).unwrap();
            let all: Vec<_> =
                steps.pieces().filter_map(|(piece, value)| piece.overlap(span).map(|part| (part, value))).collect();
            proptest::prop_assert_eq!(steps.pieces_within(span).collect::<Vec<_>>(), all);
            let value = steps.pieces().rfind(|(piece, _)| piece.from <= span.from && span.from <= piece.to);
            proptest::prop_assert_eq!(steps.value_at(span.from), value.and_then(|(_, value)| value));
        }
    }

    #[test]
    fn a_piece_is_cut_on_its_own_line() {
        let piece = Segment { from: at(0.0), to: at(10.0), first: 0.0, last: 100.0 };
        let cut = piece.within(Span { from: at(2.0), to: at(5.0) }).unwrap();
        assert_eq!((cut.first, cut.last), (20.0, 50.0));
        assert_eq!(piece.first_at(70.0), Some(at(7.0)));
        assert_eq!(piece.first_at(101.0), None);
        assert_eq!(piece.seconds_at_or_above(70.0), 3.0);
        let falling = Segment { first: 100.0, last: 0.0, ..piece };
        assert_eq!(falling.seconds_at_or_above(70.0), 3.0);
    }

    #[test]
    fn steps_hold_until_the_next_and_the_last_until_the_end() {
        let points = [(at(0.0), Some(1.0)), (at(4.0), None), (at(6.0), Some(2.0))];
        let steps = Steps::new(&points, at(9.0)).unwrap();
        let within = Span { from: at(3.0), to: at(8.0) };
        let pieces: Vec<_> =
            steps.pieces_within(within).map(|(span, value)| (span.seconds(), value)).collect();
        assert_eq!(pieces, [(1.0, Some(1.0)), (2.0, None), (2.0, Some(2.0))]);
        assert_eq!((steps.value_at(at(3.0)), steps.value_at(at(4.0))), (Some(1.0), None));
        assert_eq!((steps.value_at(at(9.0)), steps.value_at(at(9.1))), (Some(2.0), None));
    }
}
