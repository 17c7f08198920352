//! Stops of a single bagger in the demo's week: many, short, and of no effect on the line. Seeded, as nobody writes them down.

use sim_plc::Operation;
use std::time::Duration;

/// How long one lasts, s. Diary: 1 to 3 min.
const LASTS_S: std::ops::RangeInclusive<u64> = 60..=180;
/// From one's end to the next one's begin, and from the line's start and to its stop, at least, s. Illustrative.
const APART_S: u64 = 600;
const SEED: u64 = 0xBA66;

/// One bagger stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct BaggerStop {
    /// When, into the week.
    pub(super) begins: Duration,
    pub(super) ends: Duration,
    /// 1 or 2.
    pub(super) bagger: u8,
}

/// `count` stops, in order, while the line makes product; fewer if it does not run for long enough.
pub(super) fn stops(count: usize, operations: &[(Duration, Operation)]) -> Vec<BaggerStop> {
    let spans = runs_s(operations);
    let all_s: u64 = spans.iter().map(|(from, to)| to - from).sum();
    let share_s = all_s / (count as u64).max(1);
    let mut chance = fastrand::Rng::with_seed(SEED);
    if share_s < *LASTS_S.end() + APART_S {
        return Vec::new();
    }
    let mut stop = |n: usize| {
        let lasts_s = chance.u64(LASTS_S);
        // Somewhere in its own share of the time that the line runs: so two never meet.
        let into_s = n as u64 * share_s + chance.u64(0..share_s - lasts_s - APART_S);
        let begins_s = at_s(&spans, into_s, lasts_s)?;
        let (begins, ends) = (Duration::from_secs(begins_s), Duration::from_secs(begins_s + lasts_s));
        Some(BaggerStop { begins, ends, bagger: chance.u8(1..=2) })
    };
    (0..count).filter_map(&mut stop).collect()
}

/// When the line makes product, s into the week: a start and a stop are given their time.
fn runs_s(operations: &[(Duration, Operation)]) -> Vec<(u64, u64)> {
    let mut spans = Vec::new();
    let mut since: Option<u64> = None;
    for (at, operation) in operations {
        match operation {
            Operation::Run => since = Some(at.as_secs() + APART_S),
            Operation::CookStart | Operation::CookStop => {}
            Operation::HeatUp
            | Operation::Hold
            | Operation::StopFeed
            | Operation::Stop
            | Operation::BoilOut => {
                let ran = since.take().map(|since| (since, at.as_secs().saturating_sub(APART_S)));
                spans.extend(ran.filter(|(from, to)| from < to));
            }
        }
    }
    spans
}

/// The moment when the line has run for `into_s`; put back so that `lasts_s` fit into the span. `None`: it never runs so long.
fn at_s(spans: &[(u64, u64)], into_s: u64, lasts_s: u64) -> Option<u64> {
    let mut left_s = into_s;
    for (from, to) in spans {
        if left_s < to - from {
            return Some((from + left_s).min(to.saturating_sub(lasts_s)).max(*from));
        }
        left_s -= to - from;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: Duration = Duration::from_secs(3_600);

    #[test]
    fn stops_lie_where_the_line_runs_one_after_the_other() {
        let operations = [
            (HOUR, Operation::Run),
            (HOUR * 2, Operation::CookStop),
            (HOUR * 11, Operation::StopFeed),
            (HOUR * 12, Operation::Run),
            (HOUR * 22, Operation::Hold),
        ];
        let found = stops(20, &operations);
        assert_eq!(found.len(), 20);
        for stop in &found {
            let lasts = stop.ends - stop.begins;
            assert!((60..=180).contains(&lasts.as_secs()) && (1..=2).contains(&stop.bagger), "{stop:?}");
            let is_in = |from: Duration, to: Duration| from < stop.begins && stop.ends < to;
            assert!(is_in(HOUR, HOUR * 11) || is_in(HOUR * 12, HOUR * 22), "{stop:?}");
        }
        assert!(found.windows(2).all(|pair| matches!(pair, [one, next] if one.ends < next.begins)));
        assert_eq!(stops(400, &operations), [], "there is no room for so many");
    }
}
