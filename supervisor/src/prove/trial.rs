//! One virtual run: a plant as new, watched until it is warm, then a plan; every alarm that the plan is for is waited for,
//! acknowledged twice, and waited for again until it has cleared.

use super::Plant;
use super::branch::Branch;
use super::inject::right;
use super::plan::{Candidate, Step, WARM_UP_S};
use super::watch::Watcher;
use crate::clock::Clock;
use crate::entries::{EntryWish, Typed};
use crate::handle::{LineHandle, Wish, WishRequest};
use crate::history::HistoryStore;
use crate::history::sqlite::InlineStore;
use crate::run::{Edges, Running, start};
use crate::snapshot::{AlarmView, LineSnapshot};
use setward_alarm::AlarmId;
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::sync::Arc;
use std::time::Duration;

/// 2026-01-05 00:00 UTC: any Monday will do.
const START: UtcMillis = UtcMillis(1_767_571_200_000);
/// Who acknowledges, in the events of the run.
const BY: &str = "proof";
/// An alarm that still stands so long after the last fault ended has not cleared, s: a tank has to be fed and filled again.
const CLEARS_WITHIN_S: u64 = 72_000;
/// So long after it must have raised, waiting on makes no sense, s.
const OVERDUE_S: i64 = 120;

/// A run to be made.
#[derive(Debug, Clone)]
pub struct Trial {
    /// The line.
    pub line: Arc<Line>,
    /// What is done.
    pub candidate: Candidate,
    /// The alarms that it is done for.
    pub alarms: Vec<AlarmId>,
}

/// What was seen of one alarm. Times are s of the run.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Seen {
    /// When the last step of the plan was done that was done before it raised.
    pub begun_s: f64,
    /// When it raised, and somebody was called.
    pub raised_s: Option<f64>,
    /// How many steps of the plan were done by then.
    pub done: usize,
    /// By which of its branches it raised, if its value tells.
    pub branch: Option<Branch>,
    /// When its trouble began.
    pub onset_s: Option<f64>,
    /// From when on it may have raised, and by when it must have, by the plain reckoning.
    pub may_s: Option<f64>,
    /// See [`Self::may_s`].
    pub must_s: Option<f64>,
    /// Alarms of its group that raised in the run, with the onset of each, s.
    pub group: Vec<(AlarmId, f64)>,
    /// It was acknowledged, and asking twice changed nothing.
    pub acknowledged: bool,
    /// When it was back to normal.
    pub cleared_s: Option<f64>,
    /// When the faults ended.
    pub ended_s: f64,
    /// What kept it silent when it was looked at last.
    pub silent: Option<String>,
    /// It raised, but silently.
    pub raised_silently: bool,
    /// Something of the plan could not be done.
    pub refused: Option<String>,
}

/// So long after a raise the plain reckoning may still come to its latest moment, s; then a person acknowledges.
const LATE_S: f64 = 90.0;

struct Tracker {
    alarm: AlarmId,
    watcher: Watcher,
    seen: Seen,
    is_overdue: bool,
    is_done: bool,
}

impl Trial {
    /// Makes the run, on this thread, in virtual time.
    #[must_use]
    pub fn run<P: Plant>(&self, plant: P) -> Vec<Seen> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
        let refused = |why: String| vec![Seen { refused: Some(why), ..Seen::default() }; self.alarms.len()];
        match runtime {
            Ok(runtime) => runtime.block_on(self.run_through(Arc::new(plant))).unwrap_or_else(refused),
            Err(error) => refused(format!("the system gives no event loop: {error}")),
        }
    }

    async fn run_through<P: Plant>(&self, plant: Arc<P>) -> Result<Vec<Seen>, String> {
        for setting in &self.candidate.setting {
            plant.begin(setting)?;
        }
        let history = InlineStore::in_memory().map_err(|error| error.text)?;
        let history: Arc<dyn HistoryStore> = Arc::new(history);
        let edges = Edges { dial: Arc::clone(&plant), history, clock: Clock::starting_at(START) };
        let running = start(Arc::clone(&self.line), edges).await.map_err(|error| error.text)?;
        let mut bench = Attempt::new(self, plant, &running);
        let outcome = bench.carry_out().await;
        let seen = bench.trackers.into_iter().map(|tracker| tracker.seen).collect();
        running.stop().await.map_err(|error| error.to_string())?;
        outcome.map(|()| seen)
    }
}

/// A run under way.
struct Attempt<'a, P> {
    trial: &'a Trial,
    plant: Arc<P>,
    handle: LineHandle,
    trackers: Vec<Tracker>,
    /// Seconds of the run.
    second: u64,
    /// Steps that are done.
    done: usize,
}

impl<'a, P: Plant> Attempt<'a, P> {
    fn new(trial: &'a Trial, plant: Arc<P>, running: &Running) -> Self {
        let tracker = |alarm: &AlarmId| Tracker {
            alarm: *alarm,
            watcher: Watcher::new(*alarm),
            seen: Seen::default(),
            is_overdue: false,
            is_done: false,
        };
        let trackers = trial.alarms.iter().map(tracker).collect();
        Self { trial, plant, handle: running.handle(), trackers, second: 0, done: 0 }
    }

    async fn carry_out(&mut self) -> Result<(), String> {
        for _ in 0..WARM_UP_S {
            self.pass_second().await;
        }
        let candidate = &self.trial.candidate;
        for (at, step) in &candidate.steps {
            while self.second < WARM_UP_S + at {
                self.pass_second().await;
            }
            match step {
                Step::Begin(fault) => self.plant.begin(fault)?,
                Step::Operate(operation) => self.plant.operate(operation)?,
                Step::Enter(tag, typed) => self.enter(tag, typed).await?,
            }
            self.done += 1;
        }
        let begun = self.second;
        for tracker in &mut self.trackers {
            let is_raised = tracker.seen.raised_s.is_some();
            let done = if is_raised { tracker.seen.done } else { candidate.steps.len() };
            tracker.seen.begun_s = candidate.until(done).begun_s() as f64;
        }
        while self.second < begun + candidate.bound_s && self.trackers.iter().any(Tracker::is_waited_for) {
            self.pass_second().await;
            self.acknowledge().await;
        }
        self.end_faults().await?;
        let ended = self.second;
        self.trackers.iter_mut().for_each(|tracker| tracker.seen.ended_s = ended as f64);
        while self.second < ended + CLEARS_WITHIN_S && self.trackers.iter().any(Tracker::has_to_clear) {
            self.pass_second().await;
            self.put_away().await;
        }
        Ok(())
    }

    /// A second of the plant, then a look at the line.
    async fn pass_second(&mut self) {
        self.plant.step(Duration::from_secs(1));
        tokio::time::sleep(Duration::from_secs(1)).await;
        self.second += 1;
        let snapshot = self.handle.snapshot();
        let line = &self.trial.line;
        for tracker in &mut self.trackers {
            tracker.see(line, &snapshot, self.done);
        }
    }

    /// A person looks at the alarms of the group, and acknowledges, twice.
    async fn acknowledge(&mut self) {
        let snapshot = self.handle.snapshot();
        let now_s = seconds(snapshot.utc);
        for tracker in self.trackers.iter_mut().filter(|tracker| tracker.may_be_acknowledged(now_s)) {
            tracker.is_done = true;
            tracker.seen.group = group_of(&self.trial.line, &snapshot, tracker.alarm);
            let wish = wish(&snapshot, tracker.alarm, Wish::Acknowledge);
            let first = self.handle.ask(wish.clone()).await;
            let again = self.handle.ask(wish).await;
            tracker.seen.acknowledged =
                first.is_ok_and(|granted| granted.durable) && again.is_ok_and(|granted| granted.already);
        }
    }

    /// What is told anew on the way, because something had silenced it, is acknowledged too. A latched alarm is held until
    /// somebody resets it.
    async fn put_away(&mut self) {
        let snapshot = self.handle.snapshot();
        for tracker in self.trackers.iter().filter(|tracker| tracker.has_to_clear()) {
            let Some(view) = snapshot.alarm(tracker.alarm) else { continue };
            let wanted = if view.state.awaits_acknowledgement() {
                Wish::Acknowledge
            } else if view.state.letter() == 'F' {
                Wish::Reset
            } else {
                continue;
            };
            // A reset is refused while its condition still holds: the next second asks again.
            let _granted = self.handle.ask(wish(&snapshot, tracker.alarm, wanted)).await;
        }
    }

    /// Somebody enters a number, or that a check passed or failed; what is unusual is meant.
    async fn enter(&self, tag: &str, typed: &str) -> Result<(), String> {
        let line = &self.trial.line;
        let signal = line.signal_by_tag(tag);
        let entry = line.entries.iter().position(|entry| Some(entry.signal) == signal);
        let entry = entry.ok_or_else(|| format!("{tag} is no entry"))?;
        let typed = match typed {
            "passed" => Typed::Check(true),
            "failed" => Typed::Check(false),
            number => Typed::Number(number.parse().map_err(|_| format!("{number} is no number"))?),
        };
        let wish = EntryWish {
            entry,
            typed,
            taken: None,
            by: BY.to_owned(),
            about: None,
            note: None,
            corrects: None,
            seen: None,
            confirmed: true,
        };
        self.handle
            .enter(wish)
            .await
            .map(|_taken| ())
            .map_err(|refusal| format!("{tag} was not taken: {refusal:?}"))
    }

    async fn end_faults(&mut self) -> Result<(), String> {
        let mut operated = false;
        let trial = self.trial;
        for (_, step) in &trial.candidate.steps {
            match step {
                Step::Begin(fault) => self.plant.end(fault),
                Step::Operate(_) => operated = true,
                Step::Enter(tag, typed) => {
                    let signal = trial.line.signal_by_tag(tag);
                    let is_check = ["passed", "failed"].contains(&typed.as_str());
                    let right = signal.map(|signal| right(&trial.line, signal)).unwrap_or_default();
                    self.enter(tag, if is_check { "passed" } else { &right }).await?;
                    for _ in 0..5 {
                        self.pass_second().await;
                    }
                }
            }
        }
        if operated { self.plant.operate("run") } else { Ok(()) }
    }
}

impl Tracker {
    const fn is_waited_for(&self) -> bool {
        self.seen.raised_s.is_none() && !self.is_overdue || self.seen.raised_s.is_some() && !self.is_done
    }

    fn may_be_acknowledged(&self, now_s: f64) -> bool {
        let is_reckoned = self.seen.must_s.is_some();
        let waited = self.seen.raised_s.is_some_and(|raised_s| is_reckoned || now_s - raised_s >= LATE_S);
        waited && !self.is_done
    }

    const fn has_to_clear(&self) -> bool {
        self.seen.raised_s.is_some() && self.seen.cleared_s.is_none()
    }

    fn see(&mut self, line: &Line, snapshot: &LineSnapshot, done: usize) {
        let Some(view) = snapshot.alarm(self.alarm) else { return };
        let raised_s = self.seen.raised_s;
        // The plain reckoning looks once a second: it may find a moment later that the alarm may have raised. What silences it
        // after that, the acknowledgement and the end of the faults take nothing back.
        let is_over = self.is_done || view.flags.are_silencing();
        let is_fresh = raised_s.is_some_and(|raised_s| !is_over && seconds(snapshot.utc) - raised_s < LATE_S);
        if raised_s.is_none() || is_fresh {
            self.watcher.see(line, snapshot, &view.flags);
            let (may, must) = self.watcher.due();
            let kept = (self.seen.may_s, self.seen.must_s);
            let (may_s, must_s) = if is_fresh { kept } else { (None, None) };
            self.seen.may_s = may_s.or(may.map(seconds));
            self.seen.must_s = must_s.or(must.map(seconds));
        }
        if raised_s.is_none() {
            self.wait(line, snapshot, view, done);
        } else if self.seen.acknowledged && view.state.letter() == 'A' && self.seen.cleared_s.is_none() {
            self.seen.cleared_s = Some(view.cleared.map_or_else(|| seconds(snapshot.utc), seconds));
        }
    }

    fn wait(&mut self, line: &Line, snapshot: &LineSnapshot, view: &AlarmView, done: usize) {
        let is_silent = view.flags.are_silencing();
        self.seen.silent = is_silent.then(|| why_silent(line, view));
        self.seen.raised_silently |= is_silent && view.state.is_active();
        if view.occurrence > 0 && view.state.awaits_acknowledgement() && !is_silent {
            self.seen.raised_s = Some(view.raised.map_or_else(|| seconds(snapshot.utc), seconds));
            self.seen.onset_s = view.onset.map(seconds);
            (self.seen.done, self.seen.branch) = (done, self.watcher.branch());
        }
        let (_, must) = self.watcher.due();
        self.is_overdue = must.is_some_and(|must| snapshot.utc.0 - must.0 > OVERDUE_S * 1000);
    }
}

fn seconds(at: UtcMillis) -> f64 {
    (at.0 - START.0) as f64 / 1000.0
}

fn wish(snapshot: &LineSnapshot, alarm: AlarmId, wish: Wish) -> WishRequest {
    let occurrence = snapshot.alarm(alarm).map_or(0, |view| view.occurrence);
    WishRequest { alarm, run: snapshot.run, occurrence, by: BY.to_owned(), why: None, wish }
}

/// Every alarm of the same group that stands, with its onset.
fn group_of(line: &Line, snapshot: &LineSnapshot, alarm: AlarmId) -> Vec<(AlarmId, f64)> {
    let Some(group) = line.alarm(alarm).settings.group else { return Vec::new() };
    let in_group = line.alarms_with_ids().filter(|(_, own)| own.settings.group == Some(group));
    let standing = in_group.filter_map(|(id, _)| {
        let view = snapshot.alarm(id).filter(|view| view.state.is_active())?;
        Some((id, seconds(view.onset?)))
    });
    standing.collect()
}

/// What keeps an alarm silent, in words.
fn why_silent(line: &Line, view: &AlarmView) -> String {
    let suppressed = &view.flags.suppressed;
    if let Some(cause) = suppressed.hidden_by {
        format!("hidden by {}", line.alarm(cause).id)
    } else if suppressed.mode {
        "the mode of its station does not let it speak".to_owned()
    } else if suppressed.condition {
        "its own condition does not hold".to_owned()
    } else if suppressed.no_communication {
        "its controller does not answer".to_owned()
    } else if suppressed.bad_measurement {
        "its signal is bad".to_owned()
    } else {
        "it waits after a suppression".to_owned()
    }
}
