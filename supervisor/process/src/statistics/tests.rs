//! Statistics against the worked examples of the NIST/SEMATECH e-Handbook, figures by hand, and truth known by
//! construction.

use super::capability::{Specification, capability};
use super::charts::{CusumRule, cusum, ewma, individuals};
use super::compare::{Difference, Finding, compare};
use super::summary::{Against, summary};
use super::*;
use crate::series::{Span, Steps, Trace};
use alloc::string::ToString;
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

const SECOND: Duration = Duration::from_secs(1);

fn at(seconds: f64) -> Uptime {
    Uptime::from_secs_f64(seconds)
}

fn span(from_s: f64, to_s: f64) -> Span {
    Span { from: at(from_s), to: at(to_s) }
}

fn close(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found}, not {expected} within {within}");
}

fn samples(values: &[f64]) -> Samples {
    Samples::new([values.to_vec()].to_vec(), SECOND).unwrap()
}

/// A plain generator (the constants of POSIX drand48), made normal by Box and Muller.
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 = (self.0.wrapping_mul(0x5_DEEC_E66D).wrapping_add(11)) & ((1 << 48) - 1);
        (self.0 as f64 + 0.5) / (1u64 << 48) as f64
    }

    fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(self.uniform()));
        radius * libm::cos(2.0 * core::f64::consts::PI * self.uniform())
    }

    /// A first-order lag driven by noise, with standard deviation 1, from its steady state on; plus noise of its own.
    fn lagged(&mut self, count: usize, first_lag: f64, noise: f64) -> Vec<f64> {
        let mut state = self.normal();
        let drive = libm::sqrt(1.0 - first_lag * first_lag);
        (0..count)
            .map(|_| {
                state = first_lag * state + drive * self.normal();
                state + noise * self.normal()
            })
            .collect()
    }
}

/// e-Handbook 6.3.2.2, flow rates: mean 50.81, mean range 1.8778, limits 55.8041 and 45.8159.
#[test]
fn individuals_of_the_handbook() {
    let flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let chart = individuals(&samples(&flow)).unwrap();
    close(chart.centre, 50.81, 1e-9);
    close(chart.mean_range, 1.8778, 5e-5);
    close(chart.high, 55.8041, 5e-5);
    close(chart.low, 45.8159, 5e-5);
    close(chart.range_high, 6.1347, 5e-5);
    assert_eq!(chart.beyond, []);
    let mut burst = flow.to_vec();
    burst[6] = 60.0;
    assert_eq!(
        individuals(&samples(&burst)).unwrap().beyond,
        [] as [usize; 0],
        "its own range widens the limits"
    );
    let long: Vec<f64> = flow.iter().copied().chain([60.0]).chain(flow).collect();
    assert_eq!(individuals(&samples(&long)).unwrap().beyond, [10]);
}

/// e-Handbook 6.3.2.4: weight 0.3, target 50, standard deviation 2.0539, as printed; the half widths of the first five
/// limits computed from the exact formula.
#[test]
fn ewma_of_the_handbook() {
    let values = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6,
        52.4, 53.6, 52.1,
    ];
    let printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
        49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ];
    let chart = ewma(values, 50.0, 2.0539, 0.3).unwrap();
    for (point, printed) in chart.iter().zip(printed) {
        close(point.value, printed, 0.0051);
    }
    for (point, half) in chart.iter().zip([1.8485, 2.2564, 2.4314, 2.5127, 2.5516]) {
        close(point.high - 50.0, half, 5e-5);
        close(50.0 - point.low, half, 5e-5);
    }
    close(chart[19].high, 52.5884, 1e-4);
    assert_eq!(ewma(values, 50.0, 2.0, 0.0), Err(Refused::Setting));
    assert_eq!(ewma(values, 50.0, 2.0, 1.1), Err(Refused::Setting));
}

/// e-Handbook 6.3.2.3: target 325, slack 0.3175, decision 4.1959; signal at the fourteenth, sum 19.035 at the end.
#[test]
fn cusum_of_the_handbook() {
    let values = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625,
        325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ];
    let chart = cusum(values, CusumRule { target: 325.0, slack: 0.3175, decision: 4.1959 }).unwrap();
    let high =
        [0.0, 0.0, 0.0, 0.0, 0.0325, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3.0075, 4.94, 7.4475, 10.63, 11.9875];
    for (found, expected) in chart.high.iter().zip(high) {
        close(*found, expected, 1e-9);
    }
    for (found, expected) in
        chart.low.iter().zip([0.0, 0.0075, 0.0, 0.3325, 0.0, 0.0, 0.5575, 0.715, 0.1725, 0.255, 0.3125])
    {
        close(*found, expected, 1e-9);
    }
    close(chart.high[19], 19.035, 1e-9);
    assert_eq!(chart.first_signal, Some(13));
    assert_eq!(cusum(values, CusumRule { target: 325.0, slack: -1.0, decision: 4.0 }), Err(Refused::Setting));
}

/// e-Handbook 6.1.6: limits 8 and 20, mean 16, standard deviation 2.
#[test]
fn capability_of_the_handbook() {
    let both = Specification { low: Some(8.0), high: Some(20.0) };
    let told = both.indices(16.0, 2.0).unwrap();
    assert_eq!(told.width, Some(1.0));
    close(told.upper.unwrap(), 0.6667, 5e-5);
    close(told.lower.unwrap(), 1.3333, 5e-5);
    close(told.nearest, 0.6667, 5e-5);
    close(both.indices(12.0, 2.0).unwrap().nearest, 0.6667, 5e-5);
    let one = Specification { low: None, high: Some(20.0) }.indices(16.0, 2.0).unwrap();
    assert_eq!((one.width, one.lower), (None, None));
    assert_eq!(Specification::default().indices(16.0, 2.0), Err(Refused::Setting));
    let backward = Specification { low: Some(20.0), high: Some(8.0) };
    assert_eq!(backward.indices(16.0, 2.0), Err(Refused::Setting));
    assert_eq!(both.indices(16.0, 0.0), Err(Refused::NoSpread));
}

/// Independent values: Ppk and Cpk agree. With a slow drift below the noise Ppk falls and Cpk does not. With a lag of
/// 20 s at 1 s, Cpk is refused, and one value a minute is advised (3 lag time constants).
#[test]
fn ppk_and_cpk_are_named_by_what_they_are() {
    let both = Specification { low: Some(-4.0), high: Some(4.0) };
    let mut dice = Dice(3);
    let free: Vec<f64> = (0..2000).map(|_| dice.normal()).collect();
    let told = capability(&samples(&free), both).unwrap();
    close(told.overall.nearest, 4.0 / 3.0, 0.08);
    close(told.within.unwrap().nearest, told.overall.nearest, 0.05);
    let ranges: f64 = free.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum();
    close(told.within_sd, ranges / 1999.0 / 1.128, 1e-9);
    assert!(told.ppk_interval.0 < 4.0 / 3.0 && told.ppk_interval.1 > 4.0 / 3.0, "{told:?}");
    let slow = dice.lagged(40_000, libm::exp(-1.0 / 20.0), 0.0);
    let Err(Refused::NotIndependent { first_lag, sample_every_s }) =
        capability(&samples(&slow), both).unwrap().within
    else {
        panic!("fast polls of a slow loop");
    };
    close(first_lag, 0.951, 0.01);
    close(sample_every_s, 60.0, 8.0);
    let few = capability(&samples(&slow[..100]), both).unwrap_err();
    let Refused::TooFew { count: 100, effective, needed: LEAST_EFFECTIVE } = few else { panic!("{few:?}") };
    assert!(effective > 1.0 && effective < 6.0, "{effective}");
    assert!(few.to_string().starts_with("100 values are worth"), "{few}");
    assert_eq!(capability(&samples(&[1.0; 50]), both), Err(Refused::NoSpread));
}

/// True sizes by construction: n (1 - r) / (1 + r) for a first-order lag, n without one.
#[test]
fn values_that_follow_each_other_are_worth_fewer() {
    let mut value = 0.0;
    let ramp: Vec<f64> = (0..50)
        .map(|_| {
            value += 1.0;
            value
        })
        .collect();
    let told = samples(&ramp).effective().unwrap();
    assert!(told.size < 2.0, "a ramp says its ends: {told:?}");
    let mut dice = Dice(11);
    let free: Vec<f64> = (0..1000).map(|_| dice.normal()).collect();
    let told = samples(&free).effective().unwrap();
    assert!(told.size > 850.0 && !told.is_correlated(), "{told:?}");
    // Values that alternate are never worth more than there are.
    let alternating: Vec<f64> = (0..100).map(|at| f64::from(at % 2)).collect();
    close(samples(&alternating).effective().unwrap().size, 100.0, 1e-9);
    // Noise on a slow drift: the first lag alone would take 0.5 for 1/3; the sum knows that it lasts.
    let noisy = dice.lagged(20_000, libm::exp(-1.0 / 100.0), 1.0);
    let told = samples(&noisy).effective().unwrap();
    close(told.first_lag, 0.495, 0.05);
    assert!(told.size < 400.0, "true is 20,000 / 100 = 200: {told:?}");
}

/// Nothing is computed across a break: two runs that are 100 apart have no range of 100.
#[test]
fn a_break_has_no_range() {
    let runs = [[1.0, 2.0, 1.0].to_vec(), Vec::new(), [101.0, 102.0].to_vec()].to_vec();
    let broken = Samples::new(runs, SECOND).unwrap();
    assert_eq!(broken.moving_ranges().collect::<Vec<_>>(), [1.0, 1.0, 1.0]);
    assert_eq!((broken.count(), broken.runs().count()), (5, 2));
    // By hand, mean 41.4: (-40.4 -39.4) + (-39.4 -40.4) products and (59.6 60.6) over the sum of squares.
    let expected =
        (40.4 * 39.4 * 2.0 + 59.6 * 60.6) / (40.4 * 40.4 * 2.0 + 39.4 * 39.4 + 59.6 * 59.6 + 60.6 * 60.6);
    close(broken.autocorrelation(1).unwrap(), expected, 1e-12);
}

/// Two windows of a slow loop, its lag and noise as the fryer's: an interval of 95 % holds the true difference in about
/// 95 of 100 pairs. By the plain count of polls it would hold it in about a third.
#[test]
fn an_interval_holds_the_truth_as_often_as_it_says() {
    let mut dice = Dice(5);
    let (mut told_at_all, mut held, mut held_by_count) = (0, 0, 0);
    for _ in 0..400 {
        let first = samples(&dice.lagged(1800, libm::exp(-1.0 / 30.0), 0.3));
        let mut second = dice.lagged(1800, libm::exp(-1.0 / 30.0), 0.3);
        second.iter_mut().for_each(|value| *value += 0.5);
        // Worth 30 each on average; some record looks worth fewer than ten, and is refused.
        let Ok(told) = compare(&first, &samples(&second)) else { continue };
        told_at_all += 1;
        assert!(told.freedom < told.first.size + told.second.size, "by what they are worth: {told:?}");
        held += u32::from(told.least <= 0.5 && 0.5 <= told.most);
        let narrow = 1.96 * libm::sqrt(2.0 * 1.09 / 1800.0);
        held_by_count += u32::from((told.value - 0.5).abs() <= narrow);
    }
    assert!(told_at_all > 380, "{told_at_all} of 400");
    let share = f64::from(held) / f64::from(told_at_all);
    assert!(share > 0.91 && share < 0.99, "{share}");
    let share = f64::from(held_by_count) / f64::from(told_at_all);
    assert!(share < 0.5, "{share}: the plain count would be sure of too much");
}

/// By hand: two sets of twenty of which every figure is known.
#[test]
fn a_difference_is_told_with_its_interval() {
    let first: Vec<f64> = (0..20).map(|n| f64::from(n % 2)).collect();
    let second: Vec<f64> = (0..20).map(|n| 2.0 + 2.0 * f64::from(n % 2)).collect();
    let told = compare(&samples(&first), &samples(&second)).unwrap();
    close(told.value, 2.5, 1e-12);
    // Variances 5/19 and 20/19 over 20: 0.013158 and 0.052632; freedom (0.065789^2) / (a^2/19 + b^2/19) = 27.94.
    close(told.freedom, 27.941, 1e-3);
    close(told.most - told.value, 2.04858 * libm::sqrt(0.065_789_47), 1e-3);
    assert_eq!(told.finding(0.0), Finding::Higher);
    assert_eq!(told.finding(2.4), Finding::NotShown);
    assert_eq!(told.finding(9.0), Finding::Same);
    let wide = Difference { value: -4.5, least: -9.5, most: 0.5, ..told };
    assert_eq!(wide.finding(9.0), Finding::NotShown);
    assert_eq!(Difference { least: -8.5, ..wide }.finding(9.0), Finding::Same);
    let back = compare(&samples(&second), &samples(&first)).unwrap();
    assert_eq!(back.finding(1.0), Finding::Lower);
    assert!(matches!(
        compare(&samples(&first[..5]), &samples(&second)),
        Err(Refused::TooFew { count: 5, .. })
    ));
    assert_eq!(compare(&samples(&first), &samples(&[1.0; 20])), Err(Refused::NoSpread));
}

/// Student's t as tables print it: 97.5 % at 1, 2, 5, 10, 30, 120; 99.5 % at 4 (from memory, as in any textbook).
#[test]
fn student_t_as_in_the_tables() {
    for (freedom, printed) in
        [(1.0, 12.706), (2.0, 4.303), (5.0, 2.571), (10.0, 2.228), (30.0, 2.042), (120.0, 1.980)]
    {
        close(t_quantile(0.975, freedom).unwrap(), printed, 6e-4);
        close(t_quantile(0.025, freedom).unwrap(), -printed, 6e-4);
    }
    close(t_quantile(0.995, 4.0).unwrap(), 4.604, 5e-4);
    close(t_quantile(0.975, 1e6).unwrap(), 1.959_966, 5e-6);
    // With one degree of freedom it is Cauchy's: tan(pi (p - 1/2)).
    for p in [0.501, 0.6, 0.9, 0.999] {
        close(t_quantile(p, 1.0).unwrap() / libm::tan(core::f64::consts::PI * (p - 0.5)), 1.0, 1e-9);
    }
    assert_eq!(t_quantile(0.5, 3.0).map(|t| t.abs() < 1e-9), Some(true));
    assert_eq!((t_quantile(1.0, 3.0), t_quantile(0.9, 0.0)), (None, None));
}

/// The reference's ramp: 0 to 6 K in 60 s, band of 2 K: 80.0 K.s above it, 40 s of the 60 above it.
#[test]
fn the_area_above_a_band() {
    let points = [(at(0.0), 180.0), (at(60.0), 186.0), (at(120.0), 180.0)];
    let value = Trace::new(&points, Duration::from_secs(90)).unwrap();
    let setpoint = [(at(0.0), Some(180.0))];
    let setpoint = Steps::signed(&setpoint, at(120.0)).unwrap();
    let ramp = Deviations::new(&value, &setpoint, &[span(0.0, 60.0)]);
    let band = ramp.band(Some(-2.0), Some(2.0)).unwrap();
    close(band.above_area, 80.0, 1e-9);
    close(band.above_s, 40.0, 1e-9);
    close(band.within_share(), 1.0 / 3.0, 1e-9);
    assert_eq!((band.below_s, band.below_area), (0.0, 0.0));
    // Mean 3 K; standard deviation of a ramp is its height over the root of 12.
    close(ramp.mean().unwrap(), 3.0, 1e-12);
    close(ramp.standard_deviation().unwrap(), 6.0 / libm::sqrt(12.0), 1e-12);
    assert_eq!(ramp.extremes().unwrap(), [(at(0.0), 0.0), (at(60.0), 6.0)]);
    let mirrored = ramp.band(Some(4.0), None).unwrap();
    close(mirrored.below_area, 4.0 * 40.0 / 2.0, 1e-9);
    close(mirrored.below_s, 40.0, 1e-9);
    assert_eq!(ramp.band(Some(2.0), Some(-2.0)), Err(Refused::Setting));
    assert_eq!(ramp.band(Some(f64::NAN), None), Err(Refused::Setting));
}

/// On its setpoint all the time, although the setpoint moved 4 K; with the week's zeros while the line stood left out.
#[test]
fn a_setpoint_that_moves_takes_the_deviation_with_it() {
    let points =
        [(at(0.0), 182.0), (at(99.0), 182.0), (at(100.0), 186.0), (at(200.0), 186.0), (at(300.0), 0.0)];
    let value = Trace::new(&points, Duration::from_secs(120)).unwrap();
    let setpoint =
        [(at(0.0), Some(182.0)), (at(100.0), Some(186.0)), (at(150.0), None), (at(160.0), Some(186.0))];
    let setpoint = Steps::signed(&setpoint, at(300.0)).unwrap();
    let ran = [span(0.0, 99.0), span(100.0, 180.0), span(150.0, 200.0)];
    let told = Deviations::new(&value, &setpoint, &ran);
    close(told.mean().unwrap(), 0.0, 1e-12);
    close(told.known_s(), 99.0 + 50.0 + 40.0, 1e-9);
    close(told.unknown_s(), 10.0, 1e-9);
    let all = Deviations::of_value(&value, &[span(0.0, 300.0)]);
    assert!(all.mean().unwrap() < 160.0, "with the zeros it would be far off");
    let none = Deviations::new(&value, &setpoint, &[]);
    assert_eq!(none.mean(), Err(Refused::Nothing));
    assert_eq!(none.band(None, None), Err(Refused::Nothing));
    assert_eq!(none.samples(SECOND), Err(Refused::Nothing));
}

/// An hour of the fryer at 1 s, turned from 182 to 184 degC half way: 2 K above and below are the tolerance, 6 K the
/// specification. It stood for ten minutes, and for one nobody saw it.
#[test]
fn a_report_says_all_of_it_in_one_go() {
    let mut dice = Dice(17);
    let noise = dice.lagged(3600, 0.7, 0.0);
    let points: Vec<_> = (0..3600_u32)
        .filter(|second| !(1200..1260).contains(second))
        .map(|second| {
            let setpoint = if second < 1800 { 182.0 } else { 184.0 };
            (at(f64::from(second)), setpoint + 0.5 * noise[second as usize])
        })
        .collect();
    let value = Trace::new(&points, Duration::from_secs(3)).unwrap();
    let setpoint = [(at(0.0), Some(182.0)), (at(1800.0), Some(184.0))];
    let setpoint = Steps::signed(&setpoint, at(3599.0)).unwrap();
    let ran = [span(0.0, 2000.0), span(2600.0, 3599.0)];
    let told = Deviations::new(&value, &setpoint, &ran);
    let specification = Specification { low: Some(-6.0), high: Some(6.0) };
    let against = Against { low: Some(-2.0), high: Some(2.0), specification, every: Duration::from_secs(10) };
    let told = summary(&told, against).unwrap();
    close(told.known_s, 2999.0 - 61.0, 1e-6);
    close(told.unknown_s, 61.0, 1e-6);
    close(told.mean, 0.0, 0.1);
    assert!(told.standard_deviation > 0.4 && told.standard_deviation < 0.52, "{told:?}");
    assert!(told.lowest.1 < -1.0 && told.highest.1 > 1.0 && told.band.within_share() > 0.99, "{told:?}");
    let capability = told.capability.unwrap();
    close(capability.overall.nearest, 4.0, 0.4);
    assert!(capability.within.is_ok() && told.effective.unwrap().size > 100.0, "{told:?}");
    // At 1 s the same hour follows itself: Ppk stands, Cpk is refused.
    let fast = Deviations::new(&value, &setpoint, &ran);
    let fast = summary(&fast, Against { every: SECOND, ..against }).unwrap().capability.unwrap();
    close(fast.overall.nearest, capability.overall.nearest, 0.4);
    assert!(matches!(fast.within, Err(Refused::NotIndependent { .. })), "{fast:?}");
    let none = summary(&Deviations::new(&value, &setpoint, &[]), against);
    assert_eq!(none, Err(Refused::Nothing));
    let unset = Against { specification: Specification::default(), ..against };
    let unset = summary(&Deviations::new(&value, &setpoint, &ran), unset).unwrap();
    assert_eq!(unset.capability, Err(Refused::Setting));
}

/// A line that lies on the limit is inside it.
#[test]
fn on_the_limit_is_within() {
    let points = [(at(0.0), 2.0), (at(10.0), 2.0)];
    let value = Trace::new(&points, Duration::from_secs(90)).unwrap();
    let band = Deviations::of_value(&value, &[span(0.0, 10.0)]).band(Some(2.0), Some(2.0)).unwrap();
    assert_eq!((band.within_s, band.above_s, band.below_s), (10.0, 0.0, 0.0));
}

#[test]
fn samples_are_taken_at_the_interval_and_break_where_the_record_does() {
    let mut points: Vec<_> = (0..=10).map(|second| (at(f64::from(second)), f64::from(second))).collect();
    points.extend((20..=24).map(|second| (at(f64::from(second)), f64::from(second))));
    let value = Trace::new(&points, Duration::from_secs(3)).unwrap();
    let told = Deviations::of_value(&value, &[span(0.0, 30.0)]).samples(Duration::from_secs(2)).unwrap();
    let runs: Vec<&[f64]> = told.runs().collect();
    assert_eq!(runs, [[0.0, 2.0, 4.0, 6.0, 8.0].as_slice(), [20.0, 22.0].as_slice()]);
    assert_eq!(
        Deviations::of_value(&value, &[span(0.0, 9.0)]).samples(Duration::ZERO),
        Err(Refused::Setting)
    );
    let endless = Deviations::of_value(&value, &[span(0.0, 9.0)]).samples(Duration::from_micros(1));
    assert_eq!(endless, Err(Refused::Setting), "nine million values");
    assert_eq!(Samples::new([[f64::NAN].to_vec()].to_vec(), SECOND), Err(Refused::Setting));
}
