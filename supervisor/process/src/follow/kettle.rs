//! One kettle: what tells its batches, and between when and when each is pumped out.

use super::shape::{KettleRule, Recognition};
use crate::batches::{Batch, BatchTracker, Ending, Phase, TemperatureTracker};
use crate::series::Span;
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

/// What a reading told.
#[derive(Debug, Default)]
pub(super) struct Told {
    /// A batch that is over in the kettle, and between when and when its soak began, if it was pumped out.
    pub(super) ended: Option<(Batch, Option<Span>)>,
    /// A batch begins.
    pub(super) begins: bool,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Kettle {
    source: Source,
    pub(super) corn_kg: f64,
    pub(super) number: Option<u64>,
    pub(super) recipe: Option<u32>,
    target: Target,
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

/// Where a batch is pumped to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Target {
    NotSeen,
    One(u16),
    Several,
}

impl Target {
    const fn or(self, number: u16) -> Self {
        match self {
            Self::NotSeen => Self::One(number),
            Self::One(same) if same == number => self,
            Self::One(_) | Self::Several => Self::Several,
        }
    }
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
        Self { source, corn_kg: rule.corn_kg, number: None, recipe: None, target: Target::NotSeen }
    }

    /// Whether a batch is in it that cooks or, by the step register, is on its way out.
    pub(super) fn runs(&self) -> bool {
        match &self.source {
            Source::Step(tracker) => tracker.running().is_some(),
            Source::Temperature { tracker, .. } => tracker.running().is_some(),
        }
    }

    pub(super) fn handle(&mut self, at: Uptime, reading: Reading) -> Told {
        let ran = self.runs();
        match (&mut self.source, reading) {
            (Source::Step(tracker), Reading::Step(code)) => {
                let ended = tracker.handle(at, code);
                let begins = tracker.running().is_some() && (!ran || ended.is_some());
                let soaks_from = |batch: &Batch| Some(batch.ended_within(batch.phase(Phase::Transfer)?.to));
                Told { ended: ended.map(|batch| (batch.clone(), soaks_from(&batch))), begins }
            }
            (Source::Temperature { tracker, pumped_within, quenched }, Reading::Temperature(degc)) => {
                let ended = tracker.handle(at, degc);
                let begins = tracker.running().is_some() && (!ran || ended.is_some());
                let pumped = pumped_out(quenched, at, begins, *pumped_within);
                match ended {
                    Some(batch) if batch.ending == Some(Ending::Complete) => {
                        let at = batch.span().map_or(at, |span| span.to);
                        *quenched = Some((batch.ended_within(at), batch));
                        Told { ended: pumped, begins }
                    }
                    // One that was not quenched stays where it is; none is quenched beside it, for that one was over when it began.
                    Some(batch) => Told { ended: Some((batch, None)), begins },
                    None => Told { ended: pumped, begins },
                }
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
            self.target = filling.iter().fold(self.target, |target, number| target.or(*number));
        }
    }

    /// Where its batch went, if that is known; the next one's is not known yet.
    pub(super) fn take_target(&mut self) -> Option<u16> {
        match core::mem::replace(&mut self.target, Target::NotSeen) {
            Target::One(number) => Some(number),
            Target::NotSeen | Target::Several => None,
        }
    }
}

/// The quenched batch once it must be out: so long after its quench, or when the next one is heated.
fn pumped_out(
    quenched: &mut Option<(Span, Batch)>,
    at: Uptime,
    begins: bool,
    pumped_within: Duration,
) -> Option<(Batch, Option<Span>)> {
    let (since, batch) = quenched.take_if(|(since, _)| begins || at.since(since.to) >= pumped_within)?;
    Some((batch, Some(Span { from: since.from, to: at.min(since.to + pumped_within) })))
}
