//! The last so many seconds of a signal, as straight pieces in storage that the caller lends.
//!
//! Owns what is in the window and what leaves it; sums of it are exact for straight lines. If more pieces come than
//! there is room for, neighbours are joined at the same area: the sums stay exact, only what leaves within one joined
//! piece is then an estimate.

use crate::segment::Segment;
use core::time::Duration;
use setward_protocol::Uptime;

/// After so many pieces the sums are made anew, so that rounding can't add up.
const RENEW_AFTER: u32 = 256;

/// A step of the window in which one straight piece comes in and another, or nothing, goes out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Move {
    pub(crate) from_at: Uptime,
    pub(crate) length_s: f64,
    /// Area and known seconds in the window before the step.
    pub(crate) area: f64,
    pub(crate) known_s: f64,
    /// Value and slope a second of what comes in; `None`: unknown time.
    pub(crate) enters: Option<(f64, f64)>,
    /// Value and slope a second of what goes out; `None`: unknown time.
    pub(crate) leaves: Option<(f64, f64)>,
}

/// A window over the lent segments.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Window {
    pub(crate) span: Duration,
    first: usize,
    count: usize,
    area: f64,
    known_s: f64,
    /// Up to when it has been filled.
    until: Option<Uptime>,
    pushed: u32,
}

impl Window {
    pub(crate) const fn new(span: Duration) -> Self {
        Self { span, first: 0, count: 0, area: 0.0, known_s: 0.0, until: None, pushed: 0 }
    }

    pub(crate) const fn clear(&mut self) {
        *self = Self::new(self.span);
    }

    /// The pieces, oldest first.
    pub(crate) fn pieces<'a>(&self, lent: &'a [Segment]) -> impl Iterator<Item = &'a Segment> + use<'a> {
        let (first, capacity) = (self.first, lent.len().max(1));
        (0..self.count).filter_map(move |index| lent.get((first + index) % capacity))
    }

    /// When the window begins, once anything is in it; the start of the run at the earliest.
    pub(crate) fn begins(&self) -> Option<Uptime> {
        self.until.map(|until| earlier(until, self.span))
    }

    /// Moves the window over a segment that follows on; tells `see` each step of the way. A window of no length, or
    /// without storage, keeps nothing.
    pub(crate) fn take(&mut self, segment: &Segment, lent: &mut [Segment], mut see: impl FnMut(&Move)) {
        if self.span.is_zero() || lent.is_empty() {
            return;
        }
        if self.until != Some(segment.from_at) {
            self.skip_to(segment.from_at, lent);
        }
        // What comes in must not leave within the same step.
        let mut start = segment.from_at;
        if segment.to_at.since(start) > self.span.saturating_mul(2) {
            start = earlier(segment.to_at, self.span);
            self.skip_to(start, lent);
        }
        while start < segment.to_at {
            let end = segment.to_at.min(start + self.span);
            let Some(chunk) = segment.clipped(start, end) else { return };
            self.slide(Some(&chunk), end, lent, &mut see);
            self.push(chunk, lent);
            start = end;
        }
    }

    /// Unknown time until `at`.
    pub(crate) fn skip_to(&mut self, at: Uptime, lent: &mut [Segment]) {
        if self.until.is_some() {
            self.slide(None, at, lent, &mut |_| {});
        }
        self.until = Some(at);
    }

    /// The steps ahead if the value stays at `value`, until all of the present content has left. `see` ends it early.
    pub(crate) fn look_ahead(&self, value: f64, lent: &[Segment], mut see: impl FnMut(&Move) -> bool) {
        let Some(mut now) = self.until else { return };
        let (mut area, mut known_s) = (self.area, self.known_s);
        let mut step = |end: Uptime, leaves: Option<&Segment>, now: &mut Uptime| {
            if end <= *now {
                return false;
            }
            let leaves = leaves.map(|piece| (piece.value_at(earlier(*now, self.span)), slope(piece)));
            let length_s = end.seconds_since(*now);
            let ahead = Move { from_at: *now, length_s, area, known_s, enters: Some((value, 0.0)), leaves };
            let done = see(&ahead);
            area = ahead.area_at(length_s);
            known_s = ahead.known_at(length_s);
            *now = end;
            done
        };
        for piece in self.pieces(lent) {
            let done = step(piece.from_at + self.span, None, &mut now)
                || step(piece.to_at + self.span, Some(piece), &mut now);
            if done {
                return;
            }
        }
        if let Some(until) = self.until {
            step(until + self.span, None, &mut now);
        }
    }

    /// Moves both ends on to `to_at`, while `enters` comes in.
    fn slide(
        &mut self,
        enters: Option<&Segment>,
        to_at: Uptime,
        lent: &mut [Segment],
        see: &mut impl FnMut(&Move),
    ) {
        let Some(mut now) = self.until else { return };
        while now < to_at {
            let front = (self.count > 0).then(|| lent.get(self.first).copied()).flatten();
            let (end, leaves) = match front {
                Some(front) if front.from_at + self.span > now => {
                    (to_at.min(front.from_at + self.span), None)
                }
                Some(front) => (to_at.min(front.to_at + self.span), Some(front)),
                None => (to_at, None),
            };
            let end = end.max(now);
            let motion = Move {
                from_at: now,
                length_s: end.seconds_since(now),
                area: self.area,
                known_s: self.known_s,
                enters: enters.map(|segment| (segment.value_at(now), slope(segment))),
                leaves: leaves.map(|front| (front.from, slope(&front))),
            };
            see(&motion);
            self.area = motion.area_at(motion.length_s);
            self.known_s = motion.known_at(motion.length_s).max(0.0);
            if let Some(front) = leaves {
                self.cut_front(front, end, lent);
            }
            now = end;
        }
        self.until = Some(to_at);
    }

    /// What left the window until `now` is no longer in the oldest piece.
    fn cut_front(&mut self, front: Segment, now: Uptime, lent: &mut [Segment]) {
        let left_until = earlier(now, self.span);
        match (front.clipped(left_until, front.to_at), lent.get_mut(self.first)) {
            (Some(rest), Some(place)) => *place = rest,
            (None, _) | (_, None) => {
                self.first = (self.first + 1) % lent.len().max(1);
                self.count = self.count.saturating_sub(1);
            }
        }
    }

    fn push(&mut self, piece: Segment, lent: &mut [Segment]) {
        let capacity = lent.len().max(1);
        if self.count > 0
            && let Some(last) = lent.get_mut((self.first + self.count - 1) % capacity)
            && last.to_at == piece.from_at
            && [last.from, last.to, piece.to] == [piece.from; 3]
        {
            last.to_at = piece.to_at;
        } else {
            if self.count == capacity {
                self.join_neighbours(lent);
            }
            if let Some(place) = lent.get_mut((self.first + self.count) % capacity) {
                *place = piece;
                self.count += 1;
            }
        }
        self.pushed += 1;
        if self.pushed >= RENEW_AFTER {
            self.pushed = 0;
            self.area = self.pieces(lent).map(Segment::area).sum();
            self.known_s = self.pieces(lent).map(Segment::length_s).sum();
        }
    }

    /// Makes room: two neighbours become one piece of the same length and area. What has no neighbour stays.
    fn join_neighbours(&mut self, lent: &mut [Segment]) {
        let capacity = lent.len().max(1);
        let (mut read, mut written) = (0, 0);
        while read < self.count {
            let at = |index: usize| (self.first + index) % capacity;
            let (Some(one), two) = (lent.get(at(read)).copied(), lent.get(at(read + 1)).copied()) else {
                break;
            };
            let joined = two.filter(|two| read + 1 < self.count && one.to_at == two.from_at).map(|two| {
                let length_s = one.length_s() + two.length_s();
                Segment::flat(one.from_at, two.to_at, (one.area() + two.area()) / length_s)
            });
            read += if joined.is_some() { 2 } else { 1 };
            if let Some(place) = lent.get_mut(at(written)) {
                *place = joined.unwrap_or(one);
            }
            written += 1;
        }
        if written == self.count {
            // Nothing but separate pieces: the oldest makes room, and its time becomes unknown.
            if let Some(oldest) = lent.get(self.first) {
                self.area -= oldest.area();
                self.known_s = (self.known_s - oldest.length_s()).max(0.0);
            }
            self.first = (self.first + 1) % capacity;
            written -= 1;
        }
        self.count = written;
    }
}

impl Move {
    /// Area in the window so many seconds into the step.
    pub(crate) fn area_at(&self, seconds: f64) -> f64 {
        let moved = |piece: Option<(f64, f64)>| {
            piece.map_or(0.0, |(value, slope)| seconds * (value + 0.5 * slope * seconds))
        };
        self.area + moved(self.enters) - moved(self.leaves)
    }

    /// Known seconds in the window so many seconds into the step.
    pub(crate) fn known_at(&self, seconds: f64) -> f64 {
        let rate = f64::from(u8::from(self.enters.is_some())) - f64::from(u8::from(self.leaves.is_some()));
        self.known_s + rate * seconds
    }
}

fn slope(segment: &Segment) -> f64 {
    let slope = (segment.to - segment.from) / segment.length_s();
    if slope.is_finite() { slope } else { 0.0 }
}

/// `span` before `at`, not before the start of the run.
pub(crate) fn earlier(at: Uptime, span: Duration) -> Uptime {
    let span_ns = u64::try_from(span.as_nanos()).unwrap_or(u64::MAX);
    Uptime::from_nanos(at.as_nanos().saturating_sub(span_ns))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn moves(window: &mut Window, points: &[(f64, f64)], lent: &mut [Segment]) {
        for pair in points.windows(2) {
            let [from_at, to_at] = [pair[0].0, pair[1].0].map(Uptime::from_secs_f64);
            window.take(&Segment { from_at, from: pair[0].1, to_at, to: pair[1].1 }, lent, |_| {});
        }
    }

    /// 29 CFR 1910.1000(d)(1)'s worked example: two hours at 150 ppm, two at 75, four at 50, over eight: 81.25 ppm.
    #[test]
    fn the_published_eight_hour_mean() {
        let hour = |hours: f64| Uptime::from_secs_f64(3600.0 * hours);
        let mut window = Window::new(Duration::from_secs(8 * 3600));
        let mut lent = [Segment::default(); 8];
        for (from, to, ppm) in [(0.0, 2.0, 150.0), (2.0, 4.0, 75.0), (4.0, 8.0, 50.0)] {
            window.take(&Segment::flat(hour(from), hour(to), ppm), &mut lent, |_| {});
        }
        assert_eq!((window.area / window.known_s, window.known_s), (81.25, 8.0 * 3600.0));
        // An hour later the first hour at 150 has left.
        window.take(&Segment::flat(hour(8.0), hour(9.0), 50.0), &mut lent, |_| {});
        assert!(libm::fabs(window.area / window.known_s - 68.75) < 1e-9);
    }

    proptest! {
        /// The sums carried along are those of what lies in the window, whatever has come and gone.
        #[test]
        fn the_sums_are_those_of_the_content(
            steps in proptest::collection::vec((0.01_f64..3.0, -1e3_f64..1e3, 0_u8..8), 2..600), span in 0.5_f64..40.0,
        ) {
            let mut window = Window::new(Duration::from_secs_f64(span));
            let mut lent = std::vec![Segment::default(); 6000];
            let (mut now, mut value, mut kept) = (0.0, 0.0, std::vec::Vec::new());
            for (length, next, what) in steps {
                if what > 0 {
                    let from_at = Uptime::from_secs_f64(now);
                    let segment = Segment { from_at, from: value, to_at: Uptime::from_secs_f64(now + length), to: next };
                    window.take(&segment, &mut lent, |_| {});
                    kept.push(segment);
                }
                (now, value) = (now + length, next);
            }
            let until = window.until.unwrap_or_default();
            let inside = kept.iter().filter_map(|segment| segment.clipped(earlier(until, window.span), until));
            let (area, known_s) = inside.fold((0.0, 0.0), |(area, known), part| (area + part.area(), known + part.length_s()));
            prop_assert!(libm::fabs(window.area - area) < 1e-4 * (1.0 + 1e3 * known_s), "{} is not {}", window.area, area);
            prop_assert!(libm::fabs(window.known_s - known_s) < 1e-6, "{} is not {}", window.known_s, known_s);
        }

        /// With less storage than samples, area and time are still all there: they are only cut more coarsely.
        #[test]
        fn joining_neighbours_loses_neither_area_nor_time(values in proptest::collection::vec(-10.0_f64..10.0, 40..200)) {
            let points: std::vec::Vec<(f64, f64)> = (0..).map(f64::from).zip(values).collect();
            let mut window = Window::new(Duration::from_secs(1000));
            let (mut lent, mut ample) = ([Segment::default(); 9], std::vec![Segment::default(); 400]);
            moves(&mut window, &points, &mut lent);
            let mut full = Window::new(Duration::from_secs(1000));
            moves(&mut full, &points, &mut ample);
            let area: f64 = window.pieces(&lent).map(Segment::area).sum();
            prop_assert!(libm::fabs(area - full.area) < 1e-9 * (points.len() as f64));
            prop_assert!(libm::fabs(window.known_s - full.known_s) < 1e-9);
        }
    }
}
