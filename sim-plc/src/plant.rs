//! The whole plant in virtual time: its units, and what each signal of the line truly is and what its instrument says.
//!
//! Terms: the *truth* of a signal is its physical value; what is *sensed* is the truth seen late and noisily by its
//! instrument, with the faults of that instrument. What the register then shows is the business of [`crate::image`].
//! Values here are in the signals' own units; the units of the plant ([`crate::physics`]) compute in SI.
//!
//! A signal finds its unit by what it means: the second `oven-temperature` of the line belongs with the second
//! `oven-setpoint` and the second `oven-burner`. A signal that means nothing to the physics has a source of its own:
//! noise that wanders about its typical value.
//!
//! Left out for now: a loop here regulates on the true value, late, never on a faulty register.

use crate::active::ActiveFaults;
use crate::physics::{
    Fryer, FryerInputs, Kettle, KettleInputs, Noise, OvenInputs, OvenZone, StepTime, Wander,
};
use setward_config::line::{Line, LineSignal, Meaning, Role};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// Flow when the line has no flow signal, m3/s: 46 m3/h of the line at a glance.
const USUAL_FLOW_M3_PER_S: f64 = 46.0 / 3600.0;
/// Burner output in balance when the line has no signal for it, %. Illustrative.
const USUAL_BURNER_PERCENT: f64 = 52.0;
/// Steam valve in balance when the line has no signal for it, %: 15 to 30 in hold.
const USUAL_VALVE_PERCENT: f64 = 22.0;
/// A counting word starts again here.
const HEARTBEAT_WRAPS_AT: u64 = 65_536;

/// Where the truth of a signal comes from.
#[derive(Debug, Clone)]
enum Source {
    /// A person entered it.
    Entered,
    /// A unit of the plant computes it.
    Physics(Meaning, usize),
    /// A belt, driven so that product stays as long as the panel's seconds say.
    Belt {
        /// The entered seconds and what they are at the belt's typical speed.
        dwell: Option<(SignalId, f64)>,
    },
    /// Counts seconds while the program of its controller runs.
    Heartbeat { ran: Duration },
    /// Noise that wanders about the typical value.
    Typical(Wander),
}

#[derive(Debug, Clone)]
struct Point {
    source: Source,
    unit: Unit,
    controller: usize,
    typical: f64,
    noise: f64,
    tau_s: f64,
    truth: f64,
    /// The truth, late.
    late: f64,
    sensed: f64,
}

/// State of the plant.
#[derive(Debug, Clone)]
pub(crate) struct Plant {
    elapsed: Duration,
    points: Vec<Point>,
    fryer: Option<Fryer>,
    zones: Vec<(SignalId, OvenZone)>,
    kettles: Vec<(SignalId, Kettle)>,
    noise: Noise,
    pub(crate) faults: ActiveFaults,
}

impl Plant {
    /// The plant of `line`, in balance at its entered setpoints.
    pub(crate) fn new(line: &Line, seed: u64) -> Self {
        let points = line.signals_with_ids().map(|(id, signal)| Point::new(id, signal, line)).collect();
        let mut plant = Self {
            elapsed: Duration::ZERO,
            points,
            fryer: None,
            zones: Vec::new(),
            kettles: Vec::new(),
            noise: Noise::new(seed),
            faults: ActiveFaults::default(),
        };
        plant.build_units(line);
        plant.settle();
        plant
    }

    /// Virtual time since the start.
    pub(crate) const fn elapsed(&self) -> Duration {
        self.elapsed
    }

    /// The physical value of a signal, in its unit.
    pub(crate) fn truth(&self, signal: SignalId) -> Option<f64> {
        self.points.get(signal.index()).map(|point| point.truth)
    }

    /// What the instrument of each signal says, in its unit, in the order of the line.
    pub(crate) fn sensed(&self) -> impl Iterator<Item = f64> {
        self.points.iter().map(|point| point.sensed)
    }

    /// Lets `step`, which is `span` long, pass.
    pub(crate) fn step(&mut self, step: StepTime, span: Duration) {
        self.elapsed += span;
        self.step_units(step);
        for index in 0..self.points.len() {
            self.step_point(index, step, span);
        }
    }

    fn build_units(&mut self, line: &Line) {
        self.fryer = id_meaning(line, Meaning::FryerOilInlet, 0).map(|inlet| {
            Fryer::settled(&self.fryer_inputs(line_degc(line, inlet)), probe_tau_s(line, inlet))
        });
        for ordinal in 0.. {
            let Some(zone) = id_meaning(line, Meaning::OvenTemperature, ordinal) else { break };
            let inputs = self.oven_inputs(zone, ordinal, line_degc(line, zone));
            let holding_percent = holding_percent(line, Meaning::OvenBurner, ordinal, USUAL_BURNER_PERCENT);
            self.zones.push((zone, OvenZone::settled(&inputs, holding_percent, probe_tau_s(line, zone))));
        }
        for ordinal in 0.. {
            let Some(kettle) = id_meaning(line, Meaning::KettleTemperature, ordinal) else { break };
            let inputs = self.kettle_inputs(ordinal, line_degc(line, kettle));
            let holding_percent =
                holding_percent(line, Meaning::KettleSteamValve, ordinal, USUAL_VALVE_PERCENT);
            self.kettles.push((kettle, Kettle::settled(&inputs, holding_percent, probe_tau_s(line, kettle))));
        }
    }

    /// Gives every signal the value that belongs to the balance, so that no instrument starts with a transient.
    fn settle(&mut self) {
        for index in 0..self.points.len() {
            let truth = self.truth_now(index);
            if let Some(point) = self.points.get_mut(index) {
                (point.truth, point.late, point.sensed) = (truth, truth, truth);
            }
        }
    }

    fn step_units(&mut self, step: StepTime) {
        if let Some(mut fryer) = self.fryer.take() {
            let inputs = self.fryer_inputs(fryer.inlet_degc());
            fryer.step(step, &inputs, &mut self.noise);
            self.fryer = Some(fryer);
        }
        let mut zones = std::mem::take(&mut self.zones);
        for (ordinal, (signal, zone)) in zones.iter_mut().enumerate() {
            let inputs = self.oven_inputs(*signal, ordinal, zone.zone_degc());
            zone.step(step, &inputs, &mut self.noise);
        }
        self.zones = zones;
        let mut kettles = std::mem::take(&mut self.kettles);
        for (ordinal, (_, kettle)) in kettles.iter_mut().enumerate() {
            let inputs = self.kettle_inputs(ordinal, kettle.batch_degc());
            kettle.step(step, &inputs, &mut self.noise);
        }
        self.kettles = kettles;
    }

    /// `otherwise_degc` stands in for a setpoint that the line doesn't have.
    fn fryer_inputs(&self, otherwise_degc: f64) -> FryerInputs {
        let faults = self.faults.fryer();
        let usual_flow = self.point_meaning(Meaning::FryerOilFlow, 0).map(|(_, point)| {
            point.unit.convert(point.typical, Unit::CubicMetrePerHour).unwrap_or(point.typical) / 3600.0
        });
        FryerInputs {
            setpoint_degc: self.setpoint_degc(Meaning::FryerSetpoint, 0).unwrap_or(otherwise_degc),
            feed_share: 1.0,
            flow_m3_per_s: faults
                .flow_m3_per_h
                .map(|flow| flow / 3600.0)
                .or(usual_flow)
                .unwrap_or(USUAL_FLOW_M3_PER_S),
            heat_low_k: faults.heat_low_k,
        }
    }

    fn oven_inputs(&self, zone: SignalId, ordinal: usize, otherwise_degc: f64) -> OvenInputs {
        OvenInputs {
            setpoint_degc: self.setpoint_degc(Meaning::OvenSetpoint, ordinal).unwrap_or(otherwise_degc),
            burner_out: self.faults.burner_out(zone),
        }
    }

    fn kettle_inputs(&self, ordinal: usize, otherwise_degc: f64) -> KettleInputs {
        KettleInputs {
            setpoint_degc: self.setpoint_degc(Meaning::KettleSetpoint, ordinal).unwrap_or(otherwise_degc),
        }
    }

    fn setpoint_degc(&self, meaning: Meaning, ordinal: usize) -> Option<f64> {
        let (id, point) = self.point_meaning(meaning, ordinal)?;
        let entered = self.faults.turned(id).unwrap_or(point.typical);
        point.unit.convert(entered, Unit::DegC)
    }

    fn point_meaning(&self, meaning: Meaning, ordinal: usize) -> Option<(SignalId, &Point)> {
        (0..=u16::MAX).map(SignalId).zip(&self.points).find(
            |(_, point)| matches!(point.source, Source::Physics(its, nth) if its == meaning && nth == ordinal),
        )
    }

    fn step_point(&mut self, index: usize, step: StepTime, span: Duration) {
        let Some(id) = u16::try_from(index).ok().map(SignalId) else { return };
        if let Some(point) = self.points.get_mut(index) {
            let stopped = self.faults.program_stopped(point.controller);
            match &mut point.source {
                Source::Heartbeat { ran } if !stopped => *ran += span,
                Source::Typical(wander) => {
                    wander.step(step, &mut self.noise);
                }
                Source::Heartbeat { .. } | Source::Entered | Source::Physics(..) | Source::Belt { .. } => {}
            }
        }
        let truth = self.truth_now(index);
        let drifted = self.faults.drifted(id, self.elapsed);
        let Some(point) = self.points.get_mut(index) else { return };
        point.truth = truth;
        point.late += (truth - point.late) * step.share(point.tau_s);
        let seen = if point.is_instrument() {
            point.late + point.noise * self.noise.normal()
        } else {
            // Entered values and counts are shown exactly; a wandering source already has its lag and noise.
            truth
        };
        point.sensed = seen + drifted;
    }

    /// The physical value that a signal has now, in its unit.
    fn truth_now(&self, index: usize) -> f64 {
        let (Some(point), Ok(id)) = (self.points.get(index), u16::try_from(index).map(SignalId)) else {
            return 0.0;
        };
        match &point.source {
            Source::Entered => self.faults.turned(id).unwrap_or(point.typical),
            Source::Physics(meaning, ordinal) => {
                self.physical(id, *meaning, *ordinal, point).unwrap_or(point.typical)
            }
            Source::Belt { dwell } => {
                let entered_s = dwell.and_then(|(dwell, usual_s)| Some((self.entered(dwell)?, usual_s)));
                let driven = entered_s.map_or(1.0, |(entered_s, usual_s)| usual_s / entered_s.max(1e-3));
                point.typical * driven * (1.0 - self.faults.slip(id))
            }
            Source::Heartbeat { ran } => (ran.as_secs() % HEARTBEAT_WRAPS_AT) as f64,
            Source::Typical(wander) => point.typical + wander.value(),
        }
    }

    fn entered(&self, setpoint: SignalId) -> Option<f64> {
        let usual = self.points.get(setpoint.index()).map(|point| point.typical);
        self.faults.turned(setpoint).or(usual)
    }

    /// What the plant's units say about a signal, in its unit; `None` if no unit computes it.
    #[expect(clippy::too_many_lines, reason = "one flat list of everything a signal can mean")]
    fn physical(&self, id: SignalId, meaning: Meaning, ordinal: usize, point: &Point) -> Option<f64> {
        let zone = self.zones.get(ordinal).map(|(_, zone)| zone);
        let kettle = self.kettles.get(ordinal).map(|(_, kettle)| kettle);
        let degc = |degc: f64| Unit::DegC.convert(degc, point.unit);
        match meaning {
            Meaning::KettleTemperature => degc(kettle?.batch_degc()),
            Meaning::KettleSteamValve => Some(kettle?.valve_percent()),
            Meaning::OvenTemperature => degc(zone?.zone_degc()),
            Meaning::OvenBurner => Some(zone?.burner_percent()),
            Meaning::OvenFlame => Some(f64::from(u8::from(zone?.flame()))),
            Meaning::FryerOilInlet => degc(self.fryer.as_ref()?.inlet_degc()),
            Meaning::FryerOilOutlet => degc(self.fryer.as_ref()?.outlet_degc()),
            Meaning::FryerHeatDemand => Some(self.fryer.as_ref()?.demand_percent()),
            Meaning::FryerOilFlow => {
                Unit::CubicMetrePerHour.convert(self.fryer.as_ref()?.flow_m3_per_s() * 3600.0, point.unit)
            }
            Meaning::KettleSetpoint
            | Meaning::OvenSetpoint
            | Meaning::FryerSetpoint
            | Meaning::OvenDwellSetpoint
            | Meaning::FryerDwellSetpoint => self.entered(id),
            Meaning::KettleAgitator
            | Meaning::OvenBeltSpeed
            | Meaning::FryerBeltSpeed
            | Meaning::KettleBottomTemperature
            | Meaning::KettleJacketPressure
            | Meaning::KettleWeight
            | Meaning::KettleAgitatorCurrent
            | Meaning::KettleWaterTotal
            | Meaning::KettleStep
            | Meaning::KettleHoldTime
            | Meaning::KettleBatchNumber
            | Meaning::KettleDischargeClosed
            | Meaning::SteamHeaderPressure
            | Meaning::QuenchWaterFlow
            | Meaning::QuenchWaterTemperature
            | Meaning::CookRecipeNumber
            | Meaning::SoakTankTemperature
            | Meaning::SoakTankState
            | Meaning::SoakTankFeeding
            | Meaning::WashWaterFlow
            | Meaning::MillCurrent
            | Meaning::MillWaterFlow
            | Meaning::MasaTemperature
            | Meaning::SheeterSpeed
            | Meaning::CutterRunning
            | Meaning::OvenMode
            | Meaning::OvenGasPressure
            | Meaning::OvenBeltTemperature
            | Meaning::OvenExhaust
            | Meaning::OvenHighLimit
            | Meaning::EquilibratorBeltSpeed
            | Meaning::FeedMoisture
            | Meaning::FeedPresent
            | Meaning::FryerOilInletSecond
            | Meaning::FryerOilMid
            | Meaning::FryerWorkingSetpoint
            | Meaning::FryerMode
            | Meaning::HeatExchangerOilOutlet
            | Meaning::HeatExchangerSetpoint
            | Meaning::HeatingMediumTemperature
            | Meaning::FryerOilFlowProven
            | Meaning::FryerOilLevel
            | Meaning::FryerOilLevelLowLow
            | Meaning::FryerMakeUpTotal
            | Meaning::FryerTakeOutSpeed
            | Meaning::FryerFilterPressure
            | Meaning::FryerStackFan
            | Meaning::FryerHighLimit
            | Meaning::FryerHoodDown
            | Meaning::FireSuppressionArmed
            | Meaning::FryerRecipeNumber
            | Meaning::CooledProductTemperature
            | Meaning::ProductFlow
            | Meaning::SeasoningFlow
            | Meaning::BagsMade
            | Meaning::PackingStopped
            | Meaning::MetalDetectorReady
            | Meaning::Heartbeat => None,
        }
    }
}

impl Point {
    fn new(id: SignalId, signal: &LineSignal, line: &Line) -> Self {
        let simulate = signal.simulate;
        Self {
            source: Source::of(id, signal, line),
            unit: signal.unit,
            controller: signal.register().map_or(usize::MAX, |register| register.controller.index()),
            typical: simulate.typical,
            noise: simulate.noise,
            tau_s: simulate.time_constant.as_secs_f64(),
            truth: simulate.typical,
            late: simulate.typical,
            sensed: simulate.typical,
        }
    }

    /// Whether an instrument stands between the truth and the register.
    const fn is_instrument(&self) -> bool {
        match &self.source {
            Source::Entered | Source::Heartbeat { .. } | Source::Typical(_) => false,
            Source::Physics(meaning, _) => !is_entered(*meaning),
            Source::Belt { .. } => true,
        }
    }
}

impl Source {
    #[expect(clippy::too_many_lines, reason = "one flat list of everything a signal can mean")]
    fn of(id: SignalId, signal: &LineSignal, line: &Line) -> Self {
        let Some(meaning) = signal.means else { return Self::without_meaning(signal) };
        let ordinal = line
            .signals_with_ids()
            .filter(|(other, candidate)| *other < id && candidate.means == Some(meaning))
            .count();
        match meaning {
            Meaning::Heartbeat => Self::Heartbeat { ran: Duration::ZERO },
            Meaning::KettleAgitator
            | Meaning::KettleBottomTemperature
            | Meaning::KettleJacketPressure
            | Meaning::KettleWeight
            | Meaning::KettleAgitatorCurrent
            | Meaning::KettleWaterTotal
            | Meaning::KettleStep
            | Meaning::KettleHoldTime
            | Meaning::KettleBatchNumber
            | Meaning::KettleDischargeClosed
            | Meaning::SteamHeaderPressure
            | Meaning::QuenchWaterFlow
            | Meaning::QuenchWaterTemperature
            | Meaning::CookRecipeNumber
            | Meaning::SoakTankTemperature
            | Meaning::SoakTankState
            | Meaning::SoakTankFeeding
            | Meaning::WashWaterFlow
            | Meaning::MillCurrent
            | Meaning::MillWaterFlow
            | Meaning::MasaTemperature
            | Meaning::SheeterSpeed
            | Meaning::CutterRunning
            | Meaning::OvenMode
            | Meaning::OvenGasPressure
            | Meaning::OvenBeltTemperature
            | Meaning::OvenExhaust
            | Meaning::OvenHighLimit
            | Meaning::EquilibratorBeltSpeed
            | Meaning::FeedMoisture
            | Meaning::FeedPresent
            | Meaning::FryerOilInletSecond
            | Meaning::FryerOilMid
            | Meaning::FryerWorkingSetpoint
            | Meaning::FryerMode
            | Meaning::HeatExchangerOilOutlet
            | Meaning::HeatExchangerSetpoint
            | Meaning::HeatingMediumTemperature
            | Meaning::FryerOilFlowProven
            | Meaning::FryerOilLevel
            | Meaning::FryerOilLevelLowLow
            | Meaning::FryerMakeUpTotal
            | Meaning::FryerTakeOutSpeed
            | Meaning::FryerFilterPressure
            | Meaning::FryerStackFan
            | Meaning::FryerHighLimit
            | Meaning::FryerHoodDown
            | Meaning::FireSuppressionArmed
            | Meaning::FryerRecipeNumber
            | Meaning::CooledProductTemperature
            | Meaning::ProductFlow
            | Meaning::SeasoningFlow
            | Meaning::BagsMade
            | Meaning::PackingStopped
            | Meaning::MetalDetectorReady => Self::without_meaning(signal),
            Meaning::OvenBeltSpeed => Self::belt(line, Meaning::OvenDwellSetpoint),
            Meaning::FryerBeltSpeed => Self::belt(line, Meaning::FryerDwellSetpoint),
            Meaning::KettleTemperature
            | Meaning::KettleSetpoint
            | Meaning::KettleSteamValve
            | Meaning::OvenTemperature
            | Meaning::OvenSetpoint
            | Meaning::OvenBurner
            | Meaning::OvenFlame
            | Meaning::OvenDwellSetpoint
            | Meaning::FryerOilInlet
            | Meaning::FryerOilOutlet
            | Meaning::FryerSetpoint
            | Meaning::FryerHeatDemand
            | Meaning::FryerOilFlow
            | Meaning::FryerDwellSetpoint => Self::Physics(meaning, ordinal),
        }
    }

    /// All belts of a station follow its one dwell setpoint, each with its own typical speed.
    fn belt(line: &Line, dwell: Meaning) -> Self {
        let dwell = id_meaning(line, dwell, 0);
        Self::Belt { dwell: dwell.map(|id| (id, line.signal(id).simulate.typical)) }
    }

    fn without_meaning(signal: &LineSignal) -> Self {
        match signal.role {
            Role::Setpoint => Self::Entered,
            Role::Measured | Role::Output | Role::Status => {
                let simulate = signal.simulate;
                Self::Typical(Wander::new(simulate.noise, simulate.time_constant.as_secs_f64()))
            }
        }
    }
}

const fn is_entered(meaning: Meaning) -> bool {
    matches!(
        meaning,
        Meaning::KettleSetpoint
            | Meaning::OvenSetpoint
            | Meaning::FryerSetpoint
            | Meaning::OvenDwellSetpoint
            | Meaning::FryerDwellSetpoint
    )
}

fn id_meaning(line: &Line, meaning: Meaning, ordinal: usize) -> Option<SignalId> {
    line.signals_with_ids().filter(|(_, signal)| signal.means == Some(meaning)).nth(ordinal).map(|(id, _)| id)
}

/// The typical temperature of a signal, degC.
fn line_degc(line: &Line, id: SignalId) -> f64 {
    let signal = line.signal(id);
    signal.unit.convert(signal.simulate.typical, Unit::DegC).unwrap_or(signal.simulate.typical)
}

/// The output that holds a unit in balance: the typical value of its output signal. An output at either end could
/// hold nothing, so it is kept off them.
fn holding_percent(line: &Line, output: Meaning, ordinal: usize, otherwise: f64) -> f64 {
    let typical = id_meaning(line, output, ordinal).map(|id| line.signal(id).simulate.typical);
    typical.unwrap_or(otherwise).clamp(1.0, 99.0)
}

fn probe_tau_s(line: &Line, id: SignalId) -> f64 {
    line.signal(id).simulate.time_constant.as_secs_f64()
}
