//! Alarms of the demo with runs that are made up: what is tried next, and what comes of it.

use super::super::verdict::tests::{good, line};
use super::*;
use crate::prove::branch::SIDES;
use setward_alarm::Side;

fn case(line: &Line, id: &str) -> Case {
    Case::new(line, line.alarm_by_id(id).unwrap())
}

/// It raised by this branch, in time.
fn raised(branch: Branch) -> Seen {
    Seen { branch: Some(branch), ..good() }
}

fn quiet() -> Seen {
    Seen { raised_s: None, must_s: None, ..good() }
}

fn words(case: &Case) -> String {
    case.next().map(Candidate::words).unwrap_or_default()
}

/// Takes the same until nothing is left to try; gives how often that was.
fn take_all(case: &mut Case, line: &Line, seen: &Seen) -> usize {
    let mut runs = 0;
    while case.next().is_some() {
        case.take(line, seen);
        runs += 1;
    }
    runs
}

#[test]
fn an_alarm_is_proven_once_each_of_its_branches_has_raised() {
    let line = line();
    let mut dose = case(&line, "cook-dose-out.TT-101");
    assert_eq!(words(&dose), "setpoint-turned TIC-101-SP 102");
    dose.take(&line, &raised(Branch::TooMuch));
    assert!(dose.next().is_some_and(|next| next.may_show(Branch::TooLittle)), "{dose:?}");
    dose.take(&line, &raised(Branch::TooLittle));
    assert_eq!(dose.next(), None);
    let Verdict::Proven(proven) = dose.closed(&line).verdict else { panic!("not proven") };
    let shown: Vec<_> = proven.all().filter_map(|one| one.branch.as_deref()).collect();
    assert_eq!(shown, ["too little", "too much"]);
}

#[test]
fn a_branch_that_nothing_brings_about_is_named_and_everything_is_tried_for_it() {
    let line = line();
    let mut dose = case(&line, "cook-dose-out.TT-101");
    dose.take(&line, &raised(Branch::TooMuch));
    assert!(take_all(&mut dose, &line, &quiet()) > 3);
    let proof = dose.closed(&line);
    let Verdict::PartlyProven(partly) = proof.verdict else { panic!("{proof:?}") };
    assert_eq!(
        (partly.proven.branch.as_deref(), partly.left[0].branch.as_str()),
        (Some("too much"), "too little")
    );
    let why = &partly.left[0].why;
    assert!(
        why.len() > 3 && why.iter().any(|why| why.starts_with("hold-set 10: its condition did not")),
        "{why:?}"
    );
}

/// A fault that was meant for one side may raise the alarm by the other: that is what was shown.
#[test]
fn what_was_seen_counts_and_not_what_was_meant() {
    let line = line();
    let [above, below] = SIDES;
    let mut bake = case(&line, "bake-time-out");
    assert_eq!(words(&bake), "belt-slip ST-220 11.09", "it makes the time longer");
    bake.take(&line, &raised(below));
    assert!(bake.next().is_some_and(|next| next.branch == Some(above)), "{bake:?}");
    take_all(&mut bake, &line, &raised(below));
    let proof = bake.closed(&line);
    let Verdict::PartlyProven(partly) = proof.verdict else { panic!("{proof:?}") };
    assert_eq!((partly.proven.branch.as_deref(), partly.left[0].branch.as_str()), (Some("below"), "above"));
    assert!(
        partly.left[0].why.iter().all(|why| why.contains("by another of its conditions (below)")),
        "{partly:?}"
    );
}

#[test]
fn what_fails_on_one_side_has_failed_and_names_it() {
    let line = line();
    let mut bake = case(&line, "bake-time-out");
    bake.take(&line, &raised(Branch::Side(Side::Above)));
    bake.take(&line, &Seen { raised_s: None, ..good() });
    assert_eq!(bake.next(), None);
    let proof = bake.closed(&line);
    let Verdict::Failed { why, .. } = &proof.verdict else { panic!("{proof:?}") };
    assert!(why.starts_with("below: it should have raised"), "{why}");
}

#[test]
fn one_that_stays_has_failed_unless_another_attempt_clears() {
    let line = line();
    let stays = Seen { cleared_s: None, ..raised(Branch::Side(Side::Above)) };
    let mut bake = case(&line, "bake-time-out");
    bake.take(&line, &stays);
    bake.take(&line, &raised(Branch::Side(Side::Below)));
    assert!(bake.next().is_some(), "above is tried again");
    let mut other = case(&line, "bake-time-out");
    take_all(&mut bake, &line, &raised(Branch::Side(Side::Above)));
    assert!(matches!(bake.closed(&line).verdict, Verdict::Proven(_)));
    take_all(&mut other, &line, &stays);
    assert!(matches!(other.closed(&line).verdict, Verdict::Failed { .. }));
}

/// For each way in which an alarm of the demo may raise there is something to try; but for the age of the oldest corn.
#[test]
fn there_is_something_to_try_for_each_branch_of_the_demos_alarms() {
    let line = line();
    let files = |kind: &setward_alarm::Kind| {
        use setward_alarm::Kind;
        !matches!(kind, Kind::Measurement(_) | Kind::Communication(_) | Kind::Forwarding(_))
    };
    let mut without = Vec::new();
    let mut two = 0;
    for (id, alarm) in line.alarms_with_ids().filter(|(_, alarm)| files(&alarm.settings.kind)) {
        let plan = candidates(&line, id);
        let declared = Branch::of(alarm);
        two += usize::from(declared.len() > 1);
        let has_none = |branch: &Branch| !plan.candidates.iter().any(|candidate| candidate.may_show(*branch));
        without.extend(declared.into_iter().filter(has_none).map(|branch| (alarm.id.as_str(), branch)));
    }
    assert_eq!(without, [("soak-too-old", Branch::Whole), ("soak-over-age", Branch::Whole)]);
    assert!(two > 20, "{two}");
}
