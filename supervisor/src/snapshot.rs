//! What the line task publishes after each input: everything a page or a command may show, and nothing it must ask for.
//!
//! A snapshot is complete and immutable; readers share it. Lists are indexed by the line's ids.

use setward_alarm::{AlarmId, AlarmState, Flags, Forecast};
use setward_protocol::{Mode, NoData, Reading, SignalId, Uptime, UtcMillis};
use std::collections::BTreeMap;

/// Number of a run of the daemon, counted by the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RunId(pub i64);

/// The line at one moment.
#[derive(Debug, Clone)]
pub struct LineSnapshot {
    /// Which run of the daemon.
    pub run: RunId,
    /// Monotonic time of the snapshot.
    pub at: Uptime,
    /// The same moment in wall time.
    pub utc: UtcMillis,
    /// Every signal, by [`SignalId`].
    pub signals: Vec<SignalView>,
    /// Every station, by its id.
    pub stations: Vec<StationView>,
    /// Every controller, by its id.
    pub controllers: Vec<ControllerView>,
    /// Every alarm, by [`AlarmId`].
    pub alarms: Vec<AlarmView>,
    /// Where corn is, and the product of alarms. Worked out anew every few seconds.
    pub following: std::sync::Arc<crate::line::follow::Following>,
    /// What people enter, in the order of the line's entries.
    pub entries: std::sync::Arc<Vec<crate::entries::EntryView>>,
    /// What the heat balance says beside its values.
    pub balance: std::sync::Arc<Vec<crate::line::balance::BalanceView>>,
    /// Dwell of each belt at its present speed, s, in the order of the line's belts.
    pub dwell_s: Vec<Option<f64>>,
    /// What the run has done so far.
    pub counts: Counts,
    /// Why history is not being kept, if it is not.
    pub history_problem: Option<String>,
}

/// A signal at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignalView {
    /// What is known of it.
    pub reading: Reading,
    /// When the reading was made; `None` before the first.
    pub at: Option<UtcMillis>,
    /// The last good value and its time, kept apart from the reading.
    pub last_good: Option<(f64, UtcMillis)>,
    /// The last failure and its time.
    pub last_failure: Option<(NoData, UtcMillis)>,
    /// Slope over the last minute, signal unit per minute; `None` with too few samples.
    pub slope_per_min: Option<f64>,
    /// Standard error of that slope by the scatter of its samples, signal unit per minute.
    pub slope_error_per_min: Option<f64>,
    /// The words of the last answer; only the first `word_count` mean anything.
    pub words: [u16; 4],
    /// How many words the last answer held for this signal; 0 before the first.
    pub word_count: u8,
}

/// A station at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct StationView {
    /// What it is doing.
    pub mode: Mode,
    /// Since when; `None`: since the run began.
    pub since: Option<UtcMillis>,
    /// Whether product is under it, where anything says so.
    pub product_present: Option<bool>,
    /// The recipe it runs, as an index into the line's; `None`: the line's own.
    pub recipe: Option<usize>,
}

/// A controller at one moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ControllerView {
    /// Complete scans: every block answered.
    pub scans_good: u64,
    /// Scans in which something failed.
    pub scans_failed: u64,
    /// Whether it answers at all; single values may be missing all the same.
    pub answers: bool,
    /// When the last scan ended that brought something.
    pub last_good: Option<UtcMillis>,
    /// What is wrong now, in words, with what to do; `None` when the last scan was complete.
    pub problem: Option<String>,
    /// How long the last answered scan took, ms.
    pub scan_ms: Option<f64>,
    /// How long all complete scans took together, s.
    pub scans_took_s: f64,
    /// Failed scans by the first thing that failed, in words that stay the same.
    pub failures: BTreeMap<&'static str, u64>,
}

/// An alarm at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmView {
    /// Base state.
    pub state: AlarmState,
    /// What keeps it silent.
    pub flags: Flags,
    /// Until when it is shelved, or waits after a suppression.
    pub silent_until: Option<UtcMillis>,
    /// The shelf it is on.
    pub shelf: Option<Shelf>,
    /// Who took it out of service, if it is.
    pub out_of_service: Option<OutOfService>,
    /// The last occurrence's number; 0 if it never raised.
    pub occurrence: u32,
    /// When the last occurrence's trouble began.
    pub onset: Option<UtcMillis>,
    /// When it raised.
    pub raised: Option<UtcMillis>,
    /// When it cleared.
    pub cleared: Option<UtcMillis>,
    /// When it was acknowledged, and by whom.
    pub acknowledged: Option<(UtcMillis, String)>,
    /// Exposure as a share of the allowance, for alarms that have one.
    pub exposure: Option<f64>,
    /// Since when the value has been beyond tolerance or limit without a break, if it is now.
    pub beyond_since: Option<UtcMillis>,
    /// What it will do next.
    pub forecast: Forecast,
}

/// An alarm put aside by a person for a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shelf {
    /// When it ends at the latest.
    pub until: UtcMillis,
    /// It ends with the occurrence that stands, or, if none does, with the next.
    pub once: bool,
    /// When it was put there last.
    pub since: UtcMillis,
    /// By whom, as typed.
    pub by: String,
    /// The reason given.
    pub why: Option<String>,
}

/// An alarm that maintenance has taken out of service.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutOfService {
    /// When.
    pub since: UtcMillis,
    /// By whom, as typed.
    pub by: String,
    /// The reason given.
    pub why: Option<String>,
}

/// What a run has done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Scans of a controller begun.
    pub scans: u64,
    /// Requests sent.
    pub requests: u64,
    /// Samples stored, as the store confirmed.
    pub samples_stored: u64,
    /// Samples the store could not take.
    pub samples_lost: u64,
    /// Alarms raised.
    pub alarms_raised: u64,
    /// Engine events that found no room. Always zero unless there is a fault in Setward.
    pub events_lost: u64,
}

impl SignalView {
    /// A signal of which nothing is known yet.
    pub const NOT_POLLED: Self = Self {
        reading: Reading::Bad(NoData::NotPolled),
        at: None,
        last_good: None,
        last_failure: None,
        slope_per_min: None,
        slope_error_per_min: None,
        words: [0; 4],
        word_count: 0,
    };
}

impl LineSnapshot {
    /// What the heat balance says beside the value of a signal, if it is one of its.
    #[must_use]
    pub fn balance_of(&self, signal: SignalId) -> Option<&crate::line::balance::BalanceView> {
        self.balance.iter().find(|view| view.signal == signal)
    }

    /// The view of a signal.
    #[must_use]
    pub fn signal(&self, id: SignalId) -> Option<&SignalView> {
        self.signals.get(id.index())
    }

    /// The view of an alarm.
    #[must_use]
    pub fn alarm(&self, id: AlarmId) -> Option<&AlarmView> {
        self.alarms.get(id.index())
    }
}
