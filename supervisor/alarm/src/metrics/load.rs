//! How many annunciations a person has to take in: by clock-aligned intervals, and in any ten minutes.

use super::{Annunciation, millis_between, targets};
use core::iter;
use setward_protocol::UtcMillis;

const TEN_MINUTES_MS: i64 = 600_000;
/// A flood is over when fewer than this many lie in the last ten minutes.
const FLOOD_ENDS_BELOW: usize = 5;
/// Counts in one interval beyond this are counted as this.
const COUNT_MOST: usize = 255;

/// A stretch in which nothing could be annunciated: the program was down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outage {
    /// When it began.
    pub from: UtcMillis,
    /// When it ended.
    pub to: UtcMillis,
}

/// Annunciations by clock-aligned intervals of ten minutes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BinRates {
    /// Intervals that count: whole ones, without an outage.
    pub intervals: u32,
    /// Mean count of an interval; 0 without any.
    pub mean: f64,
    /// Half of the intervals have at most this many.
    pub median: u32,
    /// 19 of 20 intervals have at most this many.
    pub percentile_95: u32,
    /// The largest count; 255 also stands for more.
    pub peak: u32,
    /// Intervals with more than ten.
    pub crowded: u32,
}

/// Counts by intervals between `from` and `to`. Intervals cut by either end, or touched by an outage, are left out.
///
/// `annunciations` must be in order of time.
#[must_use]
pub fn bin_rates(
    annunciations: &[Annunciation],
    from: UtcMillis,
    to: UtcMillis,
    outages: &[Outage],
) -> BinRates {
    let mut intervals_with = [0_u32; COUNT_MOST + 1];
    let (mut intervals, mut total, mut crowded) = (0_u32, 0_u64, 0_u32);
    let first = from.0.div_euclid(TEN_MINUTES_MS) + i64::from(from.0.rem_euclid(TEN_MINUTES_MS) != 0);
    let last = to.0.div_euclid(TEN_MINUTES_MS);
    let mut rest = annunciations;
    for bin in first..last {
        let (start, end) = (bin * TEN_MINUTES_MS, (bin + 1) * TEN_MINUTES_MS);
        rest = rest.get(rest.partition_point(|one| one.at.0 < start)..).unwrap_or_default();
        let count = rest.partition_point(|one| one.at.0 < end);
        if outages.iter().any(|outage| outage.from.0 < end && outage.to.0 > start) {
            continue;
        }
        intervals += 1;
        total += count as u64;
        crowded += u32::from(count > targets::IN_ANY_TEN_MINUTES as usize);
        if let Some(with) = intervals_with.get_mut(count.min(COUNT_MOST)) {
            *with += 1;
        }
    }
    let at_share = |share: f64| {
        let needed = libm::ceil(share * f64::from(intervals)).max(1.0);
        let mut seen = 0.0;
        let found = intervals_with.iter().position(|with| {
            seen += f64::from(*with);
            seen >= needed
        });
        found.unwrap_or(0) as u32
    };
    let mean = if intervals == 0 { 0.0 } else { total as f64 / f64::from(intervals) };
    let peak = intervals_with.iter().rposition(|with| *with > 0).unwrap_or(0) as u32;
    BinRates { intervals, mean, median: at_share(0.5), percentile_95: at_share(0.95), peak, crowded }
}

/// The most annunciations in any ten minutes, wherever they lie. `annunciations` must be in order of time.
#[must_use]
pub fn peak(annunciations: &[Annunciation]) -> usize {
    (0..annunciations.len()).map(|index| in_last_ten_minutes(annunciations, index)).max().unwrap_or(0)
}

/// How many lie in the ten minutes that end with annunciation `index`, which counts; what is ten minutes old does not.
fn in_last_ten_minutes(annunciations: &[Annunciation], index: usize) -> usize {
    let Some(one) = annunciations.get(index) else { return 0 };
    let start = annunciations.partition_point(|other| millis_between(other.at, one.at) >= TEN_MINUTES_MS);
    (index + 1).saturating_sub(start)
}

/// A time in which more alarms came than a person can handle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Flood {
    /// The annunciation that was the eleventh in ten minutes.
    pub from: UtcMillis,
    /// When only four were left in the last ten minutes.
    pub to: UtcMillis,
    /// Annunciations from the eleventh on until the end.
    pub annunciations: usize,
}

/// The floods: each begins with the annunciation that makes eleven in the last ten minutes, and ends when they are down
/// to four. `annunciations` must be in order of time.
pub fn floods(annunciations: &[Annunciation]) -> impl Iterator<Item = Flood> + '_ {
    let mut index = 0;
    iter::from_fn(move || {
        let first = (index..annunciations.len()).find(|index| {
            in_last_ten_minutes(annunciations, *index) > targets::IN_ANY_TEN_MINUTES as usize
        })?;
        let from = annunciations.get(first)?.at;
        // After annunciation `last` the count falls to four when the fifth from it is ten minutes old, unless the next
        // comes by then.
        let mut last = first;
        loop {
            let fifth = last.checked_sub(FLOOD_ENDS_BELOW - 1).and_then(|fifth| annunciations.get(fifth))?;
            let to = UtcMillis(fifth.at.0.saturating_add(TEN_MINUTES_MS));
            match annunciations.get(last + 1) {
                Some(next) if next.at <= to => last += 1,
                Some(_) | None => {
                    index = last + 1;
                    return Some(Flood { from, to, annunciations: last + 1 - first });
                }
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::AlarmId;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn at(seconds: &[i64]) -> Vec<Annunciation> {
        let one = |second: &i64| Annunciation {
            alarm: AlarmId(0),
            at: UtcMillis(1000 * second),
            cleared: None,
            acknowledged: None,
        };
        seconds.iter().map(one).collect()
    }

    /// Twelve around a border of two intervals (computed for the reference page): six and six, no crowded interval; but
    /// twelve in any ten minutes, a flood from 641 s to 1211 s, 570 s long.
    #[test]
    fn intervals_hide_a_flood_that_lies_across_their_border() {
        let twelve = at(&[549, 559, 569, 579, 589, 599, 601, 611, 621, 631, 641, 651]);
        let rates = bin_rates(&twelve, UtcMillis(0), UtcMillis(1_200_000), &[]);
        assert_eq!((rates.intervals, rates.mean, rates.peak, rates.crowded), (2, 6.0, 6, 0));
        assert_eq!(peak(&twelve), 12);
        let found: Vec<Flood> = floods(&twelve).collect();
        let expected = Flood { from: UtcMillis(641_000), to: UtcMillis(1_211_000), annunciations: 2 };
        assert_eq!(found, [expected]);
    }

    #[test]
    fn a_flood_goes_on_when_the_next_comes_as_the_fifth_leaves() {
        let mut seconds = std::vec![0; 11];
        seconds.extend([100, 200, 300, 400, 600]);
        let found: Vec<Flood> = floods(&at(&seconds)).collect();
        // At 600 s the eleven leave, and 100 to 600 are five: not fewer. At 700 s they are four.
        let expected = Flood { from: UtcMillis(0), to: UtcMillis(700_000), annunciations: 6 };
        assert_eq!(found, [expected]);
    }

    #[test]
    fn cut_intervals_and_outages_are_left_out() {
        let some = at(&[10, 700, 701, 1300, 1900, 2500]);
        let outage = Outage { from: UtcMillis(1_250_000), to: UtcMillis(1_260_000) };
        // 0..600 is cut by the start, 1200..1800 has the outage, 2400.. is cut by the end: 600..1200 and 1800..2400 stay.
        let rates = bin_rates(&some, UtcMillis(1), UtcMillis(2_600_000), &[outage]);
        assert_eq!((rates.intervals, rates.mean, rates.peak), (2, 1.5, 2));
        assert_eq!((rates.median, rates.percentile_95), (1, 2));
        let none = bin_rates(&some, UtcMillis(5), UtcMillis(5), &[]);
        assert_eq!((none.intervals, none.mean, none.median), (0, 0.0, 0));
    }

    proptest! {
        /// Floods against a clock that looks once a second.
        #[test]
        fn floods_are_those_of_a_clock_that_counts_every_second(gaps in proptest::collection::vec(0_i64..200, 0..80)) {
            let seconds: Vec<i64> = gaps.iter().scan(0, |now, gap| { *now += gap; Some(*now) }).collect();
            let count = |now: i64| seconds.iter().filter(|at| **at <= now && **at > now - 600).count();
            let (mut expected, mut since) = (Vec::new(), None);
            for now in 0..=seconds.last().copied().unwrap_or(0) + 700 {
                match since {
                    None if count(now) > 10 => since = Some(now),
                    Some(from) if count(now) < 5 => {
                        expected.push((from, now));
                        since = None;
                    }
                    None | Some(_) => {}
                }
            }
            let annunciations = at(&seconds);
            let found: Vec<(i64, i64)> = floods(&annunciations).map(|flood| (flood.from.0 / 1000, flood.to.0 / 1000)).collect();
            prop_assert_eq!(found, expected);
            let most = (0..=seconds.last().copied().unwrap_or(0)).map(count).max().unwrap_or(0);
            prop_assert_eq!(peak(&annunciations), most);
        }
    }
}
