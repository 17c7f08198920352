//! What makes a decoded value unbelievable beyond its own words: a stopped or restarting program, a status word that
//! says no, a value that does not move, a signal that is not wired yet.
//!
//! It judges a scan after decoding and before anybody acts on it. A value that was bad already stays bad for its own
//! reason.

use super::signals::Fresh;
use setward_config::line::{Controller, ControllerId, Line, LineSignal, StationId};
use setward_process::condition::{Condition, all_hold};
use setward_protocol::{Doubt, NoData, Reading, Sample, SignalId, Uptime};
use std::time::Duration;

/// A counting word that jumps ahead by no more than this many counts a second has wrapped, not restarted.
const WRAP_COUNTS_PER_S: f64 = 10.0;

/// The tests of every controller and signal.
#[derive(Debug)]
pub struct QualityBook {
    beats: Vec<Option<Beat>>,
    tests: Vec<SignalTests>,
}

/// The watch over one controller's counting word.
#[derive(Debug, Clone, Copy)]
struct Beat {
    signal: SignalId,
    within: Duration,
    /// The word's highest value: one more is 0.
    highest: f64,
    /// Everything else is bad until it has counted this far after a restart.
    counts_after_restart: f64,
    /// The last value seen, if any, and when it was first seen (or the watch began).
    last: Option<(Option<f64>, Uptime)>,
    restarting: bool,
}

#[derive(Debug)]
struct SignalTests {
    station: StationId,
    commissioned: bool,
    good_when: Vec<Condition>,
    stuck_after: Option<Duration>,
    constant: Option<Constant>,
}

/// A value that has not moved.
#[derive(Debug, Clone, Copy)]
struct Constant {
    value: f64,
    last: Uptime,
    /// How long its station has been running meanwhile.
    running_for: Duration,
}

impl QualityBook {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        Self {
            beats: line.controllers.iter().map(|controller| Beat::of(controller, line)).collect(),
            tests: line.signals.iter().map(SignalTests::of).collect(),
        }
    }

    /// Judges the readings of one scan of `controller`. `value_of` gives what was known before the scan, `is_running`
    /// whether a station is making product.
    pub fn judge(
        &mut self,
        controller: ControllerId,
        at: Uptime,
        fresh: &mut [Fresh],
        value_of: impl Fn(SignalId) -> Option<f64>,
        is_running: impl Fn(StationId) -> bool,
    ) {
        self.judge_program(controller, at, fresh);
        let vouching: Vec<(usize, Option<bool>)> = self.vouched(fresh, value_of);
        for (index, holds) in vouching {
            let Some(doubted) = fresh.get_mut(index) else { continue };
            match (holds, doubted.reading) {
                (Some(false), Reading::Good(_) | Reading::Uncertain(..)) => {
                    doubted.reading = Reading::Bad(NoData::SensorFault);
                }
                (None, Reading::Good(value)) => {
                    doubted.reading = Reading::Uncertain(value, Doubt::Unconfirmed);
                }
                (Some(_) | None, _) => {}
            }
        }
        for one in fresh {
            if let Some(tests) = self.tests.get_mut(one.signal.index()) {
                let is_running = is_running(tests.station);
                one.reading = tests.judge(one.reading, one.at, is_running);
            }
        }
    }

    /// Why nothing of the controller can be believed at `at` although it answers.
    #[must_use]
    pub fn program_trouble(&self, controller: ControllerId, at: Uptime) -> Option<NoData> {
        self.beats.get(controller.index())?.as_ref()?.trouble(at)
    }

    /// Follows the counting word of a controller through a scan that was judged before.
    pub fn follow_program(&mut self, controller: ControllerId, at: Uptime, samples: &[Sample]) {
        let Some(Some(beat)) = self.beats.get_mut(controller.index()) else { return };
        if let Some(counted) = samples.iter().find(|sample| sample.signal == beat.signal) {
            beat.take(counted.reading.good(), at);
        }
    }

    /// The counting word decides whether the rest can be believed.
    fn judge_program(&mut self, controller: ControllerId, at: Uptime, fresh: &mut [Fresh]) {
        let Some(Some(beat)) = self.beats.get_mut(controller.index()) else { return };
        if let Some(counted) = fresh.iter().find(|fresh| fresh.signal == beat.signal) {
            beat.take(counted.reading.good(), at);
        }
        let Some(why) = beat.trouble(at) else { return };
        for doubted in fresh.iter_mut().filter(|one| one.signal != beat.signal) {
            if doubted.reading.value().is_some() {
                doubted.reading = Reading::Bad(why);
            }
        }
    }

    /// Of the readings that need another signal's word: whether they have it.
    fn vouched(
        &self,
        fresh: &[Fresh],
        value_of: impl Fn(SignalId) -> Option<f64>,
    ) -> Vec<(usize, Option<bool>)> {
        // A word of the same scan is newer than what was known before.
        let newest = |id: SignalId| match fresh.iter().find(|one| one.signal == id) {
            Some(one) => one.reading.good(),
            None => value_of(id),
        };
        let needs = |one: &Fresh| {
            self.tests.get(one.signal.index()).map(|tests| &tests.good_when).filter(|list| !list.is_empty())
        };
        let judged = fresh.iter().enumerate();
        judged.filter_map(|(index, one)| Some((index, all_hold(needs(one)?, newest)))).collect()
    }
}

impl Beat {
    fn of(controller: &Controller, line: &Line) -> Option<Self> {
        let heartbeat = controller.heartbeat?;
        Some(Self {
            signal: heartbeat.signal,
            within: heartbeat.within,
            highest: line.signal(heartbeat.signal).range.1,
            counts_after_restart: f64::from(controller.zeroed_after_restart),
            last: None,
            restarting: false,
        })
    }

    /// The word was read (or could not be) at `at`.
    fn take(&mut self, value: Option<f64>, at: Uptime) {
        let Some((last, since)) = self.last else {
            // A count this low at first sight: the program may have begun a moment ago.
            self.restarting = value.is_some_and(|value| value < self.counts_after_restart);
            self.last = Some((value, at));
            return;
        };
        let Some(value) = value else { return };
        if last.map(f64::to_bits) == Some(value.to_bits()) {
            return;
        }
        let began_anew = last.is_some_and(|last| value < last && !self.wrapped(last, value, at.since(since)));
        self.restarting = (self.restarting || began_anew) && value < self.counts_after_restart;
        self.last = Some((Some(value), at));
    }

    fn wrapped(&self, last: f64, value: f64, passed: Duration) -> bool {
        let counted = self.highest - last + 1.0 + value;
        counted <= (passed.as_secs_f64() + 1.0) * WRAP_COUNTS_PER_S
    }

    fn trouble(&self, at: Uptime) -> Option<NoData> {
        if self.has_stopped(at) {
            Some(NoData::HeartbeatStopped)
        } else {
            self.restarting.then_some(NoData::Restarting)
        }
    }

    /// Whether the word has stood still for too long, or could not be read for as long: a program whose heart can't be
    /// felt is not believed either.
    fn has_stopped(&self, at: Uptime) -> bool {
        self.last.is_some_and(|(_, since)| at.since(since) > self.within)
    }
}

impl SignalTests {
    fn of(signal: &LineSignal) -> Self {
        Self {
            station: signal.station,
            commissioned: signal.commissioned,
            good_when: signal.good_when.clone(),
            stuck_after: signal.stuck_after,
            constant: None,
        }
    }

    fn judge(&mut self, reading: Reading, at: Uptime, is_running: bool) -> Reading {
        if !self.commissioned {
            return Reading::Bad(NoData::NotCommissioned);
        }
        let Some(after) = self.stuck_after else { return reading };
        let value = match reading {
            Reading::Good(value) | Reading::Uncertain(value, _) => value,
            Reading::Bad(why) => {
                // Across a silence it may have moved unseen: only a known fault starts the watch anew.
                if !why.is_silence() {
                    self.constant = None;
                }
                return reading;
            }
        };
        let constant = match self.constant {
            Some(before) if before.value.to_bits() == value.to_bits() => {
                let ran = if is_running { at.since(before.last) } else { Duration::ZERO };
                Constant { last: at, running_for: before.running_for + ran, ..before }
            }
            Some(_) | None => Constant { value, last: at, running_for: Duration::ZERO },
        };
        self.constant = Some(constant);
        if constant.running_for >= after { Reading::Bad(NoData::Stuck) } else { reading }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const COUNT: SignalId = SignalId(0);

    fn beat(counts_after_restart: f64) -> Beat {
        let within = Duration::from_secs(5);
        Beat { signal: COUNT, within, highest: 65_535.0, counts_after_restart, last: None, restarting: false }
    }

    fn at(second: u64) -> Uptime {
        Uptime::from_millis(second * 1000)
    }

    #[test]
    fn a_heartbeat_that_stands_still_or_cannot_be_read_has_stopped() {
        let mut beat = beat(0.0);
        let mut stopped = |second: u64, value: Option<f64>| {
            beat.take(value, at(second));
            beat.has_stopped(at(second))
        };
        assert!(!stopped(0, None));
        assert!(!stopped(5, None), "the watch has only begun");
        assert!(stopped(6, None));
        assert!(!stopped(7, Some(1.0)));
        assert!(!stopped(12, Some(1.0)));
        assert!(stopped(13, Some(1.0)));
        assert!(stopped(14, None));
        assert!(!stopped(15, Some(2.0)));
    }

    #[test]
    fn a_count_that_falls_back_is_a_restart_and_one_that_wraps_is_not() {
        let mut beat = beat(40.0);
        let mut restarting = |second: u64, value: f64| {
            beat.take(Some(value), at(second));
            beat.restarting
        };
        assert!(!restarting(0, 65_534.0));
        assert!(!restarting(2, 0.0), "65535 and then 0: it has wrapped");
        assert!(!restarting(3, 1.0));
        assert!(!restarting(100, 98.0));
        assert!(restarting(101, 0.0), "from 98 to 0 there is no wrap");
        assert!(restarting(140, 39.0));
        assert!(!restarting(141, 40.0));
    }

    #[test]
    fn a_low_count_at_first_sight_may_be_a_restart_and_without_the_key_nothing_is() {
        let mut careful = beat(40.0);
        careful.take(Some(3.0), at(0));
        assert!(careful.restarting);
        let mut plain = beat(0.0);
        plain.take(Some(3.0), at(0));
        plain.take(Some(0.0), at(1));
        assert!(!plain.restarting);
    }

    fn probe() -> SignalTests {
        SignalTests {
            station: StationId(0),
            commissioned: true,
            good_when: Vec::new(),
            stuck_after: Some(Duration::from_secs(600)),
            constant: None,
        }
    }

    #[test]
    fn a_constant_value_is_stuck_after_ten_minutes_of_running_not_of_standing() {
        let mut probe = probe();
        for second in 0..1200 {
            let reading = probe.judge(Reading::Good(35.0), at(second), false);
            assert_eq!(reading, Reading::Good(35.0), "the station stands, so may the value");
        }
        for second in 1200..1799 {
            assert_eq!(probe.judge(Reading::Good(35.0), at(second), true), Reading::Good(35.0), "{second}");
        }
        assert_eq!(probe.judge(Reading::Good(35.0), at(1799), true), Reading::Bad(NoData::Stuck));
        assert_eq!(probe.judge(Reading::Bad(NoData::NoReply), at(1800), true), Reading::Bad(NoData::NoReply));
        assert_eq!(probe.judge(Reading::Good(35.0), at(1801), true), Reading::Bad(NoData::Stuck));
        assert_eq!(probe.judge(Reading::Good(35.1), at(1802), true), Reading::Good(35.1));
    }

    #[test]
    fn what_is_not_wired_yet_is_bad_whatever_its_register_says() {
        let mut probe = SignalTests { commissioned: false, ..probe() };
        assert_eq!(probe.judge(Reading::Good(35.0), at(0), true), Reading::Bad(NoData::NotCommissioned));
    }

    #[test]
    fn a_status_word_vouches_for_a_value_in_the_same_scan() {
        let vouched_by = |code: i64| {
            vec![Condition { signal: COUNT, test: setward_process::condition::Test::Is(vec![code]) }]
        };
        let mut status = SignalTests { stuck_after: None, ..probe() };
        status.good_when = Vec::new();
        let value = SignalTests { stuck_after: None, good_when: vouched_by(1), ..probe() };
        let mut book = QualityBook { beats: vec![None], tests: vec![status, value] };
        let mut judged = |status: Reading, known: Option<f64>| {
            let fresh = |signal: u16, reading: Reading| Fresh {
                signal: SignalId(signal),
                reading,
                words: [0; 4],
                word_count: 1,
                at: at(0),
            };
            let mut both = [fresh(0, status), fresh(1, Reading::Good(182.0))];
            let which = if known.is_some() { &mut both[1..] } else { &mut both[..] };
            book.judge(ControllerId(0), at(0), which, |_| known, |_| true);
            both[1].reading
        };
        assert_eq!(judged(Reading::Good(1.0), None), Reading::Good(182.0));
        assert_eq!(judged(Reading::Good(0.0), None), Reading::Bad(NoData::SensorFault));
        assert_eq!(
            judged(Reading::Bad(NoData::NoReply), None),
            Reading::Uncertain(182.0, Doubt::Unconfirmed)
        );
        assert_eq!(judged(Reading::Good(0.0), Some(1.0)), Reading::Good(182.0), "read in another scan");
    }
}
