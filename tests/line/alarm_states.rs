//! The list of alarm states in DEVELOPERS.md against the engine's tests: neither has what the other lacks, and no transition
//! of the standards is missing.

use std::collections::BTreeSet;
use std::path::Path;

/// Every transition of the standards' state model, as restated in open sources.
const TRANSITIONS: [(&str, &str); 22] = [
    ("A", "B"),
    ("B", "C"),
    ("B", "D"),
    ("B", "E"),
    ("C", "A"),
    ("C", "F"),
    ("C", "B"),
    ("D", "A"),
    ("D", "B"),
    ("E", "F"),
    ("E", "B"),
    ("F", "A"),
    ("F", "B"),
    ("A to F", "G"),
    ("G", "A"),
    ("G", "B"),
    ("A to F", "H"),
    ("H", "A"),
    ("H", "B"),
    ("A to F", "I"),
    ("I", "A"),
    ("I", "B"),
];

fn read(path: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap()
}

/// The rows of the table: from, to, test.
fn rows() -> Vec<(String, String, String)> {
    let text = read("DEVELOPERS.md");
    let part = text.split("## Alarm states").nth(1).unwrap().split("\n## ").next().unwrap();
    let cells = |line: &str| line.split('|').map(|cell| cell.trim().to_owned()).collect::<Vec<_>>();
    let table = part.lines().filter(|line| line.starts_with("| ") && line.contains('`')).map(cells);
    table.map(|cells| (cells[1].clone(), cells[2].clone(), cells[4].trim_matches('`').to_owned())).collect()
}

#[test]
fn every_transition_has_its_row_and_no_row_is_of_none() {
    let found: BTreeSet<(String, String)> =
        rows().into_iter().map(|(from, to, _)| (from, to)).filter(|(from, _)| !from.is_empty()).collect();
    let expected: BTreeSet<(String, String)> =
        TRANSITIONS.iter().map(|(from, to)| ((*from).to_owned(), (*to).to_owned())).collect();
    assert_eq!(found, expected);
}

#[test]
fn every_row_names_a_test_and_every_test_has_a_row() {
    let source = read("supervisor/alarm/tests/transitions.rs");
    let tests: BTreeSet<String> = source
        .split("#[test]\nfn ")
        .skip(1)
        .filter_map(|rest| Some(rest.split_once('(')?.0.to_owned()))
        .collect();
    let named: BTreeSet<String> = rows().into_iter().map(|(.., test)| test).collect();
    assert_eq!(named, tests);
    assert!(tests.len() >= TRANSITIONS.len());
}
