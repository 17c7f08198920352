//! What nobody saw is not made up.

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
