//! What was called for then beside what these settings would have called for: raised, missed, sooner or later, time in alarm,
//! kilograms at risk, per shift and recipe.

use super::AROUND_MS;
use super::ground::{AtRisk, Ground, Turn};
use crate::history::{Span, StoredEvent};
use crate::line::alarms::SILENT;
use serde::Serialize;
use setward_alarm::Kind;
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::collections::{BTreeMap, BTreeSet};

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

    /// As it is seen from the window: what ends after it goes on.
    fn seen_from(self, window: Span) -> Self {
        Self { cleared: self.cleared.filter(|cleared| *cleared < window.to()), ..self }
    }

    /// How long of it lies in the window, s.
    pub(crate) fn in_window_s(&self, span: Span) -> f64 {
        let from = self.raised.0.max(span.from().0);
        let to = self.cleared.map_or(span.to().0, |cleared| cleared.0.min(span.to().0));
        (to - from).max(0) as f64 / 1000.0
    }
}

/// What is compared: calls of a window, of which readings were fed until a moment that may be later.
#[derive(Debug, Clone, Copy)]
pub struct Looked {
    /// The window.
    pub window: Span,
    /// The end of what was fed.
    pub fed_to: UtcMillis,
}

/// One trouble, then and now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Pair {
    /// As it was called for then.
    pub(crate) then: Option<Occurrence>,
    /// As it would have been now.
    pub(crate) now: Option<Occurrence>,
    /// Only one of the two has called so far: it still stood when the readings ended, so soon after that the other may follow.
    pub(crate) is_undecided: bool,
}

impl Pair {
    fn new(then: Option<Occurrence>, now: Option<Occurrence>, looked: Looked) -> Self {
        let (window, fed_to) = (looked.window, looked.fed_to);
        let goes_on = |one: Occurrence| {
            one.cleared.is_none_or(|cleared| cleared >= fed_to) && fed_to.0 - one.raised.0 < AROUND_MS
        };
        let alone = then.xor(now);
        let seen = |one: Option<Occurrence>| one.map(|one| one.seen_from(window));
        Self { then: seen(then), now: seen(now), is_undecided: alone.is_some_and(goes_on) }
    }

    const fn is_missed(&self) -> bool {
        self.now.is_none() && !self.is_undecided
    }

    const fn is_added(&self) -> bool {
        self.then.is_none() && !self.is_undecided
    }

    /// When it first calls.
    fn raised(&self) -> Option<UtcMillis> {
        [self.then, self.now].into_iter().flatten().map(|one| one.raised).min()
    }
}

/// Calls then and now, matched by the trouble they are of, in the order of time: those of which at least one came in the window. It may
/// have begun before, and the other call may lie outside.
pub(crate) fn pairs(then: &[Occurrence], now: &[Occurrence], looked: Looked) -> Vec<Pair> {
    let mut free: Vec<Option<Occurrence>> = now.iter().copied().map(Some).collect();
    let mut all = Vec::new();
    for old in then {
        let place = free.iter_mut().find(|new| new.is_some_and(|new| new.meets(old)));
        all.push((Some(*old), place.and_then(Option::take)));
    }
    all.extend(free.into_iter().flatten().map(|new| (None, Some(new))));
    let calls_in_window = |one: Option<Occurrence>| one.is_some_and(|one| looked.window.contains(one.raised));
    all.retain(|(then, now)| calls_in_window(*then) || calls_in_window(*now));
    let mut all: Vec<Pair> = all.into_iter().map(|(then, now)| Pair::new(then, now, looked)).collect();
    all.sort_by_key(Pair::raised);
    all
}

/// The ids of alarms about servers that history is sent to. How a server did is not kept, so that no replay tells of them.
#[must_use]
pub fn of_servers<'l>(lines: impl IntoIterator<Item = &'l Line>) -> BTreeSet<String> {
    let all = lines.into_iter().flat_map(|line| &line.alarms);
    all.filter(|alarm| matches!(alarm.settings.kind, Kind::Forwarding(_)))
        .map(|alarm| alarm.id.clone())
        .collect()
}

/// By alarm, the occurrences for which somebody was called.
#[must_use]
pub fn occurrences(events: &[StoredEvent]) -> BTreeMap<String, Vec<Occurrence>> {
    let mut all: BTreeMap<String, Vec<Occurrence>> = BTreeMap::new();
    for stored in events {
        let event = &stored.event;
        let Some(alarm) = &event.alarm else { continue };
        match event.what.as_str() {
            "raised" if event.note.as_deref() != Some(SILENT) => {
                let onset = event.onset.unwrap_or(event.utc);
                let list = all.entry(alarm.clone()).or_default();
                // One that calls anew while it stands, as what hid it is gone, is a call of its own: each second counts once.
                let open = list.last_mut().filter(|last| last.cleared.is_none());
                let before = open.map(|last| *last.cleared.insert(event.utc));
                let onset = before.map_or(onset, |before| onset.max(before));
                list.push(Occurrence { onset, raised: event.utc, cleared: None });
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
    /// Calls at the end of the readings that came only then or only now so far.
    pub undecided: usize,
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
    /// What was fed while its troubles stood then; `None` if the line has no weigher.
    pub at_risk_then: Option<AtRisk>,
    /// The same now.
    pub at_risk_now: Option<AtRisk>,
    /// The same by shift and recipe.
    pub turns: Vec<OfTurn>,
}

/// Calls of one shift and recipe, then and now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OfTurn {
    /// Which.
    #[serde(flatten)]
    pub turn: Turn,
    /// Calls then.
    pub then: usize,
    /// Calls now.
    pub now: usize,
    /// Calls of then that would not have come.
    pub missed: usize,
    /// Calls that did not come then.
    pub added: usize,
    /// Calls at the end of the readings that came only then or only now so far.
    pub undecided: usize,
    /// What was fed while the troubles stood then; `None` if the line has no weigher.
    pub at_risk_then: Option<AtRisk>,
    /// The same now.
    pub at_risk_now: Option<AtRisk>,
}

impl OfTurn {
    const fn nothing(turn: Turn) -> Self {
        let (at_risk_then, at_risk_now) = (None, None);
        Self { turn, then: 0, now: 0, missed: 0, added: 0, undecided: 0, at_risk_then, at_risk_now }
    }

    /// Both together.
    fn add(&mut self, other: &Self) {
        self.then += other.then;
        self.now += other.now;
        self.missed += other.missed;
        self.added += other.added;
        self.undecided += other.undecided;
        self.at_risk_then = both(self.at_risk_then, other.at_risk_then);
        self.at_risk_now = both(self.at_risk_now, other.at_risk_now);
    }
}

/// Calls of all these alarms by shift and recipe.
#[must_use]
pub fn by_turn(alarms: &[Compared]) -> Vec<OfTurn> {
    let mut all: BTreeMap<Turn, OfTurn> = BTreeMap::new();
    for one in alarms.iter().flat_map(|alarm| &alarm.turns) {
        all.entry(one.turn.clone()).or_insert_with(|| OfTurn::nothing(one.turn.clone())).add(one);
    }
    all.into_values().collect()
}

fn both(one: Option<AtRisk>, other: Option<AtRisk>) -> Option<AtRisk> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.and(other)),
        (one, other) => one.or(other),
    }
}

impl Compared {
    /// Whether these settings change nothing for the alarm.
    #[must_use]
    pub fn is_alike(&self) -> bool {
        self.missed == 0
            && self.added == 0
            && self.undecided == 0
            && self.later_least_s.is_none_or(|later| later == 0.0)
            && self.later_most_s.is_none_or(|later| later == 0.0)
            && self.in_alarm_then_s == self.in_alarm_now_s
    }
}

/// Every alarm that called then or would have called, in the order of the line; then those that only history knows. The occurrences are of
/// all that was fed.
#[must_use]
pub fn compare(
    line: &Line,
    then: &BTreeMap<String, Vec<Occurrence>>,
    now: &BTreeMap<String, Vec<Occurrence>>,
    (looked, ground): (Looked, &Ground),
) -> Vec<Compared> {
    let of_line = line.alarms.iter().map(|alarm| &alarm.id);
    let gone = then.keys().filter(|id| line.alarm_by_id(id).is_none());
    let one = |id: &String| {
        let of = |all: &BTreeMap<String, Vec<Occurrence>>| all.get(id).cloned().unwrap_or_default();
        let pairs = pairs(&of(then), &of(now), looked);
        (!pairs.is_empty()).then(|| compare_one(id, &pairs, looked.window, &Facts { line, ground }))
    };
    of_line.chain(gone).filter_map(one).collect()
}

/// What is known beside the calls.
struct Facts<'a> {
    line: &'a Line,
    ground: &'a Ground,
}

fn compare_one(alarm: &str, pairs: &[Pair], window: Span, facts: &Facts<'_>) -> Compared {
    let then: Vec<Occurrence> = pairs.iter().filter_map(|pair| pair.then).collect();
    let now: Vec<Occurrence> = pairs.iter().filter_map(|pair| pair.now).collect();
    let later_s = later_s(pairs);
    let in_alarm_s = |all: &[Occurrence]| all.iter().map(|one| one.in_window_s(window)).sum();
    let at_risk = |all: &[Occurrence]| {
        all.iter().filter_map(|one| facts.ground.at_risk(one, window.to())).reduce(AtRisk::and)
    };
    Compared {
        alarm: alarm.to_owned(),
        then: then.len(),
        now: now.len(),
        missed: pairs.iter().filter(|pair| pair.is_missed()).count(),
        added: pairs.iter().filter(|pair| pair.is_added()).count(),
        undecided: pairs.iter().filter(|pair| pair.is_undecided).count(),
        later_median_s: later_s.get(later_s.len().saturating_sub(1) / 2).copied(),
        later_least_s: later_s.first().copied(),
        later_most_s: later_s.last().copied(),
        in_alarm_then_s: in_alarm_s(&then),
        in_alarm_now_s: in_alarm_s(&now),
        at_risk_then: at_risk(&then),
        at_risk_now: at_risk(&now),
        turns: turns(alarm, pairs, window, facts),
    }
}

/// Of calls that came both times, how much later now, sorted.
fn later_s(pairs: &[Pair]) -> Vec<f64> {
    let both = pairs.iter().filter_map(|pair| pair.then.zip(pair.now));
    let mut later_s: Vec<f64> =
        both.map(|(then, now)| (now.raised.0 - then.raised.0) as f64 / 1000.0).collect();
    later_s.sort_by(f64::total_cmp);
    later_s
}

/// Calls by shift and recipe. Each counts to those in which it raised, so that one that moves over a shift's end is in both.
fn turns(alarm: &str, pairs: &[Pair], window: Span, facts: &Facts<'_>) -> Vec<OfTurn> {
    let mut all: BTreeMap<Turn, OfTurn> = BTreeMap::new();
    let mut put = |one: &Occurrence, fill: &dyn Fn(&mut OfTurn, Option<AtRisk>)| {
        let turn = facts.ground.turn(facts.line, alarm, one.raised);
        let mut more = OfTurn::nothing(turn.clone());
        fill(&mut more, facts.ground.at_risk(one, window.to()));
        all.entry(turn.clone()).or_insert_with(|| OfTurn::nothing(turn)).add(&more);
    };
    for pair in pairs {
        let undecided = usize::from(pair.is_undecided);
        if let Some(one) = &pair.then {
            let missed = usize::from(pair.is_missed());
            put(one, &|of, risk| {
                (of.then, of.missed, of.undecided, of.at_risk_then) = (1, missed, undecided, risk);
            });
        }
        if let Some(one) = &pair.now {
            let added = usize::from(pair.is_added());
            put(one, &|of, risk| {
                (of.now, of.added, of.undecided, of.at_risk_now) = (1, added, undecided, risk);
            });
        }
    }
    all.into_values().collect()
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

    fn compared(then: &[Occurrence], now: &[Occurrence]) -> Compared {
        compared_over(then, now, span())
    }

    fn compared_over(then: &[Occurrence], now: &[Occurrence], window: Span) -> Compared {
        let line = setward_config::load_demo().unwrap().line;
        let ground = Ground::new(&line);
        // An hour more was fed: nothing is undecided.
        let looked = Looked { window, fed_to: UtcMillis(window.to().0 + AROUND_MS) };
        let pairs = pairs(then, now, looked);
        compare_one("a", &pairs, window, &Facts { line: &line, ground: &ground })
    }

    /// Three troubles then. Now: the first 10 s later, the second not at all, the third 5 s sooner, and one more.
    #[test]
    fn calls_are_matched_by_the_trouble_they_are_of() {
        let then = [one(90, 100, Some(150)), one(290, 300, Some(310)), one(490, 500, None)];
        let now = [one(90, 110, Some(150)), one(480, 495, None), one(600, 700, Some(720))];
        let found = compared(&then, &now);
        assert_eq!((found.then, found.now, found.missed, found.added), (3, 3, 1, 1));
        assert_eq!(
            (found.later_least_s, found.later_median_s, found.later_most_s),
            (Some(-5.0), Some(-5.0), Some(10.0))
        );
        assert_eq!((found.in_alarm_then_s, found.in_alarm_now_s), (50.0 + 10.0 + 500.0, 40.0 + 505.0 + 20.0));
        assert!(!found.is_alike());
        let [turn] = &found.turns[..] else { panic!("{:?}", found.turns) };
        assert_eq!((turn.then, turn.now, turn.missed, turn.added), (3, 3, 1, 1));
        assert!(compared(&then, &then).is_alike());
    }

    #[test]
    fn one_long_trouble_is_one_call_and_what_came_again_within_it_is_added() {
        let then = [one(0, 10, Some(500))];
        let now = [one(0, 10, Some(100)), one(150, 160, Some(500))];
        let found = compared(&then, &now);
        assert_eq!((found.missed, found.added), (0, 1));
    }

    /// 1970 began at 18:00 of the day before in Chicago: shift B, and C from 22:00, 14,400 s after.
    #[test]
    fn a_call_that_moves_into_the_next_shift_is_told_of_both() {
        let (then, now) = ([one(14_000, 14_300, Some(15_000))], [one(14_000, 14_500, Some(15_000))]);
        let window = Span::new(UtcMillis(0), UtcMillis(20_000_000)).unwrap();
        let found = compared_over(&then, &now, window);
        let counted: Vec<_> =
            found.turns.iter().map(|of| (of.turn.shift.as_deref(), of.then, of.now)).collect();
        assert_eq!(counted, [(Some("B"), 1, 0), (Some("C"), 0, 1)]);
        assert_eq!((found.missed, found.added), (0, 0), "it is one call, later");
    }

    #[test]
    fn an_alarm_that_calls_anew_while_it_stands_counts_each_second_once() {
        let told = |what: &str, second: i64| StoredEvent {
            run: crate::snapshot::RunId(1),
            event: crate::history::Event {
                sequence: 0,
                utc: UtcMillis(1000 * second),
                at: setward_protocol::Uptime::START,
                alarm: Some("a".to_owned()),
                occurrence: 1,
                what: what.to_owned(),
                states: String::new(),
                onset: Some(UtcMillis(90_000)),
                value: None,
                exposure: None,
                by: None,
                note: None,
            },
        };
        let found = occurrences(&[told("raised", 100), told("raised", 300), told("cleared", 500)]);
        assert_eq!(found["a"], [one(90, 100, Some(300)), one(300, 300, Some(500))]);
    }

    #[test]
    fn turns_of_several_alarms_add_up() {
        let first = compared(&[one(90, 100, Some(150))], &[]);
        let second = compared(&[], &[one(200, 210, Some(220)), one(300, 310, None)]);
        let all = by_turn(&[first, second]);
        let counted: Vec<_> = all.iter().map(|of| (of.then, of.now, of.missed, of.added)).collect();
        assert_eq!(counted, [(1, 2, 1, 2)]);
    }
}

#[cfg(test)]
#[path = "edges_tests.rs"]
mod edges_tests;
