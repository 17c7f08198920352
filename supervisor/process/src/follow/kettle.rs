//! One kettle: what tells its batches, and between when and when each is pumped out.

use super::shape::{KettleRule, Recognition};
use crate::batches::{Batch, BatchTracker, Ending, Phase, TemperatureTracker};
use crate::series::Span;
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// What was read of a kettle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Reading {
    /// Its step register's code.
    Step(Option<i64>),
    /// Its temperature, degC.
    Temperature(Option<f64>),
}

/// No batch is filled, cooked and pumped out in less: what passes unseen for so long may be one. Engineering judgement.
const WHOLE_BATCH: Duration = Duration::from_secs(1800);

/// What a reading told.
#[derive(Debug, Default)]
pub(super) struct Told {
    /// A batch that is over in the kettle, and how it left it, if it did or may have.
    pub(super) ended: Option<(Batch, Option<Pumped>)>,
    /// A batch begins.
    pub(super) begins: bool,
    /// Within this time nobody saw the kettle, and a batch of which nothing is known may have been cooked and pumped out.
    pub(super) unseen: Option<Span>,
}

/// A batch that was pumped out, or may have been.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pumped {
    /// It ran into a tank from then on at the earliest.
    pub(super) since: Uptime,
    /// Between when and when its soak began.
    pub(super) soaks_from: Span,
    /// Somebody knows that it was.
    pub(super) is_known: bool,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Kettle {
    source: Source,
    pub(super) corn_kg: f64,
    pub(super) number: Option<u64>,
    pub(super) recipe: Option<u32>,
    /// Tanks that filled while it was, or may have been, pumped out, each once.
    targets: Vec<u16>,
}

#[derive(Debug, Clone, PartialEq)]
enum Source {
    Step(BatchTracker),
    Temperature {
        tracker: TemperatureTracker,
        pumped_within: Duration,
        /// Quenched since some time within that, and not known to be pumped out.
        quenched: Option<(Span, Batch)>,
    },
}

impl Kettle {
    pub(super) fn new(rule: &KettleRule) -> Self {
        let source = match &rule.told_by {
            Recognition::Step(rule) => Source::Step(BatchTracker::new(rule.clone())),
            Recognition::Temperature { rule, pumped_within } => Source::Temperature {
                tracker: TemperatureTracker::new(rule.clone()),
                pumped_within: *pumped_within,
                quenched: None,
            },
        };
        Self { source, corn_kg: rule.corn_kg, number: None, recipe: None, targets: Vec::new() }
    }

    /// Whether a batch is in it that cooks or, by the step register, is on its way out.
    pub(super) fn runs(&self) -> bool {
        match &self.source {
            Source::Step(tracker) => tracker.running().is_some(),
            Source::Temperature { tracker, .. } => tracker.running().is_some(),
        }
    }

    /// When what tells its batches was last known.
    fn known_at(&self) -> Option<Uptime> {
        match &self.source {
            Source::Step(tracker) => tracker.known_at(),
            Source::Temperature { tracker, .. } => tracker.known_at(),
        }
    }

    pub(super) fn handle(&mut self, at: Uptime, reading: Reading) -> Told {
        let (ran, known) = (self.runs(), self.known_at());
        let told = self.take(at, reading, ran);
        // One that ran before and runs on left the kettle to no other.
        let is_same = ran && self.runs() && !told.begins;
        let unseen = known.zip(self.known_at()).map(|(from, to)| Span { from, to });
        let unseen = unseen.filter(|gap| gap.to.since(gap.from) >= WHOLE_BATCH && !is_same);
        Told { unseen, ..told }
    }

    fn take(&mut self, at: Uptime, reading: Reading, ran: bool) -> Told {
        match (&mut self.source, reading) {
            (Source::Step(tracker), Reading::Step(code)) => {
                let ended = tracker.handle(at, code);
                let begins = tracker.running().is_some() && (!ran || ended.is_some());
                let ended = ended.map(|batch| {
                    let pumped = pumped_by_step(&batch).or_else(|| pumped_unseen(&batch));
                    (batch, pumped)
                });
                Told { ended, begins, unseen: None }
            }
            (Source::Temperature { tracker, pumped_within, quenched }, Reading::Temperature(degc)) => {
                let ended = tracker.handle(at, degc);
                let begins = tracker.running().is_some() && (!ran || ended.is_some());
                let pumped = pumped_out(quenched, at, begins, *pumped_within);
                let ended = match ended {
                    Some(batch) if batch.ending == Some(Ending::Complete) => {
                        let at = batch.span().map_or(at, |span| span.to);
                        *quenched = Some((batch.ended_within(at), batch));
                        pumped
                    }
                    // One that was not quenched stays where it is; none is quenched beside it, for that one was over when it began.
                    Some(batch) => {
                        let pumped = pumped_unseen(&batch);
                        Some((batch, pumped))
                    }
                    None => pumped,
                };
                Told { ended, begins, unseen: None }
            }
            (Source::Step(_), Reading::Temperature(_)) | (Source::Temperature { .. }, Reading::Step(_)) => {
                Told::default()
            }
        }
    }

    /// Each tank that fills while it is, or may be, pumped out may be where its batch goes.
    pub(super) fn note_targets(&mut self, filling: &[u16]) {
        let pumps = match &self.source {
            Source::Step(tracker) => {
                let last = tracker.running().and_then(|batch| batch.phases.last());
                last.is_some_and(|last| last.phase == Phase::Transfer)
            }
            Source::Temperature { quenched, .. } => quenched.is_some(),
        };
        if pumps {
            for number in filling {
                if !self.targets.contains(number) {
                    self.targets.push(*number);
                }
            }
        }
    }

    /// Where its batch may have gone; the next one's is not known yet.
    pub(super) fn take_targets(&mut self) -> Vec<u16> {
        core::mem::take(&mut self.targets)
    }
}

fn pumped_by_step(batch: &Batch) -> Option<Pumped> {
    let transfer = batch.phase(Phase::Transfer)?;
    let soaks_from = batch.ended_within(transfer.to);
    Some(Pumped { since: transfer.from, soaks_from, is_known: true })
}

/// One that may have been pumped out while nobody saw it.
fn pumped_unseen(batch: &Batch) -> Option<Pumped> {
    let hidden = batch.hidden_transfer().filter(|_| batch.ending != Some(Ending::Interrupted))?;
    Some(Pumped { since: hidden.from, soaks_from: hidden, is_known: false })
}

/// The quenched batch once it must be out: so long after its quench, or when the next one is heated.
fn pumped_out(
    quenched: &mut Option<(Span, Batch)>,
    at: Uptime,
    begins: bool,
    pumped_within: Duration,
) -> Option<(Batch, Option<Pumped>)> {
    let (since, batch) = quenched.take_if(|(since, _)| begins || at.since(since.to) >= pumped_within)?;
    let soaks_from = Span { from: since.from, to: at.min(since.to + pumped_within) };
    Some((batch, Some(Pumped { since: since.from, soaks_from, is_known: true })))
}
