//! Proof of alarms: each alarm of a line is made to raise, be acknowledged and clear, by the real poller and line task over a
//! simulated plant in virtual time. Only the line folder is needed.
//!
//! ```text
//! branch.rs   the ways in which an alarm may raise, each of which has to be shown: above and below, too little and too much
//! plan.rs     what could raise an alarm: faults of the process first (physics.rs), else registers made to lie (inject.rs)
//! trial.rs    one virtual run of one such plan, for all the alarms that it is for
//! watch.rs    a plain reckoning, from the settings alone, of when each of them must raise
//! verdict.rs  what follows from one run; case.rs puts the runs of an alarm together
//! report.rs   what came of it; text.rs and page.rs print it
//! ```
//!
//! Nothing here knows the simulator: it is behind [`Plant`], and faults are words.

pub mod aim;
pub mod branch;
mod case;
pub mod inject;
pub mod page;
pub mod physics;
pub mod plan;
pub mod report;
pub mod text;
pub mod trial;
pub mod verdict;
pub mod watch;

use crate::poll::dial::Dial;
use case::Case;
use plan::{Candidate, Way};
use report::Proof;
use setward_alarm::AlarmId;
use setward_config::line::Line;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use trial::{Seen, Trial};

/// Most runs at a time; each is a thread of its own.
const RUNS_AT_ONCE_MAX: usize = 4;

/// A simulated plant: it answers as the line's controllers do, and has faults when it is told.
pub trait Plant: Dial + 'static {
    /// Begins a fault, or puts it in place of one of the same kind about the same subject.
    ///
    /// # Errors
    /// When this plant can't have it; in words.
    fn begin(&self, fault: &str) -> Result<(), String>;
    /// Ends a fault that was begun.
    fn end(&self, fault: &str);
    /// Operators tell the line to do something: `stop-feed`, `run`.
    ///
    /// # Errors
    /// When this plant knows no such operation; in words.
    fn operate(&self, operation: &str) -> Result<(), String>;
    /// Lets time pass.
    fn step(&self, span: Duration);
}

/// What the proofs are made with.
pub struct Bench<'a, P> {
    /// The line, without servers to send to.
    pub line: Arc<Line>,
    /// Makes a plant of that line, as new.
    pub plant: &'a (dyn Fn() -> P + Sync),
    /// Told how many of how many alarms are done.
    pub progress: &'a (dyn Fn(usize, usize) + Sync),
}

/// Proves these alarms, as far as that goes; in their order.
pub fn prove<P: Plant>(bench: &Bench<'_, P>, alarms: &[AlarmId]) -> Vec<Proof> {
    let mut cases: Vec<Case> = alarms.iter().map(|alarm| Case::new(&bench.line, *alarm)).collect();
    let total = cases.len();
    loop {
        let trials = round(&cases);
        if trials.is_empty() {
            break;
        }
        let done = AtomicUsize::new(total - trials.iter().map(|(_, cases)| cases.len()).sum::<usize>());
        for (indices, seen) in run_all(bench, &cases, &trials, &done, total) {
            for (index, seen) in indices.into_iter().zip(seen) {
                if let Some(case) = cases.get_mut(index) {
                    case.take(&bench.line, &seen);
                }
            }
        }
    }
    cases.into_iter().map(|case| case.closed(&bench.line)).collect()
}

/// The next attempt of every case that is open: those that need the same share a run.
fn round(cases: &[Case]) -> Vec<(Candidate, Vec<usize>)> {
    let mut trials: Vec<(Candidate, Vec<usize>)> = Vec::new();
    for (index, case) in cases.iter().enumerate() {
        let Some(candidate) = case.next() else { continue };
        match trials.iter_mut().find(|(known, _)| known.is_same_run(candidate)) {
            Some((_, shared)) => shared.push(index),
            None => trials.push((candidate.clone(), vec![index])),
        }
    }
    trials
}

/// Runs the trials on a few threads; gives what each saw, in the order of the trials.
fn run_all<P: Plant>(
    bench: &Bench<'_, P>,
    cases: &[Case],
    trials: &[(Candidate, Vec<usize>)],
    done: &AtomicUsize,
    total: usize,
) -> Vec<(Vec<usize>, Vec<Seen>)> {
    let next = AtomicUsize::new(0);
    let results: Mutex<BTreeMap<usize, Vec<Seen>>> = Mutex::default();
    let work = || {
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some((candidate, shared)) = trials.get(index) else { return };
            let alarms = shared.iter().filter_map(|case| cases.get(*case)).map(|case| case.alarm).collect();
            let trial = Trial { line: Arc::clone(&bench.line), candidate: candidate.clone(), alarms };
            let seen = trial.run((bench.plant)());
            results.lock().unwrap_or_else(PoisonError::into_inner).insert(index, seen);
            (bench.progress)(done.fetch_add(shared.len(), Ordering::Relaxed) + shared.len(), total);
        }
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(RUNS_AT_ONCE_MAX);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(work);
        }
    });
    let mut results = results.into_inner().unwrap_or_else(PoisonError::into_inner);
    let seen_of = |(index, (_, shared)): (usize, &(Candidate, Vec<usize>))| {
        (shared.clone(), results.remove(&index).unwrap_or_default())
    };
    trials.iter().enumerate().map(seen_of).collect()
}

impl Way {
    /// The word in reports.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Physics => "physics",
            Self::Injection => "injection",
        }
    }
}
