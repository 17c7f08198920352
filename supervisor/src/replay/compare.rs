//! What was called for then beside what these settings would have called for: raised, missed, sooner or later, time in alarm.

use crate::history::{Span, StoredEvent};
use crate::line::alarms::SILENT;
use serde::Serialize;
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;

/// One occurrence for which somebody was called.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Occurrence {
    /// When the trouble began.
    pub onset: UtcMillis,
    /// When it raised.
    pub raised: UtcMillis,
    /// When its condition ended, if it has.
    pub cleared: Option<UtcMillis>,
}

impl Occurrence {
    /// Whether both are of one trouble: their stretches meet, each from its onset to its end.
    pub(crate) fn meets(&self, other: &Self) -> bool {
        let before_end = |at: UtcMillis, end: Option<UtcMillis>| end.is_none_or(|end| at <= end);
        before_end(self.onset, other.cleared) && before_end(other.onset, self.cleared)
    }

    /// How long of it lies in the window, s.
    fn in_window_s(&self, span: Span) -> f64 {
        let from = self.raised.0.max(span.from().0);
        let to = self.cleared.map_or(span.to().0, |cleared| cleared.0.min(span.to().0));
        (to - from).max(0) as f64 / 1000.0
    }
}

/// By alarm, the occurrences in the window for which somebody was called.
#[must_use]
pub fn occurrences(events: &[StoredEvent], span: Span) -> BTreeMap<String, Vec<Occurrence>> {
    let mut all: BTreeMap<String, Vec<Occurrence>> = BTreeMap::new();
    for stored in events {
        let event = &stored.event;
        let Some(alarm) = &event.alarm else { continue };
        match event.what.as_str() {
            "raised" if event.note.as_deref() != Some(SILENT) && span.contains(event.utc) => {
                let onset = event.onset.unwrap_or(event.utc);
                let one = Occurrence { onset, raised: event.utc, cleared: None };
                all.entry(alarm.clone()).or_default().push(one);
            }
            "cleared" => {
                let last = all.get_mut(alarm).and_then(|list| list.last_mut());
                if let Some(last) = last.filter(|last| last.cleared.is_none()) {
                    last.cleared = Some(event.utc);
                }
            }
            _ => {}
        }
    }
    all
}

/// One alarm, then and now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Compared {
    /// The alarm.
    pub alarm: String,
    /// Calls then.
    pub then: usize,
    /// Calls now.
    pub now: usize,
    /// Calls of then that would not have come.
    pub missed: usize,
    /// Calls that did not come then.
    pub added: usize,
    /// Of calls that came both times: seconds later (positive) or sooner (negative), half below.
    pub later_median_s: Option<f64>,
    /// The soonest of them.
    pub later_least_s: Option<f64>,
    /// The latest of them.
    pub later_most_s: Option<f64>,
    /// Time in alarm then, s.
    pub in_alarm_then_s: f64,
    /// Time in alarm now, s.
    pub in_alarm_now_s: f64,
}

impl Compared {
    /// Whether these settings change nothing for the alarm.
    #[must_use]
    pub fn is_alike(&self) -> bool {
        self.missed == 0
            && self.added == 0
            && self.later_least_s.is_none_or(|later| later == 0.0)
            && self.later_most_s.is_none_or(|later| later == 0.0)
            && self.in_alarm_then_s == self.in_alarm_now_s
    }
}

/// Every alarm that called then or would have called, in the order of the line; then those that only history knows.
#[must_use]
pub fn compare(
    line: &Line,
    then: &BTreeMap<String, Vec<Occurrence>>,
    now: &BTreeMap<String, Vec<Occurrence>>,
    span: Span,
) -> Vec<Compared> {
    let of_line = line.alarms.iter().map(|alarm| &alarm.id);
    let gone = then.keys().filter(|id| line.alarm_by_id(id).is_none());
    let one = |id: &String| {
        let of = |all: &BTreeMap<String, Vec<Occurrence>>| all.get(id).cloned().unwrap_or_default();
        let (then, now) = (of(then), of(now));
        (!then.is_empty() || !now.is_empty()).then(|| compare_one(id, &then, &now, span))
    };
    of_line.chain(gone).filter_map(one).collect()
}

fn compare_one(alarm: &str, then: &[Occurrence], now: &[Occurrence], span: Span) -> Compared {
    let mut taken = vec![false; now.len()];
    let mut later_s = Vec::new();
    for old in then {
        let place = now.iter().zip(&taken).position(|(new, taken)| !taken && new.meets(old));
        let Some(place) = place else { continue };
        if let (Some(taken), Some(new)) = (taken.get_mut(place), now.get(place)) {
            *taken = true;
            later_s.push((new.raised.0 - old.raised.0) as f64 / 1000.0);
        }
    }
    later_s.sort_by(f64::total_cmp);
    let sum = |all: &[Occurrence]| all.iter().map(|one| one.in_window_s(span)).sum();
    Compared {
        alarm: alarm.to_owned(),
        then: then.len(),
        now: now.len(),
        missed: then.len() - later_s.len(),
        added: now.len() - later_s.len(),
        later_median_s: later_s.get(later_s.len().saturating_sub(1) / 2).copied(),
        later_least_s: later_s.first().copied(),
        later_most_s: later_s.last().copied(),
        in_alarm_then_s: sum(then),
        in_alarm_now_s: sum(now),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(onset: i64, raised: i64, cleared: Option<i64>) -> Occurrence {
        let utc = |second: i64| UtcMillis(1000 * second);
        Occurrence { onset: utc(onset), raised: utc(raised), cleared: cleared.map(utc) }
    }

    fn span() -> Span {
        Span::new(UtcMillis(0), UtcMillis(1_000_000)).unwrap()
    }

    /// Three troubles then. Now: the first 10 s later, the second not at all, the third 5 s sooner, and one more.
    #[test]
    fn calls_are_matched_by_the_trouble_they_are_of() {
        let then = [one(90, 100, Some(150)), one(290, 300, Some(310)), one(490, 500, None)];
        let now = [one(90, 110, Some(150)), one(480, 495, None), one(600, 700, Some(720))];
        let found = compare_one("a", &then, &now, span());
        assert_eq!((found.then, found.now, found.missed, found.added), (3, 3, 1, 1));
        assert_eq!(
            (found.later_least_s, found.later_median_s, found.later_most_s),
            (Some(-5.0), Some(-5.0), Some(10.0))
        );
        assert_eq!((found.in_alarm_then_s, found.in_alarm_now_s), (50.0 + 10.0 + 500.0, 40.0 + 505.0 + 20.0));
        assert!(!found.is_alike());
        assert!(compare_one("a", &then, &then, span()).is_alike());
    }

    #[test]
    fn one_long_trouble_is_one_call_and_what_came_again_within_it_is_added() {
        let then = [one(0, 10, Some(500))];
        let now = [one(0, 10, Some(100)), one(150, 160, Some(500))];
        let found = compare_one("a", &then, &now, span());
        assert_eq!((found.missed, found.added), (0, 1));
    }
}
