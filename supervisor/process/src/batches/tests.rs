//! Kettle batches as the demo's recipe has them, and each way in which one goes wrong.

use super::verdict::{Accept, Filled, KettleLimits, Limit, Verdict, judge};
use super::*;
use crate::series::Trace;
use crate::thermal::Reference;
use proptest::prelude::*;

mod unseen;

const GAP: Duration = Duration::from_secs(30);

fn at(minutes: f64) -> Uptime {
    Uptime::from_secs_f64(minutes * 60.0)
}

fn tracker() -> BatchTracker {
    use Phase::{Fill, Heat, Hold, Idle, Quench, Rinse, Transfer};
    let codes = [Idle, Fill, Heat, Hold, Quench, Transfer, Rinse];
    let codes = codes.iter().zip(0..).map(|(phase, code)| (code, *phase)).collect();
    let longest = Duration::from_secs(4 * 3600);
    BatchTracker::new(StepRule { codes, longest, gap_limit: GAP, turnaround: Duration::from_secs(900) })
}

/// Polls every 10 s through (minutes, code) stretches from minute 0; code `None` is a bad reading.
fn run(tracker: &mut BatchTracker, stretches: &[(f64, Option<i64>)]) -> Vec<Batch> {
    let (mut ended, mut from_s, mut now_s) = (Vec::new(), 0.0, 0.0);
    for (minutes, code) in stretches {
        from_s += minutes * 60.0;
        while now_s < from_s {
            ended.extend(tracker.handle(Uptime::from_secs_f64(now_s), *code));
            now_s += 10.0;
        }
    }
    ended
}

/// The blue-corn batch: fill 8, heat 25, hold 20, quench 8, pump-out 9, rinse 3 min, then idle.
const BLUE: [(f64, Option<i64>); 8] = [
    (5.0, Some(0)),
    (8.0, Some(1)),
    (25.0, Some(2)),
    (20.0, Some(3)),
    (8.0, Some(4)),
    (9.0, Some(5)),
    (3.0, Some(6)),
    (1.0, Some(0)),
];

#[test]
fn a_batch_by_the_book_is_complete() {
    let ended = run(&mut tracker(), &BLUE);
    assert_eq!(ended.len(), 1);
    let batch = &ended[0];
    assert_eq!(
        (batch.ending, batch.oddities.as_slice(), batch.unseen_s()),
        (Some(Ending::Complete), [].as_slice(), 0.0)
    );
    assert_eq!(batch.phase(Phase::Hold), Some(Span { from: at(38.0), to: at(58.0) }));
    assert_eq!(batch.cook(), Some(Span { from: at(13.0), to: at(66.0) }));
    assert_eq!(batch.span(), Some(Span { from: at(5.0), to: at(78.0) }));
}

#[test]
fn a_new_fill_ends_the_batch_before_it() {
    let mut tracker = tracker();
    let overlapping =
        [(1.0, Some(0)), (8.0, Some(1)), (25.0, Some(2)), (5.0, Some(3)), (8.0, Some(1)), (9.0, Some(2))];
    let ended = run(&mut tracker, &overlapping);
    assert_eq!(ended.len(), 1);
    assert_eq!(ended[0].ending, Some(Ending::Interrupted), "it was never pumped out");
    let running = tracker.running().unwrap();
    assert_eq!(running.span().unwrap().from, at(39.0));
    assert_eq!(running.oddities, []);
}

#[test]
fn a_batch_that_never_ends_is_given_up_once() {
    let mut tracker = tracker();
    let ended = run(&mut tracker, &[(1.0, Some(0)), (8.0, Some(1)), (1200.0, Some(2))]);
    assert_eq!(ended.len(), 1, "not again every four hours");
    assert_eq!(ended[0].ending, Some(Ending::NeverEnded));
    assert_eq!(tracker.running(), None);
    let mut stuck = super::tests::tracker();
    assert_eq!(run(&mut stuck, &[(1.0, Some(0)), (1200.0, Some(1))]).len(), 1, "stuck in fill too");
    let silent = run(&mut super::tests::tracker(), &[(1.0, Some(0)), (8.0, Some(1)), (600.0, None)]);
    assert_eq!(silent[0].ending, Some(Ending::NeverEnded), "a dead register ends it as well");
}

#[test]
fn missing_repeated_and_backward_steps_are_listed() {
    let no_quench =
        [(1.0, Some(0)), (8.0, Some(1)), (25.0, Some(2)), (20.0, Some(3)), (9.0, Some(5)), (1.0, Some(0))];
    let ended = run(&mut tracker(), &no_quench);
    assert_eq!(ended[0].oddities, [Oddity::Missing(Phase::Quench)]);
    // Never quenched: the cook goes on until it is pumped out.
    assert_eq!(ended[0].cook(), Some(Span { from: at(9.0), to: at(54.0) }));
    let back =
        [(1.0, Some(0)), (8.0, Some(1)), (25.0, Some(2)), (2.0, Some(3)), (5.0, Some(2)), (20.0, Some(3))];
    let mut tracker = tracker();
    assert_eq!(run(&mut tracker, &back), []);
    let batch = tracker.running().unwrap();
    assert_eq!(batch.oddities, [Oddity::Backward { from: Phase::Hold, to: Phase::Heat }]);
    assert_eq!(batch.phases.len(), 5);
    assert_eq!(batch.phase(Phase::Hold).unwrap().from, at(34.0), "from the first hold to the last");
}

#[test]
fn what_was_not_seen_is_unknown_time() {
    let mut blind = BLUE.to_vec();
    blind[3] = (10.0, Some(3));
    blind.insert(4, (10.0, None));
    let ended = run(&mut tracker(), &blind);
    assert!((ended[0].unseen_s() - 610.0).abs() < 1e-6, "{}", ended[0].unseen_s());
    let mut odd = BLUE.to_vec();
    odd[3] = (20.0, Some(77));
    let ended = run(&mut tracker(), &odd);
    assert_eq!(ended[0].oddities, [Oddity::UnknownCode(77), Oddity::NotSeen(Phase::Hold)]);
    let ended = run(&mut tracker(), &BLUE[3..]);
    assert_eq!(ended[0].oddities, [Oddity::BeginningNotSeen], "what came before it is not missing");
}

/// 3 min blind within the fill make the fill uncertain, not the hold; 10 min blind over the whole quench hide it.
#[test]
fn unseen_time_counts_for_the_phases_it_touches() {
    let mut blind = BLUE.to_vec();
    blind[1] = (2.0, Some(1));
    blind.insert(2, (3.0, None));
    blind.insert(3, (3.0, Some(1)));
    let ended = run(&mut tracker(), &blind);
    assert_eq!(ended[0].length_s(Phase::Fill), Some((480.0 - 190.0, 480.0)));
    assert_eq!(ended[0].length_s(Phase::Hold), Some((1200.0, 1200.0)));
    let mut blind = BLUE.to_vec();
    blind[4] = (8.0, None);
    let ended = run(&mut tracker(), &blind);
    assert_eq!(ended[0].oddities, [Oddity::NotSeen(Phase::Quench)]);
    assert_eq!(ended[0].length_s(Phase::Quench), None);
    assert_eq!(ended[0].length_s(Phase::Transfer), Some((540.0, 540.0 + 490.0)), "or begun there");
    assert_eq!(ended[0].length_s(Phase::Hold), Some((1190.0, 1680.0)), "it may have ended anywhere in it");
}

#[test]
fn a_batch_that_ended_unseen_is_not_the_next_one() {
    // Blind from the hold of one to the heating of the next, 40 min later.
    let mut one = tracker();
    let hidden =
        [(1.0, Some(0)), (8.0, Some(1)), (25.0, Some(2)), (5.0, Some(3)), (40.0, None), (9.0, Some(2))];
    let ended = run(&mut one, &hidden);
    assert_eq!(ended.iter().map(|batch| batch.ending).collect::<Vec<_>>(), [Some(Ending::NotSeen)]);
    assert_eq!(one.running().unwrap().oddities, [Oddity::BeginningNotSeen]);
    // A minute is too short for that: someone heats again.
    let mut one = tracker();
    let short =
        [(1.0, Some(0)), (8.0, Some(1)), (25.0, Some(2)), (5.0, Some(3)), (1.0, None), (9.0, Some(2))];
    assert_eq!(run(&mut one, &short), []);
    assert_eq!(one.running().unwrap().oddities, [Oddity::Backward { from: Phase::Hold, to: Phase::Heat }]);
    // Pumped out, and heating again without a fill that anybody saw.
    let mut one = tracker();
    let mut unfilled = BLUE[..6].to_vec();
    unfilled.push((9.0, Some(2)));
    let ended = run(&mut one, &unfilled);
    assert_eq!(ended.iter().map(|batch| batch.ending).collect::<Vec<_>>(), [Some(Ending::Complete)]);
    assert_eq!(one.running().unwrap().oddities, [], "its heating was seen to begin");
}

#[test]
fn a_sample_that_is_not_later_changes_nothing() {
    let mut tracker = tracker();
    run(&mut tracker, &BLUE[..3]);
    let before = tracker.clone();
    assert_eq!(tracker.handle(at(3.0), Some(0)), None);
    // The last was polled 10 s before minute 38.
    assert_eq!(tracker.handle(Uptime::from_secs_f64(38.0 * 60.0 - 10.0), Some(0)), None);
    assert_eq!(tracker, before);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever a register says, silence and nonsense included: batches do not overlap, their phases follow each other
    /// without a hole, one that is complete was pumped out, unseen time lies within the batch or just before it, and every
    /// ending is told once.
    #[test]
    fn whatever_a_register_says_batches_stay_in_order(
        said in prop::collection::vec((1_u64..1200, prop::option::weighted(0.8, -1_i64..9)), 1..80)
    ) {
        let (mut tracker, mut now, mut ended) = (tracker(), Uptime::START, Vec::new());
        for (seconds, code) in said {
            now = now + Duration::from_secs(seconds);
            ended.extend(tracker.handle(now, code));
        }
        let mut until = Uptime::START;
        for batch in &ended {
            let span = batch.span().unwrap();
            prop_assert!(until <= span.from && span.from <= span.to, "{batch:?}");
            until = span.to;
            for pair in batch.phases.windows(2) {
                prop_assert!(pair[0].span.to == pair[1].span.from && pair[0].phase != pair[1].phase, "{batch:?}");
            }
            prop_assert!(batch.ending != Some(Ending::Complete) || batch.phase(Phase::Transfer).is_some());
            prop_assert!(batch.unseen.iter().all(|gap| gap.to >= span.from && gap.to <= span.to), "{batch:?}");
            prop_assert!(batch.unseen.iter().all(|gap| gap.to.since(gap.from) > GAP));
            for phase in NEEDED {
                let Some((least, most)) = batch.length_s(phase) else { continue };
                prop_assert!(least >= -1e-9 && least <= most, "{batch:?}");
            }
        }
    }
}

fn blue_limits() -> KettleLimits {
    KettleLimits {
        water_l: Accept::between(1176.0, 1224.0),
        corn_kg: Accept::between(594.0, 606.0),
        water_to_corn_l_per_kg: Accept::between(1.5, 2.1),
        lime_kg: Accept::between(3.4, 3.8),
        heating_k_per_min: (Accept::at_least(1.5), (40.0, 85.0)),
        heat_s: Accept::at_most(35.0 * 60.0),
        counted_s: (Accept::at_least(20.0 * 60.0), 94.0),
        hold_s: Accept::at_most(26.0 * 60.0),
        equivalent_min: (Accept::between(24.0, 37.0), Reference::new(95.0, 33.0).unwrap()),
        quench_end_degc: Accept::between(66.0, 72.0),
        hottest_degc: 99.3,
    }
}

/// Temperature of the blue batch in straight lines, degC at minutes: a sample each 10 s.
fn cooked(corners: &[(f64, f64)]) -> Vec<(Uptime, f64)> {
    let mut points = Vec::new();
    for pair in corners.windows(2) {
        let ((from, first), (to, last)) = (pair[0], pair[1]);
        let steps = ((to - from) * 6.0).round() as u32;
        for step in 0..steps {
            let share = f64::from(step) / f64::from(steps);
            points.push((at(from + (to - from) * share), first + (last - first) * share));
        }
    }
    points.push((at(corners[corners.len() - 1].0), corners[corners.len() - 1].1));
    points
}

const BLUE_DEGC: [(f64, f64); 5] = [(13.0, 17.0), (38.0, 96.0), (58.0, 96.0), (66.0, 70.0), (78.0, 69.0)];
const FILLED: Filled =
    Filled { water_l: Some(1200.0), corn_kg: Some(600.0), corn_uncertainty_kg: 4.5, lime_kg: Some(3.6) };

fn verdicts(batch: &Batch, corners: &[(f64, f64)], filled: Filled) -> Vec<(Limit, Verdict)> {
    let points = cooked(corners);
    let trace = Trace::new(&points, GAP).unwrap();
    judge(batch, &trace, filled, &blue_limits()).iter().map(|told| (told.limit, told.verdict)).collect()
}

#[test]
fn the_recipes_own_batch_keeps_every_limit() {
    let batch = run(&mut tracker(), &BLUE).remove(0);
    for (limit, verdict) in verdicts(&batch, &BLUE_DEGC, FILLED) {
        assert_eq!(verdict, Verdict::Kept, "{limit:?}");
    }
    let points = cooked(&BLUE_DEGC);
    let told = judge(&batch, &Trace::new(&points, GAP).unwrap(), FILLED, &blue_limits());
    let equivalent = told.iter().find(|told| told.limit == Limit::EquivalentMinutes).unwrap();
    let (low, high) = equivalent.found.unwrap();
    assert!((low - 30.3).abs() < 0.1 && high - low < 1e-6, "the recipe says 30.3 min, found {low} to {high}");
}

/// The week's fourth incident: the quench ends at 75.6 degC and is pumped anyway.
#[test]
fn a_hot_quench_is_above_its_limit_and_nothing_else() {
    let batch = run(&mut tracker(), &BLUE).remove(0);
    let hot = [(13.0, 17.0), (38.0, 96.0), (58.0, 96.0), (66.0, 75.6), (78.0, 75.0)];
    for (limit, verdict) in verdicts(&batch, &hot, FILLED) {
        let expected = if limit == Limit::QuenchEnd { Verdict::Above } else { Verdict::Kept };
        assert_eq!(verdict, expected, "{limit:?}");
    }
}

/// 1.2 K/min instead of 3: too slow to heat, and too long.
#[test]
fn a_failed_steam_trap_shows_in_the_heating_rate() {
    let slow = [
        (5.0, Some(0)),
        (8.0, Some(1)),
        (66.0, Some(2)),
        (20.0, Some(3)),
        (8.0, Some(4)),
        (9.0, Some(5)),
        (1.0, Some(0)),
    ];
    let batch = run(&mut tracker(), &slow).remove(0);
    let corners = [(13.0, 17.0), (79.0, 96.0), (99.0, 96.0), (107.0, 70.0), (117.0, 69.0)];
    let told = verdicts(&batch, &corners, FILLED);
    assert!(
        told.contains(&(Limit::HeatingRate, Verdict::Below))
            && told.contains(&(Limit::HeatTime, Verdict::Above))
    );
    assert!(told.contains(&(Limit::HoldCounted, Verdict::Kept)));
}

#[test]
fn a_hold_that_nobody_saw_is_neither_kept_nor_broken() {
    let batch = run(&mut tracker(), &BLUE).remove(0);
    let mut points = cooked(&BLUE_DEGC);
    points.retain(|(time, _)| *time < at(45.0) || *time > at(55.0));
    let told = judge(&batch, &Trace::new(&points, GAP).unwrap(), Filled::default(), &blue_limits());
    let verdict = |limit: Limit| told.iter().find(|told| told.limit == limit).unwrap().verdict;
    assert_eq!(verdict(Limit::HoldCounted), Verdict::Unknown, "11 min seen, 10 unseen, 20 wanted");
    assert_eq!(verdict(Limit::EquivalentMinutes), Verdict::Unknown);
    assert_eq!(verdict(Limit::Lime), Verdict::Unknown, "nobody entered it");
    assert_eq!(verdict(Limit::QuenchEnd), Verdict::Kept);
    assert_eq!(Accept::between(1.0, 2.0).verdict(f64::NAN, f64::NAN), Verdict::Unknown);
}

#[test]
fn a_limit_that_is_not_set_is_not_judged() {
    let batch = run(&mut tracker(), &BLUE).remove(0);
    let points = cooked(&BLUE_DEGC);
    let limits = KettleLimits { hold_s: Accept::default(), lime_kg: Accept::default(), ..blue_limits() };
    let told = judge(&batch, &Trace::new(&points, GAP).unwrap(), Filled::default(), &limits);
    assert_eq!(told.len(), 8, "{told:?}");
    assert!(told.iter().all(|told| !matches!(told.limit, Limit::HoldTime | Limit::Lime)));
}

/// The batch of the week's hot quench, and one that was held for as long as it should without a quench at all.
#[test]
fn a_batch_told_by_temperature_is_judged_by_its_hold_only() {
    let points = cooked(&BLUE_DEGC);
    let trace = Trace::new(&points, GAP).unwrap();
    let batch = from_temperature(&trace, rule()).remove(0);
    for told in judge(&batch, &trace, FILLED, &blue_limits()) {
        let expected = match told.limit {
            Limit::HeatTime | Limit::HoldTime | Limit::EquivalentMinutes | Limit::QuenchEnd => {
                Verdict::Unknown
            }
            Limit::Water
            | Limit::Corn
            | Limit::WaterToCorn
            | Limit::Lime
            | Limit::HeatingRate
            | Limit::HoldCounted => Verdict::Kept,
        };
        assert_eq!(told.verdict, expected, "{:?}", told.limit);
    }
}

fn rule() -> TemperatureRule {
    TemperatureRule::new(40.0, 74.0, 94.0).unwrap()
}

#[test]
fn the_temperature_alone_shows_the_cook() {
    let mut points = cooked(&BLUE_DEGC);
    points.push((at(78.1), 20.0));
    points.push((at(78.2), 18.0));
    let batches = from_temperature(&Trace::new(&points, GAP).unwrap(), rule());
    assert_eq!(batches.len(), 1);
    let batch = &batches[0];
    assert_eq!((batch.ending, batch.oddities.as_slice()), (Some(Ending::Complete), [].as_slice()));
    let seconds = |phase: Phase| batch.phase(phase).unwrap().seconds() / 60.0;
    // By hand: 3.16 K/min from 40 to 94, down 3.25 K/min from 94 to 74.
    assert!((seconds(Phase::Heat) - 54.0 / 3.16).abs() < 1e-3, "{}", seconds(Phase::Heat));
    assert!(
        (seconds(Phase::Hold) - (20.0 + 2.0 / 3.16 + 2.0 / 3.25)).abs() < 1e-3,
        "{}",
        seconds(Phase::Hold)
    );
    assert!((seconds(Phase::Quench) - 20.0 / 3.25).abs() < 1e-3, "{}", seconds(Phase::Quench));
}

#[test]
fn a_dip_in_the_hold_is_not_a_quench() {
    let dip =
        [(0.0, 17.0), (25.0, 96.0), (35.0, 96.0), (36.0, 92.0), (37.0, 96.0), (47.0, 96.0), (56.0, 68.0)];
    let points = cooked(&dip);
    let batches = from_temperature(&Trace::new(&points, GAP).unwrap(), rule());
    assert_eq!(batches.len(), 1);
    let phases: Vec<_> = batches[0].phases.iter().map(|part| part.phase).collect();
    assert_eq!(phases, [Phase::Heat, Phase::Hold, Phase::Quench]);
    // From 94 degC on the way up (2 K at 3.16 K/min before minute 25) to 94 on the way down (2 K at 28/9 K/min).
    let held_min = batches[0].phase(Phase::Hold).unwrap().seconds() / 60.0;
    assert!((held_min - (22.0 + 2.0 / 3.16 + 18.0 / 28.0)).abs() < 1e-3, "{held_min}");
    assert_eq!(batches[0].phases[1].span.seconds() / 60.0, held_min, "in one piece");
}

#[test]
fn a_cook_that_goes_cold_is_interrupted_and_the_last_may_run() {
    let two = [(0.0, 17.0), (10.0, 60.0), (20.0, 20.0), (45.0, 96.0), (50.0, 96.0)];
    let points = cooked(&two);
    let batches = from_temperature(&Trace::new(&points, GAP).unwrap(), rule());
    let endings: Vec<_> = batches.iter().map(|batch| batch.ending).collect();
    assert_eq!(endings, [Some(Ending::Interrupted), None]);
    let warm = cooked(&[(0.0, 96.0), (10.0, 96.0), (20.0, 60.0)]);
    let batches = from_temperature(&Trace::new(&warm, GAP).unwrap(), rule());
    assert_eq!(batches[0].oddities, [Oddity::BeginningNotSeen]);
    assert_eq!(TemperatureRule::new(74.0, 40.0, 94.0), None);
    // Two samples apart by more than a whole quench: each limit is met in its turn.
    let abrupt = [(at(0.0), 17.0), (at(25.0), 96.0), (at(45.0), 96.0), (at(55.0), 16.0)];
    let batches = from_temperature(&Trace::new(&abrupt, Duration::from_secs(3600)).unwrap(), rule());
    assert_eq!(batches.len(), 1);
    assert_eq!(batches[0].ending, Some(Ending::Complete));
    assert_eq!(batches[0].phase(Phase::Quench), Some(Span { from: at(45.25), to: at(47.75) }));
}
