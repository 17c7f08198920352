//! The alarms of the shipped demo line: every row of its day-one list that its kinds can say, with its real settings.
#![expect(clippy::unwrap_used, reason = "helpers of tests may fail the test")]

use setward_alarm::{
    Allowance, AverageReference, CommunicationSettings, Kind, Leak, MeasurementSettings, Reference, Side,
    Watched, Width,
};
use setward_config::line::{ControllerId, LineAlarm, Priority};
use setward_config::{Line, SourceFile, check_files, demo_files, load_demo};
use setward_protocol::Mode;
use std::time::Duration;

fn demo() -> Line {
    load_demo().unwrap().line
}

fn find(line: &Line, id: &str) -> LineAlarm {
    line.alarm(line.alarm_by_id(id).unwrap_or_else(|| panic!("{id}"))).clone()
}

fn check_setting(id: &str, tag: &str, side: Side, allowance: f64, recovery_s: u64) {
    let line = demo();
    let settings = find(&line, id).settings;
    assert_eq!(settings.watches.signal(), line.signal_by_tag(tag), "{id}");
    let Kind::TimeWeighted(weighted) = settings.kind else { panic!("{id} is {settings:?}") };
    assert_eq!((weighted.side, weighted.allowance), (side, Allowance::Area(allowance)), "{id}");
    assert_eq!((weighted.recovery, weighted.shape), (Some(Duration::from_secs(recovery_s)), 1.0), "{id}");
    assert_eq!(weighted.leak, Leak::Inside, "{id}");
}

#[test]
fn time_weighted_alarms_keep_their_settings_of_day_one() {
    check_setting("kettle-hold-cold.TT-101", "TT-101", Side::Below, 360.0, 300);
    check_setting("kettle-hold-cold.TT-111", "TT-111", Side::Below, 360.0, 300);
    for zone in ["TT-201", "TT-202", "TT-203"] {
        check_setting(&format!("oven-zone-cold.{zone}"), zone, Side::Below, 600.0, 300);
        check_setting(&format!("oven-zone-hot.{zone}"), zone, Side::Above, 600.0, 300);
    }
    check_setting("fryer-inlet-cold", "TT-310", Side::Below, 240.0, 90);
    check_setting("fryer-inlet-hot", "TT-310", Side::Above, 180.0, 90);
    check_setting("fryer-outlet-cold", "TT-313", Side::Below, 300.0, 90);
}

fn check_limit(id: &str, tag: &str, side: Side, limit: f64, deadband: f64, on_delay_s: u64) {
    let line = demo();
    let settings = find(&line, id).settings;
    assert_eq!(settings.watches.signal(), line.signal_by_tag(tag), "{id}");
    let Kind::Limit(found) = settings.kind else { panic!("{id} is {settings:?}") };
    assert_eq!((found.side, found.limit, found.deadband), (side, limit, deadband), "{id}");
    assert_eq!(found.on_delay, Duration::from_secs(on_delay_s), "{id}");
}

#[test]
fn limits_keep_their_settings_of_day_one() {
    use Side::{Above, Below};
    check_limit("steam-header-low", "PT-120", Below, 3.5, 0.3, 60);
    check_limit("kettle-agitator.IT-101", "IT-101", Below, 2.5, 0.3, 10);
    check_limit("quench-end-hot.TT-101", "TT-101", Above, 74.0, 1.0, 20);
    check_limit("quench-end-hot-white.TT-111", "TT-111", Above, 73.0, 1.0, 20);
    check_limit("wash-flow-low", "FT-152", Below, 34.0, 3.0, 30);
    check_limit("masa-hot", "TT-403", Above, 60.0, 2.0, 120);
    check_limit("equilibrator-short", "KY-260", Below, 150.0, 5.0, 30);
    check_limit("fryer-oil-high.TT-310", "TT-310", Above, 200.0, 3.0, 2);
    check_limit("fryer-oil-high.TT-311", "TT-311", Above, 200.0, 3.0, 2);
    check_limit("fryer-oil-high.TT-315", "TT-315", Above, 215.0, 3.0, 2);
    check_limit("oil-flow-low", "FT-320", Below, 38.0, 2.0, 5);
    check_limit("oil-level-low", "LT-330", Below, -25.0, 8.0, 20);
    check_limit("oil-filter-blocking", "PDT-351", Above, 0.8, 0.1, 60);
    check_limit("oil-filter-blocked", "PDT-351", Above, 1.2, 0.1, 60);
}

fn check_status(id: &str, codes: &[i64], on_delay_s: u64) {
    let Kind::Status(found) = find(&demo(), id).settings.kind else { panic!("{id}") };
    assert_eq!((found.is.as_slice(), found.on_delay), (codes, Duration::from_secs(on_delay_s)), "{id}");
}

#[test]
fn status_alarms_keep_their_settings_of_day_one() {
    for zone in ["BS-201", "BS-202", "BS-203"] {
        check_status(&format!("oven-flame-lost.{zone}"), &[0], 5);
    }
    check_status("oven-high-limit", &[1], 0);
    check_status("oven-exhaust-lost", &[0], 3);
    check_status("kettle-early-transfer.ZS-101", &[0], 5);
    check_status("oil-level-low-low", &[1], 0);
    check_status("feed-gap-long", &[0], 90);
    check_status("stack-fan-off", &[0], 10);
    check_status("detector-not-rejecting", &[0], 5);
}

fn check_deviation(id: &str, width: Width, on_delay_s: u64) {
    let Kind::Deviation(found) = find(&demo(), id).settings.kind else { panic!("{id}") };
    assert_eq!((found.side, found.against, found.width), (None, Reference::Recipe, width), "{id}");
    assert_eq!(found.on_delay, Duration::from_secs(on_delay_s), "{id}");
}

#[test]
fn deviations_keep_their_settings_of_day_one() {
    check_deviation("bake-time-out", Width::Tolerance, 20);
    check_deviation("fry-time-out", Width::Tolerance, 15);
    check_deviation("oven-pass-ratio.SFY-221", Width::Fixed(0.02), 15);
    for setpoint in ["TIC-201-SP", "TIC-202-SP", "TIC-203-SP", "TIC-310-SP", "KIC-220-SP", "KIC-340-SP"] {
        check_deviation(&format!("setpoint-not-recipe.{setpoint}"), Width::Latitude, 60);
    }
    check_deviation("cook-setpoint-not-recipe.TIC-101-SP", Width::Tolerance, 60);
}

#[test]
fn the_other_kinds_keep_their_settings_of_day_one() {
    let line = demo();
    let kind = |id: &str| find(&line, id).settings.kind;
    let Kind::Rate(slow) = kind("kettle-heat-slow.TT-111") else { panic!() };
    assert_eq!((slow.side, slow.per_minute, slow.over.as_secs()), (Side::Below, 1.5, 300));
    assert_eq!((slow.between, slow.quantum), (Some((40.0, 85.0)), 0.1));
    let Kind::Rate(wet) = kind("wet-oil-heat-up") else { panic!() };
    assert_eq!((wet.side, wet.per_minute, wet.between), (Side::Above, 2.0, Some((95.0, 125.0))));
    let Kind::Discrepancy(probes) = kind("fryer-probes-apart") else { panic!() };
    assert_eq!((probes.apart, probes.on_delay.as_secs()), (2.5, 180));
    assert_eq!(Some(probes.other), line.signal_by_tag("TT-311"));
    let Kind::MovingAverage(hot) = kind("product-hot-at-pack") else { panic!() };
    assert_eq!((hot.reference, hot.window.as_secs()), (AverageReference::Limit(45.0), 180));
    let Kind::MovingAverage(salt) = kind("seasoning-ratio-low") else { panic!() };
    assert_eq!((salt.side, salt.reference), (Side::Below, AverageReference::Target(Width::Tolerance)));
    assert_eq!((salt.window.as_secs(), salt.coverage), (120, 0.75));
    let Kind::MovingAverage(oil) = kind("make-up-imbalance") else { panic!() };
    assert_eq!((oil.side, oil.reference), (Side::Above, AverageReference::Target(Width::Tolerance)));
    assert_eq!((oil.window.as_secs(), oil.coverage), (3600, 0.75));
    let share = line.recipe().setpoint(line.signal_by_tag("FFY-331").unwrap()).unwrap().target;
    assert_eq!((share.setpoint, share.tolerance_above / share.setpoint), (24.0, 0.25), "25 % over expected");
    for (id, least, most) in [("cook-dose-out.TT-101", 24, 37), ("cook-dose-out-white.TT-101", 34, 50)] {
        let alarm = find(&line, id);
        let Kind::EquivalentTime(dose) = alarm.settings.kind else { panic!("{id}") };
        assert_eq!((dose.reference, dose.z), (95.0, 33.0), "{id}");
        let minutes = |time: Option<Duration>| time.unwrap().as_secs() / 60;
        assert_eq!((minutes(dose.least), minutes(dose.most), alarm.batch.len()), (least, most, 1), "{id}");
    }
}

/// What the day-one list says of suppression: "only RUN", "STP, CLN", "none".
#[test]
fn alarms_speak_in_the_modes_of_day_one() {
    let line = demo();
    let modes = |id: &str| -> Vec<&str> {
        let set = find(&line, id).settings.modes;
        Mode::NAMED.iter().filter(|(_, mode)| set.contains(*mode)).map(|(name, _)| *name).collect()
    };
    for id in [
        "oven-zone-cold.TT-201",
        "fryer-inlet-cold",
        "fryer-outlet-cold",
        "wash-flow-low",
        "masa-hot",
        "make-up-imbalance",
    ] {
        assert_eq!(modes(id), ["run"], "{id}");
    }
    assert_eq!(modes("fryer-inlet-hot"), ["hold", "run"]);
    assert_eq!(modes("wet-oil-heat-up"), ["heat-up"]);
    assert_eq!(modes("bake-time-out"), ["run", "gap"]);
    for id in ["fryer-oil-high.TT-310", "oven-high-limit", "communication.oven"] {
        assert_eq!(modes(id).len(), 8, "{id}");
    }
    for id in ["oil-flow-low", "oil-level-low", "oven-exhaust-lost", "stack-fan-off", "measurement.TT-310"] {
        assert_eq!(modes(id), ["heat-up", "hold", "run", "gap", "changeover", "run-out"], "{id}");
    }
    let settle = |id: &str| find(&line, id).settings.settle.as_secs();
    assert_eq!([settle("oven-zone-hot.TT-203"), settle("fryer-outlet-cold")], [300, 180]);
}

#[test]
fn a_cause_hides_what_follows_from_it() {
    let line = demo();
    let hides = |id: &str| -> Vec<String> {
        find(&line, id).hides.iter().map(|hidden| line.alarm(*hidden).id.clone()).collect()
    };
    assert_eq!(hides("oil-flow-low"), ["fryer-inlet-cold", "fryer-outlet-cold"]);
    assert_eq!(hides("oven-flame-lost.BS-202"), ["oven-zone-cold.TT-202"], "zone by zone");
    assert_eq!(hides("oven-zone-cold.TT-203"), ["fryer-outlet-cold"]);
    assert_eq!(hides("oven-high-limit").len(), 9, "a single cause hides all of three times three");
    assert_eq!(hides("steam-header-low").len(), 4);
    assert_eq!(hides("oil-filter-blocked"), ["oil-filter-blocking"]);
    let shares = |id: &str| find(&line, id).settings.group;
    assert_eq!(shares("oven-flame-lost.BS-201"), shares("oven-zone-cold.TT-202"));
    assert!(
        shares("oven-high-limit").is_some() && shares("oven-high-limit") != shares("fryer-oil-high.TT-310")
    );
}

/// Rows marked + of the list have an independent device that acts first.
#[test]
fn what_an_independent_device_does_first_is_said() {
    let line = demo();
    for id in [
        "oven-flame-lost.BS-201",
        "oven-high-limit",
        "oven-exhaust-lost",
        "fryer-oil-high.TT-310",
        "fryer-oil-high.TT-315",
        "oil-flow-low",
        "oil-level-low",
        "detector-not-rejecting",
    ] {
        assert!(find(&line, id).independent_device.is_some(), "{id}");
    }
    for alarm in &line.alarms {
        assert!(!alarm.response_now.is_empty() && !alarm.causes.is_empty(), "{}", alarm.id);
        assert!(alarm.priority != Priority::High || alarm.class.is_some(), "{}", alarm.id);
    }
    let high: Vec<&str> = line
        .alarms
        .iter()
        .filter(|alarm| alarm.priority == Priority::High)
        .map(|alarm| alarm.id.split('.').next().unwrap())
        .collect();
    let mut rows = high.clone();
    rows.dedup();
    let expected = [
        "fryer-oil-high",
        "oil-flow-low",
        "oil-level-low",
        "wet-oil-heat-up",
        "oil-level-low-low",
        "detector-not-rejecting",
    ];
    assert_eq!(rows, expected, "five rows of the list, and the second level switch");
}

#[test]
fn every_polled_signal_and_every_controller_has_its_automatic_alarm() {
    let line = demo();
    let count = |prefix: &str| line.alarms.iter().filter(|alarm| alarm.id.starts_with(prefix)).count();
    assert_eq!((count("measurement."), count("communication.")), (120, 4));
    let first = line.alarms.iter().position(|alarm| alarm.id.starts_with("measurement.")).unwrap();
    assert!(
        line.alarms[first..]
            .iter()
            .all(|alarm| alarm.id.contains("measurement.") || alarm.id.contains("communication."))
    );
    let probe = find(&line, "measurement.TT-310");
    assert_eq!(
        probe.settings.kind,
        Kind::Measurement(MeasurementSettings { bad_for: Duration::from_secs(10) })
    );
    assert_eq!((probe.priority, probe.time_to_respond.as_secs()), (Priority::Low, 900));
    assert!(probe.response_next[0].contains("X32: 1-4"), "{:?}", probe.response_next);
    let fryer = find(&line, "communication.fryer");
    let expected = CommunicationSettings { polls: 3, at_least: Duration::from_secs(10) };
    assert_eq!(fryer.settings.kind, Kind::Communication(expected));
    assert_eq!((fryer.settings.controller, fryer.settings.station), (None, None));
    assert_eq!(fryer.settings.watches, Watched::Controller(ControllerId(2)));
    assert_eq!((fryer.priority, fryer.time_to_respond.as_secs()), (Priority::Medium, 600));
    assert_eq!(find(&line, "communication.cook").priority, Priority::Low);
}

#[test]
fn a_gap_is_three_polls_and_one_reply_of_the_slowest_signal_an_alarm_looks_at() {
    let line = demo();
    let gap = |id: &str| find(&line, id).settings.gap_limit;
    assert_eq!(gap("kettle-hold-cold.TT-101"), Duration::from_millis(6500));
    assert_eq!(gap("fryer-inlet-cold"), Duration::from_millis(3500));
    assert_eq!(gap("measurement.TT-131"), Duration::from_millis(30_500));
    assert_eq!(gap("communication.oven"), Duration::from_millis(3400));
    assert_eq!(gap("fry-time-out"), Duration::from_millis(3500), "derived from the belt's speed");
}

/// The demo with one text replaced in one file.
fn changed(path: &str, from: &str, to: &str) -> Vec<SourceFile> {
    let text =
        |name: &str, text: &str| if name == path { text.replacen(from, to, 1) } else { text.to_owned() };
    let files = demo_files();
    assert!(files.iter().any(|(name, text)| *name == path && text.contains(from)), "{path} has no {from:?}");
    files.iter().map(|(name, old)| SourceFile { path: (*name).to_owned(), text: text(name, old) }).collect()
}

const STRIPS: &str = "recipes/white-corn-strips.toml";
const ROUNDS: &str = "recipes/blue-corn-rounds.toml";
const FRYER: &str = "[[setpoint]]\nsignal = \"KY-340\"\n";

/// What is missing in the recipe that is held stops the line; what is missing in another one is told.
#[test]
fn what_an_alarm_needs_of_another_recipe_is_a_warning() {
    let without = |path: &str| {
        let files = demo_files();
        let (_, text) = files.iter().find(|(name, _)| *name == path).unwrap();
        let from = text.find(FRYER).unwrap();
        let to = text[from + 1..].find("[[setpoint]]").map_or(text.len(), |next| from + 1 + next);
        changed(path, &text[from..to], "")
    };
    let warnings = check_files(&without(STRIPS)).unwrap().warnings;
    let found: Vec<_> = warnings.entries().into_iter().map(|entry| (entry.code, entry.message)).collect();
    let expected = [
        ("C104", "recipe `white-corn-strips` has no setpoint for `KY-340`".to_owned()),
        ("C104", "recipe `white-corn-strips` has no setpoint for `KIC-340-SP`".to_owned()),
    ];
    assert_eq!(found, expected);
    let errors = check_files(&without(ROUNDS)).unwrap_err().entries();
    assert!(errors.iter().all(|entry| entry.code == "C015"), "{errors:?}");
    assert_eq!(errors.len(), 2);
}

#[test]
fn a_signal_that_is_not_wired_yet_has_no_alarm_of_its_own() {
    let line =
        check_files(&changed("line.toml", "commissioned = true", "commissioned = false")).unwrap().line;
    assert_eq!(line.alarm_by_id("measurement.TT-311"), None);
    assert_eq!(line.alarms.len() + 1, demo().alarms.len());
}

/// Settings in US units are the same settings.
#[test]
fn every_kind_takes_both_systems_of_units() {
    let same = |from: &str, to: &str| {
        let line = check_files(&changed("alarms.toml", from, to)).unwrap().line;
        for (one, other) in demo().alarms.iter().zip(&line.alarms) {
            let (one, other) = (format!("{:.9?}", one.settings.kind), format!("{:.9?}", other.settings.kind));
            assert_eq!(one, other, "{to}");
        }
    };
    same("limit = \"38 m3/h\"", "limit = \"167.308966493494 gal/min\"");
    same("apart = \"2.5 K\"", "apart = \"4.5 degF\"");
    same("per_minute = \"2 K\"", "per_minute = \"3.6 degF\"");
    same("between = [\"95 degC\", \"125 degC\"]", "between = [\"203 degF\", \"257 degF\"]");
    same("limit = \"45 degC\"", "limit = \"113 degF\"");
    same("z = \"33 K\"", "z = \"59.4 degF\"");
    same("reference = \"95 degC\"", "reference = \"203 degF\"");
    same("allowance = \"600 degF.s\"", "allowance = \"333.33333333333333 K.s\"");
    same("deadband = \"0.3 bar\"", "deadband = \"30 kPa\"");
}
