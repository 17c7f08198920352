//! Beyond for `on_delay`, then back past the deadband for `off_delay`: the decision that several kinds share.
//!
//! It is told how far *beyond* the value is: positive is beyond, at or below minus the deadband is back. Delays are
//! counted from the crossings inside the segments. An on-delay may also run out between samples, on the caller's
//! timer; an off-delay ends with the sample that shows it.

use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::segment::Segment;
use core::time::Duration;
use setward_protocol::Uptime;

/// Deadband and delays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Delays {
    pub(crate) deadband: f64,
    pub(crate) on_delay: Duration,
    pub(crate) off_delay: Duration,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Phase {
    /// Not beyond.
    Inside,
    /// Beyond, on-delay running.
    Pending { since: Uptime },
    /// Raised at `raised`; beyond since then as far as is known.
    Active { since: Option<Uptime>, raised: Uptime },
    /// Raised, back past the deadband, off-delay running.
    Returning { since: Uptime, raised: Uptime },
}

/// Decides by delays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct DelayDetector {
    delays: Delays,
    phase: Phase,
    /// So much of the on-delay had passed when an earlier run stopped; it counts if the first value is beyond.
    carried: Duration,
    /// Until then the first value must have come.
    carried_until: Uptime,
}

impl DelayDetector {
    pub(crate) fn new(delays: Delays) -> Self {
        Self { delays, phase: Phase::Inside, carried: Duration::ZERO, carried_until: Uptime::START }
    }

    pub(crate) fn restore(&mut self, active: bool) {
        self.phase =
            if active { Phase::Active { since: None, raised: Uptime::START } } else { Phase::Inside };
    }

    /// An earlier run stopped when so much of the on-delay had passed. The time between is unknown; it goes on if the first value of
    /// this run, by `until` at the latest, is beyond.
    pub(crate) fn carry(&mut self, waited: Duration, until: Uptime) {
        (self.carried, self.carried_until) = (waited, until);
    }

    /// What is left of the on-delay from the crossing that is known.
    fn on_delay(&self) -> Duration {
        self.delays.on_delay.saturating_sub(self.carried)
    }

    /// The value has been unknown: running delays start anew, what is active stays active.
    pub(crate) fn lose_sight(&mut self) {
        if self.phase != Phase::Inside {
            self.carried = Duration::ZERO;
        }
        self.phase = match self.phase {
            Phase::Inside | Phase::Pending { .. } => Phase::Inside,
            Phase::Active { since, raised } => Phase::Active { since, raised },
            Phase::Returning { raised, .. } => Phase::Active { since: None, raised },
        };
    }

    /// A segment of how far beyond the value is.
    pub(crate) fn handle(&mut self, segment: &Segment, changes: &mut Changes) {
        // Inside -> Pending -> Active -> Returning is the longest way through one segment, after one step back when the
        // reference has moved.
        for _ in 0..5 {
            let before = self.phase;
            self.advance(segment, changes);
            if self.phase == before {
                return;
            }
        }
    }

    fn advance(&mut self, segment: &Segment, changes: &mut Changes) {
        let back = -self.delays.deadband;
        match self.phase {
            Phase::Inside if segment.to > 0.0 => {
                if segment.to_at > self.carried_until {
                    self.carried = Duration::ZERO;
                }
                self.phase = Phase::Pending { since: segment.crossing(0.0) };
            }
            Phase::Inside => self.carried = Duration::ZERO,
            Phase::Pending { since } => {
                // The reference has moved since the last segment ended beyond it.
                let moved = segment.from <= 0.0 && since < segment.from_at;
                let until = if segment.to > 0.0 { segment.to_at } else { segment.crossing(0.0) };
                if moved {
                    (self.phase, self.carried) = (Phase::Inside, Duration::ZERO);
                } else if until.since(since) >= self.on_delay() {
                    self.run_out(changes);
                } else if segment.to <= 0.0 {
                    (self.phase, self.carried) = (Phase::Inside, Duration::ZERO);
                }
            }
            Phase::Active { raised, .. } if segment.to <= back => {
                // A raise on the timer may lie after the crossing that the next sample shows.
                self.phase = Phase::Returning { since: segment.crossing(back).max(raised), raised };
            }
            Phase::Active { .. } => {}
            Phase::Returning { since, raised } => {
                let until = if segment.to <= back { segment.to_at } else { segment.crossing(back) };
                if until.since(since) >= self.delays.off_delay {
                    self.phase = Phase::Inside;
                    let _fits = changes.push(Change::Ends { at: since + self.delays.off_delay });
                } else if segment.to > back {
                    self.phase = Phase::Active { since: None, raised };
                }
            }
        }
    }

    /// The on-delay has run out: raise.
    pub(crate) fn run_out(&mut self, changes: &mut Changes) {
        if let Phase::Pending { since } = self.phase {
            let raised = since + self.on_delay();
            self.carried = Duration::ZERO;
            self.phase = Phase::Active { since: Some(since), raised };
            let _fits = changes.push(Change::Begins { at: raised, onset: since });
        }
    }

    pub(crate) fn deadline(&self) -> Option<Uptime> {
        match self.phase {
            Phase::Pending { since } => Some(since + self.on_delay()),
            Phase::Inside | Phase::Active { .. } | Phase::Returning { .. } => None,
        }
    }

    /// How much of the on-delay had passed at `seen`, while it runs.
    pub(crate) fn waited(&self, seen: Uptime) -> Option<Duration> {
        match self.phase {
            Phase::Pending { since } => Some(seen.since(since) + self.carried),
            Phase::Inside | Phase::Active { .. } | Phase::Returning { .. } => None,
        }
    }

    pub(crate) fn is_active(&self) -> bool {
        match self.phase {
            Phase::Inside | Phase::Pending { .. } => false,
            Phase::Active { .. } | Phase::Returning { .. } => true,
        }
    }

    pub(crate) fn beyond_since(&self) -> Option<Uptime> {
        match self.phase {
            Phase::Pending { since } => Some(since),
            Phase::Active { since, .. } => since,
            Phase::Inside | Phase::Returning { .. } => None,
        }
    }

    /// What follows if the value stays `beyond` as it was at `at`.
    pub(crate) fn forecast(&self, at: Uptime, beyond: f64) -> Forecast {
        match self.phase {
            Phase::Inside => Forecast::Quiet,
            Phase::Pending { since } => {
                Forecast::Raises { seconds: (since + self.on_delay()).seconds_since(at) }
            }
            Phase::Active { .. } if beyond <= -self.delays.deadband => {
                Forecast::Clears { seconds: self.delays.off_delay.as_secs_f64() }
            }
            Phase::Active { .. } => Forecast::StaysActive,
            Phase::Returning { since, .. } => {
                Forecast::Clears { seconds: (since + self.delays.off_delay).seconds_since(at) }
            }
        }
    }
}
