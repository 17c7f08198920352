//! Line, alarm, recipe and site files.
#![forbid(unsafe_code)]

pub mod line;
