//! A bench: alarms with their storage, samples in, events out.

use setward_alarm::{
    AlarmEvent, AlarmId, AlarmSettings, Codes, DeviationSettings, DiscrepancySettings, DriftSettings,
    EquivalentTimeSettings, Happening, Head, Kind, Leak, LimitSettings, Monitor, MovingAverageSettings,
    RateSettings, Reference, Segment, Side, Slot, StatusSettings, Target, TimeWeightedSettings, Watched,
    Width,
};
use setward_protocol::{ControllerId, ModeSet, Reading, Sample, SignalId, StationId, Uptime};
use std::time::Duration;

pub(crate) const SIGNAL: SignalId = SignalId(0);
pub(crate) const OTHER: SignalId = SignalId(1);
pub(crate) const ALARM: AlarmId = AlarmId(0);
pub(crate) const STATION: StationId = StationId(0);
pub(crate) const CONTROLLER: ControllerId = ControllerId(0);

pub(crate) const RECIPE: Target = Target {
    setpoint: 182.0,
    tolerance_below: 3.0,
    tolerance_above: 4.0,
    latitude: Some(2.0),
    specification: Some((176.0, 188.0)),
};

pub(crate) fn seconds(seconds: f64) -> Duration {
    Duration::from_secs_f64(seconds)
}

pub(crate) fn at(second: f64) -> Uptime {
    Uptime::from_secs_f64(second)
}

pub(crate) fn alarm(kind: Kind) -> AlarmSettings {
    AlarmSettings {
        watches: Watched::Signal(SIGNAL),
        kind,
        latching: false,
        poll_every: seconds(1.0),
        gap_limit: seconds(3.0),
        station: Some(STATION),
        controller: Some(CONTROLLER),
        modes: ModeSet::ALL,
        settle: Duration::ZERO,
        realarm_after: None,
        hides_for: None,
        shelve_most: None,
        group: None,
        in_a_row: None,
    }
}

pub(crate) fn limit(side: Side, limit: f64, deadband: f64, on_s: f64, off_s: f64) -> Kind {
    let (on_delay, off_delay) = (seconds(on_s), seconds(off_s));
    Kind::Limit(LimitSettings { side, limit, deadband, on_delay, off_delay })
}

pub(crate) fn deviation(side: Option<Side>, against: Reference, width: Width, on_s: f64, off_s: f64) -> Kind {
    let (on_delay, off_delay) = (seconds(on_s), seconds(off_s));
    Kind::Deviation(DeviationSettings { side, against, width, deadband: 0.5, on_delay, off_delay })
}

pub(crate) fn discrepancy(apart: f64, deadband: f64, on_s: f64, off_s: f64) -> Kind {
    let (on_delay, off_delay) = (seconds(on_s), seconds(off_s));
    Kind::Discrepancy(DiscrepancySettings { other: OTHER, apart, deadband, on_delay, off_delay })
}

pub(crate) fn average(settings: MovingAverageSettings) -> Kind {
    Kind::MovingAverage(settings)
}

pub(crate) fn rate(side: Side, per_minute: f64, over_s: f64, between: Option<(f64, f64)>) -> Kind {
    Kind::Rate(RateSettings { side, per_minute, over: seconds(over_s), quantum: 0.01, between })
}

pub(crate) fn status(codes: &[i64], on_s: f64, off_s: f64, share: Option<(f64, f64)>) -> Kind {
    let share = share.map(|(share, window_s)| (share, seconds(window_s)));
    let is = Codes::of(codes).unwrap();
    Kind::Status(StatusSettings { is, on_delay: seconds(on_s), off_delay: seconds(off_s), share })
}

pub(crate) fn equivalent(least_s: Option<f64>, most_s: Option<f64>) -> Kind {
    let (least, most) = (least_s.map(seconds), most_s.map(seconds));
    Kind::EquivalentTime(EquivalentTimeSettings { reference: 95.0, z: 33.0, least, most })
}

pub(crate) fn drift(slack: f64, decide: f64, correlation_s: f64, sigma: f64) -> Kind {
    Kind::Drift(DriftSettings { slack, decide, correlation_time: seconds(correlation_s), sigma })
}

pub(crate) fn weighted(settings: TimeWeightedSettings) -> Kind {
    Kind::TimeWeighted(settings)
}

/// The fryer's real setting: below, 240 K.s, recovery 90 s, shape 1.
pub(crate) const FRYER_COLD: TimeWeightedSettings = TimeWeightedSettings {
    side: Side::Below,
    allowance: setward_alarm::Allowance::Area(240.0),
    recovery: Some(Duration::from_secs(90)),
    shape: 1.0,
    clear_below: 0.5,
    leak: Leak::Inside,
};

/// What a monitor borrows.
pub(crate) struct Bench {
    slots: Vec<Slot>,
    heads: Vec<Head>,
    segments: Vec<Segment>,
}

impl Bench {
    pub(crate) fn new(alarms: &[AlarmSettings]) -> Self {
        let segments = alarms.iter().map(AlarmSettings::segments_needed).sum();
        Self::with_segments(alarms, segments)
    }

    pub(crate) fn with_segments(alarms: &[AlarmSettings], segments: usize) -> Self {
        Self {
            slots: alarms.iter().map(|settings| Slot::new(*settings)).collect(),
            heads: vec![Head::default(); 3],
            segments: vec![Segment::default(); segments],
        }
    }

    pub(crate) fn monitor(&mut self) -> Monitor<'_> {
        let mut monitor = Monitor::new(&mut self.slots, &mut self.heads, &mut self.segments);
        monitor.handle_target(SIGNAL, Some(RECIPE));
        monitor
    }
}

pub(crate) fn drain(monitor: &mut Monitor<'_>) -> Vec<AlarmEvent> {
    std::iter::from_fn(|| monitor.poll_event()).collect()
}

/// Lets every timer run out that is due by `now_s`.
pub(crate) fn run_timers(monitor: &mut Monitor<'_>, now_s: f64, events: &mut Vec<AlarmEvent>) {
    while let Some(due) = monitor.poll_timeout().filter(|due| *due <= at(now_s)) {
        monitor.handle_timeout(due);
        events.extend(drain(monitor));
    }
}

pub(crate) fn feed(
    monitor: &mut Monitor<'_>,
    signal: SignalId,
    at_s: f64,
    reading: Reading,
) -> Vec<AlarmEvent> {
    let mut events = Vec::new();
    run_timers(monitor, at_s, &mut events);
    monitor.handle_sample(&Sample { signal, at: at(at_s), reading });
    events.extend(drain(monitor));
    events
}

/// A sample alone, no timers.
pub(crate) fn sample(monitor: &mut Monitor<'_>, at_s: f64, reading: Reading) -> Vec<AlarmEvent> {
    monitor.handle_sample(&Sample { signal: SIGNAL, at: at(at_s), reading });
    drain(monitor)
}

/// Good samples each second over `from ..= to`.
pub(crate) fn run(
    monitor: &mut Monitor<'_>,
    from: u32,
    to: u32,
    value: impl Fn(f64) -> f64,
) -> Vec<AlarmEvent> {
    (from..=to)
        .flat_map(|second| feed(monitor, SIGNAL, f64::from(second), Reading::Good(value(f64::from(second)))))
        .collect()
}

/// When the condition began and ended, spoken or not: `(second, began)`.
pub(crate) fn turns(events: &[AlarmEvent]) -> Vec<(f64, bool)> {
    let turn = |event: &AlarmEvent| match event.what {
        Happening::Raised { .. } => Some((event.at.as_secs_f64(), true)),
        Happening::Cleared => Some((event.at.as_secs_f64(), false)),
        Happening::Acknowledged
        | Happening::Realarmed
        | Happening::Reset
        | Happening::Shelved { .. }
        | Happening::Unshelved
        | Happening::OutOfService
        | Happening::ReturnedToService
        | Happening::Lapsed
        | Happening::Silenced => None,
    };
    events.iter().filter(|event| event.alarm == ALARM).filter_map(turn).collect()
}

/// When a person was called.
pub(crate) fn called(events: &[AlarmEvent]) -> Vec<f64> {
    let loud = events.iter().filter(|event| !event.silent);
    turns(&loud.copied().collect::<Vec<_>>()).into_iter().filter(|turn| turn.1).map(|turn| turn.0).collect()
}

pub(crate) fn raised_at(events: &[AlarmEvent]) -> Vec<f64> {
    turns(events).into_iter().filter(|turn| turn.1).map(|turn| turn.0).collect()
}

pub(crate) fn cleared_at(events: &[AlarmEvent]) -> Vec<f64> {
    turns(events).into_iter().filter(|turn| !turn.1).map(|turn| turn.0).collect()
}

#[track_caller]
pub(crate) fn close(found: &[f64], expected: &[f64], within: f64) {
    let agree = found.len() == expected.len()
        && found.iter().zip(expected).all(|(found, expected)| (found - expected).abs() <= within);
    assert!(agree, "{found:?}, expected {expected:?} within {within}");
}
