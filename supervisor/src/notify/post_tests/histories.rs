//! The task over histories that take nothing, and that fail whoever asks them.

use super::*;
use crate::history::{AlarmRecord, HistoryError, StoredEvent, StoredSample};

/// A store whose disk takes nothing and whose file can't be read.
struct Broken;

#[async_trait]
impl HistoryStore for Broken {
    async fn start_run(&self, _run: NewRun) -> Result<RunId, HistoryError> {
        Err(HistoryError { text: "no".to_owned() })
    }
    async fn append(&self, _run: RunId, _batch: Batch) -> Result<(), HistoryError> {
        Err(HistoryError { text: "no".to_owned() })
    }
    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        Err(HistoryError { text: "no".to_owned() })
    }
    async fn samples(
        &self,
        _tag: String,
        _from: UtcMillis,
        _to: UtcMillis,
        _limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        Err(HistoryError { text: "no".to_owned() })
    }
    async fn events(&self, _alarm: Option<String>, _limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        Err(HistoryError { text: "no".to_owned() })
    }
}

#[tokio::test(start_paused = true)]
async fn an_alarm_is_told_even_when_the_disk_takes_nothing() {
    let log = Log::default();
    let clock = Clock::starting_at(START);
    let bench = Bench::over(Arc::new(Broken), RunId(9), vec![("pager", scripted(clock, &log, Vec::new()))]);
    // Nothing can be written beside it either: its file's place is a folder.
    std::fs::create_dir(bench.line.data_dir.join("notify.json.new")).unwrap();
    pass(2).await;
    let raised = bench.clock.utc();
    let standing = [(ALARMS[0].to_owned(), AlarmState::Unacknowledged, 4, raised)];
    bench.publish.send(Arc::new(snapshot(&bench.line, RunId(9), &standing))).unwrap();
    pass(5).await;
    let told = log.lock().unwrap().clone();
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].1.key, format!("9-{}.4-pager", ALARMS[0]));
    assert!(told[0].1.line.starts_with("SIMULATED HIGH"), "{}", told[0].1.line);
    pass(600).await;
    assert_eq!(log.lock().unwrap().len(), 1);
}

/// A history that panics the first `left` times it is asked for events.
struct Failing {
    inner: InlineStore,
    left: std::sync::atomic::AtomicUsize,
}

#[async_trait]
impl HistoryStore for Failing {
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError> {
        self.inner.start_run(run).await
    }

    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError> {
        self.inner.append(run, batch).await
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.inner.alarm_records().await
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.inner.samples(tag, from, to, limit).await
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        let left = self.left.load(Ordering::Relaxed);
        self.left.store(left.saturating_sub(1), Ordering::Relaxed);
        assert!(left == 0, "a fault on purpose, {left} left");
        self.inner.events(alarm, limit).await
    }
}

async fn failing(times: usize, log: &Log) -> Bench {
    let inner = InlineStore::in_memory().unwrap();
    let run = inner.start_run(NewRun::of(&line(&tempfile::tempdir().unwrap(), &[]), START, "0")).await;
    let store = Arc::new(Failing { inner, left: times.into() });
    let way = scripted(Clock::starting_at(START), log, Vec::new());
    Bench::over(store, run.unwrap(), vec![("pager", way)])
}

#[tokio::test(start_paused = true)]
async fn telling_that_panics_is_an_event_begins_anew_and_nobody_misses_an_alarm() {
    let log = Log::default();
    let mut bench = failing(3, &log).await;
    bench.happens(ALARMS[1], "raised", 1).await;
    pass(3).await;
    let between = bench.notifier.outlook().statuses[0].now();
    assert!(between.is_broken && between.problem.unwrap().contains("internal fault"));
    pass(30).await;
    assert_eq!(bench.told(), ["telling failed"; 3]);
    assert_eq!(log.lock().unwrap().len(), 1, "the alarm is told, once");
    assert!(!bench.notifier.outlook().statuses[0].now().is_broken, "a message that arrives makes it good");
    assert!(bench.too_often.try_recv().is_err(), "three times are borne");
}

#[tokio::test(start_paused = true)]
async fn telling_that_always_panics_ends_the_program_for_the_service_manager_to_begin_it_afresh() {
    let log = Log::default();
    let mut bench = failing(usize::MAX, &log).await;
    pass(60).await;
    assert_eq!(bench.told(), ["telling failed"; 6]);
    let why = bench.too_often.try_recv().unwrap();
    assert!(why.starts_with("telling people of alarms failed 6 times within 10 min"), "{why}");
}
