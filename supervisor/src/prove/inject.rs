//! Registers that are made to lie, so that an alarm raises whatever the process does: for values that nothing simulated moves.

use super::aim::{Aim, aims};
use super::branch::Branch;
use super::plan::Step;
use setward_alarm::{AlarmId, EquivalentTimeSettings, Kind, RateSettings, Side, Watched};
use setward_config::line::{EntryKind, Followed, Line, LineAlarm, LineSignal, Origin, Register};
use setward_process::condition::{Condition, Test};
use setward_process::derived::Derivation;
use setward_protocol::{Mode, Reading, SignalId};

/// A thermal dose is brought about within this share of the shortest time that is too long.
const DOSE_IN: f64 = 0.25;

/// What can be made to lie, and why something can't.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Injected {
    /// Faults that go together, with the branch that they show, best first.
    pub faults: Vec<(Branch, Vec<Step>)>,
    /// What can't be, and why.
    pub notes: Vec<(Branch, String)>,
}

/// What can be made to lie so that the alarm raises.
#[must_use]
pub fn of(line: &Line, alarm: AlarmId) -> Injected {
    let own = line.alarm(alarm);
    let mut injected = Injected::default();
    let mut take = |branch, fault: Result<Vec<String>, String>| match fault {
        Ok(faults) => injected.faults.push((branch, faults.into_iter().map(Step::Begin).collect())),
        Err(note) => injected.notes.push((branch, note)),
    };
    let alone = |fault: Result<String, String>| fault.map(|fault| vec![fault]);
    let Watched::Signal(id) = own.settings.watches else { return injected };
    match &line.signal(id).origin {
        Origin::Register(_) | Origin::Derived(_) => {}
        Origin::Entered => return entered(line, alarm, id),
        Origin::Followed(followed) => return of_corn(line, id, *followed),
    }
    match &own.settings.kind {
        Kind::Status(settings) => {
            for code in settings.is.as_slice() {
                take(Branch::Code(*code), alone(shows(line, id, *code as f64)));
            }
        }
        Kind::Discrepancy(settings) if line.signal(id).unit == setward_protocol::Unit::Bit => {
            let other = line.signal(settings.other).simulate.typical;
            for side in [Side::Above, Side::Below] {
                take(Branch::Side(side), bits_apart(line, id, settings.other, (side, other)));
            }
        }
        Kind::Rate(settings) => take(Branch::Whole, alone(ramp(line, id, settings))),
        Kind::EquivalentTime(settings) => {
            for (branch, fault) in doses(line, id, settings) {
                take(branch, alone(fault));
            }
        }
        Kind::Measurement(_) => take(Branch::Whole, alone(unbelievable(line, id))),
        Kind::Limit(_)
        | Kind::Deviation(_)
        | Kind::TimeWeighted(_)
        | Kind::MovingAverage(_)
        | Kind::Discrepancy(_)
        | Kind::Drift(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => {
            let aims = aims(line, alarm);
            for aim in &aims {
                take(aim.branch, alone(beyond(line, aim)));
            }
            let tag = &line.signal(id).tag;
            let missing =
                Branch::of(own).into_iter().filter(|branch| aims.iter().all(|aim| aim.branch != *branch));
            for branch in missing.filter(|branch| aims.is_empty() || *branch != Branch::Whole) {
                take(
                    branch,
                    Err(format!(
                        "no recipe asks anything of {tag}: there is nothing it could be held against"
                    )),
                );
            }
        }
    }
    injected
}

/// A value a little out lies this share of the way to one well out.
const NEAR: f64 = 0.2;
/// So many entries in a row are out: no alarm asks for more.
const ENTRIES_IN_A_ROW: usize = 5;

/// Somebody enters what is out, again and again.
fn entered(line: &Line, alarm: AlarmId, id: SignalId) -> Injected {
    let mut injected = Injected::default();
    let Some(entry) = line.entries.iter().find(|entry| entry.signal == id) else { return injected };
    let tag = &line.signal(id).tag;
    let again = |typed: String| vec![Step::Enter(tag.clone(), typed); ENTRIES_IN_A_ROW];
    match entry.kind {
        EntryKind::Check => injected.faults.push((Branch::Whole, again("failed".to_owned()))),
        EntryKind::Number => {
            let (low, high) = entry.possible;
            // A little out first: what is far out may have an alarm of its own.
            let near = |aim: Aim| Aim { beyond: NEAR * aim.beyond, ..aim };
            for aim in aims(line, alarm).into_iter().flat_map(|aim| [near(aim), aim]) {
                let value = aim.value().clamp(low, high);
                let is_out = match aim.side {
                    Side::Above => value > aim.edge,
                    Side::Below => value < aim.edge,
                };
                if is_out {
                    injected.faults.push((aim.branch, again(format!("{value:.4}"))));
                }
            }
            let declared = Branch::of(line.alarm(alarm)).into_iter();
            let faults = &injected.faults;
            let missing =
                declared.filter(|branch| faults.iter().all(|(of, _)| of.among(&[*branch]).is_none()));
            let note = format!("nothing that {tag} may be lies beyond what the alarm is about");
            injected.notes = missing
                .filter(|branch| *branch != Branch::Whole || faults.is_empty())
                .map(|branch| (branch, note.clone()))
                .collect();
        }
        EntryKind::Calibration => {
            injected.notes.push((Branch::Whole, format!("{tag} is a calibration: not tried here")));
        }
    }
    injected
}

/// What is worked out from entries and corn: a check that is not repeated, another tank in front of the line.
fn of_corn(line: &Line, id: SignalId, followed: Followed) -> Injected {
    let mut injected = Injected::default();
    match followed {
        Followed::SinceGood(entry) => {
            let is_check = line.entries.iter().any(|one| one.signal == entry && one.kind == EntryKind::Check);
            let typed = if is_check { "passed".to_owned() } else { right(line, entry) };
            let steps = vec![Step::Enter(line.signal(entry).tag.clone(), typed)];
            injected.faults.push((Branch::Whole, steps));
        }
        Followed::YoungestFeeding => {
            let feeding = line.feed.as_ref().and_then(|feed| feed.tank);
            for tank in &line.tanks {
                let shown = feeding.map(|feeding| shows(line, feeding, f64::from(tank.number)));
                let steps = shown.and_then(Result::ok).map(|fault| vec![Step::Begin(fault)]);
                injected.faults.extend(steps.map(|steps| (Branch::Whole, steps)));
            }
        }
        Followed::Balance(_) => {
            let tag = &line.signal(id).tag;
            let why = "is a figure of the heat balance, over minutes of a line that runs steadily: no register shows it";
            injected.notes.push((Branch::Whole, format!("{tag} {why}")));
            return injected;
        }
        Followed::OldestCorn | Followed::OldestIn(_) | Followed::DueTank => {}
    }
    if injected.faults.is_empty() {
        let tag = &line.signal(id).tag;
        let why = "follows from hours of batches and feedings: nothing here brings it about";
        injected.notes.push((Branch::Whole, format!("{tag} {why}")));
    }
    injected
}

/// What is right of an entry: the recipe's setpoint, else the middle of what is usual.
#[must_use]
pub fn right(line: &Line, signal: SignalId) -> String {
    let asked = line.recipe().setpoint(signal).map(|asked| asked.target.setpoint);
    let entry = line.entries.iter().find(|entry| entry.signal == signal);
    let middle = entry.map(|entry| (entry.usual.0 + entry.usual.1) / 2.0);
    format!("{:.4}", asked.or(middle).unwrap_or_default())
}

/// The value that an aim asks for, in the signal's register or in that of the signal it is computed from.
fn beyond(line: &Line, aim: &Aim) -> Result<String, String> {
    let signal = line.signal(aim.signal);
    let (low, high) = signal.range;
    let value = aim.value().clamp(low, high);
    let is_beyond = match aim.side {
        Side::Above => value > aim.edge,
        Side::Below => value < aim.edge,
    };
    if !is_beyond {
        return Err(format!(
            "{} can't show a value beyond {}: its range ends there ({low} to {high})",
            signal.tag, aim.edge
        ));
    }
    shows(line, aim.signal, value)
}

/// The register shows this value; of a derived signal, one of its inputs shows what makes it this value.
fn shows(line: &Line, id: SignalId, value: f64) -> Result<String, String> {
    let signal = line.signal(id);
    match &signal.origin {
        Origin::Register(_) => shows_register(signal, value),
        Origin::Derived(derivation) => {
            let (input, value) = input_for(line, derivation, value)
                .ok_or_else(|| format!("{} can't be made {value} by one of its inputs", signal.tag))?;
            let input = line.signal(input);
            let (low, high) = input.range;
            if !(low..=high).contains(&value) {
                let tag = &input.tag;
                return Err(format!("{tag} would have to show {value}, outside its range ({low} to {high})"));
            }
            shows_register(input, value)
        }
        Origin::Entered => Err(format!("{} is entered by a person: no register shows it", signal.tag)),
        Origin::Followed(_) => {
            Err(format!("{} follows from hours of batches and feedings: no register shows it", signal.tag))
        }
    }
}

fn shows_register(signal: &LineSignal, value: f64) -> Result<String, String> {
    let tag = &signal.tag;
    let Some(register) = signal.register() else { return Err(format!("{tag} has no register")) };
    let (low, high) = signal.range;
    // A count beside the end of the range would be outside it.
    let value = to_counts(signal, value).clamp(low, high);
    match said(register, value) {
        Some(Reading::Good(_)) => Ok(format!("shows {tag} {value}")),
        Some(Reading::Uncertain(..) | Reading::Bad(_)) | None => {
            Err(format!("the register of {tag} can't say {value}"))
        }
    }
}

/// What a register that is made to show a value says; `None` if it can't show it.
fn said(register: &Register, value: f64) -> Option<Reading> {
    let words = register.wire.encode(value).ok()?;
    let count = usize::from(register.wire.place().words);
    words.get(..count).map(|words| register.wire.decode_words(words))
}

/// The nearest value that the register can say, without what floating point leaves behind.
#[must_use]
pub fn to_counts(signal: &LineSignal, value: f64) -> f64 {
    let Some(wire) = signal.register().map(|register| &register.wire) else { return value };
    let counted = ((value - wire.offset) / wire.scale).round() * wire.scale + wire.offset;
    let written = format!("{counted:.6}");
    written.parse().unwrap_or(counted)
}

/// Which input must show what, so that a derived value becomes `value`; the other stays at its typical value.
fn input_for(line: &Line, derivation: &Derivation, value: f64) -> Option<(SignalId, f64)> {
    let typical = |id: SignalId| line.signal(id).simulate.typical;
    match *derivation {
        Derivation::Dwell { speed, unit_m_per_s, effective_length_m } => {
            (value > 0.0).then(|| (speed, effective_length_m / value / unit_m_per_s))
        }
        Derivation::Ratio { of, to, factor } => Some((of, value / factor * typical(to))),
        Derivation::Difference { of, minus } => Some((of, value + typical(minus))),
        // A counter that stands still gains nothing.
        Derivation::Slope { .. } => None,
    }
}

/// An instrument whose error grows this fast; for a rate that is too slow, one that stands.
fn ramp(line: &Line, id: SignalId, settings: &RateSettings) -> Result<String, String> {
    let signal = line.signal(id);
    if signal.register().is_none() {
        return Err(format!("{} is computed: nothing can ramp it", signal.tag));
    }
    match settings.side {
        Side::Above => Ok(format!("drift {} {}", signal.tag, 2.0 * settings.per_minute)),
        Side::Below => {
            let middle = settings.between.map_or(signal.simulate.typical, |(low, high)| (low + high) / 2.0);
            shows_register(signal, middle)
        }
    }
}

/// A temperature at which the dose is too much in a quarter of the time that would be right, and one at which it is next to none.
fn doses(
    line: &Line,
    id: SignalId,
    settings: &EquivalentTimeSettings,
) -> Vec<(Branch, Result<String, String>)> {
    let signal = line.signal(id);
    let hot = (settings.reference - settings.z * DOSE_IN.log10()).min(signal.range.1);
    let most = settings.most.map(|_| (Branch::TooMuch, shows(line, id, hot)));
    let least = settings.least.map(|_| (Branch::TooLittle, shows(line, id, signal.range.0)));
    most.into_iter().chain(least).collect()
}

/// Two bits that differ: the watched one on, or off. Where the other's usual state is in the way, it is made to lie too.
fn bits_apart(
    line: &Line,
    id: SignalId,
    other: SignalId,
    (side, usual): (Side, f64),
) -> Result<Vec<String>, String> {
    let own = match side {
        Side::Above => 1.0,
        Side::Below => 0.0,
    };
    let shown = shows(line, id, own)?;
    if usual == own { Ok(vec![shows(line, other, 1.0 - own)?, shown]) } else { Ok(vec![shown]) }
}

/// A value outside the signal's range, if its register can say one.
fn unbelievable(line: &Line, id: SignalId) -> Result<String, String> {
    let signal = line.signal(id);
    let Some(register) = signal.register() else {
        return Err(format!("{} is computed: it has no register that could be wrong", signal.tag));
    };
    let (low, high) = signal.range;
    let by = (high - low).abs().max(register.wire.scale.abs()).max(1.0) * 0.05 + register.wire.scale.abs();
    for value in [high + by, low - by, high + register.wire.scale.abs(), low - register.wire.scale.abs()] {
        let value = to_counts(signal, value);
        if matches!(said(register, value), Some(Reading::Bad(_))) {
            return Ok(format!("shows {} {value}", signal.tag));
        }
    }
    Err(format!(
        "every word that {} can have is a value of it: only the loss of its controller makes it bad, and that has an alarm of its own",
        signal.tag
    ))
}

/// What must be shown so that the alarm may speak: its own conditions, its batch, a mode of its station.
#[must_use]
pub fn conditions(line: &Line, alarm: &LineAlarm) -> Vec<String> {
    let watched = alarm.settings.watches.signal();
    let mut all: Vec<&Condition> = alarm.when.iter().chain(&alarm.batch).collect();
    if !alarm.settings.modes.contains(Mode::Run)
        && let Some(station) = alarm.settings.station
    {
        let rule = line.station(station).modes.iter().find(|rule| alarm.settings.modes.contains(rule.mode));
        all.extend(rule.iter().flat_map(|rule| &rule.when));
    }
    let asked = all.into_iter().filter(|condition| Some(condition.signal) != watched);
    let shown = asked.filter_map(|condition| {
        let value = match &condition.test {
            Test::Is(codes) => *codes.first()? as f64,
            Test::Between { low, high } => (low + high) / 2.0,
        };
        shows(line, condition.signal, value).ok()
    });
    shown.collect()
}
