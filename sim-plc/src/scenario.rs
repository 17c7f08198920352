//! A timed script of faults and operations. Its text form is in `scenario/script.rs`.

mod script;

use crate::fault::{Fault, FaultKind};
use crate::operation::Operation;
pub use script::ScriptError;
use std::time::Duration;

/// What a script does at one moment.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Begins a fault.
    Begin(Fault),
    /// Ends the fault of this kind about this subject.
    End(Fault),
    /// Operators tell the line to do something.
    Operate(Operation),
}

/// One line of a script.
#[derive(Debug, Clone, PartialEq)]
pub struct Cue {
    /// When, from the start of the script.
    pub at: Duration,
    /// What.
    pub action: Action,
}

/// A script, its lines in the order of their times.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    cues: Vec<Cue>,
    /// After how long the script starts again; at the end it is over when absent.
    repeat_every: Option<Duration>,
}

impl Scenario {
    /// A script of `cues`, put into the order of their times, starting again after `repeat_every`. A repetition
    /// shorter than the last cue's time (or than 1 s) is lengthened to it, so that every cue has its turn.
    #[must_use]
    pub fn new(mut cues: Vec<Cue>, repeat_every: Option<Duration>) -> Self {
        cues.sort_by_key(|cue| cue.at);
        let least = cues.last().map_or(Duration::ZERO, |cue| cue.at).max(Duration::from_secs(1));
        Self { cues, repeat_every: repeat_every.map(|every| every.max(least)) }
    }

    /// The script of the demo: a cold fryer that alarms and recovers, a setpoint turned within its latitude, a broken
    /// sensor, a silent controller; then again.
    ///
    /// The cold stretch is long enough for the demo's real setting (240 K.s beyond 3 K): the oil takes about 40 s to
    /// stand 3 K low and about a minute to stand 6 K low, the allowance is used up 2 min 25 s after the heat failed,
    /// and the heat comes back half a minute later. The oil is back after another minute and a half.
    #[must_use]
    pub fn demo() -> Self {
        let fault = |kind, subject, value| Fault::new(kind, subject, value).ok();
        let heat_low = fault(FaultKind::HeatLow, None, Some(6.0));
        let turned = fault(FaultKind::SetpointTurned, Some("TIC-310-SP"), Some(183.5));
        let broken = fault(FaultKind::SensorBreak, Some("TT-313"), None);
        let silent = fault(FaultKind::ControllerSilent, Some("oven"), None);
        let stretches = [
            (heat_low, 60, 235),
            // A minute and a half to recover, then four of quiet.
            (turned, 570, 690),
            (broken, 750, 790),
            (silent, 850, 870),
        ];
        let whole = stretches.into_iter().filter_map(|(fault, from_s, to_s)| Some((fault?, from_s, to_s)));
        let cues = whole.flat_map(|(fault, from_s, to_s)| {
            let at = Duration::from_secs;
            [
                Cue { at: at(from_s), action: Action::Begin(fault.clone()) },
                Cue { at: at(to_s), action: Action::End(fault) },
            ]
        });
        Self::new(cues.collect(), Some(Duration::from_secs(900)))
    }

    /// After how long it starts again, if it does.
    #[must_use]
    pub const fn repeat_every(&self) -> Option<Duration> {
        self.repeat_every
    }

    /// Its lines, in the order of their times.
    #[must_use]
    pub fn cues(&self) -> &[Cue] {
        &self.cues
    }
}

/// A script at work.
#[derive(Debug, Clone)]
pub(crate) struct Running {
    scenario: Scenario,
    /// Virtual time at which this round began.
    began: Duration,
    next: usize,
}

impl Running {
    pub(crate) const fn new(scenario: Scenario, now: Duration) -> Self {
        Self { scenario, began: now, next: 0 }
    }

    /// The next action that is due by `now`; call until there is none.
    pub(crate) fn due(&mut self, now: Duration) -> Option<Action> {
        let into = now.saturating_sub(self.began);
        if let Some(cue) = self.scenario.cues.get(self.next) {
            if cue.at > into {
                return None;
            }
            self.next += 1;
            return Some(cue.action.clone());
        }
        let every = self.scenario.repeat_every?;
        if into < every || self.scenario.cues.is_empty() {
            return None;
        }
        self.began += every;
        self.next = 0;
        self.due(now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cue(at_s: u64, below_k: f64) -> Cue {
        let fault = Fault::new(FaultKind::HeatLow, None, Some(below_k)).unwrap();
        Cue { at: Duration::from_secs(at_s), action: Action::Begin(fault) }
    }

    fn due_by(running: &mut Running, now_s: u64) -> usize {
        std::iter::from_fn(|| running.due(Duration::from_secs(now_s))).count()
    }

    #[test]
    fn cues_come_in_their_order_and_again_after_each_round() {
        let scenario = Scenario::new(vec![cue(5, 2.0), cue(2, 1.0)], Some(Duration::from_secs(10)));
        let mut running = Running::new(scenario, Duration::from_secs(100));
        assert_eq!(due_by(&mut running, 101), 0);
        assert_eq!(running.due(Duration::from_secs(102)), Some(cue(2, 1.0).action));
        assert_eq!(due_by(&mut running, 109), 1);
        assert_eq!(due_by(&mut running, 111), 0);
        assert_eq!(due_by(&mut running, 112), 1);
        // Three whole rounds later nothing is lost.
        assert_eq!(due_by(&mut running, 145), 7);
    }

    #[test]
    fn a_script_that_does_not_repeat_ends() {
        let mut running = Running::new(Scenario::new(vec![cue(1, 1.0)], None), Duration::ZERO);
        assert_eq!(due_by(&mut running, 1_000_000), 1);
        assert_eq!(due_by(&mut running, 2_000_000), 0);
    }

    #[test]
    fn the_demo_begins_and_ends_each_fault() {
        let demo = Scenario::demo();
        let begun = demo.cues().iter().filter(|cue| matches!(cue.action, Action::Begin(_))).count();
        assert_eq!((begun, demo.cues().len()), (4, 8));
    }
}
