//! Kettles without a step register: their temperature tells heat, hold and quench, and the tank that fills after it where the
//! batch went.

use super::*;
use crate::batches::{Ending, HeatRule, Oddity, TemperatureRule, ToldBy};

/// Cold below 40 degC, quenched at 74, cooks from 94, as the demo's blue corn; out within 30 min.
pub(super) fn told_by_temperature() -> KettleRule {
    let rule = HeatRule {
        limits: TemperatureRule::new(40.0, 74.0, 94.0).unwrap(),
        longest: Duration::from_secs(4 * 3600),
        gap_limit: Duration::from_secs(30),
    };
    let told_by = Recognition::Temperature { rule, pumped_within: Duration::from_secs(1800) };
    KettleRule { told_by, corn_kg: 610.0 }
}

fn follower() -> Follower {
    let mut shape = shape();
    shape.kettles = [told_by_temperature(), told_by_temperature()].to_vec();
    assert_eq!(shape.problems(), []);
    Follower::new(shape)
}

/// Of a cook that begins to heat at minute 0 from 17 degC at 3.16 K/min, holds 96 degC for 20 min, is quenched to 68 degC in 8.6
/// min and stands so until it is out and filled with cold water at minute 70.
fn degc(minute: f64) -> f64 {
    match minute {
        ..0.0 => 17.0,
        0.0..25.0 => 17.0 + 3.16 * minute,
        25.0..45.0 => 96.0,
        45.0..53.6 => 96.0 - 3.25 * (minute - 45.0),
        53.6..70.0 => 68.0,
        _ => 17.0,
    }
}

/// Of a reading that trembles by 0.4 K.
fn trembling(second: u32, degc: f64) -> f64 {
    degc + if second.is_multiple_of(3) { -0.4 } else { 0.2 }
}

/// Reads both kettles each second, the second 41 minutes after the first; `more` gives other inputs of a second.
fn cooked(seconds: core::ops::Range<u32>, more: impl Fn(u32) -> Vec<Input>) -> (Follower, Vec<BatchRecord>) {
    let (mut follower, mut ended) = (follower(), Vec::new());
    for second in seconds {
        let now = at(f64::from(second));
        let minute = f64::from(second) / 60.0;
        let readings = [(0, minute - 10.0), (1, minute - 51.0)].map(|(kettle, minute)| {
            Input::CookTemperature { kettle, degc: Some(trembling(second, degc(minute))) }
        });
        for input in more(second).into_iter().chain(readings) {
            if let Some(Ended::Batch(record)) = follower.handle(now, input) {
                ended.push(record);
            }
        }
    }
    (follower, ended)
}

/// Tank 5 takes both; tank 6 fills an hour before, and tank 7 long after.
fn filling(second: u32) -> Vec<Input> {
    let report = |from: u32, to: u32| match second / 60 {
        minute if minute < from => TankReport::Empty,
        minute if minute < to => TankReport::Filling,
        _ => TankReport::Full,
    };
    [(6, report(0, 50)), (5, report(66, 120)), (7, report(150, 160))]
        .map(|(number, report)| Input::Tank { number, report })
        .to_vec()
}

#[test]
fn the_temperature_alone_leads_a_batch_to_its_tank() {
    let (follower, ended) = cooked(0..10_000, |second| {
        let mut inputs = filling(second);
        if second == 60 {
            inputs.push(Input::CookRecipe(Some(3)));
        }
        if second == 40 * 60 {
            inputs.extend([Input::CookRecipe(Some(7)), Input::BatchNumber { kettle: 0, number: 71 }]);
        }
        inputs
    });
    let told: Vec<_> = ended
        .iter()
        .map(|record| {
            (record.id, record.kettle, record.number, record.recipe, record.tank, record.batch.ending)
        })
        .collect();
    let complete = Some(Ending::Complete);
    assert_eq!(
        told,
        [(1, 0, Some(71), Some(3), Some(5), complete), (2, 1, None, Some(7), Some(5), complete)]
    );
    for (record, heated_min) in ended.iter().zip([10.0, 51.0]) {
        assert_eq!(
            (record.batch.told_by, record.batch.oddities.as_slice()),
            (ToldBy::Temperature, [].as_slice())
        );
        let phases: Vec<_> = record.batch.phases.iter().map(|part| part.phase).collect();
        assert_eq!(
            phases,
            [Phase::Heat, Phase::Hold, Phase::Quench],
            "a trembling reading makes no phase of its own"
        );
        let soaks_from = record.soaks_from.unwrap();
        // Quenched to 74 degC after 45 + 22/3.25 min; out within half an hour of that, or when the kettle heats anew.
        let quenched_min = heated_min + 45.0 + 22.0 / 3.25;
        assert!(
            (soaks_from.from.seconds_since(at(0.0)) / 60.0 - quenched_min).abs() < 0.25,
            "{soaks_from:?}"
        );
        assert!((soaks_from.seconds() - 1800.0).abs() <= 1.0, "{soaks_from:?}");
    }
    let tank = follower.tanks().iter().find(|tank| tank.number == 5).unwrap();
    assert_eq!(tank.fills.iter().map(|fill| fill.corn_kg).sum::<f64>(), 1220.0);
    let limits = crate::tanks::SoakLimits {
        least: Duration::from_secs(8 * 3600),
        most: Duration::from_secs(15 * 3600),
    };
    let row = tank.row(at(10_000.0), limits);
    assert_eq!(
        row.oldest_s,
        Some(at(10_000.0).seconds_since(ended[0].soaks_from.unwrap().from)),
        "its earliest"
    );
    assert_eq!(
        row.youngest_s,
        Some(at(10_000.0).seconds_since(ended[1].soaks_from.unwrap().to)),
        "its latest"
    );
}

#[test]
fn a_batch_for_which_two_tanks_fill_is_in_neither_for_certain() {
    let (follower, ended) = cooked(0..10_000, |second| {
        let mut inputs = filling(second);
        let is_first_out = (4_200..4_260).contains(&second);
        let report = if is_first_out { TankReport::Filling } else { TankReport::Full };
        inputs.push(Input::Tank { number: 8, report });
        inputs
    });
    assert_eq!(ended.iter().map(|record| record.tank).collect::<Vec<_>>(), [None, Some(5)]);
    assert!(ended[0].soaks_from.is_some(), "it soaks somewhere");
    let told = |tank: usize| {
        let fills = follower.tanks()[tank].fills.iter();
        fills.map(|fill| (fill.batch, fill.is_certain)).collect::<Vec<_>>()
    };
    assert_eq!((told(4), told(7)), ([(1, false), (2, true)].to_vec(), [(1, false)].to_vec()));
}

/// The first kettle is heated anew ten minutes after its quench: by then it must have been pumped out.
#[test]
fn the_next_cook_ends_the_time_of_pumping_out() {
    let (mut follower, mut ended) = (follower(), Vec::new());
    let filling = Input::Tank { number: 5, report: TankReport::Filling };
    let anew_min = 62.0;
    for second in 0..9_000_u32 {
        let minute = f64::from(second) / 60.0;
        let degc = if minute < anew_min { degc(minute) } else { degc(minute - anew_min - 2.0) };
        let inputs = [filling, Input::CookTemperature { kettle: 0, degc: Some(degc) }];
        ended.extend(inputs.into_iter().filter_map(|input| follower.handle(at(f64::from(second)), input)));
    }
    let [Ended::Batch(first), Ended::Batch(second)] = ended.as_slice() else { panic!("{ended:?}") };
    let soaks_from = first.soaks_from.unwrap();
    // Quenched at 51.77 min; from 17 degC at minute 64 it passes 40 degC after 23/3.16 min.
    let expected_s = (64.0 + 23.0 / 3.16 - 45.0 - 22.0 / 3.25) * 60.0;
    assert!((soaks_from.seconds() - expected_s).abs() <= 1.0, "{} {expected_s}", soaks_from.seconds());
    assert_eq!((first.tank, second.tank), (Some(5), Some(5)));
}

#[test]
fn a_cook_that_never_ends_is_given_up_and_one_that_goes_cold_fills_no_tank() {
    let (mut follower, mut ended) = (follower(), Vec::new());
    let filling = Input::Tank { number: 5, report: TankReport::Filling };
    // Hot from minute 10 to 400; cold; heated to 60 degC and let go cold.
    let temperature = |minute: u32| match minute {
        0..10 | 400..420 | 440.. => 17.0,
        10..400 => 96.0,
        420..440 => 60.0,
    };
    for second in 0..27_600_u32 {
        let inputs = [filling, Input::CookTemperature { kettle: 0, degc: Some(temperature(second / 60)) }];
        ended.extend(inputs.into_iter().filter_map(|input| follower.handle(at(f64::from(second)), input)));
    }
    let endings: Vec<_> = ended
        .iter()
        .map(|ended| match ended {
            Ended::Batch(record) => (record.batch.ending, record.tank, record.soaks_from),
            Ended::Feeding(_) => panic!("nothing is fed"),
        })
        .collect();
    assert_eq!(endings, [(Some(Ending::NeverEnded), None, None), (Some(Ending::Interrupted), None, None)]);
    assert!(follower.tanks().iter().all(|tank| tank.fills.is_empty()));
}

/// Nothing is read from the middle of the hold until the kettle is filled anew: a whole quench may lie there.
#[test]
fn what_passed_unseen_is_unknown_and_not_made_up() {
    let (mut follower, mut ended) = (follower(), Vec::new());
    for second in 0..8_000_u32 {
        let minute = f64::from(second) / 60.0;
        let degc = if (35.0..72.0).contains(&minute) { None } else { Some(degc(minute)) };
        ended.extend(follower.handle(at(f64::from(second)), Input::CookTemperature { kettle: 0, degc }));
    }
    let [Ended::Batch(record)] = ended.as_slice() else { panic!("{ended:?}") };
    assert_eq!((record.batch.ending, record.tank), (Some(Ending::Complete), None));
    assert!((record.batch.unseen_s() - 37.0 * 60.0).abs() <= 2.0, "{}", record.batch.unseen_s());
    let (least, most) = record.batch.length_s(Phase::Hold).unwrap();
    assert!(least < 11.0 * 60.0 && most > 20.0 * 60.0, "{least} {most}");
    // Of a cook that was heated when the readings ceased, nobody knows whether it was cooked.
    let mut heated = self::follower();
    let mut ended = Vec::new();
    for second in 0..8_000_u32 {
        let minute = f64::from(second) / 60.0;
        let degc = if (20.0..72.0).contains(&minute) { None } else { Some(degc(minute)) };
        ended.extend(heated.handle(at(f64::from(second)), Input::CookTemperature { kettle: 0, degc }));
    }
    let [Ended::Batch(record)] = ended.as_slice() else { panic!("{ended:?}") };
    assert_eq!(record.batch.ending, Some(Ending::NotSeen));
    // A kettle that cooks when it is first seen has a beginning that nobody saw.
    let mut late = self::follower();
    for second in 1_800..4_000_u32 {
        let degc = Some(degc(f64::from(second) / 60.0));
        ended.extend(late.handle(at(f64::from(second)), Input::CookTemperature { kettle: 0, degc }));
    }
    late.handle(at(9_000.0), Input::CookTemperature { kettle: 0, degc: None });
    assert_eq!(late.batches()[0].batch.oddities, [Oddity::BeginningNotSeen]);
    // A reading of the other kind is nobody's.
    assert_eq!(late.handle(at(9_001.0), Input::Step { kettle: 0, code: Some(4) }), None);
}
