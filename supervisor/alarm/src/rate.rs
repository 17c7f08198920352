//! The rate kind: the slope of the straight line that fits a window best.
//!
//! The fit weighs time, not samples, so irregular samples do not bend it and subdividing changes nothing. With `between`
//! only the time the value spends there counts, and leaving ends both the window and the condition.

use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::judge::Judge;
use crate::segment::{Segment, seconds_between};
use crate::settings::RateSettings;
use crate::window::{Window, earlier};
use setward_protocol::Uptime;

/// Least known share of the window to judge the slope.
const COVERAGE: f64 = 0.75;
/// How far back the slope must come to clear, as a share of the rate: a slope is noisy.
const BACK: f64 = 0.1;

/// Decides one rate of change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RateDetector {
    settings: RateSettings,
    window: Window,
    active: bool,
    since: Option<Uptime>,
}

impl RateDetector {
    pub(crate) fn new(settings: RateSettings) -> Self {
        Self { settings, window: Window::new(settings.kept()), active: false, since: None }
    }

    fn is_between(&self, value: f64) -> bool {
        self.settings.between.is_none_or(|(low, high)| (low..=high).contains(&value))
    }

    /// The part of a segment in which the value lies where the rate is judged.
    fn judged(&self, segment: &Segment) -> Option<Segment> {
        let Some((low, high)) = self.settings.between else { return Some(*segment) };
        // The line enters and leaves through the bound on the side where its end is.
        let bound = |value: f64| if value < low { low } else { high };
        let passes = |value: f64, inside_at| {
            if self.is_between(value) { inside_at } else { segment.crossing(bound(value)) }
        };
        let both_outside = !self.is_between(segment.from) && !self.is_between(segment.to);
        if both_outside && bound(segment.from) == bound(segment.to) {
            return None;
        }
        segment.clipped(passes(segment.from, segment.from_at), passes(segment.to, segment.to_at))
    }

    /// How far the slope of the window up to `at` is beyond, a minute; `None` with too little in it.
    fn beyond(&self, at: Uptime, lent: &[Segment]) -> Option<f64> {
        let start = earlier(at, self.settings.over);
        let mut fit = Fit::default();
        for piece in self.window.pieces(lent).filter(|piece| piece.to_at > start && piece.from_at < at) {
            if piece.from_at >= start && piece.to_at <= at {
                fit.add(piece, at);
            } else if let Some(part) = piece.clipped(start, at) {
                fit.add(&part, at);
            }
        }
        let least_s = COVERAGE * self.settings.over.as_secs_f64();
        let is_enough = fit.known_s >= least_s * (1.0 - 1e-9) && self.settings.resolves();
        let slope = fit.slope_a_minute()?;
        is_enough.then_some(self.settings.side.beyond(slope, self.settings.per_minute))
    }

    /// Whether a slope so far beyond is a change from what it was.
    fn turns(&self, beyond: f64) -> bool {
        let back = BACK * libm::fabs(self.settings.per_minute);
        if self.active { beyond <= -back } else { beyond > 0.0 }
    }

    fn turn(&mut self, at: Uptime, changes: &mut Changes) {
        self.active = !self.active;
        self.since = self.active.then_some(at);
        let change = if self.active { Change::Begins { at, onset: at } } else { Change::Ends { at } };
        let _fits = changes.push(change);
    }

    /// The moment in the segment just taken in at which the slope turned, found by halving.
    fn turned_at(&self, segment: &Segment, lent: &[Segment]) -> Uptime {
        let (mut early, mut late) = (segment.from_at, segment.to_at);
        while late.as_nanos() - early.as_nanos() > 1 {
            let middle = Uptime::from_nanos(early.as_nanos().midpoint(late.as_nanos()));
            if self.beyond(middle, lent).is_some_and(|beyond| self.turns(beyond)) {
                late = middle;
            } else {
                early = middle;
            }
        }
        late
    }
}

impl Judge for RateDetector {
    fn restore(&mut self, active: bool, _: f64) {
        self.active = active;
    }

    fn start_over(&mut self) {
        self.window.clear();
        (self.active, self.since) = (false, None);
    }

    fn handle(&mut self, segment: &Segment, lent: &mut [Segment], changes: &mut Changes) {
        let judged = self.judged(segment);
        if let Some(part) = judged {
            self.window.take(&part, lent, |_| {});
            if self.beyond(part.to_at, lent).is_some_and(|beyond| self.turns(beyond)) {
                let at = self.turned_at(&part, lent);
                self.turn(at, changes);
            }
        }
        if !self.is_between(segment.to) {
            self.window.clear();
            if self.active {
                self.turn(judged.map_or(segment.from_at, |part| part.to_at), changes);
            }
        }
    }

    fn is_active(&self) -> bool {
        self.active
    }

    fn beyond_since(&self) -> Option<Uptime> {
        self.since
    }

    fn forecast(&self, _: Uptime, seen: Option<(Uptime, f64)>, _: &[Segment]) -> Forecast {
        match seen {
            Some(_) if self.active => Forecast::StaysActive,
            Some(_) => Forecast::Quiet,
            None => Forecast::Unknown,
        }
    }
}

/// Sums of a best straight line through pieces, with time counted from the end of the window.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Fit {
    known_s: f64,
    t: f64,
    tt: f64,
    x: f64,
    tx: f64,
    /// Values are counted from the first, or their sums would drown the differences.
    origin: Option<f64>,
}

impl Fit {
    fn add(&mut self, piece: &Segment, end: Uptime) {
        let origin = *self.origin.get_or_insert(piece.from);
        let length_s = piece.length_s();
        let middle_s = 0.5 * length_s - seconds_between(piece.from_at, end);
        let mean = 0.5 * (piece.from + piece.to) - origin;
        let spread = length_s * length_s / 12.0;
        self.known_s += length_s;
        self.t += length_s * middle_s;
        self.tt += length_s * (middle_s * middle_s + spread);
        self.x += length_s * mean;
        self.tx += length_s * (middle_s * mean + (piece.to - piece.from) * length_s / 12.0);
    }

    fn slope_a_minute(&self) -> Option<f64> {
        let slope =
            (self.tx - self.t * self.x / self.known_s) / (self.tt - self.t * self.t / self.known_s) * 60.0;
        slope.is_finite().then_some(slope)
    }
}
