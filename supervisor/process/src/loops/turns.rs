//! Steps that a record holds: one level, then another, each for long enough that the answer to it can be looked at.

use crate::series::{Span, Steps};
use alloc::vec::Vec;

/// A step of a record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// From how long before it the level was the same, to when it changed again or was no longer known: the record of the
    /// answer. The step lies within.
    pub around: Span,
    /// When it was made.
    pub at: setward_protocol::Uptime,
    /// The level before.
    pub from: f64,
    /// The level after.
    pub to: f64,
}

/// The steps of at least `least` in a record, within one span, before which it stood for `before_s` at least and after which
/// for `after_s`. A level that wanders by less than `still` is the same level: a bit of noise on an output is no step.
#[must_use]
pub fn turns(
    record: &Steps<'_>,
    within: Span,
    (least, still): (f64, f64),
    (before_s, after_s): (f64, f64),
) -> Vec<Turn> {
    let mut levels: Vec<(Span, f64)> = Vec::new();
    let mut broken = true;
    for (span, value) in record.pieces_within(within) {
        let Some(value) = value else {
            broken = true;
            continue;
        };
        match levels.last_mut() {
            Some((whole, level)) if !broken && (value - *level).abs() <= still => whole.to = span.to,
            Some(_) | None => levels.push((span, value)),
        }
        broken = false;
    }
    let pairs = levels.windows(2).filter_map(|pair| if let [a, b] = pair { Some((*a, *b)) } else { None });
    let is_step = |(before, after): &((Span, f64), (Span, f64))| {
        before.0.to == after.0.from
            && (after.1 - before.1).abs() >= least
            && before.0.seconds() >= before_s
            && after.0.seconds() >= after_s
    };
    pairs
        .filter(is_step)
        .map(|(before, after)| Turn {
            around: Span { from: before.0.from, to: after.0.to },
            at: after.0.from,
            from: before.1,
            to: after.1,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::Uptime;

    fn at(seconds: f64) -> Uptime {
        Uptime::from_secs_f64(seconds)
    }

    #[test]
    fn a_step_stands_between_two_levels_that_last() {
        let points = [
            (at(0.0), Some(40.0)),
            (at(50.0), Some(40.2)),
            (at(100.0), Some(50.0)),
            (at(400.0), Some(60.0)),
            (at(410.0), Some(55.0)),
            (at(800.0), None),
            (at(810.0), Some(70.0)),
        ];
        let record = Steps::signed(&points, at(2000.0)).unwrap();
        let whole = Span { from: at(0.0), to: at(2000.0) };
        let found = turns(&record, whole, (1.0, 0.5), (60.0, 200.0));
        let first =
            Turn { around: Span { from: at(0.0), to: at(400.0) }, at: at(100.0), from: 40.0, to: 50.0 };
        assert_eq!(found, [first], "60 lasted for 10 s only; 70 follows on what is not known");
        assert_eq!(turns(&record, whole, (11.0, 0.5), (60.0, 200.0)), []);
        assert_eq!(turns(&record, Span { from: at(60.0), to: at(2000.0) }, (1.0, 0.5), (60.0, 200.0)), []);
    }
}
