//! Control charts of a measurement, on values that are far enough apart to be charted at all.
//!
//! Polls of a slow loop follow each other, and limits by their moving range would be far too tight. So the interval is made
//! longer, by what the record itself says, until neighbours are independent; where too few values are left then, there is no
//! chart. EWMA and CUSUM start anew at the beginning of the record and go on over its breaks.

use super::charts::{CusumRule, MOVING_RANGE_OF_TWO, cusum, ewma, individuals};
use super::{Deviations, Refused};
use core::time::Duration;

/// Values that a chart must have: fewer give limits that nobody should act on. Common practice.
pub const LEAST_CHARTED: usize = 20;
/// Weight of the newest value in the EWMA; 0.2 to 0.3 is usual.
pub const EWMA_WEIGHT: f64 = 0.2;
/// Deviations up to so many standard deviations do not count in the CUSUM: half of a shift of one, which is usual.
pub const CUSUM_SLACK_SD: f64 = 0.5;
/// The CUSUM signals beyond so many standard deviations; 4 to 5 is usual.
pub const CUSUM_DECISION_SD: f64 = 5.0;
/// The interval is made longer so often at most.
const LONGER_MOST: usize = 8;

/// What the three charts say. Values and limits are in the signal's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Charted {
    /// Values are so far apart, s.
    pub every_s: f64,
    /// How many were charted.
    pub count: usize,
    /// Mean: the centre line of the individuals.
    pub centre: f64,
    /// Lower limit of the individuals.
    pub low: f64,
    /// Upper limit of the individuals.
    pub high: f64,
    /// Values beyond these limits.
    pub beyond: usize,
    /// Mean moving range.
    pub mean_range: f64,
    /// Upper limit of the moving range.
    pub range_high: f64,
    /// Moving ranges beyond it.
    pub ranges_beyond: usize,
    /// What EWMA and CUSUM are held against: the setpoint, or the mean of a measurement without one.
    pub target: f64,
    /// The last value of the EWMA.
    pub ewma: f64,
    /// Its lower limit there.
    pub ewma_low: f64,
    /// Its upper limit there.
    pub ewma_high: f64,
    /// Values of the EWMA beyond its limits.
    pub ewma_beyond: usize,
    /// The highest sum upward, in decision limits: above 1 is a signal.
    pub cusum_up: f64,
    /// The highest sum downward, in decision limits.
    pub cusum_down: f64,
    /// The value, counted from 1, at which a sum first signalled.
    pub cusum_signal: Option<usize>,
}

/// Charts a measurement that is taken each `every` at the closest; `has_setpoint`: it is a deviation from one.
///
/// # Errors
/// No known time, all values the same, values that follow each other at every interval that leaves twenty of them, or fewer
/// than twenty from the beginning.
pub fn charted(deviations: &Deviations, every: Duration, has_setpoint: bool) -> Result<Charted, Refused> {
    let mut every = every;
    for _ in 0..LONGER_MOST {
        let samples = deviations.samples(every)?;
        let count = samples.count();
        if count < LEAST_CHARTED {
            // So far apart each of them counts as one.
            return Err(Refused::TooFew { count, effective: count as f64, needed: LEAST_CHARTED as f64 });
        }
        match samples.effective()?.sample_every_s() {
            None => return of(&samples, has_setpoint),
            // By less than a half again it would come near, but not there.
            Some(apart_s) => every = Duration::from_secs_f64(apart_s.max(every.as_secs_f64() * 1.5).min(1e9)),
        }
    }
    let effective = deviations.samples(every)?.effective()?;
    let sample_every_s = every.as_secs_f64();
    Err(Refused::NotIndependent { first_lag: effective.first_lag, sample_every_s })
}

fn of(samples: &super::Samples, has_setpoint: bool) -> Result<Charted, Refused> {
    let found = individuals(samples)?;
    let sd = found.mean_range / MOVING_RANGE_OF_TWO;
    let target = if has_setpoint { 0.0 } else { found.centre };
    let weighted = ewma(samples.values(), target, sd, EWMA_WEIGHT)?;
    let rule = CusumRule { target, slack: CUSUM_SLACK_SD * sd, decision: CUSUM_DECISION_SD * sd };
    let sums = cusum(samples.values(), rule)?;
    let last = weighted.last().ok_or(Refused::Nothing)?;
    let highest = |sums: &[f64]| sums.iter().copied().fold(0.0, f64::max) / rule.decision;
    Ok(Charted {
        every_s: samples.every_s(),
        count: samples.count(),
        centre: found.centre,
        low: found.low,
        high: found.high,
        beyond: found.beyond.len(),
        mean_range: found.mean_range,
        range_high: found.range_high,
        ranges_beyond: samples.moving_ranges().filter(|range| *range > found.range_high).count(),
        target,
        ewma: last.value,
        ewma_low: last.low,
        ewma_high: last.high,
        ewma_beyond: weighted
            .iter()
            .filter(|point| point.value < point.low || point.value > point.high)
            .count(),
        cusum_up: highest(&sums.high),
        cusum_down: highest(&sums.low),
        cusum_signal: sums.first_signal.map(|at| at + 1),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::{Span, Trace};
    use alloc::vec::Vec;
    use setward_protocol::Uptime;

    /// e-Handbook 6.3.2.4's twenty values, as printed: their range is 6.6, they shift upward by about one deviation at the
    /// sixteenth.
    const HANDBOOK: [f64; 20] = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6,
        52.4, 53.6, 52.1,
    ];

    /// Values a second apart, held as lines between them, with a last one that only ends the record.
    fn record(values: &[f64]) -> Deviations {
        let points: Vec<(Uptime, f64)> =
            values.iter().enumerate().map(|(at, value)| (Uptime::from_secs_f64(at as f64), *value)).collect();
        let span = Span { from: Uptime::START, to: Uptime::from_secs_f64((values.len() - 1) as f64) };
        Deviations::of_value(&Trace::new(&points, Duration::from_secs(3)).unwrap(), &[span])
    }

    /// A plain generator, made about normal by the sum of twelve.
    fn noise(state: &mut u64) -> f64 {
        let mut uniform = || {
            *state = (state.wrapping_mul(0x5_DEEC_E66D).wrapping_add(11)) & ((1 << 48) - 1);
            *state as f64 / (1u64 << 48) as f64
        };
        (0..12).map(|_| uniform()).sum::<f64>() - 6.0
    }

    /// The three charts are those of the handbook's figures, each computed by hand from the same values.
    #[test]
    fn independent_values_are_charted_as_they_are() {
        let values: Vec<f64> = HANDBOOK.iter().copied().chain([0.0]).collect();
        let found = charted(&record(&values), Duration::from_secs(1), false).unwrap();
        let mean = HANDBOOK.iter().sum::<f64>() / 20.0;
        let range = HANDBOOK.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum::<f64>() / 19.0;
        assert_eq!((found.every_s, found.count, found.beyond), (1.0, 20, 0));
        for (is, should) in [
            (found.centre, mean),
            (found.high, mean + 3.0 * range / 1.128),
            (found.range_high, 3.267 * range),
            (found.target, mean),
        ] {
            assert!((is - should).abs() < 1e-9, "{is}, not {should}");
        }
        let by_hand = HANDBOOK.iter().fold(mean, |before, value| 0.8 * before + 0.2 * value);
        assert!((found.ewma - by_hand).abs() < 1e-9, "{found:?}");
        assert_eq!(found.cusum_signal, None);
    }

    /// A lag of 30 s polled each second: limits by the moving range of polls would call a tenth of them beyond. Charted
    /// some 90 s apart, hardly any is; and a setpoint that is missed by one standard deviation is found by the sums.
    #[test]
    fn polls_of_a_slow_loop_are_charted_far_enough_apart() {
        let (mut state, mut dice) = (0.0_f64, 7_u64);
        let keep = libm::exp(-1.0 / 30.0);
        let drive = libm::sqrt(1.0 - keep * keep);
        let mut next = || {
            state = keep * state + drive * noise(&mut dice);
            state
        };
        let values: Vec<f64> = (0..40_000).map(|_| next()).collect();
        let found = charted(&record(&values), Duration::from_secs(1), true).unwrap();
        assert!((60.0..400.0).contains(&found.every_s), "{found:?}");
        assert!(found.beyond * 50 <= found.count && found.cusum_up < 2.0, "{found:?}");
        let polls = individuals(&record(&values).samples(Duration::from_secs(1)).unwrap()).unwrap();
        assert!(polls.beyond.len() * 10 > values.len(), "{} of the polls", polls.beyond.len());

        let missed: Vec<f64> = values.iter().map(|value| value + 1.0).collect();
        let found = charted(&record(&missed), Duration::from_secs(1), true).unwrap();
        assert!(found.cusum_up > 5.0 && found.cusum_signal.is_some_and(|at| at < 60), "{found:?}");
        assert!(found.ewma_beyond * 2 > found.count, "{found:?}");
        let without_setpoint = charted(&record(&missed), Duration::from_secs(1), false).unwrap();
        assert!(without_setpoint.cusum_up < 2.0, "held against its own mean: {without_setpoint:?}");
    }

    #[test]
    fn too_few_values_are_no_chart() {
        let slow: Vec<f64> = (0..600).map(|second| libm::sin(f64::from(second) / 95.0)).collect();
        let refused = charted(&record(&slow), Duration::from_secs(1), true).unwrap_err();
        assert!(matches!(refused, Refused::TooFew { needed: 20.0, .. }), "{refused:?}");
        assert_eq!(charted(&record(&[1.0; 100]), Duration::from_secs(1), true), Err(Refused::NoSpread));
    }
}
