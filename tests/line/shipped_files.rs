//! The files the project ships are the first a user reads: they must be without fault.

use setward_config::{Loaded, demo_files, load, load_demo};

#[test]
fn the_demo_line_has_no_problem_and_no_warning() {
    let Loaded { line, warnings } =
        load_demo().unwrap_or_else(|problems| panic!("{}", problems.render(false)));
    assert!(warnings.is_empty(), "{}", warnings.render(false));
    let polled = line.signals.iter().filter(|signal| signal.register().is_some()).count();
    assert_eq!((line.controllers.len(), polled), (4, 120));
    assert!(line.simulated, "the demo says that it is simulated");
}

#[test]
fn the_folder_and_the_embedded_demo_are_the_same_line() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/demo");
    let from_folder = load(&folder).unwrap_or_else(|problems| panic!("{}", problems.render(false))).line;
    assert_eq!(from_folder.fingerprint, load_demo().unwrap().line.fingerprint);
    for (name, text) in demo_files() {
        assert_eq!(std::fs::read_to_string(folder.join(name)).unwrap(), *text, "{name}");
    }
}

/// Every alarm of the demo tells the operator and the technician what to do, and in how much time.
#[test]
fn every_demo_alarm_has_a_response_a_consequence_and_a_time() {
    let line = load_demo().unwrap().line;
    assert!(!line.alarms.is_empty());
    for alarm in &line.alarms {
        assert!(!alarm.response_now.is_empty() && !alarm.consequence.is_empty(), "{}", alarm.id);
        assert!(!alarm.time_to_respond.is_zero(), "{}", alarm.id);
    }
}
