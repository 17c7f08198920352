//! Calls at the edges of a window: one of then and one of now may lie on either side.

use super::*;

/// 06:00 to 08:00 of a day.
const WINDOW: (i64, i64) = (6 * HOUR_S, 8 * HOUR_S);
const HOUR_S: i64 = 3600;

fn utc(second: i64) -> UtcMillis {
    UtcMillis(1000 * second)
}

fn at(hour: i64, minute: i64, second: i64) -> i64 {
    hour * HOUR_S + minute * 60 + second
}

fn one(onset: i64, raised: i64, cleared: Option<i64>) -> Occurrence {
    Occurrence { onset: utc(onset), raised: utc(raised), cleared: cleared.map(utc) }
}

/// The two compared over the window, of which readings were fed until `fed_to`; `None` if there is nothing to tell.
fn compared_to(then: Option<Occurrence>, now: Option<Occurrence>, fed_to: i64) -> Option<Compared> {
    let line = setward_config::load_demo().unwrap().line;
    let id = line.alarms[0].id.clone();
    let of = |one: Option<Occurrence>| BTreeMap::from([(id.clone(), one.into_iter().collect::<Vec<_>>())]);
    let looked = Looked { window: Span::new(utc(WINDOW.0), utc(WINDOW.1)).unwrap(), fed_to: utc(fed_to) };
    let mut found = compare(&line, &of(then), &of(now), (looked, &Ground::new(&line)));
    assert!(found.len() < 2, "{found:?}");
    found.pop()
}

fn compared(then: Option<Occurrence>, now: Option<Occurrence>) -> Option<Compared> {
    compared_to(then, now, at(9, 0, 0))
}

fn counts(one: &Compared) -> [usize; 5] {
    [one.then, one.now, one.missed, one.added, one.undecided]
}

#[test]
fn a_call_that_would_have_come_before_the_window_is_sooner_and_not_missed() {
    let end = Some(at(6, 20, 0));
    let then = one(at(5, 55, 0), at(6, 1, 0), end);
    let found = compared(Some(then), Some(one(at(5, 55, 0), at(5, 58, 0), end))).unwrap();
    assert_eq!((counts(&found), found.later_median_s), ([1, 1, 0, 0, 0], Some(-180.0)));
    assert_eq!((found.in_alarm_then_s, found.in_alarm_now_s), (19.0 * 60.0, 20.0 * 60.0));
}

#[test]
fn a_call_that_moves_into_the_window_is_later_and_not_added() {
    let end = Some(at(6, 20, 0));
    let then = one(at(5, 55, 0), at(5, 59, 0), end);
    let found = compared(Some(then), Some(one(at(5, 55, 0), at(6, 2, 0), end))).unwrap();
    assert_eq!((counts(&found), found.later_median_s), ([1, 1, 0, 0, 0], Some(180.0)));
}

#[test]
fn a_call_that_moves_out_of_the_window_is_later_and_not_missed() {
    let then = one(at(7, 59, 0), at(7, 59, 50), Some(at(8, 30, 0)));
    let now = one(at(7, 59, 0), at(8, 0, 10), Some(at(8, 30, 0)));
    let found = compared(Some(then), Some(now)).unwrap();
    assert_eq!((counts(&found), found.later_median_s), ([1, 1, 0, 0, 0], Some(20.0)));
    assert_eq!((found.in_alarm_then_s, found.in_alarm_now_s), (10.0, 0.0), "what lies in the window");
}

#[test]
fn what_stood_since_before_the_window_on_both_sides_is_no_call_of_it() {
    let then = one(at(5, 30, 0), at(5, 40, 0), Some(at(6, 30, 0)));
    let now = one(at(5, 30, 0), at(5, 50, 0), Some(at(6, 30, 0)));
    assert_eq!(compared(Some(then), Some(now)), None);
}

#[test]
fn a_call_that_stands_when_the_readings_end_is_undecided_until_the_other_had_an_hour_to_follow() {
    let then = one(at(7, 59, 0), at(7, 59, 50), None);
    let at_end = |fed_to| compared_to(Some(then), None, fed_to).unwrap();
    assert_eq!(counts(&at_end(at(8, 0, 0))), [1, 0, 0, 0, 1]);
    assert!(!at_end(at(8, 0, 0)).is_alike());
    assert_eq!(counts(&at_end(at(9, 0, 0))), [1, 0, 1, 0, 0]);
    let over = one(at(7, 50, 0), at(7, 55, 0), Some(at(7, 58, 0)));
    assert_eq!(counts(&compared_to(None, Some(over), at(8, 0, 0)).unwrap()), [0, 1, 0, 1, 0], "it is over");
}
