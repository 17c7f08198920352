//! Batches from the kettle's temperature, where no step register is to be had.
//!
//! A batch begins where the temperature rises out of the cold, holds from the first time at the cooking limit, is quenched
//! from the last time it fell below that limit, and is done where it falls below the quench limit. What follows in the
//! kettle (transfer, rinse) has no sign in its temperature: those phases are not told.
//!
//! [`TemperatureTracker`] is told readings as they come; [`from_temperature`] looks at a whole record. Both see the same.

use super::{Batch, Ending, Oddity, Phase, PhaseSpan, ToldBy};
use crate::series::{Segment, Span, Trace};
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// A kettle that heats is cold again so far below the limit, K: a noisy reading crosses a limit many times. Engineering judgement.
const HYSTERESIS_K: f64 = 2.0;

/// The temperatures that tell the phases apart, degC: cold below quenched below cooked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TemperatureRule {
    cold_degc: f64,
    quenched_degc: f64,
    cooked_degc: f64,
}

impl TemperatureRule {
    /// A freshly filled kettle is below `cold_degc`, a quenched one at most at `quenched_degc`, one that cooks at least at
    /// `cooked_degc`. `None` unless they rise in this order.
    #[must_use]
    pub fn new(cold_degc: f64, quenched_degc: f64, cooked_degc: f64) -> Option<Self> {
        let rises = cold_degc < quenched_degc && quenched_degc < cooked_degc;
        rises.then_some(Self { cold_degc, quenched_degc, cooked_degc })
    }
}

/// The batches that a temperature record, degC, shows; the last without an ending if the record ends within it.
///
/// Only heat, hold and quench are told, and of those only the hot part: heating from the cold limit on, the quench down to
/// its limit. A batch that goes cold without a quench is interrupted. A gap in the record is unseen time of the batch, and
/// what happened in it is taken to have happened at its end.
#[must_use]
pub fn from_temperature(temperature: &Trace<'_>, rule: TemperatureRule) -> Vec<Batch> {
    let mut seen = Seen::new(rule);
    let mut batches = Vec::new();
    let mut until: Option<Uptime> = None;
    for segment in temperature.segments() {
        if let Some(gap) = until.and_then(|until| Span::new(until, segment.from)) {
            seen.gap(gap);
        }
        batches.extend(seen.follow(segment));
        until = Some(segment.to);
    }
    batches.extend(seen.running);
    batches
}

/// What bounds a batch that the temperature tells.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatRule {
    /// The temperatures that tell its phases.
    pub limits: TemperatureRule,
    /// No batch lasts longer; one that does is given up.
    pub longest: Duration,
    /// Two readings further apart leave unseen time.
    pub gap_limit: Duration,
}

/// Recognises batches from readings of the kettle's temperature, as they come.
#[derive(Debug, Clone, PartialEq)]
pub struct TemperatureTracker {
    rule: HeatRule,
    seen: Seen,
    /// Last good reading.
    known: Option<(Uptime, f64)>,
    /// Last time anything was told.
    told: Option<Uptime>,
}

impl TemperatureTracker {
    /// One that has seen nothing yet.
    #[must_use]
    pub const fn new(rule: HeatRule) -> Self {
        Self { seen: Seen::new(rule.limits), rule, known: None, told: None }
    }

    /// The batch that runs, as far as it has come.
    #[must_use]
    pub const fn running(&self) -> Option<&Batch> {
        self.seen.running.as_ref()
    }

    /// When the temperature was last known.
    pub(crate) fn known_at(&self) -> Option<Uptime> {
        self.known.map(|(at, _)| at)
    }

    /// A reading, degC; `None`, or one that is no number, is bad. Gives the batch that it ends: at the quench limit, when it
    /// goes cold without one, or after so long that no batch is. A reading that is not later than the one before is dropped.
    pub fn handle(&mut self, at: Uptime, degc: Option<f64>) -> Option<Batch> {
        if self.told.is_some_and(|told| at <= told) {
            return None;
        }
        self.told = Some(at);
        let given_up = self.give_up(at);
        let Some(degc) = degc.filter(|degc| degc.is_finite()) else { return given_up };
        let before = self.known.replace((at, degc));
        let ended = match before {
            Some((from, first)) if at.since(from) <= self.rule.gap_limit => {
                self.seen.follow(Segment { from, to: at, first, last: degc })
            }
            Some((from, _)) => {
                self.seen.gap(Span { from, to: at });
                self.seen.at(at, degc)
            }
            None => self.seen.at(at, degc),
        };
        ended.or(given_up)
    }

    /// Ends the running batch if it has run for longer than any does; the next begins once the kettle was cold.
    fn give_up(&mut self, at: Uptime) -> Option<Batch> {
        let begun = self.seen.running.as_ref()?.span()?.from;
        if at.since(begun) <= self.rule.longest {
            return None;
        }
        self.seen.waits = true;
        self.seen.end(Ending::NeverEnded)
    }
}

#[derive(Debug, Clone, PartialEq)]
struct Seen {
    rule: TemperatureRule,
    running: Option<Batch>,
    was_cold: bool,
    /// A batch was given up; nothing begins before the kettle was cold.
    waits: bool,
}

impl Seen {
    const fn new(rule: TemperatureRule) -> Self {
        Self { rule, running: None, was_cold: false, waits: false }
    }

    fn gap(&mut self, gap: Span) {
        if let Some(batch) = self.running.as_mut().filter(|_| gap.from < gap.to) {
            batch.unseen.push(gap);
        }
    }

    /// Takes the limits that a piece meets in the order in which it meets them. It goes one way, so it ends one batch at most.
    fn follow(&mut self, piece: Segment) -> Option<Batch> {
        let TemperatureRule { cold_degc, quenched_degc, cooked_degc } = self.rule;
        let mut limits = [cold_degc, quenched_degc, cooked_degc];
        if piece.last < piece.first {
            limits.reverse();
        }
        let mut ended = self.at(piece.from, piece.first);
        for limit in limits {
            let (low, high) = (piece.first.min(piece.last), piece.first.max(piece.last));
            if low < limit && limit < high {
                let at = piece.first_at(limit).unwrap_or(piece.to);
                // Just beyond the limit, on the side to which the piece goes.
                let beyond =
                    if piece.last > piece.first { limit } else { limit - f64::EPSILON * limit.abs() };
                ended = self.at(at, beyond).or(ended);
            }
        }
        self.at(piece.to, piece.last).or(ended)
    }

    fn at(&mut self, at: Uptime, degc: f64) -> Option<Batch> {
        let rule = self.rule;
        let is_cold = degc < rule.cold_degc;
        self.waits &= !is_cold;
        let was_cold = core::mem::replace(&mut self.was_cold, is_cold);
        let Some(batch) = &mut self.running else {
            // A record that begins warm may be of a kettle at rest; only one that cooks is a batch for certain.
            if !self.waits && ((was_cold && !is_cold) || degc >= rule.cooked_degc) {
                self.begin(at, degc >= rule.cooked_degc);
            }
            return None;
        };
        batch.go_on(at, None);
        match batch.last_phase() {
            Phase::Heat if degc >= rule.cooked_degc => batch.enter(at, Phase::Hold, None),
            Phase::Hold if degc < rule.cooked_degc => batch.enter(at, Phase::Quench, None),
            // A dip within the hold, not a quench: the phases before it become one again.
            Phase::Quench if degc >= rule.cooked_degc => batch.undo_quench(at),
            Phase::Quench if degc <= rule.quenched_degc => return self.end(Ending::Complete),
            Phase::Heat if degc < rule.cold_degc - HYSTERESIS_K => {
                // What was not seen may have been a whole cook.
                let is_hidden = batch.unseen.last().is_some_and(|gap| gap.to == at);
                return self.end(if is_hidden { Ending::NotSeen } else { Ending::Interrupted });
            }
            Phase::Idle
            | Phase::Fill
            | Phase::Dose
            | Phase::Heat
            | Phase::Hold
            | Phase::Quench
            | Phase::Transfer
            | Phase::Rinse => {}
        }
        None
    }

    fn begin(&mut self, at: Uptime, is_cooking: bool) {
        let mut batch = Batch::new(ToldBy::Temperature);
        if is_cooking {
            batch.note(Oddity::BeginningNotSeen);
        }
        let phase = if is_cooking { Phase::Hold } else { Phase::Heat };
        batch.phases.push(PhaseSpan { phase, span: Span { from: at, to: at } });
        self.running = Some(batch);
    }

    /// Fill, transfer and rinse are never seen here, so their absence is not odd: `Batch::end` is not asked.
    fn end(&mut self, ending: Ending) -> Option<Batch> {
        self.running.take().map(|batch| Batch { ending: Some(ending), ..batch })
    }
}

impl Batch {
    fn undo_quench(&mut self, at: Uptime) {
        self.phases.pop();
        self.go_on(at, None);
    }
}
