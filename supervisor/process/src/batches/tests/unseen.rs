//! What is said of a batch of which a part was not seen: never more than is known.

use super::*;

/// Least and most of what was found, and the verdict.
fn judged(
    batch: &Batch,
    corners: &[(f64, f64)],
    limits: &KettleLimits,
    limit: Limit,
) -> (Option<(f64, f64)>, Verdict) {
    let points = cooked(corners);
    let told = judge(batch, &Trace::new(&points, GAP).unwrap(), FILLED, limits);
    let told = told.iter().find(|told| told.limit == limit).unwrap();
    (told.found, told.verdict)
}

fn one(stretches: &[(f64, Option<i64>)]) -> Batch {
    let mut ended = run(&mut tracker(), stretches);
    assert_eq!(ended.len(), 1, "{ended:?}");
    ended.remove(0)
}

/// 76 degC after 5 min of quench, then 3 min blind; at the first reading of the pump-out it is 71.
#[test]
fn a_quench_whose_end_nobody_saw_has_no_temperature_at_its_end() {
    let mut blind = BLUE.to_vec();
    blind[4] = (5.0, Some(4));
    blind.insert(5, (3.0, None));
    let batch = one(&blind);
    let corners = [(13.0, 17.0), (38.0, 96.0), (58.0, 96.0), (63.0, 76.0), (66.0, 71.0), (78.0, 69.0)];
    assert_eq!(judged(&batch, &corners, &blue_limits(), Limit::QuenchEnd), (None, Verdict::Unknown));
    let seen = one(&BLUE);
    assert_eq!(judged(&seen, &corners, &blue_limits(), Limit::QuenchEnd).1, Verdict::Kept);
}

/// The last 20 min of a heating that may have lasted for longer than the 35 min that it may.
#[test]
fn a_heating_that_was_under_way_when_it_was_first_seen_lasted_for_at_least_so_long() {
    let rest =
        [(20.0, Some(2)), (20.0, Some(3)), (8.0, Some(4)), (9.0, Some(5)), (3.0, Some(6)), (1.0, Some(0))];
    let batch = one(&rest);
    assert_eq!(batch.length_s(Phase::Heat), Some((1200.0, f64::INFINITY)));
    assert_eq!(batch.length_s(Phase::Hold), Some((1200.0, 1200.0)));
    let corners = [(0.0, 57.0), (20.0, 96.0), (40.0, 96.0), (48.0, 70.0), (60.0, 69.0)];
    let of = |limit: Limit| judged(&batch, &corners, &blue_limits(), limit);
    assert_eq!(of(Limit::HeatTime).1, Verdict::Unknown);
    let (equivalent, verdict) = of(Limit::EquivalentMinutes);
    assert!(equivalent.unwrap().0 > 24.0 && equivalent.unwrap().1 == f64::INFINITY, "{equivalent:?}");
    assert_eq!(verdict, Verdict::Unknown);
    // It was not hot yet when it was first seen: its hold is known whole.
    let (counted, verdict) = of(Limit::HoldCounted);
    assert!(counted.unwrap().1 < 1400.0 && verdict == Verdict::Kept, "{counted:?}");
}

#[test]
fn a_batch_first_seen_in_its_hold_is_judged_by_what_was_seen_of_it() {
    let limits = KettleLimits { counted_s: (Accept::between(1200.0, 1560.0), 94.0), ..blue_limits() };
    let held = |minutes: f64| {
        let rest = [(minutes, Some(3)), (8.0, Some(4)), (9.0, Some(5)), (3.0, Some(6)), (1.0, Some(0))];
        let corners = [(0.0, 96.0), (minutes, 96.0), (minutes + 8.0, 70.0), (minutes + 20.0, 69.0)];
        (one(&rest), corners)
    };
    let (long, corners) = held(27.0);
    assert_eq!(judged(&long, &corners, &limits, Limit::HoldCounted).1, Verdict::Above);
    let (short, corners) = held(10.0);
    let (found, verdict) = judged(&short, &corners, &limits, Limit::HoldCounted);
    assert_eq!(verdict, Verdict::Unknown, "the rest of it may have been before");
    assert!((found.unwrap().0 - (10.0 + 8.0 / 13.0) * 60.0).abs() < 1.0, "{found:?}");
    let (enough, corners) = held(22.0);
    assert_eq!(judged(&enough, &corners, &blue_limits(), Limit::HoldCounted).1, Verdict::Kept);
    assert_eq!(judged(&enough, &corners, &blue_limits(), Limit::EquivalentMinutes).1, Verdict::Unknown);
    assert_eq!(judged(&enough, &corners, &blue_limits(), Limit::HeatTime), (None, Verdict::Unknown));
}

/// Quenched, 50 min blind, rinsed, idle: it may have been pumped out meanwhile.
#[test]
fn a_batch_that_may_have_been_pumped_out_unseen_is_not_interrupted() {
    let mut blind = BLUE.to_vec();
    blind[5] = (50.0, None);
    let batch = one(&blind);
    assert_eq!(batch.oddities, [Oddity::NotSeen(Phase::Transfer)]);
    assert_eq!(batch.ending, Some(Ending::NotSeen));
    // Seen to be rinsed without a pump-out, it was none.
    let mut dumped = BLUE.to_vec();
    dumped.remove(5);
    assert_eq!(one(&dumped).ending, Some(Ending::Interrupted));
}

/// A kettle without a step for its fill heats from one reading to the next: that was seen, and how long it took is known.
#[test]
fn a_heating_that_follows_at_once_was_seen_from_its_beginning() {
    let mut unfilled = BLUE.to_vec();
    unfilled.remove(1);
    let batch = one(&unfilled);
    assert_eq!(batch.oddities, [Oddity::Missing(Phase::Fill)]);
    assert_eq!(batch.length_s(Phase::Heat), Some((1500.0, 1500.0)));
}
