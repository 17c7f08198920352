//! No settings and no inputs make the engine panic, lose an event, or say what is not a number.

use crate::support::*;
use proptest::prelude::*;
use setward_alarm::{
    AlarmId, AlarmSettings, Allowance, AverageReference, BatchEdge, CauseGroup, Codes, CommunicationSettings,
    DeviationSettings, DiscrepancySettings, DriftSettings, EquivalentTimeSettings, Forecast, Kind, Leak,
    LimitSettings, MeasurementSettings, Monitor, MovingAverageSettings, RateSettings, Reference, Side,
    StatusSettings, Target, TimeWeightedSettings, Watched, Width,
};
use setward_protocol::{Doubt, Mode, ModeSet, NoData, Reading, Sample, Uptime};
use std::time::Duration;

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        proptest::num::f64::ANY,
        -10.0..10.0_f64,
        Just(0.0),
        Just(1e300),
        Just(-1e300),
        Just(f64::INFINITY)
    ]
}

fn span() -> impl Strategy<Value = Duration> {
    prop_oneof![
        Just(Duration::ZERO),
        (0..20_000_u64).prop_map(Duration::from_millis),
        any::<u64>().prop_map(Duration::from_nanos),
        Just(Duration::MAX),
    ]
}

/// Numbers, spans and choices that settings of every kind are made of.
#[derive(Debug, Clone, Copy)]
struct Wild {
    numbers: [f64; 6],
    spans: [Duration; 4],
    above: bool,
    latching: bool,
    some: bool,
    always: bool,
}

impl Wild {
    fn side(&self) -> Side {
        if self.above { Side::Above } else { Side::Below }
    }

    /// The kinds that look at values as they come.
    fn value_kinds(&self) -> Vec<Kind> {
        let (side, [a, b, c, d, e, f]) = (self.side(), self.numbers);
        let [on_delay, off_delay, long, _] = self.spans;
        let allowance = if self.always { Allowance::Area(d) } else { Allowance::AtTwice(d) };
        let leak = if self.always { Leak::Always { pick_up: e } } else { Leak::Inside };
        let recovery = self.some.then_some(long);
        let against = if self.some { Reference::Signal(OTHER) } else { Reference::Recipe };
        let width = if self.always { Width::Fixed(b) } else { Width::Latitude };
        let own_side = self.above.then_some(side);
        vec![
            Kind::Limit(LimitSettings { side, limit: a, deadband: b, on_delay, off_delay }),
            Kind::Deviation(DeviationSettings {
                side: own_side,
                against,
                width,
                deadband: c,
                on_delay,
                off_delay,
            }),
            Kind::TimeWeighted(TimeWeightedSettings {
                side,
                allowance,
                recovery,
                shape: f,
                clear_below: c,
                leak,
            }),
            Kind::Discrepancy(DiscrepancySettings {
                other: OTHER,
                apart: a,
                deadband: b,
                on_delay,
                off_delay,
            }),
            Kind::Measurement(MeasurementSettings { bad_for: on_delay }),
            Kind::Communication(CommunicationSettings { polls: 3, at_least: on_delay }),
        ]
    }

    /// The kinds that keep something of the past.
    fn window_kinds(&self) -> Vec<Kind> {
        let (side, [a, b, c, d, e, _]) = (self.side(), self.numbers);
        let [on_delay, off_delay, long, _] = self.spans;
        let reference = match self.some {
            true => AverageReference::Limit(a),
            false => AverageReference::Target(Width::Specification),
        };
        let ceiling = self.some.then_some(c);
        let between = self.some.then_some((d, e));
        let (is, share) = (Codes::of(&[0, 1]).unwrap(), self.some.then_some((d, long)));
        let (least, most) = (Some(on_delay), self.some.then_some(off_delay));
        vec![
            Kind::MovingAverage(MovingAverageSettings {
                side,
                reference,
                deadband: b,
                window: long,
                coverage: c,
                ceiling,
            }),
            Kind::Rate(RateSettings { side, per_minute: a, over: long, quantum: b, between }),
            Kind::Status(StatusSettings { is, on_delay, off_delay, share }),
            Kind::EquivalentTime(EquivalentTimeSettings { reference: a, z: b, least, most }),
            Kind::Drift(DriftSettings { slack: a, decide: b, correlation_time: long, sigma: c }),
        ]
    }

    fn alarm(&self, kind: Kind) -> AlarmSettings {
        let [on_delay, off_delay, long, gap] = self.spans;
        let watches = match matches!(kind, Kind::Communication(_)) {
            true => Watched::Controller(CONTROLLER),
            false => Watched::Signal(SIGNAL),
        };
        AlarmSettings {
            watches,
            latching: self.latching,
            gap_limit: gap,
            poll_every: on_delay,
            modes: ModeSet::of(&[Mode::Run]),
            settle: off_delay,
            realarm_after: self.some.then_some(off_delay),
            hides_for: self.some.then_some(off_delay),
            shelve_most: self.always.then_some(long),
            group: Some(CauseGroup(1)),
            ..alarm(kind)
        }
    }
}

/// One alarm of each kind over the same wild numbers.
fn alarms() -> impl Strategy<Value = Vec<AlarmSettings>> {
    let numbers = proptest::array::uniform6(number());
    let spans = proptest::array::uniform4(span());
    (numbers, spans, any::<[bool; 4]>()).prop_map(|(numbers, spans, [above, latching, some, always])| {
        let wild = Wild { numbers, spans, above, latching, some, always };
        let kinds = wild.value_kinds().into_iter().chain(wild.window_kinds());
        kinds.map(|kind| wild.alarm(kind)).collect()
    })
}

#[derive(Debug, Clone)]
enum Input {
    Sample(bool, f64, f64),
    Bad(bool, f64, u8),
    Target(f64, f64, f64),
    Time(f64),
    Mode(f64, bool),
    Controller(f64, bool),
    Batch(f64, bool),
    Person(f64, u16, u8, f64),
}

fn inputs() -> impl Strategy<Value = Vec<Input>> {
    let time = || prop_oneof![0.0..60.0_f64, number()];
    let value = || prop_oneof![-10.0..10.0_f64, number()];
    let input = prop_oneof![
        6 => (any::<bool>(), time(), value()).prop_map(|(other, t, x)| Input::Sample(other, t, x)),
        1 => (any::<bool>(), time(), any::<u8>()).prop_map(|(other, t, why)| Input::Bad(other, t, why)),
        1 => (number(), number(), number()).prop_map(|(a, b, c)| Input::Target(a, b, c)),
        1 => time().prop_map(Input::Time),
        1 => (time(), any::<bool>()).prop_map(|(t, run)| Input::Mode(t, run)),
        1 => (time(), any::<bool>()).prop_map(|(t, heard)| Input::Controller(t, heard)),
        1 => (time(), any::<bool>()).prop_map(|(t, begins)| Input::Batch(t, begins)),
        2 => (time(), 0..13_u16, any::<u8>(), time()).prop_map(|(t, alarm, what, until)| Input::Person(t, alarm, what, until)),
    ];
    // Mostly in order, as a line would give them; the rest is dropped by the engine.
    proptest::collection::vec(input, 0..120)
}

fn give(monitor: &mut Monitor<'_>, input: &Input) -> f64 {
    match *input {
        Input::Sample(other, t, x) => {
            let signal = if other { OTHER } else { SIGNAL };
            monitor.handle_sample(&Sample { signal, at: at(t), reading: Reading::Good(x) });
            t
        }
        Input::Bad(other, t, why) => {
            let signal = if other { OTHER } else { SIGNAL };
            let reading = match why % 4 {
                0 => Reading::Bad(NoData::Stuck),
                1 => Reading::Bad(NoData::NotCommissioned),
                2 => Reading::Uncertain(f64::NAN, Doubt::Disagrees),
                _ => Reading::Bad(NoData::NoReply),
            };
            monitor.handle_sample(&Sample { signal, at: at(t), reading });
            t
        }
        Input::Target(setpoint, below, above) => {
            let target = Target {
                setpoint,
                tolerance_below: below,
                tolerance_above: above,
                latitude: Some(below),
                specification: Some((below, above)),
            };
            monitor.handle_target(SIGNAL, Some(target));
            0.0
        }
        Input::Time(t) => {
            monitor.handle_timeout(at(t));
            t
        }
        Input::Mode(t, run) => {
            monitor.handle_mode(at(t), STATION, if run { Mode::Run } else { Mode::Hold });
            t
        }
        Input::Controller(t, heard) => {
            monitor.handle_controller(at(t), CONTROLLER, heard);
            t
        }
        Input::Batch(t, begins) => {
            let edge = if begins { BatchEdge::Begins } else { BatchEdge::Ends };
            (0..32).for_each(|alarm| monitor.handle_batch(at(t), AlarmId(alarm), edge));
            t
        }
        Input::Person(t, alarm, what, until) => {
            let (now, alarm) = (at(t), AlarmId(alarm));
            let occurrence = monitor.status(alarm, now).map_or(1, |status| status.occurrence);
            match what % 8 {
                0 => drop(monitor.handle_acknowledge(now, alarm, occurrence)),
                1 => drop(monitor.handle_reset(now, alarm, occurrence)),
                2 => drop(monitor.handle_shelve(now, alarm, at(until))),
                3 => drop(monitor.handle_shelve_once(now, alarm, at(until))),
                4 => drop(monitor.handle_unshelve(now, alarm)),
                5 => drop(monitor.handle_service(now, alarm, what > 100)),
                _ => monitor.handle_condition(now, alarm, what > 100),
            }
            t
        }
    }
}

fn is_fine(forecast: Forecast) -> bool {
    match forecast {
        Forecast::Raises { seconds } | Forecast::Clears { seconds } => seconds.is_finite() && seconds >= 0.0,
        Forecast::Quiet | Forecast::WillNotRaise | Forecast::StaysActive | Forecast::Unknown => true,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]
    #[test]
    fn no_settings_and_no_inputs_break_it(alarms in alarms(), inputs in inputs(), segments in 0..40_usize) {
        let mut bench = Bench::with_segments(&alarms, segments);
        let mut monitor = bench.monitor();
        monitor.hide(AlarmId(0), AlarmId(1)).unwrap();
        for input in &inputs {
            let now = at(give(&mut monitor, input));
            for event in drain(&mut monitor) {
                prop_assert!(event.value.is_none_or(f64::is_finite) && event.exposure.is_none_or(f64::is_finite), "{:?}", event);
            }
            for index in 0..alarms.len() as u16 {
                let status = monitor.status(AlarmId(index), now).unwrap();
                prop_assert!(is_fine(status.forecast), "{:?} {:?}", alarms[usize::from(index)].kind, status);
                prop_assert!(status.exposure.is_none_or(|share| (0.0..=3.0).contains(&share)), "{:?} {:?}", alarms[usize::from(index)].kind, status);
            }
        }
        prop_assert_eq!(monitor.losses().0, 0);
        prop_assert!(monitor.poll_timeout().is_none_or(|due| due >= Uptime::START));
    }
}
