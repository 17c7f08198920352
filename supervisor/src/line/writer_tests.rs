//! The writer against a store that refuses for a while.

use super::*;
use crate::history::{AlarmRecord, Event, HistoryError, NewRun, NewSample, StoredEvent, StoredSample};
use async_trait::async_trait;
use setward_alarm::AlarmState;
use setward_protocol::{Reading, Uptime, UtcMillis};
use std::sync::atomic::{AtomicU32, Ordering};

/// Refuses so many times, then keeps everything.
#[derive(Debug)]
struct FullDisk {
    refusals_left: AtomicU32,
    kept: Mutex<Batch>,
}

#[async_trait]
impl HistoryStore for FullDisk {
    async fn start_run(&self, _run: NewRun) -> Result<RunId, HistoryError> {
        Ok(RunId(1))
    }

    async fn append(&self, _run: RunId, batch: Batch) -> Result<(), HistoryError> {
        let left = self.refusals_left.load(Ordering::Relaxed);
        if left > 0 {
            self.refusals_left.store(left - 1, Ordering::Relaxed);
            return Err(HistoryError { text: "database or disk is full".to_owned() });
        }
        self.kept.lock().unwrap().merge(batch);
        Ok(())
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        Ok(Vec::new())
    }

    async fn samples(
        &self,
        _tag: String,
        _from: UtcMillis,
        _to: UtcMillis,
        _limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        Ok(Vec::new())
    }

    async fn events(&self, _alarm: Option<String>, _limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        Ok(Vec::new())
    }
}

fn sample(second: u64) -> NewSample {
    let (utc, at) = (UtcMillis(1000 * i64::try_from(second).unwrap()), Uptime::from_millis(1000 * second));
    NewSample { signal: 0, utc, at, reading: Reading::Good(182.0) }
}

fn event(sequence: u64) -> Event {
    Event {
        sequence,
        utc: UtcMillis(0),
        at: Uptime::START,
        alarm: None,
        occurrence: 0,
        what: "started".to_owned(),
        states: String::new(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: None,
    }
}

fn start(refusals: u32) -> (Arc<FullDisk>, mpsc::Sender<Work>, SharedStatus, tokio::task::JoinHandle<()>) {
    let store = Arc::new(FullDisk { refusals_left: AtomicU32::new(refusals), kept: Mutex::default() });
    let (work, queue) = mpsc::channel(8);
    let status = SharedStatus::default();
    let writing =
        tokio::spawn(write(store.clone(), RunId(1), queue, status.clone(), Clock::starting_at(UtcMillis(0))));
    (store, work, status, writing)
}

fn batch(samples: Vec<NewSample>, events: Vec<Event>) -> Batch {
    Batch { samples, events, ..Batch::default() }
}

#[tokio::test(start_paused = true)]
async fn what_a_full_disk_refuses_is_kept_and_written_in_order_when_there_is_room() {
    let (store, work, status, writing) = start(5);
    for second in 0..3 {
        let batch = batch(vec![sample(second)], vec![event(second)]);
        work.send(Work { batch, ..Work::default() }).await.unwrap();
    }
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert_eq!(status.now().problem.as_deref(), Some("database or disk is full"));
    assert_eq!(status.now().stored, 0);
    // Nothing new comes; the writer tries again by itself.
    tokio::time::sleep(Duration::from_secs(5)).await;
    let writes = status.now().writes;
    assert!(writes > 1, "refused, then taken: {writes}");
    assert_eq!(status.now(), WriterStatus { stored: 3, writes, ..WriterStatus::default() });
    drop(work);
    writing.await.unwrap();
    let kept = store.kept.lock().unwrap();
    assert_eq!(kept.samples, (0..3).map(sample).collect::<Vec<_>>());
    assert_eq!(kept.events, (0..3).map(event).collect::<Vec<_>>());
}

#[tokio::test(start_paused = true)]
async fn an_acknowledgement_on_a_full_disk_is_answered_as_not_durable() {
    let (_store, work, _status, _writing) = start(1);
    for durable in [false, true] {
        let (answer, answered) = oneshot::channel();
        let granted = Granted {
            state: AlarmState::Acknowledged,
            shelved_until: None,
            out_of_service: false,
            durable: false,
            already: false,
        };
        let confirm = vec![(answer, granted)];
        work.send(Work { batch: batch(Vec::new(), vec![event(1)]), confirm, ..Work::default() })
            .await
            .unwrap();
        assert_eq!(answered.await.unwrap(), Ok(Granted { durable, ..granted }));
        tokio::time::sleep(Duration::from_secs(2)).await;
    }
}

#[tokio::test(start_paused = true)]
async fn when_too_much_waits_the_oldest_readings_go_and_are_counted_but_no_event() {
    let (store, work, status, writing) = start(2);
    let many = (0..SAMPLES_WAITING_MAX as u64 + 7).map(sample).collect();
    work.send(Work { batch: batch(many, vec![event(1)]), ..Work::default() }).await.unwrap();
    work.send(Work { batch: batch(Vec::new(), vec![event(2)]), ..Work::default() }).await.unwrap();
    tokio::time::sleep(Duration::from_secs(5)).await;
    assert_eq!(
        status.now(),
        WriterStatus {
            stored: SAMPLES_WAITING_MAX as u64,
            lost: 7,
            writes: status.now().writes,
            ..WriterStatus::default()
        }
    );
    drop(work);
    writing.await.unwrap();
    let kept = store.kept.lock().unwrap();
    assert_eq!(kept.samples.first(), Some(&sample(7)));
    assert_eq!(kept.events, [event(1), event(2)]);
}

/// A day on a full disk: the states of an alarm do not pile up, and the disk is asked once a second, not once a batch.
#[tokio::test(start_paused = true)]
async fn only_the_newest_state_of_an_alarm_waits() {
    let (store, work, _status, writing) = start(3);
    for exposure in 0..50 {
        let record = AlarmRecord {
            id: "fryer-inlet-cold".to_owned(),
            state: 'A',
            occurrence: 0,
            was_told: true,
            drops_exposure: false,
            exposure: f64::from(exposure),
            waited: Duration::ZERO,
            waited_under: 0,
            onset: None,
            raised: None,
            cleared: None,
            acknowledged: None,
            shelf: None,
            out_of_service: None,
        };
        let batch = Batch { alarms: vec![record], ..Batch::default() };
        work.send(Work { batch, ..Work::default() }).await.unwrap();
    }
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert_eq!(store.refusals_left.load(Ordering::Relaxed), 2);
    drop(work);
    writing.await.unwrap();
    tokio::time::sleep(Duration::from_secs(5)).await;
    assert!(store.kept.lock().unwrap().alarms.len() <= 1);
}

#[tokio::test(start_paused = true)]
async fn what_is_still_refused_at_the_end_is_counted_as_lost() {
    let (_store, work, status, writing) = start(u32::MAX);
    work.send(Work { batch: batch(vec![sample(1), sample(2)], Vec::new()), ..Work::default() })
        .await
        .unwrap();
    drop(work);
    writing.await.unwrap();
    assert_eq!(status.now().lost, 2);
}
