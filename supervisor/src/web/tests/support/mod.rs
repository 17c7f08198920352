//! A small line built by hand, a snapshot of it on a bad night, and stand-ins for history and the line task.

mod line;
mod night;

pub(super) use line::{alarm, id, line};
pub(super) use night::{good, quiet, snapshot};

use crate::clock::{Clock, WallTime};
use crate::handle::{Granted, LineHandle, Refusal, Request, Wish, WishRequest};
use crate::history::{
    AlarmRecord, Batch, Event, HistoryError, HistoryStore, NewRun, StoredEvent, StoredSample,
};
use crate::snapshot::{LineSnapshot, RunId};
use crate::web::AppState;
use setward_alarm::AlarmState;
use setward_config::line::Line;
use setward_protocol::{Reading, Uptime, UtcMillis};
use std::sync::{Arc, Mutex};
use tokio::sync::{mpsc, watch};

/// 2026-11-25T02:10:22Z: 03:10:22 in the plant.
pub(super) const NIGHT: UtcMillis = UtcMillis(1_795_572_622_000);

/// The run that the test snapshot belongs to.
pub(super) const RUN: RunId = RunId(7);

/// So many seconds before the night's moment.
pub(super) const fn before(seconds: i64) -> UtcMillis {
    UtcMillis(NIGHT.0 - seconds * 1000)
}

/// History that holds half an hour of the inlet with a gap, and two events.
pub(super) struct FakeHistory {
    /// When set, every question fails.
    pub(super) broken: bool,
}

#[async_trait::async_trait]
impl HistoryStore for FakeHistory {
    async fn start_run(&self, _run: NewRun) -> Result<RunId, HistoryError> {
        Ok(RUN)
    }

    async fn append(&self, _run: RunId, _batch: Batch) -> Result<(), HistoryError> {
        Ok(())
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        Ok(Vec::new())
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        _limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        if self.broken {
            return Err(HistoryError { text: "the disk <b>is full</b>".to_owned() });
        }
        let middle = if tag == "TT-310" { 182.0 } else { 100.0 };
        let times = (from.0 / 1000..to.0 / 1000).enumerate();
        let kept = times.filter(|(at, _)| !(600..720).contains(at)).map(|(at, second)| {
            let t = at as f64;
            let fall = ((t - 1_500.0).max(0.0) / 50.0).min(5.6);
            let wave = (t / 37.0).sin() * 0.9 + (t * 1.7).sin() * 0.2;
            StoredSample { utc: UtcMillis(second * 1000), reading: Reading::Good(middle + wave - fall) }
        });
        Ok(kept.collect())
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        if self.broken {
            return Err(HistoryError { text: "the disk <b>is full</b>".to_owned() });
        }
        let raised = Event {
            sequence: 2,
            utc: before(112),
            at: Uptime::START,
            alarm: Some(alarm.unwrap_or_else(|| "fryer-outlet-cold".to_owned())),
            occurrence: 3,
            what: "raised".to_owned(),
            states: "AB".to_owned(),
            onset: Some(before(370)),
            value: Some(162.1),
            exposure: Some(1.0),
            by: None,
            note: None,
        };
        let started = Event {
            sequence: 1,
            utc: before(90_000),
            alarm: None,
            what: "started".to_owned(),
            onset: None,
            value: None,
            ..raised.clone()
        };
        let all = [raised, started].into_iter().map(|event| StoredEvent { run: RUN, event });
        Ok(all.take(limit).collect())
    }
}

/// The web's state over a fake line task, with the task's end of things.
pub(super) struct Stage {
    /// What the router takes.
    pub(super) state: AppState,
    /// Publishes snapshots.
    pub(super) publish: watch::Sender<Arc<LineSnapshot>>,
    /// Every wish that reached the line task.
    pub(super) asked: Arc<Mutex<Vec<WishRequest>>>,
}

const DAY: std::time::Duration = std::time::Duration::from_secs(86_400);

fn granted(wish: Wish, already: bool) -> Granted {
    let shelved_until = match wish {
        Wish::Shelve { span, .. } => Some(UtcMillis(NIGHT.0 + span.as_millis() as i64)),
        Wish::Acknowledge | Wish::Reset | Wish::Unshelve | Wish::TakeOutOfService | Wish::ReturnToService => {
            None
        }
    };
    let out_of_service = wish == Wish::TakeOutOfService;
    Granted { state: AlarmState::Acknowledged, shelved_until, out_of_service, durable: true, already }
}

/// A stage with this line and snapshot. Occurrence 3 is the present one of every alarm; asking twice is "already".
pub(super) fn stage(line: Line, snapshot: LineSnapshot) -> Stage {
    stage_with(line, snapshot, FakeHistory { broken: false })
}

/// A stage with its own history.
pub(super) fn stage_with(line: Line, snapshot: LineSnapshot, history: FakeHistory) -> Stage {
    let (requests, mut received) = mpsc::channel(8);
    let (publish, watched) = watch::channel(Arc::new(snapshot));
    let asked = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&asked);
    tokio::spawn(async move {
        while let Some(Request { wish, answer }) = received.recv().await {
            let already = seen.lock().unwrap().contains(&wish);
            let is_present = (wish.run, wish.occurrence) == (RUN, 3);
            let too_long = matches!(wish.wish, Wish::Shelve { span, .. } if span > DAY);
            let verdict = if wish.wish.must_be_present() && !is_present {
                Err(Refusal::Stale { run: RUN, occurrence: 3 })
            } else if wish.wish == Wish::Reset {
                Err(Refusal::NotResettable)
            } else if too_long {
                Err(Refusal::TooLong { most: DAY })
            } else {
                Ok(granted(wish.wish, already))
            };
            seen.lock().unwrap().push(wish);
            let _ = answer.send(verdict);
        }
    });
    let state = AppState {
        notify: crate::notify::Outlook::default(),
        handle: LineHandle::new(requests, watched, crate::handle::Looks::default()),
        line: Arc::new(line),
        history: Arc::new(history),
        clock: WallTime::Run(Clock::starting_at(NIGHT)),
        servers: Vec::new(),
        reloader: None,
        doors: Arc::new(crate::web::Doors::open()),
    };
    Stage { state, publish, asked }
}
