//! Which crate may depend on which. Arrows point downward only.

use std::collections::BTreeMap;
use std::process::Command;

/// Every arrow between the project's own crates that may exist.
const ALLOWED: [(&str, &[&str]); 7] = [
    ("line-tests", &["setward", "setward-config", "setward-process", "sim-plc"]),
    ("setward", &["setward-alarm", "setward-config", "setward-process", "setward-protocol", "sim-plc"]),
    ("sim-plc", &["setward-config", "setward-protocol"]),
    ("setward-config", &["setward-alarm", "setward-process", "setward-protocol"]),
    ("setward-alarm", &["setward-protocol"]),
    ("setward-process", &["setward-protocol"]),
    ("setward-protocol", &[]),
];

#[test]
fn crates_depend_downward_only() {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    let own: Vec<&str> = packages.iter().map(|package| package["name"].as_str().unwrap()).collect();
    let allowed = BTreeMap::from(ALLOWED);
    assert_eq!(own.len(), allowed.len(), "a crate is missing from the list of arrows: {own:?}");
    for package in packages {
        let name = package["name"].as_str().unwrap();
        for dependency in package["dependencies"].as_array().unwrap() {
            let on = dependency["name"].as_str().unwrap();
            assert!(!own.contains(&on) || allowed[name].contains(&on), "{name} must not depend on {on}");
        }
    }
}

/// The simulator meets the supervisor in registers and the line file only; the exceptions start both.
#[test]
fn only_the_demo_and_the_proof_of_alarms_touch_the_simulator() {
    for (path, text) in super::support::source_files("supervisor/src") {
        let commands = ["cli/demo.rs", "cli/prove.rs"];
        let is_command = commands.iter().any(|command| path.ends_with(command));
        let allowed = is_command || path.contains("cli/demo/") || path.contains("cli/prove/");
        assert!(allowed || !text.contains("sim_plc::"), "{path} uses the simulator");
    }
}
