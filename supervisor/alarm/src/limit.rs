//! The limit kind: beyond a fixed limit for `on_delay`, back past the deadband for `off_delay`.
//!
//! Delays are counted from the crossings inside the segments. An on-delay may also run out between samples, on the
//! caller's timer; an off-delay ends with the sample that shows it.

use crate::detector::{Change, Changes, Segment};
use crate::event::Forecast;
use crate::settings::LimitSettings;
use setward_protocol::Uptime;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Phase {
    /// Not beyond the limit.
    Inside,
    /// Beyond, on-delay running.
    Pending { since: Uptime },
    /// Raised at `raised`; beyond since then as far as is known.
    Active { since: Option<Uptime>, raised: Uptime },
    /// Raised, back past the deadband, off-delay running.
    Returning { since: Uptime, raised: Uptime },
}

/// Decides one limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LimitDetector {
    settings: LimitSettings,
    phase: Phase,
}

impl LimitDetector {
    pub(crate) fn new(settings: LimitSettings) -> Self {
        Self { settings, phase: Phase::Inside }
    }

    /// Moves the limit.
    pub(crate) const fn set_limit(&mut self, limit: f64) {
        self.settings.limit = limit;
    }

    pub(crate) const fn is_active(&self) -> bool {
        matches!(self.phase, Phase::Active { .. } | Phase::Returning { .. })
    }

    pub(crate) fn restore(&mut self, active: bool) {
        self.phase =
            if active { Phase::Active { since: None, raised: Uptime::START } } else { Phase::Inside };
    }

    /// The value has been unknown: running delays start anew, what is active stays active.
    pub(crate) fn lose_sight(&mut self) {
        self.phase = match self.phase {
            Phase::Inside | Phase::Pending { .. } => Phase::Inside,
            Phase::Active { since, raised } => Phase::Active { since, raised },
            Phase::Returning { raised, .. } => Phase::Active { since: None, raised },
        };
    }

    pub(crate) fn handle(&mut self, segment: &Segment, changes: &mut Changes) {
        // Inside -> Pending -> Active -> Returning is the longest way through one segment.
        for _ in 0..4 {
            let before = self.phase;
            self.advance(segment, changes);
            if self.phase == before {
                return;
            }
        }
    }

    fn advance(&mut self, segment: &Segment, changes: &mut Changes) {
        let limit = self.settings.limit;
        let back = self.back_level();
        let beyond_at_end = self.settings.side.beyond(segment.to, limit) > 0.0;
        let back_at_end = self.settings.side.beyond(segment.to, back) <= 0.0;
        match self.phase {
            Phase::Inside if beyond_at_end => self.phase = Phase::Pending { since: segment.crossing(limit) },
            Phase::Inside => {}
            Phase::Pending { since } => {
                let until = if beyond_at_end { segment.to_at } else { segment.crossing(limit) };
                if until.since(since) >= self.settings.on_delay {
                    self.run_out(changes);
                } else if !beyond_at_end {
                    self.phase = Phase::Inside;
                }
            }
            Phase::Active { raised, .. } if back_at_end => {
                // A raise on the timer may lie after the crossing that the next sample shows.
                self.phase = Phase::Returning { since: segment.crossing(back).max(raised), raised };
            }
            Phase::Active { .. } => {}
            Phase::Returning { since, raised } => {
                let until = if back_at_end { segment.to_at } else { segment.crossing(back) };
                if until.since(since) >= self.settings.off_delay {
                    self.phase = Phase::Inside;
                    let _fits = changes.push(Change::Ends { at: since + self.settings.off_delay });
                } else if !back_at_end {
                    self.phase = Phase::Active { since: None, raised };
                }
            }
        }
    }

    /// The on-delay has run out: raise.
    pub(crate) fn run_out(&mut self, changes: &mut Changes) {
        if let Phase::Pending { since } = self.phase {
            let raised = since + self.settings.on_delay;
            self.phase = Phase::Active { since: Some(since), raised };
            // Four places always suffice for the at most three changes of a segment.
            let _fits = changes.push(Change::Begins { at: raised, onset: since });
        }
    }

    pub(crate) fn deadline(&self) -> Option<Uptime> {
        match self.phase {
            Phase::Pending { since } => Some(since + self.settings.on_delay),
            Phase::Inside | Phase::Active { .. } | Phase::Returning { .. } => None,
        }
    }

    pub(crate) fn beyond_since(&self) -> Option<Uptime> {
        match self.phase {
            Phase::Pending { since } => Some(since),
            Phase::Active { since, .. } => since,
            Phase::Inside | Phase::Returning { .. } => None,
        }
    }

    /// What follows if the value stays as it is at `at`.
    pub(crate) fn forecast(&self, at: Uptime, value: f64) -> Forecast {
        match self.phase {
            Phase::Inside => Forecast::Quiet,
            Phase::Pending { since } => {
                Forecast::Raises { seconds: (since + self.settings.on_delay).seconds_since(at) }
            }
            Phase::Active { .. } if self.settings.side.beyond(value, self.back_level()) <= 0.0 => {
                Forecast::Clears { seconds: self.settings.off_delay.as_secs_f64() }
            }
            Phase::Active { .. } => Forecast::StaysActive,
            Phase::Returning { since, .. } => {
                Forecast::Clears { seconds: (since + self.settings.off_delay).seconds_since(at) }
            }
        }
    }

    /// The level at which a raised alarm counts as back.
    fn back_level(&self) -> f64 {
        match self.settings.side {
            crate::settings::Side::Above => self.settings.limit - self.settings.deadband,
            crate::settings::Side::Below => self.settings.limit + self.settings.deadband,
        }
    }
}
