//! The simulator as others hold it: a shared handle on plant, script and registers.
//!
//! Invariant: the lock is never held across an await; everything under it is short and can't fail.

use crate::active::{Manners, subject_of};
use crate::disturbance::{Disturbance, Sent};
use crate::fault::{Fault, FaultError, FaultKind};
use crate::frame::{Device, Exception, Frame, answer, reply_frame};
use crate::image::Image;
use crate::operation::Operation;
use crate::physics::StepTime;
use crate::plant::Plant;
use crate::scenario::{Action, Running, Scenario, ScriptError};
use crate::writing;
use setward_config::line::{Controller, Line};
use setward_protocol::{ReadLimits, Table};
use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// A simulated line. Clones are handles on the same one.
#[derive(Clone)]
pub struct Simulator {
    line: Arc<Line>,
    state: Arc<Mutex<State>>,
}

pub(crate) struct State {
    pub(crate) plant: Plant,
    pub(crate) image: Image,
    script: Option<Running>,
    disturbance: Option<Disturbance>,
    /// By place of a controller: the share of its replies that are bad, and what draws them.
    spoilers: BTreeMap<usize, (f64, Disturbance)>,
    seed: u64,
}

/// What to do about a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Response {
    /// Send these bytes, so much later; then close if told to.
    Send { bytes: Vec<u8>, after: Duration, closes: bool, bytewise: bool },
    /// Say nothing.
    Nothing,
    /// Close the connection.
    Close,
}

impl fmt::Debug for Simulator {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Simulator").field("line", &self.line.name).finish_non_exhaustive()
    }
}

impl Simulator {
    /// The plant of `line`, running in balance at its typical values, at virtual time zero. The same seed and the same calls
    /// give the same registers.
    #[must_use]
    pub fn new(line: &Line, seed: u64) -> Self {
        let plant = Plant::new(line, seed);
        let mut image = Image::new(line);
        image.refresh(plant.sensed(), &plant.faults, plant.elapsed());
        let state = State { plant, image, script: None, disturbance: None, spoilers: BTreeMap::new(), seed };
        Self { line: Arc::new(line.clone()), state: Arc::new(Mutex::new(state)) }
    }

    /// Lets `dt` pass: for the plant, the faults and the script. Then every register shows the new state. Longer times
    /// are cut into steps of 1 s; a script's times are met to the step.
    pub fn step(&self, dt: Duration) {
        self.state().step(dt, &self.line);
    }

    /// Virtual time since the start.
    #[must_use]
    pub fn elapsed(&self) -> Duration {
        self.state().plant.elapsed()
    }

    /// Begins `fault`, in place of one of the same kind about the same subject. It shows after the next step.
    ///
    /// # Errors
    /// When the line has no such signal or controller, or the fault makes no sense for it.
    pub fn inject(&self, fault: Fault) -> Result<(), FaultError> {
        self.state().inject(fault, &self.line)
    }

    /// Ends faults, named as `heat-low` (all of that kind) or `sensor-break TT-310` (that one). It is no error if there
    /// are none.
    ///
    /// # Errors
    /// When the first word is no kind of fault, or there are more than two words.
    pub fn clear(&self, name: &str) -> Result<(), FaultError> {
        let words: Vec<_> = name.split_whitespace().collect();
        let (kind, subject) = match words.as_slice() {
            [] => return Err(FaultError::UnknownKind { found: String::new() }),
            [kind] => (kind.parse::<FaultKind>()?, None),
            [kind, subject] => (kind.parse()?, Some(*subject)),
            [kind, rest @ ..] => {
                return Err(FaultError::WrongArguments { kind: kind.parse()?, found: rest.join(" ") });
            }
        };
        self.state().plant.faults.remove(kind, subject);
        Ok(())
    }

    /// Operators tell the line to do something else. It shows from the next step on.
    pub fn operate(&self, operation: Operation) {
        self.state().plant.operate(operation);
    }

    /// What operators have told the line; a line begins in [`Operation::Run`].
    #[must_use]
    pub fn doing(&self) -> Operation {
        self.state().plant.doing()
    }

    /// From now on replies are bad as `disturbance` draws; `None`: none is.
    pub fn disturb(&self, disturbance: Option<Disturbance>) {
        self.state().disturbance = disturbance;
    }

    /// Ends every fault.
    pub fn clear_all(&self) {
        self.state().plant.faults.clear();
    }

    /// The faults at work, as text that can be parsed again, in the order in which they began.
    #[must_use]
    pub fn active_faults(&self) -> Vec<String> {
        self.state().plant.faults.all().map(|active| active.fault.to_string()).collect()
    }

    /// Runs `scenario` from now on, in place of the one that runs. Faults that have begun stay. Lines of the script that
    /// this line can't do are passed over; [`Self::check_scenario`] finds them.
    pub fn run_scenario(&self, scenario: Scenario) {
        let mut state = self.state();
        state.script = Some(Running::new(scenario, state.plant.elapsed()));
        state.run_script(&self.line);
    }

    /// Whether this line can do everything that `scenario` asks.
    ///
    /// # Errors
    /// The first fault that it can't have.
    pub fn check_scenario(&self, scenario: &Scenario) -> Result<(), FaultError> {
        scenario.cues().iter().try_for_each(|cue| self.check_action(&cue.action))
    }

    /// Reads a script of which this line can do everything.
    ///
    /// # Errors
    /// The first line of the text that is no cue, or that this line can't do.
    pub fn read_scenario(&self, text: &str) -> Result<Scenario, ScriptError> {
        Scenario::read(text, |action| self.check_action(action))
    }

    fn check_action(&self, action: &Action) -> Result<(), FaultError> {
        match action {
            Action::Begin(fault) | Action::End(fault) => subject_of(fault, &self.line).map(|_| ()),
            Action::Operate(_) => Ok(()),
        }
    }

    /// How often a setpoint was written over the bus since the start. Controllers keep setpoints in memory that bears some
    /// 100,000 writes.
    #[must_use]
    pub fn writes(&self, tag: &str) -> u64 {
        self.line.signal_by_tag(tag).map_or(0, |id| self.state().plant.writes(id))
    }

    /// The true physical value of a signal, in its unit: before lag, noise and faults of its instrument.
    #[must_use]
    pub fn truth(&self, tag: &str) -> Option<f64> {
        self.state().plant.truth(self.line.signal_by_tag(tag)?)
    }

    /// What the register of a signal says, decoded, in its unit; `None` also when it says that there is no value.
    #[must_use]
    pub fn shown(&self, tag: &str) -> Option<f64> {
        self.state().image.reading(self.line.signal_by_tag(tag)?)?.value()
    }

    /// The places, in the line's list, of the controllers that answer at `endpoint`.
    pub(crate) fn controllers_at(&self, endpoint: &str) -> Vec<usize> {
        let at = |controller: &Controller| controller.endpoint == endpoint;
        self.line.controllers.iter().enumerate().filter(|(_, own)| at(own)).map(|(index, _)| index).collect()
    }

    /// What the controllers at one endpoint do about a request.
    pub(crate) fn respond(&self, controllers: &[usize], request: &Frame<'_>) -> Response {
        let addressed = controllers.iter().find_map(|index| {
            let controller = self.line.controllers.get(*index)?;
            (controller.unit_id == request.unit).then_some((*index, controller))
        });
        let function = request.pdu.first().copied().unwrap_or_default();
        let Some((index, controller)) = addressed else {
            let bytes = reply_frame(request, &Exception::NO_SUCH_UNIT.pdu(function));
            return Response::Send { bytes, after: Duration::ZERO, closes: false, bytewise: false };
        };
        let mut state = self.state();
        let manners = state.plant.faults.manners(index);
        if manners.drops {
            return Response::Close;
        }
        if manners.silent {
            return Response::Nothing;
        }
        let pdu = match (manners.exception, writing::asked(request.pdu)) {
            (Some(code), _) => Exception(code).pdu(function),
            (None, Some(asked)) => {
                let written =
                    asked.and_then(|write| state.write(index, &write, &self.line).map(|()| write.done));
                written.unwrap_or_else(|exception| exception.pdu(function))
            }
            (None, None) => {
                answer(request.pdu, &Answering { index, controller, image: &state.image, manners })
            }
        };
        let bytes = reply_frame(request, &pdu);
        let sent = match state.disturbance_of(index, manners.bad_share) {
            Some(disturbance) => disturbance.disturb(request, bytes),
            None => Sent { bytes, after: Duration::ZERO, closes: false },
        };
        let (after, bytewise) = (manners.delay + sent.after, manners.bytewise);
        Response::Send { bytes: sent.bytes, after, closes: sent.closes, bytewise }
    }

    /// Whether nothing listens where these controllers answer.
    pub(crate) fn refuses(&self, controllers: &[usize]) -> bool {
        let state = self.state();
        controllers.iter().any(|controller| state.plant.faults.refuses(*controller))
    }

    pub(crate) fn line(&self) -> &Line {
        &self.line
    }

    pub(crate) fn state(&self) -> MutexGuard<'_, State> {
        // The state is whole between any two statements; a panic elsewhere must not stop the simulator.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn step(&mut self, dt: Duration, line: &Line) {
        for (step, span) in StepTime::pieces(dt) {
            self.plant.step(step, span);
            self.run_script(line);
        }
        self.image.refresh(self.plant.sensed(), &self.plant.faults, self.plant.elapsed());
    }

    fn run_script(&mut self, line: &Line) {
        let now = self.plant.elapsed();
        while let Some(action) = self.script.as_mut().and_then(|running| running.due(now)) {
            match action {
                Action::Begin(fault) => {
                    if let Err(error) = self.inject(fault, line) {
                        tracing::debug!(%error, "the script asks for what this line can't do");
                    }
                }
                Action::End(fault) => self.plant.faults.remove(fault.kind(), fault.subject()),
                Action::Operate(operation) => self.plant.operate(operation),
            }
        }
    }

    /// What spoils the replies of a controller: its own share, else that of all.
    fn disturbance_of(&mut self, controller: usize, share: Option<f64>) -> Option<&Disturbance> {
        let Some(share) = share else { return self.disturbance.as_ref() };
        let fresh = || (share, Disturbance::new(self.seed ^ controller as u64, share));
        let own = self.spoilers.entry(controller).or_insert_with(fresh);
        if own.0 != share {
            *own = fresh();
        }
        Some(&own.1)
    }

    fn inject(&mut self, fault: Fault, line: &Line) -> Result<(), FaultError> {
        let subject = subject_of(&fault, line)?;
        let now = self.plant.elapsed();
        self.plant.faults.add(fault, subject, now);
        Ok(())
    }
}

/// A controller while it answers one request.
struct Answering<'a> {
    index: usize,
    controller: &'a Controller,
    image: &'a Image,
    manners: Manners,
}

impl Device for Answering<'_> {
    fn limits(&self) -> ReadLimits {
        self.controller.limits
    }

    fn read(&self, table: Table, first: u16, count: u16) -> Option<Vec<u16>> {
        self.image.read(self.index, table, first, count)
    }

    fn identity(&self) -> [String; 3] {
        [
            "Invented Controls".to_owned(),
            format!("simulated {}", self.controller.name),
            concat!("V", env!("CARGO_PKG_VERSION")).to_owned(),
        ]
    }

    fn short(&self) -> bool {
        self.manners.short
    }
}
