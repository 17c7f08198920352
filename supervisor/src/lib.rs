//! The supervisor: polls the line, holds it against its recipe, raises alarms, keeps history, serves the page.
//!
//! [`start`] puts the parts together over whatever edges it is given: real ones in [`cli`], in-memory ones under virtual
//! time in tests.
//!
//! ```text
//! poll (a task an endpoint) --ScanReport--> line task --Work--> writer task --> history store
//!                                           |   ^
//!                            LineSnapshot   v   | Request
//!                                        web, cli (LineHandle)
//! ```
#![forbid(unsafe_code)]

pub mod cli;
pub mod clock;
pub mod commission;
pub mod entries;
pub mod handle;
pub mod history;
pub mod line;
pub mod notify;
pub mod poll;
pub mod prove;
pub mod reload;
pub mod replay;
pub mod report;
pub mod run;
pub mod sink;
pub mod snapshot;
pub mod supervision;
pub mod version;
pub mod watchdog;
pub mod web;
#[cfg(feature = "write-setpoints")]
pub mod write_setpoints;

/// Ways in for the fuzz targets in `tests/fuzz`, which reach what is not public.
#[cfg(feature = "fuzzing")]
pub mod fuzzing {
    pub use crate::history::fuzzing::blocks;
    pub use crate::notify::fuzzing::{Told, broker_says, told};
    pub use crate::poll::guard::fuzzing::{Passed, passed};
}

pub use setward_alarm as alarm;
pub use setward_protocol as protocol;

pub use run::{Edges, RunSummary, Running, start};
