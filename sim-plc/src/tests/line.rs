//! The line of these tests: a kettle in its hold, one oven zone, a fryer.

use crate::Simulator;
use setward_config::line::{
    Behaves, Controller, ControllerId, Line, LineSignal, Meaning, Origin, Register, Role, Simulate, Station,
    StationId, Wiring,
};
use setward_protocol::{ByteOrder, Encoding, ReadLimits, RegisterSpan, Signal, Table, Unit};
use std::collections::BTreeMap;
use std::time::Duration;

pub(super) const COOK: u16 = 0;
pub(super) const OVEN: u16 = 1;
pub(super) const FRYER: u16 = 2;

struct Row {
    tag: &'static str,
    controller: u16,
    role: Role,
    unit: Unit,
    place: (Table, u16),
    encoding: Encoding,
    scale: f64,
    range: (f64, f64),
    means: Option<Meaning>,
    /// Typical value, noise, time constant in s.
    simulate: (f64, f64, u64),
}

#[rustfmt::skip]
const ROWS: &[Row] = {
    use Encoding::{Bcd8, Bit, F32, I16, U16, U32};
    use Meaning as M;
    use Role::{Measured, Output, Setpoint, Status};
    use Table::{Discrete, Holding, Input};
    use Unit as U;
    &[
        Row { tag: "TT-101", controller: COOK, role: Measured, unit: U::DegC, place: (Holding, 0), encoding: I16, scale: 0.1, range: (0.0, 130.0), means: Some(M::KettleTemperature), simulate: (96.0, 0.08, 25) },
        Row { tag: "TIC-101-SP", controller: COOK, role: Setpoint, unit: U::DegC, place: (Holding, 2), encoding: I16, scale: 0.1, range: (0.0, 110.0), means: Some(M::KettleSetpoint), simulate: (96.0, 0.0, 0) },
        Row { tag: "TIC-101-OUT", controller: COOK, role: Output, unit: U::Percent, place: (Holding, 4), encoding: U16, scale: 0.1, range: (0.0, 100.0), means: Some(M::KettleSteamValve), simulate: (22.0, 0.4, 3) },
        Row { tag: "FQ-101", controller: COOK, role: Status, unit: U::Litre, place: (Holding, 10), encoding: U32, scale: 1.0, range: (0.0, 4000.0), means: None, simulate: (1200.0, 0.0, 0) },
        Row { tag: "XI-102", controller: COOK, role: Status, unit: U::One, place: (Holding, 14), encoding: Bcd8, scale: 1.0, range: (0.0, 99_999_999.0), means: None, simulate: (26_114_071.0, 0.0, 0) },
        Row { tag: "YS-101", controller: COOK, role: Status, unit: U::Bit, place: (Holding, 16), encoding: Bit(0), scale: 1.0, range: (0.0, 1.0), means: Some(M::KettleAgitator), simulate: (1.0, 0.0, 0) },
        Row { tag: "ZS-101", controller: COOK, role: Status, unit: U::Bit, place: (Holding, 16), encoding: Bit(3), scale: 1.0, range: (0.0, 1.0), means: None, simulate: (1.0, 0.0, 0) },
        Row { tag: "ZS-102", controller: COOK, role: Status, unit: U::Bit, place: (Holding, 16), encoding: Bit(15), scale: 1.0, range: (0.0, 1.0), means: None, simulate: (0.0, 0.0, 0) },
        Row { tag: "TT-202", controller: OVEN, role: Measured, unit: U::DegF, place: (Input, 1010), encoding: I16, scale: 1.0, range: (32.0, 1000.0), means: Some(M::OvenTemperature), simulate: (645.0, 1.8, 20) },
        Row { tag: "TIC-202-SP", controller: OVEN, role: Setpoint, unit: U::DegF, place: (Holding, 1011), encoding: I16, scale: 1.0, range: (32.0, 900.0), means: Some(M::OvenSetpoint), simulate: (645.0, 0.0, 0) },
        Row { tag: "TIC-202-OUT", controller: OVEN, role: Output, unit: U::Percent, place: (Input, 1012), encoding: U16, scale: 1.0, range: (0.0, 100.0), means: Some(M::OvenBurner), simulate: (52.0, 1.2, 4) },
        Row { tag: "BS-202", controller: OVEN, role: Status, unit: U::Bit, place: (Discrete, 12), encoding: Bit(0), scale: 1.0, range: (0.0, 1.0), means: Some(M::OvenFlame), simulate: (1.0, 0.0, 0) },
        Row { tag: "ST-220", controller: OVEN, role: Measured, unit: U::FootPerMinute, place: (Input, 1041), encoding: U16, scale: 0.1, range: (0.0, 300.0), means: Some(M::OvenBeltSpeed), simulate: (147.6, 0.5, 1) },
        Row { tag: "KIC-220-SP", controller: OVEN, role: Setpoint, unit: U::Second, place: (Holding, 1045), encoding: U16, scale: 0.1, range: (5.0, 90.0), means: Some(M::OvenDwellSetpoint), simulate: (16.0, 0.0, 0) },
        Row { tag: "TT-310", controller: FRYER, role: Measured, unit: U::DegC, place: (Holding, 100), encoding: I16, scale: 0.1, range: (0.0, 250.0), means: Some(M::FryerOilInlet), simulate: (182.0, 0.12, 8) },
        Row { tag: "TT-313", controller: FRYER, role: Measured, unit: U::DegC, place: (Holding, 103), encoding: I16, scale: 0.1, range: (0.0, 250.0), means: Some(M::FryerOilOutlet), simulate: (168.0, 0.25, 8) },
        Row { tag: "TIC-310-SP", controller: FRYER, role: Setpoint, unit: U::DegC, place: (Holding, 110), encoding: I16, scale: 0.1, range: (0.0, 210.0), means: Some(M::FryerSetpoint), simulate: (182.0, 0.0, 0) },
        Row { tag: "TIC-310-OUT", controller: FRYER, role: Output, unit: U::Percent, place: (Holding, 112), encoding: U16, scale: 0.1, range: (0.0, 100.0), means: Some(M::FryerHeatDemand), simulate: (62.0, 0.8, 3) },
        Row { tag: "FT-320", controller: FRYER, role: Measured, unit: U::CubicMetrePerHour, place: (Holding, 130), encoding: F32, scale: 1.0, range: (0.0, 80.0), means: Some(M::FryerOilFlow), simulate: (46.0, 0.45, 2) },
        Row { tag: "LT-330", controller: FRYER, role: Measured, unit: U::Millimetre, place: (Holding, 140), encoding: U16, scale: 0.048_84, range: (-100.0, 100.0), means: None, simulate: (0.0, 2.5, 4) },
        Row { tag: "ST-340", controller: FRYER, role: Measured, unit: U::MetrePerMinute, place: (Holding, 150), encoding: U16, scale: 0.001, range: (0.0, 15.0), means: Some(M::FryerBeltSpeed), simulate: (3.6, 0.012, 1) },
        Row { tag: "KIC-340-SP", controller: FRYER, role: Setpoint, unit: U::Second, place: (Holding, 151), encoding: U16, scale: 1.0, range: (20.0, 180.0), means: Some(M::FryerDwellSetpoint), simulate: (55.0, 0.0, 0) },
        Row { tag: "XI-394", controller: FRYER, role: Status, unit: U::One, place: (Holding, 181), encoding: U16, scale: 1.0, range: (0.0, 65_535.0), means: Some(M::Heartbeat), simulate: (0.0, 0.0, 0) },
    ]
};

/// Three controllers: cook and oven share an endpoint, the fryer has its own.
pub(super) fn small_line() -> Line {
    let station = |key: &str| Station {
        key: key.to_owned(),
        name: key.to_owned(),
        modes: Vec::new(),
        product_present: None,
    };
    Line {
        name: "Test line".to_owned(),
        plant: "Test plant".to_owned(),
        time_zone: "UTC".to_owned(),
        simulated: true,
        data_dir: ".setward".into(),
        page_address: ([127, 0, 0, 1], 0).into(),
        access: setward_config::line::Access::default(),
        history: setward_config::line::HistorySettings::default(),
        notify: setward_config::line::Notify::default(),
        stations: ["kettle", "oven", "fryer"].map(station).to_vec(),
        controllers: vec![
            controller("cook", "127.0.0.1:15501", 1),
            controller("oven", "127.0.0.1:15501", 2),
            controller("fryer", "127.0.0.1:15503", 1),
        ],
        signals: ROWS.iter().map(line_signal).collect(),
        loops: Vec::new(),
        belts: Vec::new(),
        alarms: Vec::new(),
        recipes: Vec::new(),
        running_recipe: 0,
        shifts: Vec::new(),
        setpoint_writes: Vec::new(),
        heat_balance: None,
        lots: None,
        recipe_numbers: Vec::new(),
        kettles: Vec::new(),
        tanks: Vec::new(),
        delays: Vec::new(),
        feed: None,
        entries: Vec::new(),
        fingerprint: String::new(),
        files: Vec::new(),
    }
}

pub(super) fn controller(name: &str, endpoint: &str, unit_id: u8) -> Controller {
    Controller {
        name: name.to_owned(),
        endpoint: endpoint.to_owned(),
        unit_id,
        identity: None,
        poll_every: Duration::from_secs(1),
        answer_within: Duration::from_millis(500),
        limits: ReadLimits { registers: 100, bits: 2000 },
        readable: vec![RegisterSpan { table: Table::Holding, first: 104, last: 109 }],
        pause: Duration::ZERO,
        heartbeat: None,
        zeroed_after_restart: 0,
    }
}

fn line_signal(row: &Row) -> LineSignal {
    let (table, address) = row.place;
    let (typical, noise, time_constant_s) = row.simulate;
    let long = row.encoding.words() > 1;
    LineSignal {
        tag: row.tag.to_owned(),
        name: row.tag.to_owned(),
        station: StationId(row.controller),
        role: row.role,
        unit: row.unit,
        decimals: 1,
        range: row.range,
        origin: Origin::Register(Register {
            controller: ControllerId(row.controller),
            poll_every: Duration::from_secs(1),
            wire: Signal {
                table,
                address,
                encoding: row.encoding,
                order: if long { ByteOrder::Cdab } else { ByteOrder::Abcd },
                scale: row.scale,
                offset: if row.tag == "LT-330" { -100.0 } else { 0.0 },
                range: row.range,
                no_value: no_value(row),
            },
        }),
        behaves: Behaves::Value,
        stuck_after: None,
        commissioned: true,
        good_when: Vec::new(),
        codes: BTreeMap::new(),
        means: row.means,
        simulate: Simulate { typical, noise, time_constant: Duration::from_secs(time_constant_s) },
        wiring: Wiring::default(),
        was: None,
    }
}

fn no_value(row: &Row) -> Vec<i64> {
    if row.encoding != Encoding::I16 || row.role != Role::Measured {
        Vec::new()
    } else if row.unit == Unit::DegF {
        vec![9999, -999]
    } else {
        vec![32_767, -32_768]
    }
}

/// The small line, simulated, with `seconds` gone by in steps of 1 s.
pub(super) fn running(seconds: u64) -> Simulator {
    let simulator = Simulator::new(&small_line(), 1);
    pass(&simulator, seconds);
    simulator
}

pub(super) fn pass(simulator: &Simulator, seconds: u64) {
    for _ in 0..seconds {
        simulator.step(Duration::from_secs(1));
    }
}

pub(super) fn shown(simulator: &Simulator, tag: &str) -> f64 {
    simulator.shown(tag).unwrap_or_else(|| panic!("{tag} shows no value"))
}

/// The line that is shipped, simulated.
pub(super) fn demo() -> Simulator {
    Simulator::new(&setward_config::load_demo().unwrap().line, 1)
}

pub(super) fn inject(simulator: &Simulator, text: &str) {
    simulator.inject(text.parse().unwrap()).unwrap();
}

pub(super) fn truth(simulator: &Simulator, tag: &str) -> f64 {
    simulator.truth(tag).unwrap_or_else(|| panic!("{tag} has no truth"))
}

/// Lets seconds pass until `done`, at most `most`; how many.
pub(super) fn pass_until(simulator: &Simulator, most: u64, done: impl Fn() -> bool) -> u64 {
    for second in 0..most {
        if done() {
            return second;
        }
        pass(simulator, 1);
    }
    panic!("not within {most} s");
}
