//! The oldest corn that waits, where something about a tank is not known.

use super::*;
use setward_process::tanks::{Row, SoakLimits, TankState};
use std::time::Duration;

/// A full tank; ages in h: at least, and at most.
fn full(index: usize, seen_h: Option<f64>, at_most_h: Option<f64>) -> TankView {
    let seconds = |age_h: Option<f64>| age_h.map(|age| age * 3600.0);
    let row = Row {
        number: u16::try_from(index + 1).unwrap(),
        state: TankState::Soaking,
        is_feeding: false,
        corn_kg: 1200.0,
        youngest_s: seconds(seen_h),
        oldest_s: seconds(at_most_h),
        oldest_seen_s: seconds(seen_h),
        has_unseen: seen_h != at_most_h,
        ready_at: None,
        over_age_at: None,
    };
    let limits = SoakLimits { least: Duration::from_secs(36_000), most: Duration::from_secs(57_600) };
    let holds = Some(TankCode::Full);
    TankView {
        tank: index,
        code: Some(3),
        holds,
        row,
        ready_at: None,
        over_age_at: None,
        limits: Some(limits),
    }
}

#[test]
fn a_full_tank_of_unknown_age_may_hold_the_oldest_corn() {
    let known = full(0, Some(5.0), Some(5.0));
    let age_h = |tanks: &[TankView]| oldest_corn(tanks, tanks.len()).map(|age| age / 3600.0);
    assert_eq!(age_h(&[known]), Some(5.0));
    assert_eq!(age_h(&[known, full(1, None, None)]), None, "it may be 17 h old");
    assert_eq!(oldest_corn(&[known], 2), None, "a tank of which nothing was read");
    let silent = TankView { holds: None, ..full(1, None, None) };
    assert_eq!(age_h(&[known, silent]), None);
    // What is too old is, whatever else is.
    assert_eq!(age_h(&[full(0, Some(16.5), Some(16.5)), full(1, None, None)]), Some(16.5));
    // What feeds is on its way.
    let mut feeds = full(1, None, None);
    feeds.row.is_feeding = true;
    assert_eq!(age_h(&[known, feeds]), Some(5.0));
    let mut empty = full(1, None, None);
    (empty.holds, empty.row.has_unseen) = (Some(TankCode::Empty), false);
    assert_eq!((age_h(&[known, empty]), age_h(&[empty])), (Some(5.0), Some(0.0)));
}

#[test]
fn corn_that_may_be_in_a_tank_counts_until_it_would_be_too_old() {
    let age_h = |seen_h, at_most_h| {
        let tanks = [full(0, Some(seen_h), at_most_h)];
        assert_eq!(oldest_corn(&tanks, 1), oldest_in(&tanks, 0));
        oldest_corn(&tanks, 1).map(|age| age / 3600.0)
    };
    assert_eq!(age_h(5.0, Some(6.5)), Some(6.5));
    assert_eq!(age_h(15.5, Some(17.0)), None, "perhaps too old");
    assert_eq!(age_h(16.2, Some(17.7)), Some(16.2), "too old for certain");
    assert_eq!((age_h(5.0, None), age_h(16.2, None)), (None, Some(16.2)));
}
