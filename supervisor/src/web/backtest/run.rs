//! One back-test on a thread of its own: it reads a moment of the history as a command does, beside the daemon, at a low
//! priority, and ends when it is told to, or after its time.

use super::Stage;
use super::needed::needed;
use super::outcome::{OfAlarm, rows};
use crate::clock::Clock;
use crate::history::{
    AlarmRecord, Batch, EventsAsked, HistoryError, HistoryReader, HistoryStore, KeptRows, NewRun, Span,
    StoredEntry, StoredEvent, StoredSample,
};
use crate::replay::compare::{Looked, Occurrence, compare, occurrences};
use crate::replay::ground::AtRisk;
use crate::replay::{Replay, fed_for};
use crate::snapshot::RunId;
use async_trait::async_trait;
use setward_config::line::Line;
use setward_protocol::{SignalId, Uptime, UtcMillis};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// Longest run.
const LONGEST: Duration = Duration::from_secs(30 * 60);
/// The poller and the page come first: as much as a busy machine still gets it done within its time.
const NICENESS: i32 = 5;

/// What a run found.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::web) struct Found {
    /// What history held of the window.
    pub(in crate::web) span: Span,
    /// Alarms of the changed table first, then every other one that would change.
    pub(in crate::web) alarms: Vec<OfAlarm>,
    /// How many of them are of the changed table.
    pub(in crate::web) own: usize,
    /// Readings that were fed.
    pub(in crate::web) readings: u64,
    /// How long it took, s.
    pub(in crate::web) took_s: f64,
}

impl Found {
    /// Alarms of the changed table.
    pub(in crate::web) fn own_alarms(&self) -> &[OfAlarm] {
        self.alarms.get(..self.own).unwrap_or(&self.alarms)
    }

    /// Every other one that would change.
    pub(in crate::web) fn other_alarms(&self) -> &[OfAlarm] {
        self.alarms.get(self.own..).unwrap_or_default()
    }
}

/// What is to be run.
pub(super) struct Work {
    pub(super) history: PathBuf,
    pub(super) now: Arc<Line>,
    pub(super) proposed: Arc<Line>,
    /// The alarms of the changed table.
    pub(super) own: Vec<String>,
    pub(super) span: Span,
    pub(super) stage: Arc<Stage>,
}

/// Begins it.
///
/// # Errors
/// When the machine gives no thread.
pub(super) fn begin(work: Work) -> Result<(), String> {
    let thread = std::thread::Builder::new().name("back-test".to_owned()).spawn(move || {
        // Where it can't be lowered, the run still gives way between two hours of history.
        let _as_before = rustix::process::nice(NICENESS);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build();
        let found = match runtime {
            Ok(runtime) => runtime.block_on(run(&work)),
            Err(error) => Err(format!("no runtime: {error}")),
        };
        work.stage.end(found);
    });
    thread.map(|_detached| ()).map_err(|error| format!("no thread for it: {error}"))
}

async fn run(work: &Work) -> Result<Found, String> {
    let clock = Clock::system();
    let reader = HistoryReader::open(&work.history).map_err(|error| error.text)?;
    let fed = fed_span(&reader, work.span)?;
    let (from, to) = (work.span.from().max(fed.from()), work.span.to().min(fed.to()));
    let span = Span::new(from, to).map_err(|error| error.text)?;
    let looked = Looked { window: span, fed_to: fed.to() };
    let needed = needed(&work.now, &work.own);
    let store = Stoppable { reader, needed, stage: Arc::clone(&work.stage), clock };
    let lines = [Arc::clone(&work.now), Arc::clone(&work.proposed)];
    let replay = Replay { lines: &lines, store: &store, span: fed };
    let outcome = replay.run(&mut |share| work.stage.reach(share)).await.map_err(|error| error.text)?;
    let mut told = outcome.told.iter().map(|told| occurrences(told));
    let (now, then) = (told.next().unwrap_or_default(), told.next().unwrap_or_default());
    let compared = compare(&work.now, &now, &then, (looked, &outcome.ground));
    let of = |all: &BTreeMap<String, Vec<Occurrence>>, id: &str| all.get(id).cloned().unwrap_or_default();
    let one = |id: &str| {
        let found = compared.iter().find(|one| one.alarm == id);
        let nothing = AtRisk::default;
        let at_risk = found.and_then(|found| match (found.at_risk_then, found.at_risk_now) {
            (None, None) => None,
            (now, then) => Some((now.unwrap_or_else(nothing), then.unwrap_or_else(nothing))),
        });
        let turns = found.map(|found| found.turns.clone()).unwrap_or_default();
        OfAlarm { alarm: id.to_owned(), rows: rows(&of(&now, id), &of(&then, id), looked), at_risk, turns }
    };
    let own: Vec<OfAlarm> = work.own.iter().map(|id| one(id)).collect();
    let others = work.now.alarms.iter().map(|alarm| alarm.id.as_str());
    let others = others.filter(|id| !work.own.iter().any(|own| own == id)).map(one);
    let changed = others.filter(|other| !other.is_same(span));
    Ok(Found {
        span,
        own: own.len(),
        alarms: own.into_iter().chain(changed).collect(),
        readings: outcome.samples,
        took_s: clock.uptime().seconds_since(Uptime::START),
    })
}

/// The window with what is fed before and after it, cut to what history holds.
fn fed_span(reader: &HistoryReader, span: Span) -> Result<Span, String> {
    let Some(kept) = reader.extent().map_err(|error| error.text)? else {
        return Err("the history is empty so far".to_owned());
    };
    fed_for(span, kept).ok_or_else(|| "nothing is kept of this time".to_owned())
}

/// A history that stops answering once the run is to end.
struct Stoppable {
    reader: HistoryReader,
    /// Tags of signals that change anything; of the others nothing is given.
    needed: BTreeSet<String>,
    stage: Arc<Stage>,
    clock: Clock,
}

impl Stoppable {
    fn may_go_on(&self) -> Result<(), HistoryError> {
        let text = if self.stage.is_to_stop() {
            "it was stopped"
        } else if self.clock.uptime().since(Uptime::START) > LONGEST {
            "it took longer than 30 min; try fewer days"
        } else {
            return Ok(());
        };
        Err(HistoryError { text: text.to_owned() })
    }
}

/// Nothing writes through it.
fn reads_only<T>() -> Result<T, HistoryError> {
    Err(HistoryError { text: "a back-test only reads".to_owned() })
}

#[async_trait]
impl HistoryStore for Stoppable {
    async fn start_run(&self, _run: NewRun) -> Result<RunId, HistoryError> {
        reads_only()
    }

    async fn append(&self, _run: RunId, _batch: Batch) -> Result<(), HistoryError> {
        reads_only()
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.reader.alarm_records().await
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.reader.samples(tag, from, to, limit).await
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        self.reader.events(alarm, limit).await
    }

    async fn events_of(&self, asked: EventsAsked) -> Result<Vec<StoredEvent>, HistoryError> {
        self.reader.events_of(asked).await
    }

    async fn entries(&self, tag: Option<String>, limit: usize) -> Result<Vec<StoredEntry>, HistoryError> {
        self.reader.entries(tag, limit).await
    }

    async fn kept_rows(&self, tags: Vec<String>, span: Span) -> Result<KeptRows, HistoryError> {
        self.may_go_on()?;
        let asked = tags.into_iter().zip(0..).map(|(tag, place)| (tag, SignalId(place)));
        let (wanted, places): (Vec<String>, Vec<SignalId>) =
            asked.filter(|(tag, _)| self.needed.contains(tag)).unzip();
        let mut read = self.reader.kept_rows(wanted, span).await?;
        for sample in &mut read.samples {
            sample.signal = places.get(sample.signal.index()).copied().unwrap_or(sample.signal);
        }
        Ok(read)
    }
}
