//! The engine from outside: samples in, events out, at the computed second.
#![expect(clippy::unwrap_used, reason = "a test: a panic is a failed test")]

use setward_alarm::{
    Acknowledgement, AlarmEvent, AlarmId, AlarmSettings, AlarmState, Allowance, Forecast, Happening, Head,
    Kind, Leak, LimitSettings, Monitor, Restored, Side, Slot, Target, TimeWeightedSettings, Watched,
    WishError,
};
use setward_protocol::{Doubt, ModeSet, NoData, Reading, Sample, SignalId, Uptime};
use std::time::Duration;

const SIGNAL: SignalId = SignalId(0);
const ALARM: AlarmId = AlarmId(0);

fn exposure(side: Side, allowance: Allowance, recovery_s: u64, shape: f64) -> Kind {
    let recovery = Some(Duration::from_secs(recovery_s));
    Kind::TimeWeighted(TimeWeightedSettings {
        side,
        allowance,
        recovery,
        shape,
        clear_below: 0.5,
        leak: Leak::Inside,
    })
}

/// The fryer's real settings: below 182 degC, tolerance 3 K, 240 K.s, recovery 90 s.
fn fryer_inlet_cold() -> Kind {
    exposure(Side::Below, Allowance::Area(240.0), 90, 1.0)
}

fn limit(side: Side, limit: f64, deadband: f64, on_s: u64, off_s: u64) -> Kind {
    let (on_delay, off_delay) = (Duration::from_secs(on_s), Duration::from_secs(off_s));
    Kind::Limit(LimitSettings { side, limit, deadband, on_delay, off_delay })
}

fn alarm(kind: Kind) -> AlarmSettings {
    AlarmSettings {
        watches: Watched::Signal(SIGNAL),
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

/// One alarm on one signal, with a target of 182 and a tolerance of 3 unless told otherwise.
struct Bench {
    slots: Vec<Slot>,
    heads: Vec<Head>,
}

impl Bench {
    fn new(settings: AlarmSettings) -> Self {
        Self { slots: vec![Slot::new(settings)], heads: vec![Head::default(); 1] }
    }

    fn monitor(&mut self) -> Monitor<'_> {
        let mut monitor = Monitor::new(&mut self.slots, &mut self.heads, &mut []);
        monitor.handle_target(SIGNAL, Some(target(182.0, 3.0)));
        monitor
    }
}

fn target(setpoint: f64, tolerance: f64) -> Target {
    Target {
        setpoint,
        tolerance_below: tolerance,
        tolerance_above: tolerance,
        latitude: None,
        specification: None,
    }
}

fn feed(monitor: &mut Monitor<'_>, at_s: f64, reading: Reading) -> Vec<AlarmEvent> {
    monitor.handle_sample(&Sample { signal: SIGNAL, at: Uptime::from_secs_f64(at_s), reading });
    drain(monitor)
}

/// The alarm at the moment of its last sample.
fn status(monitor: &Monitor<'_>, now_s: f64) -> setward_alarm::Status {
    monitor.status(ALARM, Uptime::from_secs_f64(now_s)).unwrap()
}

fn drain(monitor: &mut Monitor<'_>) -> Vec<AlarmEvent> {
    std::iter::from_fn(|| monitor.poll_event()).collect()
}

/// Samples each second over `0 ..= seconds`, then all events.
fn run(monitor: &mut Monitor<'_>, seconds: u32, value: impl Fn(f64) -> f64) -> Vec<AlarmEvent> {
    (0..=seconds)
        .flat_map(|second| feed(monitor, f64::from(second), Reading::Good(value(f64::from(second)))))
        .collect()
}

fn raised_at(events: &[AlarmEvent]) -> Vec<f64> {
    let raises = events.iter().filter(|event| matches!(event.what, Happening::Raised { .. }));
    raises.map(|event| event.at.as_secs_f64()).collect()
}

fn cleared_at(events: &[AlarmEvent]) -> Vec<f64> {
    events
        .iter()
        .filter(|event| event.what == Happening::Cleared)
        .map(|event| event.at.as_secs_f64())
        .collect()
}

fn close(found: &[f64], expected: &[f64]) {
    assert_eq!(found.len(), expected.len(), "{found:?}, expected {expected:?}");
    for (found, expected) in found.iter().zip(expected) {
        assert!((found - expected).abs() < 0.01, "{found} s, expected {expected} s");
    }
}

// Expected times below are those of the demo line's first-day alarms, computed by hand for ramps and steps.

#[test]
fn six_kelvin_cold_raises_after_eighty_seconds() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    close(&raised_at(&run(&mut bench.monitor(), 200, |_| 176.0)), &[80.0]);
}

#[test]
fn four_kelvin_hot_raises_after_three_minutes() {
    let mut bench = Bench::new(alarm(exposure(Side::Above, Allowance::Area(180.0), 90, 1.0)));
    close(&raised_at(&run(&mut bench.monitor(), 400, |_| 186.0)), &[180.0]);
}

#[test]
fn a_failing_outlet_raises_four_minutes_and_a_half_after_leaving_tolerance() {
    let mut bench = Bench::new(alarm(exposure(Side::Below, Allowance::Area(300.0), 90, 1.0)));
    let mut monitor = bench.monitor();
    monitor.handle_target(SIGNAL, Some(target(168.0, 4.0)));
    let events = run(&mut monitor, 900, |t| 168.0 - 0.5 * t / 60.0);
    close(&raised_at(&events), &[480.0 + 268.33]);
    let Happening::Raised { onset } = events[0].what else { panic!("{events:?}") };
    close(&[onset.as_secs_f64()], &[480.0]);
}

#[test]
fn a_lost_burner_raises_in_degrees_fahrenheit_at_the_same_second() {
    // -12 K/min is -21.6 degF/min; tolerance 15 degF and 600 degF.s are 8.33 K and 333 K.s.
    let mut bench = Bench::new(alarm(exposure(Side::Below, Allowance::Area(600.0), 300, 1.0)));
    let mut monitor = bench.monitor();
    monitor.handle_target(SIGNAL, Some(target(645.0, 15.0)));
    close(&raised_at(&run(&mut monitor, 200, |t| 645.0 - 21.6 * t / 60.0)), &[41.667 + 57.735]);
}

#[test]
fn exposure_clears_when_back_in_tolerance_and_half_forgotten() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    // 100 s at -6 K is 1.25 of the allowance; then 182 at once (crossing tolerance half a second later).
    let events = run(&mut bench.monitor(), 400, |t| if t <= 100.0 { 176.0 } else { 182.0 });
    close(&raised_at(&events), &[80.0]);
    // The half second back to the tolerance edge adds 0.5 * 0.5 * 3 K.s.
    let share: f64 = (300.0 + 0.75) / 240.0;
    close(&cleared_at(&events), &[100.5 + 90.0 * (share / 0.5).ln()]);
    assert_eq!(events.last().unwrap().to, AlarmState::Returned);
}

#[test]
fn swings_across_the_tolerance_add_up_although_each_is_short() {
    // 10 s at -6 K, 10 s at setpoint: each cold stretch adds an eighth, each pause forgets a tenth of what there is.
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    let events =
        run(&mut bench.monitor(), 600, |t| if ((t / 10.0) as u32).is_multiple_of(2) { 176.0 } else { 182.0 });
    assert_eq!(raised_at(&events).len(), 1, "{events:?}");
}

#[test]
fn just_inside_tolerance_never_raises() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    assert_eq!(run(&mut bench.monitor(), 7200, |_| 179.0), []);
}

#[test]
fn a_limit_waits_for_its_on_delay_from_the_crossing() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 3.0, 5, 0)));
    // Crosses 200 at 10.5 s; back below 197 at 20.3 s (from 200.5 by -10 K/s: 200.5 -> 190.5 in the second from 20).
    let events = run(&mut bench.monitor(), 40, |t| {
        if t <= 10.0 {
            199.5
        } else if t <= 20.0 {
            200.5
        } else {
            190.5
        }
    });
    close(&raised_at(&events), &[15.5]);
    close(&cleared_at(&events), &[20.35]);
}

#[test]
fn a_limit_raises_on_the_timer_between_two_samples() {
    let mut bench = Bench::new(alarm(limit(Side::Below, 38.0, 2.0, 5, 0)));
    let mut monitor = bench.monitor();
    feed(&mut monitor, 0.0, Reading::Good(30.0));
    feed(&mut monitor, 3.0, Reading::Good(30.0));
    assert_eq!(monitor.poll_timeout(), Some(Uptime::from_secs_f64(5.0)));
    monitor.handle_timeout(Uptime::from_secs_f64(4.9));
    assert_eq!(drain(&mut monitor), []);
    monitor.handle_timeout(Uptime::from_secs_f64(5.02));
    close(&raised_at(&drain(&mut monitor)), &[5.0]);
    assert_eq!(monitor.poll_timeout(), None);
}

#[test]
fn a_limit_does_not_raise_on_the_timer_when_the_last_sample_is_old() {
    let mut bench = Bench::new(alarm(limit(Side::Below, 38.0, 2.0, 5, 0)));
    let mut monitor = bench.monitor();
    feed(&mut monitor, 0.0, Reading::Good(30.0));
    assert_eq!(monitor.poll_timeout(), None, "5 s after the only sample is beyond the 3 s it may be old");
    monitor.handle_timeout(Uptime::from_secs_f64(9.0));
    assert_eq!(drain(&mut monitor), []);
}

#[test]
fn inside_the_deadband_a_raised_limit_stays_raised() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 3.0, 0, 0)));
    let events = run(&mut bench.monitor(), 60, |t| if t < 5.0 { 201.0 } else { 198.0 });
    close(&raised_at(&events), &[0.0]);
    assert_eq!(cleared_at(&events), [0.0; 0]);
}

#[test]
fn an_off_delay_merges_what_comes_back_within_it() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 1.0, 0, 10)));
    let dips = |t: f64| if (t as u32).is_multiple_of(8) { 190.0 } else { 201.0 };
    let events = run(&mut bench.monitor(), 60, |t| if t > 40.0 { 190.0 } else { dips(t + 1.0) });
    assert_eq!(raised_at(&events).len(), 1, "{events:?}");
    assert_eq!(cleared_at(&events).len(), 1, "{events:?}");
}

#[test]
fn a_broken_probe_freezes_exposure_and_a_long_silence_adds_none() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    let mut monitor = bench.monitor();
    for second in 0..=40 {
        feed(&mut monitor, f64::from(second), Reading::Good(176.0));
    }
    let before = status(&monitor, 0.0).exposure;
    feed(&mut monitor, 41.0, Reading::Bad(NoData::SensorFault));
    assert_eq!(status(&monitor, 41.0).forecast, Forecast::Unknown);
    feed(&mut monitor, 42.0, Reading::Uncertain(100.0, Doubt::Disagrees));
    feed(&mut monitor, 43.0, Reading::Good(176.0));
    assert_eq!(status(&monitor, 0.0).exposure, before);
    feed(&mut monitor, 1043.0, Reading::Good(176.0));
    assert_eq!(status(&monitor, 0.0).exposure, before, "a week of silence is unknown time, not exposure");
    feed(&mut monitor, 1044.0, Reading::Good(176.0));
    assert!(status(&monitor, 0.0).exposure > before);
}

#[test]
fn one_missed_poll_costs_no_exposure() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    let mut monitor = bench.monitor();
    let mut events = Vec::new();
    for second in 0..=100 {
        let missed = second % 3 == 1;
        let reading = if missed { Reading::Bad(NoData::NoReply) } else { Reading::Good(176.0) };
        events.extend(feed(&mut monitor, f64::from(second), reading));
    }
    close(&raised_at(&events), &[80.0]);
}

#[test]
fn a_broken_probe_neither_raises_nor_clears_a_limit() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 3.0, 2, 0)));
    let mut monitor = bench.monitor();
    for second in 0..=1 {
        feed(&mut monitor, f64::from(second), Reading::Good(210.0));
    }
    for second in 2..=20 {
        assert_eq!(feed(&mut monitor, f64::from(second), Reading::Bad(NoData::SensorFault)), []);
        monitor.handle_timeout(Uptime::from_secs_f64(f64::from(second) + 0.5));
        assert_eq!(drain(&mut monitor), []);
    }
    // Known again: the delay starts anew.
    let events: Vec<_> =
        (21..=30).flat_map(|second| feed(&mut monitor, f64::from(second), Reading::Good(210.0))).collect();
    close(&raised_at(&events), &[23.0]);
    assert_eq!(feed(&mut monitor, 31.0, Reading::Bad(NoData::OutOfRange)), []);
    assert_eq!(status(&monitor, 0.0).state, AlarmState::Unacknowledged);
}

#[test]
fn minutes_to_alarm_count_down_and_say_when_it_will_not_trip() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    let mut monitor = bench.monitor();
    for second in 0..=30 {
        feed(&mut monitor, f64::from(second), Reading::Good(176.0));
    }
    let Forecast::Raises { seconds } = status(&monitor, 30.0).forecast else { panic!() };
    close(&[seconds], &[50.0]);
    feed(&mut monitor, 31.0, Reading::Good(180.0));
    assert_eq!(status(&monitor, 31.0).forecast, Forecast::WillNotRaise);
    for second in 32..=600 {
        feed(&mut monitor, f64::from(second), Reading::Good(181.0));
    }
    assert_eq!(status(&monitor, 600.0).forecast, Forecast::Quiet);
}

#[test]
fn after_a_long_silence_nothing_is_foretold_and_no_stretch_goes_on() {
    for kind in [fryer_inlet_cold(), limit(Side::Below, 180.0, 1.0, 60, 0)] {
        let mut bench = Bench::new(alarm(kind));
        let mut monitor = bench.monitor();
        for second in 0..=30 {
            feed(&mut monitor, f64::from(second), Reading::Good(176.0));
        }
        feed(&mut monitor, 31.0, Reading::Bad(NoData::NoReply));
        assert!(matches!(status(&monitor, 33.0).forecast, Forecast::Raises { .. }));
        assert_eq!(status(&monitor, 33.0).beyond_since, Some(Uptime::START));
        assert_eq!(status(&monitor, 33.1).forecast, Forecast::Unknown);
        assert_eq!(status(&monitor, 33.1).beyond_since, None);
    }
}

#[test]
fn a_second_raise_has_the_onset_of_its_own_stretch() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    let cold = |t: f64| t <= 100.0 || t > 250.0;
    let events = run(&mut bench.monitor(), 400, |t| if cold(t) { 176.0 } else { 182.0 });
    let onsets: Vec<f64> = events
        .iter()
        .filter_map(|event| {
            if let Happening::Raised { onset } = event.what { Some(onset.as_secs_f64()) } else { None }
        })
        .collect();
    // From 182 to 176 between 250 s and 251 s: tolerance is left half way.
    close(&onsets, &[0.0, 250.5]);
}

#[test]
fn without_recovery_exposure_never_fades_and_starts_anew_once_the_alarm_has_cleared() {
    let settings = TimeWeightedSettings {
        side: Side::Below,
        allowance: Allowance::Area(240.0),
        recovery: None,
        shape: 1.0,
        clear_below: 0.5,
        leak: Leak::Inside,
    };
    let mut bench = Bench::new(alarm(Kind::TimeWeighted(settings)));
    // 40 s cold, ten minutes fine, then cold again: the second 40 s raise it.
    let cold = |t: f64| t <= 40.0 || (t > 640.0 && t <= 700.0) || t > 800.0;
    let events = run(&mut bench.monitor(), 1000, |t| if cold(t) { 176.0 } else { 182.0 });
    // Half a second of each ramp across the tolerance edge adds 0.75 K.s.
    close(&raised_at(&events), &[641.0 + (240.0 - 120.0 - 1.5) / 3.0, 801.0 + (240.0 - 0.75) / 3.0]);
    close(&cleared_at(&events), &[700.5]);
}

#[test]
fn a_limit_raised_on_the_timer_is_never_cleared_before_it_was_raised() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 0.0, 1, 0)));
    let mut monitor = bench.monitor();
    feed(&mut monitor, 10.0, Reading::Good(210.0));
    monitor.handle_timeout(Uptime::from_secs_f64(11.0));
    close(&raised_at(&drain(&mut monitor)), &[11.0]);
    close(&cleared_at(&feed(&mut monitor, 11.2, Reading::Good(190.0))), &[11.0]);
}

#[test]
fn a_thousand_alarms_on_one_timer_lose_no_event() {
    let mut slots = vec![Slot::new(alarm(limit(Side::Above, 200.0, 1.0, 1, 0))); 1000];
    let mut heads = vec![Head::default()];
    let mut monitor = Monitor::new(&mut slots, &mut heads, &mut []);
    feed(&mut monitor, 0.0, Reading::Good(210.0));
    let mut raised = 0;
    while monitor.poll_timeout().is_some() {
        monitor.handle_timeout(Uptime::from_secs_f64(1.5));
        raised += raised_at(&drain(&mut monitor)).len();
    }
    assert_eq!((raised, monitor.losses()), (1000, (0, 0)));
}

#[test]
fn acknowledging_names_the_occurrence_and_works_once() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 1.0, 0, 0)));
    let mut monitor = bench.monitor();
    let now = Uptime::from_secs_f64(100.0);
    assert_eq!(monitor.handle_acknowledge(now, ALARM, 1), Err(WishError::NeverRaised));
    feed(&mut monitor, 1.0, Reading::Good(210.0));
    feed(&mut monitor, 2.0, Reading::Good(190.0));
    feed(&mut monitor, 3.0, Reading::Good(210.0));
    // Raised, returned, raised again: the person's page still shows the first.
    assert_eq!(monitor.handle_acknowledge(now, ALARM, 1), Err(WishError::Stale { occurrence: 2 }));
    assert_eq!(monitor.handle_acknowledge(now, ALARM, 2), Ok(Acknowledgement::Done));
    assert_eq!(monitor.handle_acknowledge(now, ALARM, 2), Ok(Acknowledgement::Already));
    assert_eq!(monitor.handle_acknowledge(now, AlarmId(7), 2), Err(WishError::NoSuchAlarm));
    let acknowledged: Vec<_> = drain(&mut monitor);
    assert_eq!(acknowledged.len(), 1);
    assert_eq!(
        (acknowledged[0].from, acknowledged[0].to),
        (AlarmState::Unacknowledged, AlarmState::Acknowledged)
    );
}

#[test]
fn a_latching_alarm_waits_for_its_reset() {
    let settings = AlarmSettings { latching: true, ..alarm(limit(Side::Above, 200.0, 1.0, 0, 0)) };
    let mut bench = Bench::new(settings);
    let mut monitor = bench.monitor();
    let now = Uptime::from_secs_f64(10.0);
    feed(&mut monitor, 1.0, Reading::Good(210.0));
    assert!(monitor.handle_reset(now, ALARM, 1).is_err(), "the condition holds");
    feed(&mut monitor, 2.0, Reading::Good(190.0));
    assert_eq!(status(&monitor, 0.0).state, AlarmState::LatchedUnacknowledged);
    assert!(monitor.handle_reset(now, ALARM, 1).is_err(), "not acknowledged");
    monitor.handle_acknowledge(now, ALARM, 1).unwrap();
    assert_eq!(monitor.handle_reset(now, ALARM, 1), Ok(()));
    assert_eq!(status(&monitor, 0.0).state, AlarmState::Normal);
}

#[test]
fn a_restart_takes_up_state_occurrence_and_exposure() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    let mut monitor = bench.monitor();
    monitor.restore(
        ALARM,
        Restored {
            state: AlarmState::Acknowledged,
            occurrence: 41,
            was_told: true,
            drops_exposure: false,
            exposure: 1.2,
            waited: Duration::ZERO,
            shelved_until: None,
            shelved_once: false,
            out_of_service: false,
        },
    );
    // Still cold: nothing new to say. Back in tolerance and half forgotten: clears.
    let events = run(&mut monitor, 300, |t| if t <= 5.0 { 176.0 } else { 182.0 });
    assert_eq!(events.len(), 1, "{events:?}");
    assert_eq!((events[0].occurrence, events[0].to), (41, AlarmState::Normal));
    let mut half = Bench::new(alarm(fryer_inlet_cold()));
    let mut monitor = half.monitor();
    monitor.restore(
        ALARM,
        Restored {
            state: AlarmState::Normal,
            occurrence: 41,
            was_told: true,
            drops_exposure: false,
            exposure: 0.5,
            waited: Duration::ZERO,
            shelved_until: None,
            shelved_once: false,
            out_of_service: false,
        },
    );
    let events = run(&mut monitor, 100, |_| 176.0);
    close(&raised_at(&events), &[40.0]);
    assert_eq!(events[0].occurrence, 42);
}

#[test]
fn a_wider_tolerance_keeps_the_share_of_the_allowance() {
    let mut bench = Bench::new(alarm(fryer_inlet_cold()));
    let mut monitor = bench.monitor();
    run(&mut monitor, 40, |_| 176.0);
    let before = status(&monitor, 0.0).exposure;
    monitor.handle_target(SIGNAL, Some(target(182.0, 10.0)));
    assert_eq!(status(&monitor, 0.0).exposure, before);
    assert_eq!(status(&monitor, 40.0).forecast, Forecast::WillNotRaise);
}

#[test]
fn samples_that_are_not_newer_are_dropped_and_counted() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 1.0, 0, 0)));
    let mut monitor = bench.monitor();
    feed(&mut monitor, 5.0, Reading::Good(190.0));
    assert_eq!(feed(&mut monitor, 5.0, Reading::Good(999.0)), []);
    assert_eq!(feed(&mut monitor, 4.0, Reading::Good(999.0)), []);
    assert_eq!(feed(&mut monitor, 6.0, Reading::Good(f64::NAN)), []);
    assert_eq!(monitor.losses(), (0, 2));
}

#[test]
fn events_nobody_drains_are_counted_not_grown() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 1.0, 0, 0)));
    let mut monitor = bench.monitor();
    for second in 0..1000_u32 {
        let value = if second.is_multiple_of(2) { 210.0 } else { 190.0 };
        let at = Uptime::from_secs_f64(f64::from(second));
        monitor.handle_sample(&Sample { signal: SIGNAL, at, reading: Reading::Good(value) });
    }
    let kept = drain(&mut monitor).len() as u64;
    assert_eq!(kept + monitor.losses().0, 1000);
}

/// Above 200 for ten seconds; an earlier run had seen it there for seven.
fn carried(waited_s: u64, value: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 1.0, 10, 0)));
    let mut monitor = bench.monitor();
    monitor.restore(
        ALARM,
        Restored {
            state: AlarmState::Normal,
            occurrence: 2,
            was_told: true,
            drops_exposure: false,
            exposure: 0.0,
            waited: Duration::from_secs(waited_s),
            shelved_until: None,
            shelved_once: false,
            out_of_service: false,
        },
    );
    raised_at(&run(&mut monitor, 40, value))
}

#[test]
fn a_delay_goes_on_over_a_restart_if_the_value_is_still_beyond_and_begins_anew_if_not() {
    let beyond = |_: f64| 210.0;
    let first = carried(0, beyond)[0];
    close(&carried(7, beyond), &[first - 7.0]);
    // Back once, and the earlier time counts no more.
    let back = |t: f64| if t < 2.5 { 190.0 } else { 210.0 };
    close(&carried(7, back), &carried(0, back));
    let dips = |t: f64| if (1.5..2.5).contains(&t) { 190.0 } else { 210.0 };
    close(&carried(7, dips), &carried(0, dips));
    assert_eq!(carried(7, |_| 190.0), Vec::<f64>::new());
}

#[test]
fn what_has_passed_of_a_delay_is_told_while_it_runs() {
    let mut bench = Bench::new(alarm(limit(Side::Above, 200.0, 1.0, 10, 0)));
    let mut monitor = bench.monitor();
    assert_eq!(status(&monitor, 0.0).waited, None);
    run(&mut monitor, 4, |_| 210.0);
    let waited = status(&monitor, 4.0).waited.unwrap().as_secs_f64();
    assert!((2.0..=4.0).contains(&waited), "{waited}");
    let mut standing = Bench::new(alarm(limit(Side::Above, 200.0, 1.0, 2, 0)));
    let mut monitor = standing.monitor();
    run(&mut monitor, 8, |_| 210.0);
    assert_eq!(status(&monitor, 8.0).waited, None, "it has raised");
}
