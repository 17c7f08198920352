//! Lots and date codes: when a lot begins, and what is printed on the bag.

use setward_protocol::SignalId;
use std::time::Duration;

/// What tells the lot of product by the time at which it is packed.
#[derive(Debug, Clone, PartialEq)]
pub struct Lots {
    /// When a lot begins.
    pub begins: LotBegins,
    /// What the date code on the bag is made of, in order; empty: nothing tells date codes.
    pub date_code: Vec<CodeField>,
    /// Stands between the parts of a date code.
    pub between: String,
    /// The line's own letters in the date code.
    pub line_code: String,
    /// Minute of the day, in the plant's local time, at which the day of the date code begins.
    pub day_from_minute: u16,
    /// The date code tells the day so long after packing.
    pub best_before: Duration,
}

/// When a lot begins. Each lasts until the next begins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LotBegins {
    /// At these minutes of each local day, in order; the lot is called by its day.
    Clock(Vec<u16>),
    /// With each shift; it is called by day and shift.
    Shifts,
    /// When a person enters another number than before; it is called by that.
    Entered(SignalId),
}

/// A part of a date code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CodeField {
    /// Year, four digits.
    Year,
    /// Year, its last two digits.
    YearShort,
    /// Month, two digits.
    Month,
    /// Day of the month, two digits.
    Day,
    /// Day of the year, three digits.
    DayOfYear,
    /// Hour of packing, two digits.
    Hour,
    /// Name of the shift of packing.
    Shift,
    /// The line's own letters.
    Line,
}

impl CodeField {
    /// Every part with its word in the files.
    pub const NAMED: [(&'static str, Self); 8] = [
        ("year", Self::Year),
        ("year-short", Self::YearShort),
        ("month", Self::Month),
        ("day", Self::Day),
        ("day-of-year", Self::DayOfYear),
        ("hour", Self::Hour),
        ("shift", Self::Shift),
        ("line", Self::Line),
    ];
}
