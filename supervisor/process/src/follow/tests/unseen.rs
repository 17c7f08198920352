//! What nobody saw is not made up: belts and feeds in an outage, pump-outs behind it.

use super::cook_temperature::told_by_temperature;
use super::*;

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
        for record in 0..3 {
            let value = Some(if second <= dark_from { SPEEDS_M_PER_S[record] } else { 0.0 });
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
