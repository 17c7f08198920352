//! The targets that need a line, a connection or a page, in one program, so that what they need is linked once; `SETWARD_FUZZ` names the
//! one that runs.
//!
//! A target is a function over bytes that panics when something is wrong: a panic inside, an answer that no input justifies,
//! or words that break a promise. The corpus of each lies in `corpus/`.
//!
//! Targets that only decode are programs of their own, in `decoders/`: after each input the fuzzer goes through all counters of its program,
//! of which there are 400,000 here and a few thousand there.
#![no_main]

mod answers;
mod doors;
mod files;
mod modbus;
mod words;

use libfuzzer_sys::fuzz_target;
use std::sync::OnceLock;

/// A target.
type Target = fn(&[u8]);

/// By name; `tests/fuzz/run` reads the names from here.
const TARGETS: [(&str, Target); 6] = [
    ("controller-answers", answers::controller),
    ("simulator-requests", answers::simulator),
    ("line-folder", files::line_folder),
    ("register-list", files::register_list),
    ("api-query", doors::api_query),
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
