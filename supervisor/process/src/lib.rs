//! Computations about the process: pure, no clock, no I/O, no standard library.
//!
//! - [`condition`]: tests on signals that must all hold.
//! - [`mode`]: which mode a station is in.
//! - [`derived`]: values computed from other signals, sample by sample.
//! - [`dwell`]: how long product is on a belt, from the measured speed.
//! - [`series`]: recorded values over time, the form in which the following read them.
//! - [`thermal`]: thermal dose, hold and come-up from a temperature record.
//! - [`hydration`]: moisture of the grain after a soak.
//! - [`water`]: what boiling water away costs.
//! - [`heat_balance`]: what the oil's drop through the fryer says, and how surely.
//! - [`bench`](mod@bench): what sensors show at the bench, both ways.
//! - [`batches`]: kettle batches and a verdict on each limit.
//! - [`tanks`]: soak tanks, their ages, and which batches were behind the product.
//! - [`statistics`]: time in band, capability, charts, two windows compared.
//! - [`loops`]: lag and dead time from a step, oscillation, advice on settings.
//! - [`follow`]: all of this together, in time order: from samples to batches, tanks and product.
//! - [`setpoints`]: what people did with a setpoint, by departure and by shift.
//! - [`entries`]: what people enter, when it is due, whether it is plausible.
//! - [`windows`]: where product was before and is later, and how many kilograms.
//!
//! Each function says its units, its errors and the source of its check values.
#![no_std]
#![forbid(unsafe_code)]

extern crate alloc;

pub mod batches;
pub mod bench;
pub mod condition;
pub mod derived;
pub mod dwell;
pub mod entries;
pub mod follow;
pub mod heat_balance;
pub mod hydration;
pub mod loops;
pub mod mode;
pub mod series;
pub mod setpoints;
pub mod statistics;
pub mod tanks;
pub mod thermal;
pub mod water;
pub mod windows;
