//! The status kind: a code word or bit that says something is not as it should be.
//!
//! A code holds until the next reading. With `share` the code need not hold without a break: what counts is its share
//! of a window.

use crate::delay::{DelayDetector, Delays};
use crate::detector::Changes;
use crate::event::Forecast;
use crate::judge::Judge;
use crate::mean::{Level, Mean};
use crate::segment::Segment;
use crate::settings::{Side, StatusSettings};
use core::time::Duration;
use setward_protocol::Uptime;

/// Least known share of the window to judge a share.
const COVERAGE: f64 = 0.75;
/// A share counts from here below what was asked: "half" includes exactly half.
const INCLUSIVE: f64 = 1e-6;

/// Decides one status.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct StatusDetector {
    settings: StatusSettings,
    share: Option<(Mean, Level)>,
    delay: DelayDetector,
}

impl StatusDetector {
    pub(crate) fn new(settings: StatusSettings) -> Self {
        let StatusSettings { on_delay, off_delay, .. } = settings;
        let share = settings.share.map(|(fraction, window)| {
            let level = Level { side: Side::Above, level: fraction - INCLUSIVE, deadband: 0.0 };
            (Mean::new(window, COVERAGE), level)
        });
        Self { settings, share, delay: DelayDetector::new(Delays { deadband: 0.0, on_delay, off_delay }) }
    }

    fn says(&self, value: f64) -> bool {
        self.settings.is.contains(value)
    }

    /// The question is answered with `holds` over a stretch, and turns at some of its moments.
    fn follow(
        &mut self,
        from_at: Uptime,
        to_at: Uptime,
        holds: bool,
        turns: &[(Uptime, bool)],
        changes: &mut Changes,
    ) {
        let (mut start, mut answer) = (from_at, beyond(holds));
        for (at, turned) in turns {
            self.delay.handle(&Segment::flat(start, *at, answer), changes);
            let jump = Segment { from: answer, to: beyond(*turned), ..Segment::point(*at, 0.0) };
            self.delay.handle(&jump, changes);
            (start, answer) = (*at, beyond(*turned));
        }
        self.delay.handle(&Segment::flat(start, to_at, answer), changes);
    }
}

/// A yes as far beyond, a no as back.
const fn beyond(holds: bool) -> f64 {
    if holds { 1.0 } else { -1.0 }
}

impl Judge for StatusDetector {
    fn restore(&mut self, active: bool, _: f64) {
        self.delay.restore(active);
        if let Some((mean, _)) = &mut self.share {
            mean.is_beyond = active;
        }
    }

    fn carry(&mut self, waited: Duration, until: Uptime) {
        self.delay.carry(waited, until);
    }

    fn waited(&self, seen: Uptime) -> Option<Duration> {
        self.delay.waited(seen)
    }

    fn start_over(&mut self) {
        if let Some((mean, _)) = &mut self.share {
            mean.start_over();
            self.delay.restore(false);
        }
    }

    fn lose_sight(&mut self) {
        self.delay.lose_sight();
    }

    fn handle(&mut self, segment: &Segment, lent: &mut [Segment], changes: &mut Changes) {
        let (before, after) = (self.says(segment.from), self.says(segment.to));
        match &mut self.share {
            Some((mean, level)) => {
                let was = mean.is_beyond;
                let held = Segment::flat(segment.from_at, segment.to_at, f64::from(u8::from(before)));
                let turns = mean.take(&held, Some(*level), lent);
                self.follow(segment.from_at, segment.to_at, was, &turns, changes);
            }
            None if before == after => {
                self.follow(segment.from_at, segment.to_at, before, &[], changes);
            }
            None => self.follow(segment.from_at, segment.to_at, before, &[(segment.to_at, after)], changes),
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

    fn forecast(&self, _: Uptime, seen: Option<(Uptime, f64)>, lent: &[Segment]) -> Forecast {
        let Some((at, value)) = seen else { return Forecast::Unknown };
        let says = self.says(value);
        let Some((mean, level)) = &self.share else { return self.delay.forecast(at, beyond(says)) };
        let turns_in_s = mean.turns_in_s(f64::from(u8::from(says)), level, lent);
        let after = |seconds: f64, delay: Duration| seconds + delay.as_secs_f64();
        match (self.is_active(), mean.is_beyond, turns_in_s) {
            (false, false, Some(seconds)) => {
                Forecast::Raises { seconds: after(seconds, self.settings.on_delay) }
            }
            (true, true, Some(seconds)) => {
                Forecast::Clears { seconds: after(seconds, self.settings.off_delay) }
            }
            (false, false, None) if says => Forecast::WillNotRaise,
            (_, is_beyond, _) => self.delay.forecast(at, beyond(is_beyond)),
        }
    }
}
