//! Inputs of every kind in any order: the answers still make sense.

use super::cook_temperature::told_by_temperature;
use super::*;
use proptest::prelude::*;

fn anything() -> impl Strategy<Value = Input> {
    let value = prop::option::of(prop_oneof![Just(0.0), Just(-0.5), Just(f64::NAN), 0.0..2000.0]);
    let report = prop_oneof![
        Just(TankReport::Empty),
        Just(TankReport::Filling),
        Just(TankReport::Full),
        Just(TankReport::Unknown)
    ];
    let from =
        prop_oneof![Just(FedFrom::Nothing), Just(FedFrom::Unknown), (1_u16..14).prop_map(FedFrom::Tank)];
    prop_oneof![
        1 => (0_usize..3, prop::option::of(-1_i64..9)).prop_map(|(kettle, code)| Input::Step { kettle, code }),
        2 => (0_usize..4, prop::option::of(prop_oneof![Just(f64::NAN), 0.0..120.0]))
            .prop_map(|(kettle, degc)| Input::CookTemperature { kettle, degc }),
        1 => (0_usize..3, 0_u64..5).prop_map(|(kettle, number)| Input::BatchNumber { kettle, number }),
        1 => (1_u16..14, report).prop_map(|(number, report)| Input::Tank { number, report }),
        1 => from.prop_map(Input::FedFrom),
        4 => (0_usize..7, value).prop_map(|(record, value)| Input::Record { record, value }),
        1 => prop::option::of(0_u32..4).prop_map(Input::Recipe),
        1 => prop::option::of(0_u32..4).prop_map(Input::CookRecipe),
        1 => (0_u16..3, any::<bool>()).prop_map(|(kind, passed)| Input::Check { kind, passed }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is read, in whatever order of time: nothing fails, windows have their beginning first, masses are numbers,
    /// feedings follow each other, and no batch is in two tanks for certain.
    #[test]
    fn whatever_is_read_the_answers_make_sense(
        read in prop::collection::vec((0.0..900.0_f64, anything()), 1..120), onset in 0.0..9000.0_f64, length in 0.0..900.0_f64
    ) {
        let mut shape = shape();
        shape.kettles.push(told_by_temperature());
        let (mut follower, mut now_s) = (Follower::new(shape), 0.0);
        for (later_s, input) in read {
            now_s += later_s - 40.0;
            follower.handle(at(now_s), input);
        }
        for pair in follower.feedings().windows(2) {
            prop_assert!(pair[0].span.to <= pair[1].span.from && pair[0].span.from <= pair[0].span.to);
        }
        for record in follower.batches() {
            let soaks_from = record.soaks_from.filter(|span| record.batch.span().is_some_and(|cook| span.from >= cook.from));
            prop_assert!(record.soaks_from == soaks_from && soaks_from.is_none_or(|span| span.from <= span.to), "{record:?}");
        }
        let fills = follower.tanks().iter().flat_map(|tank| tank.fills.iter());
        let mut batches: Vec<u64> = fills.filter(|fill| fill.is_certain).map(|fill| fill.batch).collect();
        let count = batches.len();
        batches.sort_unstable();
        batches.dedup();
        prop_assert_eq!(batches.len(), count);
        let limits = crate::tanks::SoakLimits { least: Duration::from_secs(3600), most: Duration::from_secs(7200) };
        for row in follower.tanks().iter().map(|tank| tank.row(at(9000.0), limits)) {
            prop_assert!(row.oldest_s.is_none_or(|oldest| row.oldest_seen_s.is_some_and(|seen| seen <= oldest)), "{row:?}");
            prop_assert!(row.youngest_s.is_none_or(|youngest| row.oldest_seen_s.is_some_and(|oldest| youngest <= oldest)));
        }
        for returned in [None, Some(at(onset + length))] {
            let told = follower.product(FRYER, at(onset), returned).unwrap();
            for passage in [told.packed, told.expected, told.fed].iter().filter_map(Times::passage) {
                prop_assert!(passage.first.earliest <= passage.first.latest && passage.last.earliest <= passage.last.latest);
                prop_assert!(passage.first.earliest <= passage.last.latest);
            }
            for mass in [told.about, told.whole].into_iter().chain(told.holds.iter().map(|hold| hold.mass)).flatten() {
                prop_assert!(mass.least_kg >= 0.0 && mass.least_kg <= mass.most_kg && mass.most_kg.is_finite());
            }
        }
    }
}
