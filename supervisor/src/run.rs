//! Puts the parts of a run together, and takes them apart in order.

use crate::clock::Clock;
use crate::entries::desk::REMEMBERED;
use crate::entries::ran::{self, Ran};
use crate::handle::{LineHandle, Looks, Teller};
use crate::history::{AlarmRecord, Batch, HistoryError, HistoryStore, NewRun, StoredEntry, bands_of};
use crate::line::past::{self, Past};
use crate::line::removed::removed_of;
use crate::line::renamed;
use crate::line::storage::Storage;
use crate::line::writer::{self, SharedStatus};
use crate::line::{LineChannels, LineTask, RunBefore, WallAnchor};
use crate::poll::dial::Dial;
use crate::poll::plan::{EndpointPlan, plan_line};
use crate::poll::{Poller, ScanReport};
use crate::report::keeper;
use crate::snapshot::{Counts, LineSnapshot, RunId};
use crate::supervision::{Supervision, TaskName};
use setward_config::line::Line;
use setward_protocol::{NoData, Reading, UtcMillis};
use std::fmt;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::{JoinError, JoinHandle};

/// Scans that may wait for the line task.
const REPORTS_MAX: usize = 64;
/// Wishes of people that may wait for the line task.
const REQUESTS_MAX: usize = 64;
/// Batches that may wait for the store; the line task keeps more if need be.
const WORK_MAX: usize = 8;

/// Events from elsewhere that may wait for the line task.
const TOLD_MAX: usize = 64;
/// How often it is looked whether history waits; the history itself is asked once a minute.
const LOOK_EVERY: Duration = Duration::from_secs(5);
const LOOKS_A_MINUTE: u64 = 12;
/// How long the store may take with what is left at the end, and with records of batches before it: with what the line task
/// takes for its last words, less than the five seconds within which the program stops.
const LAST_WRITE_WITHIN: Duration = Duration::from_millis(2500);
const LAST_RECORDS_WITHIN: Duration = Duration::from_millis(500);

/// What a run touches outside itself.
pub struct Edges<D> {
    /// How connections are made.
    pub dial: Arc<D>,
    /// Where history is kept.
    pub history: Arc<dyn HistoryStore>,
    /// The run's clock.
    pub clock: Clock,
}

/// What a run did, counted at its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct RunSummary {
    /// Version of this object.
    pub schema_version: u32,
    /// Scans of a controller.
    pub scans: u64,
    /// Requests sent.
    pub requests: u64,
    /// Signals whose value was good at the end.
    pub signals_good: usize,
    /// Signals without a good value at the end.
    pub signals_bad: usize,
    /// Samples the store confirmed.
    pub samples_stored: u64,
    /// Those among them that carry no value, only a reason.
    pub samples_stored_without_value: u64,
    /// Samples that could not be kept.
    pub samples_lost: u64,
    /// Alarms raised.
    pub alarms_raised: u64,
    /// Alarms active or not acknowledged at the end.
    pub alarms_open: usize,
}

impl fmt::Display for RunSummary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "scans            {:>8}", self.scans)?;
        writeln!(f, "requests sent    {:>8}", self.requests)?;
        writeln!(f, "signals good     {:>8}   at the end", self.signals_good)?;
        writeln!(f, "signals not good {:>8}   at the end", self.signals_bad)?;
        let without_value = self.samples_stored_without_value;
        writeln!(f, "samples stored   {:>8}   {without_value} of them without a value", self.samples_stored)?;
        writeln!(f, "samples lost     {:>8}", self.samples_lost)?;
        writeln!(f, "alarms raised    {:>8}", self.alarms_raised)?;
        write!(f, "alarms open      {:>8}", self.alarms_open)
    }
}

/// Why a run can't go on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Failed {
    /// A part that all others need has ended: nothing can be stopped in order any more.
    Ended(String),
    /// A part failed again and again: the rest can still be stopped in order.
    TooOften(String),
}

/// A run under way.
#[derive(Debug)]
pub struct Running {
    handle: LineHandle,
    supervision: Supervision,
    gave_up: mpsc::Receiver<String>,
    stop: oneshot::Sender<()>,
    line_task: JoinHandle<Counts>,
    pollers: Vec<JoinHandle<()>>,
    notices: JoinHandle<()>,
    keeper: JoinHandle<()>,
    writer: JoinHandle<()>,
    status: SharedStatus,
}

/// Starts a run: durable in the store first, then the line task, then the pollers.
///
/// # Errors
/// When the store can't begin the run.
pub async fn start<D: Dial + 'static>(line: Arc<Line>, edges: Edges<D>) -> Result<Running, HistoryError> {
    let run = NewRun::of(&line, edges.clock.utc(), env!("CARGO_PKG_VERSION"));
    let run = edges.history.start_run(run).await?;
    let bands = bands_of(&line, edges.clock.uptime(), edges.clock.utc());
    let mut records = edges.history.alarm_records().await?;
    let renamed = renamed::follow(&line, &mut records);
    // Delays go on once: a run that is killed later hands over none.
    let waiting = records.iter().filter(|record| !record.waited.is_zero());
    let waited = waiting.map(|record| AlarmRecord { waited: Duration::ZERO, ..record.clone() });
    let alarms = renamed.into_iter().chain(waited).collect();
    edges.history.append(run, Batch { bands, alarms, ..Batch::default() }).await?;
    let past = past::of(&line, edges.history.as_ref(), edges.clock.utc()).await;
    let entries = entries_of(&line, edges.history.as_ref()).await?;
    let ran = ran_of(&line, &edges, &past, &entries.0).await;
    let removed = removed_of(&line, &records);
    let before = RunBefore::of(edges.history.events(None, 1).await?.first());
    let endpoints = plan_line(&line);
    let status = SharedStatus::default();

    let (work, queue) = mpsc::channel(WORK_MAX);
    let history = Arc::clone(&edges.history);
    let writer = tokio::spawn(writer::write(edges.history, run, queue, status.clone(), edges.clock));

    let (reports, arriving) = mpsc::channel(REPORTS_MAX);
    let (requests, wishes) = mpsc::channel(REQUESTS_MAX);
    let (entering, entered) = mpsc::channel(REQUESTS_MAX);
    let (stop, stopped) = oneshot::channel();
    let (teller, told) = Teller::new(TOLD_MAX);
    let (supervision, gave_up) = Supervision::new(teller.clone(), edges.clock);
    let first = Arc::new(first_snapshot(&line, edges.clock, run, &records));
    let (snapshot, published) = watch::channel(first);
    let looks = Looks::default();
    let (batches, ended) = watch::channel(Arc::default());
    let keeper = tokio::spawn(keeper::keep_batches(Arc::clone(&line), Arc::clone(&history), ended));
    let channels = LineChannels {
        looks: looks.clone(),
        batches,
        reports: arriving,
        requests: wishes,
        entries: entered,
        told,
        snapshot,
        work,
        writer: status.clone(),
        stop: stopped,
    };
    let left = Before { records, removed, before, past, ran, entries };
    let line_task = tokio::spawn(run_line(line, edges.clock, run, left, channels));

    let pollers = endpoints.into_iter().map(|plan| {
        let edges = (Arc::clone(&edges.dial), edges.clock, reports.clone());
        tokio::spawn(keep_polling(plan, edges, supervision.clone()))
    });
    let pollers = pollers.collect();
    let handle = LineHandle::new(requests, published, looks).with_entries(entering);
    let notices = tokio::spawn(tell_notices(history, status.clone(), teller));
    Ok(Running { handle, supervision, gave_up, stop, line_task, pollers, notices, keeper, writer, status })
}

impl Running {
    /// The way to the line.
    #[must_use]
    pub fn handle(&self) -> LineHandle {
        self.handle.clone()
    }

    /// The way to the daemon's events.
    #[must_use]
    pub fn teller(&self) -> Teller {
        self.supervision.teller().clone()
    }

    /// What begins failed tasks anew.
    #[must_use]
    pub const fn supervision(&self) -> &Supervision {
        &self.supervision
    }

    /// How the store is doing.
    #[must_use]
    pub fn store_status(&self) -> SharedStatus {
        self.status.clone()
    }

    /// Returns only when the run can't go on, with the reason: the line task or the writer ended although nobody stopped
    /// them, or a task has failed too often.
    pub async fn failed(&mut self) -> Failed {
        tokio::select! {
            biased;
            ended = &mut self.line_task => Failed::Ended(format!("the line task ended by itself: {ended:?}")),
            ended = &mut self.writer => Failed::Ended(format!("the way to the history ended by itself: {ended:?}")),
            Some(why) = self.gave_up.recv() => Failed::TooOften(why),
        }
    }

    /// Stops the run in order: the line task, the pollers, then the store with all it still has to keep.
    ///
    /// # Errors
    /// When the line task or the writer failed.
    pub async fn stop(self) -> Result<RunSummary, JoinError> {
        // The task may have ended by itself; the join below tells.
        let _ended = self.stop.send(());
        let counts = self.line_task.await?;
        self.notices.abort();
        // What it still has to keep is worked out from history once more at the next start, should this take too long.
        let _late = tokio::time::timeout(LAST_RECORDS_WITHIN, self.keeper).await;
        for poller in self.pollers {
            poller.abort();
        }
        match tokio::time::timeout(LAST_WRITE_WITHIN, self.writer).await {
            Ok(written) => written?,
            Err(_elapsed) => {
                let within = LAST_WRITE_WITHIN.as_secs_f64();
                tracing::error!(
                    code = "history-stuck",
                    "the disk did not take the last readings within {within} s"
                );
            }
        }
        let snapshot = self.handle.snapshot();
        let good = snapshot.signals.iter().filter(|signal| signal.reading.good().is_some()).count();
        // What is computed over a stretch of time needs that time first, and a line that runs: it is not bad.
        let waits = |signal: &&crate::snapshot::SignalView| {
            matches!(signal.reading, Reading::Bad(NoData::TooLittleKnown | NoData::NotSteady))
        };
        let waiting = snapshot.signals.iter().filter(waits).count();
        let open = |alarm: &&crate::snapshot::AlarmView| {
            let stands = alarm.state.is_active() || alarm.state.awaits_acknowledgement();
            stands && !alarm.flags.are_silencing()
        };
        let writer = self.status.now();
        Ok(RunSummary {
            schema_version: 1,
            scans: counts.scans,
            requests: counts.requests,
            signals_good: good,
            signals_bad: snapshot.signals.len() - good - waiting,
            samples_stored: writer.stored,
            samples_stored_without_value: writer.stored_without_value,
            samples_lost: counts.samples_lost + writer.lost,
            alarms_raised: counts.alarms_raised,
            alarms_open: snapshot.alarms.iter().filter(open).count(),
        })
    }
}

/// Polls an endpoint, and begins anew should its poller fail: one controller's fault must not blind the line for good.
async fn keep_polling<D: Dial + 'static>(
    plan: EndpointPlan,
    (dial, clock, reports): (Arc<D>, Clock, mpsc::Sender<ScanReport>),
    supervision: Supervision,
) {
    let name = TaskName { event: "polling failed", doing: format!("polling {}", plan.endpoint) };
    let begin = move || Poller::new(plan.clone(), Arc::clone(&dial), clock, reports.clone()).run();
    supervision.keep(name, begin).await;
}

/// What a person should know of the history becomes an event, once: at the start, when it comes up later, and when history
/// waits or goes on.
async fn tell_notices(history: Arc<dyn HistoryStore>, status: SharedStatus, teller: Teller) {
    let mut told: Vec<String> = Vec::new();
    let mut is_waiting = false;
    for turn in 0_u64.. {
        let mut news = Vec::new();
        if turn.is_multiple_of(LOOKS_A_MINUTE) {
            // A store that does not answer tells so by itself.
            let notices = history.notices().await.unwrap_or_default();
            news.extend(notices.into_iter().filter(|notice| !told.contains(notice)));
            told.extend(news.iter().cloned());
        }
        let mut events: Vec<_> = news.into_iter().map(|notice| ("history notice", notice)).collect();
        let problem = status.now().problem;
        if problem.is_some() != is_waiting {
            is_waiting = problem.is_some();
            let goes_on = || "what waited has been kept, or is counted as lost".to_owned();
            let what = if is_waiting { "history waits" } else { "history goes on" };
            events.push((what, problem.unwrap_or_else(goes_on)));
        }
        for (what, note) in events {
            if !teller.tell(what, note).await {
                return;
            }
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
}

/// What the runs before have left.
struct Before {
    /// States of alarms.
    records: Vec<AlarmRecord>,
    /// Those among them that are open and that the files no longer have.
    removed: Vec<AlarmRecord>,
    /// How the last one ended.
    before: RunBefore,
    /// Readings.
    past: Vec<Past>,
    /// When stations ran.
    ran: Vec<Ran>,
    /// Entries, and the highest of their numbers.
    entries: (Vec<StoredEntry>, u64),
}

/// The newest entries of each kind, and the highest number there is.
async fn entries_of(
    line: &Line,
    history: &dyn HistoryStore,
) -> Result<(Vec<StoredEntry>, u64), HistoryError> {
    let mut kept = Vec::new();
    for entry in &line.entries {
        let tag = line.signal(entry.signal).tag.clone();
        kept.extend(history.entries(Some(tag), REMEMBERED).await?);
    }
    let newest = history.entries(None, 1).await?.first().map_or(0, |entry| entry.n);
    Ok((kept, newest))
}

/// When stations ran whose running makes an entry due.
async fn ran_of<D>(line: &Line, edges: &Edges<D>, past: &[Past], kept: &[StoredEntry]) -> Vec<Ran> {
    let known_until = past.last().map_or(UtcMillis(i64::MIN), |last| last.utc);
    ran::ran(line, edges.history.as_ref(), kept, (known_until, edges.clock.utc())).await
}

/// The line task with the storage it lends to the engine.
async fn run_line(line: Arc<Line>, clock: Clock, run: RunId, left: Before, channels: LineChannels) -> Counts {
    let mut storage = Storage::of(&line);
    let wall = WallAnchor { at: clock.uptime(), utc: clock.utc() };
    let (monitor, alarms) = storage.engine(&line, left.records, wall);
    let (entries, newest) = left.entries;
    let task = LineTask::new(line, clock, run, monitor, alarms).with_removed(left.removed);
    let task = task.with_entries(entries, newest).with_past(&left.past, &left.ran);
    task.run(left.before, channels).await
}

fn first_snapshot(line: &Arc<Line>, clock: Clock, run: RunId, records: &[AlarmRecord]) -> LineSnapshot {
    let mut storage = Storage::of(line);
    let wall = WallAnchor { at: clock.uptime(), utc: clock.utc() };
    let (monitor, alarms) = storage.engine(line, records.to_vec(), wall);
    LineTask::new(Arc::clone(line), clock, run, monitor, alarms).first_snapshot()
}
