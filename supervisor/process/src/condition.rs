//! Conditions: a closed list of tests on signals that must all hold. There is no expression language.
//!
//! What is not known is neither held nor not held: nothing starts on a guess, and nothing ends on one.

use alloc::vec::Vec;
use setward_protocol::SignalId;

/// One test on one signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// The signal that is looked at.
    pub signal: SignalId,
    /// What it must say.
    pub test: Test,
}

/// What a signal must say.
#[derive(Debug, Clone, PartialEq)]
pub enum Test {
    /// One of these codes.
    Is(Vec<i64>),
    /// A value in this closed interval, in the signal's unit.
    Between {
        /// Lowest.
        low: f64,
        /// Highest.
        high: f64,
    },
}

impl Test {
    /// Whether `value` passes.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        match self {
            // Codes are whole numbers well below 2^53, so comparing as floats is exact.
            Self::Is(codes) => codes.iter().any(|code| value == *code as f64),
            Self::Between { low, high } => (*low..=*high).contains(&value),
        }
    }
}

/// Whether all of `conditions` hold, with `value_of` giving the present good value of a signal.
///
/// One that fails settles it; otherwise one that is not known leaves it open (`None`). An empty list holds.
pub fn all_hold(conditions: &[Condition], value_of: impl Fn(SignalId) -> Option<f64>) -> Option<bool> {
    let mut known = true;
    for condition in conditions {
        match value_of(condition.signal).map(|value| condition.test.holds(value)) {
            Some(true) => {}
            Some(false) => return Some(false),
            None => known = false,
        }
    }
    known.then_some(true)
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec;

    fn step_is_heat() -> Condition {
        Condition { signal: SignalId(0), test: Test::Is(vec![3]) }
    }

    fn half_way_up() -> Condition {
        Condition { signal: SignalId(1), test: Test::Between { low: 40.0, high: 85.0 } }
    }

    #[test]
    fn all_must_hold_and_the_ends_belong_to_the_interval() {
        let both = [step_is_heat(), half_way_up()];
        let judged = |step: f64, celsius: f64| {
            all_hold(&both, |signal| Some(if signal == SignalId(0) { step } else { celsius }))
        };
        assert_eq!(judged(3.0, 40.0), Some(true));
        assert_eq!(judged(3.0, 85.0), Some(true));
        assert_eq!(judged(3.0, 85.1), Some(false));
        assert_eq!(judged(4.0, 60.0), Some(false));
        assert_eq!(all_hold(&[], |_| None), Some(true));
    }

    #[test]
    fn an_unknown_signal_leaves_it_open_unless_another_settles_it() {
        let both = [half_way_up(), step_is_heat()];
        let judged = |step: f64| all_hold(&both, |signal| (signal == SignalId(0)).then_some(step));
        assert_eq!(judged(3.0), None);
        assert_eq!(judged(4.0), Some(false), "the step alone says no");
    }
}
