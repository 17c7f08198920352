//! Line, alarm, recipe and site files: read, checked, explained.
//!
//! `SCHEMA.md` lists every table and key. Read from the outside in:
//! - [`load`], [`load_demo`], [`check_files`]: a folder, the embedded demo, or texts become a [`Line`] or [`Problems`].
//! - [`mod@line`]: the line as the programs use it.
//! - [`problem`]: what is wrong, where, what to do.
//! - `reader.rs`, `value.rs`, `quantity.rs`: a TOML table key by key; what a key can hold; a number with its unit.
//! - `raw/`: the file format. `check/`: what the files mean together.
//!
//! Invariant: all problems are found in one go, and no text in a file makes this crate panic.
#![forbid(unsafe_code)]

pub mod capacity;
mod check;
mod demo;
mod door;
mod folder;
#[cfg(feature = "fuzzing")]
pub mod fuzzing;
pub mod line;
pub mod problem;
mod quantity;
mod raw;
mod reader;
mod schema;
mod users;
mod value;

pub use check::check_files;
pub use demo::{SCHEMA, demo_files, load_demo};
pub use door::{Door, load_door, read_users_file};
pub use folder::{load, load_for_reading};
pub use line::Line;
pub use problem::{Problems, SourceFile};
pub use quantity::parse_time;
pub use users::{load_users, users_text};

/// A line that can be run, and what its author should still know.
#[derive(Debug, Clone)]
pub struct Loaded {
    /// The line.
    pub line: Line,
    /// Warnings only.
    pub warnings: Problems,
}
