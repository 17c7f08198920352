//! Values computed from other signals, sample by sample: dwell on a belt, a ratio, a difference, what a counter gains.
//!
//! A derived value is never better than what it is made of: a bad input makes it bad for the same reason, and it carries
//! the time of its older input. What is out of its range is for the caller to judge.

use crate::dwell::entered_at;
use alloc::collections::VecDeque;
use core::time::Duration;
use setward_protocol::{Doubt, NoData, Reading, SignalId, Uptime};

/// Most speeds that are kept for one belt. One that moves fills it only when it is polled very often.
const SPEEDS_MAX: usize = 4096;
/// Moments of a slope's window that are kept, about: more would not tell it better.
const GAINED_PER_WINDOW: u32 = 1024;

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
    /// What the counter `of` gains over the last `over`: each second, or for each unit of what flows by in `to`; times `factor`.
    Slope {
        /// The counter.
        of: SignalId,
        /// A flow, whose integral over the same time stands below the line; `None`: the time, s.
        to: Option<SignalId>,
        /// Length of the window.
        over: Duration,
        /// Brings the units together and gives the derived signal's unit.
        factor: f64,
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
            Self::Slope { of, to, .. } => (of, to),
        }
    }
}

/// Two inputs taken together, or why they can't be.
type Both = Result<(Reading, Reading), NoData>;

/// Follows one derived value.
#[derive(Debug, Clone, PartialEq)]
pub struct Deriver {
    derivation: Derivation,
    gap_limit: Duration,
    first: Option<(Uptime, Reading)>,
    second: Option<(Uptime, Reading)>,
    speeds_m_per_s: VecDeque<(Uptime, f64)>,
    gained: VecDeque<Gained>,
    told: Option<Uptime>,
    /// Times of the two inputs that the last value of both was made of.
    used: Option<(Uptime, Uptime)>,
}

/// What a counter and the integral of a flow show at a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Gained {
    at: Uptime,
    counted: f64,
    flow: f64,
    passed: f64,
}

impl Deriver {
    /// Follows `derivation`; two samples of an input further apart than `gap_limit` leave unknown time between them.
    #[must_use]
    pub const fn new(derivation: Derivation, gap_limit: Duration) -> Self {
        let speeds_m_per_s = VecDeque::new();
        let gained = VecDeque::new();
        Self {
            derivation,
            gap_limit,
            first: None,
            second: None,
            speeds_m_per_s,
            gained,
            told: None,
            used: None,
        }
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
            Derivation::Slope { to: None, over, factor, .. } => {
                let reading = match reading {
                    Reading::Good(counted) => self.slope((at, counted, 1.0), over, factor, None),
                    Reading::Uncertain(counted, why) => {
                        self.slope((at, counted, 1.0), over, factor, Some(why))
                    }
                    Reading::Bad(why) => Reading::Bad(why),
                };
                (at, reading)
            }
            Derivation::Slope { to: Some(_), over, factor, .. } => self.slope_of_both(over, factor)?,
        };
        let is_new = self.told.is_none_or(|told| told < at);
        self.told = self.told.max(Some(at));
        is_new.then_some((at, reading))
    }

    /// Both inputs and the time of the older, once both have moved on: two that are read a moment apart give one value,
    /// not two. One that has stayed behind for too long makes the value bad, at its own time.
    fn both(&mut self) -> Option<(Uptime, Both)> {
        let ((first_at, first), (second_at, second)) = (self.first?, self.second?);
        let at = first_at.min(second_at);
        if first_at.max(second_at).since(at) > self.gap_limit {
            return Some((at, Err(NoData::Stale)));
        }
        if self.used.is_some_and(|(of, to)| first_at <= of || second_at <= to) {
            return None;
        }
        self.used = Some((first_at, second_at));
        Some((at, Ok((first, second))))
    }

    /// Both inputs taken together, at the time of the older.
    fn paired(&mut self, value: impl Fn(f64, f64) -> f64) -> Option<(Uptime, Reading)> {
        let (at, both) = self.both()?;
        let (first, second) = match both {
            Ok(both) => both,
            Err(why) => return Some((at, Reading::Bad(why))),
        };
        let reading = match (first, second) {
            (Reading::Bad(why), _) | (_, Reading::Bad(why)) => Reading::Bad(why),
            (Reading::Good(of), Reading::Good(to)) => finite(value(of, to)),
            (Reading::Uncertain(of, why), Reading::Good(to) | Reading::Uncertain(to, _))
            | (Reading::Good(of), Reading::Uncertain(to, why)) => doubted(value(of, to), why),
        };
        Some((at, reading))
    }

    /// A counter over a flow, at the time of the older of both.
    fn slope_of_both(&mut self, over: Duration, factor: f64) -> Option<(Uptime, Reading)> {
        let (at, both) = self.both()?;
        let (first, second) = match both {
            Ok(both) => both,
            Err(why) => return Some((at, Reading::Bad(why))),
        };
        let doubt = match (first, second) {
            (Reading::Bad(why), _) | (_, Reading::Bad(why)) => return Some((at, Reading::Bad(why))),
            (Reading::Uncertain(_, why), _) | (_, Reading::Uncertain(_, why)) => Some(why),
            (Reading::Good(_), Reading::Good(_)) => None,
        };
        let (counted, flow) = (first.value()?, second.value()?);
        Some((at, self.slope((at, counted, flow), over, factor, doubt)))
    }

    /// What was gained over the window that ends at `at`. A gap, and a counter that goes back, begin a new one.
    fn slope(
        &mut self,
        (at, counted, flow): (Uptime, f64, f64),
        over: Duration,
        factor: f64,
        doubt: Option<Doubt>,
    ) -> Reading {
        let passed = match self.gained.back() {
            Some(last) if at <= last.at => last.passed,
            Some(last) if at.since(last.at) > self.gap_limit || counted < last.counted => {
                self.gained.clear();
                0.0
            }
            Some(last) => last.passed + f64::midpoint(last.flow, flow) * at.seconds_since(last.at),
            None => 0.0,
        };
        self.remember(Gained { at, counted, flow, passed }, over);
        let begins_before = |one: &Gained| at.since(one.at) >= over;
        while self.gained.get(1).is_some_and(begins_before) {
            self.gained.pop_front();
        }
        let Some(first) = self.gained.front().copied().filter(begins_before) else {
            return Reading::Bad(NoData::TooLittleKnown);
        };
        let value = (counted - first.counted) / (passed - first.passed) * factor;
        doubt.map_or_else(|| finite(value), |why| doubted(value, why))
    }

    /// Keeps no more of a window than tells it well, however often its signals are polled.
    fn remember(&mut self, now: Gained, over: Duration) {
        let least = over / GAINED_PER_WINDOW;
        let before = self.gained.len().checked_sub(2).and_then(|place| self.gained.get(place));
        if before.is_some_and(|before| now.at.since(before.at) < least) {
            self.gained.pop_back();
        }
        if self.gained.back().is_none_or(|last| last.at < now.at) {
            self.gained.push_back(now);
        }
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
    use alloc::vec::Vec;

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

    /// What two controllers bring, or two blocks of one, is never read at the same instant.
    #[test]
    fn halves_read_a_moment_apart_give_one_value_a_scan() {
        let slope = Derivation::Slope { of: A, to: Some(B), over: Duration::from_secs(9), factor: 1.0 };
        for derivation in [slope, Derivation::Difference { of: A, minus: B }] {
            let mut derived = Deriver::new(derivation, GAP);
            let mut told = Vec::new();
            for second in 1..=20_u64 {
                // Now one, now the other is read first.
                let (of, to) = if second % 4 < 2 { (0, 300) } else { (200, 0) };
                let mut halves = [(A, second * 1_000_000 + of), (B, second * 1_000_000 + to)];
                halves.sort_by_key(|half| half.1);
                for (signal, micros) in halves {
                    let reading = Reading::Good(second as f64);
                    told.extend(derived.handle(signal, Uptime::from_nanos(micros * 1000), reading));
                }
            }
            let times: Vec<u64> = told.iter().map(|(at, _)| at.as_nanos()).collect();
            let expected: Vec<u64> = (1..=20).map(|second| second * 1_000_000_000).collect();
            assert_eq!(times, expected, "{derivation:?}");
        }
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

    /// 240 kg of oil an hour for 1,000 kg of product an hour is 24 %; before the window has passed nobody knows.
    #[test]
    fn a_counter_over_a_flow_is_what_it_gains_for_what_flows_by() {
        let over = Duration::from_secs(600);
        let slope = Derivation::Slope { of: A, to: Some(B), over, factor: 100.0 * 3600.0 };
        let mut share = Deriver::new(slope, GAP);
        let mut counted = 5_000.0;
        for second in 0..=1_200 {
            // Ten kilograms at a time, as a valve gives it.
            if second % 150 == 149 {
                counted += 10.0;
            }
            share.handle(A, at(second), Reading::Good(counted));
            let told = share.handle(B, at(second), Reading::Good(1000.0)).unwrap();
            if second < 600 {
                assert_eq!(told, (at(second), Reading::Bad(NoData::TooLittleKnown)));
            } else {
                let Reading::Good(percent) = told.1 else { panic!("{told:?}") };
                assert!((percent - 24.0).abs() < 1e-6, "{percent} at {second}");
            }
        }
    }

    #[test]
    fn a_counter_alone_is_a_rate_and_one_that_goes_back_begins_anew() {
        let slope = Derivation::Slope { of: A, to: None, over: Duration::from_secs(60), factor: 3600.0 };
        let mut rate = Deriver::new(slope, GAP);
        let mut tell =
            |second: u64, counted: f64| rate.handle(A, at(second), Reading::Good(counted)).unwrap().1;
        for second in 0..60 {
            assert_eq!(tell(second, second as f64 / 10.0), Reading::Bad(NoData::TooLittleKnown));
        }
        let Reading::Good(per_hour) = tell(60, 6.0) else { panic!() };
        assert!((per_hour - 360.0).abs() < 1e-9, "{per_hour}");
        assert_eq!(tell(61, 0.0), Reading::Bad(NoData::TooLittleKnown), "a meter that was replaced");
        assert_eq!(tell(70, 1.0), Reading::Bad(NoData::TooLittleKnown), "a gap");
        for second in 71..130 {
            assert_eq!(tell(second, 1.0), Reading::Bad(NoData::TooLittleKnown));
        }
        assert_eq!(tell(130, 1.0), Reading::Good(0.0));
    }

    #[test]
    fn a_slope_of_a_bad_half_is_bad_and_nothing_flowing_by_gives_no_share() {
        let over = Duration::from_secs(2);
        let mut share = Deriver::new(Derivation::Slope { of: A, to: Some(B), over, factor: 1.0 }, GAP);
        let mut tell = |second: u64, of: Reading, to: Reading| {
            share.handle(A, at(second), of);
            share.handle(B, at(second), to).unwrap().1
        };
        let nothing = Reading::Good(0.0);
        for second in 0..2 {
            tell(second, Reading::Good(1.0), nothing);
        }
        assert_eq!(tell(2, Reading::Good(1.0), nothing), Reading::Bad(NoData::OutOfRange));
        assert_eq!(tell(3, Reading::Bad(NoData::SensorFault), nothing), Reading::Bad(NoData::SensorFault));
        let late = Reading::Uncertain(2.0, Doubt::Late);
        assert_eq!(
            tell(4, Reading::Good(3.0), late),
            Reading::Uncertain(1.0, Doubt::Late),
            "2 over 2 x (0 + 2) / 2"
        );
    }

    #[test]
    fn a_window_that_is_polled_often_is_kept_thin() {
        let slope = Derivation::Slope { of: A, to: None, over: Duration::from_secs(1024), factor: 1.0 };
        let mut rate = Deriver::new(slope, GAP);
        for tenth in 0..30_000_u64 {
            let told = rate.handle(A, Uptime::from_millis(tenth * 100), Reading::Good(tenth as f64 / 10.0));
            if let Some((_, Reading::Good(per_s))) = told {
                assert!((per_s - 1.0).abs() < 1e-9, "{per_s}");
            }
        }
        assert!((1_000..1_200).contains(&rate.gained.len()), "{}", rate.gained.len());
    }
}
