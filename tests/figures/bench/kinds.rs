//! One alarm of each kind that judges readings, on one signal that swings within and a little beyond its tolerance.

use super::demo::engine;
use setward::alarm::{
    AlarmId, AlarmSettings, Allowance, AverageReference, BatchEdge, Codes, DeviationSettings,
    DiscrepancySettings, DriftSettings, EquivalentTimeSettings, Kind, Leak, LimitSettings,
    MeasurementSettings, Monitor, MovingAverageSettings, RateSettings, Reference, Side, StatusSettings,
    Target, TimeWeightedSettings, Watched, Width,
};
use setward::protocol::{
    ByteOrder, Encoding, ModeSet, RegisterBlock, Sample, Signal, SignalId, Table, Uptime,
};
use std::time::Duration;

const SIGNAL: SignalId = SignalId(0);
const OTHER: SignalId = SignalId(1);
const SECOND: Duration = Duration::from_secs(1);
const MINUTE: Duration = Duration::from_secs(60);

/// Every kind that a sample can move. Those that judge controllers and servers see none.
pub(crate) fn kinds() -> Vec<Kind> {
    let (on_delay, off_delay, deadband) = (SECOND * 3, SECOND * 3, 0.5);
    vec![
        Kind::Limit(LimitSettings { side: Side::Above, limit: 190.0, deadband, on_delay, off_delay }),
        Kind::Deviation(DeviationSettings {
            side: None,
            against: Reference::Recipe,
            width: Width::Tolerance,
            deadband,
            on_delay,
            off_delay,
        }),
        Kind::TimeWeighted(TimeWeightedSettings {
            side: Side::Below,
            allowance: Allowance::Area(240.0),
            recovery: Some(SECOND * 90),
            shape: 1.0,
            clear_below: 0.5,
            leak: Leak::Inside,
        }),
        Kind::MovingAverage(MovingAverageSettings {
            side: Side::Above,
            reference: AverageReference::Target(Width::Tolerance),
            deadband,
            window: MINUTE * 2,
            coverage: 0.75,
            ceiling: None,
        }),
        Kind::Discrepancy(DiscrepancySettings { other: OTHER, apart: 5.0, deadband, on_delay, off_delay }),
        Kind::Rate(RateSettings {
            side: Side::Above,
            per_minute: 6.0,
            over: MINUTE,
            quantum: 0.1,
            between: None,
        }),
        Kind::Status(StatusSettings { is: Codes::of(&[3, 4]).unwrap(), on_delay, off_delay, share: None }),
        Kind::EquivalentTime(EquivalentTimeSettings {
            reference: 180.0,
            z: 10.0,
            least: None,
            most: Some(MINUTE * 600),
        }),
        Kind::Drift(DriftSettings { slack: 0.5, decide: 8.0, correlation_time: SECOND * 20, sigma: 0.4 }),
        Kind::Measurement(MeasurementSettings { bad_for: SECOND * 10 }),
    ]
}

/// One signal with some alarms, read from words.
pub(crate) struct Watched1 {
    wire: Signal,
    monitor: Monitor<'static>,
    /// Whether another signal is fed beside it, for those that compare.
    compares: bool,
}

impl Watched1 {
    pub(crate) fn new(kinds: &[Kind]) -> Self {
        let alarms: Vec<AlarmSettings> = kinds.iter().map(|kind| settings(*kind)).collect();
        let mut monitor = engine(&alarms, 2);
        let target = Target {
            setpoint: 182.0,
            tolerance_below: 3.0,
            tolerance_above: 3.0,
            latitude: Some(2.0),
            specification: Some((176.0, 188.0)),
        };
        monitor.handle_target(SIGNAL, Some(target));
        for alarm in (0..).map(AlarmId).take(kinds.len()) {
            monitor.handle_batch(Uptime::START, alarm, BatchEdge::Begins);
        }
        let wire = Signal {
            table: Table::Holding,
            address: 100,
            encoding: Encoding::I16,
            order: ByteOrder::Abcd,
            scale: 0.1,
            offset: 0.0,
            range: (0.0, 250.0),
            no_value: vec![32_767, -32_768],
        };
        let compares = kinds.iter().any(|kind| kind.other_signal().is_some());
        Self { wire, monitor, compares }
    }

    /// One sample: decoded, and through all its alarms. Beside it, where alarms compare, one of the signal they compare with.
    #[inline]
    pub(crate) fn sample(&mut self, second: u64) {
        let at = Uptime::from_millis(second * 1000 + 1000);
        // Between 177 and 184 degC, a minute up and down: beyond tolerance for some seconds.
        let words = [1770 + (second * 13 % 70) as u16];
        let block = RegisterBlock::new(Table::Holding, 100, 1, &words).unwrap();
        let reading = self.wire.decode(&block);
        self.monitor.handle_timeout(at);
        if self.compares {
            self.monitor.handle_sample(&Sample { signal: OTHER, at, reading });
        }
        self.monitor.handle_sample(&Sample { signal: SIGNAL, at, reading });
        while self.monitor.poll_event().is_some() {}
    }
}

fn settings(kind: Kind) -> AlarmSettings {
    AlarmSettings {
        watches: Watched::Signal(SIGNAL),
        kind,
        latching: false,
        poll_every: SECOND,
        gap_limit: Duration::from_millis(3500),
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
