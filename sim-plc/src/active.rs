//! The faults at work: each tied to the signal or controller it is about, and what follows from them.

use crate::fault::{Fault, FaultError, FaultKind, nearest};
use setward_config::line::{Line, Meaning, Role};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// What a fault is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Subject {
    /// The fryer, or every oven zone.
    Line,
    /// One signal.
    Signal(SignalId),
    /// The controller at this place in the line's list.
    Controller(usize),
}

/// A fault at work.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Active {
    pub(crate) fault: Fault,
    subject: Subject,
    /// Virtual time at which it began.
    since: Duration,
}

/// How a controller treats requests. Several faults may act at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Manners {
    pub(crate) silent: bool,
    pub(crate) drops: bool,
    pub(crate) short: bool,
    pub(crate) exception: Option<u8>,
    pub(crate) delay: Duration,
}

/// What acts on the plant, rather than on what is shown of it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct FryerFaults {
    pub(crate) heat_low_k: Option<f64>,
    pub(crate) flow_m3_per_h: Option<f64>,
}

/// What a register shows instead of its value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Override {
    /// "No value".
    Broken,
    /// What it showed before.
    Frozen,
}

/// All faults at work, in the order in which they began.
#[derive(Debug, Clone, Default)]
pub(crate) struct ActiveFaults {
    faults: Vec<Active>,
}

impl ActiveFaults {
    pub(crate) fn all(&self) -> impl Iterator<Item = &Active> {
        self.faults.iter()
    }

    /// Adds `fault`, in place of one of the same kind about the same subject.
    pub(crate) fn add(&mut self, fault: Fault, subject: Subject, now: Duration) {
        self.faults.retain(|active| active.fault.kind() != fault.kind() || active.subject != subject);
        self.faults.push(Active { fault, subject, since: now });
    }

    /// Ends the faults of `kind`: those about `subject`, or all.
    pub(crate) fn remove(&mut self, kind: FaultKind, subject: Option<&str>) {
        self.faults.retain(|active| {
            active.fault.kind() != kind || (subject.is_some() && active.fault.subject() != subject)
        });
    }

    pub(crate) fn clear(&mut self) {
        self.faults.clear();
    }

    pub(crate) fn fryer(&self) -> FryerFaults {
        let mut found = FryerFaults::default();
        for active in &self.faults {
            if let Fault::HeatLow { below_k } = active.fault {
                found.heat_low_k = Some(below_k);
            } else if let Fault::FlowLow { flow_m3_per_h } = active.fault {
                found.flow_m3_per_h = Some(flow_m3_per_h);
            }
        }
        found
    }

    /// Whether the zone with the temperature signal `zone` has lost its flame.
    pub(crate) fn burner_out(&self, zone: SignalId) -> bool {
        self.faults.iter().any(|active| {
            active.fault.kind() == FaultKind::BurnerOut
                && (active.subject == Subject::Line || active.subject == Subject::Signal(zone))
        })
    }

    /// The setpoint that somebody entered instead of the usual one.
    pub(crate) fn turned(&self, signal: SignalId) -> Option<f64> {
        self.about_signal(signal).find_map(|active| {
            if let Fault::SetpointTurned { value, .. } = active.fault { Some(value) } else { None }
        })
    }

    /// The share of its speed that a belt loses, 0 to 1.
    pub(crate) fn slip(&self, signal: SignalId) -> f64 {
        let lost_percent = self.about_signal(signal).find_map(|active| {
            if let Fault::BeltSlip { lost_percent, .. } = active.fault { Some(lost_percent) } else { None }
        });
        lost_percent.unwrap_or_default() / 100.0
    }

    /// The error that a drifting signal has by `now`, in its unit.
    pub(crate) fn drifted(&self, signal: SignalId, now: Duration) -> f64 {
        let drifted = self.about_signal(signal).find_map(|active| {
            let Fault::Drift { per_minute, .. } = active.fault else { return None };
            Some(per_minute * now.saturating_sub(active.since).as_secs_f64() / 60.0)
        });
        drifted.unwrap_or_default()
    }

    /// What the register of `signal`, answered for by `controller`, shows instead of its value.
    pub(crate) fn instead(&self, signal: SignalId, controller: usize) -> Option<Override> {
        if self.program_stopped(controller) || self.has(FaultKind::Stuck, Subject::Signal(signal)) {
            // A stopped program can't notice a broken sensor either.
            Some(Override::Frozen)
        } else {
            self.has(FaultKind::SensorBreak, Subject::Signal(signal)).then_some(Override::Broken)
        }
    }

    pub(crate) fn program_stopped(&self, controller: usize) -> bool {
        self.has(FaultKind::ProgramStopped, Subject::Controller(controller))
    }

    pub(crate) fn manners(&self, controller: usize) -> Manners {
        let mut manners = Manners::default();
        for active in self.faults.iter().filter(|active| active.subject == Subject::Controller(controller)) {
            match active.fault {
                Fault::ControllerSilent { .. } => manners.silent = true,
                Fault::ControllerDrop { .. } => manners.drops = true,
                Fault::ControllerShort { .. } => manners.short = true,
                Fault::ControllerException { code, .. } => manners.exception = Some(code),
                Fault::ControllerSlow { delay, .. } => manners.delay = delay,
                Fault::SensorBreak { .. }
                | Fault::Stuck { .. }
                | Fault::Drift { .. }
                | Fault::SetpointTurned { .. }
                | Fault::HeatLow { .. }
                | Fault::BurnerOut { .. }
                | Fault::FlowLow { .. }
                | Fault::BeltSlip { .. }
                | Fault::ProgramStopped { .. } => {}
            }
        }
        manners
    }

    fn about_signal(&self, signal: SignalId) -> impl Iterator<Item = &Active> {
        self.faults.iter().filter(move |active| active.subject == Subject::Signal(signal))
    }

    fn has(&self, kind: FaultKind, subject: Subject) -> bool {
        self.faults.iter().any(|active| active.fault.kind() == kind && active.subject == subject)
    }
}

/// What `fault` is about on this line.
///
/// # Errors
/// When the line has no such signal or controller, or the fault makes no sense for it.
pub(crate) fn subject_of(fault: &Fault, line: &Line) -> Result<Subject, FaultError> {
    match fault {
        Fault::SensorBreak { tag } | Fault::Stuck { tag } => signal_tagged(tag, line).map(Subject::Signal),
        Fault::Drift { tag, per_minute } => {
            within(*per_minute, -1e6, 1e6)?;
            signal_tagged(tag, line).map(Subject::Signal)
        }
        Fault::SetpointTurned { tag, value } => setpoint_tagged(tag, *value, line),
        Fault::HeatLow { below_k } => {
            within(*below_k, 0.1, 100.0)?;
            needs(fault.kind(), &[(Meaning::FryerOilInlet, "fryer-oil-inlet")], line)
        }
        Fault::FlowLow { flow_m3_per_h } => {
            within(*flow_m3_per_h, 1.0, 1000.0)?;
            let wanted =
                [(Meaning::FryerOilInlet, "fryer-oil-inlet"), (Meaning::FryerOilFlow, "fryer-oil-flow")];
            needs(fault.kind(), &wanted, line)
        }
        Fault::BurnerOut { tag: None } => {
            needs(fault.kind(), &[(Meaning::OvenTemperature, "oven-temperature")], line)
        }
        Fault::BurnerOut { tag: Some(tag) } => {
            meaning_tagged(tag, &[Meaning::OvenTemperature], "the temperature of an oven zone", line)
        }
        Fault::BeltSlip { tag, lost_percent } => {
            within(*lost_percent, 0.0, 100.0)?;
            let belts = [Meaning::OvenBeltSpeed, Meaning::FryerBeltSpeed];
            meaning_tagged(tag, &belts, "the speed of an oven or fryer belt", line)
        }
        Fault::ControllerSilent { name }
        | Fault::ControllerSlow { name, .. }
        | Fault::ControllerException { name, .. }
        | Fault::ControllerDrop { name }
        | Fault::ControllerShort { name }
        | Fault::ProgramStopped { name } => controller_named(name, line),
    }
}

fn signal_tagged(tag: &str, line: &Line) -> Result<SignalId, FaultError> {
    line.signal_by_tag(tag).ok_or_else(|| FaultError::UnknownTag {
        found: tag.to_owned(),
        nearest: nearest(tag, line.signals.iter().map(|signal| signal.tag.as_str())).map(str::to_owned),
    })
}

fn setpoint_tagged(tag: &str, value: f64, line: &Line) -> Result<Subject, FaultError> {
    let id = signal_tagged(tag, line)?;
    let signal = line.signal(id);
    if signal.role != Role::Setpoint {
        return Err(FaultError::WrongSignal { tag: tag.to_owned(), wanted: "a setpoint" });
    }
    let (low, high) = signal.range;
    within(value, low, high)?;
    if signal.unit == Unit::Second {
        // A dwell of nothing would need an endless belt speed.
        within(value, low.max(1.0), high)?;
    }
    Ok(Subject::Signal(id))
}

fn meaning_tagged(
    tag: &str,
    accepted: &[Meaning],
    wanted: &'static str,
    line: &Line,
) -> Result<Subject, FaultError> {
    let id = signal_tagged(tag, line)?;
    if line.signal(id).means.is_some_and(|meaning| accepted.contains(&meaning)) {
        Ok(Subject::Signal(id))
    } else {
        Err(FaultError::WrongSignal { tag: tag.to_owned(), wanted })
    }
}

fn controller_named(name: &str, line: &Line) -> Result<Subject, FaultError> {
    let index = line.controllers.iter().position(|controller| controller.name == name);
    index.map(Subject::Controller).ok_or_else(|| FaultError::UnknownController {
        found: name.to_owned(),
        known: line.controllers.iter().map(|controller| controller.name.clone()).collect(),
    })
}

fn needs(kind: FaultKind, wanted: &[(Meaning, &'static str)], line: &Line) -> Result<Subject, FaultError> {
    for (meaning, lacks) in wanted {
        if !line.signals.iter().any(|signal| signal.means == Some(*meaning)) {
            return Err(FaultError::NotOnThisLine { kind, lacks });
        }
    }
    Ok(Subject::Line)
}

fn within(found: f64, low: f64, high: f64) -> Result<(), FaultError> {
    if (low..=high).contains(&found) { Ok(()) } else { Err(FaultError::OutOfRange { found, low, high }) }
}
