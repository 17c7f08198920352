//! The supervisor.
#![forbid(unsafe_code)]

pub mod clock;
pub mod handle;
pub mod history;
pub mod line;
pub mod poll;
pub mod snapshot;
pub mod web;
