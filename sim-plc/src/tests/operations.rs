//! What operators do, as the registers of the demo line tell it.

use super::line::{demo, inject, pass, pass_until, shown, truth};
use crate::{Operation, Simulator};

fn first_second(simulator: &Simulator, most: u64, tag: &str, value: f64) -> u64 {
    pass_until(simulator, most, || shown(simulator, tag) == value)
}

/// Demo week: oven 16 s, equilibrator 3 min, fryer 55 s; cooling 90 s; the weigh belt 7 min behind the sheeter.
#[test]
fn a_stopped_feed_rolls_down_the_line_as_a_gap() {
    let simulator = demo();
    pass(&simulator, 60);
    simulator.operate(Operation::StopFeed);
    pass(&simulator, 1);
    assert_eq!(shown(&simulator, "YS-411"), 0.0);
    let at_fryer_s = 1 + first_second(&simulator, 400, "YS-261", 0.0);
    assert!((197..=205).contains(&at_fryer_s), "{at_fryer_s} s");
    assert!(
        shown(&simulator, "TT-310") - shown(&simulator, "TT-313") > 11.0,
        "product is still in the fryer"
    );
    pass(&simulator, 90);
    let drop_k = truth(&simulator, "TT-310") - truth(&simulator, "TT-313");
    assert!((1.0..2.0).contains(&drop_k), "{drop_k}");
    pass(&simulator, 40);
    assert!(shown(&simulator, "WT-441") > 900.0, "product still passes the weigh belt");
    pass(&simulator, 120);
    assert!(shown(&simulator, "WT-441") < 100.0);
    assert_eq!(shown(&simulator, "XI-151"), 7.0);
    simulator.operate(Operation::Run);
    pass(&simulator, 2);
    assert_eq!(shown(&simulator, "YS-411"), 1.0);
    let back_s = 2 + first_second(&simulator, 400, "YS-261", 1.0);
    assert!((197..=205).contains(&back_s), "{back_s} s");
    pass(&simulator, 600);
    assert!((shown(&simulator, "TT-313") - 168.0).abs() < 1.5);
}

#[test]
fn neither_a_gap_nor_its_end_takes_the_oil_inlet_out_of_tolerance() {
    let simulator = demo();
    for operation in [Operation::StopFeed, Operation::Run] {
        simulator.operate(operation);
        for _ in 0..900 {
            pass(&simulator, 1);
            let inlet = shown(&simulator, "TT-310");
            assert!((inlet - 182.0).abs() < 2.5, "{operation}: {inlet}");
        }
    }
}

#[test]
fn a_hold_sets_the_fryer_back_and_run_waits_until_it_is_hot() {
    let simulator = demo();
    simulator.operate(Operation::Hold);
    pass(&simulator, 1800);
    assert_eq!((shown(&simulator, "XI-310"), shown(&simulator, "XI-201")), (3.0, 1.0));
    assert_eq!((shown(&simulator, "TIC-310-SP"), shown(&simulator, "TIC-310-WSP")), (182.0, 160.0));
    assert!((shown(&simulator, "TT-310") - 160.0).abs() < 1.0);
    assert_eq!(shown(&simulator, "XI-151"), 0.0);
    simulator.operate(Operation::Run);
    pass(&simulator, 60);
    assert_eq!((shown(&simulator, "XI-310"), shown(&simulator, "YS-411")), (2.0, 0.0));
    // 22 K at 3 K/min.
    let fed_s = 60 + first_second(&simulator, 1200, "YS-411", 1.0);
    assert!((350..600).contains(&fed_s), "{fed_s} s");
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 2.5);
}

#[test]
fn a_stop_cools_everything_down_and_the_belts_and_pump_run_on_for_ten_minutes() {
    let simulator = demo();
    simulator.operate(Operation::Stop);
    pass(&simulator, 60);
    for (tag, value) in [("XI-310", 0.0), ("XI-201", 2.0), ("XI-203", 2.0), ("BS-202", 0.0), ("YS-411", 0.0)]
    {
        assert_eq!(shown(&simulator, tag), value, "{tag}");
    }
    assert!(shown(&simulator, "ST-220") > 140.0 && shown(&simulator, "FT-320") > 44.0);
    pass(&simulator, 600);
    for tag in ["ST-220", "ST-260", "ST-340", "ST-341", "FT-320", "IT-401"] {
        assert_eq!(truth(&simulator, tag).round(), 0.0, "{tag}");
    }
    assert_eq!((shown(&simulator, "YS-452"), shown(&simulator, "FSL-320")), (1.0, 0.0));
    pass(&simulator, 4 * 3600);
    let (oven, oil) = (shown(&simulator, "TT-202"), shown(&simulator, "TT-310"));
    assert!((68.0..120.0).contains(&oven), "{oven} degF");
    assert!((60.0..110.0).contains(&oil), "{oil} degC");
}

#[test]
fn the_cook_house_works_on_while_the_line_stands_until_no_tank_is_free() {
    let simulator = demo();
    simulator.operate(Operation::Stop);
    // Tank 5 takes one more batch and tank 6 two; two are under way, so one more begins.
    let last_batch = || shown(&simulator, "XI-102").max(shown(&simulator, "XI-112"));
    let before = last_batch();
    pass(&simulator, 27 * 3600);
    assert_eq!(last_batch() - before, 1.0);
    assert_eq!(["XI-135", "XI-136"].map(|tag| shown(&simulator, tag)), [3.0, 3.0]);
    assert_eq!((shown(&simulator, "XI-101"), shown(&simulator, "XI-111")), (0.0, 0.0));
    pass(&simulator, 6 * 3600);
    assert_eq!(last_batch() - before, 1.0);
    assert!(shown(&simulator, "TT-137") < 40.0, "what stays in a tank goes on cooling");
}

#[test]
fn a_cold_line_heats_up_within_an_hour_or_so_and_is_fed_only_then() {
    let simulator = demo();
    simulator.operate(Operation::Stop);
    pass(&simulator, 16 * 3600);
    simulator.operate(Operation::HeatUp);
    let mut last = shown(&simulator, "TT-310");
    for minute in 0..75 {
        pass(&simulator, 60);
        let now = shown(&simulator, "TT-310");
        // 3 K/min, and the noise of two samples.
        assert!(now - last < 4.5, "{now} after {last} in minute {minute}");
        assert_eq!(shown(&simulator, "YS-411"), 0.0);
        last = now;
    }
    assert!((last - 182.0).abs() < 1.5, "{last}");
    assert!((shown(&simulator, "TT-202") - 645.0).abs() < 15.0);
    assert_eq!((shown(&simulator, "XI-310"), shown(&simulator, "YS-261")), (2.0, 0.0));
    simulator.operate(Operation::Run);
    assert!(first_second(&simulator, 60, "YS-411", 1.0) < 10);
}

#[test]
fn a_boil_out_holds_water_at_95_for_hours_and_then_the_oil_dries_the_loop_out() {
    let simulator = demo();
    simulator.operate(Operation::BoilOut);
    pass(&simulator, 1);
    assert_eq!(shown(&simulator, "TIC-310-SP"), 95.0, "from the first moment the setpoint says what it is");
    pass(&simulator, 1800);
    for _ in 0..120 {
        pass(&simulator, 60);
        assert!((shown(&simulator, "TT-310") - 95.0).abs() < 1.0);
    }
    assert_eq!((shown(&simulator, "XI-310"), shown(&simulator, "XI-201")), (2.0, 2.0));
    simulator.operate(Operation::HeatUp);
    pass(&simulator, 1);
    assert_eq!(shown(&simulator, "TIC-310-SP"), 182.0);
    let (mut minutes, mut last) = (0, f64::MAX);
    while shown(&simulator, "TT-310") < 180.0 || minutes < 2 {
        pass(&simulator, 60);
        let now = shown(&simulator, "TT-310");
        if (95.0..125.0).contains(&last) {
            assert!(now - last < 2.4, "{now} after {last}");
        }
        (minutes, last) = (minutes + 1, now);
        assert!(minutes < 90, "still {now}");
    }
    assert!(minutes > 55, "{minutes} min");
}

#[test]
fn a_fault_lasts_through_an_operation() {
    let simulator = demo();
    inject(&simulator, "sensor-break TT-310");
    simulator.operate(Operation::StopFeed);
    pass(&simulator, 60);
    assert_eq!(simulator.shown("TT-310"), None);
    simulator.clear_all();
    pass(&simulator, 60);
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 2.0);
    assert_eq!(simulator.doing(), Operation::StopFeed);
}

/// Heat without flow or exhaust is what the interlocks are there for: a line that starts has both first.
#[test]
fn a_line_that_starts_has_its_fan_and_its_pump_before_its_heat() {
    let simulator = demo();
    simulator.operate(Operation::Stop);
    pass(&simulator, 3600);
    assert_eq!(
        [shown(&simulator, "YS-251"), shown(&simulator, "XI-201"), shown(&simulator, "XI-310")],
        [0.0, 2.0, 0.0]
    );
    simulator.operate(Operation::HeatUp);
    let mut fan_s = 0;
    for _ in 0..60 {
        pass(&simulator, 1);
        let (fan, zone, fryer) =
            (shown(&simulator, "YS-251"), shown(&simulator, "XI-201"), shown(&simulator, "XI-310"));
        assert!(zone == 2.0 || fan_s >= 5, "a zone is on {fan_s} s after the fan");
        assert!(fryer == 0.0 || shown(&simulator, "FT-320") > 40.0, "{}", shown(&simulator, "FT-320"));
        fan_s += u32::from(fan == 1.0);
    }
    assert_eq!((shown(&simulator, "XI-201"), shown(&simulator, "XI-310")), (1.0, 2.0));
}

#[test]
fn an_empty_weigh_belt_weighs_nothing_and_the_ratio_of_seasoning_never_jumps() {
    let simulator = demo();
    simulator.operate(Operation::StopFeed);
    let mut ratios = 0;
    for second in 0..2400 {
        if second == 1200 {
            simulator.operate(Operation::Run);
        }
        pass(&simulator, 1);
        let (product, seasoning) = (shown(&simulator, "WT-441"), shown(&simulator, "WT-442"));
        // Below that a count of the register is a large part of it.
        if product > 100.0 {
            let percent = 100.0 * seasoning / product;
            assert!((0.9..1.6).contains(&percent), "{percent} % after {second} s");
            ratios += 1;
        } else if (900..1200).contains(&second) {
            assert_eq!((product, seasoning), (0.0, 0.0), "after {second} s");
        }
    }
    assert!(ratios > 800, "{ratios}");
}
