//! The cook house of the demo line over its rounds: steps, totals, tanks, what the recipe asks of them.

use super::line::{demo, inject, pass, pass_until, shown};
use crate::Simulator;

const TANKS: std::ops::RangeInclusive<u32> = 131..=142;

/// What a kettle did in one step.
#[derive(Debug)]
struct StepDone {
    step: f64,
    seconds: u32,
    /// Cook temperature when it ended.
    end_degc: f64,
    weight_kg: f64,
    water_l: f64,
    counted_s: f64,
    batch: f64,
}

/// Every step that a kettle ends in these hours.
fn steps_of(kettle: u32, hours: u32) -> Vec<StepDone> {
    let simulator = demo();
    let tag = |letters: &str, offset: u32| format!("{letters}-{}", kettle + offset);
    let mut done = Vec::new();
    let (mut step, mut seconds) = (shown(&simulator, &tag("XI", 0)), 0);
    for _ in 0..hours * 3600 {
        let before = StepDone {
            step,
            seconds,
            end_degc: shown(&simulator, &tag("TT", 0)),
            weight_kg: shown(&simulator, &tag("WT", 0)),
            water_l: shown(&simulator, &tag("FQ", 0)),
            counted_s: shown(&simulator, &tag("KQ", 0)),
            batch: shown(&simulator, &tag("XI", 1)),
        };
        pass(&simulator, 1);
        seconds += 1;
        let now = shown(&simulator, &tag("XI", 0));
        if now != step {
            done.push(before);
            (step, seconds) = (now, 0);
        }
    }
    // The first began before we looked.
    done.split_off(1)
}

fn minutes(low: u32, high: u32, seconds: u32) -> bool {
    // A step may begin and end a second early or late of where we look.
    (low * 60 - 2..=high * 60 + 2).contains(&seconds)
}

#[test]
fn both_kettles_go_through_their_steps_as_the_recipe_asks() {
    for kettle in [101, 111] {
        let steps = steps_of(kettle, 6);
        let order: Vec<_> = steps.iter().map(|one| one.step).collect();
        let first = order[0];
        for (place, step) in order.iter().enumerate() {
            assert_eq!(*step, (first + place as f64) % 8.0, "{order:?}");
        }
        for one in &steps {
            let seconds = one.seconds;
            let fits = match one.step as u8 {
                1 => minutes(8, 9, seconds) && (1176.0..=1224.0).contains(&one.water_l),
                2 => minutes(1, 2, seconds) && (one.weight_kg - 1806.0).abs() < 20.0,
                3 => minutes(24, 27, seconds) && (95.0..97.0).contains(&one.end_degc),
                4 => minutes(20, 26, seconds) && one.counted_s >= 1198.0,
                5 => minutes(7, 9, seconds) && (66.0..72.0).contains(&one.end_degc),
                6 => minutes(8, 10, seconds) && one.weight_kg < 30.0,
                7 => minutes(3, 4, seconds),
                _ => seconds < 900,
            };
            assert!(fits, "kettle {kettle}: {one:?}");
        }
    }
}

#[test]
fn a_new_batch_has_a_number_of_its_own_and_starts_its_totals_again() {
    let (mut batches, mut rounds) = (Vec::new(), 0);
    for kettle in [101, 111] {
        for one in steps_of(kettle, 6).iter().filter(|one| one.step == 1.0) {
            batches.push(one.batch);
            assert_eq!(one.counted_s, 0.0);
            rounds += 1;
        }
    }
    batches.sort_by(f64::total_cmp);
    batches.dedup();
    assert_eq!((batches.len(), rounds), (rounds, batches.len()));
    assert!(rounds >= 8, "{rounds}");
}

#[test]
fn the_agitator_turns_one_minute_in_three_in_the_hold_and_takes_its_current() {
    let simulator = demo();
    let (mut held_s, mut turned_s, mut same_s, mut turned) = (0, 0, 0, None);
    while shown(&simulator, "XI-101") == 4.0 {
        let turns = shown(&simulator, "YS-101") == 1.0;
        same_s = if turned == Some(turns) { same_s + 1 } else { 0 };
        turned = Some(turns);
        held_s += 1;
        turned_s += u32::from(turns);
        // The instrument needs some seconds to follow.
        let current = shown(&simulator, "IT-101");
        assert!(same_s < 8 || turns == (current > 2.5), "{current} A, {turns} for {same_s} s");
        pass(&simulator, 1);
    }
    let share = f64::from(turned_s) / f64::from(held_s);
    assert!((0.25..0.45).contains(&share), "{share}");
}

#[test]
fn hold_time_counts_only_while_the_probe_says_94_degc_or_more() {
    let simulator = demo();
    let counted = || shown(&simulator, "KQ-101");
    pass(&simulator, 60);
    assert_eq!(counted(), 800.0);
    inject(&simulator, "setpoint-turned TIC-101-SP 90");
    pass_until(&simulator, 1200, || shown(&simulator, "TT-101") < 93.5);
    let below = counted();
    pass(&simulator, 300);
    assert_eq!((counted(), shown(&simulator, "XI-101")), (below, 4.0));
    simulator.clear_all();
    pass_until(&simulator, 1200, || shown(&simulator, "TT-101") > 94.5);
    let above = counted();
    pass(&simulator, 60);
    assert_eq!(counted(), above + 60.0);
}

#[test]
fn full_steam_on_one_kettle_sags_the_header_by_half_a_bar_at_most() {
    let simulator = demo();
    let (mut heating, mut resting) = ((0.0, 0), (0.0, 0));
    for _ in 0..7200 {
        pass(&simulator, 1);
        let heats = ["XI-101", "XI-111"].iter().any(|tag| shown(&simulator, tag) == 3.0);
        let (sum, count) = if heats { &mut heating } else { &mut resting };
        *sum += shown(&simulator, "PT-120");
        *count += 1;
    }
    let sag = resting.0 / f64::from(resting.1) - heating.0 / f64::from(heating.1);
    assert!((0.3..0.5).contains(&sag), "{sag} bar");
}

/// For each tank that starts to feed: its number and its age in hours, as its state word tells them.
fn fed_tanks(simulator: &Simulator, hours: u32) -> Vec<(u32, f64)> {
    let state = |tank: u32| shown(simulator, &format!("XI-{tank}"));
    let mut before: Vec<f64> = TANKS.map(state).collect();
    let mut full_since = [None; 12];
    let mut fed = Vec::new();
    for second in 0..hours * 3600 {
        pass(simulator, 1);
        for (place, tank) in TANKS.enumerate() {
            let now = state(tank);
            match (before[place] as u8, now as u8) {
                (1, 2) => full_since[place] = Some(second),
                (2 | 3, 4) => {
                    if let Some(since) = full_since[place] {
                        fed.push((tank, f64::from(second - since) / 3600.0));
                    }
                }
                _ => {}
            }
            before[place] = now;
        }
    }
    fed
}

#[test]
fn tanks_feed_in_turn_at_an_age_of_about_twelve_hours() {
    let simulator = demo();
    let fed = fed_tanks(&simulator, 48);
    assert!(fed.len() >= 20, "{fed:?}");
    for (tank, hours) in &fed {
        assert!((11.5..14.0).contains(hours), "tank {tank}: {hours} h");
    }
    for pair in fed.windows(2) {
        assert_eq!(pair[1].0, if pair[0].0 == 142 { 131 } else { pair[0].0 + 1 });
    }
}

/// Recipe: 64 to 71 degC after 1 h, at least 42 after 10 h, 45 after 12 h.
#[test]
fn a_tank_cools_as_the_recipe_accepts() {
    let simulator = demo();
    // Tank 5 is filling at the start and full within half an hour.
    pass_until(&simulator, 3600, || shown(&simulator, "XI-135") == 2.0);
    let start = shown(&simulator, "TT-135");
    assert!((66.0..71.0).contains(&start), "{start}");
    pass(&simulator, 3600);
    assert!((64.0..71.0).contains(&shown(&simulator, "TT-135")));
    pass(&simulator, 9 * 3600);
    assert!(shown(&simulator, "TT-135") >= 42.0);
    pass(&simulator, 2 * 3600);
    assert!((shown(&simulator, "TT-135") - 45.0).abs() < 1.5);
    assert_eq!(shown(&simulator, "XI-135"), 3.0);
}

#[test]
fn the_feeding_number_names_the_tank_that_is_emptying() {
    let simulator = demo();
    for _ in 0..12 * 60 {
        pass(&simulator, 60);
        let feeding = shown(&simulator, "XI-151") as u32;
        assert!((1..=12).contains(&feeding));
        let state = shown(&simulator, &format!("XI-{}", 130 + feeding));
        // The minute may have fallen on the second in which it ran empty.
        assert!(state == 4.0 || state == 5.0, "tank {feeding} is in state {state}");
    }
}

/// Recipe: at least 1.5 K/min between 40 and 85 degC; 24 to 37 equivalent minutes at 95 degC with z 33 K over come-up,
/// hold and quench.
#[test]
fn a_quiet_batch_heats_fast_enough_and_gets_the_dose_that_the_recipe_accepts() {
    let simulator = demo();
    pass_until(&simulator, 7200, || shown(&simulator, "XI-101") == 2.0);
    let (mut dose_min, mut at_40_s, mut at_85_s) = (0.0, None, None);
    let mut second = 0;
    while shown(&simulator, "XI-101") < 6.0 {
        let degc = shown(&simulator, "TT-101");
        dose_min += f64::powf(10.0, (degc - 95.0) / 33.0) / 60.0;
        if degc >= 40.0 {
            at_40_s = at_40_s.or(Some(second));
        }
        if degc >= 85.0 {
            at_85_s = at_85_s.or(Some(second));
        }
        pass(&simulator, 1);
        second += 1;
    }
    assert!((24.0..37.0).contains(&dose_min), "{dose_min} min");
    let per_minute = 45.0 * 60.0 / f64::from(at_85_s.unwrap() - at_40_s.unwrap());
    assert!(per_minute > 2.0, "{per_minute} K/min");
}
