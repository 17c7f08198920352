//! Which mode a station is in: the first of its rules that holds, each with its own way back.
//!
//! A rule in force stays until its `until` holds, unless an earlier rule takes over. What is not known changes nothing.
//! A station whose rules all do not hold runs: an alarm is never silent without a reason.

use crate::condition::{Condition, all_hold};
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::{Mode, SignalId, Uptime};

/// What puts a station into a mode.
#[derive(Debug, Clone, PartialEq)]
pub struct ModeRule {
    /// The mode.
    pub mode: Mode,
    /// What must hold to enter it.
    pub when: Vec<Condition>,
    /// What must hold to leave it again. Empty: that `when` no longer holds.
    pub until: Vec<Condition>,
    /// How long `when` must have held.
    pub hold_for: Duration,
}

/// The mode of one station, followed over time.
#[derive(Debug, Clone, PartialEq)]
pub struct ModeTracker {
    rules: Vec<Followed>,
    mode: Mode,
}

#[derive(Debug, Clone, PartialEq)]
struct Followed {
    rule: ModeRule,
    /// Since when `when` has held, as far as is known.
    held_since: Option<Uptime>,
    in_force: bool,
}

impl ModeTracker {
    /// A station under `rules`, running until something says otherwise.
    #[must_use]
    pub fn new(rules: Vec<ModeRule>) -> Self {
        let rules =
            rules.into_iter().map(|rule| Followed { rule, held_since: None, in_force: false }).collect();
        Self { rules, mode: Mode::Run }
    }

    /// The mode it is in.
    #[must_use]
    pub const fn mode(&self) -> Mode {
        self.mode
    }

    /// Whether a rule has held, but not yet for long enough: it may come into force with time alone.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        self.rules.iter().any(|followed| followed.held_since.is_some() && !followed.in_force)
    }

    /// Looks at the line as it is at `now`; `value_of` gives the present good value of a signal.
    /// Returns the mode if it has changed.
    pub fn handle(&mut self, now: Uptime, value_of: impl Fn(SignalId) -> Option<f64>) -> Option<Mode> {
        for followed in &mut self.rules {
            followed.follow(now, &value_of);
        }
        let winner = self.rules.iter().find(|followed| followed.in_force);
        let mode = winner.map_or(Mode::Run, |followed| followed.rule.mode);
        (core::mem::replace(&mut self.mode, mode) != mode).then_some(mode)
    }
}

impl Followed {
    fn follow(&mut self, now: Uptime, value_of: &impl Fn(SignalId) -> Option<f64>) {
        let when = all_hold(&self.rule.when, value_of);
        match when {
            Some(true) => {
                let since = *self.held_since.get_or_insert(now);
                self.in_force |= now.since(since) >= self.rule.hold_for;
            }
            Some(false) => self.held_since = None,
            None => {}
        }
        // While `when` holds there is no way out: the two must not fight.
        let over = when == Some(false)
            && (self.rule.until.is_empty() || all_hold(&self.rule.until, value_of) == Some(true));
        self.in_force &= !over;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::Test;
    use alloc::vec;

    const LOOP: SignalId = SignalId(0);
    const OIL: SignalId = SignalId(1);

    fn between(low: f64, high: f64) -> Condition {
        Condition { signal: OIL, test: Test::Between { low, high } }
    }

    /// Off; or cold, until within reach of the setpoint.
    fn fryer() -> ModeTracker {
        let off = ModeRule {
            mode: Mode::Stopped,
            when: vec![Condition { signal: LOOP, test: Test::Is(vec![0]) }],
            until: vec![],
            hold_for: Duration::from_secs(10),
        };
        let cold = ModeRule {
            mode: Mode::HeatUp,
            when: vec![between(0.0, 170.0)],
            until: vec![between(178.0, 250.0)],
            hold_for: Duration::ZERO,
        };
        ModeTracker::new(vec![off, cold])
    }

    fn at(second: u64) -> Uptime {
        Uptime::from_millis(second * 1000)
    }

    fn see(fryer: &mut ModeTracker, second: u64, state: Option<f64>, oil: Option<f64>) -> Mode {
        fryer.handle(at(second), |signal| if signal == LOOP { state } else { oil });
        fryer.mode()
    }

    #[test]
    fn a_rule_enters_at_its_threshold_and_leaves_at_its_own() {
        let mut fryer = fryer();
        assert_eq!(see(&mut fryer, 0, Some(2.0), Some(182.0)), Mode::Run);
        assert_eq!(see(&mut fryer, 1, Some(2.0), Some(171.0)), Mode::Run);
        assert_eq!(see(&mut fryer, 2, Some(2.0), Some(170.0)), Mode::HeatUp);
        assert_eq!(see(&mut fryer, 3, Some(2.0), Some(177.9)), Mode::HeatUp);
        assert_eq!(see(&mut fryer, 4, Some(2.0), Some(178.0)), Mode::Run);
        assert_eq!(see(&mut fryer, 5, Some(2.0), Some(171.0)), Mode::Run);
    }

    #[test]
    fn the_first_rule_wins_once_it_has_held_long_enough() {
        let mut fryer = fryer();
        assert_eq!(see(&mut fryer, 0, Some(0.0), Some(100.0)), Mode::HeatUp);
        assert_eq!(see(&mut fryer, 9, Some(0.0), Some(100.0)), Mode::HeatUp);
        assert_eq!(see(&mut fryer, 10, Some(0.0), Some(100.0)), Mode::Stopped);
        assert_eq!(see(&mut fryer, 11, Some(2.0), Some(100.0)), Mode::HeatUp, "the rule below still holds");
        assert_eq!(see(&mut fryer, 20, Some(0.0), Some(100.0)), Mode::HeatUp, "the wait begins anew");
    }

    #[test]
    fn what_is_not_known_changes_nothing() {
        let mut fryer = fryer();
        assert_eq!(see(&mut fryer, 0, None, None), Mode::Run);
        assert_eq!(see(&mut fryer, 1, None, Some(20.0)), Mode::HeatUp);
        assert_eq!(see(&mut fryer, 2, None, None), Mode::HeatUp);
        assert_eq!(see(&mut fryer, 3, None, Some(180.0)), Mode::Run);
    }

    #[test]
    fn a_change_is_told_once() {
        let mut fryer = fryer();
        assert_eq!(fryer.handle(at(0), |_| Some(100.0)), Some(Mode::HeatUp));
        assert_eq!(fryer.handle(at(1), |_| Some(100.0)), None);
    }
}
