//! Registers and what they mean. No I/O, no clock, no standard library.
//!
//! Read from the bottom up:
//! - [`time`]: the two kinds of time. Durations come from [`Uptime`] only; names and reports from [`UtcMillis`].
//! - [`units`]: the units a value can have, and how they convert.
//! - [`registers`]: a checked view of what one read returned.
//! - [`encoding`]: words to a number and back, every type and order.
//! - [`signal`]: where a signal lives and how its words become a [`Reading`].
//! - [`station`]: stations, controllers, and the modes a station can be in.
//! - [`sample`]: a reading with its time, and every reason for having none.
//! - [`read_plan`]: the fewest requests that fetch a set of signals.
//!
//! Invariant: no function here panics on bytes that came from outside.
#![no_std]
#![forbid(unsafe_code)]

extern crate alloc;

pub mod encoding;
pub mod read_plan;
pub mod registers;
pub mod sample;
pub mod signal;
pub mod station;
pub mod time;
pub mod units;

pub use encoding::{ByteOrder, EncodeError, Encoding, Raw};
pub use read_plan::{ReadLimits, ReadRequest, plan_reads};
pub use registers::{RegisterBlock, RegisterSpan, Table};
pub use sample::{Doubt, NoData, Reading, Sample};
pub use signal::{Place, Signal, SignalId};
pub use station::{ControllerId, Mode, ModeSet, StationId};
pub use time::{Uptime, UtcMillis};
pub use units::{Dimension, Unit};
