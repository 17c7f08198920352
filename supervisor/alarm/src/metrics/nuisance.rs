//! Alarms that wear a person out: chattering, fleeting, stale; who makes the load; how long people take.

use super::{Annunciation, millis_between};
use crate::settings::AlarmId;
use core::time::Duration;
use heapless::Vec;
use setward_protocol::UtcMillis;

/// An alarm chatters from this index on, a second: three a minute.
pub const CHATTER_INDEX: f64 = 0.05;
const CHATTER_COUNT: usize = 3;
const CHATTER_WITHIN_MS: i64 = 60_000;
/// An alarm shorter than this is fleeting, whatever its time to respond.
const FLEETING_MS: i64 = 10_000;
/// An alarm that stands for longer is stale.
const STALE_MS: i64 = 24 * 3_600_000;
/// Fewer annunciations say nothing about who makes the load.
const LOAD_LEAST: u32 = 100;

/// Whether three annunciations of one alarm lie within a minute. `of_one` must be of one alarm, in order of time.
#[must_use]
pub fn chatters(of_one: &[Annunciation]) -> bool {
    of_one.windows(CHATTER_COUNT).any(|some| {
        let (first, last) = (some.first(), some.last());
        first.zip(last).is_some_and(|(first, last)| millis_between(first.at, last.at) <= CHATTER_WITHIN_MS)
    })
}

/// The mean of one over the time between an alarm's annunciations, a second; `None` with fewer than two. Annunciations
/// less than a second apart count as a second apart. One burst dominates it: take it day by day.
///
/// Restated from memory of Kondaveeti and others, "Quantification of alarm chatter based on run length distributions",
/// 2013. `of_one` must be of one alarm, in order of time.
#[must_use]
pub fn chatter_index(of_one: &[Annunciation]) -> Option<f64> {
    let between = |pair: &[Annunciation]| {
        let (first, second) = (pair.first()?, pair.get(1)?);
        Some((millis_between(first.at, second.at) as f64 / 1000.0).max(1.0))
    };
    let (sum, count) = of_one
        .windows(2)
        .filter_map(between)
        .fold((0.0, 0.0), |(sum, count), seconds| (sum + 1.0 / seconds, count + 1.0));
    (count > 0.0).then(|| sum / count)
}

/// Whether it went by itself before anyone could act: sooner than ten seconds, and than a tenth of the time to respond,
/// and before it was acknowledged. There is no official figure.
#[must_use]
pub fn is_fleeting(one: &Annunciation, time_to_respond: Duration) -> bool {
    let tenth_ms = i64::try_from(time_to_respond.as_millis() / 10).unwrap_or(i64::MAX);
    let Some(cleared) = one.cleared else { return false };
    let seen_before = one.acknowledged.is_some_and(|acknowledged| acknowledged <= cleared);
    millis_between(one.at, cleared) < FLEETING_MS.min(tenth_ms) && !seen_before
}

/// Whether it has stood for more than a day at `now`, or had when it cleared. Time on a shelf counts.
#[must_use]
pub fn is_stale(one: &Annunciation, now: UtcMillis) -> bool {
    millis_between(one.at, one.cleared.unwrap_or(now)) > STALE_MS
}

/// The ten alarms that make most of the load.
#[derive(Debug, Clone, PartialEq)]
pub struct TopTen {
    /// Each with its annunciations, most first; equal ones in the order of the alarms.
    pub alarms: Vec<(AlarmId, u32), 10>,
    /// Their share of all annunciations; `None` where there are too few, or no more than ten alarms, to say anything.
    pub share: Option<f64>,
}

/// The ten most frequent alarms. `counts` is lent, one place an alarm; what it held is lost.
#[must_use]
pub fn top_ten(annunciations: &[Annunciation], counts: &mut [u32]) -> TopTen {
    counts.fill(0);
    for one in annunciations {
        if let Some(count) = counts.get_mut(one.alarm.index()) {
            *count += 1;
        }
    }
    let mut alarms: Vec<(AlarmId, u32), 10> = Vec::new();
    for (alarm, count) in
        (0..=u16::MAX).map(AlarmId).zip(counts.iter().copied()).filter(|(_, count)| *count > 0)
    {
        let place = alarms.partition_point(|(_, other)| *other >= count);
        if alarms.is_full() && place < alarms.len() {
            alarms.pop();
        }
        // No room: it is not among the ten.
        let _fits = alarms.insert(place, (alarm, count));
    }
    let total: u32 = counts.iter().sum();
    let top: u32 = alarms.iter().map(|(_, count)| count).sum();
    let says_something = total >= LOAD_LEAST && counts.iter().filter(|count| **count > 0).count() > 10;
    TopTen { alarms, share: says_something.then(|| f64::from(top) / f64::from(total)) }
}

/// How many annunciations fall to each of `N` classes, such as priorities. What has no class is in none.
#[must_use]
pub fn split<const N: usize>(
    annunciations: &[Annunciation],
    class: impl Fn(AlarmId) -> Option<usize>,
) -> [u32; N] {
    let mut counts = [0; N];
    for one in annunciations {
        if let Some(count) = class(one.alarm).and_then(|class| counts.get_mut(class)) {
            *count += 1;
        }
    }
    counts
}

/// How long people took to acknowledge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Delays {
    /// Annunciations that were acknowledged.
    pub acknowledged: usize,
    /// Those that were not.
    pub waiting: usize,
    /// Half were acknowledged within this, s.
    pub median_s: f64,
    /// 19 of 20 were acknowledged within this, s.
    pub percentile_95_s: f64,
    /// The longest, s.
    pub longest_s: f64,
}

/// How long acknowledgements took; `None` if there were none. `scratch` is lent, one place an annunciation; with less,
/// only as many are looked at.
#[must_use]
pub fn delays(annunciations: &[Annunciation], scratch: &mut [i64]) -> Option<Delays> {
    let took = |one: &Annunciation| one.acknowledged.map(|then| millis_between(one.at, then).max(0));
    let mut acknowledged = 0;
    for (place, millis) in scratch.iter_mut().zip(annunciations.iter().filter_map(took)) {
        *place = millis;
        acknowledged += 1;
    }
    let sorted = scratch.get_mut(..acknowledged)?;
    sorted.sort_unstable();
    let at_share = |share: f64| {
        let place = libm::ceil(share * acknowledged as f64) as usize;
        sorted.get(place.max(1) - 1).map(|millis| *millis as f64 / 1000.0)
    };
    let waiting = annunciations.iter().filter(|one| one.acknowledged.is_none()).count();
    let (median_s, percentile_95_s, longest_s) = (at_share(0.5)?, at_share(0.95)?, at_share(1.0)?);
    Some(Delays { acknowledged, waiting, median_s, percentile_95_s, longest_s })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::vec;

    fn one(alarm: u16, at_s: i64, cleared_s: Option<i64>, acknowledged_s: Option<i64>) -> Annunciation {
        let utc = |second: i64| UtcMillis(1000 * second);
        let (cleared, acknowledged) = (cleared_s.map(utc), acknowledged_s.map(utc));
        Annunciation { alarm: AlarmId(alarm), at: utc(at_s), cleared, acknowledged }
    }

    fn at(seconds: &[i64]) -> vec::Vec<Annunciation> {
        seconds.iter().map(|second| one(0, *second, None, None)).collect()
    }

    /// Annunciations at 0, 10, 20, 30, 90, 100, 110, 600 and 3600 s: index 0.064880 a second, chattering (computed for the
    /// reference page).
    #[test]
    fn the_chatter_index_of_the_reference_page() {
        let index = chatter_index(&at(&[0, 10, 20, 30, 90, 100, 110, 600, 3600])).unwrap();
        assert!(libm::fabs(index - 0.064_880) < 5e-7, "{index}");
        assert!(index >= CHATTER_INDEX);
        assert_eq!(chatter_index(&at(&[5, 5])), Some(1.0), "at once counts as a second");
        assert_eq!(chatter_index(&at(&[5])), None);
    }

    #[test]
    fn three_within_a_minute_chatter() {
        assert!(chatters(&at(&[0, 500, 530, 560])));
        assert!(!chatters(&at(&[0, 500, 530, 561])));
        assert!(!chatters(&at(&[0, 1])));
    }

    #[test]
    fn what_goes_by_itself_before_anyone_can_act_is_fleeting() {
        let minutes = |minutes: u64| Duration::from_secs(60 * minutes);
        assert!(is_fleeting(&one(0, 0, Some(9), None), minutes(3)));
        assert!(!is_fleeting(&one(0, 0, Some(10), None), minutes(3)));
        assert!(!is_fleeting(&one(0, 0, Some(9), None), minutes(1)), "a tenth of a minute is six seconds");
        assert!(!is_fleeting(&one(0, 0, Some(9), Some(5)), minutes(3)), "someone saw it");
        assert!(!is_fleeting(&one(0, 0, None, None), minutes(3)));
    }

    #[test]
    fn what_stands_for_more_than_a_day_is_stale() {
        let day = 24 * 3600;
        assert!(!is_stale(&one(0, 0, None, None), UtcMillis(1000 * day)));
        assert!(is_stale(&one(0, 0, None, None), UtcMillis(1000 * (day + 1))));
        assert!(!is_stale(&one(0, 0, Some(100), None), UtcMillis(i64::MAX)));
    }

    #[test]
    fn the_ten_most_frequent_and_their_share_of_the_load() {
        // Alarm n is annunciated n times: 0 to 14, 105 in all; the ten largest are 5 to 14, 95 of them.
        let all: vec::Vec<_> =
            (0..15_u16).flat_map(|alarm| vec![one(alarm, 0, None, None); usize::from(alarm)]).collect();
        let top = top_ten(&all, &mut [7; 15]);
        assert_eq!(
            top.alarms.iter().map(|(alarm, _)| alarm.0).collect::<vec::Vec<_>>(),
            [14, 13, 12, 11, 10, 9, 8, 7, 6, 5]
        );
        assert_eq!(top.share, Some(95.0 / 105.0));
        let rising = |alarm: u16| vec![one(14 - alarm, 0, None, None); usize::from(alarm)];
        let turned: vec::Vec<_> = (0..15).flat_map(rising).collect();
        assert!(top_ten(&turned, &mut [0; 15]).alarms.iter().map(|(alarm, _)| alarm.0).eq(0..10));
        assert_eq!(top_ten(&all[..50], &mut [0; 15]).share, None, "too few");
        let equal = [3, 1, 2].map(|alarm| one(alarm, 0, None, None));
        let top = top_ten(&equal, &mut [0; 4]);
        assert_eq!(top.alarms.as_slice(), [(AlarmId(1), 1), (AlarmId(2), 1), (AlarmId(3), 1)]);
        let counts: [u32; 3] = split(&all, |alarm| Some(usize::from(alarm.0) % 3));
        assert_eq!(counts, [30, 35, 40]);
    }

    #[test]
    fn what_has_no_place_is_counted_nowhere() {
        let all = [one(0, 0, None, None), one(1, 0, None, None), one(9, 0, None, None)];
        assert_eq!(top_ten(&all, &mut [0; 2]).alarms.as_slice(), [(AlarmId(0), 1), (AlarmId(1), 1)]);
        assert_eq!(split(&all, |alarm| Some(usize::from(alarm.0))), [1, 1]);
        assert_eq!(split(&all, |alarm| (alarm.0 == 9).then_some(1)), [0, 1]);
    }

    #[test]
    fn half_of_the_acknowledgements_came_within_the_median() {
        let all = [10, 20, 30, 4000].map(|took| one(0, 100, None, Some(100 + took)));
        let mut some = all.to_vec();
        some.push(one(0, 0, None, None));
        let found = delays(&some, &mut [0; 5]).unwrap();
        assert_eq!((found.acknowledged, found.waiting), (4, 1));
        assert_eq!((found.median_s, found.percentile_95_s, found.longest_s), (20.0, 4000.0, 4000.0));
        assert_eq!(delays(&some[4..], &mut [0; 5]), None);
    }
}
