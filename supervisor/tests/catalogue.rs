//! The catalogue of faults in DEVELOPERS.md: every row is there, and every test that it names exists.

#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Kinds of faults, and how many there are of each.
const KINDS: [(&str, usize); 6] = [("P", 15), ("N", 7), ("H", 13), ("S", 7), ("C", 6), ("U", 8)];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// Every function of the sources that could be a test.
fn functions(folder: &Path, found: &mut BTreeSet<String>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if name != "target" && !name.starts_with('.') {
                functions(&path, found);
            }
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            let text = std::fs::read_to_string(&path).unwrap();
            let after = text.split("fn ").skip(1);
            found.extend(after.filter_map(|rest| rest.split_once('(').map(|(name, _)| name.to_owned())));
        }
    }
}

#[test]
fn every_fault_has_a_row_and_every_test_that_a_row_names_exists() {
    let text = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let table = text.split("<!-- the catalogue of faults -->").nth(1).unwrap();
    let table = table.split("<!-- end of the catalogue -->").next().unwrap();
    let rows: Vec<Vec<&str>> = table
        .lines()
        .filter(|line| line.starts_with("| ") && !line.starts_with("| |"))
        .map(|line| line.trim_matches('|').split('|').map(str::trim).collect())
        .collect();
    let ids: Vec<&str> = rows.iter().map(|row| row[0]).collect();
    let expected: Vec<String> =
        KINDS.iter().flat_map(|(kind, count)| (1..=*count).map(move |n| format!("{kind}{n}"))).collect();
    assert_eq!(ids, expected);
    let mut known = BTreeSet::new();
    functions(&root(), &mut known);
    for row in &rows {
        let named: Vec<&str> = row[2].split('`').skip(1).step_by(2).collect();
        assert!(!named.is_empty() || row[2].starts_with("not tested"), "{row:?}");
        for name in named {
            let is_there =
                if name.contains('/') { root().join(name).is_file() } else { known.contains(name) };
            assert!(is_there, "{} names {name}, which does not exist", row[0]);
        }
    }
}
