//! The faults at work: each tied to the signal or controller it is about, and what follows from them.

use crate::fault::{About, Fault, FaultError, FaultKind, nearest};
use setward_config::line::{Line, Meaning, Role};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// What a fault is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Subject {
    /// The line, or everything of the kind.
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
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Manners {
    pub(crate) silent: bool,
    pub(crate) drops: bool,
    pub(crate) short: bool,
    pub(crate) bytewise: bool,
    /// Share of replies that are bad at random, 0 to 1.
    pub(crate) bad_share: Option<f64>,
    pub(crate) exception: Option<u8>,
    pub(crate) delay: Duration,
}

/// What a register shows instead of its value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Override {
    /// "No value".
    Broken,
    /// What it showed before.
    Frozen,
    /// Nothing but zeros.
    Zeroed,
    /// This value, in the signal's unit.
    Shows(f64),
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

    /// Whether there are none, which is the usual case.
    pub(crate) const fn is_empty(&self) -> bool {
        self.faults.is_empty()
    }

    /// The value of the fault of `kind` about the line.
    pub(crate) fn of_line(&self, kind: FaultKind) -> Option<f64> {
        self.about(kind, Subject::Line).map(|active| active.fault.value().unwrap_or_default())
    }

    /// Whether the line has a fault of `kind`.
    pub(crate) fn line_has(&self, kind: FaultKind) -> bool {
        self.about(kind, Subject::Line).is_some()
    }

    /// Whether a fault of `kind` is about `signal`, or about everything of its kind.
    pub(crate) fn signal_has(&self, kind: FaultKind, signal: SignalId) -> bool {
        self.about(kind, Subject::Signal(signal)).is_some() || self.about(kind, Subject::Line).is_some()
    }

    /// The value of the fault of `kind` about `signal`, if it has one.
    pub(crate) fn of_signal(&self, kind: FaultKind, signal: SignalId) -> Option<f64> {
        self.about(kind, Subject::Signal(signal))?.fault.value()
    }

    /// The error that a drifting signal has by `now`, in its unit.
    pub(crate) fn drifted(&self, signal: SignalId, now: Duration) -> f64 {
        let drifting = self.about(FaultKind::Drift, Subject::Signal(signal));
        drifting.map_or(0.0, |active| active.fault.value().unwrap_or_default() * active.minutes(now))
    }

    /// How many times as much as a clean one the oil filter resists by `now`.
    pub(crate) fn filter_resistance(&self, now: Duration) -> f64 {
        let blocking = self.about(FaultKind::ScreenBlocking, Subject::Line);
        1.0 + blocking.map_or(0.0, |active| active.fault.value().unwrap_or_default() * active.minutes(now))
    }

    /// What the register of `signal`, answered for by `controller`, shows instead of its value.
    pub(crate) fn instead(&self, signal: SignalId, controller: usize, now: Duration) -> Option<Override> {
        if self.faults.is_empty() {
            return None;
        }
        let has = |kind| self.about(kind, Subject::Signal(signal)).is_some();
        if self.zeroed(controller, now) {
            Some(Override::Zeroed)
        } else if self.program_stopped(controller) || has(FaultKind::Stuck) {
            // A stopped program can't notice a broken sensor either.
            Some(Override::Frozen)
        } else if has(FaultKind::SensorBreak) {
            Some(Override::Broken)
        } else {
            self.of_signal(FaultKind::Shows, signal).map(Override::Shows)
        }
    }

    pub(crate) fn program_stopped(&self, controller: usize) -> bool {
        self.about(FaultKind::ProgramStopped, Subject::Controller(controller)).is_some()
    }

    /// Whether the heartbeat of `controller` stands.
    pub(crate) fn heartbeat_stands(&self, controller: usize) -> bool {
        self.program_stopped(controller)
            || self.about(FaultKind::HeartbeatStopped, Subject::Controller(controller)).is_some()
    }

    /// How long ago `controller` started again, if it did.
    pub(crate) fn restarted(&self, controller: usize, now: Duration) -> Option<Duration> {
        let restart = self.about(FaultKind::ControllerRestart, Subject::Controller(controller))?;
        Some(now.saturating_sub(restart.since))
    }

    /// Whether `controller` has just started again and holds nothing but zeros.
    fn zeroed(&self, controller: usize, now: Duration) -> bool {
        let restart = self.about(FaultKind::ControllerRestart, Subject::Controller(controller));
        restart.is_some_and(|active| {
            let for_s = active.fault.value().unwrap_or_default();
            now.saturating_sub(active.since).as_secs_f64() < for_s
        })
    }

    /// Whether nothing listens where `controller` answers.
    pub(crate) fn refuses(&self, controller: usize) -> bool {
        self.about(FaultKind::ControllerRefuses, Subject::Controller(controller)).is_some()
    }

    pub(crate) fn manners(&self, controller: usize) -> Manners {
        let about = |kind| self.about(kind, Subject::Controller(controller));
        let value = |kind| about(kind).and_then(|active: &Active| active.fault.value());
        Manners {
            silent: about(FaultKind::ControllerSilent).is_some(),
            drops: about(FaultKind::ControllerDrop).is_some() || self.refuses(controller),
            short: about(FaultKind::ControllerShort).is_some(),
            bytewise: about(FaultKind::ControllerBytewise).is_some(),
            bad_share: value(FaultKind::RepliesBad).map(|percent| percent / 100.0),
            exception: value(FaultKind::ControllerException).map(|code| code as u8),
            delay: value(FaultKind::ControllerSlow).map_or(Duration::ZERO, Duration::from_secs_f64),
        }
    }

    fn about(&self, kind: FaultKind, subject: Subject) -> Option<&Active> {
        self.faults.iter().find(|active| active.fault.kind() == kind && active.subject == subject)
    }
}

impl Active {
    /// How long it has been at work, min.
    fn minutes(&self, now: Duration) -> f64 {
        now.saturating_sub(self.since).as_secs_f64() / 60.0
    }
}

/// What `fault` is about on this line.
///
/// # Errors
/// When the line has no such signal or controller, or the fault makes no sense for it.
pub(crate) fn subject_of(fault: &Fault, line: &Line) -> Result<Subject, FaultError> {
    let rule = fault.kind().rule();
    let subject = fault.subject().unwrap_or_default();
    if let Some(value) = fault.value() {
        within(value, rule.value.between.0, rule.value.between.1)?;
    }
    match rule.about {
        About::Signal => signal_tagged(subject, line).map(Subject::Signal),
        About::Setpoint => setpoint_tagged(subject, fault.value().unwrap_or_default(), line),
        About::Means(accepted, wanted) => meaning_tagged(subject, accepted, wanted, line),
        About::MeansOrAll(accepted, wanted) => match fault.subject() {
            Some(tag) => meaning_tagged(tag, accepted, wanted, line),
            None => needs_any(fault.kind(), accepted, line),
        },
        About::Line(wanted) => needs(fault.kind(), wanted, line),
        About::Controller => controller_named(subject, line),
        About::Recipe => recipe_numbered(fault.value().unwrap_or_default(), line),
    }
}

fn recipe_numbered(found: f64, line: &Line) -> Result<Subject, FaultError> {
    let mut known: Vec<i64> =
        line.recipe_numbers.iter().flat_map(|word| word.numbers.keys().copied()).collect();
    known.sort_unstable();
    known.dedup();
    let is_known = known.iter().any(|number| *number as f64 == found);
    if is_known { Ok(Subject::Line) } else { Err(FaultError::UnknownRecipe { found, known }) }
}

fn signal_tagged(tag: &str, line: &Line) -> Result<SignalId, FaultError> {
    // A derived signal has no instrument that could fail.
    let served = |id: &SignalId| line.signal(*id).register().is_some();
    line.signal_by_tag(tag).filter(served).ok_or_else(|| FaultError::UnknownTag {
        found: tag.to_owned(),
        nearest: nearest(
            tag,
            line.signals
                .iter()
                .filter(|signal| signal.register().is_some())
                .map(|signal| signal.tag.as_str()),
        )
        .map(str::to_owned),
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

fn needs_any(kind: FaultKind, wanted: &[Meaning], line: &Line) -> Result<Subject, FaultError> {
    if line.signals.iter().any(|signal| signal.means.is_some_and(|meaning| wanted.contains(&meaning))) {
        return Ok(Subject::Line);
    }
    let named = |meaning: &Meaning| Meaning::NAMED.iter().find(|(_, one)| one == meaning);
    let lacks = wanted.first().and_then(named).map_or("", |(word, _)| *word);
    Err(FaultError::NotOnThisLine { kind, lacks })
}

fn within(found: f64, low: f64, high: f64) -> Result<(), FaultError> {
    if (low..=high).contains(&found) { Ok(()) } else { Err(FaultError::OutOfRange { found, low, high }) }
}
