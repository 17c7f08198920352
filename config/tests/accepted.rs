//! What is right and reads in more than one way: units, defaults, places, one alarm over several signals.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests may fail the test")]

use setward_alarm::{Allowance, Kind};
use setward_config::line::{Broker, BrokerTls, ChannelRules, DaySpan, MailTls, Origin, Way};
use setward_config::{Line, SourceFile, check_files};
use setward_process::condition::Test;
use setward_process::derived::Derivation;
use setward_protocol::{Encoding, Mode, ModeSet, ReadLimits, RegisterSpan, Table, Unit};
use std::path::Path;
use std::time::Duration;

/// The small line with each `from` replaced by its `to`, wherever it stands; it must load without a word.
fn line_with(edits: &[(&str, &str)]) -> Line {
    let texts = [
        ("line.toml", include_str!("small/line.toml")),
        ("alarms.toml", include_str!("small/alarms.toml")),
        ("site.toml", include_str!("small/site.toml")),
        ("recipes/rounds.toml", include_str!("small/recipes/rounds.toml")),
    ];
    for (from, _) in edits {
        assert!(texts.iter().any(|(_, text)| text.contains(from)), "nothing has {from:?}");
    }
    let change = |text: &str| edits.iter().fold(text.to_owned(), |text, (from, to)| text.replace(from, to));
    let files = texts.map(|(path, text)| SourceFile { path: path.to_owned(), text: change(text) });
    let loaded = check_files(&files).unwrap();
    assert!(loaded.warnings.is_empty(), "{}", loaded.warnings);
    loaded.line
}

fn check_allowance(written: &str, shape: &str, expected: Allowance) {
    // So much time that no allowance is too large for it.
    let line = line_with(&[("\"240 K.s\"", written), ("shape = 1.0", shape), ("\"4 min\"", "\"3 h\"")]);
    let Kind::TimeWeighted(settings) = line.alarms[1].settings.kind else { panic!("{:?}", line.alarms[1]) };
    let (found, wanted) = match (settings.allowance, expected) {
        (Allowance::Area(found), Allowance::Area(wanted))
        | (Allowance::AtTwice(found), Allowance::AtTwice(wanted)) => (found, wanted),
        (found, wanted) => panic!("{written}: {found:?} against {wanted:?}"),
    };
    assert!((found - wanted).abs() <= 1e-9 * wanted, "{written}: {found} against {wanted}");
}

#[test]
fn an_allowance_is_an_area_in_any_unit_or_a_time() {
    check_allowance("\"240 K.s\"", "shape = 1", Allowance::Area(240.0));
    check_allowance("\"6 K.min\"", "shape = 1", Allowance::Area(360.0));
    check_allowance("\"6 K.h\"", "shape = 1", Allowance::Area(21_600.0));
    check_allowance("\"240 degC.s\"", "shape = 1", Allowance::Area(240.0));
    check_allowance("\"600 degF.s\"", "shape = 1", Allowance::Area(1_000.0 / 3.0));
    check_allowance("\"80 s\"", "shape = 1", Allowance::AtTwice(80.0));
    check_allowance("\"1.5 min\"", "shape = 2.5", Allowance::AtTwice(90.0));
    check_allowance("\"80 s\"", "shape = 0.02", Allowance::AtTwice(80.0));
}

fn check_deadband(written: &str, expected: f64) {
    let line = line_with(&[("deadband = \"3 K\"", &format!("deadband = {written}"))]);
    let Kind::Limit(settings) = line.alarms[0].settings.kind else { panic!("{:?}", line.alarms[0]) };
    assert!((settings.deadband - expected).abs() < 1e-12, "{written}: {}", settings.deadband);
}

#[test]
fn a_difference_of_temperatures_has_no_offset() {
    check_deadband("\"3 K\"", 3.0);
    check_deadband("\"3 degC\"", 3.0);
    check_deadband("\"5.4 degF\"", 3.0);
    check_deadband("\"3K\"", 3.0);
    check_deadband("\" 3.0  K \"", 3.0);
}

#[test]
fn everything_is_in_the_unit_of_its_signal() {
    let line = line_with(&[
        ("limit = \"200 degC\"", "limit = \"392 degF\""),
        ("[\"0 m/min\", \"15 m/min\"]", "[\"0 m/s\", \"0.25 m/s\"]"),
        ("\"3.30 m\"", "\"3300 mm\""),
    ]);
    let Kind::Limit(settings) = line.alarms[0].settings.kind else { panic!("{:?}", line.alarms[0]) };
    assert!((settings.limit - 200.0).abs() < 1e-9);
    let speed = line.signal(line.signal_by_tag("ST-340").unwrap());
    assert!((speed.range.1 - 15.0).abs() < 1e-9 && speed.unit == Unit::MetrePerMinute);
    assert!((line.belts[0].effective_length_m - 3.3).abs() < 1e-12);
}

#[test]
fn a_pressure_above_the_atmosphere_takes_both_kinds_of_difference() {
    for noise in ["0.1 bar", "0.1 bar(g)", "10 kPa"] {
        let line = line_with(&[(
            "unit = \"m3/h\"\nrange = [\"0 m3/h\", \"80 m3/h\"]",
            &format!(
                "unit = \"bar(g)\"\nrange = [\"0 bar(g)\", \"600 kPa(g)\"]\nsimulate = {{ noise = \"{noise}\" }}"
            ),
        )]);
        let pressure = line.signal(line.signal_by_tag("FT-320").unwrap());
        assert!(
            (pressure.simulate.noise - 0.1).abs() < 1e-9 && (pressure.range.1 - 6.0).abs() < 1e-9,
            "{noise}"
        );
    }
}

#[test]
fn one_alarm_over_several_signals_becomes_one_each() {
    let line = line_with(&[(
        "signal = \"TT-310\"\nside = \"above\"",
        "signals = [\"TT-310\", \"TIC-310-SP\"]\nside = \"above\"",
    )]);
    let ids: Vec<&str> = line.alarms.iter().map(|alarm| alarm.id.as_str()).take(3).collect();
    assert_eq!(ids, ["oil-high.TT-310", "oil-high.TIC-310-SP", "oil-cold"]);
    assert_eq!(line.signal(line.alarms[1].settings.watches.signal().unwrap()).tag, "TIC-310-SP");
    assert_eq!(line.alarms[1].name, "Oil too hot (TIC-310-SP)");
}

#[test]
fn bits_of_one_register_are_no_overlap() {
    let twin = "bit = 3\n\n[[signal]]\ntag = \"YS-361\"\nname = \"Twin\"\nstation = \"fryer\"\ncontroller = \"fryer\"\nrole = \"status\"\nholding = 14\nencoding = \"bit\"\nbit = 4";
    let line = line_with(&[("bit = 3", twin)]);
    assert_eq!(
        line.signal(line.signal_by_tag("YS-361").unwrap()).register().unwrap().wire.encoding,
        Encoding::Bit(4)
    );
}

#[test]
fn the_same_register_of_two_controllers_is_no_overlap() {
    let line = line_with(&[("number = 40151", "holding = 0")]);
    assert_eq!(line.signal(line.signal_by_tag("ST-340").unwrap()).register().unwrap().wire.address, 0);
}

fn check_number(number: &str, table: Table, address: u16) {
    let line = line_with(&[("number = 40151", &format!("number = {number}"))]);
    let wire = &line.signal(line.signal_by_tag("ST-340").unwrap()).register().unwrap().wire;
    assert_eq!((wire.table, wire.address), (table, address), "{number}");
}

/// Numbers count from 1 where the wire counts from 0.
#[test]
fn numbers_as_drawings_print_them() {
    check_number("40151", Table::Holding, 150);
    check_number("400151", Table::Holding, 150);
    check_number("465536", Table::Holding, 65_535);
    check_number("40001", Table::Holding, 0);
    check_number("30101", Table::Input, 100);
    check_number("300101", Table::Input, 100);
}

#[test]
fn what_is_not_said_has_its_default() {
    let line = line_with(&[
        ("recovery = \"90 s\"\nshape = 1.0\nclear_below = 0.5", "recovery = \"none\""),
        ("deadband = \"3 K\"\n", ""),
        ("page = \"127.0.0.1:8470\"\n", ""),
    ]);
    let feed = &line.controllers[1];
    assert_eq!(
        (feed.answer_within, feed.limits, &feed.heartbeat),
        (Duration::from_millis(500), ReadLimits::STANDARD, &None)
    );
    assert_eq!((feed.endpoint.as_str(), feed.unit_id), ("127.0.0.1:15504", 7));
    assert_eq!(line.controllers[0].unit_id, 1);
    assert_eq!(line.controllers[0].readable, [RegisterSpan { table: Table::Holding, first: 1, last: 9 }]);
    assert_eq!(
        (line.page_address.to_string().as_str(), line.data_dir.as_path()),
        ("127.0.0.1:8470", Path::new(".setward"))
    );
    let Kind::TimeWeighted(weighted) = line.alarms[1].settings.kind else { panic!("{:?}", line.alarms[1]) };
    assert_eq!((weighted.recovery, weighted.shape, weighted.clear_below), (None, 1.0, 0.5));
    let Kind::Limit(limit) = line.alarms[0].settings.kind else { panic!("{:?}", line.alarms[0]) };
    assert_eq!((limit.deadband, limit.on_delay, limit.off_delay), (0.0, Duration::ZERO, Duration::ZERO));
    assert!(!line.alarms[0].settings.latching);
    let fan = line.signal(line.signal_by_tag("YS-360").unwrap());
    assert_eq!(
        (fan.unit, fan.range, fan.register().unwrap().wire.scale, fan.simulate.typical),
        (Unit::Bit, (0.0, 1.0), 1.0, 0.0)
    );
    assert_eq!(line.signal(line.signal_by_tag("FT-320").unwrap()).simulate.typical, 40.0);
}

#[test]
fn a_fast_poll_waits_half_of_it_for_an_answer() {
    let line = line_with(&[("poll_every = \"2 s\"", "poll_every = \"200 ms\"")]);
    assert_eq!(line.controllers[1].answer_within, Duration::from_millis(100));
}

#[test]
fn controllers_behind_one_gateway_differ_in_their_unit_id() {
    let line = line_with(&[("127.0.0.1:15504", "127.0.0.1:15503")]);
    assert_eq!(line.controllers[0].endpoint, line.controllers[1].endpoint);
}

/// What a station, a belt, a derived signal and a recipe say in US units is the same line in SI.
#[test]
fn modes_belts_and_derived_signals_take_both_systems_of_units() {
    let line = line_with(&[
        ("between = [\"178 degC\", \"250 degC\"]", "between = [\"352.4 degF\", \"482 degF\"]"),
        ("\"3.30 m\"", "\"10.826771653543307 ft\""),
        ("[\"0 s\", \"900 s\"]", "[\"0 min\", \"15 min\"]"),
    ]);
    let until = &line.stations[1].modes[0].until[0];
    let Test::Between { low, high } = until.test else { panic!("{until:?}") };
    assert!((low - 178.0).abs() < 1e-9 && (high - 250.0).abs() < 1e-9, "{until:?}");
    let fry_time = line.signal(line.signal_by_tag("KY-340").unwrap());
    assert_eq!((fry_time.unit, fry_time.range), (Unit::Second, (0.0, 900.0)));
    let Origin::Derived(Derivation::Dwell { speed, unit_m_per_s, effective_length_m }) = fry_time.origin
    else {
        panic!("{fry_time:?}")
    };
    assert_eq!(line.signal(speed).tag, "ST-340");
    assert!((unit_m_per_s * 60.0 - 1.0).abs() < 1e-12 && (effective_length_m - 3.3).abs() < 1e-9);
}

#[test]
fn an_entered_setpoint_keeps_its_own_unit() {
    let line = line_with(&[(
        "scale = 0.1\nunit = \"degC\"\nrange = [\"0 degC\", \"210 degC\"]",
        "scale = 0.1\nunit = \"degF\"\nrange = [\"32 degF\", \"410 degF\"]",
    )]);
    let [held, entered] = line.recipe().setpoints[..] else { panic!("{:?}", line.recipe()) };
    assert_eq!(held.entered, Some(entered.signal));
    assert_eq!(line.signal(entered.signal).tag, "TIC-310-SP");
    let near =
        |found: f64, expected: f64| assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
    near(entered.target.setpoint, 359.6);
    near(entered.target.tolerance_below, 5.4);
    near(entered.target.latitude.unwrap(), 3.6);
    near(entered.target.specification.unwrap().0, 348.8);
}

#[test]
fn a_ratio_brings_its_units_together_and_a_difference_is_in_what_its_signals_differ_by() {
    let dwell = "unit = \"s\"\nrange = [\"0 s\", \"900 s\"]\nkind = \"dwell\"\nbelt = \"Fry time\"";
    let ratio =
        "unit = \"%\"\nrange = [\"0 %\", \"900 %\"]\nkind = \"ratio\"\nof = \"ST-341\"\nto = \"ST-340\"";
    let second_belt = "[[loop]]";
    let speed = "[[signal]]\ntag = \"ST-341\"\nname = \"x\"\nstation = \"fryer\"\ncontroller = \"feed\"\nrole = \"measured\"\nholding = 7\nencoding = \"u16\"\nunit = \"ft/min\"\nrange = [\"0 ft/min\", \"99 ft/min\"]\n\n[[loop]]";
    let line = line_with(&[(dwell, ratio), (second_belt, speed)]);
    let Origin::Derived(Derivation::Ratio { factor, .. }) = line.signals[8].origin else { panic!() };
    assert!((factor - 30.48).abs() < 1e-9, "{factor}");
    let difference = "unit = \"K\"\nrange = [\"-9 K\", \"16.2 degF\"]\nkind = \"difference\"\nof = \"TT-310\"\nminus = \"TIC-310-SP\"";
    let line = line_with(&[(dwell, difference)]);
    let apart = &line.signals[7];
    assert!(apart.unit == Unit::Kelvin && (apart.range.1 - 9.0).abs() < 1e-9);
}

#[test]
fn a_signal_is_read_with_its_own_period_or_its_groups_or_its_controllers() {
    let line = line_with(&[
        ("max_bits = 200\n", "max_bits = 200\npoll-group = [{ name = \"slow\", poll_every = \"10 s\" }]\n"),
        ("order = \"CDAB\"\n", "order = \"CDAB\"\npoll_group = \"slow\"\n"),
        ("no_value = [32767]\n", "no_value = [32767]\npoll_every = \"1500 ms\"\n"),
    ]);
    let period = |tag: &str| {
        let register = line.signal(line.signal_by_tag(tag).unwrap()).register().unwrap();
        register.poll_every.as_millis()
    };
    assert_eq!(
        [period("TT-310"), period("FT-320"), period("XI-394"), period("ST-340")],
        [1500, 10_000, 1000, 2000]
    );
    assert_eq!(line.gap_limit(line.signal_by_tag("FT-320").unwrap()), Duration::from_millis(30_500));
    assert_eq!(line.gap_limit(line.signal_by_tag("KY-340").unwrap()), Duration::from_millis(6_500));
}

#[test]
fn only_a_noisy_analogue_value_can_be_stuck_unless_the_file_says_otherwise() {
    let line = line_with(&[]);
    let stuck = |line: &Line, tag: &str| line.signal(line.signal_by_tag(tag).unwrap()).stuck_after;
    assert_eq!(stuck(&line, "TT-310"), Some(Duration::from_secs(600)));
    assert_eq!([stuck(&line, "FT-320"), stuck(&line, "XI-394"), stuck(&line, "YS-360")], [None; 3]);
    let line = line_with(&[
        ("no_value = [32767]\n", "no_value = [32767]\nstuck_after = \"never\"\n"),
        ("order = \"CDAB\"\n", "order = \"CDAB\"\nstuck_after = \"2 min\"\ncommissioned = false\n"),
    ]);
    assert_eq!([stuck(&line, "TT-310"), stuck(&line, "FT-320")], [None, Some(Duration::from_secs(120))]);
    assert!(line.signals[0].commissioned && !line.signals[1].commissioned);
}

#[test]
fn a_status_bit_vouches_for_a_value() {
    let line = line_with(&[(
        "no_value = [32767]\n",
        "no_value = [32767]\ngood_when = [{ signal = \"YS-261\", is = [1] }]\n",
    )]);
    assert_eq!(line.signals[0].good_when, line.stations[1].product_present.clone().unwrap());
}

/// A value held against the recipe counts while its station runs, unless the recipe judges it always.
#[test]
fn an_alarm_held_against_the_recipe_speaks_while_its_station_runs() {
    let modes = |edits: &[(&str, &str)]| {
        let line = line_with(edits);
        [line.alarms[0].settings.modes, line.alarms[1].settings.modes]
    };
    let run = ModeSet::of(&[Mode::Run]);
    assert_eq!(modes(&[]), [ModeSet::ALL, run], "a limit always speaks");
    let always = ("latitude = \"2 K\"", "latitude = \"2 K\"\njudge_when = \"always\"");
    assert_eq!(modes(&[always]), [ModeSet::ALL, ModeSet::ALL]);
    let own = ("priority = \"medium\"", "modes = [\"heat-up\", \"run\"]\npriority = \"medium\"");
    assert_eq!(modes(&[own])[1], ModeSet::of(&[Mode::HeatUp, Mode::Run]));
}

#[test]
fn who_is_told_has_usual_rules_where_the_file_says_nothing() {
    let told = "page = \"127.0.0.1:8470\"\npage_url = \"https://line.example/\"\n\
        [mail]\nserver = \"mail.example:587\"\nfrom = \"setward@plant.example\"\n\
        [[mail.to]]\nname = \"night\"\naddresses = [\"a@plant.example\", \"b@plant.example\"]\n\
        shifts = [\"night\"]\nquiet = [\"23:00\", \"05:00\"]\nafter = \"10 min\"\nalive_at = \"07:00\"\n\
        [[webhook]]\nname = \"pager\"\nurl = \"http://127.0.0.1:8600/in\"\nsecret_file = \"secret\"\n\
        [[mqtt]]\nname = \"boards\"\nserver = \"[::1]:8883\"\ntopic = \"plant/line-2\"\nca = \"ca.pem\"\n\
        user = \"setward\"\npassword_file = \"secret\"\n";
    let shifts = "recipe = \"rounds\"\n\
        [[shift]]\nname = \"day\"\nfrom = \"06:00\"\n[[shift]]\nname = \"night\"\nfrom = \"18:00\"\n";
    let line = line_with(&[("page = \"127.0.0.1:8470\"\n", told), ("recipe = \"rounds\"\n", shifts)]);
    assert_eq!(line.notify.page_url.as_deref(), Some("https://line.example"));
    let [night, pager, boards] = line.notify.channels.as_slice() else { panic!("{:?}", line.notify) };
    let Way::Mail(mail) = &night.way else { panic!("{night:?}") };
    assert_eq!(
        (mail.relay.host.as_str(), mail.relay.port, mail.relay.tls),
        ("mail.example", 587, MailTls::StartTls)
    );
    assert_eq!((mail.to.len(), &mail.relay.login), (2, &None));
    let expected = ChannelRules {
        on_duty: vec![DaySpan { from: 1080, to: 360 }],
        quiet: Some(DaySpan { from: 1380, to: 300 }),
        after: Duration::from_secs(600),
        alive_at: Some(420),
        ..ChannelRules::default()
    };
    assert_eq!(night.rules, expected);
    assert_eq!((pager.name.as_str(), &pager.rules), ("pager", &ChannelRules::default()));
    let broker = Broker {
        host: "::1".to_owned(),
        port: 8883,
        topic: "plant/line-2".to_owned(),
        tls: BrokerTls::Plant("ca.pem".into()),
        login: Some(("setward".to_owned(), "secret".into())),
    };
    assert_eq!((&boards.way, &boards.rules), (&Way::Mqtt(broker), &ChannelRules::default()));
}

#[test]
fn a_signal_that_the_file_does_not_place_sits_where_the_running_recipe_wants_it() {
    let sits = |edits: &[(&str, &str)], tag: &str| {
        let line = line_with(edits);
        line.signal(line.signal_by_tag(tag).unwrap()).simulate.typical
    };
    let placed = ("typical = \"182 degC\"", "typical = \"150 degC\"");
    let not_placed = ("typical = \"182 degC\", ", "");
    assert_eq!(sits(&[placed], "TT-310"), 150.0);
    assert_eq!(sits(&[not_placed], "TT-310"), 182.0);
    assert_eq!(sits(&[], "TIC-310-SP"), 182.0, "what a person entered for it");
    assert_eq!(sits(&[], "FT-320"), 40.0, "no recipe holds it: the middle of its range");
}

/// Where no controller has a recipe number, people enter one. What a recipe asks of the heating is in the units of the file.
#[test]
fn a_person_may_choose_the_recipe_and_the_heating_has_its_limits() {
    let own = "[[entry]]\ntag = \"XI-9\"\nname = \"Recipe\"\nstation = \"fryer\"\nunit = \"1\"\nrange = [0, 20]\n\n\
               [[recipe-number]]\nsignal = \"XI-9\"\nnumbers = { 3 = \"rounds\" }\n\n[[belt]]";
    let cook = "name = \"Rounds\"\n[cook]\ncorn = \"600 kg\"\nwater = \"1200 L\"\nlime = \"3.6 kg\"\nheating_per_minute = \
                \"2.7 degF\"\nheating_between = [\"104 degF\", \"185 degF\"]\nheat_most = \"35 min\"\nhold = [\"20 min\", \
                \"26 min\"]\nhold_above = \"94 degC\"\nquench_to = [\"66 degC\", \"72 degC\"]";
    let line = line_with(&[("[[belt]]", own), ("name = \"Rounds\"", cook)]);
    let signal = line.signal_by_tag("XI-9").unwrap();
    assert_eq!((line.recipe_numbers[0].signal, line.chooses_recipe(signal)), (signal, true));
    let cook = line.recipes[0].cook.unwrap();
    let heating = cook.heating.unwrap();
    let near = |found: f64, wanted: f64| assert!((found - wanted).abs() < 1e-9, "{found}, not {wanted}");
    near(heating.least_k_per_min, 1.5);
    near(heating.between_degc.0, 40.0);
    near(heating.between_degc.1, 85.0);
    assert_eq!(cook.heat_most_s, Some(2_100.0));
}
