//! The time-weighted kind: exposure against the recipe's setpoint and tolerance, over segments of samples.
//!
//! The law itself is in `exposure.rs`; here is what it means for raising, clearing and the forecast.

use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::exposure::{EXPOSURE_CAP, Law, pieces};
use crate::judge::Judge;
use crate::segment::Segment;
use crate::settings::{BatchEdge, Leak, Target, TimeWeightedSettings};
use setward_protocol::Uptime;

/// Exposure below this share no longer counts as the same build-up: the next excursion has its own onset.
const FORGOTTEN_BELOW: f64 = 0.05;

/// The time-weighted kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ExposureDetector {
    settings: TimeWeightedSettings,
    target: Option<Target>,
    share: f64,
    /// The batch it was counted for has ended, and no other has begun.
    is_between_batches: bool,
    active: bool,
    /// Start of the present stretch beyond tolerance.
    beyond_since: Option<Uptime>,
    /// Start of the present build-up of exposure.
    onset: Option<Uptime>,
}

impl ExposureDetector {
    pub(crate) fn new(settings: TimeWeightedSettings) -> Self {
        Self {
            settings,
            target: None,
            share: 0.0,
            is_between_batches: false,
            active: false,
            beyond_since: None,
            onset: None,
        }
    }

    /// The law and the distance of a value from the setpoint in tolerances; `None` without a usable target.
    fn law(&self) -> Option<(Law, impl Fn(f64) -> f64 + use<>)> {
        let target = self.target?;
        let side = self.settings.side;
        let pick_up = match self.settings.leak {
            Leak::Inside => 1.0,
            Leak::Always { pick_up } => pick_up,
        };
        let tolerance = pick_up * target.tolerance(side);
        let law = Law::new(&self.settings, tolerance);
        (tolerance > 0.0).then_some((law, move |value| side.beyond(value, target.setpoint) / tolerance))
    }

    /// Beyond tolerance with `before` of the allowance carried in: a build-up that is all but forgotten begins anew, with
    /// the present stretch.
    fn begin_build_up(&mut self, before: f64) {
        if !self.active && (self.onset.is_none() || before < FORGOTTEN_BELOW) {
            self.onset = self.beyond_since;
        }
    }

    fn raise_within(&mut self, start: Uptime, seconds: Option<f64>, changes: &mut Changes) {
        // A share that is already past the allowance (restored, or tolerance narrowed) raises at once.
        let seconds = seconds.or((self.share >= 1.0).then_some(0.0));
        if let Some(seconds) = seconds
            && !self.active
        {
            self.active = true;
            let at = start.plus_seconds(seconds);
            // Four places always suffice for the at most three changes of a segment.
            let _fits = changes.push(Change::Begins { at, onset: self.onset.unwrap_or(start) });
        }
    }

    /// Seconds within tolerance until the alarm clears. Without recovery it clears at once, and exposure starts anew: it
    /// would otherwise never clear, and never raise again.
    fn seconds_to_clear(&self, law: &Law, share: f64) -> Option<f64> {
        match self.settings.recovery {
            Some(_) => law.seconds_to_decay(share, self.settings.clear_below),
            None => Some(0.0),
        }
    }

    fn clear_if_low(&mut self, at: Uptime, changes: &mut Changes) {
        let forgets = self.settings.recovery.is_some();
        if self.active && (self.share <= self.settings.clear_below || !forgets) {
            self.active = false;
            self.onset = None;
            self.share = if forgets { self.share } else { 0.0 };
            let _fits = changes.push(Change::Ends { at });
        }
    }
}

impl Judge for ExposureDetector {
    fn restore(&mut self, active: bool, share: f64) {
        self.active = active;
        self.share = if share.is_finite() { share.clamp(0.0, EXPOSURE_CAP) } else { 0.0 };
    }

    fn set_target(&mut self, target: Option<Target>) {
        self.target = target;
    }

    /// Nothing collected, nothing active.
    fn start_over(&mut self) {
        (self.share, self.active, self.onset) = (0.0, false, None);
    }

    /// A first sample after unknown time: no exposure to add, but it says on which side of tolerance the value is.
    fn handle_point(&mut self, at: Uptime, value: f64, _: &mut [Segment], changes: &mut Changes) {
        let Some((_, distance)) = self.law() else { return };
        if distance(value) > 1.0 {
            self.beyond_since = Some(at);
            self.begin_build_up(self.share);
        } else {
            self.beyond_since = None;
            self.clear_if_low(at, changes);
        }
    }

    fn handle(&mut self, segment: &Segment, _: &mut [Segment], changes: &mut Changes) {
        let Some((law, distance)) = self.law() else { return };
        for piece in pieces(distance(segment.from), distance(segment.to), segment.length_s()).iter().flatten()
        {
            let start = segment.from_at.plus_seconds(piece.start_s);
            let before = self.share;
            self.share = law.advance(before, piece);
            if piece.is_beyond() {
                self.beyond_since.get_or_insert(start);
                self.begin_build_up(before);
                self.raise_within(start, law.seconds_to_raise(before, piece), changes);
            } else {
                self.beyond_since = None;
                let falls_s = self.seconds_to_clear(&law, before);
                if let Some(seconds) = falls_s.filter(|seconds| *seconds <= piece.length_s) {
                    self.clear_if_low(start.plus_seconds(seconds), changes);
                }
                if self.share < FORGOTTEN_BELOW && !self.active {
                    self.onset = None;
                }
            }
        }
        // What has come back to the tolerance itself is within, and no piece of this segment says so.
        if distance(segment.to) <= 1.0 {
            self.beyond_since = None;
        }
    }

    /// Exposure that never fades is counted per batch.
    fn handle_batch(&mut self, at: Uptime, edge: BatchEdge, changes: &mut Changes) {
        self.is_between_batches = edge == BatchEdge::Ends;
        if edge == BatchEdge::Begins && self.settings.recovery.is_none() {
            if self.active {
                let _fits = changes.push(Change::Ends { at });
            }
            self.start_over();
        }
    }

    fn is_active(&self) -> bool {
        self.active
    }

    fn exposure(&self) -> Option<f64> {
        Some(self.share)
    }

    /// What never fades would be found by the next batch, if that begins while nothing runs.
    fn carried(&self) -> Option<f64> {
        let is_over = self.is_between_batches && self.settings.recovery.is_none();
        Some(if is_over { 0.0 } else { self.share })
    }

    fn beyond_since(&self) -> Option<Uptime> {
        self.beyond_since
    }

    fn has_reference(&self) -> bool {
        self.law().is_some()
    }

    fn forecast(&self, _: Uptime, seen: Option<(Uptime, f64)>, _: &[Segment]) -> Forecast {
        let (Some((_, value)), Some((law, distance))) = (seen, self.law()) else { return Forecast::Unknown };
        match (self.active, law.seconds_at(self.share, distance(value))) {
            (false, Some(seconds)) => Forecast::Raises { seconds },
            (false, None) if self.share >= FORGOTTEN_BELOW => Forecast::WillNotRaise,
            (false, None) => Forecast::Quiet,
            (true, Some(_)) => Forecast::StaysActive,
            // With a leak a little beyond tolerance never raises, and never clears.
            (true, None) if distance(value) > 1.0 => Forecast::StaysActive,
            (true, None) => self
                .seconds_to_clear(&law, self.share)
                .map_or(Forecast::StaysActive, |seconds| Forecast::Clears { seconds }),
        }
    }
}
