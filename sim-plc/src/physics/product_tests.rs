//! Product against the published mass balance, and balances that close whatever happens.

use super::*;
use proptest::prelude::*;

/// The demo line: three passes of 4 m, 18 m, 3.3 m; speeds in m/s.
fn line(oven: f64, equilibrator: f64, fryer: f64) -> Vec<Move> {
    let one = |stage, length, moved| Move { stage, length, moved };
    vec![
        one(Stage::Oven(0), 4.0, oven),
        one(Stage::Oven(1), 4.0, oven),
        one(Stage::Oven(2), 4.0, oven),
        one(Stage::Equilibrator, 18.0, equilibrator),
        one(Stage::Fryer, 3.3, fryer),
        one(Stage::Cooling, 90.0, 1.0),
        one(Stage::Seasoning, 79.0, 1.0),
        one(Stage::Buckets, 120.0, 1.0),
    ]
}

fn inputs(moves: &[Move]) -> ProductInputs<'_> {
    ProductInputs {
        moves,
        feed_share: 1.0,
        masa_percent: MASA_PERCENT,
        tank: 7,
        baking: &[1.0, 1.0, 1.0],
        oil_degc: FRYING_DEGC,
        wet_percent: None,
    }
}

fn second() -> StepTime {
    StepTime::new(1.0).unwrap()
}

/// Trade figures for 1,000 kg/h: masa 1,552, fryer feed 1,146 at 35 %, boiled off 386, picked up 240, packed 1,000 at
/// 1.5 % water and 24 % oil. Within 1 %.
#[test]
fn an_hour_of_running_agrees_with_the_published_mass_balance() {
    let moves = line(0.75, 0.1, 0.06);
    let mut product = Product::running(&moves, 35.0);
    for _ in 0..3600 {
        product.step(second(), &inputs(&moves)).unwrap();
    }
    let Ledger { fried_off_kg, packed_kg, .. } = *product.ledger();
    let near =
        |found: f64, published: f64| assert!((found / published - 1.0).abs() < 0.01, "{found} {published}");
    near(fried_off_kg, 386.15);
    near(packed_kg.0, 745.0);
    near(packed_kg.0 + packed_kg.1 + packed_kg.2, 1000.0);
    near(packed_kg.2, 240.0);
    assert!((product.fed_percent() - 35.0).abs() < 0.15, "{}", product.fed_percent());
    let parcel = product.parcels().next().unwrap();
    assert!((parcel.moisture_percent() - 1.5).abs() < 0.03, "{}", parcel.moisture_percent());
    // Trade figure: 273.5 kW of water heated and boiled. Dry matter, 745 kg/h from 30 to 150 degC, takes 39.7 kW.
    near(product.fryer_heat_w(), 313.2e3);
}

#[test]
fn a_parcel_carries_the_times_of_its_way_to_the_second() {
    let moves = line(0.75, 0.1, 0.06);
    let mut product = Product::running(&moves, 35.0);
    product.keep(10_000);
    for _ in 0..1200 {
        product.step(second(), &inputs(&moves)).unwrap();
    }
    let parcel = product.packed().find(|parcel| parcel.cut_s > 300.0).unwrap();
    let from_cut = |stage| parcel.entered(stage).unwrap() - parcel.cut_s;
    for (stage, expected) in [
        (Stage::Oven(1), 16.0 / 3.0),
        (Stage::Equilibrator, 16.0),
        (Stage::Fryer, 196.0),
        (Stage::Cooling, 251.0),
        (Stage::Packed, 540.0 + parcel.baggers_wait_s),
    ] {
        assert!((from_cut(stage) - expected).abs() <= 1.01, "{stage:?} {}", from_cut(stage));
    }
}

/// Buckets wait for a free weigher: what was cut one after the other is not packed so.
#[test]
fn parcels_wait_for_the_baggers_each_for_another_time() {
    let moves = line(0.75, 0.1, 0.06);
    let mut product = Product::running(&moves, 35.0);
    product.keep(10_000);
    for _ in 0..3600 {
        product.step(second(), &inputs(&moves)).unwrap();
    }
    let waits: Vec<f64> = product.packed().map(|parcel| parcel.baggers_wait_s).collect();
    let mean = waits.iter().sum::<f64>() / waits.len() as f64;
    assert!(waits.len() > 1000 && waits.iter().all(|wait| wait.abs() <= 50.0), "{}", waits.len());
    assert!(
        mean.abs() < 3.0 && waits.iter().any(|wait| *wait < -45.0) && waits.iter().any(|wait| *wait > 45.0)
    );
    let times: Vec<f64> = product.packed().filter_map(|parcel| parcel.entered(Stage::Packed)).collect();
    assert!(times.windows(2).any(|pair| pair[1] < pair[0] - 30.0));
}

#[test]
fn a_belt_that_stands_keeps_its_product_and_what_comes_waits_before_it() {
    let (moves, mut standing) = (line(0.75, 0.1, 0.06), line(0.75, 0.1, 0.06));
    standing[4].moved = 0.0;
    let mut product = Product::running(&moves, 35.0);
    let in_fryer = |product: &Product| product.parcels().filter(|one| one.stage == Stage::Fryer).count();
    let before = in_fryer(&product);
    for _ in 0..100 {
        product.step(second(), &inputs(&standing)).unwrap();
    }
    assert!((in_fryer(&product) - before).abs_diff(50) <= 1, "two seconds of product each");
}

#[test]
fn a_new_tank_is_first_a_little_of_each_parcel_and_then_nearly_all() {
    let moves = line(0.75, 0.1, 0.06);
    let mut product = Product::running(&moves, 35.0);
    let share = |product: &Product| {
        let last = product.parcels.back().unwrap();
        last.origins.iter().find(|one| one.tank == 8).map_or(0.0, |one| one.share)
    };
    let play = |product: &mut Product, seconds: usize, tank: u16| {
        for _ in 0..seconds {
            product.step(second(), &ProductInputs { tank, ..inputs(&moves) }).unwrap();
        }
    };
    play(&mut product, 3600, 7);
    assert_eq!(share(&product), 0.0);
    play(&mut product, 60, 8);
    assert!((0.05..0.15).contains(&share(&product)), "{}", share(&product));
    play(&mut product, 3600, 8);
    assert!(share(&product) > 0.99);
}

#[test]
fn a_balance_that_does_not_close_is_refused() {
    let moves = line(0.75, 0.1, 0.06);
    let mut product = Product::running(&moves, 35.0);
    product.parcels[20].water_kg += 0.001;
    let refused = product.step(second(), &inputs(&moves)).unwrap_err();
    assert_eq!(refused.of, "water");
    assert!(refused.to_string().starts_with("the balance of water does not close"), "{refused}");
}

proptest! {
    #[test]
    fn balances_close_whatever_the_line_does(
        stretches in proptest::collection::vec((0.0..1.0_f64, 0.0..1.2_f64, 0.0..0.2_f64, 0.0..0.12_f64, 60.0..200.0_f64, proptest::option::of(20.0..60.0_f64)), 1..12)
    ) {
        let usual = line(0.75, 0.1, 0.06);
        let mut product = Product::running(&usual, 35.0);
        for (feed_share, oven, equilibrator, fryer, oil_degc, wet_percent) in stretches {
            let moves = line(oven, equilibrator, fryer);
            for _ in 0..90 {
                let one = ProductInputs { feed_share, oil_degc, wet_percent, ..inputs(&moves) };
                prop_assert_eq!(product.step(second(), &one), Ok(()));
            }
        }
    }
}
