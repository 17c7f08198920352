//! What history needs to know of a line: its signals as a run's, and what its recipe asks.

use super::{Band, NewRun, RunSignal};
use setward_alarm::Target;
use setward_config::line::{ControllerId, FOLLOWED_EVERY, Line, LineSignal, Origin};
use setward_protocol::{SignalId, Uptime, UtcMillis};
use std::collections::BTreeMap;
use std::time::Duration;

/// Signals that are read together: of one controller, at one period; derived ones by their first input's controller. What is
/// entered comes alone.
type GroupKey = (u8, u32, Duration);

impl NewRun {
    /// A run over `line` that begins at `started`.
    #[must_use]
    pub fn of(line: &Line, started: UtcMillis, version: &str) -> Self {
        let mut groups: BTreeMap<GroupKey, u16> = BTreeMap::new();
        let signals = line.signals_with_ids().map(|(id, signal)| {
            // No line has more groups than signals, and no more signals than fit.
            let next = u16::try_from(groups.len()).unwrap_or(u16::MAX);
            let poll_group = *groups.entry(group_of(line, id, signal)).or_insert(next);
            run_signal(line, id, signal, poll_group)
        });
        let signals = signals.collect();
        Self {
            started,
            fingerprint: line.fingerprint.clone(),
            version: version.to_owned(),
            signals,
            files: line
                .files
                .iter()
                .map(|file| (file.path.clone(), file.text.clone().into_bytes()))
                .collect(),
        }
    }
}

fn group_of(line: &Line, id: SignalId, signal: &LineSignal) -> GroupKey {
    match &signal.origin {
        Origin::Register(register) => (0, u32::from(register.controller.0), register.poll_every),
        Origin::Derived(derivation) => {
            let (first, _) = derivation.inputs();
            let register = line.signal(first).register();
            let controller = register.map_or(ControllerId(0), |register| register.controller);
            (1, u32::from(controller.0), register.map_or(Duration::ZERO, |register| register.poll_every))
        }
        // Each has times of its own.
        Origin::Entered => (2, u32::from(id.0), Duration::ZERO),
        Origin::Followed(_) => (3, 0, FOLLOWED_EVERY),
    }
}

fn run_signal(line: &Line, id: SignalId, signal: &LineSignal, poll_group: u16) -> RunSignal {
    let wire = signal.register().map(|register| &register.wire);
    RunSignal {
        unit: signal.unit.symbol().to_owned(),
        encoding: wire.map(|wire| wire.encoding),
        scale: wire.map_or(1.0, |wire| wire.scale),
        offset: wire.map_or(0.0, |wire| wire.offset),
        poll_group,
        // No line is drawn between two values that people entered.
        gap_limit: if signal.origin == Origin::Entered { Duration::ZERO } else { line.gap_limit(id) },
        was: signal.was.clone(),
        ..RunSignal::of_tag(&signal.tag)
    }
}

/// What the running recipe asks from `at` on.
#[must_use]
pub fn bands_of(line: &Line, at: Uptime, utc: UtcMillis) -> Vec<Band> {
    let asked = line.recipe().setpoints.iter();
    asked.map(|asked| band(asked.signal, Some(asked.target), at, utc)).collect()
}

/// What a recipe asks of a signal from `at` on; without a target, nothing.
#[must_use]
pub fn band(signal: SignalId, target: Option<Target>, at: Uptime, utc: UtcMillis) -> Band {
    let tolerance =
        |target: Target| (target.setpoint - target.tolerance_below, target.setpoint + target.tolerance_above);
    Band {
        signal: signal.0,
        utc,
        at,
        setpoint: target.map(|target| target.setpoint),
        tolerance: target.map(tolerance),
    }
}
