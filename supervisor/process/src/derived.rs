//! Values computed from other signals, sample by sample: dwell on a belt, a ratio, a difference.
//!
//! A derived value is never better than what it is made of: a bad input makes it bad for the same reason, and it carries
//! the time of its older input. What is out of its range is for the caller to judge.

use crate::dwell::entered_at;
use alloc::collections::VecDeque;
use core::time::Duration;
use setward_protocol::{Doubt, NoData, Reading, SignalId, Uptime};

/// Most speeds that are kept for one belt. One that moves fills it only when it is polled very often.
const SPEEDS_MAX: usize = 4096;

/// How a value follows from others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Derivation {
    /// How long product that leaves a belt now has been on it, s.
    Dwell {
        /// The belt's speed.
        speed: SignalId,
        /// One unit of the speed signal, in m/s.
        unit_m_per_s: f64,
        /// Effective length of the belt, m.
        effective_length_m: f64,
    },
    /// `of / to`, times `factor`.
    Ratio {
        /// What stands above the line.
        of: SignalId,
        /// What stands below it.
        to: SignalId,
        /// Brings both units together and gives the derived signal's unit: 100 for percent.
        factor: f64,
    },
    /// `of - minus`, both in the derived signal's unit.
    Difference {
        /// What is taken from.
        of: SignalId,
        /// What is taken away.
        minus: SignalId,
    },
}

impl Derivation {
    /// The signals it is made of.
    #[must_use]
    pub const fn inputs(&self) -> (SignalId, Option<SignalId>) {
        match *self {
            Self::Dwell { speed, .. } => (speed, None),
            Self::Ratio { of, to, .. } => (of, Some(to)),
            Self::Difference { of, minus } => (of, Some(minus)),
        }
    }
}

/// Follows one derived value.
#[derive(Debug, Clone, PartialEq)]
pub struct Deriver {
    derivation: Derivation,
    gap_limit: Duration,
    first: Option<(Uptime, Reading)>,
    second: Option<(Uptime, Reading)>,
    speeds_m_per_s: VecDeque<(Uptime, f64)>,
    told: Option<Uptime>,
}

impl Deriver {
    /// Follows `derivation`; two samples of an input further apart than `gap_limit` leave unknown time between them.
    #[must_use]
    pub const fn new(derivation: Derivation, gap_limit: Duration) -> Self {
        let speeds_m_per_s = VecDeque::new();
        Self { derivation, gap_limit, first: None, second: None, speeds_m_per_s, told: None }
    }

    /// A fresh reading of a signal. Gives the derived reading and its time, once all inputs have moved on.
    pub fn handle(&mut self, signal: SignalId, at: Uptime, reading: Reading) -> Option<(Uptime, Reading)> {
        let (first, second) = self.derivation.inputs();
        if signal == first {
            self.first = Some((at, reading));
        }
        if Some(signal) == second {
            self.second = Some((at, reading));
        }
        if signal != first && Some(signal) != second {
            return None;
        }
        let (at, reading) = match self.derivation {
            Derivation::Dwell { unit_m_per_s, effective_length_m, .. } => {
                (at, self.dwell(at, reading, unit_m_per_s, effective_length_m))
            }
            Derivation::Ratio { factor, .. } => self.paired(|of, to| of / to * factor)?,
            Derivation::Difference { .. } => self.paired(|of, minus| of - minus)?,
        };
        let is_new = self.told.is_none_or(|told| told < at);
        self.told = self.told.max(Some(at));
        is_new.then_some((at, reading))
    }

    /// Both inputs taken together, at the time of the older.
    fn paired(&self, value: impl Fn(f64, f64) -> f64) -> Option<(Uptime, Reading)> {
        let ((first_at, first), (second_at, second)) = (self.first?, self.second?);
        let at = first_at.min(second_at);
        if first_at.max(second_at).since(at) > self.gap_limit {
            return Some((at, Reading::Bad(NoData::Stale)));
        }
        let reading = match (first, second) {
            (Reading::Bad(why), _) | (_, Reading::Bad(why)) => Reading::Bad(why),
            (Reading::Good(of), Reading::Good(to)) => finite(value(of, to)),
            (Reading::Uncertain(of, why), Reading::Good(to) | Reading::Uncertain(to, _))
            | (Reading::Good(of), Reading::Uncertain(to, why)) => doubted(value(of, to), why),
        };
        Some((at, reading))
    }

    fn dwell(&mut self, at: Uptime, reading: Reading, unit_m_per_s: f64, length_m: f64) -> Reading {
        let speed = match reading {
            Reading::Good(speed) | Reading::Uncertain(speed, _) => speed * unit_m_per_s,
            Reading::Bad(why) => {
                if !why.is_silence() {
                    self.speeds_m_per_s.clear();
                }
                return Reading::Bad(why);
            }
        };
        let known_until = self.speeds_m_per_s.back().map(|(last, _)| *last);
        if known_until.is_some_and(|last| at.since(last) > self.gap_limit) {
            self.speeds_m_per_s.clear();
        }
        if self.speeds_m_per_s.len() == SPEEDS_MAX {
            self.speeds_m_per_s.pop_front();
        }
        // A belt does not run backward; an encoder's noise about standstill may say so.
        self.speeds_m_per_s.push_back((at, speed.max(0.0)));
        let Some(entered) = entered_at(self.speeds_m_per_s.make_contiguous(), at, length_m) else {
            return Reading::Bad(NoData::TooLittleKnown);
        };
        self.forget_before(entered);
        match reading {
            Reading::Uncertain(_, why) => Reading::Uncertain(at.seconds_since(entered), why),
            Reading::Good(_) | Reading::Bad(_) => Reading::Good(at.seconds_since(entered)),
        }
    }

    /// Drops speeds that no product on the belt has seen; the one in force at `entered` stays.
    fn forget_before(&mut self, entered: Uptime) {
        while self.speeds_m_per_s.get(1).is_some_and(|(from, _)| *from <= entered) {
            self.speeds_m_per_s.pop_front();
        }
    }
}

/// Division by nothing gives no value.
const fn finite(value: f64) -> Reading {
    if value.is_finite() { Reading::Good(value) } else { Reading::Bad(NoData::OutOfRange) }
}

const fn doubted(value: f64, why: Doubt) -> Reading {
    if value.is_finite() { Reading::Uncertain(value, why) } else { Reading::Bad(NoData::OutOfRange) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: SignalId = SignalId(0);
    const B: SignalId = SignalId(1);
    const GAP: Duration = Duration::from_secs(3);

    fn at(second: u64) -> Uptime {
        Uptime::from_millis(second * 1000)
    }

    fn fry_time() -> Deriver {
        let belt = Derivation::Dwell { speed: A, unit_m_per_s: 1.0 / 60.0, effective_length_m: 3.3 };
        Deriver::new(belt, GAP)
    }

    /// The demo fryer's belt: 3.3 m at 3.6 m/min is 55 s; before 55 s have passed nobody knows.
    #[test]
    fn dwell_is_known_once_the_belt_has_passed_its_length() {
        let mut fry_time = fry_time();
        for second in 0..55 {
            let told = fry_time.handle(A, at(second), Reading::Good(3.6));
            assert_eq!(told, Some((at(second), Reading::Bad(NoData::TooLittleKnown))), "{second}");
        }
        let Some((_, Reading::Good(dwell_s))) = fry_time.handle(A, at(56), Reading::Good(3.6)) else {
            panic!("56 s of speed are enough for 55 s of belt")
        };
        assert!((dwell_s - 55.0).abs() < 1e-6, "{dwell_s}");
    }

    #[test]
    fn a_belt_that_stands_for_20_s_holds_its_product_20_s_longer() {
        let mut fry_time = fry_time();
        let mut last = None;
        for second in 0..200 {
            let speed = if (100..120).contains(&second) { 0.0 } else { 3.6 };
            last = fry_time.handle(A, at(second), Reading::Good(speed));
            let Some((_, Reading::Good(dwell_s))) = last else { continue };
            let expected = if (120..155).contains(&second) { 75.0 } else { 55.0 };
            if !(100..=175).contains(&second) || (121..154).contains(&second) {
                assert!((dwell_s - expected).abs() < 1e-6, "{dwell_s} at {second}");
            }
        }
        assert!(matches!(last, Some((_, Reading::Good(_)))));
    }

    #[test]
    fn a_gap_in_the_speed_is_unknown_and_a_missed_poll_is_not() {
        let mut fry_time = fry_time();
        for second in 0..60 {
            fry_time.handle(A, at(second), Reading::Good(3.6));
        }
        assert_eq!(
            fry_time.handle(A, at(60), Reading::Bad(NoData::NoReply)),
            Some((at(60), Reading::Bad(NoData::NoReply)))
        );
        assert!(matches!(fry_time.handle(A, at(62), Reading::Good(3.6)), Some((_, Reading::Good(_)))));
        assert_eq!(
            fry_time.handle(A, at(66), Reading::Good(3.6)),
            Some((at(66), Reading::Bad(NoData::TooLittleKnown)))
        );
    }

    #[test]
    fn a_ratio_is_told_once_a_scan_at_the_time_of_its_older_half() {
        let mut salt = Deriver::new(Derivation::Ratio { of: A, to: B, factor: 100.0 }, GAP);
        assert_eq!(salt.handle(A, at(1), Reading::Good(12.0)), None);
        assert_eq!(salt.handle(B, at(1), Reading::Good(1000.0)), Some((at(1), Reading::Good(1.2))));
        assert_eq!(salt.handle(A, at(2), Reading::Good(24.0)), None, "its other half is still the old one");
        assert_eq!(salt.handle(B, at(3), Reading::Good(1000.0)), Some((at(2), Reading::Good(2.4))));
        assert_eq!(salt.handle(SignalId(7), at(4), Reading::Good(1.0)), None);
    }

    #[test]
    fn nothing_is_made_of_a_bad_half_an_old_half_or_a_zero() {
        let mut ratio = Deriver::new(Derivation::Ratio { of: A, to: B, factor: 1.0 }, GAP);
        let mut tell = |second: u64, of: Reading, to: Reading| {
            ratio.handle(A, at(second), of);
            ratio.handle(B, at(second), to).map(|(_, reading)| reading)
        };
        let good = Reading::Good(1.0);
        assert_eq!(tell(1, Reading::Bad(NoData::SensorFault), good), Some(Reading::Bad(NoData::SensorFault)));
        assert_eq!(tell(2, good, Reading::Bad(NoData::Stuck)), Some(Reading::Bad(NoData::Stuck)));
        assert_eq!(tell(3, good, Reading::Good(0.0)), Some(Reading::Bad(NoData::OutOfRange)));
        let late = Reading::Uncertain(4.0, Doubt::Late);
        assert_eq!(tell(4, late, Reading::Good(2.0)), Some(Reading::Uncertain(2.0, Doubt::Late)));
        let mut apart = Deriver::new(Derivation::Difference { of: A, minus: B }, GAP);
        apart.handle(A, at(0), Reading::Good(5.0));
        assert_eq!(apart.handle(B, at(1), Reading::Good(2.0)), Some((at(0), Reading::Good(3.0))));
        apart.handle(A, at(9), Reading::Good(5.0));
        assert_eq!(apart.told, Some(at(1)), "an old half makes it bad, at the old half's time");
    }
}
