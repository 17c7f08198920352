//! What alarms do after a restart, beside alarms of other stations and controllers, with ids that nothing has, and with
//! values that stand alone.

use crate::support::*;
use setward_alarm::{
    AlarmId, AlarmSettings, AlarmState, AverageReference, BatchEdge, Blindness, CommunicationSettings,
    Forecast, Kind, Leak, MeasurementSettings, Monitor, MovingAverageSettings, Reference, Restored, Side,
    TimeWeightedSettings, Watched, Width, WishError,
};
use setward_protocol::{ControllerId, Mode, ModeSet, NoData, Reading, Sample, SignalId, StationId, Uptime};
use std::num::NonZeroU8;
use std::time::Duration;

fn restored(state: AlarmState, exposure: f64) -> Restored {
    Restored {
        state,
        occurrence: 7,
        was_told: true,
        drops_exposure: false,
        exposure,
        waited: Duration::ZERO,
        shelved_until: None,
        shelved_once: false,
        out_of_service: false,
    }
}

/// Two thirds of 3000 s had passed at the reference temperature: 1000 s are left, 100 s at 33 K more.
#[test]
fn a_batch_goes_on_after_a_restart_with_the_dose_it_had() {
    let mut bench = Bench::new(&[alarm(equivalent(Some(1000.0), Some(3000.0)))]);
    let mut monitor = bench.monitor();
    monitor.restore(ALARM, restored(AlarmState::Normal, 2.0 / 3.0));
    let events = run(&mut monitor, 0, 200, |_| 128.0);
    close(&raised_at(&events), &[100.0], 1e-6);
}

/// The first batch ended in order, with most of a dose. The run stops while the kettle is idle, and is back when the next
/// batch is hot: that one is given nothing it did not get.
#[test]
fn a_batch_that_is_over_leaves_the_next_one_no_dose_over_a_restart() {
    let mut bench = Bench::new(&[alarm(equivalent(Some(1000.0), Some(3000.0)))]);
    let mut monitor = bench.monitor();
    monitor.handle_batch(at(0.0), ALARM, BatchEdge::Begins);
    run(&mut monitor, 0, 2400, |_| 95.0);
    close(&[monitor.carried(ALARM).unwrap()], &[0.8], 1e-9);
    monitor.handle_batch(at(2400.0), ALARM, BatchEdge::Ends);
    close(&[monitor.exposure(ALARM).unwrap()], &[0.8], 1e-9);
    let carried = monitor.carried(ALARM).unwrap();
    let mut bench = Bench::new(&[alarm(equivalent(Some(1000.0), Some(3000.0)))]);
    let mut monitor = bench.monitor();
    monitor.restore(ALARM, restored(AlarmState::Normal, carried));
    assert_eq!(run(&mut monitor, 0, 1000, |_| 95.0), [], "600 s more would have been too much");
    assert_eq!(monitor.exposure(ALARM), Some(0.0));
}

/// What never fades belongs to its batch, what fades by itself belongs to none.
#[test]
fn exposure_without_recovery_is_carried_over_a_restart_until_its_batch_ends() {
    for (recovery, goes_on) in [(None, false), (FRYER_COLD.recovery, true)] {
        let mut bench = Bench::new(&[alarm(weighted(TimeWeightedSettings { recovery, ..FRYER_COLD }))]);
        let mut monitor = bench.monitor();
        monitor.handle_batch(at(0.0), ALARM, BatchEdge::Begins);
        run(&mut monitor, 0, 60, |_| 177.0);
        let share = monitor.exposure(ALARM);
        assert!(share.unwrap() > 0.4, "{share:?}");
        assert_eq!(monitor.carried(ALARM), share);
        monitor.handle_batch(at(60.0), ALARM, BatchEdge::Ends);
        assert_eq!(monitor.carried(ALARM), if goes_on { share } else { Some(0.0) });
        assert_eq!(monitor.exposure(ALARM), share, "it is shown all the same");
        monitor.handle_batch(at(61.0), ALARM, BatchEdge::Begins);
        run(&mut monitor, 61, 100, |_| 177.0);
        assert_eq!(monitor.carried(ALARM), monitor.exposure(ALARM));
        assert!(monitor.carried(ALARM).unwrap() > 0.2);
    }
}

/// No batch was under way: nothing is counted until one begins.
#[test]
fn after_a_restart_between_batches_nothing_is_counted() {
    for exposure in [0.0, f64::NAN] {
        let mut bench = Bench::new(&[alarm(equivalent(None, Some(3000.0)))]);
        let mut monitor = bench.monitor();
        monitor.restore(ALARM, restored(AlarmState::Normal, exposure));
        assert_eq!(run(&mut monitor, 0, 1000, |_| 128.0), []);
        assert_eq!(monitor.exposure(ALARM), Some(0.0), "{exposure}");
    }
}

#[test]
fn an_exposure_that_is_no_number_is_none_after_a_restart() {
    let mut bench = Bench::new(&[alarm(weighted(FRYER_COLD))]);
    let mut monitor = bench.monitor();
    monitor.restore(ALARM, restored(AlarmState::Normal, f64::NAN));
    assert_eq!(monitor.exposure(ALARM), Some(0.0));
}

/// A bit that was set too often when the run before ended, and is not now: it clears once enough is known.
#[test]
fn a_share_of_time_that_stood_clears_after_a_restart() {
    let mut bench = Bench::new(&[alarm(status(&[1], 0.0, 0.0, Some((0.2, 60.0))))]);
    let mut monitor = bench.monitor();
    monitor.restore(ALARM, restored(AlarmState::Acknowledged, 0.0));
    let events = run(&mut monitor, 0, 100, |_| 0.0);
    assert_eq!((raised_at(&events).len(), cleared_at(&events).len()), (0, 1), "{events:?}");
}

/// Whatever the kind: what stood when the run before ended clears once the value is back, and is not called for again while it is not.
#[test]
fn what_stood_before_a_restart_clears_when_it_is_over_and_calls_nobody_anew() {
    let mean = MovingAverageSettings {
        side: Side::Above,
        reference: AverageReference::Limit(190.0),
        deadband: 1.0,
        window: seconds(15.0),
        coverage: 0.75,
        ceiling: None,
    };
    let rising = |t: f64| 182.0 + t / 10.0;
    // What it is, and how it goes on while it is not over.
    let kinds: [(Kind, &dyn Fn(f64) -> f64); 7] = [
        (limit(Side::Above, 190.0, 1.0, 0.0, 0.0), &|_| 195.0),
        (deviation(None, Reference::Recipe, Width::Tolerance, 0.0, 0.0), &|_| 195.0),
        (weighted(FRYER_COLD), &|_| 160.0),
        (average(mean), &|_| 195.0),
        (rate(Side::Above, 2.0, 60.0, None), &rising),
        (status(&[195], 0.0, 0.0, None), &|_| 195.0),
        (drift(0.5, 4.0, 20.0, 0.5), &|_| 195.0),
    ];
    for (kind, goes_on) in kinds {
        let mut bench = Bench::new(&[alarm(kind)]);
        let mut monitor = bench.monitor();
        monitor.restore(ALARM, restored(AlarmState::Acknowledged, 2.0));
        assert_eq!(turns(&run(&mut monitor, 0, 120, goes_on)), [], "{kind:?} goes on");
        let over = turns(&run(&mut monitor, 121, 2000, |_| 182.0));
        assert!(matches!(over[..], [(_, false)]), "{kind:?} is over: {over:?}");
        let mut bench = Bench::new(&[alarm(kind)]);
        let mut monitor = bench.monitor();
        monitor.restore(ALARM, restored(AlarmState::Acknowledged, 2.0));
        let over = turns(&run(&mut monitor, 0, 1200, |_| 182.0));
        assert!(matches!(over[..], [(_, false)]), "{kind:?} was over when the run began: {over:?}");
    }
}

/// An alarm with a leak that stands a little beyond its tolerance, where exposure leaks away as fast as it comes: it stays.
#[test]
fn a_leak_that_stands_and_is_still_beyond_is_foreseen_to_stay() {
    let leaking = TimeWeightedSettings { leak: Leak::Always { pick_up: 1.0 }, ..FRYER_COLD };
    let mut bench = Bench::new(&[alarm(weighted(leaking))]);
    let mut monitor = bench.monitor();
    let mut events = run(&mut monitor, 0, 120, |_| 165.0);
    assert_eq!(raised_at(&events).len(), 1);
    events.extend(run(&mut monitor, 121, 122, |_| RECIPE.setpoint - RECIPE.tolerance_below - 0.1));
    let status = monitor.status(ALARM, at(122.0)).unwrap();
    assert_eq!((status.state, status.forecast), (AlarmState::Unacknowledged, Forecast::StaysActive));
}

/// Acknowledged, and still a sigma and a half above, which is less than it takes to clear: no person has anything to do.
#[test]
fn a_drift_that_stands_over_a_restart_neither_clears_nor_calls_anew() {
    let mut bench = Bench::new(&[alarm(drift(0.5, 4.0, 20.0, 0.5))]);
    let mut monitor = bench.monitor();
    monitor.restore(ALARM, restored(AlarmState::Acknowledged, 2.0));
    assert_eq!(turns(&run(&mut monitor, 0, 600, |_| 182.75)), []);
}

#[test]
fn a_drift_goes_on_after_a_restart_with_the_sum_it_had_and_with_none_if_that_is_no_number() {
    for (exposure, means) in [(0.75, 1.0), (0.0, 4.0), (f64::NAN, 4.0), (-1.0, 4.0)] {
        let mut bench = Bench::new(&[alarm(drift(0.5, 4.0, 20.0, 0.5))]);
        let mut monitor = bench.monitor();
        monitor.restore(ALARM, restored(AlarmState::Normal, exposure));
        // Each mean of a minute adds one.
        let events = run(&mut monitor, 0, 600, |_| 182.75);
        close(&raised_at(&events), &[60.0 * means], 1e-3);
    }
}

#[test]
fn a_drift_without_a_recipe_finds_nothing() {
    let mut bench = Bench::new(&[alarm(drift(0.5, 4.0, 20.0, 0.5))]);
    let mut monitor = bench.monitor();
    monitor.handle_target(SIGNAL, None);
    assert_eq!(run(&mut monitor, 0, 3600, |_| 170.0), []);
}

fn communication(controller: ControllerId) -> AlarmSettings {
    let kind = Kind::Communication(CommunicationSettings { polls: 3, at_least: seconds(10.0) });
    let watches = Watched::Controller(controller);
    AlarmSettings { watches, controller: Some(controller), station: None, ..alarm(kind) }
}

/// Two controllers with a value alarm each; one goes silent.
#[test]
fn a_silent_controller_blinds_its_own_alarms_and_no_others() {
    let other = ControllerId(1);
    let hot = |signal: SignalId, controller: ControllerId| AlarmSettings {
        watches: Watched::Signal(signal),
        controller: Some(controller),
        ..alarm(limit(Side::Above, 190.0, 1.0, 0.0, 0.0))
    };
    let mut bench = Bench::new(&[
        hot(SIGNAL, CONTROLLER),
        hot(OTHER, other),
        communication(CONTROLLER),
        communication(other),
    ]);
    let mut monitor = bench.monitor();
    for second in 0..30 {
        let now = at(f64::from(second));
        monitor.handle_controller(now, CONTROLLER, false);
        monitor.handle_controller(now, other, true);
        monitor.handle_sample(&Sample { signal: SIGNAL, at: now, reading: Reading::Bad(NoData::NoReply) });
        monitor.handle_sample(&Sample { signal: OTHER, at: now, reading: Reading::Good(182.0) });
    }
    let raised: Vec<AlarmId> = drain(&mut monitor).iter().map(|event| event.alarm).collect();
    assert_eq!(raised, [AlarmId(2)]);
    assert_eq!(monitor.blindness(AlarmId(0), at(29.0)), Some(Blindness::NoCommunication));
    assert_eq!(monitor.blindness(AlarmId(1), at(29.0)), None);
}

#[test]
fn a_wash_of_one_station_silences_no_other() {
    let own =
        AlarmSettings { modes: ModeSet::of(&[Mode::Run]), ..alarm(limit(Side::Above, 190.0, 1.0, 0.0, 0.0)) };
    let mut bench = Bench::new(&[own, AlarmSettings { station: Some(StationId(1)), ..own }]);
    let mut monitor = bench.monitor();
    monitor.handle_mode(at(0.0), STATION, Mode::Cleaning);
    run(&mut monitor, 0, 3, |_| 182.0);
    assert_eq!(monitor.blindness(AlarmId(0), at(3.0)), Some(Blindness::Mode));
    assert_eq!(monitor.blindness(AlarmId(1), at(3.0)), None);
}

/// A probe's own alarm blinds the others on it, a cause hides them, a wait comes after both: each is told as what it is.
#[test]
fn hidden_blinded_and_waiting_are_told_apart() {
    let hot = AlarmSettings { settle: seconds(60.0), ..alarm(limit(Side::Above, 190.0, 1.0, 0.0, 0.0)) };
    let hotter = alarm(limit(Side::Above, 200.0, 1.0, 0.0, 0.0));
    let probe = alarm(Kind::Measurement(MeasurementSettings { bad_for: seconds(10.0) }));
    let mut bench = Bench::new(&[hot, hotter, probe]);
    let mut monitor = bench.monitor();
    monitor.hide(AlarmId(1), ALARM).unwrap();
    let why = |monitor: &Monitor<'_>, second: f64| monitor.blindness(ALARM, at(second));
    run(&mut monitor, 0, 5, |_| 210.0);
    assert_eq!(why(&monitor, 5.0), Some(Blindness::HiddenByCause));
    run(&mut monitor, 6, 8, |_| 195.0);
    assert_eq!(
        why(&monitor, 8.0),
        Some(Blindness::Settling),
        "its cause has gone, the value is not back yet"
    );
    run(&mut monitor, 9, 12, |_| 180.0);
    assert_eq!(why(&monitor, 12.0), None);
    for second in 13..40 {
        feed(&mut monitor, SIGNAL, f64::from(second), Reading::Bad(NoData::SensorFault));
    }
    assert_eq!(why(&monitor, 39.0), Some(Blindness::BadSignal));
    assert!(monitor.status(ALARM, at(39.0)).unwrap().flags.suppressed.bad_measurement);
}

/// What people enter is judged value by value: three in a row beyond, however far apart; one that is back begins anew, and
/// what a person takes back did not count.
#[test]
fn entered_values_raise_with_the_last_of_a_row_and_what_is_taken_back_does_not_count() {
    let entered = AlarmSettings {
        in_a_row: NonZeroU8::new(3),
        poll_every: Duration::ZERO,
        ..alarm(limit(Side::Above, 1.8, 0.1, 0.0, 0.0))
    };
    let taken_back = Reading::Bad(NoData::SensorFault);
    let raised = |readings: &[Reading]| {
        let mut bench = Bench::new(&[entered]);
        let mut monitor = bench.monitor();
        let each = readings.iter().zip(1_u32..);
        let events: Vec<_> = each
            .flat_map(|(reading, hour)| feed(&mut monitor, SIGNAL, 3600.0 * f64::from(hour), *reading))
            .collect();
        raised_at(&events)
    };
    let (moist, dry) = (Reading::Good(1.9), Reading::Good(1.5));
    assert_eq!(raised(&[moist, moist, moist]), [3.0 * 3600.0]);
    assert_eq!(raised(&[moist, moist, dry, moist, moist]), []);
    assert_eq!(raised(&[moist, moist, taken_back, moist]), []);
    assert_eq!(raised(&[moist, moist, taken_back, moist, moist]), [5.0 * 3600.0]);
}

/// Two entries within the seconds over which measured values are joined by a line: they stand alone all the same.
#[test]
fn entered_values_a_second_apart_are_three_values_and_no_line() {
    let entered =
        AlarmSettings { in_a_row: NonZeroU8::new(3), ..alarm(limit(Side::Above, 1.8, 0.1, 0.0, 0.0)) };
    let mut bench = Bench::new(&[entered]);
    assert_eq!(raised_at(&run(&mut bench.monitor(), 1, 3, |_| 1.9)), [3.0]);
}

/// Exposure that never fades belongs to its batch: the next one begins with none, and with no alarm.
#[test]
fn exposure_without_recovery_ends_with_its_batch() {
    let mut bench = Bench::new(&[alarm(weighted(TimeWeightedSettings { recovery: None, ..FRYER_COLD }))]);
    let mut monitor = bench.monitor();
    assert_eq!(raised_at(&run(&mut monitor, 0, 120, |_| 170.0)).len(), 1);
    monitor.handle_batch(at(121.0), ALARM, BatchEdge::Begins);
    close(&cleared_at(&drain(&mut monitor)), &[121.0], 0.0);
    assert_eq!(monitor.exposure(ALARM), Some(0.0));
}

/// It fades by a factor of e each 90 s: from full to a hundredth in 414 s, ln 100 times as long.
#[test]
fn an_alarm_that_clears_late_stands_until_all_but_a_hundredth_has_faded() {
    let mut bench = Bench::new(&[alarm(weighted(TimeWeightedSettings { clear_below: 0.01, ..FRYER_COLD }))]);
    let mut monitor = bench.monitor();
    let mut events = run(&mut monitor, 0, 200, |t| if t <= 80.0 { 176.0 } else { 182.0 });
    let share = monitor.exposure(ALARM).unwrap();
    events.extend(run(&mut monitor, 201, 900, |_| 182.0));
    close(&cleared_at(&events), &[200.0 + 90.0 * (share / 0.01).ln()], 1e-6);
    assert_eq!(raised_at(&events).len(), 1);
}

#[test]
fn a_value_is_within_tolerance_up_to_both_ends_and_what_is_no_number_is_not() {
    let within = [179.0, 182.0, 186.0].map(|value| RECIPE.is_within_tolerance(value));
    let beyond = [178.9, 186.1, f64::NAN].map(|value| RECIPE.is_within_tolerance(value));
    assert_eq!((within, beyond), ([true; 3], [false; 3]));
}

/// A raise in a wash calls nobody, one on the run does, its clearing does not.
#[test]
fn only_a_raise_that_is_told_is_an_annunciation() {
    let own =
        AlarmSettings { modes: ModeSet::of(&[Mode::Run]), ..alarm(limit(Side::Above, 190.0, 1.0, 0.0, 0.0)) };
    let mut bench = Bench::new(&[own]);
    let mut monitor = bench.monitor();
    monitor.handle_mode(at(0.0), STATION, Mode::Cleaning);
    let mut events = run(&mut monitor, 1, 4, |t| if t <= 2.0 { 195.0 } else { 182.0 });
    monitor.handle_mode(at(5.0), STATION, Mode::Run);
    events.extend(run(&mut monitor, 6, 9, |t| if t <= 7.0 { 195.0 } else { 182.0 }));
    let turned: Vec<_> = events.iter().map(|event| (event.silent, event.annunciates())).collect();
    assert_eq!(turned.iter().filter(|one| one.1).count(), 1, "{events:?}");
    assert!(turned.iter().any(|one| one.0) && turned.iter().all(|one| !(one.0 && one.1)), "{events:?}");
}

#[test]
fn an_id_that_nothing_has_changes_nothing_and_is_named_where_a_person_asks() {
    let nothing = AlarmId(9);
    let mut bench = Bench::new(&[alarm(limit(Side::Above, 190.0, 1.0, 0.0, 0.0))]);
    let mut monitor = bench.monitor();
    run(&mut monitor, 0, 3, |_| 182.0);
    let before = monitor.status(ALARM, at(3.0));
    monitor.restore(nothing, restored(AlarmState::Unacknowledged, 1.0));
    monitor.handle_batch(at(3.0), nothing, BatchEdge::Begins);
    monitor.handle_condition(at(3.0), nothing, false);
    monitor.handle_target(SignalId(9), Some(RECIPE));
    monitor.handle_controller(at(3.0), ControllerId(9), false);
    monitor.handle_sample(&Sample { signal: SignalId(9), at: at(3.0), reading: Reading::Good(999.0) });
    let wishes = [
        monitor.handle_acknowledge(at(3.0), nothing, 1).map(|_| ()),
        monitor.handle_reset(at(3.0), nothing, 1),
        monitor.handle_shelve(at(3.0), nothing, at(60.0)),
        monitor.handle_unshelve(at(3.0), nothing),
        monitor.handle_service(at(3.0), nothing, false),
    ];
    assert_eq!(wishes, [Err(WishError::NoSuchAlarm); 5]);
    assert_eq!(monitor.status(nothing, at(3.0)), None);
    assert_eq!((drain(&mut monitor), monitor.status(ALARM, at(3.0))), (vec![], before));
    assert!(monitor.poll_timeout().is_none_or(|due| due > Uptime::START));
}
