//! A line file with ten different mistakes: the program tells all ten, each with its place, and ends as promised.

use std::process::Command;

/// Ten mistakes of ten kinds: what stands in the demo's line file, and what somebody wrote instead.
const MISTAKES: [(&str, &str, &str); 10] = [
    ("time_zone = \"America/Chicago\"", "time_zone = \"America/Chicgo\"", "C011"),
    ("mode = \"heat-up\"", "mode = \"heatup\"", "C007"),
    ("poll_every = \"10 s\"", "poll_every = 10", "C008"),
    ("max_registers = 100 ", "max_registers = 200 ", "C009"),
    ("role = \"measured\"  ", "rol = \"measured\"  ", "C004"),
    ("holding = 2\n", "holding = 1\n", "C013"),
    ("order = \"CDAB\" ", "odrer = \"CDAB\" ", "C004"),
    ("discrete = 11 ", "discrete = true ", "C006"),
    ("speed = \"ST-220\" ", "speed = \"TT-201\" ", "C018"),
    ("minus = \"TT-311\" ", "minus = \"KY-340\" ", "C018"),
];

#[test]
fn ten_mistakes_in_a_line_file_are_ten_problems_and_exit_code_3() {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in setward_config::demo_files() {
        let file = folder.path().join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        let mut text = (*text).to_owned();
        if *name == "line.toml" {
            for (right, wrong, _) in MISTAKES {
                assert!(text.contains(right), "the demo has no {right:?}");
                text = text.replacen(right, wrong, 1);
            }
        }
        std::fs::write(file, text).unwrap();
    }
    let path = folder.path().to_str().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_setward")).args(["check", path]).output().unwrap();
    let told = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(3), "{told}");
    let titles: Vec<&str> = told.lines().filter(|line| line.contains(": error[")).collect();
    assert_eq!(titles.len(), 10, "{told}");
    assert!(titles.iter().all(|title| title.starts_with(path) && title.contains("line.toml:")), "{told}");
    for (_, wrong, code) in MISTAKES {
        assert!(titles.iter().any(|title| title.contains(code)), "no {code} for {wrong:?}: {told}");
    }
    assert_eq!(told.matches("= hint: ").count(), 10, "{told}");
    assert!(told.contains("10 problems in "), "{told}");
}
