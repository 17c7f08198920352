//! Batches from the kettle's temperature, where no step register is to be had.
//!
//! A batch begins where the temperature rises out of the cold, holds from the first time at the cooking limit, is quenched
//! from the last time it fell below that limit, and is done where it falls below the quench limit. What follows in the
//! kettle (transfer, rinse) has no sign in its temperature: those phases are not told.

use super::{Batch, Ending, Oddity, Phase, PhaseSpan, ToldBy};
use crate::series::{Segment, Span, Trace};
use alloc::vec::Vec;
use setward_protocol::Uptime;

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
    let mut seen = Seen { rule, batches: Vec::new(), running: None, was_cold: false };
    let mut until: Option<Uptime> = None;
    for segment in temperature.segments() {
        if let Some(gap) = until.and_then(|until| Span::new(until, segment.from)) {
            seen.gap(gap);
        }
        seen.follow(segment);
        until = Some(segment.to);
    }
    seen.batches.extend(seen.running);
    seen.batches
}

struct Seen {
    rule: TemperatureRule,
    batches: Vec<Batch>,
    running: Option<Batch>,
    was_cold: bool,
}

impl Seen {
    fn gap(&mut self, gap: Span) {
        if let Some(batch) = self.running.as_mut().filter(|_| gap.from < gap.to) {
            batch.unseen.push(gap);
        }
    }

    /// Takes the limits that a piece meets in the order in which it meets them.
    fn follow(&mut self, piece: Segment) {
        let TemperatureRule { cold_degc, quenched_degc, cooked_degc } = self.rule;
        let mut limits = [cold_degc, quenched_degc, cooked_degc];
        if piece.last < piece.first {
            limits.reverse();
        }
        self.at(piece.from, piece.first);
        for limit in limits {
            let (low, high) = (piece.first.min(piece.last), piece.first.max(piece.last));
            if low < limit && limit < high {
                let at = piece.first_at(limit).unwrap_or(piece.to);
                // Just beyond the limit, on the side to which the piece goes.
                self.at(
                    at,
                    if piece.last > piece.first { limit } else { limit - f64::EPSILON * limit.abs() },
                );
            }
        }
        self.at(piece.to, piece.last);
    }

    fn at(&mut self, at: Uptime, degc: f64) {
        let rule = self.rule;
        if let Some(batch) = &mut self.running {
            batch.go_on(at, None);
        }
        let is_cold = degc < rule.cold_degc;
        let Some(batch) = &mut self.running else {
            // A record that begins warm may be of a kettle at rest; only one that cooks is a batch for certain.
            if (self.was_cold && !is_cold) || degc >= rule.cooked_degc {
                self.begin(at, degc >= rule.cooked_degc);
            }
            self.was_cold = is_cold;
            return;
        };
        self.was_cold = is_cold;
        let phase = batch.last_phase();
        match phase {
            Phase::Heat if degc >= rule.cooked_degc => batch.enter(at, Phase::Hold, None),
            Phase::Hold if degc < rule.cooked_degc => batch.enter(at, Phase::Quench, None),
            // A dip within the hold, not a quench: the phases before it become one again.
            Phase::Quench if degc >= rule.cooked_degc => batch.undo_quench(at),
            Phase::Quench if degc <= rule.quenched_degc => self.end(Ending::Complete),
            Phase::Heat if is_cold => self.end(Ending::Interrupted),
            Phase::Idle
            | Phase::Fill
            | Phase::Dose
            | Phase::Heat
            | Phase::Hold
            | Phase::Quench
            | Phase::Transfer
            | Phase::Rinse => {}
        }
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

    fn end(&mut self, ending: Ending) {
        // Fill, transfer and rinse are never seen here, so their absence is not odd: `Batch::end` is not asked.
        self.batches.extend(self.running.take().map(|batch| Batch { ending: Some(ending), ..batch }));
    }
}

impl Batch {
    fn undo_quench(&mut self, at: Uptime) {
        self.phases.pop();
        self.go_on(at, None);
    }
}
