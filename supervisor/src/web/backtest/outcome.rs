//! What other settings of an alarm would have changed: each occurrence as it is with the settings of now beside what it would have
//! been.

use super::settings::Changed;
use crate::history::Span;
use crate::replay::compare::{Looked, Occurrence, OfTurn, pairs};
use crate::replay::ground::AtRisk;
use crate::web::words;
use setward_protocol::UtcMillis;

/// Two moments that lie closer are the same on a page, s.
const SAME_WITHIN_S: f64 = 0.5;

/// One trouble, with the settings of now and with the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) struct Row {
    /// As it is now; `None`: nobody is called.
    pub(in crate::web) now: Option<Occurrence>,
    /// As it would be; `None`: nobody would be.
    pub(in crate::web) then: Option<Occurrence>,
    /// Only one of the two called before the readings ended; soon after that the other may.
    pub(in crate::web) is_undecided: bool,
}

/// What the others change about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) enum Change {
    /// Nothing.
    Same,
    /// It would not call.
    Missed,
    /// It would call, and does not now.
    Added,
    /// One calls, and whether the other would is not seen: the readings end too soon.
    Undecided,
    /// It would stand longer.
    Longer,
    /// It would stand shorter.
    Shorter,
}

impl Change {
    /// The word on pages and for programs.
    pub(in crate::web) const fn name(self) -> &'static str {
        match self {
            Self::Same => "same",
            Self::Missed => "missed",
            Self::Added => "added",
            Self::Undecided => "undecided",
            Self::Longer => "longer",
            Self::Shorter => "shorter",
        }
    }
}

impl Row {
    /// When it first calls, by whichever settings.
    pub(in crate::web) fn at(&self) -> UtcMillis {
        let raised = |one: Option<Occurrence>| one.map(|one| one.raised);
        raised(self.now).into_iter().chain(raised(self.then)).min().unwrap_or(UtcMillis(0))
    }

    /// When it is over, by whichever settings; `None`: it goes on.
    pub(in crate::web) fn ends(&self) -> Option<UtcMillis> {
        let ends = [self.now, self.then].into_iter().flatten().map(|one| one.cleared);
        ends.collect::<Option<Vec<_>>>()?.into_iter().max()
    }

    /// How long it stands within the window, now and then, s.
    pub(in crate::web) fn stands_s(&self, span: Span) -> (Option<f64>, Option<f64>) {
        (self.now.map(|one| one.in_window_s(span)), self.then.map(|one| one.in_window_s(span)))
    }

    /// How much later it would call, s.
    pub(in crate::web) fn later_s(&self) -> Option<f64> {
        let (now, then) = (self.now?, self.then?);
        Some((then.raised.0 - now.raised.0) as f64 / 1000.0)
    }

    /// What changes.
    pub(in crate::web) fn change(&self, span: Span) -> Change {
        match self.stands_s(span) {
            _ if self.is_undecided => Change::Undecided,
            (Some(now), Some(then)) if then > now + SAME_WITHIN_S => Change::Longer,
            (Some(now), Some(then)) if then < now - SAME_WITHIN_S => Change::Shorter,
            (Some(_), Some(_)) => match self.later_s() {
                Some(later) if later > SAME_WITHIN_S => Change::Shorter,
                Some(later) if later < -SAME_WITHIN_S => Change::Longer,
                Some(_) | None => Change::Same,
            },
            (Some(_), None) => Change::Missed,
            (None, _) => Change::Added,
        }
    }
}

/// Occurrences matched by the trouble they are of, in the order of time.
pub(in crate::web) fn rows(now: &[Occurrence], then: &[Occurrence], looked: Looked) -> Vec<Row> {
    // What a comparison calls "then" is what is in force now.
    let pairs = pairs(now, then, looked).into_iter();
    pairs.map(|pair| Row { now: pair.then, then: pair.now, is_undecided: pair.is_undecided }).collect()
}

/// One of the line's alarms over the window.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::web) struct OfAlarm {
    pub(in crate::web) alarm: String,
    pub(in crate::web) rows: Vec<Row>,
    /// What was fed while its troubles stood, now and then; `None` without a weigher.
    pub(in crate::web) at_risk: Option<(AtRisk, AtRisk)>,
    /// The same by shift and recipe.
    pub(in crate::web) turns: Vec<OfTurn>,
}

/// How many occurrences there are, and of each change.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(in crate::web) struct Counts {
    pub(in crate::web) now: usize,
    pub(in crate::web) then: usize,
    pub(in crate::web) missed: usize,
    pub(in crate::web) added: usize,
    pub(in crate::web) undecided: usize,
    pub(in crate::web) longer: usize,
    pub(in crate::web) shorter: usize,
}

impl OfAlarm {
    /// Counted.
    pub(in crate::web) fn counts(&self, span: Span) -> Counts {
        let of = |wanted: Change| self.rows.iter().filter(|row| row.change(span) == wanted).count();
        Counts {
            now: self.rows.iter().filter(|row| row.now.is_some()).count(),
            then: self.rows.iter().filter(|row| row.then.is_some()).count(),
            missed: of(Change::Missed),
            added: of(Change::Added),
            undecided: of(Change::Undecided),
            longer: of(Change::Longer),
            shorter: of(Change::Shorter),
        }
    }

    /// How long it stands in all, now and then, s.
    pub(in crate::web) fn stands_s(&self, span: Span) -> (f64, f64) {
        let all = self.rows.iter().map(|row| row.stands_s(span));
        all.fold((0.0, 0.0), |sum, (now, then)| (sum.0 + now.unwrap_or(0.0), sum.1 + then.unwrap_or(0.0)))
    }

    /// Whether the other settings change nothing about it.
    pub(in crate::web) fn is_same(&self, span: Span) -> bool {
        self.rows.iter().all(|row| row.change(span) == Change::Same)
    }
}

/// "4 calls as it is, 2 with these settings: 2 missed, 0 added, 0 longer, 1 shorter", and at the end of the readings ", 1 undecided".
pub(in crate::web) fn in_words(counts: Counts) -> String {
    let Counts { now, then, missed, added, undecided, longer, shorter } = counts;
    let calls = words::counted(now, "call");
    let undecided = if undecided > 0 { format!(", {undecided} undecided") } else { String::new() };
    format!(
        "{calls} as it is, {then} with these settings: {missed} missed, {added} added, {longer} longer, {shorter} shorter{undecided}"
    )
}

/// "allowance: 240 K.s to 120 K.s".
pub(in crate::web) fn changed_words(changed: &Changed) -> String {
    let shown = |text: &str| if text.is_empty() { "not written".to_owned() } else { text.to_owned() };
    format!("{}: {} to {}", changed.key, shown(&changed.old), shown(&changed.new))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(onset: i64, raised: i64, cleared: Option<i64>) -> Occurrence {
        let utc = |second: i64| UtcMillis(1000 * second);
        Occurrence { onset: utc(onset), raised: utc(raised), cleared: cleared.map(utc) }
    }

    #[test]
    fn occurrences_of_one_trouble_stand_side_by_side_and_say_what_would_change() {
        let span = Span::new(UtcMillis(0), UtcMillis(1_000_000)).unwrap();
        let now = [
            one(90, 100, Some(150)),
            one(290, 300, Some(310)),
            one(490, 500, None),
            one(800, 810, Some(820)),
        ];
        let then = [
            one(90, 110, Some(150)),
            one(480, 495, None),
            one(600, 700, Some(720)),
            one(800, 810, Some(820)),
        ];
        // The third goes on to the end: what comes in it is of it, and what stands alone is more.
        let looked = Looked { window: span, fed_to: UtcMillis(span.to().0 + 3_600_000) };
        let found = rows(&now, &then, looked);
        let changes: Vec<Change> = found.iter().map(|row| row.change(span)).collect();
        assert_eq!(changes, [Change::Shorter, Change::Missed, Change::Longer, Change::Added, Change::Same]);
        assert_eq!(found[0].later_s(), Some(10.0));
        assert_eq!(found[0].stands_s(span), (Some(50.0), Some(40.0)));
        assert_eq!(found[2].ends(), None);
        let all = OfAlarm { alarm: "a".to_owned(), rows: found, at_risk: None, turns: Vec::new() };
        assert_eq!(
            in_words(all.counts(span)),
            "4 calls as it is, 4 with these settings: 1 missed, 1 added, 1 longer, 1 shorter"
        );
        assert_eq!(all.stands_s(span), (50.0 + 10.0 + 500.0 + 10.0, 40.0 + 505.0 + 20.0 + 10.0));
        assert!(!all.is_same(span));
    }

    #[test]
    fn a_call_just_before_the_readings_end_is_undecided_where_the_other_settings_may_call_yet() {
        let span = Span::new(UtcMillis(0), UtcMillis(1_000_000)).unwrap();
        let found = rows(&[one(980, 990, None)], &[], Looked { window: span, fed_to: span.to() });
        assert_eq!(found.iter().map(|row| row.change(span)).collect::<Vec<_>>(), [Change::Undecided]);
        let all = OfAlarm { alarm: "a".to_owned(), rows: found, at_risk: None, turns: Vec::new() };
        assert_eq!(
            in_words(all.counts(span)),
            "1 call as it is, 0 with these settings: 0 missed, 0 added, 0 longer, 0 shorter, 1 undecided"
        );
        assert!(!all.is_same(span));
    }
}
