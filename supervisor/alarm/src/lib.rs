//! The alarm engine: how far out, by how long.
//!
//! Owns detectors, exposure, alarm states and events. It has no clock, no I/O, no heap: the caller lends it storage,
//! hands it samples with their time, and asks when it wants to be called again.
//!
//! # Important terms
//! - **Target**: setpoint and tolerance of the running recipe for a signal.
//! - **Exposure**: how far beyond tolerance, weighed by how long; carried as a share of the allowance, so that tolerance
//!   may change under it.
//! - **Allowance**: the exposure at which an alarm raises.
//! - **Onset**: when the value first went beyond tolerance or limit; earlier than the raise.
//! - **Occurrence**: one raise of one alarm, counted from 1 and across restarts. What a person acknowledges.
//! - **Silence**: a missing sample. Two good samples at most `gap_limit` apart are joined by a straight line; a longer
//!   silence is unknown time and adds nothing.
//!
//! # Contract
//! One input ([`Monitor::handle_sample`], [`Monitor::handle_timeout`], [`Monitor::handle_acknowledge`], ..), then drain
//! [`Monitor::poll_event`] until it is empty, then the next input. [`Monitor::poll_timeout`] says when
//! [`Monitor::handle_timeout`] wants to be called; calling it early does nothing.
#![no_std]
#![forbid(unsafe_code)]

mod detector;
pub mod event;
mod exposure;
mod limit;
pub mod monitor;
pub mod settings;
pub mod state;

pub use event::{AlarmEvent, Forecast, Happening};
pub use exposure::EXPOSURE_CAP;
pub use monitor::{Acknowledgement, EVENTS_MAX, Head, Monitor, Restored, Slot, Status, WishError};
pub use settings::{
    AlarmId, AlarmSettings, Allowance, Kind, LimitSettings, Side, Target, TimeWeightedSettings, Watched,
};
pub use state::{AlarmState, Refusal};
