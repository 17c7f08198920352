//! The shipped demo line: it loads, it says what its register list and alarm list say, and it is polled in few requests.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests may fail the test")]

use setward_config::line::{Behaves, ControllerId, JudgeWhen, LoopMode, Meaning, Origin, Role};
use setward_config::{Line, SourceFile, check_files, demo_files, load_demo};
use setward_process::condition::Test;
use setward_process::derived::Derivation;
use setward_protocol::{ByteOrder, Encoding, Mode, Place, Signal, plan_reads};
use std::path::Path;
use std::time::Duration;

fn demo() -> Line {
    load_demo().unwrap().line
}

#[test]
fn the_demo_loads_with_no_problem_and_no_warning() {
    let loaded = load_demo().unwrap();
    assert!(loaded.warnings.is_empty(), "{}", loaded.warnings);
    let line = loaded.line;
    let controllers: Vec<&str> = line.controllers.iter().map(|one| one.name.as_str()).collect();
    assert_eq!(controllers, ["cook", "oven", "fryer", "finish"]);
    let ports: Vec<&str> = line.controllers.iter().map(|one| one.endpoint.as_str()).collect();
    assert_eq!(ports, ["127.0.0.1:15501", "127.0.0.1:15502", "127.0.0.1:15503", "127.0.0.1:15504"]);
    assert_eq!((line.recipes.len(), line.recipe().key.as_str()), (2, "blue-corn-rounds"));
    assert!(line.simulated && line.page_address.ip().is_loopback());
    assert_eq!(line.data_dir, Path::new(".setward"));
    let stations: Vec<&str> = line.stations.iter().map(|station| station.key.as_str()).collect();
    let expected = [
        "kettle",
        "soak",
        "wash",
        "mill",
        "sheeter",
        "oven",
        "equilibrator",
        "fryer",
        "cooling",
        "seasoning",
        "packing",
    ];
    assert_eq!(stations, expected);
}

/// One row of the plant's register list: a column by its name.
struct Row<'a>(Vec<&'a str>, Vec<&'a str>);

impl<'a> Row<'a> {
    fn text(&self, column: &str) -> &'a str {
        self.1[self.0.iter().position(|name| *name == column).unwrap()]
    }

    fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap()
    }
}

fn register_list() -> Vec<Row<'static>> {
    let mut lines = include_str!("register-list.csv").lines();
    let columns: Vec<&str> = lines.next().unwrap().split(',').collect();
    lines.map(|line| Row(columns.clone(), line.split(',').collect())).collect()
}

fn check_wire(row: &Row<'_>, wire: &Signal) {
    let tag = row.text("tag");
    assert_eq!(
        (wire.table.name(), f64::from(wire.address)),
        (row.text("table"), row.number("address")),
        "{tag}"
    );
    assert_eq!(wire.encoding.name(), row.text("encoding"), "{tag}");
    let bit = if let Encoding::Bit(bit) = wire.encoding { bit.to_string() } else { String::new() };
    let in_list = row.text("bit");
    assert_eq!(if in_list.is_empty() && !bit.is_empty() { "0" } else { in_list }, bit, "{tag}");
    let order = if row.text("word_order") == "low word first" { ByteOrder::Cdab } else { ByteOrder::Abcd };
    assert_eq!(wire.order, order, "{tag}");
    let or_one = |text: &str| if text.is_empty() { 1.0 } else { text.parse().unwrap() };
    assert_eq!((wire.scale, wire.offset), (or_one(row.text("scale")), row.number("offset")), "{tag}");
    assert_eq!(wire.range, (row.number("range_lo"), row.number("range_hi")), "{tag}");
    let codes: Vec<String> = wire.no_value.iter().map(ToString::to_string).collect();
    assert_eq!(codes.join(";"), row.text("no_value"), "{tag}");
}

/// Registers, periods and typical values of all signals as the plant's register list has them, in its order.
#[test]
fn all_120_signals_are_what_the_register_list_says() {
    let line = demo();
    let rows = register_list();
    assert_eq!(rows.len(), 120);
    assert!(line.signals.iter().skip(120).all(|signal| signal.register().is_none()));
    for (row, signal) in rows.iter().zip(&line.signals) {
        let register = signal.register().unwrap();
        let tag = row.text("tag");
        assert_eq!(signal.tag, tag);
        assert_eq!(line.station(signal.station).key, row.text("station"), "{tag}");
        assert_eq!(line.controller(register.controller).name, row.text("controller"), "{tag}");
        assert_eq!((signal.role.name(), signal.unit.symbol()), (row.text("role"), row.text("unit")), "{tag}");
        assert_eq!(register.poll_every.as_secs_f64(), row.number("poll_s"), "{tag}");
        check_wire(row, &register.wire);
        let simulate = signal.simulate;
        assert_eq!(
            (simulate.typical, simulate.noise),
            (row.number("typical"), row.number("noise_sd")),
            "{tag}"
        );
        assert_eq!(simulate.time_constant.as_secs_f64(), row.number("time_constant_s"), "{tag}");
    }
}

#[test]
fn pages_show_as_many_digits_as_one_count_needs() {
    let line = demo();
    let shown = |tag: &str| {
        let signal = line.signal(line.signal_by_tag(tag).unwrap());
        (signal.decimals, signal.unit.display())
    };
    assert_eq!(shown("TT-310"), (1, "°C"));
    assert_eq!(shown("TT-201"), (0, "°F"));
    assert_eq!(shown("ST-340"), (3, "m/min"));
    assert_eq!(shown("FT-320"), (1, "m³/h"));
}

/// Signals of one period are read together: cook 2 s (the wash flow lies far from the kettles) and 10 s, the others
/// 1 s.
#[test]
fn each_period_of_a_controller_needs_one_request_a_table() {
    let line = demo();
    let requests = |controller: u16, period_s: u64| {
        let own = line.signals.iter().filter_map(|signal| signal.register()).filter(|register| {
            register.controller == ControllerId(controller) && register.poll_every.as_secs() == period_s
        });
        let places: Vec<Place> = own.map(|register| register.wire.place()).collect();
        let controller = line.controller(ControllerId(controller));
        plan_reads(&places, &controller.readable, controller.limits).len()
    };
    assert_eq!([requests(0, 2), requests(0, 10)], [2, 1]);
    assert_eq!([requests(1, 1), requests(2, 1)], [3, 1]);
    assert_eq!(requests(3, 1), 2);
}

#[test]
fn loops_belts_and_heartbeats_point_at_the_right_signals() {
    let line = demo();
    let tag = |id| line.signal(id).tag.as_str();
    let loops: Vec<&str> = line.loops.iter().map(|one| one.tag.as_str()).collect();
    assert_eq!(loops, ["TIC-101", "TIC-111", "TIC-201", "TIC-202", "TIC-203", "TIC-310", "TIC-315"]);
    let fryer = &line.loops[5];
    assert_eq!((tag(fryer.measured), tag(fryer.entered.unwrap())), ("TT-310", "TIC-310-SP"));
    assert_eq!((tag(fryer.working.unwrap()), tag(fryer.mode.unwrap())), ("TIC-310-WSP", "XI-310"));
    let modes: Vec<_> = fryer.modes.iter().map(|(code, mode)| (*code, *mode)).collect();
    assert_eq!(modes, [(1, LoopMode::Manual), (2, LoopMode::Automatic), (3, LoopMode::Hold)]);
    assert_eq!((line.loops[6].entered, tag(line.loops[6].working.unwrap())), (None, "TIC-315-SP"));
    let belts: Vec<_> = line
        .belts
        .iter()
        .map(|belt| {
            (belt.name.as_str(), tag(belt.speed), belt.effective_length_m, belt.dwell_setpoint.map(tag))
        })
        .collect();
    let expected = [
        ("Bake time", "ST-220", 12.0, Some("KIC-220-SP")),
        ("Equilibrator time", "ST-260", 18.0, None),
        ("Fry time", "ST-340", 3.3, Some("KIC-340-SP")),
    ];
    assert_eq!(belts, expected);
    let beats: Vec<_> =
        line.controllers.iter().map(|one| one.heartbeat.map(|beat| tag(beat.signal))).collect();
    assert_eq!(beats, [Some("XI-124"), None, Some("XI-394"), None]);
    assert_eq!(line.controllers[2].zeroed_after_restart, 45);
}

#[test]
fn every_meaning_has_its_signal_and_every_signal_its_meaning() {
    let line = demo();
    for (word, meaning) in Meaning::NAMED {
        assert!(line.signals.iter().any(|signal| signal.means == Some(*meaning)), "{word}");
    }
    let polled: Vec<_> = line.signals.iter().filter(|signal| signal.register().is_some()).collect();
    for signal in polled {
        assert!(signal.means.is_some(), "{}", signal.tag);
        assert!(signal.wiring.drawing.is_some() && signal.wiring.location.is_some(), "{}", signal.tag);
        assert!(signal.role != Role::Measured || signal.wiring.sensor.is_some(), "{}", signal.tag);
    }
}

/// The first of one meaning belongs with the first of another: kettle 1 before kettle 2, zone 1 before zone 2.
#[test]
fn signals_of_several_units_stand_in_the_same_order() {
    let line = demo();
    let tags = |meaning: Meaning| -> Vec<&str> {
        let own = line.signals.iter().filter(|signal| signal.means == Some(meaning));
        own.map(|signal| signal.tag.as_str()).collect()
    };
    assert_eq!(tags(Meaning::KettleTemperature), ["TT-101", "TT-111"]);
    assert_eq!(tags(Meaning::KettleStep), ["XI-101", "XI-111"]);
    assert_eq!(tags(Meaning::OvenTemperature), ["TT-201", "TT-202", "TT-203"]);
    assert_eq!(tags(Meaning::OvenFlame), ["BS-201", "BS-202", "BS-203"]);
    assert_eq!(tags(Meaning::OvenBeltSpeed), ["ST-220", "ST-221", "ST-222"]);
    assert_eq!((tags(Meaning::SoakTankTemperature).len(), tags(Meaning::SoakTankState).len()), (12, 12));
}

fn modes_of(line: &Line, station: &str) -> Vec<Mode> {
    let station = line.stations.iter().find(|one| one.key == station).unwrap();
    station.modes.iter().map(|rule| rule.mode).collect()
}

#[test]
fn stations_know_their_modes() {
    let line = demo();
    use Mode::{Cleaning, Gap, HeatUp, Hold, Stopped};
    assert_eq!(modes_of(&line, "fryer"), [Stopped, Cleaning, Hold, HeatUp, Gap]);
    assert_eq!(modes_of(&line, "oven"), [Stopped, HeatUp, Gap]);
    for station in ["kettle", "soak", "wash", "mill", "sheeter", "cooling", "seasoning", "packing"] {
        assert_eq!(modes_of(&line, station), [Stopped], "{station}");
    }
    let heat_up = &line.stations[7].modes[3];
    let test = |index: usize| heat_up.when[index].test.clone();
    assert_eq!((test(0), test(1)), (Test::Is(vec![0]), Test::Between { low: 0.0, high: 174.0 }));
    assert_eq!(heat_up.until[0].test, Test::Between { low: 178.0, high: 250.0 });
    assert_eq!(line.stations[7].product_present.as_ref().unwrap().len(), 1);
    assert_eq!(line.stations[8].product_present, None);
}

#[test]
fn derived_signals_come_after_the_polled_ones_in_their_own_units() {
    let line = demo();
    let derived: Vec<_> =
        line.signals[120..128].iter().map(|signal| (signal.tag.as_str(), signal.unit.symbol())).collect();
    let expected = [
        ("KY-220", "s"),
        ("KY-260", "s"),
        ("KY-340", "s"),
        ("SFY-221", "1"),
        ("SFY-222", "1"),
        ("TDY-311", "K"),
        ("TDY-313", "K"),
        ("WFY-442", "%"),
    ];
    assert_eq!(derived, expected);
    let of = |tag: &str| match line.signal(line.signal_by_tag(tag).unwrap()).origin {
        Origin::Derived(derivation) => derivation,
        Origin::Register(_) | Origin::Entered | Origin::Followed(_) => panic!("{tag} is not computed"),
    };
    let Derivation::Dwell { unit_m_per_s, effective_length_m, .. } = of("KY-220") else { panic!() };
    // 147.6 ft/min over 12 m: the 16.0 s of the recipe.
    assert!((effective_length_m / (147.6 * unit_m_per_s) - 16.0).abs() < 0.01);
    let Derivation::Ratio { of: salt, to, factor } = of("WFY-442") else { panic!() };
    assert_eq!(
        (line.signal(salt).tag.as_str(), line.signal(to).tag.as_str(), factor),
        ("WT-442", "WT-441", 100.0)
    );
}

#[test]
fn an_entered_setpoint_is_held_like_the_value_it_is_for() {
    let line = demo();
    for recipe in &line.recipes {
        let find = |tag: &str| {
            let id = line.signal_by_tag(tag).unwrap();
            recipe.setpoints.iter().find(|one| one.signal == id).unwrap()
        };
        for (held, entered) in [
            ("TT-101", "TIC-101-SP"),
            ("TT-111", "TIC-111-SP"),
            ("TT-201", "TIC-201-SP"),
            ("TT-202", "TIC-202-SP"),
            ("TT-203", "TIC-203-SP"),
            ("TT-310", "TIC-310-SP"),
            ("KY-220", "KIC-220-SP"),
            ("KY-340", "KIC-340-SP"),
        ] {
            assert_eq!(find(held).entered, line.signal_by_tag(entered), "{held}");
            assert_eq!(find(held).target, find(entered).target, "{held}");
        }
        assert_eq!(find("TT-313").judge_when, JudgeWhen::ProductPresent);
    }
    let count = |index: usize| line.recipes[index].setpoints.len();
    assert_eq!(count(0), count(1), "both recipes hold the same signals");
}

#[test]
fn counters_and_resting_values_are_never_stuck() {
    let line = demo();
    let signal = |tag: &str| line.signal(line.signal_by_tag(tag).unwrap());
    for tag in ["FQ-331", "XI-450", "KQ-101", "XI-124"] {
        assert_eq!((signal(tag).behaves, signal(tag).stuck_after), (Behaves::Total, None), "{tag}");
    }
    assert_eq!(signal("TT-310").stuck_after, Some(Duration::from_secs(600)));
    assert_eq!(signal("TT-131").stuck_after, Some(Duration::from_secs(3600)));
    for tag in ["PT-101", "IT-111", "FT-121", "TIC-310-OUT", "YS-360", "XI-310", "KY-340"] {
        assert_eq!(signal(tag).stuck_after, None, "{tag}");
    }
}

#[test]
fn the_same_recipe_in_fahrenheit_gives_the_same_targets() {
    let celsius = demo();
    let change = |path: &str, text: &str| match path {
        "recipes/blue-corn-rounds.toml" => text
            .replace("\"182 degC\"", "\"359.6 degF\"")
            .replace("latitude = \"2 K\"", "latitude = \"3.6 degF\"")
            .replace("{ below = \"3 K\", above = \"3 K\" }", "{ below = \"5.4 degF\", above = \"5.4 degF\" }")
            .replace("[\"176 degC\", \"188 degC\"]", "[\"348.8 degF\", \"370.4 degF\"]")
            .replace("\"635 degF\"", "\"335 degC\""),
        _ => text.to_owned(),
    };
    let files: Vec<SourceFile> = demo_files()
        .iter()
        .map(|(path, text)| SourceFile { path: (*path).to_owned(), text: change(path, text) })
        .collect();
    assert!(files[2].text.contains("359.6 degF") && files[2].text.contains("370.4 degF"));
    let fahrenheit = check_files(&files).unwrap().line;
    for (one, other) in celsius.recipe().setpoints.iter().zip(&fahrenheit.recipe().setpoints) {
        let near = |left: f64, right: f64| assert!((left - right).abs() <= 1e-9, "{left} against {right}");
        near(one.target.setpoint, other.target.setpoint);
        near(one.target.tolerance_below, other.target.tolerance_below);
        near(one.target.tolerance_above, other.target.tolerance_above);
        near(one.target.latitude.unwrap_or(0.0), other.target.latitude.unwrap_or(0.0));
        near(
            one.target.specification.unwrap_or_default().0,
            other.target.specification.unwrap_or_default().0,
        );
        near(
            one.target.specification.unwrap_or_default().1,
            other.target.specification.unwrap_or_default().1,
        );
    }
    assert_ne!(celsius.fingerprint, fahrenheit.fingerprint);
}
