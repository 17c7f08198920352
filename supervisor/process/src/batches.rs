//! Kettle batches: recognised from the step register or from the temperature alone, their phases, and a verdict on each
//! limit.
//!
//! ```text
//! idle -> fill (-> dose) -> heat -> hold -> quench -> transfer (-> rinse) -> idle
//! ```
//!
//! - [`BatchTracker`]: told the step register, gives each batch when it ends.
//! - [`TemperatureTracker`], [`from_temperature`]: where no step is to be had; they see heat, hold and quench only.
//! - [`verdict`]: limits of a recipe against what happened.
//!
//! What a plant does wrong has a stated outcome: a batch that never ends is ended by time, one that a new fill overtakes
//! is interrupted, missing, repeated and backward steps are listed. A step that is not known for a while leaves unseen
//! time: phases that touch it are uncertain by as much, and a phase that may lie in it is not seen, which is not the same
//! as missing. Times are monotonic, so that a stepped clock moves nothing; samples that are not later are dropped.
//!
//! The soak that follows is in [`tanks`](crate::tanks).

mod from_temperature;
#[cfg(test)]
mod tests;
pub mod verdict;

pub use from_temperature::{HeatRule, TemperatureRule, TemperatureTracker, from_temperature};

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
    /// It ended, or may have been pumped out, while its step was not known.
    NotSeen,
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
    /// This phase may have passed while the step was not known.
    NotSeen(Phase),
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

/// What the phases of a batch were told by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ToldBy {
    /// The step register: every phase.
    Step,
    /// The temperature alone: heat, hold and quench, and only their hot part.
    Temperature,
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
    /// When its step was not known, in order of time.
    pub unseen: Vec<Span>,
    /// What told its phases.
    pub told_by: ToldBy,
}

impl Batch {
    const fn new(told_by: ToldBy) -> Self {
        Self { phases: Vec::new(), ending: None, oddities: Vec::new(), unseen: Vec::new(), told_by }
    }

    /// How long its step was not known, s.
    #[must_use]
    pub fn unseen_s(&self) -> f64 {
        self.unseen.iter().map(|span| span.seconds()).sum()
    }

    /// Least and most that a phase can have lasted, s, from its first to its last time: it may have ended anywhere in
    /// unseen time that it holds, and begun anywhere in unseen time just before it. One that was under way when the batch was
    /// first seen has no most, unless such time bounds it. `None` if it was not seen at all.
    #[must_use]
    pub fn length_s(&self, phase: Phase) -> Option<(f64, f64)> {
        let whole = self.phase(phase)?;
        let within_s: f64 = self.unseen.iter().filter_map(|gap| gap.overlap(whole)).map(Span::seconds).sum();
        let before_s: f64 =
            self.unseen.iter().filter(|gap| gap.to == whole.from).map(|gap| gap.seconds()).sum();
        let is_first = self.phases.first().is_some_and(|first| first.span.from == whole.from);
        let is_cut = is_first && before_s == 0.0 && self.oddities.contains(&Oddity::BeginningNotSeen);
        let before_s = if is_cut { f64::INFINITY } else { before_s };
        Some((whole.seconds() - within_s, whole.seconds() + before_s))
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

    /// The cook: from the first heating to the end of the quench, or to the pump-out of one that was never quenched.
    /// What soaks after that is not part of it. `None` before it is over.
    #[must_use]
    pub fn cook(&self) -> Option<Span> {
        let until = self.quenched_or_pumped_out()?;
        Span::new(self.phase(Phase::Heat)?.from, until)
    }

    /// Between when and when what is told to have ended at a time did: anywhere in unseen time just before it, else then.
    pub(crate) fn ended_within(&self, at: Uptime) -> Span {
        let unseen = self.unseen.iter().find(|gap| gap.to == at);
        unseen.copied().unwrap_or(Span { from: at, to: at })
    }

    /// The unseen time in which it may have been pumped out, of a batch that was not seen to be.
    pub(crate) fn hidden_transfer(&self) -> Option<Span> {
        let before = self.phases.iter().rev().find(|part| part.phase < Phase::Transfer)?.span.to;
        let is_seen = self.phase(Phase::Transfer).is_some();
        self.unseen.iter().find(|gap| gap.to == before && !is_seen).copied()
    }

    /// Whether its cook was under way when it was first seen, so that nobody knows since when.
    #[must_use]
    pub fn is_cook_begun_unseen(&self) -> bool {
        let first = self.phases.first().map_or(Phase::Idle, |first| first.phase);
        self.oddities.contains(&Oddity::BeginningNotSeen) && first >= Phase::Heat
    }

    /// The cook as far as it was seen: of a batch that held or was quenched when it was first seen, from then on.
    pub(crate) fn seen_cook(&self) -> Option<Span> {
        if self.is_cook_begun_unseen() {
            return Span::new(self.span()?.from, self.quenched_or_pumped_out()?);
        }
        self.cook()
    }

    /// When the cook ended; `None` before it has.
    fn quenched_or_pumped_out(&self) -> Option<Uptime> {
        let quenched = self.phase(Phase::Quench).map(|quench| quench.to);
        quenched.or_else(|| self.phase(Phase::Transfer).map(|transfer| transfer.from))
    }

    fn note(&mut self, oddity: Oddity) {
        if !self.oddities.contains(&oddity) {
            self.oddities.push(oddity);
        }
    }

    /// Its last phase lasts at least until now.
    fn go_on(&mut self, at: Uptime, unseen: Option<Span>) {
        self.unseen.extend(unseen);
        if let Some(last) = self.phases.last_mut() {
            last.span.to = at;
        }
    }

    fn last_phase(&self) -> Phase {
        self.phases.last().map_or(Phase::Idle, |last| last.phase)
    }

    /// Whether a phase ends it: idle does, a fill that comes after heating, any phase up to heating once it was pumped
    /// out, and an earlier phase after unseen time in which the next batch can have got there.
    fn ends_with(&self, phase: Phase, unseen: Option<Span>, turnaround: Duration) -> Option<Ending> {
        let last = self.last_phase();
        let is_filled_anew = phase == Phase::Fill && last > Phase::Dose;
        let is_next = phase <= Phase::Heat && last >= Phase::Transfer;
        let was_long = unseen.is_some_and(|gap| gap.to.since(gap.from) >= turnaround);
        let is_overtaken = was_long && phase < last && last > Phase::Dose;
        if !(phase == Phase::Idle || is_filled_anew || is_next || is_overtaken) {
            return None;
        }
        let may_be_out = self.oddities.contains(&Oddity::NotSeen(Phase::Transfer));
        Some(match (self.phase(Phase::Transfer), unseen) {
            (Some(_), _) => Ending::Complete,
            (None, Some(_)) => Ending::NotSeen,
            (None, None) if may_be_out => Ending::NotSeen,
            (None, None) => Ending::Interrupted,
        })
    }

    /// Goes over to a phase, if it is not in it already.
    fn enter(&mut self, at: Uptime, phase: Phase, unseen: Option<Span>) {
        let current = self.last_phase();
        if phase == current {
            return;
        }
        if phase < current {
            self.note(Oddity::Backward { from: current, to: phase });
        }
        if unseen.is_some() && !self.phases.is_empty() {
            let skipped = NEEDED.into_iter().filter(|needed| current < *needed && *needed < phase);
            skipped.for_each(|skipped| self.note(Oddity::NotSeen(skipped)));
        }
        self.phases.push(PhaseSpan { phase, span: Span { from: at, to: at } });
    }

    fn end(mut self, ending: Ending) -> Self {
        let seen: Vec<_> = NEEDED.into_iter().filter(|needed| self.phase(*needed).is_some()).collect();
        self.oddities.retain(|oddity| !matches!(oddity, Oddity::NotSeen(phase) if seen.contains(phase)));
        let begun_unseen = self.oddities.contains(&Oddity::BeginningNotSeen);
        let first = self.phases.first().map_or(Phase::Idle, |first| first.phase);
        let lacking = NEEDED.into_iter().filter(|needed| !seen.contains(needed));
        for phase in lacking.filter(|_| ending == Ending::Complete) {
            let is_hidden = self.oddities.contains(&Oddity::NotSeen(phase));
            let is_before = begun_unseen && phase < first;
            if !(is_hidden || is_before) {
                self.note(Oddity::Missing(phase));
            }
        }
        Self { ending: Some(ending), ..self }
    }
}

/// What a kettle's step register means, and what bounds a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StepRule {
    /// The register's codes and what each means.
    pub codes: Vec<(i64, Phase)>,
    /// No batch lasts longer; one that does is given up.
    pub longest: Duration,
    /// A step that was not known for longer leaves unseen time.
    pub gap_limit: Duration,
    /// No kettle gets from one batch's hold to the next one's heating faster: an earlier phase after unseen time of that
    /// length is the next batch.
    pub turnaround: Duration,
}

/// Recognises batches from a step register.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchTracker {
    rule: StepRule,
    running: Option<Batch>,
    /// Last time the step was known, and what it was.
    known: Option<(Uptime, Phase)>,
    /// Last time anything was told.
    told: Option<Uptime>,
    /// A batch was given up; nothing begins before idle or a new fill is seen.
    waits: bool,
}

impl BatchTracker {
    /// One that has seen nothing yet.
    #[must_use]
    pub const fn new(rule: StepRule) -> Self {
        Self { rule, running: None, known: None, told: None, waits: false }
    }

    /// The batch that runs, as far as it has come.
    #[must_use]
    pub const fn running(&self) -> Option<&Batch> {
        self.running.as_ref()
    }

    /// When the step was last known.
    pub(crate) fn known_at(&self) -> Option<Uptime> {
        self.known.map(|(at, _)| at)
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
        let unseen = self.unseen_until(at);
        let before = self.known.replace((at, phase)).map(|(_, phase)| phase);
        let Some(mut batch) = self.running.take() else {
            self.begin_if_seen(at, phase, before, unseen);
            return given_up;
        };
        batch.go_on(at, unseen);
        match batch.ends_with(phase, unseen, self.rule.turnaround) {
            Some(ending) => {
                self.begin_if_seen(at, phase, Some(Phase::Idle), unseen);
                Some(batch.end(ending))
            }
            None => {
                batch.enter(at, phase, unseen);
                self.running = Some(batch);
                None
            }
        }
    }

    /// Since when the step has not been known, if that is for longer than the limit.
    fn unseen_until(&self, at: Uptime) -> Option<Span> {
        let (from, _) = self.known?;
        (at.since(from) > self.rule.gap_limit).then_some(Span { from, to: at })
    }

    fn phase_of(&self, code: i64) -> Option<Phase> {
        self.rule.codes.iter().find(|(known, _)| *known == code).map(|(_, phase)| *phase)
    }

    /// Begins a batch in any phase but idle and rinse. After one that was given up only a fill that was not there before.
    fn begin_if_seen(&mut self, at: Uptime, phase: Phase, before: Option<Phase>, unseen: Option<Span>) {
        let is_new = phase == Phase::Idle || (phase == Phase::Fill && before != Some(Phase::Fill));
        self.waits &= !is_new;
        if self.waits || matches!(phase, Phase::Idle | Phase::Rinse) {
            return;
        }
        let mut batch = Batch::new(ToldBy::Step);
        // A later phase that followed at once was seen from its beginning: the fill before it is missing then.
        if before.is_none() || (unseen.is_some() && phase > Phase::Dose) {
            batch.note(Oddity::BeginningNotSeen);
        }
        batch.unseen.extend(unseen);
        batch.enter(at, phase, unseen);
        self.running = Some(batch);
    }

    /// Ends the running batch if it has run for longer than any does.
    fn give_up(&mut self, at: Uptime) -> Option<Batch> {
        let begun = self.running.as_ref()?.span()?.from;
        if at.since(begun) <= self.rule.longest {
            return None;
        }
        self.waits = true;
        let mut batch = self.running.take()?;
        // Whatever it was in when it fell silent may have ended anywhere since.
        let unseen = self.unseen_until(at);
        if unseen.is_some() {
            batch.go_on(at, unseen);
        }
        Some(batch.end(Ending::NeverEnded))
    }
}
