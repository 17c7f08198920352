//! Readings as a value and a code. Codes are kept for years: never reused, never renumbered.

use setward_protocol::{Doubt, NoData, Reading};

/// A good value.
pub(super) const GOOD: u16 = 0;
/// No row at all for this signal at a time at which others of its poll group have one.
pub(super) const ABSENT: u16 = 0xFFFF;
/// From here on there is no value.
const NO_VALUE: u16 = 0x1000;

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
        NoData::TakenBack => 12,
        NoData::NotSteady => 13,
        NoData::TooUncertain => 14,
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
        12 => NoData::TakenBack,
        13 => NoData::NotSteady,
        14 => NoData::TooUncertain,
        0x100..0x200 => NoData::Exception(u8::try_from(code - 0x100).ok()?),
        _ => return None,
    })
}

/// The code of a reading, and its value if it has one: 0 good, 1 to 4 uncertain, from 0x1000 on no data with its reason.
#[must_use]
pub(crate) fn code_of(reading: Reading) -> (u16, Option<f64>) {
    match reading {
        Reading::Good(value) => (GOOD, Some(value)),
        Reading::Uncertain(value, Doubt::Late) => (1, Some(value)),
        Reading::Uncertain(value, Doubt::Disagrees) => (2, Some(value)),
        Reading::Uncertain(value, Doubt::Unverified) => (3, Some(value)),
        Reading::Uncertain(value, Doubt::Unconfirmed) => (4, Some(value)),
        // A reason's number is below 0x200.
        Reading::Bad(why) => (NO_VALUE + u16::try_from(no_data_code(why)).unwrap_or(0), None),
    }
}

/// Whether a reading of this code has a value.
pub(super) const fn has_value(code: u16) -> bool {
    code < NO_VALUE
}

/// The reading of this code; `value` is asked for only if it has one. What makes no sense reads as no data: history never
/// invents a value.
pub(super) fn reading_of(code: u16, value: f64) -> Reading {
    match code {
        GOOD => Reading::Good(value),
        1 => Reading::Uncertain(value, Doubt::Late),
        2 => Reading::Uncertain(value, Doubt::Disagrees),
        3 => Reading::Uncertain(value, Doubt::Unverified),
        4 => Reading::Uncertain(value, Doubt::Unconfirmed),
        code => {
            let why = no_data_from_code(i64::from(code) - i64::from(NO_VALUE));
            Reading::Bad(why.unwrap_or(NoData::NoReply))
        }
    }
}
