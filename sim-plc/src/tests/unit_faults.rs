//! Faults of each unit of the demo line, through the signals by which they are known.

use super::line::{demo, inject, pass, pass_until, shown, truth};
use crate::{Operation, Simulator};

/// The demo line with the first kettle at the beginning of `step`.
fn at_kettle_step(step: f64) -> Simulator {
    let simulator = demo();
    pass_until(&simulator, 3 * 3600, || shown(&simulator, "XI-101") != step);
    pass_until(&simulator, 3 * 3600, || shown(&simulator, "XI-101") == step);
    simulator
}

fn slope_k_per_min(simulator: &Simulator, tag: &str, seconds: u64) -> f64 {
    let before = shown(simulator, tag);
    pass(simulator, seconds);
    (shown(simulator, tag) - before) * 60.0 / seconds as f64
}

#[test]
fn a_failed_steam_trap_heats_at_1_2_k_per_minute_with_half_the_jacket_pressure() {
    let simulator = at_kettle_step(3.0);
    pass(&simulator, 300);
    let healthy = slope_k_per_min(&simulator, "TT-101", 300);
    assert!((2.2..3.4).contains(&healthy), "{healthy}");
    inject(&simulator, "trap-failed TT-101");
    pass(&simulator, 90);
    let failed = slope_k_per_min(&simulator, "TT-101", 300);
    assert!((0.9..1.5).contains(&failed), "{failed}");
    assert!((0.9..1.2).contains(&shown(&simulator, "PT-101")), "{}", shown(&simulator, "PT-101"));
    simulator.clear("trap-failed TT-101").unwrap();
    pass(&simulator, 90);
    assert!(slope_k_per_min(&simulator, "TT-101", 300) > 2.0);
}

#[test]
fn low_steam_slows_the_kettle_that_heats() {
    let simulator = at_kettle_step(3.0);
    pass(&simulator, 300);
    inject(&simulator, "steam-low 2.5");
    pass(&simulator, 60);
    let slow = slope_k_per_min(&simulator, "TT-101", 300);
    assert!((0.8..2.0).contains(&slow), "{slow}");
    assert!(shown(&simulator, "PT-120") < 2.6);
}

#[test]
fn an_agitator_that_does_not_turn_draws_no_load_and_the_kettle_stratifies() {
    let simulator = at_kettle_step(3.0);
    pass(&simulator, 300);
    inject(&simulator, "agitator-stopped TT-101");
    pass(&simulator, 200);
    assert_eq!(shown(&simulator, "YS-101"), 1.0, "its starter is in");
    assert!(shown(&simulator, "IT-101") < 2.5, "{}", shown(&simulator, "IT-101"));
    let apart = shown(&simulator, "TT-102") - shown(&simulator, "TT-101");
    assert!((5.0..20.0).contains(&apart), "{apart}");
    simulator.clear("agitator-stopped").unwrap();
    pass(&simulator, 180);
    assert!((shown(&simulator, "TT-102") - shown(&simulator, "TT-101")).abs() < 2.0);
}

/// Demo week: the quench ends at 75.6 degC with 41 L/min, and the batch is pumped out all the same.
#[test]
fn a_low_water_main_leaves_the_quench_too_hot() {
    let simulator = at_kettle_step(5.0);
    inject(&simulator, "quench-low 41");
    pass(&simulator, 60);
    assert!((shown(&simulator, "FT-121") - 41.0).abs() < 3.0);
    pass_until(&simulator, 900, || shown(&simulator, "XI-101") == 6.0);
    let end = shown(&simulator, "TT-101");
    assert!((74.5..77.5).contains(&end), "{end}");
}

/// Somebody set twelve minutes where the recipe asks for twenty: the batch goes on to its quench when they are counted.
#[test]
fn a_hold_that_was_set_shorter_ends_when_its_minutes_are_counted() {
    let simulator = at_kettle_step(4.0);
    inject(&simulator, "hold-set 12");
    pass_until(&simulator, 1_500, || shown(&simulator, "XI-101") == 5.0);
    let counted_s = shown(&simulator, "KQ-101");
    assert!((715.0..760.0).contains(&counted_s), "{counted_s}");
}

/// Five kelvin too early: the batch is pumped out as hot as that, within the lag of its probe.
#[test]
fn a_quench_that_was_set_hotter_ends_there() {
    let simulator = at_kettle_step(5.0);
    inject(&simulator, "quench-set 76");
    pass_until(&simulator, 900, || shown(&simulator, "XI-101") == 6.0);
    let end = shown(&simulator, "TT-101");
    assert!((74.0..77.0).contains(&end), "{end}");
}

/// Somebody set another recipe's water: the counter of the next batch ends there.
#[test]
fn a_batch_gets_the_water_that_was_set() {
    let simulator = demo();
    inject(&simulator, "water-set 1320");
    pass_until(&simulator, 6_000, || shown(&simulator, "XI-101") == 1.0);
    pass_until(&simulator, 1_500, || shown(&simulator, "XI-101") == 2.0);
    let water_l = shown(&simulator, "FQ-101");
    assert!((water_l - 1320.0).abs() < 5.0, "{water_l}");
}

/// The screw gives two thirds of what the recipe asks; noise is a few percent of it.
#[test]
fn seasoning_that_was_set_lower_shows_in_its_share_of_the_product() {
    let simulator = demo();
    inject(&simulator, "seasoning-set 0.8");
    pass(&simulator, 60);
    let mean = |tag: &str| {
        (0..60)
            .map(|_| {
                pass(&simulator, 1);
                shown(&simulator, tag)
            })
            .sum::<f64>()
            / 60.0
    };
    let percent = 100.0 * mean("WT-442") / mean("WT-441");
    assert!((percent - 0.8).abs() < 0.05, "{percent}");
}

#[test]
fn an_opened_discharge_shows_and_takes_weight_while_the_hold_is_counted() {
    let simulator = demo();
    assert_eq!((shown(&simulator, "XI-101"), shown(&simulator, "ZS-101")), (4.0, 1.0));
    inject(&simulator, "discharge-open TT-101");
    pass(&simulator, 60);
    assert_eq!(shown(&simulator, "ZS-101"), 0.0);
    assert!(shown(&simulator, "KQ-101") < 1200.0);
    assert!(shown(&simulator, "WT-101") < 1650.0, "{}", shown(&simulator, "WT-101"));
}

#[test]
fn a_scaled_probe_is_late_and_the_kettle_overshoots() {
    let highest = |fault: Option<&str>| {
        let simulator = at_kettle_step(3.0);
        if let Some(fault) = fault {
            inject(&simulator, fault);
        }
        let mut highest = f64::MIN;
        for _ in 0..3000 {
            pass(&simulator, 1);
            highest = highest.max(truth(&simulator, "TT-101"));
        }
        highest
    };
    let (clean, scaled) = (highest(None), highest(Some("probe-slow TT-101 90")));
    assert!(clean < 97.5, "{clean}");
    assert!(scaled > clean + 1.0, "{scaled} and {clean}");
}

#[test]
fn a_steam_valve_that_sticks_open_boils_the_bottom_in_the_hold() {
    let simulator = at_kettle_step(3.0);
    pass(&simulator, 600);
    inject(&simulator, "valve-stuck TIC-101-OUT");
    pass_until(&simulator, 1800, || shown(&simulator, "XI-101") == 4.0);
    pass(&simulator, 180);
    assert!(shown(&simulator, "TIC-101-OUT") < 90.0, "the output asks for less");
    assert!(shown(&simulator, "PT-101") > 1.8, "the jacket still gets all");
    // The agitator stands two minutes in three: the heat stays at the bottom.
    assert!(shown(&simulator, "TT-102") > 98.5, "{}", shown(&simulator, "TT-102"));
}

#[test]
fn a_stuck_burner_heats_a_zone_whose_output_has_closed() {
    let simulator = demo();
    inject(&simulator, "valve-stuck TIC-202-OUT");
    inject(&simulator, "setpoint-turned TIC-202-SP 620");
    pass(&simulator, 600);
    assert!(shown(&simulator, "TIC-202-OUT") < 10.0);
    assert!((shown(&simulator, "TT-202") - 645.0).abs() < 10.0);
}

#[test]
fn a_lost_exhaust_fan_locks_the_burners_out() {
    let simulator = demo();
    inject(&simulator, "exhaust-lost");
    pass(&simulator, 120);
    for tag in ["YS-251", "BS-201", "BS-202", "BS-203"] {
        assert_eq!(shown(&simulator, tag), 0.0, "{tag}");
    }
    assert!(shown(&simulator, "TT-202") < 630.0);
    assert!(shown(&simulator, "PT-201") < 0.5);
}

#[test]
fn one_burner_out_leaves_the_others_alone_and_comes_back_by_a_relight() {
    let simulator = demo();
    inject(&simulator, "burner-out TT-202");
    pass(&simulator, 120);
    assert_eq!(["BS-201", "BS-202", "BS-203"].map(|tag| shown(&simulator, tag)), [1.0, 0.0, 1.0]);
    assert!((shown(&simulator, "TT-201") - 635.0).abs() < 10.0);
    assert!(shown(&simulator, "TT-202") < 615.0);
    simulator.clear("burner-out TT-202").unwrap();
    pass(&simulator, 900);
    assert!((shown(&simulator, "TT-202") - 645.0).abs() < 12.0);
}

#[test]
fn a_loop_in_manual_shows_its_mode_and_keeps_its_output() {
    let simulator = demo();
    inject(&simulator, "loop-manual TIC-310-OUT 80");
    inject(&simulator, "loop-manual TIC-202-OUT");
    pass(&simulator, 120);
    assert_eq!((shown(&simulator, "XI-310"), shown(&simulator, "XI-202")), (1.0, 0.0));
    assert!((shown(&simulator, "TIC-310-OUT") - 80.0).abs() < 4.0);
    assert!((shown(&simulator, "TIC-202-OUT") - 52.0).abs() < 7.0);
    assert!(shown(&simulator, "TT-310") > 183.0, "{}", shown(&simulator, "TT-310"));
    simulator.clear_all();
    pass(&simulator, 900);
    assert_eq!((shown(&simulator, "XI-310"), shown(&simulator, "XI-202")), (2.0, 1.0));
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 1.0);
}

/// Demo week: flow 46 to 37.5 in about half an hour, pressure difference beyond 0.8 bar before that.
#[test]
fn a_blocking_filter_tells_by_its_pressure_before_the_flow_does() {
    let simulator = demo();
    inject(&simulator, "screen-blocking");
    let pressed_s = pass_until(&simulator, 3600, || shown(&simulator, "PDT-351") > 0.8);
    assert!(shown(&simulator, "FT-320") > 41.0);
    let low_s = pressed_s + pass_until(&simulator, 3600, || truth(&simulator, "FT-320") < 38.0);
    assert!((400..900).contains(&pressed_s), "{pressed_s} s");
    assert!((1200..2100).contains(&low_s), "{low_s} s");
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 1.5);
    assert!(shown(&simulator, "TT-313") < 166.5);
}

#[test]
fn wet_feed_shows_in_the_moisture_and_cools_the_outlet_while_the_inlet_holds() {
    let simulator = demo();
    inject(&simulator, "wet-feed 41");
    pass(&simulator, 900);
    assert!((shown(&simulator, "AT-243") - 41.0).abs() < 1.5);
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 1.0);
    let outlet = truth(&simulator, "TT-313");
    assert!((165.0..167.3).contains(&outlet), "{outlet}");
}

#[test]
fn a_closed_make_up_sinks_the_level_until_the_switch_takes_the_heat() {
    let simulator = demo();
    let total = shown(&simulator, "FQ-331");
    inject(&simulator, "make-up-closed");
    pass(&simulator, 1500);
    let level = truth(&simulator, "LT-330");
    assert!((-35.0..-25.0).contains(&level), "{level} mm");
    assert!((shown(&simulator, "FQ-331") - total).abs() < 0.2);
    pass(&simulator, 1800);
    assert_eq!(shown(&simulator, "LSLL-330"), 1.0);
    assert!(shown(&simulator, "TT-310") < 175.0);
}

/// 240 kg/h go with the product; 120 more are made up, and the level hardly shows it.
#[test]
fn lost_oil_is_made_up_and_the_counter_tells_while_the_level_does_not() {
    let simulator = demo();
    pass(&simulator, 600);
    let total = shown(&simulator, "FQ-331");
    inject(&simulator, "oil-leak");
    pass(&simulator, 3600);
    let made_up_kg = shown(&simulator, "FQ-331") - total;
    assert!((340.0..375.0).contains(&made_up_kg), "{made_up_kg}");
    let level = truth(&simulator, "LT-330");
    assert!((-5.0..0.0).contains(&level), "{level} mm");
}

#[test]
fn heat_stuck_on_with_no_feed_is_ended_by_the_high_limit() {
    let simulator = demo();
    simulator.operate(Operation::StopFeed);
    inject(&simulator, "valve-stuck TIC-310-OUT");
    let tripped_s = pass_until(&simulator, 3600, || shown(&simulator, "TSHH-390") == 1.0);
    assert!(tripped_s > 300, "{tripped_s} s");
    pass(&simulator, 600);
    assert!(shown(&simulator, "TT-310") < 235.0);
}

/// Demo week: a probe that reads low keeps its value, the oil runs hot, the second probe and the demand tell.
#[test]
fn a_drifting_probe_in_a_loop_looks_perfect_while_the_oil_runs_hot() {
    let simulator = demo();
    inject(&simulator, "drift TT-310 -0.1");
    pass(&simulator, 2040);
    assert!((shown(&simulator, "TT-310") - 182.0).abs() < 1.0);
    let oil = truth(&simulator, "TT-310");
    assert!((oil - 185.4).abs() < 0.5, "{oil}");
    assert!((shown(&simulator, "TT-311") - 185.0).abs() < 1.0);
    assert!(shown(&simulator, "TT-313") > 170.0);
}

#[test]
fn a_broken_probe_leaves_its_loop_where_it_was() {
    let simulator = demo();
    pass(&simulator, 60);
    inject(&simulator, "sensor-break TT-310");
    pass(&simulator, 300);
    assert_eq!(simulator.shown("TT-310"), None);
    assert!((truth(&simulator, "TT-310") - 182.0).abs() < 3.0);
}

#[test]
fn stopped_baggers_stop_the_count_and_nothing_else() {
    let simulator = demo();
    inject(&simulator, "baggers-stopped");
    pass(&simulator, 1);
    let bags = shown(&simulator, "XI-450");
    pass(&simulator, 300);
    assert_eq!((shown(&simulator, "XI-450"), shown(&simulator, "YS-452")), (bags, 1.0));
    assert_eq!(shown(&simulator, "YS-411"), 1.0);
}

#[test]
fn a_stopped_bagger_leaves_all_bags_to_the_other() {
    let made = |fault: &str| {
        let simulator = demo();
        inject(&simulator, fault);
        pass(&simulator, 1);
        let before = shown(&simulator, "XI-450");
        pass(&simulator, 300);
        assert_eq!((shown(&simulator, "YS-452"), shown(&simulator, "YS-411")), (0.0, 1.0));
        shown(&simulator, "XI-450") - before
    };
    let usual = made("belt-slip ST-340 0");
    assert_eq!(made("bagger-stopped 1"), 0.0);
    assert!((made("bagger-stopped 2") - 2.0 * usual).abs() <= 2.0, "{usual}");
}

#[test]
fn a_longer_bake_dries_more_and_a_turned_fryer_setpoint_is_ramped() {
    let simulator = demo();
    inject(&simulator, "setpoint-turned KIC-220-SP 18");
    inject(&simulator, "setpoint-turned TIC-310-SP 186");
    pass(&simulator, 40);
    let working = shown(&simulator, "TIC-310-WSP");
    assert!((183.5..184.5).contains(&working), "{working}");
    pass(&simulator, 600);
    assert!((shown(&simulator, "ST-222") - 150.6 * 16.0 / 18.0).abs() < 2.5);
    assert!(shown(&simulator, "AT-243") < 34.5);
    assert!((shown(&simulator, "TT-310") - 186.0).abs() < 1.0);
}

#[test]
fn a_skipped_dry_out_heats_wet_oil_at_full_ramp() {
    let simulator = demo();
    simulator.operate(Operation::BoilOut);
    pass(&simulator, 3600);
    inject(&simulator, "dry-out-skipped");
    simulator.operate(Operation::HeatUp);
    pass_until(&simulator, 3600, || (99.0..105.0).contains(&shown(&simulator, "TT-310")));
    let per_minute = slope_k_per_min(&simulator, "TT-310", 300);
    assert!(per_minute > 2.5, "{per_minute}");
}

/// Nothing passes the photo-eye in front of the fryer once the gap has rolled there, and the line goes on by itself.
#[test]
fn a_feed_gap_rolls_down_the_line_while_everything_else_runs() {
    let simulator = demo();
    assert_eq!(shown(&simulator, "YS-261"), 1.0);
    inject(&simulator, "feed-gap");
    pass(&simulator, 10);
    assert_eq!((shown(&simulator, "YS-261"), simulator.doing()), (1.0, Operation::Run));
    pass_until(&simulator, 600, || shown(&simulator, "YS-261") == 0.0);
    assert!(shown(&simulator, "ST-340") > 3.0, "the belts run");
    simulator.clear("feed-gap").unwrap();
    pass_until(&simulator, 600, || shown(&simulator, "YS-261") == 1.0);
}

/// The quench begins at once, minutes before the hold is over, and the batch goes to its tank.
#[test]
fn an_early_transfer_ends_the_hold_by_hand() {
    let simulator = at_kettle_step(4.0);
    pass(&simulator, 240);
    inject(&simulator, "early-transfer TT-101");
    pass(&simulator, 2);
    assert_eq!(shown(&simulator, "XI-101"), 5.0);
    assert!(shown(&simulator, "KQ-101") < 260.0, "{}", shown(&simulator, "KQ-101"));
    simulator.clear("early-transfer").unwrap();
    pass_until(&simulator, 1_200, || shown(&simulator, "XI-101") == 6.0);
}

/// Recipe 7 fries at 186 degC where recipe 3 asks for 182, and bakes for another time; both panels say 7.
#[test]
fn a_wrong_recipe_loads_its_setpoints_and_shows_its_number() {
    let simulator = demo();
    let bake = shown(&simulator, "KIC-220-SP");
    assert_eq!((shown(&simulator, "XI-393"), shown(&simulator, "TIC-310-SP")), (3.0, 182.0));
    inject(&simulator, "wrong-recipe 7");
    pass(&simulator, 5);
    assert_eq!((shown(&simulator, "XI-123"), shown(&simulator, "XI-393")), (7.0, 7.0));
    assert_eq!(shown(&simulator, "TIC-310-SP"), 186.0);
    assert!(shown(&simulator, "KIC-220-SP") != bake, "{bake}");
    pass(&simulator, 400);
    assert!((shown(&simulator, "TT-310") - 186.0).abs() < 1.0);
    simulator.clear("wrong-recipe").unwrap();
    pass(&simulator, 5);
    assert_eq!((shown(&simulator, "XI-393"), shown(&simulator, "TIC-310-SP")), (3.0, 182.0));
    let refused = simulator.inject("wrong-recipe 9".parse().unwrap()).unwrap_err();
    assert_eq!(refused.to_string(), "no recipe has the number 9; the line knows 3, 7");
}

#[test]
fn a_float_that_hangs_high_lets_no_oil_in_and_one_that_hangs_low_too_much() {
    let simulator = demo();
    let total = shown(&simulator, "FQ-331");
    inject(&simulator, "float-stuck");
    pass(&simulator, 1500);
    let level = truth(&simulator, "LT-330");
    assert!((-35.0..-25.0).contains(&level), "{level} mm");
    assert!((shown(&simulator, "FQ-331") - total).abs() < 0.2);
    inject(&simulator, "float-stuck -10");
    pass(&simulator, 1500);
    assert!(truth(&simulator, "LT-330") > 30.0, "{} mm", truth(&simulator, "LT-330"));
}

/// At 1,500 m water boils at 95 degC: a kettle never gets to the recipe's 96, however long its steam is on.
#[test]
fn a_kettle_boils_where_the_line_says_that_water_boils_at_its_height() {
    let mut line = setward_config::load_demo().unwrap().line;
    line.heat_balance.as_mut().unwrap().settings.known.boiling_degc = 95.0;
    let simulator = Simulator::new(&line, 1);
    inject(&simulator, "valve-stuck TIC-101-OUT");
    inject(&simulator, "setpoint-turned TIC-101-SP 99");
    pass_until(&simulator, 3 * 3600, || shown(&simulator, "XI-101") == 3.0);
    simulator.clear("valve-stuck").unwrap();
    pass(&simulator, 2_400);
    let hottest = truth(&simulator, "TT-101");
    assert!((hottest - 95.0).abs() < 0.1, "{hottest}");
}
