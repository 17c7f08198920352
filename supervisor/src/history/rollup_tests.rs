//! Roll-ups against values worked out by hand and against a naive sum.

use super::*;
use proptest::prelude::*;

const COUNTS: Numbers = Numbers::Counts { scale: 0.1, offset: 0.0 };

fn minutes(rows: &[(i64, Option<f64>)], band: Option<(f64, f64)>) -> Vec<(i64, Stretch)> {
    let mut builder = Builder::new(Step::Minute, 5_000_000);
    for (utc_ms, value) in rows {
        builder.sample(*utc_ms, *utc_ms as u64 * 1000, *value, true, band);
    }
    builder.finish()
}

/// 0 to 120 s, one unit up a second, band 30 to 90 (all by hand): each minute has half its time inside.
#[test]
fn a_ramp_has_its_means_and_half_its_time_in_the_band() {
    let rows: Vec<_> = (0..=120).map(|second| (second * 1000, Some(second as f64))).collect();
    let entries = minutes(&rows, Some((30.0, 90.0)));
    assert_eq!(entries.iter().map(|(index, _)| *index).collect::<Vec<_>>(), [0, 1, 2]);
    let (_, first) = entries[0];
    assert_eq!((first.samples, first.min, first.max), (60, 0.0, 59.0));
    assert_eq!(first.mean(), Some(29.5));
    assert!(
        (first.time_weighted_mean().unwrap() - 30.0).abs() < 1e-9,
        "the line reaches 60 at the minute's end"
    );
    assert!((first.good_s - 60.0).abs() < 1e-9);
    assert!((first.in_band_s.unwrap() - 30.0).abs() < 1e-9);
    assert!((entries[1].1.in_band_s.unwrap() - 30.0).abs() < 1e-9);
    assert_eq!((entries[2].1.samples, entries[2].1.good_s), (1, 0.0));
}

#[test]
fn beyond_the_gap_limit_and_across_a_bad_reading_nothing_is_known() {
    let rows = [(0, Some(1.0)), (1000, Some(1.0)), (2000, None), (3000, Some(1.0)), (9000, Some(1.0))];
    let [(_, entry)] = minutes(&rows, None)[..] else { panic!("one minute") };
    assert_eq!((entry.samples, entry.others), (4, 1));
    assert!((entry.good_s - 1.0).abs() < 1e-9);
    assert_eq!(entry.in_band_s, None);
}

/// The wall clock steps an hour ahead between two samples: a second of the run stays a second.
#[test]
fn a_step_of_the_wall_clock_makes_no_time() {
    let mut builder = Builder::new(Step::Minute, 5_000_000);
    builder.sample(10_000, 10_000_000, Some(1.0), true, None);
    builder.sample(3_611_000, 11_000_000, Some(1.0), true, None);
    let total: f64 = builder.finish().iter().map(|(_, entry)| entry.good_s).sum();
    assert!((total - 1.0).abs() < 1e-9);
}

fn roll_up(numbers: Numbers, entries: Vec<(i64, Stretch)>) -> RollUp {
    RollUp { signal: 4, run: 2, first: 77, step: Step::Minute, numbers, entries }
}

#[test]
fn a_noisy_hour_of_minutes_takes_a_few_bytes_each() {
    let noise = |second: i64| (second * 7919 % 13 + second * 104_729 % 7) % 9;
    let rows: Vec<_> =
        (0..3600).map(|second| (second * 1000, Some((1820 + noise(second)) as f64 * 0.1))).collect();
    let block = roll_up(COUNTS, minutes(&rows, Some((181.0, 183.0))));
    let bytes = block.write();
    assert!(bytes.len() < 60 * 5, "{}", bytes.len());
    let back = RollUp::read(&bytes).unwrap();
    for ((index, kept), (_, true_one)) in back.entries.iter().zip(&block.entries) {
        assert_eq!((kept.samples, kept.min, kept.max), (60, true_one.min, true_one.max), "{index}");
        let off = (kept.mean().unwrap() - true_one.mean().unwrap()).abs();
        assert!(off <= 0.1 / 128.0 + 1e-9, "{off}");
        let off = (kept.time_weighted_mean().unwrap() - true_one.time_weighted_mean().unwrap()).abs();
        assert!(off <= 0.1 / 128.0 + 1e-9, "{off}");
    }
}

proptest! {
    /// Whatever the readings: extremes exact, counts and times kept, means within their share.
    #[test]
    fn what_was_rolled_up_is_read_back(
        rows in prop::collection::vec((1..9000_i64, prop::option::of(-2000..4000_i64)), 1..200),
        pick in 0..3_usize,
    ) {
        let numbers = [COUNTS, Numbers::F32, Numbers::F64][pick];
        let mut utc = 0;
        let mut values = Vec::new();
        for (step, count) in rows {
            utc += step;
            let value = count.map(|count| count as f64 * 0.1);
            values.push((utc, if pick == 1 { value.map(|value| f64::from(value as f32)) } else { value }));
        }
        let block = roll_up(numbers, minutes(&values, Some((0.0, 100.0))));
        let back = RollUp::read(&block.write()).unwrap();
        prop_assert_eq!(back.entries.len(), block.entries.len());
        for ((index, kept), (true_index, entry)) in back.entries.iter().zip(&block.entries) {
            prop_assert_eq!((index, kept.samples, kept.others), (true_index, entry.samples, entry.others));
            prop_assert_eq!((kept.min.to_bits(), kept.max.to_bits()), (entry.min.to_bits(), entry.max.to_bits()));
            prop_assert!((kept.good_s - entry.good_s).abs() <= 0.0051);
            if let (Some(kept), Some(mean)) = (kept.mean(), entry.mean()) {
                prop_assert!((kept - mean).abs() < 0.1 / 128.0 + 1e-4, "{} {}", kept, mean);
            }
        }
        let naive = values.iter().filter(|(_, value)| value.is_some()).count();
        let kept: u32 = back.entries.iter().map(|(_, entry)| entry.samples).sum();
        prop_assert_eq!(naive, kept as usize);
    }
}
