//! A small line built by hand, a snapshot of it on a bad night, and stand-ins for history and the line task.

use crate::clock::Clock;
use crate::handle::{AcknowledgeRefusal, Acknowledged, LineHandle, Request};
use crate::history::{
    AlarmRecord, Batch, Event, HistoryError, HistoryStore, NewRun, StoredEvent, StoredSample,
};
use crate::snapshot::{AlarmView, ControllerView, Counts, LineSnapshot, RunId, SignalView, StationView};
use crate::web::AppState;
use setward_alarm::{
    AlarmSettings, AlarmState, Allowance, Forecast, Kind, LimitSettings, Side, Target, TimeWeightedSettings,
    Watched,
};
use setward_config::line::*;
use setward_protocol::{
    ByteOrder, Encoding, ModeSet, NoData, ReadLimits, Reading, Signal, SignalId, Table, Unit, Uptime,
    UtcMillis,
};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// 2026-11-25T02:10:22Z: 03:10:22 in the plant.
pub(super) const NIGHT: UtcMillis = UtcMillis(1_795_572_622_000);

/// The run that the test snapshot belongs to.
pub(super) const RUN: RunId = RunId(7);

/// So many seconds before the night's moment.
pub(super) fn before(seconds: i64) -> UtcMillis {
    UtcMillis(NIGHT.0 - seconds * 1000)
}

struct Row(&'static str, &'static str, u16, u16, Role, Unit, u16, f64, (f64, f64));

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
const ROWS: [Row; 15] = [
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
pub(super) fn id(tag: &str) -> SignalId {
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
    })
}

fn limit(side: Side, limit: f64, deadband: f64) -> Kind {
    let (on_delay, off_delay) = (Duration::from_secs(5), Duration::from_secs(5));
    Kind::Limit(LimitSettings { side, limit, deadband, on_delay, off_delay })
}

fn alarm(id: &str, name: &str, signal: SignalId, kind: Kind, priority: Priority) -> LineAlarm {
    LineAlarm {
        id: id.to_owned(),
        name: name.to_owned(),
        settings: AlarmSettings {
            watches: Watched::Signal(signal),
            kind,
            latching: false,
            gap_limit: Duration::from_secs(3),
            station: None,
            controller: None,
            modes: ModeSet::ALL,
            settle: Duration::ZERO,
        },
        when: Vec::new(),
        priority,
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

fn setpoint(tag: &str, setpoint: f64, tolerance: f64, latitude: f64) -> RecipeSetpoint {
    let target = Target {
        setpoint,
        tolerance_below: tolerance,
        tolerance_above: tolerance,
        latitude: Some(latitude),
        specification: None,
    };
    RecipeSetpoint { signal: id(tag), target, entered: None, judge_when: JudgeWhen::Always }
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
    }
}

/// The line.
pub(super) fn line() -> Line {
    let station = |key: &str, name: &str| Station {
        key: key.to_owned(),
        name: name.to_owned(),
        modes: Vec::new(),
        product_present: None,
    };
    Line {
        name: "Line 1".to_owned(),
        plant: "Quarry Lane".to_owned(),
        time_zone: "Europe/Madrid".to_owned(),
        simulated: true,
        data_dir: "unused".into(),
        page_address: ([127, 0, 0, 1], 0).into(),
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
            setpoints: vec![
                setpoint("TT-101", 96.0, 1.5, 1.0),
                setpoint("TT-201", 635.0, 15.0, 10.0),
                setpoint("TT-310", 182.0, 3.0, 2.0),
                setpoint("TT-313", 168.0, 4.0, 2.0),
                setpoint("FT-320", 46.0, 3.0, 2.0),
            ],
        }],
        running_recipe: 0,
        fingerprint: "0123456789abcdef".repeat(4),
    }
}

/// A good reading.
pub(super) fn good(value: f64, slope_per_min: f64, words: [u16; 4]) -> SignalView {
    SignalView {
        reading: Reading::Good(value),
        at: Some(before(0)),
        last_good: Some((value, before(0))),
        last_failure: None,
        slope_per_min: Some(slope_per_min),
        slope_error_per_min: None,
        words,
        word_count: 1,
    }
}

fn bad(why: NoData, last: f64, seconds: i64, words: [u16; 4]) -> SignalView {
    SignalView {
        reading: Reading::Bad(why),
        last_good: Some((last, before(seconds))),
        last_failure: Some((why, before(0))),
        slope_per_min: None,
        slope_error_per_min: None,
        ..good(0.0, 0.0, words)
    }
}

fn signal_view(tag: &str) -> SignalView {
    match tag {
        "TT-101" => bad(NoData::SensorFault, 95.8, 131, [32_767, 0, 0, 0]),
        "TIC-101-SP" => good(96.0, 0.0, [960, 0, 0, 0]),
        "TIC-101-OUT" => good(22.4, 0.1, [224, 0, 0, 0]),
        "TT-201" | "TIC-201-SP" | "TIC-201-MODE" | "ST-220" => {
            bad(NoData::NoReply, 634.0, 47, [634, 0, 0, 0])
        }
        "TT-310" => good(176.4, -0.8, [1764, 0, 0, 0]),
        "TIC-310-SP" => good(185.0, 0.0, [1850, 0, 0, 0]),
        "TIC-310-OUT" => good(100.0, 0.0, [1000, 0, 0, 0]),
        "TIC-310-MODE" => good(0.0, 0.0, [0, 0, 0, 0]),
        "TT-313" => good(162.9, 0.3, [1629, 0, 0, 0]),
        "FT-320" => good(37.2, 0.4, [372, 0, 0, 0]),
        "ST-340" => good(3.6, 0.0, [360, 0, 0, 0]),
        "KIC-340-SP" => good(55.0, 0.0, [550, 0, 0, 0]),
        other => panic!("no view for {other}"),
    }
}

fn quiet(exposure: Option<f64>, forecast: Forecast) -> AlarmView {
    AlarmView {
        state: AlarmState::Normal,
        occurrence: 0,
        onset: None,
        raised: None,
        cleared: None,
        acknowledged: None,
        exposure,
        beyond_since: None,
        forecast,
    }
}

fn alarm_views() -> Vec<AlarmView> {
    let raised = |state, occurrence, onset, raised| AlarmView {
        state,
        occurrence,
        onset: Some(before(onset)),
        raised: Some(before(raised)),
        beyond_since: Some(before(onset)),
        ..quiet(None, Forecast::StaysActive)
    };
    vec![
        AlarmView {
            beyond_since: Some(before(58)),
            ..quiet(Some(0.6333), Forecast::Raises { seconds: 100.0 })
        },
        AlarmView { exposure: Some(1.21), ..raised(AlarmState::Unacknowledged, 3, 370, 112) },
        AlarmView {
            acknowledged: Some((before(300), "Inés".to_owned())),
            ..raised(AlarmState::Acknowledged, 12, 420, 415)
        },
        quiet(Some(0.0), Forecast::Unknown),
        AlarmView {
            state: AlarmState::Returned,
            occurrence: 2,
            onset: Some(before(7_000)),
            raised: Some(before(6_900)),
            cleared: Some(before(6_200)),
            ..quiet(Some(0.2), Forecast::Unknown)
        },
        quiet(None, Forecast::Quiet),
    ]
}

/// The line at 03:10:22: the inlet building up, one alarm new, one acknowledged, one back, a broken probe, a silent oven.
pub(super) fn snapshot() -> LineSnapshot {
    let answering = ControllerView {
        scans_good: 9_000,
        last_good: Some(before(0)),
        scan_ms: Some(4.2),
        ..ControllerView::default()
    };
    let silent = ControllerView {
        scans_failed: 47,
        last_good: Some(before(47)),
        problem: Some("no reply within 500 ms; look at its port lamp, cable and power".to_owned()),
        ..answering.clone()
    };
    LineSnapshot {
        run: RUN,
        at: Uptime::START,
        utc: NIGHT,
        signals: ROWS.iter().map(|row| signal_view(row.0)).collect(),
        stations: vec![StationView::default(); 3],
        controllers: vec![answering.clone(), silent, answering],
        alarms: alarm_views(),
        dwell_s: vec![None, Some(55.0)],
        counts: Counts::default(),
        history_problem: None,
    }
}

/// History that holds half an hour of the inlet with a gap, and two events.
pub(super) struct FakeHistory {
    /// When set, every question fails.
    pub(super) broken: bool,
}

#[async_trait::async_trait]
impl HistoryStore for FakeHistory {
    async fn start_run(&self, _run: NewRun) -> Result<RunId, HistoryError> {
        Ok(RUN)
    }

    async fn append(&self, _run: RunId, _batch: Batch) -> Result<(), HistoryError> {
        Ok(())
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        Ok(Vec::new())
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        _limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        if self.broken {
            return Err(HistoryError { text: "the disk <b>is full</b>".to_owned() });
        }
        let middle = if tag == "TT-310" { 182.0 } else { 100.0 };
        let times = (from.0 / 1000..to.0 / 1000).enumerate();
        let kept = times.filter(|(at, _)| !(600..720).contains(at)).map(|(at, second)| {
            let t = at as f64;
            let fall = ((t - 1_500.0).max(0.0) / 50.0).min(5.6);
            let wave = (t / 37.0).sin() * 0.9 + (t * 1.7).sin() * 0.2;
            StoredSample { utc: UtcMillis(second * 1000), reading: Reading::Good(middle + wave - fall) }
        });
        Ok(kept.collect())
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        if self.broken {
            return Err(HistoryError { text: "the disk <b>is full</b>".to_owned() });
        }
        let raised = Event {
            sequence: 2,
            utc: before(112),
            at: Uptime::START,
            alarm: Some(alarm.unwrap_or_else(|| "fryer-outlet-cold".to_owned())),
            occurrence: 3,
            what: "raised".to_owned(),
            states: "AB".to_owned(),
            onset: Some(before(370)),
            value: Some(162.1),
            exposure: Some(1.0),
            by: None,
            note: None,
        };
        let started = Event {
            sequence: 1,
            utc: before(90_000),
            alarm: None,
            what: "started".to_owned(),
            onset: None,
            value: None,
            ..raised.clone()
        };
        let all = [raised, started].into_iter().map(|event| StoredEvent { run: RUN, event });
        Ok(all.take(limit).collect())
    }
}

/// The web's state over a fake line task, with the task's end of things.
pub(super) struct Stage {
    /// What the router takes.
    pub(super) state: AppState,
    /// Publishes snapshots.
    pub(super) publish: watch::Sender<Arc<LineSnapshot>>,
    /// Every acknowledgement that reached the line task.
    pub(super) asked: Arc<Mutex<Vec<crate::handle::AcknowledgeRequest>>>,
}

/// A stage with this line and snapshot. Occurrence 3 is the present one of every alarm; asking twice is "already".
pub(super) fn stage(line: Line, snapshot: LineSnapshot) -> Stage {
    stage_with(line, snapshot, FakeHistory { broken: false })
}

/// A stage with its own history.
pub(super) fn stage_with(line: Line, snapshot: LineSnapshot, history: FakeHistory) -> Stage {
    let (requests, mut received) = mpsc::channel(8);
    let (publish, watched) = watch::channel(Arc::new(snapshot));
    let asked = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&asked);
    tokio::spawn(async move {
        while let Some(Request::Acknowledge(wish, answer)) = received.recv().await {
            let already = seen.lock().unwrap().contains(&wish);
            let verdict = if (wish.run, wish.occurrence) == (RUN, 3) {
                Ok(Acknowledged { state: AlarmState::Acknowledged, durable: true, already })
            } else {
                Err(AcknowledgeRefusal::Stale { run: RUN, occurrence: 3 })
            };
            seen.lock().unwrap().push(wish);
            let _ = answer.send(verdict);
        }
    });
    let state = AppState {
        handle: LineHandle::new(requests, watched),
        line: Arc::new(line),
        history: Arc::new(history),
        clock: Clock::starting_at(NIGHT),
    };
    Stage { state, publish, asked }
}
