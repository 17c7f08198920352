//! Each fault does what it says, and ends.

use super::line::{inject, pass, running, shown, small_line};
use crate::frame::{Received, receive};
use crate::simulator::Response;
use crate::{FaultError, Simulator};
use std::time::Duration;

/// What the controllers at `endpoint` do when `unit` is asked for two registers from `first` on.
fn ask(simulator: &Simulator, endpoint: &str, unit: u8, first: u8) -> Response {
    let bytes = [0, 7, 0, 0, 0, 6, unit, 3, 0, first, 0, 2];
    let Received::Whole(frame) = receive(&bytes) else { panic!("no frame") };
    simulator.respond(&simulator.controllers_at(endpoint), &frame)
}

fn ask_fryer(simulator: &Simulator) -> Response {
    ask(simulator, "127.0.0.1:15503", 1, 150)
}

fn pdu_of(response: Response) -> Vec<u8> {
    let Response::Send { bytes, .. } = response else { panic!("{response:?} is no reply") };
    bytes[7..].to_vec()
}

#[test]
fn a_broken_sensor_shows_no_value_until_it_is_mended() {
    let simulator = running(10);
    for tag in ["TT-310", "TT-202", "FT-320"] {
        inject(&simulator, &format!("sensor-break {tag}"));
        pass(&simulator, 1);
        assert_eq!(simulator.shown(tag), None, "{tag}");
        assert!(simulator.truth(tag).is_some());
    }
    // Without a code of its own the register goes to the end of its range; an open contact is 0.
    inject(&simulator, "sensor-break ST-340");
    inject(&simulator, "sensor-break YS-101");
    pass(&simulator, 1);
    assert_eq!((simulator.shown("ST-340"), simulator.shown("YS-101")), (Some(15.0), Some(0.0)));
    simulator.clear("sensor-break").unwrap();
    pass(&simulator, 1);
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 1.0);
}

#[test]
fn a_stuck_register_keeps_its_value_while_the_plant_moves_on() {
    let simulator = running(10);
    let before = shown(&simulator, "TT-310");
    inject(&simulator, "stuck TT-310");
    inject(&simulator, "heat-low");
    pass(&simulator, 60);
    assert_eq!(shown(&simulator, "TT-310"), before);
    assert!(simulator.truth("TT-310").unwrap() < 179.0);
}

#[test]
fn a_drifting_sensor_is_wrong_by_its_rate_times_the_time() {
    let simulator = running(10);
    inject(&simulator, "drift TT-310 -0.5");
    pass(&simulator, 600);
    let error = shown(&simulator, "TT-310") - simulator.truth("TT-310").unwrap();
    assert!((error + 5.0).abs() < 0.8, "{error}");
}

#[test]
fn a_turned_setpoint_is_shown_and_followed_and_turned_back() {
    let simulator = running(10);
    inject(&simulator, "setpoint-turned TIC-310-SP 183.5");
    pass(&simulator, 120);
    assert_eq!(simulator.shown("TIC-310-SP"), Some(183.5));
    assert!((shown(&simulator, "TT-310") - 183.5).abs() < 1.0);
    simulator.clear("setpoint-turned TIC-310-SP").unwrap();
    pass(&simulator, 1);
    assert_eq!(simulator.shown("TIC-310-SP"), Some(182.0));
}

#[test]
fn a_longer_bake_time_slows_the_belt() {
    let simulator = running(10);
    inject(&simulator, "setpoint-turned KIC-220-SP 18");
    pass(&simulator, 5);
    assert!((simulator.truth("ST-220").unwrap() - 147.6 * 16.0 / 18.0).abs() < 1e-9);
}

#[test]
fn low_heat_settles_six_kelvin_low_within_90_s_and_the_demand_tells() {
    let simulator = running(10);
    inject(&simulator, "heat-low");
    pass(&simulator, 90);
    for _ in 0..120 {
        let inlet = shown(&simulator, "TT-310");
        assert!((inlet - 176.0).abs() < 1.0, "{inlet}");
        pass(&simulator, 1);
    }
    assert!(shown(&simulator, "TIC-310-OUT") > 97.0);
}

#[test]
fn a_burner_out_takes_flame_and_temperature_away() {
    let simulator = running(10);
    inject(&simulator, "burner-out TT-202");
    pass(&simulator, 60);
    let after_one = simulator.truth("TT-202").unwrap();
    pass(&simulator, 60);
    let per_minute = (after_one - simulator.truth("TT-202").unwrap()) * 5.0 / 9.0;
    assert!((10.0..15.0).contains(&per_minute), "{per_minute} K/min");
    assert_eq!(simulator.shown("BS-202"), Some(0.0));
    simulator.clear("burner-out").unwrap();
    pass(&simulator, 1);
    assert_eq!(simulator.shown("BS-202"), Some(1.0));
}

#[test]
fn a_low_flow_cools_the_outlet_while_the_inlet_holds() {
    let simulator = running(10);
    inject(&simulator, "flow-low 32");
    pass(&simulator, 90);
    assert!((shown(&simulator, "FT-320") - 32.0).abs() < 2.0);
    let (inlet, outlet) = (shown(&simulator, "TT-310"), shown(&simulator, "TT-313"));
    assert!((inlet - 182.0).abs() < 1.0, "{inlet}");
    assert!((inlet - outlet - 20.9).abs() < 2.0, "{outlet}");
}

#[test]
fn a_slipping_belt_is_slower_than_the_panel_asks() {
    let simulator = running(10);
    inject(&simulator, "belt-slip ST-340 5");
    pass(&simulator, 10);
    assert!((simulator.truth("ST-340").unwrap() - 3.42).abs() < 1e-9);
    assert_eq!(simulator.shown("KIC-340-SP"), Some(55.0));
}

#[test]
fn a_silent_controller_says_nothing_and_its_neighbour_answers() {
    let simulator = running(1);
    inject(&simulator, "controller-silent oven");
    assert_eq!(ask(&simulator, "127.0.0.1:15501", 2, 0), Response::Nothing);
    assert_eq!(pdu_of(ask(&simulator, "127.0.0.1:15501", 1, 10))[..2], [3, 4]);
}

#[test]
fn a_slow_controller_answers_late() {
    let simulator = running(1);
    inject(&simulator, "controller-slow fryer 400 ms");
    let Response::Send { after: delay, .. } = ask_fryer(&simulator) else { panic!("no reply") };
    assert_eq!(delay, Duration::from_millis(400));
}

#[test]
fn a_refusing_controller_sends_its_exception() {
    let simulator = running(1);
    inject(&simulator, "controller-exception fryer 6");
    assert_eq!(pdu_of(ask_fryer(&simulator)), [0x83, 6]);
}

#[test]
fn a_dropping_controller_closes() {
    let simulator = running(1);
    inject(&simulator, "controller-drop fryer");
    assert_eq!(ask_fryer(&simulator), Response::Close);
}

#[test]
fn a_short_controller_sends_one_register_too_few() {
    let simulator = running(1);
    inject(&simulator, "controller-short fryer");
    let pdu = pdu_of(ask_fryer(&simulator));
    assert_eq!((pdu[1], pdu.len()), (2, 4));
}

#[test]
fn a_stopped_program_answers_with_a_heartbeat_that_stands_still() {
    let simulator = running(10);
    let inlet = shown(&simulator, "TT-310");
    inject(&simulator, "program-stopped fryer");
    inject(&simulator, "heat-low");
    pass(&simulator, 60);
    assert_eq!(simulator.shown("XI-394"), Some(3610.0));
    // Values look alive and are not: only the heartbeat tells.
    assert_eq!(shown(&simulator, "TT-310"), inlet);
    assert!(simulator.truth("TT-310").unwrap() < 179.0);
    assert!(matches!(ask_fryer(&simulator), Response::Send { .. }));
    simulator.clear("program-stopped fryer").unwrap();
    pass(&simulator, 1);
    assert_eq!(simulator.shown("XI-394"), Some(3611.0));
}

#[test]
fn a_stopped_heartbeat_leaves_the_values_alive() {
    let simulator = running(10);
    inject(&simulator, "heartbeat-stopped fryer");
    inject(&simulator, "heat-low");
    pass(&simulator, 60);
    assert_eq!(simulator.shown("XI-394"), Some(3610.0));
    assert!(shown(&simulator, "TT-310") < 179.0);
    simulator.clear("heartbeat-stopped").unwrap();
    pass(&simulator, 1);
    assert_eq!(simulator.shown("XI-394"), Some(3611.0));
}

#[test]
fn a_controller_that_starts_again_shows_zeros_and_counts_from_zero() {
    let simulator = running(100);
    inject(&simulator, "controller-restart fryer 40 s");
    for second in 1..40 {
        pass(&simulator, 1);
        assert_eq!(shown(&simulator, "XI-394"), f64::from(second));
        for tag in ["TT-310", "TIC-310-SP", "FT-320", "ST-340", "KIC-340-SP"] {
            let reading = simulator.shown(tag);
            // Fry time 0 s is below its range: bad, as it should be.
            assert!(reading == Some(0.0) || tag == "KIC-340-SP" && reading.is_none(), "{tag}: {reading:?}");
        }
        assert!(shown(&simulator, "TT-202") > 600.0, "another controller goes on");
    }
    pass(&simulator, 2);
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 1.0);
    simulator.clear("controller-restart").unwrap();
    pass(&simulator, 1);
    assert_eq!(shown(&simulator, "XI-394"), 42.0);
}

#[test]
fn a_register_shows_what_it_is_told_while_the_plant_is_as_it_was() {
    let simulator = running(10);
    inject(&simulator, "shows BS-202 0");
    inject(&simulator, "shows TT-310 203");
    pass(&simulator, 60);
    assert_eq!((simulator.shown("BS-202"), simulator.shown("TT-310")), (Some(0.0), Some(203.0)));
    assert_eq!(simulator.truth("BS-202"), Some(1.0));
    assert!((simulator.truth("TT-310").unwrap() - 182.0).abs() < 0.5);
    inject(&simulator, "shows TT-310 300");
    pass(&simulator, 1);
    assert_eq!(simulator.shown("TT-310"), None, "beyond the range of the signal");
}

#[test]
fn faults_are_listed_replaced_and_ended_by_name() {
    let simulator = running(1);
    for text in ["heat-low", "stuck TT-310", "stuck TT-313", "drift TT-310 1", "drift TT-310 2"] {
        inject(&simulator, text);
    }
    let all = ["heat-low 6", "stuck TT-310", "stuck TT-313", "drift TT-310 2"];
    assert_eq!(simulator.active_faults(), all);
    simulator.clear("stuck TT-310").unwrap();
    assert_eq!(simulator.active_faults(), ["heat-low 6", "stuck TT-313", "drift TT-310 2"]);
    simulator.clear("drift").unwrap();
    assert_eq!(simulator.active_faults(), ["heat-low 6", "stuck TT-313"]);
    simulator.clear_all();
    assert!(simulator.active_faults().is_empty());
    assert!(simulator.clear("heat-lo").is_err());
    assert!(simulator.clear("stuck TT-310 now").is_err());
}

fn check_refused(text: &str, message: &str) {
    let error = running(0).inject(text.parse().unwrap()).unwrap_err();
    assert_eq!(error.to_string(), message);
}

#[test]
fn faults_that_the_line_cant_have_are_refused_with_what_it_has() {
    check_refused("stuck TT-31", "the line has no signal \"TT-31\", nearest is \"TT-310\"");
    check_refused("controller-silent x", "the line has no controller \"x\"; it has cook, oven, fryer");
    check_refused("setpoint-turned TT-310 180", "signal TT-310 is not a setpoint");
    check_refused("setpoint-turned TIC-310-SP 400", "400 is out of range; 0 to 210 is accepted");
    check_refused("burner-out TT-310", "signal TT-310 is not the temperature of an oven zone");
    check_refused(
        "belt-slip TT-310",
        "signal TT-310 is not the speed of an oven, equilibrator or fryer belt",
    );
    let mut line = small_line();
    line.signals.truncate(8);
    assert!(matches!(
        Simulator::new(&line, 1).inject("heat-low".parse().unwrap()),
        Err(FaultError::NotOnThisLine { .. })
    ));
}
