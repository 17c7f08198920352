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

mod communication;
mod detector;
mod deviation;
pub mod event;
mod exposure;
pub mod flags;
mod limit;
mod measurement;
pub mod monitor;
pub mod settings;
mod slot;
pub mod state;
mod time_weighted;

pub use event::{AlarmEvent, Forecast, Happening};
pub use exposure::EXPOSURE_CAP;
pub use flags::{Flags, Suppression};
pub use monitor::{Acknowledgement, EVENTS_MAX, Head, Monitor, Restored, Status, TooManyCauses, WishError};
pub use settings::{
    AlarmId, AlarmSettings, Allowance, CommunicationSettings, DeviationSettings, Kind, LimitSettings,
    MeasurementSettings, Reference, Side, Target, TimeWeightedSettings, Watched, Width,
};
pub use slot::{CAUSES_MAX, Slot};
pub use state::{AlarmState, Refusal};
