//! Computations about the process: pure, no clock, no I/O, no standard library.
//!
//! - [`condition`]: tests on signals that must all hold.
//! - [`mode`]: which mode a station is in.
//! - [`derived`]: values computed from other signals, sample by sample.
//! - [`dwell`]: how long product is on a belt, from the measured speed.
//!
//! Each function says its units, its errors and the source of its check values.
#![no_std]
#![forbid(unsafe_code)]

extern crate alloc;

pub mod condition;
pub mod derived;
pub mod dwell;
pub mod mode;
