//! Which tests prove which fault: a table made from the tests' own text, kept in `sim-plc/FAULTS.md`. A fault of the
//! simulator without a test, or a row of the catalogue whose test is gone, fails here.
//!
//! `SETWARD_WRITE=1 cargo test --release --test line fault_table` writes the file anew.

use crate::support::source_files;
use sim_plc::FaultKind;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;

const FILE: &str = "sim-plc/FAULTS.md";

/// What a controller can do wrong, and the tests that show what the supervisor makes of it.
const CATALOGUE: &[(&str, &str, &[&str])] = &[
    (
        "P1",
        "no route",
        &["a_cable_pulled_for_forty_seconds_costs_its_controller_those_and_nobody_else_anything"],
    ),
    (
        "P2",
        "refuses connections",
        &[
            "a_port_where_nobody_listens_is_refused_and_taken_up_when_somebody_does",
            "a_refused_connection_is_tried_ever_more_slowly_and_at_most_every_twelve_seconds",
        ],
    ),
    (
        "P3",
        "accepts, then silent",
        &[
            "a_silent_controller_is_no_reply_and_comes_back",
            "after_a_silence_the_connection_is_closed_and_dialled_a_second_later",
        ],
    ),
    (
        "P4",
        "slow, below and above the time limit",
        &[
            "a_slow_network_within_the_time_limit_costs_no_scan",
            "a_network_slower_than_the_time_limit_says_so",
        ],
    ),
    (
        "P5",
        "truncated reply, reply in single bytes",
        &["half_an_answer_is_no_reply", "single_bytes_doubled_answers_and_a_word_too_many_cost_no_scan"],
    ),
    (
        "P6",
        "wrong transaction, unit or function",
        &[
            "an_answer_to_another_transaction_is_not_ours",
            "an_answer_of_another_unit_is_not_ours",
            "an_answer_to_another_function_is_not_ours",
        ],
    ),
    ("P7", "late reply after the time limit", &["one_late_answer_costs_one_poll_and_not_every_later_one"]),
    (
        "P8",
        "exceptions, each and unknown",
        &[
            "exceptions_of_every_number",
            "one_address_that_does_not_exist_costs_its_own_signal_and_no_other",
            "a_busy_controller_is_left_alone_for_longer_and_longer",
        ],
    ),
    ("P9", "stuck value", &["a_constant_value_is_stuck_after_ten_minutes_of_running_not_of_standing"]),
    (
        "P10",
        "sensor break",
        &[
            "a_broken_probe_is_a_fault_never_a_temperature",
            "a_probe_that_breaks_has_one_alarm_and_blinds_the_others",
        ],
    ),
    (
        "P11",
        "jump beyond physics: simulated; the supervisor takes it as it is",
        &["a_register_shows_what_it_is_told_while_the_plant_is_as_it_was"],
    ),
    (
        "P12",
        "word-swapped float, wrong scale",
        &["one_float_in_all_four_orders", "no_value_of_distinct_bytes_survives_a_wrong_order"],
    ),
    (
        "P13",
        "controller's clock wrong: its time is never used",
        &["all_of_one_scan_has_one_time_stamp_even_if_another_group_falls_due"],
    ),
    (
        "P14",
        "restart with zeroed words",
        &[
            "a_count_that_falls_back_is_a_restart_and_one_that_wraps_is_not",
            "a_virtual_month_has_no_wrong_value_no_missed_and_no_false_alarm",
        ],
    ),
    (
        "P15",
        "heartbeat stopped while replies go on",
        &[
            "a_stopped_program_makes_its_values_bad_although_it_answers",
            "a_heartbeat_that_stands_still_or_cannot_be_read_has_stopped",
        ],
    ),
];

/// Every test of the project with the text of its body.
fn tests() -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = Vec::new();
    for folder in ["sim-plc/src", "tests/line", "supervisor", "protocol"] {
        for (path, text) in source_files(folder) {
            if path.ends_with("fault_table.rs") {
                continue;
            }
            // What stands before the first function of a file belongs to none.
            found.push((String::new(), String::new()));
            let mut is_test = false;
            for line in text.lines() {
                let words = line.trim_start();
                if words.starts_with("#[test]") || words.starts_with("#[tokio::test") {
                    is_test = true;
                } else if let Some(name) = function(words) {
                    found.push((if is_test { name } else { String::new() }, String::new()));
                    is_test = false;
                } else if let Some((_, body)) = found.last_mut() {
                    body.push_str(line);
                    body.push('\n');
                }
            }
        }
    }
    found.retain(|(name, _)| !name.is_empty());
    found
}

fn function(line: &str) -> Option<String> {
    let rest = line.strip_prefix("async ").unwrap_or(line).strip_prefix("fn ")?;
    rest.split('(').next().map(str::to_owned)
}

/// The tests that bring about each kind of fault, those of the texts alone left out.
fn tests_of_faults(tests: &[(String, String)]) -> BTreeMap<&'static str, BTreeSet<&str>> {
    let mut table: BTreeMap<_, BTreeSet<_>> = BTreeMap::new();
    for kind in FaultKind::ALL {
        let own = table.entry(kind.name()).or_default();
        for (name, body) in tests {
            let brings = |text: &str| body.contains(&format!("\"{}{text}", kind.name()));
            let is_about_text =
                name.contains("reads_back") || name.contains("filled_in") || name.contains("refused");
            if (brings(" ") || brings("\"")) && !is_about_text {
                own.insert(name.as_str());
            }
        }
    }
    table
}

fn document(table: &BTreeMap<&str, BTreeSet<&str>>) -> String {
    let mut text = "# Faults and the tests that prove them\n\nMade by `SETWARD_WRITE=1 cargo test --release --test line fault_table`; a test fails when it is not up to date.\n\n\
        ## What the simulator can bring about\n\n| fault | what happens | tests |\n|---|---|---|\n"
        .to_owned();
    let listed = |names: &mut dyn Iterator<Item = &&str>| {
        names.map(|name| format!("`{name}`")).collect::<Vec<_>>().join("<br>")
    };
    for kind in FaultKind::ALL {
        let form = format!("{} {}", kind.name(), kind.arguments());
        let names = listed(&mut table[kind.name()].iter());
        writeln!(text, "| `{}` | {} | {names} |", form.trim_end(), kind.explanation()).unwrap();
    }
    text.push_str("\n## What a controller can do to the supervisor\n\n| | fault | tests |\n|---|---|---|\n");
    for (row, fault, names) in CATALOGUE {
        writeln!(text, "| {row} | {fault} | {} |", listed(&mut names.iter())).unwrap();
    }
    text
}

#[test]
fn every_fault_has_a_test_and_the_table_says_which() {
    let tests = tests();
    let table = tests_of_faults(&tests);
    for (fault, names) in &table {
        assert!(!names.is_empty(), "no test brings about {fault}");
    }
    for (row, _, names) in CATALOGUE {
        for name in *names {
            assert!(tests.iter().any(|(test, _)| test == name), "{row}: there is no test {name}");
        }
    }
    let document = document(&table);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(FILE);
    if std::env::var_os("SETWARD_WRITE").is_some() {
        std::fs::write(&path, &document).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(kept == document, "{FILE} is out of date: run this test with SETWARD_WRITE=1");
}
