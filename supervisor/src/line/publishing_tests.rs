//! When the line is published.

use super::*;

fn after(ms: u64) -> impl Fn(Instant) -> Instant {
    move |begun| begun + Duration::from_millis(ms)
}

/// Scans each 10 ms for a second, looked at: ten times, and the last is owed until its time.
#[test]
fn many_scans_are_published_at_a_pace_and_the_last_is_not_held_back() {
    let (mut publishing, begun) = (Publishing::default(), Instant::now());
    let published: Vec<u64> =
        (0..=105).map(|n| 10 * n).filter(|ms| publishing.is_due(false, true, after(*ms)(begun))).collect();
    assert_eq!(published, (0..=10).map(|n| 100 * n).collect::<Vec<u64>>());
    let deadline = publishing.deadline().unwrap();
    assert_eq!(deadline, after(1_100)(begun));
    assert!(publishing.is_due(false, true, deadline));
    assert_eq!(publishing.deadline(), None, "nothing waits any more");
}

#[test]
fn what_happens_to_alarms_is_published_at_once_and_scans_for_nobody_are_not() {
    let (mut publishing, begun) = (Publishing::default(), Instant::now());
    assert!(publishing.is_due(true, false, begun));
    assert!(publishing.is_due(true, true, after(1)(begun)), "at once, however soon");
    assert!(!publishing.is_due(false, false, after(500)(begun)));
    assert_eq!(publishing.deadline(), None, "nobody looks: nothing is owed");
}

#[test]
fn whoever_has_looked_is_expected_for_a_minute() {
    let (mut publishing, looks) = (Publishing::default(), Looks::default());
    assert!(publishing.is_looked_at(1, &looks, 0) && publishing.is_looked_at(1, &looks, 59));
    assert!(!publishing.is_looked_at(1, &looks, 60), "nobody has come");
    assert!(publishing.is_looked_at(2, &looks, 61) && publishing.is_looked_at(1, &looks, 120));
    assert!(!publishing.is_looked_at(1, &looks, 121), "a minute after the one who watched has gone");
}
