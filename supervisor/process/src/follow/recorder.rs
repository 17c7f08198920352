//! Keeps hours of a speed or a rate in little memory, without losing what it adds up to.
//!
//! Values that hardly differ are put together for up to two minutes, by their mean over time: the distance moved at the end of
//! each such piece is exact, and within it off by what is moved in 0.6 s at most. A change of more than a few per cent, a stop,
//! a start and a gap each begin a piece of their own.

use crate::series::{Span, Steps};
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// Values are put together for so long at most: two days of ten belts that run steadily are a third of a megabyte.
const PUT_TOGETHER: Duration = Duration::from_secs(120);
/// And only if they differ from their mean by no more than this share,
const ALIKE: f64 = 0.03;
/// and by no more than puts the distance within the piece off by what is moved in so long, s. Each value that joins a piece of length T
/// moves its mean m by at most 0.6 m dt / T^2, which from T on sums up to less than 0.6 m / T: times T, 0.6 s of moving.
const OFF_AT_MOST_S: f64 = 0.6;

/// A value of 0 or more over time, in steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorder {
    gap_limit: Duration,
    points: Vec<(Uptime, Option<f64>)>,
    /// The newest reading: it holds until the next one, unless that comes too late.
    last: Option<(Uptime, Option<f64>)>,
    reversed: Vec<Span>,
}

impl Recorder {
    /// One that has seen nothing; a reading that is older than `gap_limit` when the next one comes is not known in
    /// between.
    #[must_use]
    pub const fn new(gap_limit: Duration) -> Self {
        Self { gap_limit, points: Vec::new(), last: None, reversed: Vec::new() }
    }

    /// A reading; `None` is bad. One that is not later than the last is dropped. A value below zero is not known, and
    /// noted as reversed where it is more than the noise of a belt that stands (1e-3 of the unit).
    pub fn push(&mut self, at: Uptime, value: Option<f64>) {
        let value = value.filter(|value| value.is_finite());
        let is_reversed = value.is_some_and(|value| value < -1e-3);
        let known = value.filter(|_| !is_reversed).map(|value| value.max(0.0));
        match self.last {
            Some((last, _)) if at <= last => return,
            Some((last, held)) => {
                let span = Span { from: last, to: at };
                self.append(span, held.filter(|_| at.since(last) <= self.gap_limit));
            }
            None => {}
        }
        if is_reversed {
            self.reverse(at);
        }
        self.last = Some((at, known));
    }

    /// What is known, until the newest reading, or held on until a later time: as if nothing changed any more. `None`
    /// before two readings.
    #[must_use]
    pub fn steps(&self, held_until: Option<Uptime>) -> Option<Steps<'_>> {
        let (newest, _) = self.last?;
        // Asked for with each look at an alarm's product: days of points are not checked anew each time, `push` lets none in that is wrong.
        Steps::checked_before(&self.points, held_until.map_or(newest, |until| until.max(newest)))
    }

    /// Whether it ran backward within a span.
    #[must_use]
    pub fn was_reversed(&self, span: Span) -> bool {
        self.reversed.iter().any(|back| back.from <= span.to && span.from <= back.to)
    }

    /// How many pieces it holds.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.points.len()
    }

    /// Whether it holds nothing.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.points.is_empty()
    }

    /// Forgets what ended before a time. Done now and then, when it is worth it.
    pub fn forget_before(&mut self, oldest: Uptime) {
        let old = self.points.partition_point(|(at, _)| *at <= oldest).saturating_sub(1);
        if old > self.points.len() / 4 {
            self.points.drain(..old);
            self.reversed.retain(|span| span.to >= oldest);
        }
    }

    fn append(&mut self, span: Span, value: Option<f64>) {
        if let Some((from, held)) = self.points.last_mut() {
            let whole_s = span.to.seconds_since(*from);
            let is_short = span.to.since(*from) <= PUT_TOGETHER;
            match (*held, value) {
                (None, None) => return,
                (Some(mean), Some(value)) if mean == value => return,
                (Some(mean), Some(value)) if is_short && is_alike(mean, value, whole_s) => {
                    *held = Some(mean + (value - mean) * span.seconds() / whole_s);
                    return;
                }
                (None | Some(_), _) => {}
            }
        }
        if self.points.len() == self.points.capacity() {
            // By a quarter, not to twice as much: this is what grows for two days.
            self.points.reserve_exact((self.points.len() / 4).max(32));
        }
        self.points.push((span.from, value));
    }

    /// Backward from a reading on until the next one.
    fn reverse(&mut self, at: Uptime) {
        match self.reversed.last_mut() {
            Some(last) if at.since(last.to) <= self.gap_limit => last.to = at,
            _ => self.reversed.push(Span { from: at, to: at }),
        }
    }
}

/// Whether a value may join a piece that is then so long, s.
fn is_alike(mean: f64, value: f64, whole_s: f64) -> bool {
    (value - mean).abs() * whole_s.max(OFF_AT_MOST_S / ALIKE) <= OFF_AT_MOST_S * mean
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec;

    fn at(seconds: f64) -> Uptime {
        Uptime::from_secs_f64(seconds)
    }

    fn recorder() -> Recorder {
        Recorder::new(Duration::from_secs(3))
    }

    fn moved_m(recorder: &Recorder, from: f64, to: f64) -> f64 {
        let steps = recorder.steps(None).unwrap();
        let pieces = steps.pieces_within(Span { from: at(from), to: at(to) });
        pieces.map(|(span, value)| value.unwrap_or_default() * span.seconds()).sum()
    }

    /// An hour at 0.06 m/s with 0.2 % of noise: 61 pieces at most instead of 3,600, and the distance is the same.
    #[test]
    fn an_hour_of_steady_running_is_small_and_moves_as_far() {
        let (mut recorder, mut true_m, mut noise) = (recorder(), 0.0, 0.5_f64);
        for second in 0..=3600 {
            noise = 3.9 * noise * (1.0 - noise);
            let speed = 0.06 + 0.0004 * (noise - 0.5);
            recorder.push(at(f64::from(second)), Some(speed));
            if second < 3600 {
                true_m += speed;
            }
        }
        assert!(recorder.len() <= 61, "{}", recorder.len());
        assert!((moved_m(&recorder, 0.0, 3600.0) - true_m).abs() < 1e-9);
    }

    #[test]
    fn a_stop_begins_and_ends_where_it_was_read() {
        let mut recorder = recorder();
        for second in 0..=60 {
            recorder.push(at(f64::from(second)), Some(if (20..35).contains(&second) { 0.0 } else { 0.5 }));
        }
        assert!((moved_m(&recorder, 0.0, 20.0) - 10.0).abs() < 1e-9);
        assert_eq!(moved_m(&recorder, 20.0, 35.0), 0.0);
        assert!((moved_m(&recorder, 35.0, 60.0) - 12.5).abs() < 1e-9);
    }

    #[test]
    fn silence_and_bad_readings_are_not_known() {
        let mut recorder = recorder();
        assert!(recorder.steps(None).is_none() && recorder.is_empty());
        let readings = [
            (0.0, Some(1.0)),
            (1.0, None),
            (2.0, Some(1.0)),
            (20.0, Some(1.0)),
            (21.0, Some(f64::NAN)),
            (22.0, Some(1.0)),
        ];
        for (second, value) in readings {
            recorder.push(at(second), value);
        }
        recorder.push(at(22.0), Some(9.0));
        let steps = recorder.steps(None).unwrap();
        let known = [0.5, 1.5, 2.5, 10.0, 20.5, 21.5].map(|second| steps.value_at(at(second)).is_some());
        assert_eq!(known, [true, false, false, false, true, false]);
        assert_eq!(steps.until(), at(22.0));
        assert_eq!(recorder.steps(Some(at(99.0))).unwrap().until(), at(99.0));
    }

    #[test]
    fn a_belt_that_runs_backward_is_not_known_and_said() {
        let mut recorder = recorder();
        for (second, value) in [(0.0, 0.5), (1.0, -0.3), (2.0, -0.3), (3.0, 0.5), (4.0, -1e-4), (5.0, 0.5)] {
            recorder.push(at(second), Some(value));
        }
        let steps = recorder.steps(None).unwrap();
        assert_eq!(
            (steps.value_at(at(1.5)), steps.value_at(at(4.5))),
            (None, Some(0.0)),
            "noise about a stop is a stop"
        );
        let reversed = |from: f64, to: f64| recorder.was_reversed(Span { from: at(from), to: at(to) });
        assert!(reversed(0.0, 1.5) && reversed(2.0, 9.0) && !reversed(2.5, 9.0) && !reversed(0.0, 0.9));
        recorder.push(at(60.0), Some(-0.3));
        let reversed = |from: f64, to: f64| recorder.was_reversed(Span { from: at(from), to: at(to) });
        assert!(reversed(59.0, 60.0) && !reversed(20.0, 30.0), "twice, and not in between");
    }

    #[test]
    fn what_is_old_is_forgotten_and_what_was_in_force_stays() {
        let mut recorder = recorder();
        for second in 0..1000 {
            recorder.push(at(f64::from(second)), Some(f64::from(second % 7) + 1.0));
            recorder.forget_before(at(f64::from(second) - 100.0));
        }
        assert!(recorder.len() < 140, "{}", recorder.len());
        assert_eq!(recorder.steps(None).unwrap().value_at(at(899.5)), Some(f64::from(899 % 7) + 1.0));
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig { failure_persistence: None, ..Default::default() })]

        /// However a belt's speed wavers, what it is told to have moved is never off by more than 0.6 s of moving.
        #[test]
        fn the_distance_is_nowhere_off_by_more_than_is_moved_in_six_tenths_of_a_second(
            slow in 0.0..0.05_f64, noise in 0.0..0.03_f64, period_s in 5.0..900.0_f64,
            noises in proptest::collection::vec(-1.0..1.0_f64, 601)
        ) {
            let (mut recorder, mut true_m) = (recorder(), vec![0.0]);
            for (second, random) in noises.iter().enumerate() {
                let wave = (second as f64 * core::f64::consts::TAU / period_s).sin();
                let speed = 0.5 * (1.0 + slow * wave + noise * random);
                recorder.push(at(second as f64), Some(speed));
                true_m.push(true_m.last().unwrap() + speed);
            }
            for (second, moved) in true_m.iter().enumerate().take(601) {
                let off_s = (moved_m(&recorder, 0.0, second as f64) - moved) / 0.5;
                // 0.6 s of the mean, which is up to 5 % above the usual speed.
                proptest::prop_assert!(off_s.abs() <= 0.6 * 1.06, "{off_s} s off after {second} s, {} pieces", recorder.len());
            }
        }

        /// What `steps` does not check anew: in order of time, no value below zero or without a number.
        #[test]
        fn whatever_is_pushed_the_steps_are_right(
            pushed in proptest::collection::vec((-5.0..40.0_f64, proptest::option::of(-0.1..2.0_f64), proptest::bool::weighted(0.1)), 1..80)
        ) {
            let (mut recorder, mut now_s) = (recorder(), 100.0_f64);
            for (later_s, value, is_spoiled) in pushed {
                now_s = (now_s + later_s).max(0.0);
                recorder.push(at(now_s), if is_spoiled { Some(f64::NAN) } else { value });
                recorder.forget_before(at((now_s - 200.0).max(0.0)));
            }
            let newest = recorder.last.unwrap().0;
            match Steps::new(&recorder.points, newest) {
                Ok(right) => proptest::prop_assert_eq!(recorder.steps(None), Some(right)),
                Err(why) => proptest::prop_assert_eq!((why, recorder.is_empty()), (crate::series::SeriesError::Empty, true)),
            }
        }
    }
}
