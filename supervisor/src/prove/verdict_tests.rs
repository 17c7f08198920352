//! What follows from what was seen of an alarm in a run.

use super::super::plan::{Step, Way};
use super::*;

pub(in crate::prove) fn line() -> Line {
    setward_config::load_demo().unwrap().line
}

fn candidate() -> Candidate {
    let steps = vec![(0, Step::Begin("flow-low 30".to_owned()))];
    Candidate { branch: None, way: Way::Physics, setting: Vec::new(), steps, bound_s: 7_200 }
}

/// Raised in time, 11 s after the flow fell at 120 s; acknowledged; cleared.
pub(in crate::prove) fn good() -> Seen {
    Seen {
        begun_s: 120.0,
        done: 1,
        raised_s: Some(131.0),
        onset_s: Some(126.0),
        may_s: Some(130.5),
        must_s: Some(131.5),
        acknowledged: true,
        ended_s: 132.0,
        cleared_s: Some(140.0),
        ..Seen::default()
    }
}

pub(in crate::prove) fn judged(seen: &Seen) -> Result<Proven, Unproven> {
    let line = line();
    judge(&line, line.alarm_by_id("oil-flow-low").unwrap(), &candidate(), seen)
}

fn check_failed(seen: &Seen, words: &str) {
    let outcome = judged(seen);
    assert!(matches!(&outcome, Err(Unproven::Failed(own)) if own.why.contains(words)), "{outcome:?}");
}

#[test]
fn what_raised_in_time_was_acknowledged_and_cleared_is_proven() {
    let proven = judged(&good()).unwrap();
    assert_eq!((proven.by, proven.how.as_str()), ("physics", "flow-low 30"));
    let times = [proven.raised_after_s, proven.expected_from_s, proven.cleared_after_s];
    assert_eq!(times, [11.0, 10.5, 8.0]);
    assert_eq!((proven.trouble_s, proven.first_out), (Some(5.0), None));
}

#[test]
fn what_raised_too_late_too_early_or_not_at_all_although_it_must_has_failed() {
    check_failed(&Seen { raised_s: Some(150.0), ..good() }, "18.5 s later");
    check_failed(
        &Seen { raised_s: Some(115.0 + 6.0), onset_s: None, may_s: Some(145.0), ..good() },
        "earlier",
    );
    check_failed(&Seen { may_s: None, ..good() }, "earlier than its settings allow");
    check_failed(&Seen { raised_s: None, ..good() }, "should have raised 12 s after that, and did not");
}

#[test]
fn what_nobody_can_acknowledge_or_what_stays_has_failed() {
    check_failed(&Seen { acknowledged: false, ..good() }, "could not be acknowledged");
    let stays = judged(&Seen { cleared_s: None, ..good() });
    assert!(matches!(&stays, Err(Unproven::Failed(own)) if own.may_be_the_plant), "{stays:?}");
}

#[test]
fn what_did_not_raise_for_a_reason_is_told_with_it() {
    let quiet = || Seen { raised_s: None, must_s: None, ..good() };
    let hidden = Some("hidden by oven-flame-lost".to_owned());
    let told = |seen: Seen| match judged(&seen).unwrap_err() {
        Unproven::NotRaised(why) => why,
        Unproven::Failed(failure) => panic!("{failure:?}"),
    };
    assert_eq!(told(quiet()), "its condition did not come about within 120 min");
    let silent = Seen { silent: hidden.clone(), ..quiet() };
    assert_eq!(told(silent.clone()), "it could not speak: hidden by oven-flame-lost");
    let raised = Seen { raised_silently: true, ..silent };
    assert_eq!(told(raised), "it raised without calling anybody: hidden by oven-flame-lost");
    let before = Seen { raised_s: Some(20.0), done: 0, ..good() };
    assert_eq!(told(before), "it stands already before anything is done");
    let refused = Seen { refused: Some("no such fault".to_owned()), ..Seen::default() };
    assert_eq!(told(refused), "no such fault");
}

#[test]
fn the_order_of_a_group_is_that_of_onsets_and_none_within_a_poll() {
    let line = line();
    let id = |id: &str| line.alarm_by_id(id).unwrap();
    let (own, other) = (id("fryer-oil-high.TT-310"), id("fryer-oil-high.TT-311"));
    let place = |own_s: f64, other_s: f64| {
        let seen = Seen { onset_s: Some(own_s), group: vec![(own, own_s), (other, other_s)], ..good() };
        first_out(&line, own, &seen).unwrap()
    };
    assert_eq!(place(10.0, 20.0), "first, before fryer-oil-high.TT-311");
    assert_eq!(place(20.0, 10.0), "after fryer-oil-high.TT-311");
    assert_eq!(place(10.0, 10.9), "same poll as fryer-oil-high.TT-311, order unknown");
}

/// The line is stopped, heated up half an hour later, and only then a register lies: what raised on the stop was the stop's.
#[test]
fn what_raises_on_the_way_is_proven_by_what_was_done_until_then() {
    let steps = vec![
        (0, Step::Operate("stop")),
        (1_800, Step::Operate("heat-up")),
        (1_800, Step::Begin("shows FT-320 30".to_owned())),
    ];
    let plan = Candidate { branch: None, way: Way::Injection, setting: Vec::new(), steps, bound_s: 7_200 };
    let line = line();
    let proven = judge(&line, line.alarm_by_id("oil-flow-low").unwrap(), &plan, &good()).unwrap();
    assert_eq!((proven.by, proven.how.as_str(), proven.raised_after_s), ("physics", "operators: stop", 11.0));
    let after = plan.until(3);
    assert_eq!((after.way, after.begun_s(), plan.until(1).begun_s()), (Way::Injection, 1_920, 120));
}
