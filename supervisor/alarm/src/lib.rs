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

#[cfg(test)]
extern crate std;

mod average;
mod band;
pub mod blindness;
mod communication;
mod delay;
mod detector;
mod drift;
mod equivalent_time;
pub mod event;
mod exposure;
mod first_out;
pub mod flags;
mod forwarding;
mod judge;
mod mean;
mod measurement;
pub mod metrics;
pub mod monitor;
mod pair;
mod queue;
mod rate;
mod segment;
pub mod settings;
mod slot;
pub mod state;
mod status;
mod time_weighted;
mod window;

pub use blindness::Blindness;
pub use event::{AlarmEvent, Forecast, Happening};
pub use exposure::EXPOSURE_CAP;
pub use first_out::FirstOut;
pub use flags::{Flags, Suppression};
pub use monitor::{Acknowledgement, Head, Monitor, Restored, Status, TooManyCauses, WishError};
pub use queue::{EVENTS_MAX, events_needed};
pub use segment::Segment;
pub use settings::{
    AlarmId, AlarmSettings, Allowance, AverageReference, BatchEdge, CauseGroup, Codes, CommunicationSettings,
    Delivery, DeviationSettings, DiscrepancySettings, DriftSettings, EquivalentTimeSettings,
    ForwardingSettings, Kind, Leak, LimitSettings, MeasurementSettings, MovingAverageSettings, RateSettings,
    Reference, ServerId, Side, StatusSettings, Target, TimeWeightedSettings, Watched, Width,
};
pub use slot::{CAUSES_MAX, Slot};
pub use state::{AlarmState, Refusal};
