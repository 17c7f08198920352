use super::*;
use setward_config::{Loaded, SourceFile, check_files, demo_files};

fn demo() -> Line {
    setward_config::load_demo().unwrap().line
}

/// The demo with `change` made to its line file.
fn demo_with(change: impl Fn(String) -> String) -> Line {
    let files: Vec<SourceFile> = demo_files()
        .iter()
        .map(|(path, text)| {
            let text = if *path == "line.toml" { change((*text).to_owned()) } else { (*text).to_owned() };
            SourceFile { path: (*path).to_owned(), text }
        })
        .collect();
    let Loaded { line, .. } = check_files(&files).unwrap();
    line
}

fn plan_of(line: &Line, reply_ms: u64) -> ReadPlan {
    ReadPlan::new(line, Duration::from_millis(reply_ms))
}

#[test]
fn every_signal_with_a_register_is_in_exactly_one_request() {
    let line = demo();
    let plan = plan_of(&line, 20);
    let mut planned: Vec<String> = plan
        .controllers
        .iter()
        .flat_map(|controller| &controller.scans)
        .flat_map(|scan| &scan.requests)
        .flat_map(|request| request.signals.iter().map(|signal| signal.tag.clone()))
        .collect();
    planned.sort();
    let mut wired: Vec<String> = line
        .signals
        .iter()
        .filter(|signal| signal.register().is_some())
        .map(|signal| signal.tag.clone())
        .collect();
    wired.sort();
    assert_eq!(planned, wired);
    assert_eq!(plan.without_register, line.signals.len() - wired.len());
}

/// 12 bytes out; back 9 and two a register, or a bit each in whole bytes (Modbus Application Protocol V1.1b3, 6.1 and 6.3).
#[test]
fn bytes_are_those_of_the_standard() {
    assert_eq!(data_bytes(Table::Holding, 125), 250);
    assert_eq!(data_bytes(Table::Coil, 19), 3);
    let request = ReadRequest { table: Table::Holding, start: 107, count: 3 };
    assert_eq!(request_hex(request), "03 00 6B 00 03");
    for controller in plan_of(&demo(), 20).controllers {
        for request in controller.scans.iter().flat_map(|scan| &scan.requests) {
            assert_eq!(request.request_bytes, 12);
            assert!((10..=260).contains(&request.reply_bytes), "{request:?}");
        }
    }
}

#[test]
fn a_scan_takes_its_replies_and_its_pauses() {
    let plan = plan_of(&demo(), 20);
    let oven = plan.controllers.iter().find(|controller| controller.controller == "oven").unwrap();
    assert_eq!(oven.pause_ms, 20.0);
    let scan = &oven.scans[0];
    let requests = scan.requests.len() as f64;
    assert!(requests > 1.0);
    assert!((scan.scan_ms - (requests * 20.0 + (requests - 1.0) * 20.0)).abs() < 1e-9, "{}", scan.scan_ms);
    let share = 100.0 * requests * 40.0 / scan.poll_every_ms;
    assert!((oven.connection_in_use_percent - share).abs() < 1e-9, "{}", oven.connection_in_use_percent);
}

#[test]
fn the_demo_is_planned_without_a_warning_and_a_slow_reply_brings_them() {
    assert_eq!(plan_of(&demo(), 20).warning_count(), 0, "{}", plan_of(&demo(), 20).text());
    let slow = plan_of(&demo(), 600).text();
    assert!(slow.contains("comes after answer_within"), "{slow}");
    assert!(slow.contains("longer than its period"), "{slow}");
    assert!(slow.contains("scans will be skipped"), "{slow}");
}

/// What the plan says to declare leads, once declared, to the requests that it promised.
#[test]
fn the_gaps_it_says_to_declare_are_the_ones_that_help() {
    let bare = demo_with(|text| text.replacen("  { holding = [104, 109] },\n", "", 1));
    let find = |line: &Line| {
        let plan = plan_of(line, 20);
        plan.controllers.into_iter().find(|controller| controller.controller == "fryer").unwrap()
    };
    let fryer = find(&bare);
    let scan = fryer.scans.iter().find(|scan| !scan.readable_to_declare.is_empty()).unwrap();
    assert!(scan.requests_if_declared < scan.requests.len(), "{scan:?}");
    assert!(
        fryer.warnings.iter().any(|warning| warning.contains("add to `readable`")),
        "{:?}",
        fryer.warnings
    );
    let declare = scan.readable_to_declare.join(", ");
    assert!(declare.contains("holding = [104, 109]"), "{declare}");
    let helped = demo_with(|text| text.replacen("{ holding = [104, 109] }", &declare, 1));
    let helped_scan = &find(&helped).scans[0];
    assert_eq!(helped_scan.requests.len(), scan.requests_if_declared);
    assert_eq!(helped_scan.readable_to_declare, Vec::<String>::new());
    let crossed: Vec<u16> =
        helped_scan.requests.iter().flat_map(|request| &request.crossed).map(|hole| hole.first).collect();
    assert!(crossed.contains(&104), "{crossed:?}");
}

#[test]
fn the_text_names_requests_signals_and_what_is_read_for_nothing() {
    let text = plan_of(&demo(), 20).text();
    for phrase in
        ["function 03", "function 04", "TT-310 100", "for nothing", "400101", "as if each reply took 20 ms"]
    {
        assert!(text.contains(phrase), "{phrase}: {text}");
    }
}
