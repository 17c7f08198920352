//! Computations about the process: pure, no clock, no I/O, no standard library.
//!
//! - [`dwell`]: how long product is on a belt, from the measured speed.
//!
//! Each function says its units, its errors and the source of its check values.
#![no_std]
#![forbid(unsafe_code)]

pub mod dwell;
