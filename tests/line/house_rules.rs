//! House rules that a machine can check. Each says why it is one.

use super::support::{all_source_files, source_files, tracked_files};

#[test]
fn every_crate_forbids_unsafe_code() {
    let roots = ["protocol", "config", "supervisor", "supervisor/alarm", "supervisor/process", "sim-plc"];
    for root in roots {
        for name in ["src/lib.rs", "src/main.rs"] {
            let Ok(text) = std::fs::read_to_string(format!("{}/{root}/{name}", env!("CARGO_MANIFEST_DIR")))
            else {
                continue;
            };
            assert!(text.contains("#![forbid(unsafe_code)]"), "{root}/{name}");
        }
    }
}

/// An unbiased `select!` polls its branches in random order: the same seed would no longer give the same run.
#[test]
fn every_select_is_biased() {
    for (path, text) in all_source_files() {
        for (index, _) in text.match_indices(concat!("select", "! {")) {
            let rest = text[index..].split_once('{').unwrap().1.trim_start();
            assert!(rest.starts_with("biased;"), "{path}: an unbiased select!");
        }
    }
}

/// Two clocks read in two places are two truths.
#[test]
fn only_one_file_reads_a_clock() {
    for (path, text) in source_files("supervisor/src") {
        let allowed = path.ends_with("clock.rs") || path.contains("tests");
        assert!(allowed || !text.contains("Instant::now("), "{path} reads the runtime's clock");
    }
    let banned = ["SystemTime::now", "std::time::Instant", "Zoned::now", "Timestamp::now"];
    for (path, text) in all_source_files() {
        if path.ends_with("supervisor/src/clock.rs") || path.starts_with("tests/") {
            continue;
        }
        for call in banned {
            assert!(!text.contains(call), "{path} calls {call}");
        }
    }
}

/// Past five hundred lines a file has a second idea in it.
#[test]
fn no_source_file_is_longer_than_five_hundred_lines() {
    for (path, text) in all_source_files() {
        let lines = text.lines().count();
        assert!(path.contains("tests") || lines <= 500, "{path} has {lines} lines");
    }
}

#[test]
fn the_cores_stay_without_standard_library_and_clock() {
    for root in ["protocol/src", "supervisor/alarm/src", "supervisor/process/src"] {
        let files = source_files(root);
        let (_, lib) = files.iter().find(|(path, _)| path.ends_with("lib.rs")).unwrap();
        assert!(lib.contains("#![no_std]"), "{root}");
        for (path, text) in &files {
            // Tests run where there is one; `tests/no_std` proves that the rest builds without.
            let shipped = text.split("#[cfg(test)]\nmod ").next().unwrap_or_default();
            assert!(!shipped.contains("use std::"), "{path}");
            assert!(!shipped.contains("async fn"), "{path}");
        }
    }
}

#[test]
fn the_top_level_holds_what_was_agreed_and_nothing_else() {
    let agreed = [
        "CHANGELOG.md",
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE-APACHE",
        "LICENSE-MIT",
        "README.md",
        "clippy.toml",
        "config",
        "deny.toml",
        "protocol",
        "rustfmt.toml",
        "sim-plc",
        "supervisor",
        "tests",
    ];
    for path in tracked_files() {
        let top = path.split('/').next().unwrap();
        assert!(top.starts_with('.') || agreed.contains(&top), "{path} is not in the agreed layout");
    }
}
