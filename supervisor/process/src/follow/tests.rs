//! The follower against parcels that are moved second by second, and against the week's eighth incident.

use super::*;
use crate::batches::Phase;
use crate::batches::StepRule;
use crate::series::Span;
use crate::windows::{GeometryError, Unknown};

mod any_input;
mod cook_temperature;
mod cookhouse;
mod unseen;

const HOUR: f64 = 3600.0;
const OVEN: u16 = 2;
const FRYER: u16 = 4;
/// Records: oven speed, equilibrator speed, fryer speed, weigh belt, diverted.
const SPEEDS_M_PER_S: [f64; 3] = [0.75, 0.1, 0.06];
const RATE: usize = 3;
const DIVERTED: usize = 4;
const MOISTURE: u16 = 1;

fn at(seconds: f64) -> Uptime {
    Uptime::from_secs_f64(seconds)
}

fn belt(length_m: f64, speed: usize, ratio: f64) -> Through {
    Through::Belt { length_m, speed, ratio, spread: 0.05, fastest_m_per_s: Some(1.5) }
}

fn delay(least_s: u64, most_s: u64) -> Through {
    Through::Delay { least: Duration::from_secs(least_s), most: Duration::from_secs(most_s), running: None }
}

/// The demo's line: wash and mill, three oven passes, equilibrator, fryer, cooling with drum, buckets.
fn path() -> Vec<Place> {
    let places = [
        (1, delay(120, 600)),
        (OVEN, belt(4.0, 0, 1.0)),
        (OVEN, belt(4.0, 0, 1.01)),
        (OVEN, belt(4.0, 0, 1.0201)),
        (3, belt(18.0, 1, 1.0)),
        (FRYER, belt(3.3, 2, 1.0)),
        (5, delay(135, 165)),
        (6, delay(60, 180)),
    ];
    places.map(|(station, through)| Place { station, through }).to_vec()
}

fn shape() -> Shape {
    use Phase::{Dose, Fill, Heat, Hold, Idle, Quench, Rinse, Transfer};
    let codes = (0..).zip([Idle, Fill, Dose, Heat, Hold, Quench, Transfer, Rinse]).collect();
    let rule = StepRule {
        codes,
        longest: Duration::from_secs(4 * 3600),
        gap_limit: Duration::from_secs(30),
        turnaround: Duration::from_secs(900),
    };
    let kettle = KettleRule { told_by: Recognition::Step(rule), corn_kg: 600.0 };
    let weighing = Weighing {
        rate: RATE,
        before: 7,
        spread: 0.02,
        most_kg_per_h: None,
        corn_per_weighed: 0.876,
        diverted: Some(DIVERTED),
    };
    Shape {
        kettles: [kettle.clone(), kettle].to_vec(),
        tanks: (1..=12).collect(),
        path: path(),
        records: [Duration::from_secs(15); 5].to_vec(),
        weighing: Some(weighing),
        checks: [CheckPoint { kind: MOISTURE, before: 7 }].to_vec(),
        fed_from_gap_limit: Duration::from_secs(15),
        remembers: Duration::from_secs(20 * 3600),
    }
}

/// True speeds over time: usual, but for the stops.
struct TrueLine {
    /// Which belt stops, from when to when, s.
    stops: &'static [(usize, f64, f64)],
}

impl TrueLine {
    fn speed(&self, belt: usize, second: f64) -> f64 {
        let stands =
            self.stops.iter().any(|(which, from, to)| *which == belt && (*from..*to).contains(&second));
        if stands { 0.0 } else { SPEEDS_M_PER_S[belt] }
    }

    /// Moves a parcel from the beginning of a place to the end of the last, in steps of 0.1 s. `share` of each delay's range.
    fn carry(&self, mut second: f64, from_place: usize, to_place: usize, share: f64) -> f64 {
        for place in &path()[from_place..to_place] {
            match place.through {
                Through::Belt { length_m, speed, ratio, .. } => {
                    let mut left_m = length_m;
                    while left_m > 0.0 {
                        left_m -= self.speed(speed, second) * ratio * 0.1;
                        second += 0.1;
                    }
                }
                Through::Delay { least, most, .. } => {
                    second += least.as_secs_f64() + share * (most.as_secs_f64() - least.as_secs_f64());
                }
            }
        }
        second
    }
}

/// Runs a follower through whole seconds of a line, with speeds reported 1 % high; `more` gives other inputs of a second.
fn followed(line: &TrueLine, seconds: core::ops::Range<u32>, more: impl Fn(u32) -> Vec<Input>) -> Follower {
    let mut follower = Follower::new(shape());
    for second in seconds {
        let now = at(f64::from(second));
        for record in 0..3 {
            let value = Some(line.speed(record, f64::from(second)) * 1.01);
            follower.handle(now, Input::Record { record, value });
        }
        let usual = [(RATE, 1000.0), (DIVERTED, 0.0)]
            .map(|(record, value)| Input::Record { record, value: Some(value) });
        // Of two readings of one record at one time the first counts.
        for input in more(second).into_iter().chain(usual) {
            follower.handle(now, input);
        }
    }
    follower
}

#[test]
fn every_parcel_that_was_in_the_fryer_is_in_the_window() {
    let line = TrueLine { stops: &[(2, 2000.0, 2045.0), (1, 2300.0, 2400.0)] };
    let follower = followed(&line, 0..4000, |_| Vec::new());
    for (onset, returned) in [(1500.0, 1560.0), (1960.0, 2100.0), (2290.0, 2350.0)] {
        let told = follower.product(FRYER, at(onset), Some(at(returned))).unwrap();
        let packed = told.packed.passage().unwrap().whole();
        let (mut first, mut last, mut parcels) = (f64::INFINITY, 0.0_f64, 0);
        for tenth in 0..20_000 {
            let entered = onset - 200.0 + f64::from(tenth) * 0.02;
            let left = line.carry(entered, 5, 6, 0.0);
            if left < onset || entered > returned {
                continue;
            }
            for share in [0.0, 0.4, 1.0] {
                let out = line.carry(left, 6, 8, share);
                (first, last, parcels) = (first.min(out), last.max(out), parcels + 1);
            }
        }
        assert!(parcels > 1000, "{parcels}");
        let (from, to) = (packed.from.as_secs_f64(), packed.to.as_secs_f64());
        assert!(from <= first + 0.2 && to >= last - 0.2, "{from} {first} {last} {to}");
        assert!(first - from < 15.0 && to - last < 15.0, "not merely safe: {from} {first} {last} {to}");
        assert!(!told.was_reversed);
    }
}

/// From onset to return plus the dwell, at 1,000 kg/h: 60 s and 55 s are 31.9 kg. Nothing that was diverted counts.
#[test]
fn kilograms_are_what_passed_the_scale() {
    let line = TrueLine { stops: &[] };
    let follower = followed(&line, 0..3000, |_| Vec::new());
    let told = follower.product(FRYER, at(1500.0), Some(at(1560.0))).unwrap();
    let about = told.about.unwrap().about_kg();
    assert!((about - 1000.0 / 3600.0 * 115.0).abs() < 0.5, "{about}");
    let whole = told.whole.unwrap();
    assert!(
        whole.most_kg > about + 8.0 && whole.most_kg < about + 14.0,
        "30 s of trays, 5 % of dwell, 2 %: {whole:?}"
    );
    // At the scale it passed from 1,650 s at the middle of the trays; all of it is diverted but for the first 20 s.
    let away = followed(&line, 0..3000, |second| {
        let value = Some(f64::from(u8::from(second >= 1670)));
        [Input::Record { record: DIVERTED, value }].to_vec()
    });
    let kept = away.product(FRYER, at(1500.0), Some(at(1560.0))).unwrap().about.unwrap().about_kg();
    assert!((kept - 1000.0 / 3600.0 * 20.0).abs() < 0.1, "{kept}");
}

#[test]
fn what_is_still_on_its_way_is_expected() {
    let line = TrueLine { stops: &[] };
    let follower = followed(&line, 0..1701, |_| Vec::new());
    let told = follower.product(FRYER, at(1500.0), None).unwrap();
    assert!(told.packed.first.is_ok(), "delays need no record: {:?}", told.packed);
    assert!(matches!(told.packed.last, Err(Unknown::AfterRecord { step: 5, .. })), "{:?}", told.packed);
    let expected = told.expected.passage().unwrap().whole();
    let last = line.carry(1700.0, 5, 8, 1.0);
    assert!(
        expected.to.as_secs_f64() >= last - 0.2 && expected.to.as_secs_f64() < last + 10.0,
        "{expected:?} {last}"
    );
    assert_eq!(told.packed.passage(), None);
    assert_eq!(told.about, None, "it is not weighed yet");
    assert_eq!(follower.product(99, at(1500.0), None), None);
}

/// The recipe is changed, then removed, while product is on its way: the product keeps the one it was made by.
#[test]
fn product_keeps_its_recipe_when_it_is_removed_in_transit() {
    let line = TrueLine { stops: &[] };
    let follower = followed(&line, 0..3000, |second| match second {
        10 => [Input::Recipe(Some(3))].to_vec(),
        1600 => [Input::Recipe(Some(7)), Input::Recipe(Some(7))].to_vec(),
        1700 => [Input::Recipe(None)].to_vec(),
        _ => Vec::new(),
    });
    assert_eq!(follower.recipes.len(), 3, "said twice is kept once");
    let recipes = |from: f64, to: f64| follower.product(FRYER, at(from), Some(at(to))).unwrap().recipes;
    assert_eq!(recipes(1500.0, 1560.0), [3]);
    assert_eq!(recipes(1590.0, 1650.0), [3, 7]);
    assert_eq!(recipes(1800.0, 1850.0), []);
    assert_eq!(recipes(2.0, 5.0), []);
    let mut late = follower.clone();
    assert_eq!(late.handle(at(2000.0), Input::Recipe(Some(9))), None);
    assert_eq!(late, follower, "what is older than the newest changes nothing");
}

/// The week's eighth incident in kind: the last good moisture check 40 min before, a failed one, the next good one after.
#[test]
fn the_hold_is_from_the_last_good_check_to_the_next() {
    let line = TrueLine { stops: &[] };
    let checks = |until: u32| {
        followed(&line, 0..until, |second| match second {
            600 | 2400 | 6000 | 7800 => [Input::Check { kind: MOISTURE, passed: true }].to_vec(),
            2700 | 4200 | 5400 => [Input::Check { kind: MOISTURE, passed: false }].to_vec(),
            _ => Vec::new(),
        })
    };
    let told = checks(9000).product(FRYER, at(3000.0), Some(at(4500.0))).unwrap();
    let hold = told.holds[0];
    assert_eq!((hold.kind, hold.failed), (MOISTURE, 3), "a check that failed ends nothing");
    assert_eq!((hold.last_good, hold.next_good), (Some(at(2400.0)), Some(at(6000.0))));
    let about = hold.mass.unwrap().about_kg();
    assert!((about - 1000.0).abs() < 1.0, "the check is at the scale, an hour at 1,000 kg/h: {about}");
    assert!(about > told.about.unwrap().about_kg() * 2.0);
    let open = checks(5500).product(FRYER, at(3000.0), Some(at(4500.0))).unwrap().holds[0];
    assert_eq!((open.last_good, open.next_good), (Some(at(2400.0)), None));
    let so_far = open.mass.unwrap().about_kg();
    assert!((so_far - 3099.0 / 3.6).abs() < 1.0, "until now: {so_far}");
    // While the alarm stands nobody knows the last of it, but the last good check.
    let stands = checks(3100).product(FRYER, at(3000.0), None).unwrap().holds[0];
    assert_eq!((stands.last_good, stands.next_good, stands.failed), (Some(at(2400.0)), None, 1));
}

#[test]
fn a_belt_that_ran_backward_is_said() {
    let line = TrueLine { stops: &[] };
    let mut follower = followed(&line, 0..1700, |_| Vec::new());
    for second in 1700..3000_u32 {
        let value = Some(if (1705..1710).contains(&second) { -0.02 } else { 0.06 });
        follower.handle(at(f64::from(second)), Input::Record { record: 2, value });
        for record in [0, 1] {
            follower
                .handle(at(f64::from(second)), Input::Record { record, value: Some(SPEEDS_M_PER_S[record]) });
        }
    }
    assert!(follower.product(FRYER, at(1690.0), Some(at(1720.0))).unwrap().was_reversed);
    // Its corn was in the mill then, and the fryer empty of it.
    assert!(!follower.product(FRYER, at(2300.0), Some(at(2310.0))).unwrap().was_reversed);
}

/// A pass that runs twice as fast as the measured one halves its dwell: 4 m at 0.75 m/s, 2 x 5.333 + 2.667 s.
#[test]
fn a_pass_driven_faster_is_passed_sooner() {
    let mut shape = shape();
    shape.path = [1.0, 2.0, 1.0]
        .map(|ratio| Place {
            station: OVEN,
            through: Through::Belt { length_m: 4.0, speed: 0, ratio, spread: 0.0, fastest_m_per_s: None },
        })
        .to_vec();
    (shape.weighing, shape.checks) = (None, Vec::new());
    let mut follower = Follower::new(shape);
    for second in 0..200 {
        follower.handle(at(f64::from(second)), Input::Record { record: 0, value: Some(0.75) });
    }
    let told = follower.product(OVEN, at(100.0), Some(at(100.0))).unwrap();
    let packed = told.packed.passage().unwrap();
    assert_eq!(packed.first.earliest, at(100.0));
    assert!((packed.last.latest.as_secs_f64() - (100.0 + 4.0 / 0.75 * 2.5)).abs() < 1e-6, "{packed:?}");
    assert_eq!((told.about, told.holds.len()), (None, 0));
}

#[test]
fn a_feeding_that_nobody_watched_ends_when_it_was_last_seen() {
    let mut follower = Follower::new(shape());
    let feed = |follower: &mut Follower, second: f64, from: FedFrom| {
        follower.handle(at(second), Input::FedFrom(from))
    };
    for second in (0..100).step_by(10).map(f64::from) {
        assert_eq!(feed(&mut follower, second, FedFrom::Tank(4)), None);
    }
    for second in (100..400).step_by(10).map(f64::from) {
        assert_eq!(feed(&mut follower, second, FedFrom::Unknown), None);
    }
    let Some(Ended::Feeding(ended)) = feed(&mut follower, 400.0, FedFrom::Tank(4)) else {
        panic!("it was 310 s blind")
    };
    assert_eq!((ended.number, ended.span), (4, Span { from: at(0.0), to: at(90.0) }));
    let Some(Ended::Feeding(ended)) = feed(&mut follower, 410.0, FedFrom::Tank(5)) else {
        panic!("another tank")
    };
    assert_eq!(ended.span, Span { from: at(400.0), to: at(410.0) });
    assert!(feed(&mut follower, 415.0, FedFrom::Tank(99)).is_some(), "a tank that the line has not is none");
    assert_eq!(follower.feedings().len(), 3);
    assert_eq!(feed(&mut follower, 1.0, FedFrom::Tank(6)), None, "older than the newest");
}

/// Twenty hours are remembered; of thirty, the first ten are gone, and the memory stays small.
#[test]
fn what_is_older_than_it_remembers_is_gone() {
    let line = TrueLine { stops: &[] };
    let mut follower = Follower::new(shape());
    follower.handle(at(0.0), Input::Recipe(Some(3)));
    for second in (0..108_000_u32).step_by(5) {
        let now = at(f64::from(second));
        for record in 0..3 {
            follower.handle(
                now,
                Input::Record {
                    record,
                    value: Some(line.speed(record, f64::from(second)) * (1.0 + f64::from(second % 7) * 1e-3)),
                },
            );
        }
        follower.handle(now, Input::Record { record: RATE, value: Some(1000.0) });
        follower.handle(now, Input::FedFrom(if second < 3600 { FedFrom::Tank(4) } else { FedFrom::Tank(5) }));
        if second % 1800 == 0 {
            follower.handle(now, Input::Check { kind: MOISTURE, passed: true });
        }
    }
    assert!(follower.recorded(0).unwrap().len() < 10_800, "{}", follower.recorded(0).unwrap().len());
    let old = follower.product(FRYER, at(20_000.0), Some(at(20_010.0))).unwrap();
    assert!(matches!(old.packed.last, Err(Unknown::BeforeRecord { .. })), "{:?}", old.packed);
    assert_eq!((old.holds[0].last_good, old.holds[0].mass), (None, None));
    assert_eq!(
        follower.product(FRYER, at(60_000.0), None).unwrap().recipes,
        [3],
        "in force for thirty hours"
    );
    assert_eq!(follower.feedings().len(), 1, "that of the first hour is gone, that of the last is not");
    let young = follower.product(FRYER, at(60_000.0), Some(at(60_010.0))).unwrap();
    assert!(young.packed.passage().is_some() && young.holds[0].mass.is_some(), "{young:?}");
}

#[test]
fn a_shape_that_makes_no_sense_says_all_of_it() {
    assert_eq!(shape().problems(), []);
    let mut wrong = shape();
    wrong.path[1].through = belt(0.0, 0, 1.0);
    wrong.path[4].through = belt(18.0, 5, 1.0);
    wrong.path[6].through = delay(165, 135);
    wrong.path[7].station = FRYER;
    wrong.weighing = Some(Weighing { rate: 9, before: 9, spread: 1.5, ..shape().weighing.unwrap() });
    wrong.checks.push(CheckPoint { kind: 5, before: 99 });
    wrong.tanks.extend([0, 3]);
    if let Recognition::Step(rule) = &mut wrong.kettles[1].told_by {
        rule.codes.push((4, Phase::Idle));
    }
    (wrong.kettles[1].corn_kg, wrong.remembers) = (f64::NAN, Duration::ZERO);
    let found = [
        ShapeProblem::Geometry { place: 1, why: GeometryError::Length },
        ShapeProblem::NoRecord { place: Some(4), record: 5 },
        ShapeProblem::Geometry { place: 6, why: GeometryError::Delay },
        ShapeProblem::StationInPieces(FRYER),
        ShapeProblem::NoRecord { place: None, record: 9 },
        ShapeProblem::NoPlace { check: None, before: 9 },
        ShapeProblem::Weighing,
        ShapeProblem::NoPlace { check: Some(5), before: 99 },
        ShapeProblem::TankNumber(3),
        ShapeProblem::TankNumber(0),
        ShapeProblem::CodeTwice { kettle: 1, code: 4 },
        ShapeProblem::BatchCorn { kettle: 1 },
        ShapeProblem::Times,
    ];
    assert_eq!(wrong.problems(), found);
    // It answers still, as far as it can.
    let mut follower = Follower::new(wrong);
    follower.handle(at(1.0), Input::Record { record: 0, value: Some(0.75) });
    let told = follower.product(OVEN, at(1.0), None).unwrap();
    assert_eq!(
        told.packed.first,
        Err(Unknown::BeforeRecord { step: 4 }),
        "nothing was read of the equilibrator"
    );
}
