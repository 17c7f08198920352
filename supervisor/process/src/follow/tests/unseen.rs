//! What nobody saw is not made up: belts and feeds in an outage, pump-outs behind it.

use super::cook_temperature::told_by_temperature;
use super::*;
use crate::batches::Ending;

/// Setward's machine and the belts are without power from 2,000 to 3,200 s; a slow signal beside them is known for a day.
#[test]
fn what_lies_on_the_belts_in_an_outage_is_not_packed_in_it_however_slow_another_signal_is() {
    let mut shape = shape();
    shape.records.push(Duration::from_secs(24 * 3600));
    let mut follower = Follower::new(shape);
    let (dark_from, light_again) = (2000_u32, 3200);
    follower.handle(at(0.0), Input::FedFrom(FedFrom::Tank(4)));
    for second in (0..=dark_from).chain(light_again..3300) {
        let now = at(f64::from(second));
        for (record, speed_m_per_s) in SPEEDS_M_PER_S.into_iter().enumerate() {
            let value = Some(if second <= dark_from { speed_m_per_s } else { 0.0 });
            follower.handle(now, Input::Record { record, value });
        }
        let rate = if second <= dark_from { 1000.0 } else { 0.0 };
        follower.handle(now, Input::Record { record: RATE, value: Some(rate) });
        if second.is_multiple_of(10) {
            follower.handle(now, Input::FedFrom(FedFrom::Tank(4)));
        }
    }
    let product = follower.product(FRYER, at(1960.0), Some(at(1990.0))).unwrap();
    let latest = product.packed.last.map_or(Uptime::from_secs_f64(f64::INFINITY), |last| last.latest);
    assert!(latest >= at(f64::from(light_again)), "{:?}", product.packed);
    let fed_kg = follower.tanks()[3].fed_kg;
    assert!((fed_kg - f64::from(dark_from) / HOUR * 876.0).abs() < 1.0, "{fed_kg}");
    let fed: Vec<_> = follower.feedings().iter().map(|feeding| feeding.span).collect();
    assert_eq!(fed[0], Span { from: at(0.0), to: at(f64::from(dark_from)) }, "{fed:?}");
}

/// The pump-out is seen for three minutes, then nothing for hours, then the kettle is idle; or for so long that it is given up.
#[test]
fn a_pump_out_that_ended_unseen_may_have_ended_at_once() {
    pumped_out_unseen(12_240);
    pumped_out_unseen(18_240);
}

fn pumped_out_unseen(seen_again: u32) {
    let mut follower = Follower::new(shape());
    follower.handle(at(0.0), Input::Tank { number: 5, report: TankReport::Empty });
    let code = |second: u32| match second {
        0..60 => 0,
        60..540 => 1,
        540..2040 => 3,
        2040..3240 => 4,
        3240..3660 => 5,
        3660..=3840 => 6,
        _ => 0,
    };
    let mut ended = Vec::new();
    for second in (0..=3840_u32).step_by(10).chain([seen_again]) {
        let now = at(f64::from(second));
        if second > 3600 {
            follower.handle(now, Input::Tank { number: 5, report: TankReport::Filling });
        }
        ended.extend(follower.handle(now, Input::Step { kettle: 0, code: Some(code(second)) }));
    }
    let [Ended::Batch(record)] = ended.as_slice() else { panic!("{ended:?}") };
    assert_eq!(record.tank, Some(5));
    assert_eq!(record.soaks_from, Some(Span { from: at(3840.0), to: at(f64::from(seen_again)) }));
    assert_eq!(follower.tanks()[4].fills[0].soaks_from.from, at(3840.0));
}

/// The quench is seen from 96 to 89.5 degC, then nothing for 13 minutes: it may have been quenched, and pumped out, at once.
#[test]
fn a_quench_that_ended_unseen_may_have_ended_at_once() {
    let mut shape = shape();
    shape.kettles = [told_by_temperature()].to_vec();
    let mut follower = Follower::new(shape);
    let mut ended = Vec::new();
    for second in (0..=2820_u32).chain(3600..6000) {
        let degc = match f64::from(second) / 60.0 {
            minute @ ..25.0 => 17.0 + 3.16 * minute,
            ..45.0 => 96.0,
            minute @ ..47.5 => 96.0 - 3.25 * (minute - 45.0),
            _ => 68.0,
        };
        let input = Input::CookTemperature { kettle: 0, degc: Some(degc) };
        ended.extend(follower.handle(at(f64::from(second)), input));
    }
    let [Ended::Batch(record)] = ended.as_slice() else { panic!("{ended:?}") };
    let soaks_from = record.soaks_from.unwrap();
    assert_eq!(soaks_from.from, at(2820.0), "the last reading before the gap");
    assert_eq!(soaks_from.to, at(3600.0 + 1800.0));
}

const LIMITS: crate::tanks::SoakLimits =
    crate::tanks::SoakLimits { least: Duration::from_secs(10 * 3600), most: Duration::from_secs(16 * 3600) };

/// Tells the first kettle's batch that is filled at `from`, s, by its step every 10 s until it is idle, 73 min later; while it is
/// `dark` nothing is told. `tank` is what the fifth tank says then.
fn cooked(
    follower: &mut Follower,
    from: u32,
    dark: core::ops::Range<u32>,
    tank: impl Fn(u32) -> TankReport,
) -> Vec<Ended> {
    let ends = [(8, 1), (33, 3), (53, 4), (61, 5), (70, 6), (73, 7)];
    let mut ended = Vec::new();
    for second in (from..from + 74 * 60).step_by(10).filter(|second| !dark.contains(second)) {
        let minute = (second - from) / 60;
        let code = ends.iter().find(|(end, _)| minute < *end).map_or(0, |(_, code)| *code);
        let inputs =
            [Input::Tank { number: 5, report: tank(second) }, Input::Step { kettle: 0, code: Some(code) }];
        ended.extend(inputs.into_iter().filter_map(|input| follower.handle(at(f64::from(second)), input)));
    }
    ended
}

fn row(follower: &Follower, second: f64) -> crate::tanks::Row {
    follower.tanks()[4].row(at(second), LIMITS)
}

/// It is half full when it is first seen, and one more batch comes: of the first nobody knows how old it is.
#[test]
fn a_tank_that_fills_when_it_is_first_seen_may_hold_corn_of_any_age() {
    let mut follower = Follower::new(shape());
    let ended = cooked(&mut follower, 100, 0..0, |_| TankReport::Filling);
    let [Ended::Batch(record)] = ended.as_slice() else { panic!("{ended:?}") };
    assert_eq!(record.tank, Some(5));
    let seen = row(&follower, 10_000.0);
    assert_eq!((seen.oldest_s, seen.has_unseen, seen.corn_kg), (None, true, 600.0));
    let soaked_s = at(10_000.0).seconds_since(record.soaks_from.unwrap().to);
    assert_eq!((seen.oldest_seen_s, seen.youngest_s), (Some(soaked_s), Some(soaked_s)));
    // What it feeds is told so.
    follower.handle(at(10_000.0), Input::FedFrom(FedFrom::Tank(5)));
    follower.handle(at(10_010.0), Input::FedFrom(FedFrom::Tank(5)));
    let feeding = follower.feedings().pop().unwrap();
    assert_eq!((feeding.oldest_from(), feeding.fills.len()), (None, 1));
    // Once it was empty, all is known again.
    follower.handle(at(10_020.0), Input::FedFrom(FedFrom::Nothing));
    let mut idle = follower.clone();
    for second in (5400_u32..11_000).step_by(10).filter(|second| *second > 10_020) {
        idle.handle(at(f64::from(second)), Input::Step { kettle: 0, code: Some(0) });
        idle.handle(at(f64::from(second)), Input::Tank { number: 5, report: TankReport::Empty });
    }
    let mut follower = idle;
    cooked(&mut follower, 11_000, 0..0, |_| TankReport::Filling);
    let seen = row(&follower, 20_000.0);
    assert!(!seen.has_unseen && seen.oldest_s == seen.oldest_seen_s && seen.oldest_s.is_some(), "{seen:?}");
}

/// A is pumped out while nobody reads anything, B 41 minutes later in the light: A may be in the tank, and is the older.
#[test]
fn a_batch_that_was_pumped_out_unseen_may_be_in_the_tank_that_filled() {
    let mut follower = Follower::new(shape());
    let said = |second: u32| match second {
        ..3000 => TankReport::Empty,
        _ => TankReport::Filling,
    };
    // Quenched from minute 53 on, dark from minute 58 to 72: rinsed.
    let first = cooked(&mut follower, 100, 3580..4420, said);
    let second = cooked(&mut follower, 4600, 0..0, said);
    let ([Ended::Batch(first)], [Ended::Batch(second)]) = (first.as_slice(), second.as_slice()) else {
        panic!("{first:?} {second:?}")
    };
    assert_eq!((first.batch.ending, first.tank, first.soaks_from), (Some(Ending::NotSeen), None, None));
    assert_eq!(second.tank, Some(5));
    let seen = row(&follower, 10_000.0);
    assert_eq!((seen.oldest_s, seen.corn_kg), (Some(10_000.0 - 3570.0), 600.0), "as old as it may be");
    follower.handle(at(10_000.0), Input::FedFrom(FedFrom::Tank(5)));
    let batches = |feeding: &Feeding| feeding.fills.iter().map(|fill| fill.batch).collect::<Vec<_>>();
    assert_eq!(batches(&follower.feedings().pop().unwrap()), [1, 2], "a bad quench in either leads to it");
}

/// Setward's machine is off for two hours; before, the tank was empty and the kettle idle, and then the tank fills and the kettle
/// is idle again.
#[test]
fn a_batch_that_passed_whole_in_an_outage_may_be_in_the_tank_that_filled_meanwhile() {
    let mut follower = Follower::new(shape());
    for second in (0..=600).chain(7800..7900).step_by(10) {
        let report = if second <= 600 { TankReport::Empty } else { TankReport::Filling };
        follower.handle(at(f64::from(second)), Input::Step { kettle: 0, code: Some(0) });
        follower.handle(at(f64::from(second)), Input::Tank { number: 5, report });
    }
    cooked(&mut follower, 8000, 0..0, |_| TankReport::Filling);
    let seen = row(&follower, 20_000.0);
    assert_eq!((seen.oldest_s, seen.has_unseen), (Some(19_400.0), true));
    assert!(seen.oldest_seen_s.unwrap() < 8_000.0, "{seen:?}");
    // The same of one that fed before the outage, and was filled anew meanwhile.
    follower.handle(at(20_000.0), Input::FedFrom(FedFrom::Tank(5)));
    for second in [20_000.0, 20_010.0] {
        follower.handle(at(second), Input::Record { record: RATE, value: Some(1000.0) });
    }
    follower.handle(at(20_020.0), Input::FedFrom(FedFrom::Nothing));
    for second in (12_440..20_100).step_by(10).filter(|second| *second > 20_020) {
        follower.handle(at(f64::from(second)), Input::Tank { number: 5, report: TankReport::Full });
        follower.handle(at(f64::from(second)), Input::Step { kettle: 0, code: Some(0) });
    }
    follower.handle(at(28_000.0), Input::Step { kettle: 0, code: Some(0) });
    follower.handle(at(28_000.0), Input::Tank { number: 5, report: TankReport::Filling });
    let tank = &follower.tanks()[4];
    let unseen = crate::tanks::UnseenCorn { not_before: Some(at(20_090.0)), not_after: at(28_000.0) };
    assert_eq!((tank.fills.len(), tank.unseen), (0, Some(unseen)));
    // An outage that no batch fits into makes nothing unknown.
    let mut short = Follower::new(shape());
    for second in (0..=600).chain(2300..2400).step_by(10) {
        let report = if second <= 600 { TankReport::Empty } else { TankReport::Filling };
        short.handle(at(f64::from(second)), Input::Step { kettle: 0, code: Some(0) });
        short.handle(at(f64::from(second)), Input::Tank { number: 5, report });
    }
    assert!(!row(&short, 2400.0).has_unseen);
}

/// The tank's own word is silent while the batch comes, and nothing fills for all anybody can see.
#[test]
fn a_batch_that_went_to_a_silent_tank_may_be_in_it_once_it_speaks() {
    let mut follower = Follower::new(shape());
    let said = |second: u32| match second {
        ..3000 => TankReport::Empty,
        3000..4500 => TankReport::Unknown,
        _ => TankReport::Filling,
    };
    cooked(&mut follower, 100, 0..0, said);
    cooked(&mut follower, 4600, 0..0, said);
    let seen = row(&follower, 10_000.0);
    // Its pump-out began at minute 61.
    assert_eq!((seen.oldest_s, seen.has_unseen), (Some(10_000.0 - 3760.0), true));
}
