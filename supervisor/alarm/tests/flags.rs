//! What keeps alarms silent, and the kinds that blind others: modes, conditions, causes, shelves, bad signals, lost
//! controllers.
#![expect(clippy::unwrap_used, reason = "a test: a panic is a failed test")]

use setward_alarm::{
    AlarmEvent, AlarmId, AlarmSettings, AlarmState, Allowance, Blindness, CommunicationSettings,
    DeviationSettings, Forecast, Happening, Head, Kind, Leak, LimitSettings, MeasurementSettings, Monitor,
    Reference, Restored, Side, Slot, Target, TimeWeightedSettings, Watched, Width, events_needed,
};
use setward_protocol::{ControllerId, Mode, ModeSet, NoData, Reading, Sample, SignalId, StationId, Uptime};
use std::time::Duration;

const OIL: SignalId = SignalId(0);
const OTHER: SignalId = SignalId(1);
const FRYER: StationId = StationId(0);
const PLC: ControllerId = ControllerId(0);

fn seconds(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

fn at(second: f64) -> Uptime {
    Uptime::from_secs_f64(second)
}

fn hot(on_s: u64) -> Kind {
    let (on_delay, off_delay) = (seconds(on_s), Duration::ZERO);
    Kind::Limit(LimitSettings { side: Side::Above, limit: 190.0, deadband: 1.0, on_delay, off_delay })
}

fn cold_for_too_long() -> Kind {
    Kind::TimeWeighted(TimeWeightedSettings {
        side: Side::Below,
        allowance: Allowance::Area(240.0),
        recovery: Some(seconds(90)),
        shape: 1.0,
        clear_below: 0.5,
        leak: Leak::Inside,
    })
}

fn on(kind: Kind) -> AlarmSettings {
    AlarmSettings {
        watches: Watched::Signal(OIL),
        kind,
        latching: false,
        poll_every: seconds(1),
        gap_limit: seconds(3),
        station: Some(FRYER),
        controller: Some(PLC),
        modes: ModeSet::of(&[Mode::Run]),
        settle: Duration::ZERO,
        realarm_after: None,
        hides_for: None,
        shelve_most: None,
        group: None,
        in_a_row: None,
    }
}

fn measurement() -> AlarmSettings {
    AlarmSettings {
        modes: ModeSet::ALL,
        ..on(Kind::Measurement(MeasurementSettings { bad_for: seconds(10) }))
    }
}

fn communication() -> AlarmSettings {
    let kind = Kind::Communication(CommunicationSettings { polls: 3, at_least: seconds(10) });
    AlarmSettings { watches: Watched::Controller(PLC), modes: ModeSet::ALL, ..on(kind) }
}

const RECIPE: Target = Target {
    setpoint: 182.0,
    tolerance_below: 3.0,
    tolerance_above: 3.0,
    latitude: Some(2.0),
    specification: Some((176.0, 188.0)),
};

struct Bench {
    slots: Vec<Slot>,
    heads: Vec<Head>,
}

impl Bench {
    fn new(alarms: &[AlarmSettings]) -> Self {
        Self { slots: alarms.iter().map(|one| Slot::new(*one)).collect(), heads: vec![Head::default(); 2] }
    }

    fn monitor(&mut self) -> Monitor<'_> {
        let mut monitor = Monitor::new(&mut self.slots, &mut self.heads, &mut []);
        monitor.handle_target(OIL, Some(RECIPE));
        monitor
    }
}

fn feed(monitor: &mut Monitor<'_>, second: f64, reading: Reading) {
    while monitor.poll_timeout().is_some_and(|due| due <= at(second)) {
        let due = monitor.poll_timeout().unwrap();
        monitor.handle_timeout(due);
        if monitor.poll_timeout() == Some(due) {
            break;
        }
    }
    monitor.handle_sample(&Sample { signal: OIL, at: at(second), reading });
}

fn good(monitor: &mut Monitor<'_>, from: u32, to: u32, value: f64) {
    for second in from..to {
        feed(monitor, f64::from(second), Reading::Good(value));
    }
}

/// What was told of one alarm, each with its second and whether it was silent.
fn told(events: &[AlarmEvent], alarm: u16) -> Vec<(&'static str, f64, bool)> {
    let word = |what: Happening| match what {
        Happening::Raised { .. } => "raised",
        Happening::Cleared => "cleared",
        Happening::Lapsed => "lapsed",
        Happening::Acknowledged => "acknowledged",
        Happening::Reset => "reset",
        Happening::Realarmed => "told anew",
        Happening::Shelved { .. } => "shelved",
        Happening::Unshelved => "unshelved",
        Happening::OutOfService => "out",
        Happening::ReturnedToService => "in",
        Happening::Silenced => "silenced",
    };
    let own = events.iter().filter(|event| event.alarm == AlarmId(alarm));
    own.map(|event| (word(event.what), (event.at.as_secs_f64() * 1e3).round() / 1e3, event.silent)).collect()
}

fn drain(monitor: &mut Monitor<'_>) -> Vec<AlarmEvent> {
    std::iter::from_fn(|| monitor.poll_event()).collect()
}

fn letter(monitor: &Monitor<'_>, alarm: u16, second: f64) -> char {
    let status = monitor.status(AlarmId(alarm), at(second)).unwrap();
    status.flags.letter(status.state)
}

/// A boil-out: water at 95 degC for hours. Nothing is told, nothing is left over when the oil is hot again.
#[test]
fn cleaning_is_silent_and_leaves_no_exposure_behind() {
    let mut bench = Bench::new(&[on(cold_for_too_long())]);
    let mut monitor = bench.monitor();
    monitor.handle_mode(at(0.0), FRYER, Mode::Cleaning);
    good(&mut monitor, 0, 4000, 95.0);
    assert_eq!(letter(&monitor, 0, 3999.0), 'H');
    assert_eq!(monitor.status(AlarmId(0), at(3999.0)).unwrap().exposure, Some(3.0), "it goes on underneath");
    good(&mut monitor, 4000, 4010, 182.0);
    monitor.handle_mode(at(4009.5), FRYER, Mode::Run);
    good(&mut monitor, 4010, 4100, 182.0);
    let events = drain(&mut monitor);
    assert!(events.iter().all(|event| event.silent || event.what == Happening::Cleared), "{events:?}");
    assert_eq!(letter(&monitor, 0, 4099.0), 'A');
    assert_eq!(monitor.status(AlarmId(0), at(4099.0)).unwrap().exposure, Some(0.0));
}

#[test]
fn what_still_holds_when_a_suppression_ends_is_told_anew() {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    monitor.handle_mode(at(0.0), FRYER, Mode::HeatUp);
    good(&mut monitor, 0, 60, 195.0);
    monitor.handle_mode(at(60.0), FRYER, Mode::Run);
    let events = drain(&mut monitor);
    assert_eq!(told(&events, 0), [("raised", 5.0, true), ("raised", 60.0, false)]);
    assert_eq!(events[1].occurrence, 2, "what a person acknowledges is what a person was told");
    assert_eq!(letter(&monitor, 0, 60.0), 'B');
}

#[test]
fn what_has_gone_when_a_suppression_ends_is_never_told() {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    monitor.handle_mode(at(0.0), FRYER, Mode::HeatUp);
    good(&mut monitor, 0, 60, 195.0);
    good(&mut monitor, 60, 100, 182.0);
    monitor.handle_mode(at(100.0), FRYER, Mode::Run);
    assert!(drain(&mut monitor).iter().all(|event| event.silent || event.what == Happening::Lapsed));
    assert_eq!(letter(&monitor, 0, 100.0), 'A');
}

#[test]
fn settling_waits_its_time_and_ends_early_once_the_value_is_within() {
    for (warm_from, expected) in [(1000, Some(200.0 + 180.0)), (230, None)] {
        let settings = AlarmSettings { settle: seconds(180), ..on(hot(5)) };
        let mut bench = Bench::new(&[settings]);
        let mut monitor = bench.monitor();
        monitor.handle_mode(at(0.0), FRYER, Mode::HeatUp);
        good(&mut monitor, 0, 200, 195.0);
        monitor.handle_mode(at(200.0), FRYER, Mode::Run);
        for second in 200..600 {
            let value = if second < warm_from { 195.0 } else { 182.0 };
            feed(&mut monitor, f64::from(second), Reading::Good(value));
        }
        let events = drain(&mut monitor);
        let loud: Vec<f64> = told(&events, 0)
            .into_iter()
            .filter(|(word, _, silent)| *word == "raised" && !silent)
            .map(|(_, second, _)| second)
            .collect();
        assert_eq!(loud, expected.into_iter().collect::<Vec<f64>>());
        if expected.is_none() {
            let flags = monitor.status(AlarmId(0), at(231.0)).unwrap().flags;
            assert!(!flags.are_silencing(), "within since 230 s: {flags:?}");
        }
    }
}

#[test]
fn a_condition_that_does_not_hold_keeps_an_alarm_silent() {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    monitor.handle_condition(at(0.0), AlarmId(0), false);
    good(&mut monitor, 0, 60, 195.0);
    assert!(drain(&mut monitor).iter().all(|event| event.silent));
    monitor.handle_condition(at(60.0), AlarmId(0), true);
    assert_eq!(told(&drain(&mut monitor), 0), [("raised", 60.0, false)]);
}

/// The high limit hides the low one, and uncovers it when it is gone.
#[test]
fn a_cause_hides_its_consequence_until_it_is_gone() {
    let higher = Kind::Limit(LimitSettings {
        side: Side::Above,
        limit: 200.0,
        deadband: 1.0,
        on_delay: Duration::ZERO,
        off_delay: Duration::ZERO,
    });
    let mut bench = Bench::new(&[on(higher), on(hot(5))]);
    let mut monitor = bench.monitor();
    monitor.hide(AlarmId(0), AlarmId(1)).unwrap();
    good(&mut monitor, 0, 20, 210.0);
    let hidden = monitor.status(AlarmId(1), at(19.0)).unwrap();
    assert_eq!(hidden.flags.suppressed.hidden_by, Some(AlarmId(0)));
    assert_eq!(told(&drain(&mut monitor), 1), [("raised", 5.0, true)]);
    good(&mut monitor, 20, 30, 195.0);
    let events = drain(&mut monitor);
    assert_eq!(told(&events, 0).last().unwrap().0, "cleared");
    assert_eq!(told(&events, 1).len(), 1);
    assert_eq!((told(&events, 1)[0].0, told(&events, 1)[0].2), ("raised", false));
}

/// A zone that is cold explains a cold fryer for a while. What is still out then has a cause of its own, or needs hands.
#[test]
fn a_cause_that_hides_for_so_long_uncovers_what_stands_at_that_moment() {
    let cause = AlarmSettings { hides_for: Some(seconds(60)), ..on(hot(0)) };
    let mut bench = Bench::new(&[cause, AlarmSettings { settle: seconds(180), ..on(hot(5)) }]);
    let mut monitor = bench.monitor();
    monitor.hide(AlarmId(0), AlarmId(1)).unwrap();
    good(&mut monitor, 0, 100, 195.0);
    let events = drain(&mut monitor);
    assert_eq!(told(&events, 0), [("raised", 0.0, false)]);
    // No wait of 180 s: nothing has returned.
    assert_eq!(told(&events, 1), [("raised", 5.0, true), ("raised", 60.0, false)]);

    // Another trouble is another sixty seconds.
    good(&mut monitor, 100, 120, 180.0);
    good(&mut monitor, 120, 200, 195.0);
    let events = drain(&mut monitor);
    let raised: Vec<_> = told(&events, 1).into_iter().filter(|event| event.0 == "raised").collect();
    let [(_, began, true), (_, uncovered, false)] = raised.as_slice() else { panic!("{raised:?}") };
    let cause = told(&events, 0).last().unwrap().1;
    assert!(
        (began - cause - 5.0).abs() < 1e-6 && (uncovered - cause - 60.0).abs() < 1e-6,
        "{raised:?} {cause}"
    );
}

/// For how long a cause has hidden others before the program stopped is not known: what follows from it speaks.
#[test]
fn after_a_restart_a_cause_that_hides_for_so_long_hides_nothing_more() {
    let cause = AlarmSettings { hides_for: Some(seconds(60)), ..on(hot(0)) };
    let mut bench = Bench::new(&[cause, on(hot(5))]);
    let mut monitor = bench.monitor();
    monitor.hide(AlarmId(0), AlarmId(1)).unwrap();
    let standing = Restored {
        state: AlarmState::Unacknowledged,
        occurrence: 1,
        was_told: true,
        drops_exposure: false,
        exposure: 0.0,
        waited: Duration::ZERO,
        shelved_until: None,
        shelved_once: false,
        out_of_service: false,
    };
    monitor.restore(AlarmId(0), standing);
    good(&mut monitor, 0, 20, 195.0);
    assert_eq!(told(&drain(&mut monitor), 1), [("raised", 5.0, false)]);
}

#[test]
fn a_hidden_or_shelved_cause_hides_nothing() {
    let mut bench = Bench::new(&[on(hot(0)), on(hot(0)), on(hot(0))]);
    let mut monitor = bench.monitor();
    monitor.hide(AlarmId(0), AlarmId(1)).unwrap();
    monitor.hide(AlarmId(1), AlarmId(2)).unwrap();
    good(&mut monitor, 0, 10, 195.0);
    let hidden = |monitor: &Monitor<'_>, alarm: u16| {
        monitor.status(AlarmId(alarm), at(9.0)).unwrap().flags.suppressed.hidden_by
    };
    assert_eq!((hidden(&monitor, 1), hidden(&monitor, 2)), (Some(AlarmId(0)), None));
    monitor.handle_shelve(at(10.0), AlarmId(0), at(100.0)).unwrap();
    assert_eq!((hidden(&monitor, 1), hidden(&monitor, 2)), (None, Some(AlarmId(1))));
}

#[test]
fn a_shelf_has_an_end_and_what_stands_then_is_told_anew() {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    good(&mut monitor, 0, 10, 195.0);
    monitor.handle_shelve(at(10.0), AlarmId(0), at(60.0)).unwrap();
    assert_eq!(letter(&monitor, 0, 10.0), 'G');
    good(&mut monitor, 11, 70, 195.0);
    let events = drain(&mut monitor);
    let expected = [
        ("raised", 5.0, false),
        ("shelved", 10.0, true),
        ("silenced", 10.0, true),
        ("unshelved", 60.0, false),
        ("raised", 60.0, false),
    ];
    assert_eq!(told(&events, 0), expected);
    assert_eq!(letter(&monitor, 0, 69.0), 'B');
}

#[test]
fn out_of_service_lasts_until_maintenance_returns_it() {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    monitor.handle_service(at(0.0), AlarmId(0), false).unwrap();
    monitor.handle_service(at(0.0), AlarmId(0), false).unwrap();
    good(&mut monitor, 0, 1000, 195.0);
    assert_eq!(letter(&monitor, 0, 999.0), 'I');
    monitor.handle_service(at(1000.0), AlarmId(0), true).unwrap();
    let words: Vec<_> = told(&drain(&mut monitor), 0);
    assert_eq!(
        words,
        [("out", 0.0, true), ("raised", 5.0, true), ("in", 1000.0, false), ("raised", 1000.0, false)]
    );
}

#[test]
fn flags_are_carried_over_a_restart() {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    let restored = Restored {
        state: setward_alarm::AlarmState::Unacknowledged,
        occurrence: 7,
        was_told: true,
        drops_exposure: false,
        exposure: 0.0,
        waited: Duration::ZERO,
        shelved_until: Some(at(30.0)),
        shelved_once: false,
        out_of_service: false,
    };
    monitor.restore(AlarmId(0), restored);
    good(&mut monitor, 0, 40, 195.0);
    let events = drain(&mut monitor);
    assert_eq!(told(&events, 0), [("unshelved", 30.0, false), ("raised", 30.0, false)]);
    assert_eq!(events[1].occurrence, 8);
}

/// Shelved while it stood; the shelf ran out while nothing ran.
fn after_an_outage(value: f64) -> Vec<(&'static str, f64, bool)> {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    let restored = Restored {
        state: setward_alarm::AlarmState::Unacknowledged,
        occurrence: 7,
        was_told: true,
        drops_exposure: false,
        exposure: 0.0,
        waited: Duration::ZERO,
        shelved_until: Some(Uptime::START),
        shelved_once: false,
        out_of_service: false,
    };
    monitor.restore(AlarmId(0), restored);
    good(&mut monitor, 1, 10, value);
    told(&drain(&mut monitor), 0)
}

#[test]
fn a_shelf_that_ran_out_while_nothing_ran_is_over_at_the_start() {
    // Still too hot: told anew, but not before the first sample says so.
    assert_eq!(after_an_outage(195.0), [("unshelved", 0.0, true), ("raised", 1.0, false)]);
    // No longer: nobody is called.
    let told = after_an_outage(182.0);
    assert_eq!(told[0], ("unshelved", 0.0, true));
    assert!(told.iter().all(|(what, ..)| *what != "raised"), "{told:?}");
    assert_eq!(told.last().unwrap().0, "lapsed");
}

/// An alarm that nobody was told of, as it stood before a restart.
const fn untold(state: AlarmState) -> Restored {
    Restored {
        state,
        occurrence: 7,
        was_told: false,
        drops_exposure: false,
        exposure: 0.0,
        waited: Duration::ZERO,
        shelved_until: None,
        shelved_once: false,
        out_of_service: false,
    }
}

/// Raised while the line was silent about it, then a restart, after which the line runs.
fn after_a_silence(state: AlarmState, value: f64) -> (Vec<(&'static str, f64, bool)>, char) {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    monitor.restore(AlarmId(0), untold(state));
    good(&mut monitor, 1, 20, value);
    (told(&drain(&mut monitor), 0), letter(&monitor, 0, 19.0))
}

#[test]
fn what_nobody_was_told_of_before_a_restart_waits_for_nobody_after_it() {
    let (told, letter) = after_a_silence(AlarmState::Returned, 182.0);
    assert_eq!((told, letter), (vec![("lapsed", 1.0, false)], 'A'));
}

#[test]
fn what_stands_after_a_restart_and_nobody_was_told_of_is_told_once_a_sample_shows_it() {
    let (told, letter) = after_a_silence(AlarmState::Unacknowledged, 195.0);
    assert_eq!(letter, 'B');
    let calls: Vec<_> = told.iter().filter(|(what, _, silent)| *what == "raised" && !silent).collect();
    assert_eq!(calls.len(), 1, "{told:?}");
    let (told, letter) = after_a_silence(AlarmState::Unacknowledged, 182.0);
    assert!(letter == 'A' && told.iter().all(|(what, ..)| *what != "raised"), "{told:?}");
}

/// Called for, then the line stopped, then a restart, after which it runs and the oil is hot: as without a restart, what was
/// collected while it stood is gone.
#[test]
fn exposure_that_a_stop_left_behind_is_dropped_over_a_restart_too() {
    for was_told in [true, false] {
        let mut bench = Bench::new(&[on(cold_for_too_long())]);
        let mut monitor = bench.monitor();
        let stopped = untold(AlarmState::Unacknowledged);
        let restored = Restored { was_told, drops_exposure: true, exposure: 3.0, ..stopped };
        monitor.restore(AlarmId(0), restored);
        good(&mut monitor, 1, 20, 182.0);
        assert_eq!(told(&drain(&mut monitor), 0), [("cleared", 1.0, false)]);
        assert_eq!(monitor.status(AlarmId(0), at(19.0)).unwrap().exposure, Some(0.0));
    }
}

#[test]
fn a_shelf_for_one_occurrence_is_carried_over_a_restart_as_such() {
    let mut bench = Bench::new(&[on(hot(5))]);
    let mut monitor = bench.monitor();
    let restored = Restored {
        state: setward_alarm::AlarmState::Normal,
        occurrence: 7,
        was_told: true,
        drops_exposure: false,
        exposure: 0.0,
        waited: Duration::ZERO,
        shelved_until: Some(at(3600.0)),
        shelved_once: true,
        out_of_service: false,
    };
    monitor.restore(AlarmId(0), restored);
    good(&mut monitor, 0, 20, 195.0);
    good(&mut monitor, 20, 30, 182.0);
    let told = told(&drain(&mut monitor), 0);
    let expected: Vec<&str> = told.iter().map(|(what, ..)| *what).collect();
    assert_eq!(expected, ["raised", "cleared", "unshelved", "lapsed"], "{told:?}");
    good(&mut monitor, 30, 40, 195.0);
    assert_eq!(letter(&monitor, 0, 39.0), 'B', "it speaks again");
}

/// A thousand alarms stand when their controller is lost, and all go silent at once; then it is back.
fn lose_a_thousand(lent: usize) -> (usize, u64) {
    let mut settings = vec![on(hot(0)); 1000];
    settings.push(communication());
    let mut bench = Bench::new(&settings);
    let mut places = vec![None; lent];
    let mut monitor = bench.monitor();
    monitor.lend_events(&mut places);
    monitor.handle_controller(at(0.0), PLC, true);
    feed(&mut monitor, 0.0, Reading::Good(182.0));
    feed(&mut monitor, 1.0, Reading::Good(195.0));
    let mut told = drain(&mut monitor).len();
    for second in 2..20 {
        monitor.handle_controller(at(f64::from(second)), PLC, false);
        told += drain(&mut monitor).len();
    }
    (told, monitor.losses().0)
}

#[test]
fn with_places_lent_no_event_is_lost_however_many_alarms_one_input_moves() {
    // A thousand raised, the controller's own, a thousand silenced.
    assert_eq!(lose_a_thousand(events_needed(1001)), (2001, 0));
    let (told, lost) = lose_a_thousand(0);
    assert_eq!(told as u64 + lost, 2001, "without, what finds no room is counted");
    assert!(lost > 0);
}

/// Each reason by itself, then two at once: the one that a person set comes first.
#[test]
fn an_alarm_says_why_it_could_not_fire() {
    let mut bench = Bench::new(&[on(hot(5)), measurement(), communication()]);
    let mut monitor = bench.monitor();
    let why = |monitor: &Monitor<'_>, second: f64| monitor.blindness(AlarmId(0), at(second));
    assert_eq!(why(&monitor, 0.0), Some(Blindness::NotYetSeen));
    good(&mut monitor, 0, 3, 182.0);
    assert_eq!(why(&monitor, 3.0), None);
    assert_eq!(why(&monitor, 6.0), Some(Blindness::Gap), "nothing for longer than samples are joined");
    feed(&mut monitor, 7.0, Reading::Bad(NoData::SensorFault));
    assert_eq!(why(&monitor, 7.0), Some(Blindness::BadSignal));
    good(&mut monitor, 8, 9, 182.0);
    monitor.handle_condition(at(9.0), AlarmId(0), false);
    assert_eq!(why(&monitor, 9.0), Some(Blindness::Condition));
    monitor.handle_mode(at(9.0), FRYER, Mode::Cleaning);
    assert_eq!(why(&monitor, 9.0), Some(Blindness::Mode));
    monitor.handle_shelve(at(9.0), AlarmId(0), at(3600.0)).unwrap();
    assert_eq!(why(&monitor, 9.0), Some(Blindness::Shelved));
    monitor.handle_service(at(9.0), AlarmId(0), false).unwrap();
    assert_eq!(why(&monitor, 9.0), Some(Blindness::OutOfService));
    assert_eq!(monitor.blindness(AlarmId(1), at(9.0)), None, "the probe's own alarm sees");
}

#[test]
fn an_alarm_against_a_recipe_that_asks_nothing_could_not_fire() {
    let mut bench = Bench::new(&[on(cold_for_too_long())]);
    let mut monitor = bench.monitor();
    monitor.handle_target(OIL, None);
    good(&mut monitor, 0, 3, 182.0);
    assert_eq!(monitor.blindness(AlarmId(0), at(3.0)), Some(Blindness::NothingAsked));
    monitor.handle_target(OIL, Some(RECIPE));
    good(&mut monitor, 4, 5, 182.0);
    assert_eq!(monitor.blindness(AlarmId(0), at(5.0)), None);
}

#[test]
fn a_probe_that_breaks_has_one_alarm_and_blinds_the_others() {
    let mut bench = Bench::new(&[on(hot(5)), measurement()]);
    let mut monitor = bench.monitor();
    good(&mut monitor, 0, 10, 195.0);
    for second in 10..40 {
        feed(&mut monitor, f64::from(second), Reading::Bad(NoData::SensorFault));
    }
    assert_eq!((letter(&monitor, 0, 39.0), letter(&monitor, 1, 39.0)), ('H', 'B'));
    // Good again, and still too hot: it was told before, so it is not told anew.
    good(&mut monitor, 40, 60, 195.0);
    let events = drain(&mut monitor);
    assert_eq!(told(&events, 0), [("raised", 5.0, false), ("silenced", 20.0, true)]);
    assert_eq!(told(&events, 1), [("raised", 20.0, false), ("cleared", 40.0, false)]);
    assert_eq!(letter(&monitor, 0, 59.0), 'B');
}

/// Every second reading is lost: the value is never bad for ten seconds, and yet it can't be relied on.
#[test]
fn a_signal_of_which_half_is_lost_is_told_after_five_minutes() {
    let mut bench = Bench::new(&[measurement()]);
    let mut monitor = bench.monitor();
    for second in 0..400_u32 {
        let lost = second.is_multiple_of(2);
        let reading = if lost { Reading::Bad(NoData::NoReply) } else { Reading::Good(182.0) };
        feed(&mut monitor, f64::from(second), reading);
    }
    let events = told(&drain(&mut monitor), 0);
    assert_eq!((events.len(), events[0].0), (1, "raised"), "{events:?}");
    assert!((270.0..=301.0).contains(&events[0].1), "{events:?}");
    good(&mut monitor, 400, 800, 182.0);
    assert_eq!(told(&drain(&mut monitor), 0)[0].0, "cleared");
}

/// One reading in ten is lost, as on a tired network: the time is known all the same.
#[test]
fn a_signal_of_which_a_tenth_is_lost_is_told_to_nobody() {
    let mut bench = Bench::new(&[measurement()]);
    let mut monitor = bench.monitor();
    for second in 0..2_000_u32 {
        let lost = second % 10 == 3 || second % 50 == 4;
        let reading = if lost { Reading::Bad(NoData::NoReply) } else { Reading::Good(182.0) };
        feed(&mut monitor, f64::from(second), reading);
    }
    assert_eq!(drain(&mut monitor), []);
}

/// Polled every ten seconds, as soak tanks are: one lost reading is bridged, three are not.
#[test]
fn a_slow_signal_is_told_when_its_silence_can_no_longer_be_bridged() {
    let slow =
        AlarmSettings { poll_every: seconds(10), gap_limit: Duration::from_millis(30_500), ..measurement() };
    let mut bench = Bench::new(&[slow]);
    let mut monitor = bench.monitor();
    for poll in 0..10_u32 {
        let lost = matches!(poll, 3 | 5 | 6 | 7 | 8);
        let reading = if lost { Reading::Bad(NoData::NoReply) } else { Reading::Good(58.0) };
        feed(&mut monitor, f64::from(10 * poll), reading);
    }
    assert_eq!(told(&drain(&mut monitor), 0), [("raised", 70.5, false), ("cleared", 90.0, false)]);
}

#[test]
fn a_signal_that_is_not_wired_yet_is_nobodys_alarm() {
    let mut bench = Bench::new(&[measurement()]);
    let mut monitor = bench.monitor();
    for second in 0..100 {
        feed(&mut monitor, f64::from(second), Reading::Bad(NoData::NotCommissioned));
    }
    assert_eq!(drain(&mut monitor), []);
}

/// Incident of the demo week: a switch port resets, a controller is silent for two minutes and a half.
#[test]
fn a_silent_controller_has_one_alarm_and_its_return_tells_nothing_else() {
    let mut bench = Bench::new(&[communication(), measurement(), on(cold_for_too_long())]);
    let mut monitor = bench.monitor();
    for second in 0..300_u32 {
        let now = f64::from(second);
        let lost = (100..250).contains(&second);
        monitor.handle_controller(at(now), PLC, !lost);
        let reading = if lost { Reading::Bad(NoData::NoReply) } else { Reading::Good(182.0) };
        feed(&mut monitor, now, reading);
    }
    let events = drain(&mut monitor);
    // The last answer came at 99 s.
    assert_eq!(told(&events, 0), [("raised", 109.0, false), ("cleared", 250.0, false)]);
    assert!(
        events
            .iter()
            .filter(|event| event.alarm != AlarmId(0))
            .all(|event| event.silent || event.what == Happening::Lapsed),
        "{events:?}"
    );
    let letters = [0, 1, 2].map(|alarm| letter(&monitor, alarm, 299.0));
    assert_eq!(letters, ['D', 'A', 'A'], "what was told waits for a person, the rest is as it was");
}

/// The controller has been silent since before a restart, and the probe's own alarm stands as `probe` beside its alarm. The
/// two are taken up in either order. Nobody is called for a minute; then it goes on.
fn silent_since_before(probe: AlarmState, controller_first: bool, go_on: impl FnOnce(&mut Monitor<'_>)) {
    let mut bench = Bench::new(&[measurement(), communication(), on(hot(5))]);
    let mut monitor = bench.monitor();
    let lost = Restored { was_told: true, ..untold(AlarmState::Unacknowledged) };
    let mut restores = vec![(AlarmId(0), untold(probe)), (AlarmId(1), lost)];
    if controller_first {
        restores.reverse();
    }
    for (alarm, restored) in restores {
        monitor.restore(alarm, restored);
    }
    for second in 0..60_u32 {
        monitor.handle_controller(at(f64::from(second)), PLC, false);
        feed(&mut monitor, f64::from(second), Reading::Bad(NoData::NoReply));
    }
    let events = drain(&mut monitor);
    let called: Vec<_> = events.iter().filter(|event| event.annunciates()).collect();
    assert!(called.is_empty(), "{probe:?}: {called:?}");
    assert!(events.iter().all(|event| event.what != Happening::Silenced), "no news: {events:?}");
    assert_eq!(monitor.blindness(AlarmId(2), at(59.0)), Some(Blindness::NoCommunication));
    go_on(&mut monitor);
}

const SILENT_BEFORE: [(AlarmState, bool); 4] = [
    (AlarmState::Unacknowledged, false),
    (AlarmState::Unacknowledged, true),
    (AlarmState::Normal, false),
    (AlarmState::Normal, true),
];

#[test]
fn a_controller_that_is_silent_over_a_restart_still_has_one_alarm_and_its_signals_call_nobody() {
    for (probe, controller_first) in SILENT_BEFORE {
        silent_since_before(probe, controller_first, |monitor| {
            for second in 60..100_u32 {
                monitor.handle_controller(at(f64::from(second)), PLC, true);
                feed(monitor, f64::from(second), Reading::Good(182.0));
            }
            let events = drain(monitor);
            assert!(events.iter().all(|event| !event.annunciates()), "{events:?}");
            assert_eq!([0, 1, 2].map(|alarm| letter(monitor, alarm, 99.0)), ['A', 'D', 'A']);
        });
    }
}

#[test]
fn what_is_still_wrong_when_a_controller_answers_that_was_silent_over_a_restart_is_told() {
    for (probe, controller_first) in SILENT_BEFORE {
        silent_since_before(probe, controller_first, |monitor| {
            for second in 60..100_u32 {
                monitor.handle_controller(at(f64::from(second)), PLC, true);
                feed(monitor, f64::from(second), Reading::Bad(NoData::SensorFault));
            }
            let events = drain(monitor);
            let calls: Vec<_> = events.iter().filter(|event| event.annunciates()).collect();
            assert!(matches!(calls[..], [call] if call.alarm == AlarmId(0)), "{calls:?}");
        });
        silent_since_before(probe, controller_first, |monitor| {
            for second in 60..100_u32 {
                monitor.handle_controller(at(f64::from(second)), PLC, true);
                feed(monitor, f64::from(second), Reading::Good(195.0));
            }
            let events = drain(monitor);
            let calls: Vec<_> = events.iter().filter(|event| event.annunciates()).collect();
            assert!(matches!(calls[..], [call] if call.alarm == AlarmId(2)), "{calls:?}");
        });
    }
}

/// The same for a probe that was broken: what it blinded stays blind until it shows a value again.
#[test]
fn a_probe_that_is_broken_over_a_restart_still_blinds_the_others() {
    let mut bench = Bench::new(&[on(hot(5)), measurement()]);
    let mut monitor = bench.monitor();
    monitor.restore(AlarmId(1), Restored { was_told: true, ..untold(AlarmState::Acknowledged) });
    monitor.restore(AlarmId(0), untold(AlarmState::Unacknowledged));
    for second in 0..60 {
        feed(&mut monitor, f64::from(second), Reading::Bad(NoData::SensorFault));
    }
    assert_eq!(drain(&mut monitor), []);
    assert_eq!(monitor.blindness(AlarmId(0), at(59.0)), Some(Blindness::BadSignal));
    good(&mut monitor, 60, 80, 195.0);
    let events = drain(&mut monitor);
    let calls: Vec<_> = events.iter().filter(|event| event.annunciates()).collect();
    assert!(matches!(calls[..], [call] if call.alarm == AlarmId(0)), "it was told of to nobody: {calls:?}");
}

#[test]
fn a_slow_scan_is_lost_with_the_third_missed_one() {
    let mut bench = Bench::new(&[communication()]);
    let mut monitor = bench.monitor();
    monitor.handle_controller(at(0.0), PLC, true);
    for second in [60.0, 120.0, 180.0] {
        assert_eq!(drain(&mut monitor), []);
        monitor.handle_controller(at(second), PLC, false);
    }
    assert_eq!(told(&drain(&mut monitor), 0), [("raised", 180.0, false)]);
}

fn deviation(side: Option<Side>, against: Reference, width: Width, on_s: u64) -> AlarmSettings {
    let settings = DeviationSettings {
        side,
        against,
        width,
        deadband: 0.5,
        on_delay: seconds(on_s),
        off_delay: Duration::ZERO,
    };
    on(Kind::Deviation(settings))
}

/// Somebody turned the setpoint by four kelvin: beyond the latitude of two, for a minute.
#[test]
fn a_setpoint_beyond_latitude_is_told_after_its_delay_on_either_side() {
    for turned in [186.0, 178.0] {
        let mut bench = Bench::new(&[deviation(None, Reference::Recipe, Width::Latitude, 60)]);
        let mut monitor = bench.monitor();
        good(&mut monitor, 0, 100, 182.0);
        good(&mut monitor, 100, 300, turned);
        good(&mut monitor, 300, 320, 182.0);
        let events = told(&drain(&mut monitor), 0);
        // 182 to 186 within a second leaves the latitude half way.
        assert_eq!(events[0], ("raised", 159.5, false));
        assert_eq!((events.len(), events[1].0), (2, "cleared"));
    }
}

#[test]
fn within_latitude_nothing_is_told_and_without_a_recipe_nothing_is_judged() {
    let mut bench = Bench::new(&[deviation(None, Reference::Recipe, Width::Latitude, 60)]);
    let mut monitor = bench.monitor();
    good(&mut monitor, 0, 300, 184.0);
    monitor.handle_target(OIL, None);
    good(&mut monitor, 300, 600, 120.0);
    assert_eq!(drain(&mut monitor), []);
    assert_eq!(monitor.status(AlarmId(0), at(599.0)).unwrap().forecast, Forecast::Unknown);
}

#[test]
fn each_width_reaches_as_far_as_the_recipe_says() {
    for (width, reach) in [
        (Width::Latitude, 2.0),
        (Width::Tolerance, 3.0),
        (Width::Specification, 6.0),
        (Width::Fixed(1.5), 1.5),
    ] {
        for (off, expected) in [(reach - 0.1, 0), (reach + 0.1, 1)] {
            let mut bench = Bench::new(&[deviation(Some(Side::Above), Reference::Recipe, width, 0)]);
            let mut monitor = bench.monitor();
            good(&mut monitor, 0, 10, 182.0 + off);
            good(&mut monitor, 10, 20, 100.0);
            let events = drain(&mut monitor);
            let raised = events.iter().filter(|event| matches!(event.what, Happening::Raised { .. }));
            assert_eq!(raised.count(), expected, "{width:?} {off}");
        }
    }
}

#[test]
fn against_another_signal_it_moves_with_it_and_is_blind_without_it() {
    let mut bench = Bench::new(&[deviation(None, Reference::Signal(OTHER), Width::Fixed(2.5), 30)]);
    let mut monitor = bench.monitor();
    let mut both = |from: u32, to: u32, oil: f64, other: Reading| {
        for second in from..to {
            let sample = Sample { signal: OTHER, at: at(f64::from(second)), reading: other };
            monitor.handle_sample(&sample);
            feed(&mut monitor, f64::from(second), Reading::Good(oil));
        }
        drain(&mut monitor)
    };
    assert_eq!(both(0, 100, 182.0, Reading::Good(181.0)), []);
    assert_eq!(both(100, 200, 200.0, Reading::Good(199.0)), [], "both move");
    assert_eq!(both(200, 300, 200.0, Reading::Bad(NoData::SensorFault)), []);
    let events = both(300, 400, 200.0, Reading::Good(190.0));
    assert_eq!(told(&events, 0), [("raised", 330.0, false)]);
}

#[test]
fn beyond_on_the_other_side_at_once_is_a_new_occurrence() {
    let mut bench = Bench::new(&[deviation(None, Reference::Recipe, Width::Tolerance, 0)]);
    let mut monitor = bench.monitor();
    good(&mut monitor, 0, 10, 190.0);
    good(&mut monitor, 10, 20, 174.0);
    let events = drain(&mut monitor);
    let words: Vec<_> = told(&events, 0).into_iter().map(|(word, ..)| word).collect();
    assert_eq!(words, ["raised", "cleared", "raised"]);
    assert_eq!(events[2].occurrence, 2);
}
