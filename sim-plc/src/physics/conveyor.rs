//! A belt with what lies on it: product moves as far as the belt does, so that a gap in the feed rolls down the line.

use std::collections::VecDeque;

/// Shares closer than this are one stretch.
const SAME: f64 = 1e-9;

/// A stretch of belt with the same load.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stretch {
    length_m: f64,
    share: f64,
}

/// A belt, and how much of a full load lies where.
#[derive(Debug, Clone)]
pub struct Conveyor {
    length_m: f64,
    /// From the feed end to the discharge end; together as long as the belt.
    stretches: VecDeque<Stretch>,
}

impl Conveyor {
    /// A belt of `length_m` (more than 0), loaded with `share` of a full load from end to end.
    #[must_use]
    pub fn new(length_m: f64, share: f64) -> Self {
        let length_m = if length_m > 0.0 { length_m } else { 1.0 };
        Self { length_m, stretches: VecDeque::from([Stretch { length_m, share }]) }
    }

    /// Moves on by `distance_m` (0 or more) while `entering` is laid on; gives what has left, as a mean over the
    /// distance. A belt that stands gives off nothing.
    pub fn advance(&mut self, distance_m: f64, entering: f64) -> f64 {
        // More than its length at once would only be the entering product again.
        let moved_m = distance_m.min(self.length_m);
        if moved_m <= 0.0 {
            return 0.0;
        }
        self.lay(Stretch { length_m: moved_m, share: entering });
        self.give_off(moved_m) / moved_m
    }

    /// The load, as a share of the full load of the whole belt.
    #[must_use]
    pub fn load(&self) -> f64 {
        let carried: f64 = self.stretches.iter().map(|one| one.share * one.length_m).sum();
        carried / self.length_m
    }

    /// Whether nothing lies on it.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.stretches.iter().all(|one| one.share <= SAME)
    }

    fn lay(&mut self, new: Stretch) {
        match self.stretches.front_mut() {
            Some(first) if (first.share - new.share).abs() < SAME => first.length_m += new.length_m,
            Some(_) | None => self.stretches.push_front(new),
        }
    }

    /// Removes `length_m` from the discharge end; gives the integral of the share over it.
    fn give_off(&mut self, length_m: f64) -> f64 {
        let (mut left_m, mut given) = (length_m, 0.0);
        while let Some(last) = self.stretches.back_mut() {
            let taken_m = left_m.min(last.length_m);
            given += last.share * taken_m;
            last.length_m -= taken_m;
            left_m -= taken_m;
            if last.length_m > 0.0 {
                break;
            }
            self.stretches.pop_back();
        }
        given
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_gap_comes_out_when_the_belt_has_gone_its_length() {
        let mut belt = Conveyor::new(3.3, 1.0);
        let leaving: Vec<f64> = (0..120).map(|_| belt.advance(0.06, 0.0)).collect();
        // 3.3 m at 0.06 m/s are 55 s.
        assert!(leaving[..55].iter().all(|share| (share - 1.0).abs() < 1e-9));
        assert!(leaving[55..].iter().all(|share| share.abs() < 1e-9));
        assert!(belt.is_empty());
    }

    #[test]
    fn a_belt_that_stands_keeps_its_load() {
        let mut belt = Conveyor::new(4.0, 1.0);
        belt.advance(2.0, 0.0);
        for _ in 0..100 {
            assert_eq!(belt.advance(0.0, 1.0), 0.0);
        }
        assert!((belt.load() - 0.5).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn what_enters_leaves(moves in proptest::collection::vec((0.0..9.0_f64, 0.0..1.0_f64), 1..60)) {
            let mut belt = Conveyor::new(5.0, 0.0);
            let (mut entered, mut left) = (0.0, 0.0);
            for (distance_m, share) in moves {
                let moved_m = distance_m.min(5.0);
                left += belt.advance(distance_m, share) * moved_m;
                entered += share * moved_m;
            }
            prop_assert!((entered - left - belt.load() * 5.0).abs() < 1e-6);
        }
    }
}
