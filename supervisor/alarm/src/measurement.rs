//! The measurement kind: a signal that can't be trusted.
//!
//! It raises when no good value has come for `bad_for`, counted from the first reading that was not good (or from when
//! a reading was overdue) and not while the silence may still be bridged, or when less than three quarters of the last five
//! minutes were good: a reading speaks for the time since the one before. It clears when a good value has come and enough of the last
//! five minutes was good again; the count then begins anew, so that a signal about that share calls once in five minutes and does not
//! chatter. A signal that is not wired yet is nobody's alarm.

use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::judge::Judge;
use crate::segment::Segment;
use crate::settings::MeasurementSettings;
use core::time::Duration;
use setward_protocol::{NoData, Reading, Uptime};

/// Least share of the last five minutes that must be good.
const COVERAGE_LEAST: f64 = 0.75;
/// The last five minutes are counted in pieces of this length.
const PIECE_NS: u64 = 30 * 1_000_000_000;
/// And so many of them.
const PIECES: usize = 10;

/// Decides whether one signal can be trusted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MeasurementDetector {
    settings: MeasurementSettings,
    gap_limit: Duration,
    /// When it was last heard of at all.
    heard: Option<Uptime>,
    /// Since when it has not been good.
    bad_since: Option<Uptime>,
    /// Until then a good value would make the silence since the last one known time.
    bridged_until: Option<Uptime>,
    active: bool,
    coverage: Coverage,
}

/// Good and known time in pieces, in nanoseconds: whole numbers, so that sums carried along stay exact.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Coverage {
    /// Number of the piece that is being filled, counted from the start of the run.
    piece: u64,
    good_ns: [u64; PIECES],
    total_ns: [u64; PIECES],
    /// Sums of the two.
    good_sum_ns: u64,
    total_sum_ns: u64,
    last: Option<Uptime>,
}

impl MeasurementDetector {
    pub(crate) const fn new(settings: MeasurementSettings, gap_limit: Duration) -> Self {
        let coverage = Coverage::NONE;
        Self {
            settings,
            gap_limit,
            heard: None,
            bad_since: None,
            bridged_until: None,
            active: false,
            coverage,
        }
    }

    /// Since when it has not been good, or will not have been if nothing is heard of it any more.
    fn missing_since(&self) -> Option<Uptime> {
        self.bad_since.or_else(|| Some(self.heard? + self.gap_limit))
    }

    fn raise(&mut self, at: Uptime, onset: Uptime, changes: &mut Changes) {
        self.active = true;
        let _fits = changes.push(Change::Begins { at, onset });
    }
}

impl Judge for MeasurementDetector {
    fn is_active(&self) -> bool {
        self.active
    }

    fn restore(&mut self, active: bool, _: f64) {
        self.active = active;
    }

    /// While its controller is lost, which has an alarm of its own, the time is nobody's: it does not count as bad.
    fn handle_reading(
        &mut self,
        at: Uptime,
        reading: Reading,
        controller_is_lost: bool,
        changes: &mut Changes,
    ) {
        let is_good = match reading {
            Reading::Good(_) => true,
            Reading::Bad(NoData::NotPolled | NoData::NotCommissioned) => return,
            Reading::Uncertain(..) | Reading::Bad(_) => false,
        };
        self.run_out(at, changes);
        self.heard = Some(at);
        if controller_is_lost {
            self.coverage.last = None;
        } else {
            self.coverage.take(at, is_good);
        }
        if is_good {
            (self.bad_since, self.bridged_until) = (None, Some(at + self.gap_limit));
            if self.active && !self.coverage.is_thin() {
                self.active = false;
                self.coverage = Coverage { last: Some(at), piece: piece_of(at), ..Coverage::NONE };
                let _fits = changes.push(Change::Ends { at });
            } else if !self.active && self.coverage.is_thin() {
                self.raise(at, at, changes);
            }
        } else {
            self.bad_since.get_or_insert(at);
            if !matches!(reading, Reading::Bad(why) if why.is_silence()) {
                self.bridged_until = None;
            }
            self.run_out(at, changes);
        }
    }

    /// Raises if it has been bad for long enough at `now`.
    fn run_out(&mut self, now: Uptime, changes: &mut Changes) {
        if let (Some(since), Some(due)) = (self.missing_since(), self.deadline())
            && due <= now
        {
            self.raise(due, since, changes);
        }
    }

    fn deadline(&self) -> Option<Uptime> {
        let since = self.missing_since().filter(|_| !self.active)?;
        Some((since + self.settings.bad_for).max(self.bridged_until.unwrap_or(since)))
    }

    fn beyond_since(&self) -> Option<Uptime> {
        self.bad_since
    }

    fn forecast(&self, now: Uptime, _: Option<(Uptime, f64)>, _: &[Segment]) -> Forecast {
        match (
            self.active,
            self.deadline().filter(|_| self.missing_since().is_some_and(|since| since <= now)),
        ) {
            (true, _) => Forecast::StaysActive,
            (false, Some(due)) => Forecast::Raises { seconds: due.seconds_since(now).max(0.0) },
            (false, None) => Forecast::Quiet,
        }
    }
}

impl Coverage {
    const NONE: Self = Self {
        piece: 0,
        good_ns: [0; PIECES],
        total_ns: [0; PIECES],
        good_sum_ns: 0,
        total_sum_ns: 0,
        last: None,
    };

    fn take(&mut self, at: Uptime, is_good: bool) {
        let Some(last) = self.last.replace(at) else {
            self.piece = piece_of(at);
            return;
        };
        self.turn_to(piece_of(at));
        let passed_ns = at.as_nanos().saturating_sub(last.as_nanos()).min(PIECE_NS);
        let good_now_ns = if is_good { passed_ns } else { 0 };
        let place = self.place();
        if let (Some(good), Some(total)) = (self.good_ns.get_mut(place), self.total_ns.get_mut(place)) {
            *total += passed_ns;
            *good += good_now_ns;
            self.total_sum_ns += passed_ns;
            self.good_sum_ns += good_now_ns;
        }
    }

    /// Empties the pieces between the last one and `piece`.
    fn turn_to(&mut self, piece: u64) {
        let steps = piece.saturating_sub(self.piece).min(PIECES as u64);
        self.piece = piece.saturating_sub(steps);
        for _ in 0..steps {
            self.piece += 1;
            let place = self.place();
            if let (Some(good), Some(total)) = (self.good_ns.get_mut(place), self.total_ns.get_mut(place)) {
                self.good_sum_ns -= core::mem::take(good);
                self.total_sum_ns -= core::mem::take(total);
            }
        }
    }

    const fn place(&self) -> usize {
        (self.piece % PIECES as u64) as usize
    }

    /// Whether too little of the last five minutes was good. Not before most of them has been seen.
    fn is_thin(&self) -> bool {
        let seen_enough = self.total_sum_ns >= PIECE_NS * (PIECES as u64 - 1);
        seen_enough && (self.good_sum_ns as f64) < COVERAGE_LEAST * self.total_sum_ns as f64
    }
}

const fn piece_of(at: Uptime) -> u64 {
    at.as_nanos() / PIECE_NS
}
