//! Kettle batches: recognised from the step register or from the temperature alone, their phases, and a verdict on each
//! limit.
//!
//! ```text
//! idle -> fill (-> dose) -> heat -> hold -> quench -> transfer (-> rinse) -> idle
//! ```
//!
//! - [`BatchTracker`]: told the step register, gives each batch when it ends.
//! - [`from_temperature`]: where no step is to be had; it sees heat, hold and quench only.
//! - [`verdict`]: limits of a recipe against what happened.
//!
//! What a plant does wrong has a stated outcome: a batch that never ends is ended by time, one that a new fill overtakes
//! is interrupted, missing, repeated and backward steps are listed, a step that is not known for a while leaves
//! unknown time. Times are monotonic, so that a stepped clock moves nothing; samples that are not later are dropped.
//!
//! The soak that follows is in [`tanks`](crate::tanks).

mod from_temperature;
#[cfg(test)]
mod tests;
pub mod verdict;

pub use from_temperature::{TemperatureRule, from_temperature};

use crate::series::Span;
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// A phase of the kettle, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Phase {
    /// Nothing in it.
    Idle,
    /// Corn and water go in.
    Fill,
    /// Lime goes in. Many kettles have no step of their own for it.
    Dose,
    /// Up to the cooking temperature.
    Heat,
    /// At the cooking temperature.
    Hold,
    /// Cold water ends the cook.
    Quench,
    /// Pumped to a soak tank.
    Transfer,
    /// Washed out.
    Rinse,
}

/// Phases that no batch may lack.
const NEEDED: [Phase; 5] = [Phase::Fill, Phase::Heat, Phase::Hold, Phase::Quench, Phase::Transfer];

/// A phase of one batch. The same phase may occur twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PhaseSpan {
    /// Which.
    pub phase: Phase,
    /// From when to when, as far as it has come.
    pub span: Span,
}

/// How a batch ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// Pumped out.
    Complete,
    /// Idle, or filled anew, before it was pumped out.
    Interrupted,
    /// It ran for longer than any batch does, and was given up.
    NeverEnded,
}

/// What is odd about a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Oddity {
    /// It was under way when it was first seen.
    BeginningNotSeen,
    /// This phase never was.
    Missing(Phase),
    /// From one phase back to an earlier one.
    Backward {
        /// The later one.
        from: Phase,
        /// The earlier one, which came after it.
        to: Phase,
    },
    /// The register held a code that the line file does not name; the phase before it was taken to go on.
    UnknownCode(i64),
}

/// One batch in a kettle.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    /// Its phases, in order of time.
    pub phases: Vec<PhaseSpan>,
    /// How it ended; `None` while it runs.
    pub ending: Option<Ending>,
    /// What is odd about it, each thing once.
    pub oddities: Vec<Oddity>,
    /// How long its step was not known, s.
    pub unknown_s: f64,
}

impl Batch {
    const fn new() -> Self {
        Self { phases: Vec::new(), ending: None, oddities: Vec::new(), unknown_s: 0.0 }
    }

    /// From its first phase to its last; `None` without phases.
    #[must_use]
    pub fn span(&self) -> Option<Span> {
        Some(Span { from: self.phases.first()?.span.from, to: self.phases.last()?.span.to })
    }

    /// From the first to the last time in one phase; `None` if it never was.
    #[must_use]
    pub fn phase(&self, phase: Phase) -> Option<Span> {
        let mut spans = self.phases.iter().filter(|part| part.phase == phase).map(|part| part.span);
        let first = spans.next()?;
        Some(spans.fold(first, |whole, next| Span { from: whole.from, to: next.to }))
    }

    /// The cook: from the first heating to the end of the quench. What soaks after that is not part of it.
    #[must_use]
    pub fn cook(&self) -> Option<Span> {
        Span::new(self.phase(Phase::Heat)?.from, self.phase(Phase::Quench)?.to)
    }

    fn note(&mut self, oddity: Oddity) {
        if !self.oddities.contains(&oddity) {
            self.oddities.push(oddity);
        }
    }

    /// Its last phase lasts at least until now.
    fn go_on(&mut self, at: Uptime, unknown_s: f64) {
        self.unknown_s += unknown_s;
        if let Some(last) = self.phases.last_mut() {
            last.span.to = at;
        }
    }

    /// Whether a phase ends it: idle does, and a fill that comes after heating.
    fn ends_with(&self, phase: Phase) -> Option<Ending> {
        let is_filled_anew = phase == Phase::Fill && self.last_phase() > Phase::Dose;
        let is_over = phase == Phase::Idle || is_filled_anew;
        let was_pumped_out = self.phase(Phase::Transfer).is_some();
        is_over.then_some(if was_pumped_out { Ending::Complete } else { Ending::Interrupted })
    }

    fn last_phase(&self) -> Phase {
        self.phases.last().map_or(Phase::Idle, |last| last.phase)
    }

    /// Goes over to a phase, if it is not in it already.
    fn enter(&mut self, at: Uptime, phase: Phase) {
        let current = self.last_phase();
        if phase == current {
            return;
        }
        if phase < current {
            self.note(Oddity::Backward { from: current, to: phase });
        }
        self.phases.push(PhaseSpan { phase, span: Span { from: at, to: at } });
    }

    fn end(mut self, ending: Ending) -> Self {
        if ending == Ending::Complete {
            for phase in NEEDED {
                if self.phase(phase).is_none() {
                    self.note(Oddity::Missing(phase));
                }
            }
        }
        Self { ending: Some(ending), ..self }
    }
}

/// Recognises batches from a step register.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchTracker {
    codes: Vec<(i64, Phase)>,
    longest: Duration,
    gap_limit: Duration,
    running: Option<Batch>,
    /// Last time the step was known, and what it was.
    known: Option<(Uptime, Phase)>,
    /// Last time anything was told.
    told: Option<Uptime>,
    /// A batch was given up; nothing begins before idle or a new fill is seen.
    waits: bool,
}

impl BatchTracker {
    /// `codes` are the register's codes and what each means; a batch longer than `longest` is given up; a step that was
    /// not known for longer than `gap_limit` leaves unknown time.
    #[must_use]
    pub const fn new(codes: Vec<(i64, Phase)>, longest: Duration, gap_limit: Duration) -> Self {
        Self { codes, longest, gap_limit, running: None, known: None, told: None, waits: false }
    }

    /// The batch that runs, as far as it has come.
    #[must_use]
    pub const fn running(&self) -> Option<&Batch> {
        self.running.as_ref()
    }

    /// A fresh reading of the register; `None` for one that is bad. Gives the batch that it ends.
    ///
    /// A phase is taken to last until the first reading of the next one. A reading that is not later than the one before
    /// it is dropped.
    pub fn handle(&mut self, at: Uptime, code: Option<i64>) -> Option<Batch> {
        if self.told.is_some_and(|told| at <= told) {
            return None;
        }
        self.told = Some(at);
        let phase = code.and_then(|code| self.phase_of(code));
        if let (None, Some(code), Some(batch)) = (phase, code, &mut self.running) {
            batch.note(Oddity::UnknownCode(code));
        }
        let given_up = self.give_up(at);
        let Some(phase) = phase else { return given_up };
        let before = self.known.replace((at, phase));
        let Some(mut batch) = self.running.take() else {
            self.begin_if_seen(at, phase, before.map(|(_, phase)| phase));
            return given_up;
        };
        let unseen = before.map_or(Duration::ZERO, |(known, _)| at.since(known));
        batch.go_on(at, if unseen > self.gap_limit { unseen.as_secs_f64() } else { 0.0 });
        match batch.ends_with(phase) {
            Some(ending) => {
                self.begin_if_seen(at, phase, Some(Phase::Idle));
                Some(batch.end(ending))
            }
            None => {
                batch.enter(at, phase);
                self.running = Some(batch);
                None
            }
        }
    }

    fn phase_of(&self, code: i64) -> Option<Phase> {
        self.codes.iter().find(|(known, _)| *known == code).map(|(_, phase)| *phase)
    }

    /// Begins a batch in any phase but idle and rinse. After one that was given up only a fill that was not there before.
    fn begin_if_seen(&mut self, at: Uptime, phase: Phase, before: Option<Phase>) {
        let is_new = phase == Phase::Idle || (phase == Phase::Fill && before != Some(Phase::Fill));
        self.waits &= !is_new;
        if self.waits || matches!(phase, Phase::Idle | Phase::Rinse) {
            return;
        }
        let mut batch = Batch::new();
        if before.is_none() || phase > Phase::Dose {
            batch.note(Oddity::BeginningNotSeen);
        }
        batch.enter(at, phase);
        self.running = Some(batch);
    }

    /// Ends the running batch if it has run for longer than any does.
    fn give_up(&mut self, at: Uptime) -> Option<Batch> {
        let begun = self.running.as_ref()?.span()?.from;
        if at.since(begun) <= self.longest {
            return None;
        }
        self.waits = true;
        self.running.take().map(|batch| batch.end(Ending::NeverEnded))
    }
}
