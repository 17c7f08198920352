//! History behind one trait: what a run keeps, and what a page may ask.
//!
//! The store is the only place that touches a disk. In production it runs on a thread of its own; in virtual time it
//! runs inline on memory. Quality is kept as such: a reading without a value is a row with a reason, never a number.

pub mod rows;
pub mod sqlite;

use crate::snapshot::RunId;
use async_trait::async_trait;
use setward_protocol::{NoData, Reading, Uptime, UtcMillis};
use std::fmt;

/// Why the store could not do what it was asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HistoryError {
    /// What was being done, and what went wrong.
    pub text: String,
}

impl fmt::Display for HistoryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl std::error::Error for HistoryError {}

/// What a new run says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewRun {
    /// Wall time of the start.
    pub started: UtcMillis,
    /// Fingerprint of the line folder.
    pub fingerprint: String,
    /// Version of the program.
    pub version: String,
    /// Tags in the order of the line's signals.
    pub tags: Vec<String>,
}

/// A reading to keep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NewSample {
    /// Index of the signal in the run's tags.
    pub signal: u16,
    /// Wall time.
    pub utc: UtcMillis,
    /// Time of the run.
    pub at: Uptime,
    /// The reading.
    pub reading: Reading,
}

/// A change of an alarm, or of the daemon itself, to keep.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Order within the run, from 1.
    pub sequence: u64,
    /// Wall time.
    pub utc: UtcMillis,
    /// Time of the run.
    pub at: Uptime,
    /// Alarm id in the files; `None` for an event of the daemon.
    pub alarm: Option<String>,
    /// Occurrence of the alarm; 0 without one.
    pub occurrence: u32,
    /// What happened, in stable words: raised, cleared, acknowledged, reset; started, stopped, controller lost, controller
    /// back.
    pub what: String,
    /// Letters of the states before and after, "AB".
    pub states: String,
    /// When the trouble began, for a raise.
    pub onset: Option<UtcMillis>,
    /// Last good value.
    pub value: Option<f64>,
    /// Exposure as a share of the allowance.
    pub exposure: Option<f64>,
    /// Who did it.
    pub by: Option<String>,
    /// More words for people.
    pub note: Option<String>,
}

/// An event with the run it belongs to.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredEvent {
    /// The run.
    pub run: RunId,
    /// The event.
    pub event: Event,
}

/// What an alarm carries over a restart.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmRecord {
    /// Alarm id in the files.
    pub id: String,
    /// Letter of the base state.
    pub state: char,
    /// Last occurrence.
    pub occurrence: u32,
    /// Exposure as a share of the allowance.
    pub exposure: f64,
    /// When the last occurrence's trouble began.
    pub onset: Option<UtcMillis>,
    /// When it raised.
    pub raised: Option<UtcMillis>,
    /// When it cleared.
    pub cleared: Option<UtcMillis>,
    /// When it was acknowledged, and by whom.
    pub acknowledged: Option<(UtcMillis, String)>,
}

/// All that is to be on disk when [`HistoryStore::append`] returns.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Batch {
    /// Readings.
    pub samples: Vec<NewSample>,
    /// Events.
    pub events: Vec<Event>,
    /// States of the alarms that changed, and of those with exposure.
    pub alarms: Vec<AlarmRecord>,
}

impl Batch {
    /// Whether there is nothing to keep.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.samples.is_empty() && self.events.is_empty() && self.alarms.is_empty()
    }
}

/// A kept reading: its wall time, and the value or the reason for having none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoredSample {
    /// Wall time.
    pub utc: UtcMillis,
    /// The reading.
    pub reading: Reading,
}

/// Where history is kept.
#[async_trait]
pub trait HistoryStore: Send + Sync {
    /// Begins a run: durable before anything else of the run.
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError>;

    /// Keeps a batch; on return it is on disk.
    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError>;

    /// What the alarms carried when the last run ended.
    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError>;

    /// Readings of the signal tagged `tag` with `from <= utc < to`, in order of time, at most `limit` (the newest).
    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError>;

    /// The newest events, newest first, at most `limit`; of one alarm if `alarm` names it.
    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError>;
}

/// The stable number by which a reason for having no value is kept. Never reused.
#[must_use]
pub fn no_data_code(why: NoData) -> i64 {
    match why {
        NoData::NotPolled => 1,
        NoData::NotCommissioned => 2,
        NoData::NoReply => 3,
        NoData::Refused => 4,
        NoData::SensorFault => 5,
        NoData::OutOfRange => 6,
        NoData::Stale => 7,
        NoData::Stuck => 8,
        NoData::HeartbeatStopped => 9,
        NoData::Restarting => 10,
        NoData::TooLittleKnown => 11,
        NoData::Exception(code) => 0x100 + i64::from(code),
    }
}

/// The reason kept under `code`, if it is one.
#[must_use]
pub fn no_data_from_code(code: i64) -> Option<NoData> {
    Some(match code {
        1 => NoData::NotPolled,
        2 => NoData::NotCommissioned,
        3 => NoData::NoReply,
        4 => NoData::Refused,
        5 => NoData::SensorFault,
        6 => NoData::OutOfRange,
        7 => NoData::Stale,
        8 => NoData::Stuck,
        9 => NoData::HeartbeatStopped,
        10 => NoData::Restarting,
        11 => NoData::TooLittleKnown,
        0x100..0x200 => NoData::Exception(u8::try_from(code - 0x100).ok()?),
        _ => return None,
    })
}
