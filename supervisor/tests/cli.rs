//! The program as a user or a script meets it: exit codes, and words that say what to do.

#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Output};

fn setward(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_setward")).args(arguments).output().unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The exit code, and every phrase in what is told.
fn check(arguments: &[&str], code: i32, phrases: &[&str]) {
    let output = setward(arguments);
    let told = stderr(&output);
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {told}");
    for phrase in phrases {
        assert!(told.contains(phrase), "{arguments:?} does not say {phrase:?}: {told}");
    }
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

/// A free port of this machine, most likely still free a moment later.
fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

#[test]
fn help_begins_with_what_it_is_and_ends_with_examples() {
    let help = stdout(&setward(&["--help"]));
    assert!(help.contains("not a safety function") && help.contains("setward demo"), "{help}");
}

#[test]
fn an_entry_needs_a_daemon_and_says_what_is_missing() {
    let folder = demo_folder();
    let site = folder.path().join("site.toml");
    let port = free_port();
    let told =
        std::fs::read_to_string(&site).unwrap().replace("127.0.0.1:8470", &format!("127.0.0.1:{port}"));
    std::fs::write(&site, told).unwrap();
    let folder = text(folder.path());
    check(&["enter", folder, "AI-451", "1,3", "--by", "Ana"], 4, &["can't be reached", "setward run"]);
    check(&["enter", folder, "--due"], 4, &["can't be reached"]);
    check(&["enter", folder, "AI-451"], 2, &["VALUE"]);
    check(
        &["enter", folder, "AI-451", "1.3", "--by", "Ana", "--taken", "noonish"],
        2,
        &["noonish", "no time"],
    );
    check(&["enter", "no/such/folder", "--list"], 3, &["no/such/folder"]);
}

#[test]
fn a_missing_folder_is_a_configuration_error_that_says_how_to_begin() {
    check(&["run", "no/such/folder"], 3, &["no/such/folder", "line.toml", "setward demo --keep"]);
    check(&["check", "no/such/folder"], 3, &["no/such/folder"]);
}

#[test]
fn a_missing_file_is_named() {
    let folder = demo_folder();
    std::fs::remove_file(folder.path().join("alarms.toml")).unwrap();
    check(&["run", text(folder.path())], 3, &["alarms.toml", "nothing was started"]);
}

#[test]
fn a_broken_file_is_told_with_its_place_and_nothing_starts() {
    let folder = demo_folder();
    let file = folder.path().join("line.toml");
    let broken =
        std::fs::read_to_string(&file).unwrap().replacen("role = \"measured\"", "role = \"mesured\"", 1);
    std::fs::write(&file, broken).unwrap();
    check(
        &["run", text(folder.path())],
        3,
        &["line.toml:", "error[C", "mesured", "measured", "nothing was started"],
    );
    assert!(!folder.path().join(".setward").exists(), "a refused folder must be left as it is");
}

#[test]
fn check_prints_json_for_scripts() {
    let folder = demo_folder();
    let output = setward(&["check", text(folder.path()), "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(report["problems"].as_array().unwrap().len(), 0);
    std::fs::write(folder.path().join("site.toml"), "simulated = 1\npage = 2\n").unwrap();
    let output = setward(&["check", text(folder.path()), "--json"]);
    assert_eq!(output.status.code(), Some(3));
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let problems = report["problems"].as_array().unwrap();
    assert!(problems.iter().any(|problem| problem["line"] == 1), "{report}");
    assert!(problems.iter().any(|problem| problem["line"] == 2), "{report}");
}

#[test]
fn a_page_port_in_use_is_named_with_what_to_do() {
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    let folder = demo_folder();
    check(&["run", text(folder.path()), "--page", &address], 1, &[&address, "in use", "--page"]);
    check(&["demo", "--page", &address], 1, &[&address, "in use", "--page"]);
}

#[test]
fn a_page_for_other_machines_is_refused() {
    let folder = demo_folder();
    check(
        &["run", text(folder.path()), "--page", "0.0.0.0:9"],
        3,
        &["this machine only", "127.0.0.1", "[tls]", "users"],
    );
    check(&["demo", "--page", "0.0.0.0:9"], 1, &["this machine only", "127.0.0.1"]);
}

#[test]
fn a_time_without_a_unit_is_a_usage_error() {
    check(&["demo", "--for", "30"], 2, &["\"30 s\""]);
}

#[test]
fn controllers_that_refuse_are_named_and_no_value_is_invented() {
    let folder = demo_folder();
    let site: String = ["cook", "oven", "fryer", "finish"]
        .iter()
        .map(|name| {
            format!("[[endpoint]]\ncontroller = \"{name}\"\naddress = \"127.0.0.1:{}\"\n", free_port())
        })
        .collect();
    std::fs::write(folder.path().join("site.toml"), format!("simulated = true\n{site}")).unwrap();
    let output = setward(&["run", text(folder.path()), "--page", "127.0.0.1:0", "--for", "3 s", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    for name in ["cook", "oven", "fryer", "finish"] {
        assert!(stderr(&output).contains(&format!("controller {name} at 127.0.0.1:")), "{}", stderr(&output));
    }
    assert!(stderr(&output).contains("connection refused"), "{}", stderr(&output));
    let summary: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    // The one that no controller brings: how long no check has been entered, which is as long as this run.
    assert_eq!((&summary["signals_good"], &summary["alarms_raised"]), (&1.into(), &0.into()), "{summary}");
}

#[test]
fn the_demo_runs_over_real_sockets_and_counts_what_it_did() {
    let keep = tempfile::tempdir().unwrap();
    let folder = keep.path().join("demo");
    let run = || {
        let output = setward(&[
            "demo",
            "--live",
            "--keep",
            text(&folder),
            "--page",
            "127.0.0.1:0",
            "--for",
            "4 s",
            "--json",
        ]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap()
    };
    let summary = run();
    assert_eq!(summary["signals_bad"], 0, "{summary}");
    assert!(summary["samples_stored"].as_u64().unwrap() >= 23 * 2, "{summary}");
    assert_eq!(summary["samples_lost"], 0, "{summary}");
    // The kept folder is a line like any other, and the demo can be run on it again.
    assert_eq!(setward(&["check", text(&folder)]).status.code(), Some(0));
    assert!(folder.join(".setward/history.sqlite").exists());
    run();
    // Once a person has changed it, it is no longer the demo's to write.
    std::fs::write(folder.join("site.toml"), "# mine\n").unwrap();
    check(&["demo", "--keep", text(&folder)], 1, &["site.toml", "left as it is"]);
}

/// The week fills from the first second; stopped in the middle of it, what is kept is a history like any other.
#[test]
fn the_demo_fills_a_week_behind_it_and_can_be_stopped_on_the_way() {
    let keep = tempfile::tempdir().unwrap();
    let folder = keep.path().join("demo");
    let output =
        setward(&["demo", "--keep", text(&folder), "--page", "127.0.0.1:0", "--for", "6 s", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let summary: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    // Six seconds of sockets are fewer than a thousand samples of its 128 signals.
    assert!(summary["samples_stored"].as_u64().unwrap() > 20_000, "{summary}");
    assert!(stderr(&output).contains("need --url http://127.0.0.1:"), "{}", stderr(&output));
    assert_eq!(summary["samples_lost"], 0, "{summary}");
    let verified = setward(&["verify", text(&folder)]);
    assert_eq!(verified.status.code(), Some(0), "{}{}", stdout(&verified), stderr(&verified));
}

#[test]
fn a_proof_is_printed_kept_as_a_page_and_told_to_scripts() {
    let folder = demo_folder();
    let dir = text(folder.path());
    let page = folder.path().join("proof.html");
    let only = ["--only", "oil-flow-low,communication.oven"];
    let asked = [&["prove", dir], &only[..], &["--json", "--html", text(&page)]].concat();
    let output = setward(&asked);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert_eq!(stderr(&output), "", "what the line says of its alarms is not told twice");
    let report: serde_json::Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(report["configured"]["by_physics"], 1);
    assert_eq!(report["automatic"]["by_physics"], 1);
    assert_eq!(report["configuration_sha256"].as_str().unwrap().len(), 64);
    let written = std::fs::read_to_string(&page).unwrap();
    assert!(written.contains("Read this first") && written.contains("Fryer oil flow low"), "{written}");
    let entries = std::fs::read_dir(folder.path()).unwrap().count();
    assert_eq!(entries, 5, "nothing but the page was written");
    let before = std::fs::read(folder.path().join("line.toml")).unwrap();
    let over = folder.path().join("line.toml");
    check(&["prove", dir, "--html", text(&over)], 2, &["line.toml is there already and is not overwritten"]);
    assert_eq!(std::fs::read(&over).unwrap(), before, "nothing was written over it");
    check(&["prove", dir, "--only", "oil-flow-lo"], 2, &["no alarm \"oil-flow-lo\"", "oil-flow-low"]);
    check(&["prove", "no/such/folder"], 3, &["no/such/folder"]);
}

/// A process that is ended whatever becomes of the test.
struct Daemon {
    child: std::process::Child,
    url: String,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _gone_already = self.child.kill();
        let _status = self.child.wait();
    }
}

/// A daemon over the demo line whose controllers nobody serves, once it answers.
async fn watching(folder: &Path) -> Daemon {
    let address = format!("127.0.0.1:{}", free_port());
    let mut command = Command::new(env!("CARGO_BIN_EXE_setward"));
    command.args(["run", text(folder), "--page", &address, "--for", "60 s"]);
    command.stdout(std::process::Stdio::null()).stderr(std::process::Stdio::null());
    let daemon = Daemon { child: command.spawn().unwrap(), url: format!("http://{address}") };
    for _ in 0..200 {
        if setward(&["alarms", "--url", &daemon.url]).status.code() != Some(4) {
            return daemon;
        }
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    }
    panic!("no answer at {}", daemon.url);
}

#[tokio::test]
async fn an_alarm_is_shelved_and_taken_out_of_service_from_the_command_line() {
    let folder = demo_folder();
    let daemon = watching(folder.path()).await;
    let ask = |words: &[&str], code: i32, phrases: &[&str]| {
        let output = setward(&[&["alarms", "--url", &daemon.url], words].concat());
        let told = format!("{}{}", stdout(&output), stderr(&output));
        assert_eq!(output.status.code(), Some(code), "{words:?}: {told}");
        for phrase in phrases {
            assert!(told.contains(phrase), "{words:?} does not say {phrase:?}: {told}");
        }
    };
    let shelve = ["--shelve", "masa-hot", "--for", "45 min", "--why", "stones", "--by", "Ana"];
    ask(&shelve, 0, &["Masa too hot (masa-hot): shelved until 20"]);
    ask(&["--unshelve", "masa-hot"], 0, &["off the shelf"]);
    ask(&["--unshelve", "masa-hot"], 0, &["it was so before"]);
    ask(&["--out-of-service", "masa-hot", "--json"], 0, &["\"out_of_service\":true", "\"schema_version\""]);
    ask(&["--return-to-service", "masa-hot"], 0, &["in service"]);
    ask(&["--acknowledge", "masa-hot", "--by", "Ana"], 1, &["never raised"]);
    ask(&["--acknowledge", "masa-hot", "--by", " "], 2, &["--by NAME"]);
    ask(&["--acknowledge", "masa-hot", "--by", "Ana", "--why", "so"], 2, &["take it out"]);
    ask(&["--reset", "masa-hot"], 1, &["never raised"]);
    ask(&["--shelve", "masa-hot", "--for", "300 d"], 1, &["at most"]);
    ask(&["--shelve", "masa-hott", "--for", "1 h"], 2, &["did you mean `masa-hot`?"]);
    ask(&["--shelve", "../line", "--for", "1 h"], 2, &["no id of an alarm"]);
    ask(&["--shelve", "masa-hot"], 2, &["--for"]);
    ask(&["--shelve", "masa-hot", "--reset", "masa-hot"], 2, &["cannot be used with"]);
    ask(&["--for", "1 h"], 2, &["--shelve"]);
}
