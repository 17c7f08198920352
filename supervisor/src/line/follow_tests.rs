//! A cook house without words: kettles by their temperature, in degF, and a tank by its level.

use super::*;
use setward_config::line::KettlePhases;
use setward_process::batches::{Ending, Phase, TemperatureRule, ToldBy};
use setward_process::follow::LevelRule;
use setward_process::tanks::TankState;

/// 2026-11-23T04:00:00Z.
const START: i64 = 1_795_406_400_000;

/// The demo with its first kettle read in degF and told by that, and tank 5 by a signal that stands for its level, %.
fn line() -> Line {
    let mut line = setward_config::load_demo().unwrap().line;
    let cooks = line.signal_by_tag("TT-101").unwrap();
    line.signals[cooks.index()].unit = Unit::DegF;
    line.kettles.truncate(1);
    line.kettles[0].phases = KettlePhases::Temperature {
        limits: TemperatureRule::new(40.0, 74.0, 94.0).unwrap(),
        pumped_within: Duration::from_secs(900),
    };
    line.kettles[0].batch_number = None;
    let level = line.signal_by_tag("TT-135").unwrap();
    line.tanks[4].contents =
        TankContents::Level { signal: level, limits: LevelRule::new(5.0, 80.0).unwrap() };
    line
}

/// 17 to 96 degC in 25 min, held for 20, to 68 degC in 9, then cold.
fn degc(minute: f64) -> f64 {
    match minute {
        ..25.0 => 17.0 + 79.0 * minute / 25.0,
        25.0..45.0 => 96.0,
        45.0..54.0 => 96.0 - 28.0 * (minute - 45.0) / 9.0,
        54.0..80.0 => 68.0,
        _ => 17.0,
    }
}

#[test]
fn a_cook_house_without_words_is_followed_from_kettle_to_tank() {
    let line = line();
    let [cooks, level] = ["TT-101", "TT-135"].map(|tag| line.signal_by_tag(tag).unwrap());
    let mut book = FollowBook::new(&line);
    let at =
        |minute: f64| (Uptime::from_secs_f64(minute * 60.0), UtcMillis(START + (minute * 60_000.0) as i64));
    assert_eq!(book.tanks(&line, at(0.0).0, at(0.0).1)[4].holds, None, "not read yet");
    for second in 0..9_000_u32 {
        let minute = f64::from(second) / 60.0;
        // Empty; pumped into from minute 56 to 62, to 41 %.
        let percent = (41.0 * (minute - 56.0) / 6.0).clamp(0.0, 41.0);
        book.handle(&line, at(minute), cooks, Some(degc(minute) * 1.8 + 32.0));
        book.handle(&line, at(minute), level, Some(percent));
    }
    let (now, utc) = at(150.0);
    let batches = book.batches(&line, (now, utc), true).unwrap();
    let [batch] = batches.as_slice() else { panic!("{batches:?}") };
    assert_eq!(
        (batch.tank, batch.told_by, batch.ending),
        (Some(5), ToldBy::Temperature, Some(Ending::Complete))
    );
    assert!(batch.is_in_tank && batch.phase(Phase::Transfer).is_none());
    let (earliest, latest) = batch.soaks_from.unwrap();
    // 74 degC is passed 22/28 of 9 min after minute 45; the kettle is out within 15 min of that.
    let quenched = START + ((45.0 + 9.0 * 22.0 / 28.0) * 60_000.0) as i64;
    assert!(
        (earliest.0 - quenched).abs() < 1_000 && (latest.0 - quenched - 900_000).abs() < 2_000,
        "{batch:?}"
    );
    let view = book.tanks(&line, now, utc)[4];
    assert_eq!((view.code, view.holds, view.row.corn_kg), (None, Some(TankCode::Filling), 600.0));
    // It is fed with one batch in it: it no longer fills, and its corn is as old as it may be.
    let (now, utc) = at(151.0);
    book.handle(&line, (now, utc), level, Some(30.0));
    let view = book.tanks(&line, now, utc)[4];
    assert_eq!((view.holds, view.row.state), (Some(TankCode::Full), TankState::Soaking));
    let oldest_s = (utc.0 - earliest.0) as f64 / 1000.0;
    assert!((view.row.oldest_s.unwrap() - oldest_s).abs() < 0.01);
    book.handle(&line, at(152.0), level, None);
    assert_eq!(book.tanks(&line, at(152.0).0, at(152.0).1)[4].holds, Some(TankCode::Full), "known last");
}

/// A tank of white corn, which may be 17 h old, where the line file's own recipe has 16 h: 600 kg at 1,200 kg/h are fed in half an
/// hour.
#[test]
fn the_outlook_on_corn_goes_by_the_recipe_that_it_was_cooked_for() {
    let line = setward_config::load_demo().unwrap().line;
    let mut book = FollowBook::new(&line);
    let at = |minute: u64| (Uptime::from_millis(minute * 60_000), UtcMillis(START + minute as i64 * 60_000));
    let mut tell = |minute: u64, tag: &str, value: f64| {
        for second in 0..60 {
            let (now, utc) = at(minute);
            let (now, utc) = (now + Duration::from_secs(second), UtcMillis(utc.0 + second as i64 * 1_000));
            book.handle(&line, (now, utc), line.signal_by_tag("XI-123").unwrap(), Some(7.0));
            book.handle(&line, (now, utc), line.signal_by_tag(tag).unwrap(), Some(value));
        }
    };
    // Seen empty, so that nothing unknown lies in it.
    tell(0, "XI-135", 0.0);
    tell(1, "XI-101", 0.0);
    tell(1, "XI-135", 1.0);
    for (minute, step) in (2..).zip([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 0.0]) {
        tell(minute, "XI-101", step);
    }
    tell(9, "XI-135", 3.0);
    let per_kg = line.feed.as_ref().unwrap().corn_per_kg;
    // Its soak began at minute 8.
    let outlook = |minute: u64| book.outlook(&line, at(minute), 1_200.0 / per_kg).unwrap();
    let (young, ready, late) = (outlook(8 + 10 * 60), outlook(8 + 16 * 60), outlook(8 + 16 * 60 + 45));
    assert!((young.starved_s - 3_600.0).abs() < 1.0, "white corn is ready after 11 h: {young:?}");
    assert_eq!((ready.starved_s, ready.over_age_kg), (0.0, 0.0), "{ready:?}");
    assert!((late.over_age_kg - 300.0).abs() < 1.0, "{late:?}");
}
