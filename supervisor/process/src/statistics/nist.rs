//! NIST's certified univariate data sets (Statistical Reference Datasets, public domain): mean, standard deviation and
//! correlation of neighbours against the certified values.
//!
//! Certified values and data as quoted in public test suites of statistics libraries, not fetched from NIST. The series
//! NumAcc is made here by its definition. The set PiDigits is left out: the digits of pi have a mean of 4.5358, its
//! certified mean is 4.5348, so its data are not the digits and can't be made.

use super::Samples;
use alloc::vec::Vec;
use core::time::Duration;

/// Deflection of a steel and concrete beam (Lew).
const LEW: &str = "
    -213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579 -52 99 -543
    -175 162 -457 -346 204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374 201 -236 -531 83 27 -564
    -112 131 -507 -254 199 -311 -495 143 -46 -579 -90 136 -472 -338 202 -287 -477 169 -124 -568 17 48 -568
    -135 162 -430 -422 172 -74 -577 -13 92 -534 -243 194 -355 -465 156 -81 -578 -64 139 -449 -384 193 -198
    -538 110 -44 -577 -6 66 -552 -164 161 -460 -344 205 -281 -504 134 -28 -576 -118 156 -437 -381 200 -220
    -540 83 11 -568 -160 172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504 142 -83 -574 0 48 -571
    -106 137 -501 -266 190 -391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280 201 300 -506 131 -45 -578
    -80 138 -462 -361 201 -211 -554 32 74 -533 -235 187 -372 -442 182 -147 -566 25 68 -535 -244 194 -351
    -463 174 -125 -570 15 72 -550 -190 172 -424 -385 198 -218 -536 96
";

/// Numbers drawn in the Maryland lottery.
const LOTTERY: &str = "
    162 671 933 414 788 730 817 33 536 875 670 236 473 167 877 980 316 950 456 92 517 557 956 954 104 178
    794 278 147 773 437 435 502 610 582 780 689 562 964 791 28 97 848 281 858 538 660 972 671 613 867 448
    738 966 139 636 847 659 754 243 122 455 195 968 793 59 730 361 574 522 97 762 431 158 429 414 22 629 788
    999 187 215 810 782 47 34 108 986 25 644 829 630 315 567 919 331 207 412 242 607 668 944 749 168 864 442
    533 805 372 63 458 777 416 340 436 140 919 350 510 572 905 900 85 389 473 758 444 169 625 692 140 897
    672 288 312 860 724 226 884 508 976 741 476 417 831 15 318 432 241 114 799 955 833 358 935 146 630 830
    440 642 356 373 271 715 367 393 190 669 8 861 108 795 269 590 326 866 64 523 862 840 219 382 998 4 628
    305 747 247 34 747 729 645 856 974 24 568 24 694 608 480 410 729 947 293 53 930 223 203 677 227 62 455
    387 318 562 242 428 968
";

/// Speed of light in air, millions of m/s (Michelson).
const MICHELSON: &str = "
    299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65 299.76
    299.81 300.00 300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88 299.90 299.84
    299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76 299.80 299.88 299.88 299.88 299.86 299.72
    299.72 299.62 299.86 299.97 299.95 299.88 299.91 299.85 299.87 299.84 299.84 299.85 299.84 299.84 299.84
    299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76 299.91 299.92 299.89 299.86 299.88
    299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81 299.76 299.81 299.79 299.81 299.82 299.85
    299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87
";

/// Transmittance of a filter (Mavrodineaunu).
const MAVRO: &str = "
    2.0018 2.0017 2.0018 2.0019 2.0018 2.0017 2.0015 2.0014 2.0015 2.0015 2.0017 2.0018 2.0018 2.0019 2.0019
    2.0021 2.0020 2.0016 2.0014 2.0013 2.0013 2.0015 2.0015 2.0016 2.0015 2.0014 2.0013 2.0014 2.0015 2.0014
    2.0015 2.0016 2.0015 2.0016 2.0019 2.0020 2.0020 2.0021 2.0022 2.0023 2.0024 2.0025 2.0027 2.0026 2.0026
    2.0026 2.0027 2.0026 2.0025 2.0024
";

fn numbers(text: &str) -> Vec<f64> {
    text.split_whitespace().map(|number| number.parse().unwrap()).collect()
}

/// A first value, then 1,000 that alternate 0.1 below and above it.
fn alternating(first: f64, below: f64, above: f64) -> Vec<f64> {
    let pairs = (0..500).flat_map(|_| [below, above]);
    core::iter::once(first).chain(pairs).collect()
}

/// Relative errors of mean and standard deviation, absolute error of the correlation.
fn check(name: &str, values: Vec<f64>, certified: (f64, f64, f64), within: (f64, f64, f64)) {
    let samples = Samples::new([values].to_vec(), Duration::from_secs(1)).unwrap();
    let (mean, sd, first_lag) = certified;
    let off = |found: f64, certified: f64| (found / certified - 1.0).abs();
    let found = (samples.mean(), samples.standard_deviation().unwrap(), samples.autocorrelation(1).unwrap());
    assert!(off(found.0, mean) <= within.0, "{name}: mean {} not {mean}", found.0);
    assert!(off(found.1, sd) <= within.1, "{name}: standard deviation {} not {sd}", found.1);
    assert!((found.2 - first_lag).abs() <= within.2, "{name}: correlation {} not {first_lag}", found.2);
}

/// All 15 certified digits.
#[test]
fn the_certified_measurements() {
    let to_the_last = (1e-14, 1e-14, 1e-14);
    check("Lew", numbers(LEW), (-177.435, 277.332_168_044_316, -0.307_304_800_605_679), to_the_last);
    let lottery = (518.958_715_596_330, 291.699_727_470_969, -0.120_948_622_967_393);
    check("Lottery", numbers(LOTTERY), lottery, to_the_last);
    // The data have four to five digits, as doubles their squares lose some of sixteen.
    let michelson = (299.8524, 0.079_010_547_819_051_8, 0.535_199_668_621_283);
    check("Michelson", numbers(MICHELSON), michelson, (1e-14, 1e-12, 1e-12));
    let mavro = (2.001_856, 0.000_429_123_454_003_053, 0.937_989_183_438_248);
    check("Mavro", numbers(MAVRO), mavro, (1e-14, 1e-11, 1e-11));
}

/// Digits that the plain sum of squares loses: NumAcc4 has a spread of 0.1 on 10,000,000, and as doubles its own data are
/// 2e-9 off, which is 2e-8 of the spread.
#[test]
fn the_certified_traps_for_rounding() {
    check(
        "NumAcc1",
        [10_000_001.0, 10_000_003.0, 10_000_002.0].to_vec(),
        (10_000_002.0, 1.0, -0.5),
        (0.0, 0.0, 0.0),
    );
    check("NumAcc2", alternating(1.2, 1.1, 1.3), (1.2, 0.1, -0.999), (1e-14, 1e-13, 1e-13));
    let large = alternating(1_000_000.2, 1_000_000.1, 1_000_000.3);
    check("NumAcc3", large, (1_000_000.2, 0.1, -0.999), (1e-15, 1e-8, 1e-8));
    let larger = alternating(10_000_000.2, 10_000_000.1, 10_000_000.3);
    check("NumAcc4", larger, (10_000_000.2, 0.1, -0.999), (1e-15, 2e-8, 2e-8));
}

/// Of Mavro's 50 values the first lag makes 1.60, with a lag time of 15.6 values (computed with statsmodels' r1).
#[test]
fn fifty_values_of_a_filter_are_worth_less_than_two() {
    let samples = Samples::new([numbers(MAVRO)].to_vec(), Duration::from_secs(1)).unwrap();
    let told = samples.effective().unwrap();
    assert!(told.size <= 1.6 && told.size > 1.0, "{told:?}");
    assert!((told.lag_time_s.unwrap() - 15.6).abs() < 0.05, "{told:?}");
    assert!((samples.autocorrelation(2).unwrap() - 0.840_514).abs() < 5e-7);
    assert!((samples.autocorrelation(3).unwrap() - 0.736_523).abs() < 5e-7);
}
