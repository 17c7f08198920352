//! Alarms that say nothing and why, and those that come by themselves.

use super::get;
use super::requests::{check_says, json};
use super::support::{Stage, alarm, before, id, line, quiet, snapshot, stage};
use crate::snapshot::{AlarmView, LineSnapshot};
use setward_alarm::*;
use setward_config::line::{Line, LineAlarm, Priority};
use setward_protocol::{ControllerId, Mode, NoData, Reading, StationId};
use std::time::Duration;

/// The automatic alarms of the oven's controller and of two signals, and one on an entered setpoint.
fn automatic() -> Vec<LineAlarm> {
    let measurement = Kind::Measurement(MeasurementSettings { bad_for: Duration::from_secs(10) });
    let communication =
        Kind::Communication(CommunicationSettings { polls: 3, at_least: Duration::from_secs(10) });
    let turned = Kind::Deviation(DeviationSettings {
        side: None,
        against: Reference::Recipe,
        width: Width::Latitude,
        deadband: 0.0,
        on_delay: Duration::from_secs(60),
        off_delay: Duration::ZERO,
    });
    let mut oven =
        alarm("communication.oven", "Controller oven silent", id("TT-201"), communication, Priority::Low);
    oven.settings.watches = Watched::Controller(ControllerId(1));
    let on = |key, name, tag, kind| alarm(key, name, id(tag), kind, Priority::Low);
    vec![
        oven,
        on("measurement.TT-101", "Kettle 1 cook temperature not usable", "TT-101", measurement),
        on("measurement.TT-201", "Oven zone 1 temperature not usable", "TT-201", measurement),
        on("setpoint-not-recipe", "Fryer setpoint is not the recipe\u{2019}s", "TIC-310-SP", turned),
    ]
}

fn silent(suppressed: Suppression) -> AlarmView {
    let flags = Flags { suppressed, ..Flags::NONE };
    AlarmView { flags, ..quiet(None, Forecast::Unknown) }
}

/// The night with those alarms: the oven's controller has raised and hides the rest of the oven.
fn wide() -> (Line, LineSnapshot) {
    let (mut line, mut snapshot) = (line(), snapshot());
    line.alarms.extend(automatic());
    for alarm in &mut line.alarms {
        alarm.settings.controller =
            (alarm.id.contains("oven") || alarm.id.contains("201")).then_some(ControllerId(1));
    }
    let raised = AlarmView {
        state: AlarmState::Unacknowledged,
        occurrence: 1,
        onset: Some(before(47)),
        raised: Some(before(37)),
        beyond_since: Some(before(47)),
        ..quiet(None, Forecast::StaysActive)
    };
    let masked = Suppression { no_communication: true, ..Suppression::default() };
    snapshot.alarms[4].flags.suppressed = masked;
    let turned = AlarmView {
        beyond_since: Some(before(2_000)),
        onset: Some(before(2_000)),
        raised: Some(before(1_940)),
        ..raised.clone()
    };
    snapshot.alarms.extend([raised.clone(), raised, silent(masked), turned]);
    (line, snapshot)
}

fn stage_of((line, snapshot): (Line, LineSnapshot)) -> Stage {
    stage(line, snapshot)
}

#[tokio::test]
async fn a_silent_controller_has_a_page_of_its_own_with_what_nobody_sees_because_of_it() {
    let night = stage_of(wide());
    let page = get(&night.state, "/alarms/communication.oven").await.text;
    check_says(
        &page,
        &[
            "Controller oven silent",
            "Controller oven \u{b7} 127.0.0.1:5022 unit id 1",
            "No data no reply within 500 ms",
            "Silent for 47 s, since 03:09:35",
            "Last good last complete scan 03:09:35",
            "9000 good, 47 failed in this run",
            "4 signals without a value, 1 alarm that can\u{2019}t raise",
            "Blind because of it Oven zone 1 too cold TT-201",
            "4 signals",
        ],
        &["TT-101", "Wiring", "Registers", "slope", "last 30 minutes"],
    );
}

#[tokio::test]
async fn what_a_silent_controller_hides_is_one_line_and_does_not_stand() {
    let night = stage_of(wide());
    let page = get(&night.state, "/alarms").await.text;
    check_says(
        &page,
        &[
            // Two that speak, one that waits, one that is silent although it is open.
            "Silent by the line\u{2019}s own rules: 2",
            "hidden: controller oven does not answer",
            "back in tolerance, not acknowledged hidden: controller oven does not answer",
            // The kettle's broken probe and the hidden oven zone can't judge; the measurement alarms are not blind.
            "2 of 10 blind",
        ],
        &[],
    );
    let standing = page.matches("class=\"open\"").count();
    assert_eq!(standing, 6, "flow, outlet, controller, probe, setpoint; and the inlet building up");
}

#[tokio::test]
async fn every_reason_has_its_words_and_its_letter() {
    let mode = Suppression { mode: true, ..Suppression::default() };
    let cases = [
        (silent(mode), 'H', "silent while the mode of Fryer is cleaning", "station_mode"),
        (
            silent(Suppression { hidden_by: Some(AlarmId(2)), ..Suppression::default() }),
            'H',
            "hidden by Fryer oil flow low",
            "hidden",
        ),
        (
            silent(Suppression { condition: true, ..Suppression::default() }),
            'H',
            "silent: what it waits for does not hold",
            "condition",
        ),
        (
            silent(Suppression { bad_measurement: true, ..Suppression::default() }),
            'H',
            "hidden: TT-310 has no usable value",
            "bad_measurement",
        ),
        (
            AlarmView {
                flags: Flags { shelved_until: Some(setward_protocol::Uptime::START), ..Flags::NONE },
                silent_until: Some(before(-3_578)),
                ..silent(Suppression::default())
            },
            'G',
            "shelved until 04:10:00",
            "shelved",
        ),
        (
            AlarmView { flags: Flags { out_of_service: true, ..silent(mode).flags }, ..silent(mode) },
            'I',
            "out of service",
            "out_of_service",
        ),
    ];
    for (view, letter, words, reason) in cases {
        let (line, mut snapshot) = (line(), snapshot());
        snapshot.stations[2].mode = Mode::Cleaning;
        snapshot.alarms[0] = view;
        let night = stage(line, snapshot);
        let list = get(&night.state, "/alarms").await.text;
        check_says(&list, &[words], &[]);
        let page = get(&night.state, "/alarms/fryer-inlet-cold").await.text;
        check_says(&page, &[words], &["not active"]);
        let of_signal = get(&night.state, "/signals/TT-310").await.text;
        check_says(&of_signal, &[words], &[]);
        let body = json(&get(&night.state, "/api/v1/alarms/fryer-inlet-cold").await.text);
        let item = &body["item"];
        assert_eq!(item["shown_letter"].as_str(), Some(letter.to_string().as_str()), "{words}");
        assert_eq!(
            (item["flags"]["text"].as_str(), item["flags"]["reason"].as_str()),
            (Some(words), Some(reason))
        );
        assert_eq!(item["standing"], false);
        let stations = json(&get(&night.state, "/api/v1/line").await.text)["item"]["stations"].clone();
        assert_eq!(stations[StationId(2).index()]["mode"], "cleaning");
    }
}

#[tokio::test]
async fn a_turned_setpoint_is_shown_against_the_recipe_with_the_latitude_used_and_since_when() {
    let night = stage_of(wide());
    let page = get(&night.state, "/alarms/setpoint-not-recipe").await.text;
    check_says(
        &page,
        &[
            "185.0 °C +3.0 K",
            "above recipe 182.0 °C",
            "Out for 33 min 20 s, since 02:37:02",
            "Entered 185.0 °C Recipe 182.0 °C Latitude ±2.0 K may be turned unasked; +3.0 K is 150 % of it",
        ],
        &["not in the recipe"],
    );
}

#[tokio::test]
async fn a_measurement_alarm_says_since_when_there_is_no_value_and_is_not_blind() {
    let (line, mut snapshot) = wide();
    snapshot.signals[id("TT-101").index()].reading = Reading::Bad(NoData::SensorFault);
    let night = stage(line, snapshot);
    let page = get(&night.state, "/alarms/measurement.TT-101").await.text;
    check_says(
        &page,
        &[
            "Kettle 1 cook temperature not usable",
            "No value: sensor fault",
            "47 s, since 03:09:35",
            "last good value 2 min 11 s old",
        ],
        &["can't judge", "blind, ", "this alarm is blind"],
    );
}

#[tokio::test]
async fn a_value_that_does_not_count_now_is_shown_without_crying_out() {
    let (mut line, mut snapshot) = (line(), snapshot());
    line.recipes[0].setpoints[2].judge_when = setward_config::line::JudgeWhen::StationRun;
    let cold = |page: &str| page.matches("below tolerance").count();
    let judged = get(&stage(line.clone(), snapshot.clone()).state, "/stations/fryer").await.text;
    assert_eq!(cold(&judged), 3);
    snapshot.stations[2].mode = Mode::HeatUp;
    let heating = get(&stage(line.clone(), snapshot.clone()).state, "/stations/fryer").await.text;
    assert_eq!(cold(&heating), 2, "the inlet does not count while the fryer heats up");
    check_says(&heating, &["Fryer heat-up", "\u{2212}5.6 K not judged now"], &[]);
    // The outlet counts always, but all that watches it waits.
    snapshot.alarms[1].flags.suppressed.condition = true;
    let waiting = get(&stage(line, snapshot).state, "/stations/fryer").await.text;
    assert_eq!(cold(&waiting), 1);
}

#[tokio::test]
async fn many_automatic_alarms_with_one_trouble_are_one_line() {
    let (mut line, mut snapshot) = (line(), snapshot());
    let raised =
        AlarmView { state: AlarmState::Unacknowledged, occurrence: 1, ..quiet(None, Forecast::StaysActive) };
    let measurement = Kind::Measurement(MeasurementSettings { bad_for: Duration::from_secs(10) });
    for tag in ["TT-310", "TT-313", "FT-320", "ST-340"] {
        let key = format!("measurement.{tag}");
        line.alarms.push(alarm(&key, "Not usable", id(tag), measurement, Priority::Low));
        snapshot.alarms.push(raised.clone());
        snapshot.signals[id(tag).index()].reading = Reading::Bad(NoData::HeartbeatStopped);
    }
    let page = get(&stage(line, snapshot).state, "/alarms").await.text;
    check_says(&page, &["4 alarms on signals of controller fryer: controller program stopped"], &[]);
    assert_eq!(page.matches("class=\"alarm together\"").count(), 1);
    assert!(
        page.contains("action=\"/alarms/measurement.TT-313/acknowledge\""),
        "each can still be acknowledged"
    );
}

#[tokio::test]
async fn kinds_without_one_number_say_what_they_ask() {
    let (mut line, mut snapshot) = (line(), snapshot());
    let seconds = Duration::from_secs;
    let slow = RateSettings {
        side: Side::Below,
        per_minute: 1.5,
        over: seconds(300),
        quantum: 0.1,
        between: Some((40.0, 85.0)),
    };
    let manual = StatusSettings {
        is: Codes::of(&[0]).unwrap(),
        on_delay: seconds(5),
        off_delay: Duration::ZERO,
        share: None,
    };
    let dose = EquivalentTimeSettings {
        reference: 95.0,
        z: 33.0,
        least: Some(seconds(1_200)),
        most: Some(seconds(2_400)),
    };
    let mean = MovingAverageSettings {
        side: Side::Above,
        reference: AverageReference::Limit(175.0),
        deadband: 1.0,
        window: seconds(180),
        coverage: 0.75,
        ceiling: None,
    };
    let cases = [
        (
            "TT-310",
            Kind::Rate(slow),
            "should rise by 1.50 K/min at least, over 5 min, between 40.0 and 85.0 °C",
        ),
        ("TIC-310-MODE", Kind::Status(manual), "raises at manual"),
        ("TT-310", Kind::EquivalentTime(dose), "a batch should get 20 min to 40 min as if at 95.0 °C"),
        ("TT-310", Kind::MovingAverage(mean), "+1.4 K above limit 175.0 °C; its mean over 3 min counts"),
    ];
    for (index, (tag, kind, _)) in cases.iter().enumerate() {
        line.alarms.push(alarm(&format!("kind-{index}"), "Of a kind", id(tag), *kind, Priority::Low));
        snapshot.alarms.push(quiet(None, Forecast::Quiet));
    }
    let night = stage(line, snapshot);
    for (index, (_, _, words)) in cases.iter().enumerate() {
        let page = get(&night.state, &format!("/alarms/kind-{index}")).await.text;
        check_says(&page, &[words], &["asks nothing of it"]);
    }
}

/// Every good batch gets most of its dose: a list of what builds up would never be without it. Less time than a person needs
/// is worth a look.
#[tokio::test]
async fn a_dose_builds_up_only_once_less_time_is_left_than_a_person_needs() {
    let minutes = |minutes: u64| Duration::from_secs(60 * minutes);
    let dose = EquivalentTimeSettings { reference: 95.0, z: 33.0, least: None, most: Some(minutes(37)) };
    let listed = async |seconds: f64| {
        let (mut line, mut snapshot) = (line(), snapshot());
        let of_batch =
            alarm("dose", "Cooked too much", id("TT-310"), Kind::EquivalentTime(dose), Priority::Low);
        line.alarms.push(LineAlarm { time_to_respond: minutes(5), ..of_batch });
        snapshot.alarms.push(quiet(Some(0.84), Forecast::Raises { seconds }));
        get(&stage(line, snapshot).state, "/").await.text.contains("Cooked too much")
    };
    assert!(!listed(301.0).await);
    assert!(listed(300.0).await);
}

/// A wall has room for one value of a station: one that nothing judges now is shown, but not as far off.
#[tokio::test]
async fn on_the_wall_a_value_that_does_not_count_now_is_not_off() {
    let (mut line, mut snapshot) = (line(), snapshot());
    for asked in &mut line.recipes[0].setpoints {
        asked.judge_when = setward_config::line::JudgeWhen::StationRun;
    }
    let off = "FT-320.judged\">\u{2212}8.8 m\u{b3}/h</span>";
    let wall = get(&stage(line.clone(), snapshot.clone()).state, "/wall").await.text;
    assert!(wall.contains(off), "{wall}");
    snapshot.stations[2].mode = Mode::HeatUp;
    let wall = get(&stage(line, snapshot).state, "/wall").await.text;
    assert!(!wall.contains(off) && wall.contains(".judged\"></span>"), "{wall}");
}
