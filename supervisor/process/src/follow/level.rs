//! What is in a tank that has no state register, by its level.

use super::TankReport;

/// The levels that tell a tank's contents, in the unit of the level: empty below full.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelRule {
    empty_below: f64,
    full_above: f64,
}

impl LevelRule {
    /// An emptied tank is below `empty_below`, one that is filled as far as it ever is at least at `full_above`. `None` unless
    /// they rise in this order.
    #[must_use]
    pub fn new(empty_below: f64, full_above: f64) -> Option<Self> {
        (empty_below < full_above && (full_above - empty_below).is_finite())
            .then_some(Self { empty_below, full_above })
    }

    /// Below it nothing is in the tank.
    #[must_use]
    pub const fn empty_below(self) -> f64 {
        self.empty_below
    }

    /// How far a level must move to count, in its unit: a tenth of the way from empty to full, more than a surface moves that is
    /// stirred or sampled. Engineering judgement.
    const fn moves(self) -> f64 {
        (self.full_above - self.empty_below) / 10.0
    }
}

/// Tells from levels, as they come, whether a tank fills, stands or is empty.
///
/// ```text
/// empty -> filling (the level rises) -> full (at its limit, or the level falls again) -> empty
/// ```
///
/// A tank that is first seen half full may be filled or fed: it is not known until it is full or empty.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelTracker {
    rule: LevelRule,
    is: Is,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Is {
    NotKnown,
    Empty,
    /// With the highest level so far.
    Filling(f64),
    Full,
}

impl LevelTracker {
    /// One that has seen nothing yet.
    #[must_use]
    pub const fn new(rule: LevelRule) -> Self {
        Self { rule, is: Is::NotKnown }
    }

    /// A level, in the rule's unit; `None`, or one that is no number, is bad: then nothing is known until the next.
    pub fn handle(&mut self, level: Option<f64>) -> TankReport {
        let Some(level) = level.filter(|level| level.is_finite()) else { return TankReport::Unknown };
        let rule = self.rule;
        self.is = if level < rule.empty_below {
            Is::Empty
        } else if level >= rule.full_above {
            Is::Full
        } else {
            match self.is {
                Is::Empty if level >= rule.empty_below + rule.moves() => Is::Filling(level),
                Is::Filling(highest) if level < highest - rule.moves() => Is::Full,
                Is::Filling(highest) => Is::Filling(highest.max(level)),
                as_before @ (Is::NotKnown | Is::Empty | Is::Full) => as_before,
            }
        };
        match self.is {
            Is::NotKnown => TankReport::Unknown,
            Is::Empty => TankReport::Empty,
            Is::Filling(_) => TankReport::Filling,
            Is::Full => TankReport::Full,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec::Vec;

    fn told(levels: &[Option<f64>]) -> Vec<TankReport> {
        let mut tracker = LevelTracker::new(LevelRule::new(5.0, 80.0).unwrap());
        levels.iter().map(|level| tracker.handle(*level)).collect()
    }

    /// Two batches of 40 % each, fed from 82 %; trembling at every limit.
    #[test]
    fn two_batches_fill_a_tank_that_stays_full_until_it_is_empty() {
        use TankReport::{Empty, Filling, Full};
        let levels =
            [0.0, 4.8, 5.2, 4.9, 6.0, 13.0, 41.0, 40.5, 41.2, 79.9, 80.1, 79.8, 82.0, 50.0, 5.1, 4.9, 5.2];
        let reports = told(&levels.map(Some));
        let expected = [
            Empty, Empty, Empty, Empty, Empty, Filling, Filling, Filling, Filling, Filling, Full, Full, Full,
            Full, Full, Empty, Empty,
        ];
        assert_eq!(reports, expected);
    }

    #[test]
    fn a_tank_that_is_fed_half_full_no_longer_fills() {
        use TankReport::{Empty, Filling, Full};
        let reports = told(&[2.0, 20.0, 41.0, 35.0, 33.0, 20.0, 3.0].map(Some));
        assert_eq!(reports, [Empty, Filling, Filling, Filling, Full, Full, Empty]);
    }

    #[test]
    fn what_is_first_seen_half_full_is_not_known_and_a_bad_reading_changes_nothing() {
        use TankReport::{Empty, Filling, Full, Unknown};
        let reports = told(&[
            Some(40.0),
            Some(30.0),
            Some(2.0),
            None,
            Some(f64::NAN),
            Some(20.0),
            None,
            Some(19.0),
            Some(85.0),
        ]);
        assert_eq!(reports, [Unknown, Unknown, Empty, Unknown, Unknown, Filling, Unknown, Filling, Full]);
        assert_eq!(LevelRule::new(80.0, 5.0), None);
        assert_eq!(LevelRule::new(f64::NEG_INFINITY, 5.0), None);
        assert_eq!(LevelRule::new(f64::NAN, 5.0), None);
    }
}
