//! The demo's tanks: two batches of 600 kg, 41 min apart, 10 to 16 h, eaten at 876 kg/h.

use super::*;

const LIMITS: SoakLimits =
    SoakLimits { least: Duration::from_secs(10 * 3600), most: Duration::from_secs(16 * 3600) };
const RATE: f64 = 876.0;

fn at(hours: f64) -> Uptime {
    Uptime::from_secs_f64(hours * 3600.0)
}

fn fill(batch: u64, end_h: f64) -> Fill {
    Fill { batch, soaks_from: Span { from: at(end_h), to: at(end_h) }, corn_kg: 600.0, is_certain: true }
}

/// A full tank whose first batch was pumped in 41 min before its last.
fn tank(number: u16, last_h: f64) -> Tank {
    let fills =
        [fill(u64::from(number) * 2, last_h - 41.0 / 60.0), fill(u64::from(number) * 2 + 1, last_h)].to_vec();
    Tank { number, fills, unseen: None, is_filling: false, feeding_since: None, fed_kg: 0.0 }
}

fn close(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-3, "{found}, not {expected}");
}

#[test]
fn the_youngest_judges_the_least_and_the_oldest_the_most() {
    let row = tank(5, 10.0).row(at(19.9), LIMITS);
    assert_eq!((row.state, row.ready_at, row.corn_kg), (TankState::Soaking, Some(at(20.0)), 1200.0));
    close(row.youngest_s.unwrap(), 9.9 * 3600.0);
    close(row.oldest_s.unwrap(), 9.9 * 3600.0 + 41.0 * 60.0);
    assert_eq!(tank(5, 10.0).row(at(20.0), LIMITS).state, TankState::Ready);
    // The older batch is 16 h old 41 min before the younger is.
    assert_eq!(tank(5, 10.0).row(at(25.4), LIMITS).state, TankState::OverAge);
    assert_eq!(tank(5, 10.0).row(at(25.3), LIMITS).state, TankState::Ready);
}

#[test]
fn every_state_of_a_tank() {
    let empty = Tank {
        number: 1,
        fills: Vec::new(),
        unseen: None,
        is_filling: false,
        feeding_since: None,
        fed_kg: 0.0,
    };
    let row = empty.row(at(1.0), LIMITS);
    assert_eq!((row.state, row.youngest_s, row.ready_at), (TankState::Empty, None, None));
    let filling = Tank { fills: [fill(1, 10.0)].to_vec(), is_filling: true, ..empty };
    let row = filling.row(at(10.2), LIMITS);
    assert_eq!((row.state, row.ready_at), (TankState::Filling, None), "its youngest corn is not in it yet");
    let feeding = Tank { feeding_since: Some(at(22.0)), fed_kg: 1300.0, ..tank(2, 10.0) };
    let row = feeding.row(at(23.0), LIMITS);
    assert_eq!(
        (row.state, row.corn_kg),
        (TankState::Feeding, 0.0),
        "a meter that is off makes nothing negative"
    );
}

#[test]
fn the_tank_that_feeds_goes_first_then_the_oldest() {
    let feeding = Tank { feeding_since: Some(at(22.0)), ..tank(7, 12.0) };
    let empty = Tank { fills: Vec::new(), ..tank(1, 0.0) };
    let tanks = [tank(3, 11.0), feeding, empty, tank(9, 10.5)];
    let order: Vec<_> = feeding_order(&tanks).iter().map(|tank| tank.number).collect();
    assert_eq!(order, [7, 9, 3]);
}

/// Four tanks 82 min apart (two kettles), eaten in 82.2 min each: the line runs through. By hand.
#[test]
fn a_line_in_step_with_its_kettles_neither_starves_nor_ages() {
    let tanks: Vec<_> = (0..4u16).map(|n| tank(n, f64::from(n) * 82.0 / 60.0)).collect();
    let told = forecast(&tanks, at(12.0), |_| LIMITS, RATE, Duration::ZERO).unwrap();
    assert_eq!((told.starved_s, told.over_age_kg), (0.0, 0.0));
    close(told.empty_at.as_secs_f64() / 3600.0, 12.0 + 4.0 * 1200.0 / RATE);
}

/// After 3.5 h of standing the same tanks age: the first is begun at 16.5 h and its oldest corn is of 1 h - 41 min.
#[test]
fn a_stop_ages_the_tanks_and_the_forecast_says_how_much() {
    let tanks: Vec<_> = (0..4u16).map(|n| tank(n, 1.0 + f64::from(n) * 82.0 / 60.0)).collect();
    let told = forecast(&tanks, at(13.0), |_| LIMITS, RATE, Duration::from_secs(3600)).unwrap();
    close(told.feeds[0].span.from.as_secs_f64() / 3600.0, 14.0);
    assert_eq!(told.over_age_kg, 0.0, "an hour is still well: {told:?}");
    let told = forecast(&tanks, at(13.0), |_| LIMITS, RATE, Duration::from_secs(3 * 3600 + 1800)).unwrap();
    // Over age at 17 h - 41 min = 16.3167 h; fed from 16.5 to 17.8699 h: all of it.
    close(told.feeds[0].over_age_kg, 1200.0);
    close(told.feeds[0].oldest_at_end_s / 3600.0, 15.5 + 1200.0 / RATE + 41.0 / 60.0);
    // The last is over age at 20.4167 h, and fed from 20.6096 h; a stop of 3.25 h would leave 0.0571 h of it in time.
    close(told.feeds[3].over_age_kg, 1200.0);
    let told = forecast(&tanks, at(13.0), |_| LIMITS, RATE, Duration::from_secs(3 * 3600 + 900)).unwrap();
    close(told.feeds[3].over_age_kg, 1200.0 - RATE * (20.0 + 25.0 / 60.0 - (16.25 + 3.0 * 1200.0 / RATE)));
}

#[test]
fn a_tank_too_young_makes_the_line_wait() {
    let tanks = [tank(1, 2.0), tank(2, 6.0)];
    let told = forecast(&tanks, at(12.0), |_| LIMITS, RATE, Duration::ZERO).unwrap();
    let eaten_at = 12.0 + 1200.0 / RATE;
    close(told.starved_s / 3600.0, 16.0 - eaten_at);
    close(told.feeds[1].span.from.as_secs_f64() / 3600.0, 16.0);
    // A stop of an hour costs the line nothing then: it would have waited anyway.
    let stopped = forecast(&tanks, at(12.0), |_| LIMITS, RATE, Duration::from_secs(3600)).unwrap();
    close(stopped.starved_s / 3600.0, 15.0 - eaten_at);
    assert_eq!(stopped.empty_at, told.empty_at);
    assert_eq!(forecast(&tanks, at(12.0), |_| LIMITS, 0.0, Duration::ZERO), None);
}

/// The week's fourth incident: tank 5 on the line 12:40 to 14:00, thirteen hours after its hot quench.
#[test]
fn product_leads_back_to_its_tank_and_both_its_batches() {
    let feeding = |number: u16, from: f64, to: f64| Feeding {
        number,
        span: Span { from: at(from), to: at(to) },
        fills: tank(number, from - 12.7).fills,
        unseen: None,
    };
    let feedings = [feeding(4, 35.3, 36.67), feeding(5, 36.67, 38.0), feeding(6, 38.0, 39.4)];
    let (found, unknown_s) = behind(Span { from: at(36.9), to: at(37.5) }, &feedings);
    assert_eq!(found.len(), 1);
    assert_eq!(unknown_s, 0.0);
    let batches: Vec<_> = found[0].feeding.fills.iter().map(|fill| fill.batch).collect();
    assert_eq!((found[0].feeding.number, batches), (5, [10, 11].to_vec()));
    close(found[0].youngest_s.unwrap() / 3600.0, 36.9 - (36.67 - 12.7));
    assert_eq!(found[0].verdicts(LIMITS), (Verdict::Kept, Verdict::Kept));
    // A window wide enough to touch two tanks names both.
    let (found, _) = behind(Span { from: at(37.8), to: at(38.2) }, &feedings);
    assert_eq!(found.iter().map(|behind| behind.feeding.number).collect::<Vec<_>>(), [5, 6]);
    let (found, unknown_s) = behind(Span { from: at(37.0), to: at(37.0) }, &feedings);
    assert_eq!((found.len(), unknown_s), (1, 0.0), "a moment has a tank too");
}

#[test]
fn what_nobody_recorded_is_unknown() {
    let unknown =
        Feeding { number: 2, span: Span { from: at(1.0), to: at(2.0) }, fills: Vec::new(), unseen: None };
    let feedings = [unknown];
    let (found, unknown_s) = behind(Span { from: at(1.5), to: at(3.0) }, &feedings);
    close(unknown_s, 3600.0);
    assert_eq!(found[0].verdicts(LIMITS), (Verdict::Unknown, Verdict::Unknown));
    let both =
        [Feeding { span: Span { from: at(0.5), to: at(1.8) }, ..feedings[0].clone() }, feedings[0].clone()];
    let (found, unknown_s) = behind(Span { from: at(0.5), to: at(2.0) }, &both);
    assert_eq!(found.len(), 2);
    close(unknown_s, 0.0);
}

#[test]
fn corn_fed_too_young_or_too_old_is_told_apart() {
    let young = Feeding {
        number: 1,
        span: Span { from: at(19.0), to: at(20.0) },
        fills: tank(1, 10.0).fills,
        unseen: None,
    };
    let (found, _) = behind(young.span, core::slice::from_ref(&young));
    assert_eq!(found[0].verdicts(LIMITS), (Verdict::Below, Verdict::Kept));
    let old = Feeding {
        number: 1,
        span: Span { from: at(25.0), to: at(26.0) },
        fills: tank(1, 10.0).fills,
        unseen: None,
    };
    let (found, _) = behind(old.span, core::slice::from_ref(&old));
    assert_eq!(found[0].verdicts(LIMITS), (Verdict::Kept, Verdict::Above));
}
