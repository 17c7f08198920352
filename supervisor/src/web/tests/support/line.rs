//! The line of the tests: three stations, as far apart in kind as the files allow.

use setward_alarm::{
    AlarmSettings, Allowance, Kind, Leak, LimitSettings, Side, Target, TimeWeightedSettings, Watched,
};
use setward_config::line::*;
use setward_process::condition::{Condition, Test};
use setward_process::mode::ModeRule;
use setward_protocol::{ByteOrder, Encoding, Mode, ModeSet, ReadLimits, Signal, SignalId, Table, Unit};
use std::collections::BTreeMap;
use std::time::Duration;

pub(super) struct Row(pub(super) &'static str, &'static str, u16, u16, Role, Unit, u16, f64, (f64, f64));

fn signal(row: &Row) -> LineSignal {
    let Row(tag, name, station, controller, role, unit, address, scale, range) = *row;
    let codes = if tag.ends_with("MODE") {
        BTreeMap::from([(0, "manual".to_owned()), (1, "automatic".to_owned())])
    } else {
        BTreeMap::new()
    };
    LineSignal {
        tag: tag.to_owned(),
        name: name.to_owned(),
        station: StationId(station),
        role,
        unit,
        decimals: u8::from(scale < 1.0) + u8::from(scale < 0.05),
        range,
        origin: Origin::Register(Register {
            controller: ControllerId(controller),
            poll_every: Duration::from_secs(1),
            wire: Signal {
                table: Table::Holding,
                address,
                encoding: Encoding::I16,
                order: ByteOrder::Abcd,
                scale,
                offset: 0.0,
                range,
                no_value: vec![32_767, -32_768],
            },
        }),
        behaves: Behaves::Value,
        stuck_after: None,
        commissioned: true,
        good_when: Vec::new(),
        codes,
        means: None,
        simulate: Simulate { typical: 0.0, noise: 0.0, time_constant: Duration::ZERO },
        wiring: if tag == "TT-310" { wiring() } else { Wiring::default() },
        was: None,
    }
}

fn wiring() -> Wiring {
    Wiring {
        sensor: Some("Pt100 class A, 4-wire, 6 mm pocket".to_owned()),
        channel: Some("Card 4, channel 2".to_owned()),
        terminals: Some("X31: 5, 6, 7, 8".to_owned()),
        drawing: Some("E-310 sheet 4".to_owned()),
        location: Some("Feed end, drive side, knee height; the pipe beside it is hot".to_owned()),
    }
}

/// Tags in the order of their ids.
pub(super) const ROWS: [Row; 15] = [
    Row("TT-101", "Kettle 1 cook temperature", 0, 0, Role::Measured, Unit::DegC, 0, 0.1, (0.0, 130.0)),
    Row(
        "TIC-101-SP",
        "Kettle 1 cook setpoint, as entered",
        0,
        0,
        Role::Setpoint,
        Unit::DegC,
        2,
        0.1,
        (0.0, 110.0),
    ),
    Row("TIC-101-OUT", "Kettle 1 steam valve", 0, 0, Role::Output, Unit::Percent, 4, 0.1, (0.0, 100.0)),
    Row("TT-201", "Oven zone 1 temperature", 1, 1, Role::Measured, Unit::DegF, 1000, 1.0, (32.0, 1000.0)),
    Row(
        "TIC-201-SP",
        "Oven zone 1 setpoint, as entered",
        1,
        1,
        Role::Setpoint,
        Unit::DegF,
        1001,
        1.0,
        (32.0, 900.0),
    ),
    Row("TIC-201-MODE", "Oven zone 1 mode", 1, 1, Role::Status, Unit::One, 1002, 1.0, (0.0, 3.0)),
    Row("ST-220", "Oven belt speed", 1, 1, Role::Measured, Unit::MetrePerSecond, 1010, 0.01, (0.0, 2.0)),
    Row("TT-310", "Fryer oil inlet", 2, 2, Role::Measured, Unit::DegC, 100, 0.1, (0.0, 250.0)),
    Row(
        "TIC-310-SP",
        "Fryer oil setpoint, as entered",
        2,
        2,
        Role::Setpoint,
        Unit::DegC,
        101,
        0.1,
        (0.0, 210.0),
    ),
    Row("TIC-310-OUT", "Fryer heat demand", 2, 2, Role::Output, Unit::Percent, 102, 0.1, (0.0, 100.0)),
    Row("TIC-310-MODE", "Fryer loop mode", 2, 2, Role::Status, Unit::One, 103, 1.0, (0.0, 3.0)),
    Row("TT-313", "Fryer oil outlet", 2, 2, Role::Measured, Unit::DegC, 104, 0.1, (0.0, 250.0)),
    Row("FT-320", "Fryer oil flow", 2, 2, Role::Measured, Unit::CubicMetrePerHour, 110, 0.1, (0.0, 80.0)),
    Row("ST-340", "Fryer belt speed", 2, 2, Role::Measured, Unit::MetrePerMinute, 120, 0.01, (0.0, 8.0)),
    Row("KIC-340-SP", "Fry time setpoint", 2, 2, Role::Setpoint, Unit::Second, 121, 0.1, (0.0, 200.0)),
];

/// The id of a tag above.
pub(in crate::web::tests) fn id(tag: &str) -> SignalId {
    SignalId(
        ROWS.iter()
            .position(|row| row.0 == tag)
            .and_then(|at| u16::try_from(at).ok())
            .expect("a tag of the list"),
    )
}

fn controller(name: &str, port: u16) -> Controller {
    Controller {
        name: name.to_owned(),
        endpoint: format!("127.0.0.1:{port}"),
        unit_id: 1,
        identity: None,
        poll_every: Duration::from_secs(1),
        answer_within: Duration::from_millis(500),
        limits: ReadLimits::STANDARD,
        readable: Vec::new(),
        pause: Duration::ZERO,
        heartbeat: None,
        zeroed_after_restart: 0,
    }
}

fn cold(area: f64) -> Kind {
    let recovery = Some(Duration::from_secs(90));
    let allowance = Allowance::Area(area);
    Kind::TimeWeighted(TimeWeightedSettings {
        side: Side::Below,
        allowance,
        recovery,
        shape: 1.0,
        clear_below: 0.5,
        leak: Leak::Inside,
    })
}

fn limit(side: Side, limit: f64, deadband: f64) -> Kind {
    let (on_delay, off_delay) = (Duration::from_secs(5), Duration::from_secs(5));
    Kind::Limit(LimitSettings { side, limit, deadband, on_delay, off_delay })
}

pub(in crate::web::tests) fn alarm(
    id: &str,
    name: &str,
    signal: SignalId,
    kind: Kind,
    priority: Priority,
) -> LineAlarm {
    LineAlarm {
        id: id.to_owned(),
        name: name.to_owned(),
        settings: AlarmSettings {
            watches: Watched::Signal(signal),
            kind,
            latching: false,
            poll_every: Duration::from_secs(1),
            gap_limit: Duration::from_secs(3),
            station: None,
            controller: None,
            modes: ModeSet::ALL,
            settle: Duration::ZERO,
            realarm_after: None,
            hides_for: None,
            shelve_most: None,
            group: None,
            in_a_row: None,
        },
        when: Vec::new(),
        only_after: None,
        hides: Vec::new(),
        batch: Vec::new(),
        band: None,
        priority,
        class: None,
        causes: vec![
            "heat demand at 100 %".to_owned(),
            "feed too heavy or too wet".to_owned(),
            "screen blocking".to_owned(),
        ],
        consequence: "Chips leave with more than 2 % moisture: soft, oily, and on hold.".to_owned(),
        response_now: vec![
            "Read heat demand and medium temperature on the panel.".to_owned(),
            "If demand stands at 100 %, cut the feed by 10 %.".to_owned(),
            "Taste-check at the fryer outlet; hold product from the time the trouble began.".to_owned(),
        ],
        response_next: vec![
            "Compare the probe with a hand probe at the mark.".to_owned(),
            "Check the heating medium's valve and pump.".to_owned(),
        ],
        time_to_respond: Duration::from_secs(240),
        independent_device: (priority == Priority::High)
            .then(|| "manual-reset high limit on its own probe.".to_owned()),
    }
}

fn alarms() -> Vec<LineAlarm> {
    vec![
        alarm(
            "fryer-inlet-cold",
            "Fryer oil inlet too cold for too long",
            id("TT-310"),
            cold(240.0),
            Priority::Medium,
        ),
        alarm("fryer-outlet-cold", "Fryer oil outlet too cold", id("TT-313"), cold(300.0), Priority::Medium),
        alarm(
            "oil-flow-low",
            "Fryer oil flow low",
            id("FT-320"),
            limit(Side::Below, 38.0, 2.0),
            Priority::High,
        ),
        alarm("kettle-hold-cold", "Kettle 1 hold too cold", id("TT-101"), cold(360.0), Priority::Low),
        alarm("oven-zone-1-cold", "Oven zone 1 too cold", id("TT-201"), cold(600.0), Priority::Medium),
        alarm(
            "fryer-oil-high",
            "Fryer oil far too hot",
            id("TT-310"),
            limit(Side::Above, 200.0, 3.0),
            Priority::High,
        ),
    ]
}

fn setpoint(
    tag: &str,
    entered: Option<&str>,
    (setpoint, tolerance, latitude): (f64, f64, f64),
) -> RecipeSetpoint {
    let target = Target {
        setpoint,
        tolerance_below: tolerance,
        tolerance_above: tolerance,
        latitude: Some(latitude),
        specification: None,
    };
    RecipeSetpoint { signal: id(tag), target, entered: entered.map(id), judge_when: JudgeWhen::Always }
}

fn control(
    tag: &str,
    entered: &str,
    measured: &str,
    output: Option<&str>,
    mode: Option<&str>,
) -> ControlLoop {
    ControlLoop {
        tag: tag.to_owned(),
        entered: Some(id(entered)),
        measured: id(measured),
        output: output.map(id),
        mode: mode.map(id),
        working: None,
        modes: [(0, LoopMode::Manual)].into(),
    }
}

fn belt(station: u16, name: &str, speed: &str, effective_length_m: f64) -> Belt {
    Belt {
        station: StationId(station),
        name: name.to_owned(),
        speed: id(speed),
        effective_length_m,
        dwell_setpoint: None,
        proof: Some(BeltProof { date: "2026-09-14".parse().unwrap(), by: "line engineering".to_owned() }),
    }
}

/// The line.
pub(in crate::web::tests) fn line() -> Line {
    let off = ModeRule {
        mode: Mode::Stopped,
        when: vec![Condition { signal: id("TIC-310-MODE"), test: Test::Is(vec![2]) }],
        until: Vec::new(),
        hold_for: Duration::ZERO,
    };
    let station = |key: &str, name: &str| Station {
        key: key.to_owned(),
        name: name.to_owned(),
        modes: if key == "fryer" { vec![off.clone()] } else { Vec::new() },
        product_present: None,
    };
    Line {
        name: "Line 1".to_owned(),
        plant: "Quarry Lane".to_owned(),
        time_zone: "Europe/Madrid".to_owned(),
        simulated: true,
        data_dir: "unused".into(),
        page_address: ([127, 0, 0, 1], 0).into(),
        access: setward_config::line::Access::default(),
        history: setward_config::line::HistorySettings::default(),
        notify: setward_config::line::Notify::default(),
        stations: vec![station("kettle", "Kettle"), station("oven", "Oven"), station("fryer", "Fryer")],
        controllers: vec![controller("cook", 5021), controller("oven", 5022), controller("fryer", 5023)],
        signals: ROWS.iter().map(signal).collect(),
        loops: vec![
            control("TIC-101", "TIC-101-SP", "TT-101", Some("TIC-101-OUT"), None),
            control("TIC-201", "TIC-201-SP", "TT-201", None, Some("TIC-201-MODE")),
            control("TIC-310", "TIC-310-SP", "TT-310", Some("TIC-310-OUT"), Some("TIC-310-MODE")),
        ],
        belts: vec![belt(1, "Bake time", "ST-220", 12.0), belt(2, "Fry time", "ST-340", 3.3)],
        alarms: alarms(),
        recipes: vec![Recipe {
            key: "blue-corn-rounds".to_owned(),
            name: "Blue-corn rounds, salted".to_owned(),
            soak: None,
            cook: None,
            hydration: None,
            setpoints: vec![
                setpoint("TT-101", Some("TIC-101-SP"), (96.0, 1.5, 1.0)),
                setpoint("TT-201", Some("TIC-201-SP"), (635.0, 15.0, 10.0)),
                setpoint("TT-310", Some("TIC-310-SP"), (182.0, 3.0, 2.0)),
                setpoint("TT-313", None, (168.0, 4.0, 2.0)),
                setpoint("FT-320", None, (46.0, 3.0, 2.0)),
            ],
        }],
        running_recipe: 0,
        heat_balance: None,
        lots: None,
        shifts: Vec::new(),
        setpoint_writes: Vec::new(),
        recipe_numbers: Vec::new(),
        kettles: Vec::new(),
        tanks: Vec::new(),
        delays: Vec::new(),
        feed: None,
        entries: Vec::new(),
        files: Vec::new(),
        fingerprint: "0123456789abcdef".repeat(4),
    }
}
