//! How well the alarms serve the person who hears them: rates, floods, nuisances, the wait for an acknowledgement.
//!
//! Pure functions over what was annunciated. They take wall time, because they report over days and across restarts.
//! Definitions and targets are those openly restated from ISA-18.2-2016, clause 16; that standard itself was not read.
//! Where a restatement leaves a choice open, the function says what it does. Rates are for one operator position.

mod load;
mod nuisance;

use crate::settings::AlarmId;
pub use load::{BinRates, Flood, Outage, bin_rates, floods, peak};
pub use nuisance::{
    CHATTER_INDEX, Delays, TopTen, chatter_index, chatters, delays, is_fleeting, is_stale, split, top_ten,
};
use setward_protocol::UtcMillis;

/// One call for a person: an alarm was raised, or told anew, while nothing kept it silent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Annunciation {
    /// Which alarm.
    pub alarm: AlarmId,
    /// When.
    pub at: UtcMillis,
    /// When its condition ended, if it has.
    pub cleared: Option<UtcMillis>,
    /// When a person acknowledged it, if one has.
    pub acknowledged: Option<UtcMillis>,
}

/// What the standard's users aim at.
pub mod targets {
    /// Annunciations in ten minutes, on average: very likely acceptable.
    pub const PER_TEN_MINUTES: f64 = 1.0;
    /// Annunciations in ten minutes, on average: the most that is manageable.
    pub const PER_TEN_MINUTES_MOST: f64 = 2.0;
    /// Annunciations in any ten minutes: more is a flood.
    pub const IN_ANY_TEN_MINUTES: u32 = 10;
    /// Share of ten-minute intervals with more than that.
    pub const CROWDED_INTERVALS: f64 = 0.01;
    /// Share of the time in flood.
    pub const TIME_IN_FLOOD: f64 = 0.01;
    /// Share of the load that the ten most frequent alarms may make.
    pub const TOP_TEN: f64 = 0.05;
    /// Chattering and fleeting alarms.
    pub const NUISANCES: u32 = 0;
    /// Stale alarms on any day: fewer than this.
    pub const STALE: u32 = 5;
    /// Shares of annunciations by priority: low, medium, high.
    pub const PRIORITIES: [f64; 3] = [0.80, 0.15, 0.05];
}

/// Milliseconds from `earlier` to `later`; negative if it is the other way round.
const fn millis_between(earlier: UtcMillis, later: UtcMillis) -> i64 {
    later.0.saturating_sub(earlier.0)
}
