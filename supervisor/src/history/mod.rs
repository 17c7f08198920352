//! History behind one trait: what a run keeps, and what a page may ask.
//!
//! The store is the only place that touches a disk. In production it runs on threads of its own; in virtual time it
//! runs inline on memory. Quality is kept as such: a reading without a value is a row with a reason, never a number.
//!
//! A reading goes into the open chunk of its poll group (`open.rs`) and the journal (`journal.rs`, `ring.rs`); a chunk that
//! closes is put into the SQLite file (`close.rs`) as one block of times (`chunk.rs`), and a block of values and two of
//! roll-ups (`rollup.rs`) a signal. `SCHEMA` in `tables.rs` lists the tables, README.md the bytes.

mod batches;
mod bytes;
mod chunk;
mod close;
mod column;
mod counts;
mod damage;
mod disk;
mod entries;
mod envelope;
mod events;
mod forward;
#[cfg(feature = "fuzzing")]
pub(crate) mod fuzzing;
mod journal;
mod kept;
#[cfg(test)]
mod kill_tests;
mod layout;
mod lock;
mod migrate;
mod of_line;
mod open;
#[cfg(test)]
mod peers_tests;
mod quality;
mod query;
mod read;
mod reader;
mod records;
mod retention;
mod ring;
mod rollup;
mod rows;
mod runs;
pub mod sqlite;
mod store;
mod syncs;
mod tables;
#[cfg(test)]
mod testing;
mod usage;
mod verify;
mod verify_rows;
mod worker;

pub mod backup;
pub mod belongs;
mod belongs_records;
pub mod export;
#[cfg(feature = "parquet")]
pub mod parquet;

pub use batches::BatchRow;
pub use disk::{Settings, free_bytes};
pub use forward::{ForwardPage, ForwardReading};
pub use kept::{KeptRecord, NewRecord};
pub use layout::RunSignal;
pub(crate) use layout::sha256_hex;
pub use of_line::{band, bands_of};
pub(crate) use quality::code_of;
pub use quality::{no_data_code, no_data_from_code};
pub use query::{
    BadQuery, COLUMNS_MAX, Envelope, ExactSample, KnownBand, Level, POINTS_MAX, SIGNALS_MAX, SignalSamples,
    Span, Window,
};
pub use reader::{HistoryReader, KnownRun};
pub use records::{AuditEntry, NewAudit, NewNote, Note};
pub use retention::Keep;
pub use rollup::Stretch;
pub use rows::{KeptRow, KeptRows};
pub use usage::Usage;
pub use verify::{Verification, verify, verify_folder};

use crate::snapshot::{OutOfService, RunId, Shelf};
use async_trait::async_trait;
use setward_protocol::{Reading, Uptime, UtcMillis};
use std::collections::BTreeSet;
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
#[derive(Debug, Clone, PartialEq)]
pub struct NewRun {
    /// Wall time of the start.
    pub started: UtcMillis,
    /// Fingerprint of the line folder.
    pub fingerprint: String,
    /// Version of the program.
    pub version: String,
    /// The line's signals, in their order.
    pub signals: Vec<RunSignal>,
    /// The folder's files, path and content: kept once for each content.
    pub files: Vec<(String, Vec<u8>)>,
}

/// What the recipe asks of a signal from a moment on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Index of the signal in the run.
    pub signal: u16,
    /// Wall time.
    pub utc: UtcMillis,
    /// Time of the run.
    pub at: Uptime,
    /// Setpoint, signal unit.
    pub setpoint: Option<f64>,
    /// Lowest and highest value within tolerance, signal unit; `None`: nothing is asked.
    pub tolerance: Option<(f64, f64)>,
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
    /// Whether somebody was called for it, and need not be anew.
    pub was_told: bool,
    /// Whether its exposure does not count: the line was silent about it by its own logic.
    pub drops_exposure: bool,
    /// Exposure as a share of the allowance.
    pub exposure: f64,
    /// How much of an on-delay had passed when its run stopped in order; zero if none ran.
    pub waited: std::time::Duration,
    /// Checksum of the settings under which it passed: under others it begins anew.
    pub waited_under: u32,
    /// When the last occurrence's trouble began.
    pub onset: Option<UtcMillis>,
    /// When it raised.
    pub raised: Option<UtcMillis>,
    /// When it cleared.
    pub cleared: Option<UtcMillis>,
    /// When it was acknowledged, and by whom.
    pub acknowledged: Option<(UtcMillis, String)>,
    /// The shelf it is on.
    pub shelf: Option<Shelf>,
    /// Who took it out of service, if it is.
    pub out_of_service: Option<OutOfService>,
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
    /// What the recipe asks, where it changed.
    pub bands: Vec<Band>,
    /// What people entered.
    pub entries: Vec<StoredEntry>,
}

impl Batch {
    /// Whether there is nothing to keep.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        let has_readings = !(self.samples.is_empty() && self.bands.is_empty());
        let has_records = !(self.events.is_empty() && self.alarms.is_empty() && self.entries.is_empty());
        !(has_readings || has_records)
    }
}

/// What a person entered: kept as it was, for good.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredEntry {
    /// Its number, counting up over all entries and runs.
    pub n: u64,
    /// Tag of its signal.
    pub tag: String,
    /// The value, in the signal's unit: of a calibration the error found, of a check 1 for passed and 0 for failed.
    pub value: f64,
    /// When the sample was taken: what the value is true of.
    pub taken: UtcMillis,
    /// When it was entered.
    pub entered: UtcMillis,
    /// Who, as typed.
    pub by: String,
    /// The entry that it corrects.
    pub corrects: Option<u64>,
    /// It was asked back, and confirmed.
    pub was_asked: bool,
    /// How late it was entered after it was due, s; 0 in time, and for corrections.
    pub late_s: f64,
    /// Of a calibration: as found, as left, and what was right, in the unit in which they were typed.
    pub calibration: Option<[f64; 3]>,
    /// What it is about, as typed: a lot, a tank.
    pub about: Option<String>,
    /// What the person said besides.
    pub note: Option<String>,
}

/// A kept reading: its wall time, and the value or the reason for having none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoredSample {
    /// Wall time.
    pub utc: UtcMillis,
    /// The reading.
    pub reading: Reading,
}

/// Which events are asked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct EventsAsked {
    /// Of this alarm; without it of all of them and of the daemon itself.
    pub alarm: Option<String>,
    /// Before that of this run and number; without it the newest.
    pub before: Option<(RunId, u64)>,
    /// Without the runs that were over before this time: a run is given whole or not at all, whatever its clock did meanwhile.
    pub since: Option<UtcMillis>,
    /// So many at most.
    pub limit: usize,
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

    /// Events newest first. So a list reaches every event there is, a piece at a time.
    async fn events_of(&self, asked: EventsAsked) -> Result<Vec<StoredEvent>, HistoryError> {
        let all = self.events(asked.alarm, usize::MAX).await?;
        let is_recent = |one: &&StoredEvent| asked.since.is_none_or(|since| one.event.utc >= since);
        let recent: BTreeSet<i64> = all.iter().filter(is_recent).map(|one| one.run.0).collect();
        let is_wanted = |one: &StoredEvent| {
            recent.contains(&one.run.0)
                && asked
                    .before
                    .is_none_or(|(run, sequence)| (one.run.0, one.event.sequence) < (run.0, sequence))
        };
        Ok(all.into_iter().filter(is_wanted).take(asked.limit).collect())
    }

    /// Several signals over a window, each in as many columns: extremes, means, quality. In the order of the tags; a tag
    /// that history does not know has no columns with anything in them.
    async fn envelopes(&self, window: Window) -> Result<Vec<Envelope>, HistoryError> {
        let mut all = Vec::new();
        for tag in window.tags() {
            let (from, to) = (window.span().from(), window.span().to());
            let samples = self.samples(tag.clone(), from, to, POINTS_MAX).await?;
            all.push(Envelope::of_samples(tag, &window, &samples));
        }
        Ok(all)
    }

    /// Every reading of several signals in a window, with all its times; at most [`POINTS_MAX`] in all, the oldest.
    async fn exact(&self, _tags: Vec<String>, _span: Span) -> Result<Vec<SignalSamples>, HistoryError> {
        Err(unable("give exact samples"))
    }

    /// All that is kept of any number of signals in a window, row by row in the order in which it was kept. There is no limit: the
    /// window decides how much it is.
    async fn kept_rows(&self, _tags: Vec<String>, _span: Span) -> Result<KeptRows, HistoryError> {
        Err(unable("give rows"))
    }

    /// The newest reading of each signal.
    async fn latest(&self, tags: Vec<String>) -> Result<Vec<Option<StoredSample>>, HistoryError> {
        let mut newest = Vec::new();
        for tag in tags {
            let samples = self.samples(tag, UtcMillis(i64::MIN), UtcMillis(i64::MAX), 1).await?;
            newest.push(samples.last().copied());
        }
        Ok(newest)
    }

    /// Adds to the audit trail; on return it is on disk.
    async fn add_audit(&self, _entry: NewAudit) -> Result<AuditEntry, HistoryError> {
        Err(unable("keep an audit trail"))
    }

    /// The newest entries of the audit trail, newest first, at most `limit`.
    async fn audit_trail(&self, _limit: usize) -> Result<Vec<AuditEntry>, HistoryError> {
        Err(unable("keep an audit trail"))
    }

    /// Adds a note; on return it is on disk. A correction names the note it replaces, which stays.
    async fn add_note(&self, _note: NewNote) -> Result<Note, HistoryError> {
        Err(unable("keep notes"))
    }

    /// The newest notes about `about` (an alarm's id, a tag, a batch), newest first, at most `limit`.
    async fn notes(&self, _about: String, _limit: usize) -> Result<Vec<Note>, HistoryError> {
        Err(unable("keep notes"))
    }

    /// Keeps the record of a batch, in the place of an older one of it.
    async fn keep_batch(&self, _batch: BatchRow) -> Result<(), HistoryError> {
        Err(unable("keep batches"))
    }

    /// Records of the batches that began with `from <= start < to`, newest first, at most `limit`.
    async fn batches(
        &self,
        _from: UtcMillis,
        _to: UtcMillis,
        _limit: usize,
    ) -> Result<Vec<BatchRow>, HistoryError> {
        Err(unable("keep batches"))
    }

    /// The record of one batch.
    async fn batch(&self, _id: String) -> Result<Option<BatchRow>, HistoryError> {
        Err(unable("keep batches"))
    }

    /// Adds a record of what a person decided; on return it is on disk, with its entry of the audit trail.
    async fn add_record(&self, _record: NewRecord) -> Result<KeptRecord, HistoryError> {
        Err(unable("keep records"))
    }

    /// Records of a kind, newest first, at most `limit`.
    async fn records(&self, _kind: String, _limit: usize) -> Result<Vec<KeptRecord>, HistoryError> {
        Err(unable("keep records"))
    }

    /// How many entries the audit trail has, and every place where its chain is broken, in words.
    async fn broken_audit(&self) -> Result<(u64, Vec<String>), HistoryError> {
        Err(unable("keep an audit trail"))
    }

    /// The newest entries, newest first, at most `limit`; of one tag if `tag` names it.
    async fn entries(&self, _tag: Option<String>, _limit: usize) -> Result<Vec<StoredEntry>, HistoryError> {
        Ok(Vec::new())
    }

    /// The next readings after the row numbered `after`, in the order of their rows.
    async fn forward_page(&self, _after: u64) -> Result<ForwardPage, HistoryError> {
        Err(unable("be sent to a server"))
    }

    /// Up to which row a server has everything for sure; `None` if nothing is known of it.
    async fn cursor(&self, _server: String) -> Result<Option<u64>, HistoryError> {
        Err(unable("be sent to a server"))
    }

    /// Keeps up to which row a server has everything for sure.
    async fn keep_cursor(&self, _server: String, _sequence: u64) -> Result<(), HistoryError> {
        Err(unable("be sent to a server"))
    }

    /// How much room it takes.
    async fn usage(&self) -> Result<Usage, HistoryError> {
        Err(unable("say how much room it takes"))
    }

    /// What a person should know of the store: damage set aside, a migration, history that waits.
    async fn notices(&self) -> Result<Vec<String>, HistoryError> {
        Ok(Vec::new())
    }
}

fn unable(what: &str) -> HistoryError {
    HistoryError { text: format!("this history can't {what}") }
}
