//! Limit, deviation and discrepancy: a value that leaves a band on the watched side or sides.
//!
//! Owns where the band is; how long counts is `delay.rs`.

use crate::delay::{DelayDetector, Delays};
use crate::detector::Changes;
use crate::event::Forecast;
use crate::judge::Judge;
use crate::segment::Segment;
use crate::settings::{
    DeviationSettings, DiscrepancySettings, LimitSettings, Reference, Side, Target, Width,
};
use core::num::NonZeroU8;
use core::time::Duration;
use setward_protocol::Uptime;

/// Lowest and highest value that is not beyond; `None` on a side that is not watched.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Bounds {
    low: Option<f64>,
    high: Option<f64>,
}

impl Bounds {
    fn on(side: Option<Side>, low: f64, high: f64) -> Self {
        Self {
            low: (side != Some(Side::Above)).then_some(low),
            high: (side != Some(Side::Below)).then_some(high),
        }
    }

    /// How far beyond the nearer bound `value` is; negative inside.
    fn beyond(&self, value: f64) -> f64 {
        let above = self.high.map_or(f64::NEG_INFINITY, |high| value - high);
        let below = self.low.map_or(f64::NEG_INFINITY, |low| low - value);
        if above.is_nan() || below.is_nan() { f64::NAN } else { above.max(below) }
    }

    /// The segment as distances beyond, cut where the other bound becomes the nearer one.
    fn pieces(&self, segment: &Segment) -> [Option<Segment>; 2] {
        let piece = |from_at, from, to_at, to| {
            Some(Segment { from_at, from: self.beyond(from), to_at, to: self.beyond(to) })
        };
        let whole = [piece(segment.from_at, segment.from, segment.to_at, segment.to), None];
        let (Some(low), Some(high)) = (self.low, self.high) else { return whole };
        let middle = 0.5 * (low + high);
        if (segment.from < middle) == (segment.to < middle) {
            return whole;
        }
        let at = segment.crossing(middle);
        [piece(segment.from_at, segment.from, at, middle), piece(at, middle, segment.to_at, segment.to)]
    }
}

/// Where the band comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Band {
    Fixed(Bounds),
    /// About the setpoint of the running recipe.
    AboutTarget {
        side: Option<Side>,
        width: Width,
    },
    /// About zero: the value is a difference of two signals.
    AboutZero {
        side: Option<Side>,
        width: Width,
    },
}

/// Decides limit, deviation and discrepancy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct BandDetector {
    band: Band,
    target: Option<Target>,
    delay: DelayDetector,
    /// So many values in a row must be beyond; 1 where values are joined by lines.
    in_a_row: u8,
    /// So many have been.
    row: u8,
}

impl BandDetector {
    pub(crate) fn limit(settings: &LimitSettings) -> Self {
        let band = Band::Fixed(Bounds::on(Some(settings.side), settings.limit, settings.limit));
        let LimitSettings { deadband, on_delay, off_delay, .. } = *settings;
        Self::new(band, Delays { deadband, on_delay, off_delay })
    }

    pub(crate) fn deviation(settings: &DeviationSettings) -> Self {
        let (side, width) = (settings.side, settings.width);
        let band = match settings.against {
            Reference::Recipe => Band::AboutTarget { side, width },
            Reference::Signal(_) => Band::AboutZero { side, width },
        };
        let DeviationSettings { deadband, on_delay, off_delay, .. } = *settings;
        Self::new(band, Delays { deadband, on_delay, off_delay })
    }

    /// Two signals that should agree: the value is their difference.
    pub(crate) fn discrepancy(settings: &DiscrepancySettings) -> Self {
        let band = Band::AboutZero { side: None, width: Width::Fixed(settings.apart) };
        let DiscrepancySettings { deadband, on_delay, off_delay, .. } = *settings;
        Self::new(band, Delays { deadband, on_delay, off_delay })
    }

    fn new(band: Band, delays: Delays) -> Self {
        Self { band, target: None, delay: DelayDetector::new(delays), in_a_row: 1, row: 0 }
    }

    /// The same for values that stand alone.
    pub(crate) fn after(self, in_a_row: Option<NonZeroU8>) -> Self {
        Self { in_a_row: in_a_row.map_or(1, NonZeroU8::get), ..self }
    }

    /// Whether a value counts now: one that is back always does, one beyond only at the end of a long enough row.
    fn counts(&mut self, beyond: f64) -> bool {
        self.row = if beyond > 0.0 { self.row.saturating_add(1) } else { 0 };
        self.row == 0 || self.row >= self.in_a_row || self.delay.is_active()
    }

    /// The band in force; `None` if the recipe asks nothing.
    fn bounds(&self) -> Option<Bounds> {
        match self.band {
            Band::Fixed(bounds) => Some(bounds),
            Band::AboutTarget { side, width } => {
                let target = self.target?;
                let (below, above) = (target.reach(width, Side::Below)?, target.reach(width, Side::Above)?);
                Some(Bounds::on(side, target.setpoint - below, target.setpoint + above))
            }
            Band::AboutZero { side, width } => {
                let reach = |side| match width {
                    Width::Fixed(width) => Some(width),
                    Width::Latitude | Width::Tolerance | Width::Specification => {
                        self.target?.reach(width, side)
                    }
                };
                let (below, above) = (reach(Side::Below)?, reach(Side::Above)?);
                Some(Bounds::on(side, -below, above))
            }
        }
    }
}

impl Judge for BandDetector {
    fn restore(&mut self, active: bool, _: f64) {
        self.delay.restore(active);
    }

    fn carry(&mut self, waited: Duration, until: Uptime) {
        self.delay.carry(waited, until);
    }

    fn waited(&self, seen: Uptime) -> Option<Duration> {
        self.delay.waited(seen)
    }

    fn set_target(&mut self, target: Option<Target>) {
        self.target = target;
    }

    fn lose_sight(&mut self) {
        self.delay.lose_sight();
    }

    fn take_back(&mut self) {
        self.row = self.row.saturating_sub(1);
    }

    fn handle(&mut self, segment: &Segment, _: &mut [Segment], changes: &mut Changes) {
        let Some(bounds) = self.bounds() else { return self.delay.lose_sight() };
        if !self.counts(bounds.beyond(segment.to)) {
            return;
        }
        for piece in bounds.pieces(segment).iter().flatten() {
            self.delay.handle(piece, changes);
        }
    }

    fn deadline(&self) -> Option<Uptime> {
        self.delay.deadline()
    }

    fn run_out(&mut self, _: Uptime, changes: &mut Changes) {
        self.delay.run_out(changes);
    }

    fn is_active(&self) -> bool {
        self.delay.is_active()
    }

    fn beyond_since(&self) -> Option<Uptime> {
        self.delay.beyond_since()
    }

    fn has_reference(&self) -> bool {
        self.bounds().is_some()
    }

    fn forecast(&self, _: Uptime, seen: Option<(Uptime, f64)>, _: &[Segment]) -> Forecast {
        match (seen, self.bounds()) {
            (Some((at, value)), Some(bounds)) => self.delay.forecast(at, bounds.beyond(value)),
            (None, _) | (_, None) => Forecast::Unknown,
        }
    }
}
