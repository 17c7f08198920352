//! One program for all fuzz targets; `SETWARD_FUZZ` names the one that runs, so that everything is built and linked once.
//!
//! Each target is a function over bytes that panics when something is wrong: a panic inside, an answer that no input justifies,
//! or words that break a promise. The corpus of each lies in `corpus/`.
#![no_main]

mod answers;
mod doors;
mod files;
mod words;

use libfuzzer_sys::fuzz_target;
use std::sync::OnceLock;

/// A target.
type Target = fn(&[u8]);

/// By name; `tests/fuzz/run` reads the names from here.
const TARGETS: [(&str, Target); 9] = [
    ("controller-answers", answers::controller),
    ("simulator-requests", answers::simulator),
    ("broker-packets", answers::broker),
    ("line-folder", files::line_folder),
    ("quantity", files::quantity),
    ("register-list", files::register_list),
    ("api-query", doors::api_query),
    ("history-blocks", files::history_blocks),
    ("messages", words::messages),
];

fn chosen() -> Target {
    static CHOSEN: OnceLock<Target> = OnceLock::new();
    *CHOSEN.get_or_init(|| {
        let name = std::env::var("SETWARD_FUZZ").unwrap_or_default();
        let found = TARGETS.iter().find(|(target, _)| *target == name);
        found.unwrap_or_else(|| panic!("SETWARD_FUZZ is \"{name}\"; see TARGETS")).1
    })
}

fuzz_target!(|bytes: &[u8]| chosen()(bytes));
