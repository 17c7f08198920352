//! The demo line, embedded: what `setward demo` runs and what a person starts a line of their own from.

use crate::Loaded;
use crate::check::check_files;
use crate::problem::{Problems, SourceFile};

/// Every file of the demo line: path relative to the line folder, and text.
const FILES: [(&str, &str); 5] = [
    ("line.toml", include_str!("../demo/line.toml")),
    ("alarms.toml", include_str!("../demo/alarms.toml")),
    ("recipes/blue-corn-rounds.toml", include_str!("../demo/recipes/blue-corn-rounds.toml")),
    ("recipes/white-corn-strips.toml", include_str!("../demo/recipes/white-corn-strips.toml")),
    ("site.toml", include_str!("../demo/site.toml")),
];

/// The page that lists every table and key, for a person who has the program and not its source.
pub const SCHEMA: &str = include_str!("../SCHEMA.md");

/// Every file of the demo line: path relative to the line folder (forward slashes), and text.
#[must_use]
pub const fn demo_files() -> &'static [(&'static str, &'static str)] {
    &FILES
}

/// The demo line. Its data folder stays ".setward", relative to wherever the caller is.
///
/// # Errors
/// Never with the files this crate ships: a test loads them.
pub fn load_demo() -> Result<Loaded, Problems> {
    check_files(&demo_sources())
}

/// The demo's files as the check takes them.
pub(crate) fn demo_sources() -> Vec<SourceFile> {
    FILES
        .iter()
        .map(|(path, text)| SourceFile { path: (*path).to_owned(), text: (*text).to_owned() })
        .collect()
}
