//! The detectors on noise, against the reference table: how long between false alarms, how long until a step is found.
//!
//! Noise of standard deviation 1 with a correlation time of 20 s, sampled each second; limit at 2; a step of +3. The table was
//! computed for the reference page by a program of its own, from 12,000 quiet runs and 6,000 steps; its times between false
//! alarms are good to one over the root of the alarms it saw, and so are ours.
#![expect(clippy::unwrap_used, reason = "a test: a panic is a failed test")]

use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use setward_alarm::{
    AlarmId, AlarmSettings, Allowance, Happening, Head, Kind, Leak, LimitSettings, Monitor, Side, Slot,
    Target, TimeWeightedSettings, Watched,
};
use setward_protocol::{ModeSet, Reading, Sample, SignalId, Uptime};
use std::time::Duration;

const X: SignalId = SignalId(0);
const LIMIT: f64 = 2.0;
const STEP: f64 = 3.0;
/// A quiet run ends here, as in the table.
const RUN_S: u32 = 16_000;

/// First-order noise, standard deviation 1, correlation time 20 s.
struct Noise {
    generator: Pcg64Mcg,
    value: f64,
}

impl Noise {
    fn new(seed: u64) -> Self {
        let mut noise = Self { generator: Pcg64Mcg::seed_from_u64(seed), value: 0.0 };
        noise.value = noise.normal();
        noise
    }

    fn uniform(&mut self) -> f64 {
        (f64::from(self.generator.next_u32()) + 0.5) / (f64::from(u32::MAX) + 1.0)
    }

    fn normal(&mut self) -> f64 {
        let (radius, angle) = (self.uniform(), self.uniform());
        (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
    }

    fn next(&mut self) -> f64 {
        let share = (-1.0_f64 / 20.0).exp();
        self.value = share * self.value + (1.0 - share * share).sqrt() * self.normal();
        self.value
    }

    /// A moment of its own, unrelated to the last.
    fn start_over(&mut self) {
        self.value = self.normal();
    }
}

fn limit(on_delay_s: u64) -> Kind {
    let (on_delay, off_delay) = (Duration::from_secs(on_delay_s), Duration::ZERO);
    Kind::Limit(LimitSettings { side: Side::Above, limit: LIMIT, deadband: 0.0, on_delay, off_delay })
}

/// Area above the limit that leaks all the time with 120 s.
fn leaking(area: f64) -> Kind {
    Kind::TimeWeighted(TimeWeightedSettings {
        side: Side::Above,
        allowance: Allowance::Area(area),
        recovery: Some(Duration::from_secs(120)),
        shape: 1.0,
        clear_below: 0.5,
        leak: Leak::Always { pick_up: 1.0 },
    })
}

fn settings(kind: Kind) -> AlarmSettings {
    AlarmSettings {
        watches: Watched::Signal(X),
        kind,
        latching: false,
        poll_every: Duration::from_secs(1),
        gap_limit: Duration::from_secs(3),
        station: None,
        controller: None,
        modes: ModeSet::ALL,
        settle: Duration::ZERO,
        realarm_after: None,
        hides_for: None,
        shelve_most: None,
        group: None,
        in_a_row: None,
    }
}

/// When a run from zero raises, s; `None` if it does not within `most_s`.
fn raises_after(kind: Kind, noise: &mut Noise, shift: f64, most_s: u32) -> Option<f64> {
    let (mut slots, mut heads) = ([Slot::new(settings(kind))], [Head::default()]);
    let mut monitor = Monitor::new(&mut slots, &mut heads, &mut []);
    let target = Target {
        setpoint: 0.0,
        tolerance_below: LIMIT,
        tolerance_above: LIMIT,
        latitude: None,
        specification: None,
    };
    monitor.handle_target(X, Some(target));
    for second in 0..most_s {
        let at = Uptime::from_secs_f64(f64::from(second));
        monitor.handle_timeout(at);
        let reading = Reading::Good(noise.next() + shift);
        monitor.handle_sample(&Sample { signal: X, at, reading });
        while let Some(event) = monitor.poll_event() {
            if matches!(event.what, Happening::Raised { .. }) && event.alarm == AlarmId(0) {
                return Some(event.at.as_secs_f64().max(f64::from(second)));
            }
        }
    }
    None
}

/// Mean time between false alarms over so many seconds of quiet noise, s, and how many there were.
fn quiet(kind: Kind, seconds: u64, seed: u64) -> (f64, u32) {
    let mut noise = Noise::new(seed);
    let (mut watched_s, mut alarms) = (0.0, 0);
    while watched_s < seconds as f64 {
        noise.start_over();
        match raises_after(kind, &mut noise, 0.0, RUN_S) {
            // A run that raises with its first sample has watched a second.
            Some(after_s) => (watched_s, alarms) = (watched_s + after_s + 1.0, alarms + 1),
            None => watched_s += f64::from(RUN_S),
        }
    }
    (watched_s / f64::from(alarms.max(1)), alarms)
}

/// Mean, median and 95th percentile of the delay after a step, s.
fn delays(kind: Kind, runs: usize, seed: u64) -> [f64; 3] {
    let mut noise = Noise::new(seed);
    let mut all: Vec<f64> = (0..runs)
        .map(|_| {
            noise.start_over();
            raises_after(kind, &mut noise, STEP, 100_000).unwrap()
        })
        .collect();
    all.sort_by(f64::total_cmp);
    let at_share = |share: f64| *all.get((share * all.len() as f64) as usize).unwrap();
    [all.iter().sum::<f64>() / all.len() as f64, at_share(0.5), at_share(0.95)]
}

/// Within three standard errors of both, and the fraction of a second that lies between counting samples and joining them.
fn agrees(found: f64, alarms: u32, expected: f64, reference_alarms: f64, sampling: f64) {
    let error = 3.0 * (1.0 / f64::from(alarms) + 1.0 / reference_alarms).sqrt() + sampling;
    let off = found / expected - 1.0;
    assert!(
        off.abs() <= error,
        "{found:.0} s between {alarms} false alarms, expected {expected} within {error:.2}"
    );
}

fn near(found: [f64; 3], expected: [f64; 3], within: f64) {
    for (found, expected) in found.into_iter().zip(expected) {
        let off = (found - expected).abs();
        assert!(off <= within * expected + 1.5, "{found:.1} s, expected {expected} s");
    }
}

/// Table: 268 s (12,000 seen); 2.4, 1 and 10 s.
#[test]
fn a_bare_limit_raises_every_four_minutes_on_noise_and_finds_a_step_at_once() {
    let (between_s, alarms) = quiet(limit(0), 1_500_000, 1);
    agrees(between_s, alarms, 268.0, 12_000.0, 0.01);
    near(delays(limit(0), 4_000, 2), [2.4, 1.0, 10.0], 0.1);
}

/// Table: 5.6e4 s (2,978 seen); 55, 34 and 135 s.
#[test]
fn a_delay_of_thirty_seconds_is_quiet_for_half_a_day_and_finds_a_step_in_a_minute() {
    let (between_s, alarms) = quiet(limit(30), 12_000_000, 3);
    agrees(between_s, alarms, 5.6e4, 2_978.0, 0.08);
    near(delays(limit(30), 4_000, 4), [55.0, 34.0, 135.0], 0.08);
}

/// Table: 1.3e5 s (1,438 seen); 44, 34 and 110 s. Twice as quiet as the delay, and sooner on average.
#[test]
fn a_leaking_area_is_quieter_than_the_delay_and_finds_a_step_sooner() {
    let (between_s, alarms) = quiet(leaking(30.0), 16_000_000, 5);
    agrees(between_s, alarms, 1.3e5, 1_438.0, 0.05);
    near(delays(leaking(30.0), 4_000, 6), [44.0, 34.0, 110.0], 0.08);
}
