//! The commissioning commands as an integrator or a script meets them: exit codes, and words that say what to do.

#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Output};

fn setward(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_setward")).args(arguments).output().unwrap()
}

/// What is printed, once the exit code is as expected and every phrase is in what is told on either stream.
fn check(arguments: &[&str], code: i32, phrases: &[&str]) -> String {
    let output = setward(arguments);
    let printed = String::from_utf8_lossy(&output.stdout).into_owned();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {told}{printed}");
    for phrase in phrases {
        assert!(
            told.contains(phrase) || printed.contains(phrase),
            "{arguments:?} does not say {phrase:?}: {told}{printed}"
        );
    }
    printed
}

fn demo_folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in setward_config::demo_files() {
        let file = folder.path().join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, text).unwrap();
    }
    folder
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn a_read_plan_needs_no_controller_and_says_so_in_both_forms() {
    let folder = demo_folder();
    let folder = text(folder.path());
    check(&["read-plan", folder], 0, &["no controller was asked", "function 03", "declared readable"]);
    check(&["read-plan", folder, "--reply", "900 ms"], 0, &["warning:", "longer than its period"]);
    let plan: serde_json::Value =
        serde_json::from_str(&check(&["read-plan", folder, "--json", "--reply", "35 ms"], 0, &[])).unwrap();
    assert_eq!(plan["reply_ms"], 35.0);
    assert_eq!(plan["controllers"].as_array().unwrap().len(), 4);
    check(&["read-plan", folder, "--reply", "35"], 2, &["35"]);
    check(&["read-plan", "no/such/folder"], 3, &["no/such/folder"]);
}

#[test]
fn a_probe_says_what_it_needs_and_who_did_not_answer() {
    let folder = demo_folder();
    let folder = text(folder.path());
    let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let nobody = format!("127.0.0.1:{port}");
    check(&["probe", &nobody], 2, &["which register", "--register", "--number"]);
    check(&["probe", &nobody, "--register", "100"], 4, &["connection refused", &nobody]);
    check(&["probe", &nobody, "--register", "40101x"], 2, &["--number"]);
    check(&["probe", &nobody, "--number", "20000"], 2, &["none that a drawing prints"]);
    check(&["probe", &nobody, "--register", "1", "--display", "warm"], 2, &["such as 185.3"]);
    check(
        &["probe", &nobody, "--register", "1", "--range", "0 degC", "10 bar"],
        2,
        &["do not measure the same"],
    );
    check(&["probe", &nobody, "--register", "1", "--range", "9 degC", "1 degC"], 2, &["lowest first"]);
    check(&["probe", &nobody, "--register", "1", "--report", "x.txt"], 2, &["--display"]);
    check(&["probe", folder, "--register", "100"], 2, &["--panel"]);
    check(&["probe", "no/such/folder"], 3, &["no/such/folder"]);
}

#[test]
fn a_line_that_nobody_answers_for_is_reported_as_such_and_the_report_is_not_overwritten() {
    let folder = demo_folder();
    let site = folder.path().join("site.toml");
    let mut told = std::fs::read_to_string(&site).unwrap();
    for port in ["15501", "15502", "15503", "15504"] {
        let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        told = told.replace(port, &free.to_string());
    }
    std::fs::write(&site, told).unwrap();
    let report = folder.path().join("probe.txt");
    let asked = ["probe", text(folder.path()), "--repeat", "1", "--report", text(&report)];
    check(&asked, 4, &["CAN'T BE ASKED", "connection refused"]);
    assert!(std::fs::read_to_string(&report).unwrap().contains("Nothing was written"));
    check(&asked, 2, &["is there already and is not overwritten"]);
    let panel = folder.path().join("panel.csv");
    std::fs::write(&panel, "TT-310;185,3\nTT-31O;2\n").unwrap();
    check(
        &["probe", text(folder.path()), "--panel", text(&panel)],
        2,
        &["panel.csv:2", "no signal `TT-31O`", "TT-310"],
    );
}

#[test]
fn an_import_overwrites_nothing_and_names_what_it_left_out() {
    let scratch = tempfile::tempdir().unwrap();
    let list = scratch.path().join("registers.csv");
    let out = scratch.path().join("line");
    let (list, out) = (text(&list).to_owned(), text(&out).to_owned());
    check(&["import", &list, "--out", &out], 2, &["registers.csv"]);
    std::fs::write(&list, "What,Where\nOil,100\n").unwrap();
    check(&["import", &list, "--out", &out], 3, &["What, Where", "--map"]);
    assert!(!Path::new(&out).exists(), "a list that is refused leaves nothing behind");
    std::fs::write(&list, "Name,Register,Type,Unit\nOil,40101,int16,degC\nAir,tbd,int16,degC\n").unwrap();
    let told =
        check(&["import", &list, "--out", &out], 1, &["1 of 2 rows", "`tbd` is no address", "Guessed"]);
    assert!(told.contains("row    3"), "{told}");
    check(&["check", &out], 0, &["1 signals"]);
    check(&["import", &list, "--out", &out], 2, &["nothing is overwritten"]);
    check(&["import", &list, "--out", &list], 2, &["that is a file"]);
    check(&["import", &list, "--out", &out, "--map", "Where=adress"], 2, &["address"]);
}

#[test]
fn loop_sheets_and_setpoints_are_made_of_a_folder_alone() {
    let folder = demo_folder();
    let page = folder.path().join("loops.html");
    let folder_text = text(folder.path()).to_owned();
    check(&["loop-sheet", &folder_text, "--out", text(&page)], 0, &["signals"]);
    assert!(std::fs::read_to_string(&page).unwrap().contains("As left"));
    check(&["loop-sheet", &folder_text, "--out", text(&page)], 2, &["not overwritten"]);
    let rows = check(&["loop-sheet", &folder_text, "--csv"], 0, &[]);
    assert!(rows.lines().next().unwrap().starts_with("tag,name,station"), "{rows}");
    for none in ["-1", "0", "NaN", "101"] {
        check(&["loop-sheet", &folder_text, "--tolerance", none], 2, &["percent", none]);
    }
    check(&["loop-sheet", "no/such/folder"], 3, &["no/such/folder"]);
    let sheet = folder.path().join("setpoints.html");
    check(
        &["report", "setpoints", &folder_text, "--html", text(&sheet)],
        0,
        &["TIC-310-SP", "turned unasked"],
    );
    assert!(std::fs::read_to_string(&sheet).unwrap().contains("TIC-310-SP"));
    let found: serde_json::Value =
        serde_json::from_str(&check(&["report", "setpoints", &folder_text, "--json"], 0, &[])).unwrap();
    assert_eq!(found["recipes"].as_array().unwrap().len(), 2);
}
