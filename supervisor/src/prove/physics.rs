//! Faults that bring a value where an alarm wants it: from what a signal means to what can go wrong with it.
//!
//! Each entry is a table row in code: meaning and direction, then faults, the most direct first. A signal without a meaning
//! has none.

use super::aim::{Aim, aims};
use super::branch::Branch;
use super::inject::to_counts;
use super::plan::Step;
use setward_alarm::{AlarmId, EquivalentTimeSettings, Kind, Side, Watched};
use setward_config::line::{Line, LineSignal, Meaning, Origin, Role};
use setward_process::derived::Derivation;
use setward_protocol::{SignalId, Unit};

/// Burner or heat demand held here by hand, %, to make a unit cold or hot.
const BY_HAND_COLD: f64 = 5.0;
const BY_HAND_HOT: f64 = 100.0;
/// A setpoint is turned so much further than the value has to go, as a share of the way: loops settle at their setpoint.
const FURTHER: f64 = 1.1;
/// So much more oil is lost than just raises a mean: it takes its window to get there.
const OIL_FURTHER: f64 = 1.5;
/// A disagreement grows to its limit in so many minutes.
const DRIFTS_IN_MIN: f64 = 4.0;
/// And in so many where that would leave its range before the alarm may speak.
const DRIFTS_SLOWLY_IN_MIN: f64 = 20.0;
/// A probe behind thick scale has this time constant, s.
const PROBE_SLOW_S: &str = "600";

/// Faults that go together, with the branch that they show; several such sets, the most direct first.
#[must_use]
pub fn of(line: &Line, alarm: AlarmId) -> Vec<(Branch, Vec<Step>)> {
    let own = line.alarm(alarm);
    let signal = match own.settings.watches {
        Watched::Controller(controller) => {
            return shown(
                Branch::Whole,
                vec![fault(format!("controller-silent {}", line.controller(controller).name))],
            );
        }
        Watched::Server(_) => return Vec::new(),
        Watched::Signal(signal) => signal,
    };
    if own.band.is_some() {
        return shown(Branch::Whole, vec![cooling_probes(line)]);
    }
    match &own.settings.kind {
        Kind::Measurement(_) => shown(Branch::Whole, measurement(line, signal)),
        Kind::Status(settings) => {
            let codes = settings.is.as_slice().iter();
            codes.flat_map(|code| shown(Branch::Code(*code), of_code(line, signal, *code))).collect()
        }
        Kind::Rate(settings) => shown(Branch::Whole, of_rate(line, signal, settings.side)),
        Kind::EquivalentTime(settings) => of_dose(line, signal, settings),
        Kind::Discrepancy(settings) => apart(line, signal, settings.other, settings.apart),
        Kind::Limit(_)
        | Kind::Deviation(_)
        | Kind::TimeWeighted(_)
        | Kind::MovingAverage(_)
        | Kind::Drift(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => {
            aims(line, alarm).iter().flat_map(|aim| shown(aim.branch, of_aim(line, aim))).collect()
        }
    }
}

fn shown(branch: Branch, sets: Vec<Vec<Step>>) -> Vec<(Branch, Vec<Step>)> {
    sets.into_iter().map(|steps| (branch, steps)).collect()
}

fn fault(text: String) -> Vec<Step> {
    vec![Step::Begin(text)]
}

/// Every thermometer that is held against the age of corn reads lower and lower, 3 K an hour: each is told once its tank has been
/// filled again.
fn cooling_probes(line: &Line) -> Vec<Step> {
    let banded = line.alarms.iter().filter(|alarm| alarm.band.is_some());
    let signals = banded.filter_map(|alarm| alarm.settings.watches.signal());
    signals.map(|signal| Step::Begin(format!("drift {} -0.05", line.signal(signal).tag))).collect()
}

/// The signal of another meaning that belongs with this one: the second goes with the second.
fn mate(line: &Line, id: SignalId, meaning: Meaning) -> Option<&LineSignal> {
    let own = line.signal(id).means?;
    let before = line.signals_with_ids().filter(|(other, signal)| *other < id && signal.means == Some(own));
    line.signals.iter().filter(|signal| signal.means == Some(meaning)).nth(before.count())
}

fn first(line: &Line, meaning: Meaning) -> Option<&LineSignal> {
    line.signals.iter().find(|signal| signal.means == Some(meaning))
}

/// What makes a signal bad: an open circuit where the controller has a word for it, else a stopped program.
fn measurement(line: &Line, id: SignalId) -> Vec<Vec<Step>> {
    let signal = line.signal(id);
    let Some(register) = signal.register() else { return Vec::new() };
    let says_so = !register.wire.no_value.is_empty() || !register.wire.encoding.is_whole();
    let broken = says_so.then(|| fault(format!("sensor-break {}", signal.tag)));
    let controller = line.controller(register.controller);
    let stopped = controller.heartbeat.map(|_| fault(format!("program-stopped {}", controller.name)));
    broken.into_iter().chain(stopped).collect()
}

fn of_code(line: &Line, id: SignalId, code: i64) -> Vec<Vec<Step>> {
    let Some(meaning) = line.signal(id).means else { return Vec::new() };
    let about = |meaning, name: &str| mate(line, id, meaning).map(|of| fault(format!("{name} {}", of.tag)));
    let found = match (meaning, code) {
        (Meaning::OvenFlame, 0) => about(Meaning::OvenTemperature, "burner-out"),
        (Meaning::OvenExhaust, 0) => Some(fault("exhaust-lost".to_owned())),
        (Meaning::KettleDischargeClosed, 0) => about(Meaning::KettleTemperature, "discharge-open"),
        (Meaning::FryerOilLevelLowLow, 1) => Some(fault("make-up-closed".to_owned())),
        (Meaning::FryerOilFlowProven, 0) => Some(fault("flow-low 10".to_owned())),
        (Meaning::FeedPresent | Meaning::CutterRunning, 0) => Some(vec![Step::Operate("stop-feed")]),
        (Meaning::PackingStopped, 1) => Some(fault("baggers-stopped".to_owned())),
        (Meaning::OvenMode, 0) => by_hand(line, id, Meaning::OvenBurner, BY_HAND_HOT),
        (Meaning::FryerMode, 1) => by_hand(line, id, Meaning::FryerHeatDemand, BY_HAND_HOT),
        (Meaning::FryerMode, 3) => Some(vec![Step::Operate("hold")]),
        (Meaning::FryerHighLimit, 1) => by_hand(line, id, Meaning::FryerHeatDemand, BY_HAND_HOT).map(unfed),
        _ => None,
    };
    found.into_iter().collect()
}

/// The same while nothing is fed: all the heat stays in the oil.
fn unfed(mut steps: Vec<Step>) -> Vec<Step> {
    steps.push(Step::Operate("stop-feed"));
    steps
}

fn by_hand(line: &Line, id: SignalId, output: Meaning, percent: f64) -> Option<Vec<Step>> {
    let output = mate(line, id, output).or_else(|| first(line, output))?;
    Some(fault(format!("loop-manual {} {percent}", output.tag)))
}

fn of_rate(line: &Line, id: SignalId, side: Side) -> Vec<Vec<Step>> {
    let signal = line.signal(id);
    match (signal.means, side) {
        (Some(Meaning::KettleTemperature), Side::Below) => {
            vec![fault(format!("trap-failed {}", signal.tag)), fault("steam-low 1".to_owned())]
        }
        (Some(Meaning::FryerOilInlet | Meaning::FryerOilInletSecond), Side::Above) => {
            vec![fault("dry-out-skipped".to_owned())]
        }
        _ => Vec::new(),
    }
}

/// A batch that is cooked too hot, quenched too slowly, or held too short or too cold; and one to which nothing happens but another
/// recipe.
fn of_dose(line: &Line, id: SignalId, settings: &EquivalentTimeSettings) -> Vec<(Branch, Vec<Step>)> {
    let signal = line.signal(id);
    if signal.means != Some(Meaning::KettleTemperature) {
        return Vec::new();
    }
    let turned = |by: f64| {
        let entered = mate(line, id, Meaning::KettleSetpoint)?;
        let value =
            to_counts(entered, (entered.simulate.typical + by).clamp(entered.range.0, entered.range.1));
        Some(fault(format!("setpoint-turned {} {value}", entered.tag)))
    };
    let mut all = Vec::new();
    if settings.most.is_some() {
        let slow = fault("quench-low 2".to_owned());
        let hot = turned(6.0);
        let both = hot.clone().map(|mut steps| {
            steps.extend(slow.clone());
            steps
        });
        all.extend(shown(Branch::TooMuch, [hot, Some(slow), both].into_iter().flatten().collect()));
    }
    if settings.least.is_some() {
        let [short, shortest] = ["hold-set 10", "hold-set 1"].map(|text| Some(fault(text.to_owned())));
        all.extend(shown(Branch::TooLittle, [short, turned(-1.5), shortest].into_iter().flatten().collect()));
    }
    all
}

/// One of two instruments that should agree drifts away, fast or so slowly that it stays in its range, or follows slowly.
fn apart(line: &Line, id: SignalId, other: SignalId, limit: f64) -> Vec<(Branch, Vec<Step>)> {
    let is_instrument = |id: SignalId| {
        let signal = line.signal(id);
        signal.register().is_some() && signal.role == Role::Measured
    };
    let about = |name: &str, id: SignalId, value: &str| {
        is_instrument(id).then(|| fault(format!("{name} {} {value}", line.signal(id).tag)))
    };
    // A loop follows its own probe: the other one shows the difference at once.
    let is_held = |id: SignalId| line.loops.iter().any(|own| own.measured == id);
    let heats = line.signal(id).means == Some(Meaning::KettleTemperature);
    let mut all = Vec::new();
    for side in [Side::Below, Side::Above] {
        let (own, others) = match side {
            Side::Above => (1.0, -1.0),
            Side::Below => (-1.0, 1.0),
        };
        let ways = if is_held(other) { [(id, own), (other, others)] } else { [(other, others), (id, own)] };
        let drifts = |minutes: f64| {
            ways.map(|(id, sign)| about("drift", id, &format!("{:.4}", sign * limit / minutes)))
        };
        let slow = match side {
            Side::Above => other,
            Side::Below => id,
        };
        let follows = if heats { about("probe-slow", slow, PROBE_SLOW_S) } else { None };
        let sets = drifts(DRIFTS_IN_MIN).into_iter().chain(drifts(DRIFTS_SLOWLY_IN_MIN)).chain([follows]);
        all.extend(shown(Branch::Side(side), sets.flatten().collect()));
    }
    if heats {
        let stopped = fault(format!("agitator-stopped {}", line.signal(id).tag));
        all.extend(shown(Branch::Whole, vec![stopped]));
    }
    all
}

fn of_aim(line: &Line, aim: &Aim) -> Vec<Vec<Step>> {
    let signal = line.signal(aim.signal);
    if let Origin::Derived(derivation) = &signal.origin {
        return of_derived(line, aim, derivation);
    }
    let value = aim.value();
    if signal.role == Role::Setpoint {
        return turned_to(signal, value).into_iter().collect();
    }
    let Some(meaning) = signal.means else { return Vec::new() };
    match aim.side {
        Side::Below => too_low(line, aim, meaning, value),
        Side::Above => too_high(line, aim, meaning, value),
    }
}

/// Somebody enters this; `None` if the panel does not take it.
fn turned_to(setpoint: &LineSignal, value: f64) -> Option<Vec<Step>> {
    let value = to_counts(setpoint, value);
    let (low, high) = setpoint.range;
    let takes = (low..=high).contains(&value) && setpoint.register().is_some();
    takes.then(|| fault(format!("setpoint-turned {} {value}", setpoint.tag)))
}

/// The setpoint is turned as far as the value has to go, and a little further.
fn turned_by(line: &Line, aim: &Aim, setpoint: Meaning) -> Option<Vec<Step>> {
    let entered = mate(line, aim.signal, setpoint).or_else(|| first(line, setpoint))?;
    let measured = line.signal(aim.signal);
    if entered.unit != measured.unit {
        return None;
    }
    let way = (aim.value() - measured.simulate.typical) * FURTHER;
    let value = (entered.simulate.typical + way).clamp(entered.range.0, entered.range.1);
    turned_to(entered, value)
}

fn too_low(line: &Line, aim: &Aim, meaning: Meaning, value: f64) -> Vec<Vec<Step>> {
    let tag = &line.signal(aim.signal).tag;
    let by_value = |name: &str| Some(fault(format!("{name} {}", (value * 1000.0).round() / 1000.0)));
    let about =
        |of: Meaning, name: &str| mate(line, aim.signal, of).map(|of| fault(format!("{name} {}", of.tag)));
    let plain = |text: &str| Some(fault(text.to_owned()));
    let below_k = line.signal(aim.signal).simulate.typical - value;
    let found = match (meaning, aim.side) {
        (Meaning::KettleTemperature | Meaning::KettleBottomTemperature, Side::Below) => vec![
            turned_by(line, aim, Meaning::KettleSetpoint),
            by_hand(line, aim.signal, Meaning::KettleSteamValve, 0.0),
            plain("steam-low 0.5"),
        ],
        (Meaning::KettleJacketPressure, Side::Below) => vec![plain("steam-low 0.2")],
        (Meaning::SteamHeaderPressure, Side::Below) => vec![by_value("steam-low")],
        (Meaning::KettleAgitatorCurrent, Side::Below) => {
            vec![about(Meaning::KettleTemperature, "agitator-stopped")]
        }
        (Meaning::QuenchWaterFlow, Side::Below) => vec![by_value("quench-low")],
        (Meaning::OvenTemperature, Side::Below) => vec![
            by_hand(line, aim.signal, Meaning::OvenBurner, BY_HAND_COLD),
            turned_by(line, aim, Meaning::OvenSetpoint),
            Some(fault(format!("burner-out {tag}"))),
        ],
        (Meaning::OvenGasPressure, Side::Below) => vec![about(Meaning::OvenTemperature, "burner-out")],
        (Meaning::FryerOilInlet | Meaning::FryerOilInletSecond, Side::Below) => vec![
            Some(fault(format!("heat-low {:.2}", below_k.max(0.1)))),
            turned_by(line, aim, Meaning::FryerSetpoint),
        ],
        (Meaning::FryerOilMid | Meaning::FryerOilOutlet, Side::Below) => {
            vec![plain("wet-feed 55"), plain("flow-low 39"), turned_by(line, aim, Meaning::FryerSetpoint)]
        }
        (Meaning::HeatingMediumTemperature | Meaning::HeatExchangerOilOutlet, Side::Below) => {
            vec![plain("heat-low 10")]
        }
        (Meaning::FryerOilFlow, Side::Below) => vec![by_value("flow-low")],
        (Meaning::FryerOilLevel, Side::Below) => vec![plain("make-up-closed")],
        (Meaning::FeedMoisture, Side::Below) => vec![by_value("wet-feed")],
        (Meaning::OvenBeltSpeed | Meaning::EquilibratorBeltSpeed | Meaning::FryerBeltSpeed, Side::Below) => {
            vec![Some(slip(line.signal(aim.signal), value))]
        }
        _ => Vec::new(),
    };
    found.into_iter().flatten().collect()
}

fn too_high(line: &Line, aim: &Aim, meaning: Meaning, value: f64) -> Vec<Vec<Step>> {
    let by_hand = |output| by_hand(line, aim.signal, output, BY_HAND_HOT);
    let plain = |text: &str| Some(fault(text.to_owned()));
    let found = match (meaning, aim.side) {
        (Meaning::KettleTemperature | Meaning::KettleBottomTemperature, Side::Above) => vec![
            plain("quench-low 20"),
            turned_by(line, aim, Meaning::KettleSetpoint),
            by_hand(Meaning::KettleSteamValve),
        ],
        (Meaning::KettleJacketPressure, Side::Above) => vec![by_hand(Meaning::KettleSteamValve)],
        (Meaning::OvenTemperature, Side::Above) => {
            vec![by_hand(Meaning::OvenBurner), turned_by(line, aim, Meaning::OvenSetpoint)]
        }
        (
            Meaning::FryerOilInlet
            | Meaning::FryerOilInletSecond
            | Meaning::FryerOilMid
            | Meaning::FryerOilOutlet,
            Side::Above,
        ) => vec![turned_by(line, aim, Meaning::FryerSetpoint), by_hand(Meaning::FryerHeatDemand).map(unfed)],
        (Meaning::HeatExchangerOilOutlet, Side::Above) => vec![
            turned_by(line, aim, Meaning::FryerSetpoint),
            by_hand(Meaning::FryerHeatDemand).map(|mut steps| {
                steps.extend(fault("flow-low 20".to_owned()));
                steps
            }),
            by_hand(Meaning::FryerHeatDemand).map(unfed),
        ],
        (Meaning::FryerHeatDemand, Side::Above) => vec![plain("heat-low 6")],
        (Meaning::FryerFilterPressure, Side::Above) => vec![plain("screen-blocking 0.5")],
        (Meaning::FeedMoisture, Side::Above) => vec![Some(fault(format!("wet-feed {value:.2}")))],
        (Meaning::OvenBurner, Side::Above) => vec![turned_by(line, aim, Meaning::OvenSetpoint)],
        _ => Vec::new(),
    };
    found.into_iter().flatten().collect()
}

/// The belt slips as far as brings its speed down to `value`.
fn slip(speed: &LineSignal, value: f64) -> Vec<Step> {
    let usual = speed.simulate.typical;
    let percent = if usual > 0.0 { (1.0 - value / usual) * 100.0 } else { 100.0 };
    fault(format!("belt-slip {} {:.2}", speed.tag, percent.clamp(0.0, 100.0)))
}

/// So much oil is lost that its share of the product becomes what the aim asks.
fn oil_lost(line: &Line, aim: &Aim) -> Vec<Vec<Step>> {
    let Origin::Derived(Derivation::Slope { to: Some(flow), .. }) = line.signal(aim.signal).origin else {
        return Vec::new();
    };
    let (usual, product) = (line.signal(aim.signal).simulate.typical, line.signal(flow));
    let Some(kg_per_h) = product.unit.convert(product.simulate.typical, Unit::KilogramPerHour) else {
        return Vec::new();
    };
    let asked = line.recipe().setpoint(aim.signal).map_or(usual, |asked| asked.target.setpoint);
    vec![fault(format!("oil-leak {:.0}", (aim.value() - asked) / 100.0 * kg_per_h * OIL_FURTHER))]
}

fn of_derived(line: &Line, aim: &Aim, derivation: &Derivation) -> Vec<Vec<Step>> {
    let is_belt = |id: SignalId| {
        let means = line.signal(id).means;
        matches!(
            means,
            Some(Meaning::OvenBeltSpeed | Meaning::EquilibratorBeltSpeed | Meaning::FryerBeltSpeed)
        )
    };
    let is_make_up = |id: SignalId| line.signal(id).means == Some(Meaning::FryerMakeUpTotal);
    match (*derivation, aim.side) {
        (Derivation::Dwell { speed, unit_m_per_s, effective_length_m }, Side::Above) if is_belt(speed) => {
            vec![slip(line.signal(speed), effective_length_m / aim.value() / unit_m_per_s)]
        }
        // Faster only by its setpoint: a belt does not slip forward.
        (Derivation::Dwell { speed, .. }, Side::Below) => {
            let belt = line.belts.iter().find(|belt| belt.speed == speed);
            let setpoint = belt.and_then(|belt| belt.dwell_setpoint);
            setpoint.and_then(|id| turned_to(line.signal(id), aim.value())).into_iter().collect()
        }
        (Derivation::Ratio { of, to, factor }, Side::Below) if is_belt(of) => {
            vec![slip(line.signal(of), aim.value() / factor * line.signal(to).simulate.typical)]
        }
        (Derivation::Ratio { of, to, factor }, Side::Above) if is_belt(to) => {
            vec![slip(line.signal(to), line.signal(of).simulate.typical * factor / aim.value())]
        }
        (Derivation::Slope { of, to: Some(_), .. }, Side::Above) if is_make_up(of) => oil_lost(line, aim),
        (
            Derivation::Dwell { .. }
            | Derivation::Ratio { .. }
            | Derivation::Difference { .. }
            | Derivation::Slope { .. },
            _,
        ) => Vec::new(),
    }
}
