//! One signal of the plant: what it truly is, and what its instrument makes of it.

use super::source::Source;
use crate::active::ActiveFaults;
use crate::fault::FaultKind;
use crate::physics::{Noise, StepTime};
use setward_config::line::{Line, LineSignal, Meaning, Role};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// A signal while the plant runs. Values are in its unit.
#[derive(Debug, Clone)]
pub(super) struct Point {
    pub(super) id: SignalId,
    pub(super) source: Source,
    pub(super) means: Option<Meaning>,
    pub(super) unit: Unit,
    /// Place of its controller in the line's list.
    pub(super) controller: usize,
    pub(super) typical: f64,
    /// What it is once the recipe with a number is chosen, if that says: a setpoint of it, or the number itself.
    pub(super) of_recipe: Vec<(i64, f64)>,
    /// What was written last over the bus, and how often something was.
    pub(super) entered: Option<f64>,
    pub(super) writes: u64,
    noise: f64,
    tau_s: f64,
    /// Whether an instrument with lag and noise stands between the truth and the register.
    instrument: bool,
    /// Whether it has registers at all.
    pub(super) served: bool,
    pub(super) truth: f64,
    /// The truth, late by the usual time constant.
    pub(super) healthy: f64,
    /// The truth, late.
    late: f64,
    /// Step and time constant for which this share of the way is gone in a step: the exponential is worth keeping.
    share_of: (f64, f64, f64),
    /// The same with the errors of its instrument, without noise: what a loop sees.
    pub(super) seen: f64,
    pub(super) sensed: f64,
}

impl Point {
    pub(super) fn new(id: SignalId, signal: &LineSignal, line: &Line) -> Self {
        let simulate = signal.simulate;
        let source = Source::of(id, signal, line);
        let measures = match signal.role {
            Role::Measured | Role::Output => true,
            Role::Setpoint | Role::Status | Role::Entered => simulate.noise > 0.0,
        };
        Self {
            id,
            instrument: measures && source.is_physical(),
            source,
            means: signal.means,
            unit: signal.unit,
            controller: signal.register().map_or(usize::MAX, |register| register.controller.index()),
            typical: simulate.typical,
            of_recipe: of_recipe(id, line),
            entered: None,
            writes: 0,
            noise: simulate.noise,
            tau_s: simulate.time_constant.as_secs_f64(),
            served: signal.register().is_some(),
            truth: simulate.typical,
            healthy: simulate.typical,
            late: simulate.typical,
            share_of: (0.0, 0.0, 0.0),
            seen: simulate.typical,
            sensed: simulate.typical,
        }
    }

    /// Puts the instrument at rest at `truth`.
    pub(super) const fn settle(&mut self, truth: f64) {
        (self.truth, self.healthy, self.late, self.seen, self.sensed) = (truth, truth, truth, truth, truth);
    }

    /// Lets the instrument follow `truth` for `step`.
    pub(super) fn follow(
        &mut self,
        truth: f64,
        step: StepTime,
        faults: &ActiveFaults,
        now: Duration,
        noise: &mut Noise,
    ) {
        self.truth = truth;
        let (tau_s, drifted, stuck) = if faults.is_empty() {
            (self.tau_s, 0.0, false)
        } else {
            let slow_s = faults.of_signal(FaultKind::ProbeSlow, self.id);
            let stuck = faults.signal_has(FaultKind::Stuck, self.id);
            (slow_s.unwrap_or(self.tau_s), faults.drifted(self.id, now), stuck)
        };
        if self.instrument {
            let usual = self.share(step, self.tau_s);
            let share = if tau_s == self.tau_s { usual } else { step.share(tau_s) };
            self.healthy += (truth - self.healthy) * usual;
            self.late += (truth - self.late) * share;
            let scatter = if self.noise > 0.0 { self.noise * noise.normal() } else { 0.0 };
            let scatter = if self.source.is_stream() {
                // A typical value of nothing gives no number, and that no noise.
                scatter * (self.late / self.typical).clamp(0.0, 1.0)
            } else {
                scatter
            };
            self.sensed = self.late + drifted + scatter;
        } else {
            // Entered values and counts are shown exactly; a wandering source already has its lag and noise.
            (self.healthy, self.late) = (truth, truth);
            self.sensed = truth + drifted;
        }
        if !stuck {
            self.seen = self.late + drifted;
        }
    }

    fn share(&mut self, step: StepTime, tau_s: f64) -> f64 {
        let (seconds, tau, share) = self.share_of;
        if (seconds, tau) == (step.seconds(), tau_s) {
            return share;
        }
        let share = step.share(tau_s);
        self.share_of = (step.seconds(), tau_s, share);
        share
    }
}

/// What each recipe number of the line makes of a signal, in its unit.
fn of_recipe(id: SignalId, line: &Line) -> Vec<(i64, f64)> {
    let word = line.recipe_numbers.iter().filter(|word| word.signal == id);
    let own = word.flat_map(|word| word.numbers.keys()).map(|number| (*number, *number as f64));
    let asked = line.recipe_numbers.iter().flat_map(|word| &word.numbers).filter_map(|(number, recipe)| {
        let mut asked = line.recipes.get(*recipe)?.setpoints.iter();
        let held = asked.find(|asked| asked.entered.unwrap_or(asked.signal) == id)?;
        let (of, to) = (line.signal(held.signal).unit, line.signal(id).unit);
        (line.signal(id).role == Role::Setpoint)
            .then(|| of.convert(held.target.setpoint, to))
            .flatten()
            .map(|setpoint| (*number, setpoint))
    });
    own.chain(asked).collect()
}
