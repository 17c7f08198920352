//! Kettles and tanks: the week's fourth incident in kind, and what registers say that is not so.

use super::*;

const LIMITS: crate::tanks::SoakLimits =
    crate::tanks::SoakLimits { least: Duration::from_secs(10 * 3600), most: Duration::from_secs(16 * 3600) };

/// A tank's day: two batches pumped in, soaked, fed 13 h later; the second kettle's quench was the hot one.
fn cookhouse_inputs(second: u32) -> Vec<Input> {
    let minute = second / 60;
    let step = |kettle: usize, from: u32| {
        let ends = [(8, 1), (33, 3), (53, 4), (61, 5), (70, 6), (73, 7)];
        let since = minute.checked_sub(from);
        let code =
            since.and_then(|since| ends.iter().find(|(end, _)| since < *end)).map_or(0, |(_, code)| *code);
        Input::Step { kettle, code: Some(code) }
    };
    let report = |from: u32, to: u32| match minute {
        minute if minute < from => TankReport::Empty,
        minute if minute < to => TankReport::Filling,
        _ => TankReport::Full,
    };
    let fed = match minute {
        0..880 => FedFrom::Tank(4),
        880..960 => FedFrom::Tank(5),
        _ => FedFrom::Nothing,
    };
    [
        step(0, 5),
        step(1, 46),
        Input::BatchNumber { kettle: 0, number: 26_114_071 },
        // Left over from the batch before: at rest it names nothing.
        Input::BatchNumber { kettle: if minute < 46 { 1 } else { 0 }, number: 26_114_071 },
        // The next tank is made ready while the first kettle is rinsed.
        Input::Tank { number: 6, report: if minute == 76 { TankReport::Filling } else { TankReport::Full } },
        Input::Tank { number: 5, report: report(60, 120) },
        Input::FedFrom(fed),
    ]
    .to_vec()
}

#[test]
fn product_leads_back_thirteen_hours_to_its_batches() {
    let line = TrueLine { stops: &[] };
    let mut follower = Follower::new(shape());
    let mut ended = Vec::new();
    follower.handle(at(0.0), Input::CookRecipe(Some(3)));
    for second in (0..56_000_u32).step_by(10) {
        let now = at(f64::from(second));
        for record in 0..3 {
            let value = Some(line.speed(record, f64::from(second)));
            follower.handle(now, Input::Record { record, value });
        }
        follower.handle(now, Input::Record { record: RATE, value: Some(1000.0) });
        // The cook house goes over to the next recipe while the first kettle holds; the second is filled after that.
        if second == 2700 {
            follower.handle(now, Input::CookRecipe(Some(7)));
        }
        for input in cookhouse_inputs(second) {
            ended.extend(follower.handle(now, input));
        }
    }
    let batches: Vec<_> = ended
        .iter()
        .filter_map(|ended| if let Ended::Batch(record) = ended { Some(record) } else { None })
        .collect();
    let told: Vec<_> =
        batches.iter().map(|record| (record.id, record.kettle, record.number, record.tank)).collect();
    assert_eq!(told, [(1, 0, Some(26_114_071), Some(5)), (2, 1, None, Some(5))]);
    assert_eq!(batches.iter().map(|record| record.recipe).collect::<Vec<_>>(), [Some(3), Some(7)]);
    let product = follower.product(FRYER, at(54_300.0), Some(at(54_400.0))).unwrap();
    assert_eq!(product.tanks.len(), 1);
    let tank = &product.tanks[0];
    assert_eq!((tank.number, tank.batches.as_slice(), product.unknown_tank_s), (5, [1, 2].as_slice(), 0.0));
    // The first was pumped out at minute 75, the second at 116; fed from 54,300 s less 235 s of dwell and 2 to 10 min.
    let oldest_h = tank.oldest_s.unwrap() / HOUR;
    assert!((oldest_h - (54_300.0 / HOUR - 75.0 / 60.0)).abs() < 0.25, "{oldest_h}");
    assert!((tank.oldest_s.unwrap() - tank.youngest_s.unwrap()) / 60.0 > 41.0 - 0.1);
    // Tank 4 fed before, and nobody saw what was in it.
    let before = follower.product(FRYER, at(40_000.0), Some(at(40_010.0))).unwrap();
    assert_eq!(
        (before.tanks[0].number, before.tanks[0].batches.len(), before.tanks[0].oldest_s),
        (4, 0, None)
    );
    assert_eq!(follower.rate_kg_per_h(), Some(1000.0));
    // Between two readings of the belts an alarm stands: its tank is known all the same.
    follower.handle(at(55_990.9), Input::CookRecipe(Some(7)));
    let standing = follower.product(FRYER, at(54_300.0), None).unwrap();
    assert_eq!(standing.tanks.iter().map(|tank| tank.number).collect::<Vec<_>>(), [5]);
    let tank = follower.tanks().iter().find(|tank| tank.number == 5).unwrap();
    // From minute 880 to the last reading at 55,990 s, at 876 kg/h of corn.
    let expected_kg = (55_990.0 - 880.0 * 60.0) / HOUR * 876.0;
    assert!((tank.fed_kg - expected_kg).abs() < 876.0 * 11.0 / HOUR, "{} {expected_kg}", tank.fed_kg);
}

#[test]
fn a_batch_that_may_be_in_either_of_two_tanks_may_be_in_each_and_is_in_none_for_certain() {
    let mut follower = Follower::new(shape());
    follower.handle(at(0.0), Input::Tank { number: 2, report: TankReport::Filling });
    follower.handle(at(0.0), Input::Tank { number: 3, report: TankReport::Filling });
    let steps =
        [(1.0, 0), (10.0, 1), (500.0, 3), (2000.0, 4), (3200.0, 5), (3700.0, 6), (4200.0, 7), (4400.0, 0)];
    let mut ended = Vec::new();
    let (mut code, mut steps) = (0, steps.iter().peekable());
    for second in (1..4500).step_by(10).map(f64::from) {
        while let Some((_, next)) = steps.next_if(|(from, _)| *from <= second) {
            code = *next;
        }
        ended.extend(follower.handle(at(second), Input::Step { kettle: 0, code: Some(code) }));
    }
    let [Ended::Batch(record)] = ended.as_slice() else { panic!("{ended:?}") };
    assert_eq!((record.tank, record.batch.oddities.len()), (None, 0));
    let soaks_from = record.soaks_from.unwrap();
    for tank in follower.tanks() {
        let told: Vec<_> =
            tank.fills.iter().map(|fill| (fill.batch, fill.soaks_from, fill.is_certain)).collect();
        let is_one_of_both = matches!(tank.number, 2 | 3);
        assert_eq!(told, if is_one_of_both { [(1, soaks_from, false)].to_vec() } else { Vec::new() });
        let row = tank.row(at(5000.0), LIMITS);
        assert_eq!(
            (row.corn_kg, row.has_unseen),
            (0.0, is_one_of_both),
            "its kilograms are nowhere for certain"
        );
    }
    assert_eq!(follower.handle(at(4600.0), Input::Step { kettle: 9, code: Some(1) }), None, "no such kettle");
}

/// What a silent weigh belt carried is not known, and taken from no tank; a tank that feeds while it fills keeps its corn.
#[test]
fn a_silent_scale_takes_nothing_from_a_tank() {
    let mut follower = Follower::new(shape());
    let filling = Input::Tank { number: 2, report: TankReport::Filling };
    follower.handle(at(0.0), filling);
    follower.handle(at(0.0), Input::FedFrom(FedFrom::Tank(2)));
    for second in [0.0, 10.0, 20.0, 320.0, 330.0] {
        follower.handle(at(second), Input::Record { record: RATE, value: Some(3600.0) });
    }
    let fed_kg = |follower: &Follower| follower.tanks()[1].fed_kg;
    assert!((fed_kg(&follower) - 30.0 * 0.876).abs() < 1e-9, "{}", fed_kg(&follower));
    follower.handle(at(331.0), Input::FedFrom(FedFrom::Nothing));
    follower.handle(at(332.0), filling);
    assert!(fed_kg(&follower) > 0.0, "it never stopped filling");
}

/// A tank that is filled anew after it fed was emptied in between, whether or not anybody said so.
#[test]
fn a_tank_is_empty_before_it_is_filled_anew() {
    let mut follower = Follower::new(shape());
    for second in (0..56_000_u32).step_by(10) {
        follower.handle(at(f64::from(second)), Input::Record { record: RATE, value: Some(1000.0) });
        for input in cookhouse_inputs(second) {
            follower.handle(at(f64::from(second)), input);
        }
    }
    let fills = |follower: &Follower| follower.tanks()[4].fills.len();
    follower.handle(at(58_000.0), Input::FedFrom(FedFrom::Nothing));
    assert_eq!(fills(&follower), 2);
    let mut silent = follower.clone();
    silent.handle(at(58_100.0), Input::Tank { number: 5, report: TankReport::Filling });
    assert_eq!((fills(&silent), silent.tanks()[4].fed_kg), (0, 0.0));
    follower.handle(at(58_100.0), Input::Tank { number: 5, report: TankReport::Unknown });
    assert_eq!(fills(&follower), 2);
    follower.handle(at(58_200.0), Input::Tank { number: 5, report: TankReport::Empty });
    assert_eq!(fills(&follower), 0);
    let last = follower.feedings().pop().unwrap();
    assert_eq!((last.number, last.fills.len()), (5, 2), "what it fed is remembered");
}

/// The cook house's controller restarts and says 0 of everything for 40 s: nothing is forgotten. Five minutes are believed.
#[test]
fn a_controller_that_restarts_empties_no_tank() {
    let mut follower = Follower::new(shape());
    for second in (0..30_000_u32).step_by(10) {
        for input in cookhouse_inputs(second) {
            follower.handle(at(f64::from(second)), input);
        }
    }
    let fills = |follower: &Follower| follower.tanks()[4].fills.len();
    let report = |follower: &mut Follower, second: f64, report: TankReport| {
        follower.handle(at(second), Input::Tank { number: 5, report });
    };
    for (second, said) in
        [(30_000.0, TankReport::Empty), (30_040.0, TankReport::Empty), (30_050.0, TankReport::Full)]
    {
        report(&mut follower, second, said);
    }
    report(&mut follower, 30_200.0, TankReport::Empty);
    report(&mut follower, 30_490.0, TankReport::Empty);
    assert_eq!(fills(&follower), 2);
    report(&mut follower, 30_495.0, TankReport::Unknown);
    report(&mut follower, 30_500.0, TankReport::Empty);
    assert_eq!(fills(&follower), 0, "it was dumped");
}

/// The tank's own register says empty a poll before the other one says that it feeds no more.
#[test]
fn a_tank_that_runs_empty_while_it_feeds_keeps_its_story() {
    let mut follower = Follower::new(shape());
    for second in (0..56_000_u32).step_by(10) {
        follower.handle(at(f64::from(second)), Input::Record { record: RATE, value: Some(1000.0) });
        for input in cookhouse_inputs(second) {
            follower.handle(at(f64::from(second)), input);
        }
    }
    follower.handle(at(56_005.0), Input::Tank { number: 5, report: TankReport::Empty });
    assert_eq!(follower.tanks()[4].fills.len(), 0);
    let Some(Ended::Feeding(ended)) = follower.handle(at(56_010.0), Input::FedFrom(FedFrom::Nothing)) else {
        panic!("it fed");
    };
    assert_eq!((ended.number, ended.fills.len()), (5, 2));
}
