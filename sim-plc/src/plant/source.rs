//! Where the truth of each signal comes from: one row for each meaning.
//!
//! A signal that means nothing to the physics has a source of its own: noise that wanders about its typical value.

use super::Units;
use super::belts::{Belt, Belts};
use super::cook::Cook;
use super::floor::Floor;
use super::fryer::FryerStation;
use super::oven::{Oven, mode_number};
use crate::physics::Wander;
use crate::physics::cook_house::CookUnit;
use crate::physics::oven::OvenZone;
use crate::physics::soak::SoakTank;
use setward_config::line::{Line, LineSignal, Meaning, Origin, Role};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// How long a controller's program has been running when the simulation begins: one that has just begun would have its
/// words doubted.
const RUNNING_FOR: Duration = Duration::from_secs(3_600);

/// The starter of an agitator that turns nothing draws this share of the usual current. Illustrative.
const IDLING_AGITATOR: f64 = 0.28;
const ROOM_DEGC: f64 = 25.0;
const PA_PER_BAR: f64 = 1e5;

/// Where the truth of a signal comes from.
#[derive(Debug, Clone)]
pub(super) enum Source {
    /// A person entered it.
    Entered,
    /// A unit of the plant has it.
    Physics(Read, Scale),
    /// Counts seconds while the program of its controller runs.
    Heartbeat {
        /// For how long that has been.
        ran: Duration,
    },
    /// Noise that wanders about the typical value.
    Typical(Wander),
}

/// What of the plant is read.
#[derive(Debug, Clone, Copy)]
pub(super) enum Read {
    Kettle(usize, fn(&CookUnit) -> f64),
    Cook(fn(&Cook) -> f64),
    Tank(usize, fn(&SoakTank) -> f64),
    Zone(usize, fn(&OvenZone) -> f64),
    Oven(fn(&Oven) -> f64),
    Pass(usize),
    Belts(fn(&Belts) -> f64),
    Fryer(fn(&FryerStation) -> f64),
    Floor(fn(&Floor) -> f64),
}

/// What the number read is.
#[derive(Debug, Clone, Copy)]
pub(super) enum Scale {
    /// In this unit.
    In(Unit),
    /// A code, a count, a bit.
    Plain,
    /// A share of the typical value.
    Share,
    /// The same of a stream on a scale, whose noise goes with it: an empty belt weighs nothing, and steadily so.
    Stream,
    /// A temperature: this share of the way from the room to the typical value.
    Warm,
    /// Beyond the typical value.
    More,
}

type Reader<T> = fn(&T) -> f64;
type Row<T> = (Meaning, Reader<T>, Scale);

const DEGC: Scale = Scale::In(Unit::DegC);
const PERCENT: Scale = Scale::In(Unit::Percent);
const BAR: Scale = Scale::In(Unit::BarGauge);
const M_PER_S: Scale = Scale::In(Unit::MetrePerSecond);

const fn bit(yes: bool) -> f64 {
    if yes { 1.0 } else { 0.0 }
}

const KETTLE: &[Row<CookUnit>] = &[
    (Meaning::KettleTemperature, |unit| unit.kettle().batch_degc(), DEGC),
    (Meaning::KettleBottomTemperature, |unit| unit.kettle().bottom_degc(), DEGC),
    (Meaning::KettleSteamValve, CookUnit::asked_percent, PERCENT),
    (Meaning::KettleJacketPressure, |unit| unit.kettle().jacket_pa() / PA_PER_BAR, BAR),
    (Meaning::KettleWeight, |unit| unit.kettle().weighed_kg(), Scale::In(Unit::Kilogram)),
    (Meaning::KettleAgitator, |unit| bit(unit.agitator_runs()), Scale::Plain),
    (Meaning::KettleAgitatorCurrent, agitator_share, Scale::Share),
    (Meaning::KettleWaterTotal, |unit| unit.program().water_kg(), Scale::In(Unit::Litre)),
    (Meaning::KettleStep, |unit| f64::from(unit.program().step_now() as u8), Scale::Plain),
    (Meaning::KettleHoldTime, |unit| unit.program().counted_s(), Scale::In(Unit::Second)),
    (Meaning::KettleBatchNumber, |unit| f64::from(unit.batch()), Scale::Plain),
    (Meaning::KettleDischargeClosed, |unit| bit(!unit.discharge_open()), Scale::Plain),
];

const COOK: &[Row<Cook>] = &[
    (Meaning::SteamHeaderPressure, |cook| cook.house().header_pa() / PA_PER_BAR, BAR),
    (Meaning::QuenchWaterFlow, |cook| cook.house().quench_kg_per_s() * 60.0, Scale::In(Unit::LitrePerMinute)),
    (Meaning::SoakTankFeeding, Cook::feeding_number, Scale::Plain),
];

const TANK: &[Row<SoakTank>] = &[
    (Meaning::SoakTankTemperature, SoakTank::degc, DEGC),
    (Meaning::SoakTankState, |tank| f64::from(tank.state() as u8), Scale::Plain),
];

const ZONE: &[Row<OvenZone>] = &[
    (Meaning::OvenTemperature, OvenZone::zone_degc, DEGC),
    (Meaning::OvenBurner, OvenZone::asked_percent, PERCENT),
    (Meaning::OvenMode, |zone| mode_number(zone.mode()), Scale::Plain),
    (Meaning::OvenFlame, |zone| bit(zone.flame()), Scale::Plain),
    (Meaning::OvenGasPressure, OvenZone::burner_share, Scale::Share),
];

const OVEN: &[Row<Oven>] = &[
    (Meaning::OvenBeltTemperature, Oven::belt_degc, DEGC),
    (Meaning::OvenExhaust, |oven| bit(oven.exhaust()), Scale::Plain),
];

const BELTS: &[Row<Belts>] = &[
    (Meaning::EquilibratorBeltSpeed, |belts| belts.equilibrator().speed_m_per_s(), M_PER_S),
    (Meaning::FryerBeltSpeed, |belts| belts.fryer().speed_m_per_s(), M_PER_S),
    (Meaning::FeedPresent, |belts| bit(belts.eye()), Scale::Plain),
    (Meaning::FeedMoisture, |belts| belts.product().fed_percent(), PERCENT),
];

const FRYER: &[Row<FryerStation>] = &[
    (Meaning::FryerOilInlet, |fryer| fryer.fryer().inlet_degc(), DEGC),
    (Meaning::FryerOilInletSecond, FryerStation::second_inlet_degc, DEGC),
    (Meaning::FryerOilMid, FryerStation::mid_degc, DEGC),
    (Meaning::FryerOilOutlet, |fryer| fryer.fryer().outlet_degc(), DEGC),
    (Meaning::FryerWorkingSetpoint, |fryer| fryer.fryer().control().working_degc(), DEGC),
    (Meaning::FryerHeatDemand, |fryer| fryer.fryer().control().demand_percent(), PERCENT),
    (Meaning::FryerMode, |fryer| f64::from(fryer.fryer().control().mode() as u8), Scale::Plain),
    (Meaning::HeatExchangerOilOutlet, |fryer| fryer.fryer().exchanger_degc(), DEGC),
    (Meaning::HeatExchangerSetpoint, |fryer| fryer.fryer().control().exchanger_setpoint_degc(), DEGC),
    (Meaning::HeatingMediumTemperature, FryerStation::medium_degc, DEGC),
    (
        Meaning::FryerOilFlow,
        |fryer| fryer.fryer().flow_m3_per_s() * 3600.0,
        Scale::In(Unit::CubicMetrePerHour),
    ),
    (Meaning::FryerOilFlowProven, |fryer| bit(fryer.fryer().flow_proven()), Scale::Plain),
    (Meaning::FryerOilLevel, |fryer| fryer.oil().level_mm(), Scale::In(Unit::Millimetre)),
    (Meaning::FryerOilLevelLowLow, |fryer| bit(fryer.oil().low_low()), Scale::Plain),
    (Meaning::FryerMakeUpTotal, |fryer| fryer.oil().made_up_kg(), Scale::In(Unit::Kilogram)),
    (Meaning::FryerFilterPressure, FryerStation::filter_share, Scale::Share),
    (Meaning::FryerStackFan, |fryer| bit(fryer.fan()), Scale::Plain),
    (Meaning::FryerHighLimit, |fryer| bit(fryer.fryer().high_limit_tripped()), Scale::Plain),
];

const FLOOR: &[Row<Floor>] = &[
    (Meaning::WashWaterFlow, |floor| bit(floor.washing()), Scale::Share),
    (Meaning::MillCurrent, Floor::mill, Scale::Share),
    (Meaning::MillWaterFlow, |floor| bit(floor.cutter()), Scale::Share),
    (Meaning::MasaTemperature, Floor::masa, Scale::Warm),
    (Meaning::SheeterSpeed, |floor| bit(floor.cutter()), Scale::Share),
    (Meaning::CutterRunning, |floor| bit(floor.cutter()), Scale::Plain),
    (Meaning::FryerTakeOutSpeed, |floor| bit(floor.belts_run()), Scale::Share),
    (Meaning::CooledProductTemperature, Floor::cooled, Scale::Warm),
    (Meaning::ProductFlow, Floor::weighed, Scale::Stream),
    (Meaning::SeasoningFlow, Floor::seasoned, Scale::Stream),
    (Meaning::BagsMade, Floor::bags, Scale::More),
    (Meaning::PackingStopped, |floor| bit(floor.packing_stopped()), Scale::Plain),
];

/// Setpoints that a person enters.
const ENTERED: &[Meaning] = &[
    Meaning::KettleSetpoint,
    Meaning::OvenSetpoint,
    Meaning::OvenDwellSetpoint,
    Meaning::FryerSetpoint,
    Meaning::FryerDwellSetpoint,
];

/// What nothing here moves: it rests at its typical value.
#[cfg(test)]
const RESTING: &[Meaning] = &[
    Meaning::QuenchWaterTemperature,
    Meaning::CookRecipeNumber,
    Meaning::OvenHighLimit,
    Meaning::FryerHoodDown,
    Meaning::FireSuppressionArmed,
    Meaning::FryerRecipeNumber,
    Meaning::MetalDetectorReady,
];

impl Source {
    /// Where the truth of `signal` comes from.
    pub(super) fn of(id: SignalId, signal: &LineSignal, line: &Line) -> Self {
        let simulate = signal.simulate;
        // What people enter, and what follows from it, is none of the plant's.
        if matches!(signal.origin, Origin::Entered | Origin::Followed(_)) {
            return Self::Entered;
        }
        let typical = || match signal.role {
            Role::Setpoint => Self::Entered,
            Role::Measured | Role::Output | Role::Status | Role::Entered => {
                Self::Typical(Wander::new(simulate.noise, simulate.time_constant.as_secs_f64()))
            }
        };
        let Some(meaning) = signal.means.filter(|_| signal.register().is_some()) else { return typical() };
        if meaning == Meaning::Heartbeat {
            return Self::Heartbeat { ran: RUNNING_FOR };
        }
        if ENTERED.contains(&meaning) {
            return Self::Entered;
        }
        let same = |other: &(SignalId, &LineSignal)| other.0 < id && other.1.means == Some(meaning);
        let ordinal = line.signals_with_ids().filter(same).count();
        physics_of(meaning, ordinal).map_or_else(typical, |(read, scale)| Self::Physics(read, scale))
    }

    /// Whether noise goes with the value.
    pub(super) const fn is_stream(&self) -> bool {
        matches!(self, Self::Physics(_, Scale::Stream))
    }

    /// Whether an instrument stands between it and its register: entered values, counts and wandering sources have none.
    pub(super) const fn is_physical(&self) -> bool {
        match self {
            Self::Physics(..) => true,
            Self::Entered | Self::Heartbeat { .. } | Self::Typical(_) => false,
        }
    }
}

fn row<T>(rows: &[Row<T>], meaning: Meaning) -> Option<(Reader<T>, Scale)> {
    rows.iter().find(|(its, ..)| *its == meaning).map(|(_, read, scale)| (*read, *scale))
}

/// What the nth (from 0) signal of a meaning reads.
fn physics_of(meaning: Meaning, ordinal: usize) -> Option<(Read, Scale)> {
    if meaning == Meaning::OvenBeltSpeed {
        return Some((Read::Pass(ordinal), M_PER_S));
    }
    row(KETTLE, meaning)
        .map(|(read, scale)| (Read::Kettle(ordinal, read), scale))
        .or_else(|| row(TANK, meaning).map(|(read, scale)| (Read::Tank(ordinal, read), scale)))
        .or_else(|| row(ZONE, meaning).map(|(read, scale)| (Read::Zone(ordinal, read), scale)))
        .or_else(|| row(COOK, meaning).map(|(read, scale)| (Read::Cook(read), scale)))
        .or_else(|| row(OVEN, meaning).map(|(read, scale)| (Read::Oven(read), scale)))
        .or_else(|| row(BELTS, meaning).map(|(read, scale)| (Read::Belts(read), scale)))
        .or_else(|| row(FRYER, meaning).map(|(read, scale)| (Read::Fryer(read), scale)))
        .or_else(|| row(FLOOR, meaning).map(|(read, scale)| (Read::Floor(read), scale)))
}

impl Read {
    /// The number now; `None` if the line has no such unit.
    pub(super) fn now(self, units: &Units) -> Option<f64> {
        match self {
            Self::Kettle(ordinal, read) => units.cook.unit(ordinal).map(read),
            Self::Cook(read) => Some(read(&units.cook)),
            Self::Tank(ordinal, read) => units.cook.house().tanks().get(ordinal).map(read),
            Self::Zone(ordinal, read) => units.oven.zone(ordinal).map(read),
            Self::Oven(read) => Some(read(&units.oven)),
            Self::Pass(ordinal) => units.belts.pass(ordinal).map(Belt::speed_m_per_s),
            Self::Belts(read) => Some(read(&units.belts)),
            Self::Fryer(read) => units.fryer.as_ref().map(read),
            Self::Floor(read) => Some(read(&units.floor)),
        }
    }
}

impl Scale {
    /// The number as a value in `unit` of a signal that is usually `typical`; `None` if it measures something else.
    pub(super) fn value(self, number: f64, unit: Unit, typical: f64) -> Option<f64> {
        match self {
            Self::In(own) => own.convert(number, unit),
            Self::Plain => Some(number),
            Self::Share | Self::Stream => Some(typical * number),
            Self::Warm => {
                let room = Unit::DegC.convert(ROOM_DEGC, unit)?;
                Some(room + (typical - room) * number)
            }
            Self::More => Some(typical + number),
        }
    }
}

fn agitator_share(unit: &CookUnit) -> f64 {
    match (unit.agitator_runs(), unit.agitator_turns()) {
        (_, true) => 1.0,
        (true, false) => IDLING_AGITATOR,
        (false, false) => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_meaning_has_exactly_one_source() {
        for (word, meaning) in Meaning::NAMED {
            let others =
                [ENTERED.contains(meaning), RESTING.contains(meaning), *meaning == Meaning::Heartbeat];
            let sources =
                others.iter().filter(|yes| **yes).count() + usize::from(physics_of(*meaning, 0).is_some());
            assert_eq!(sources, 1, "{word}");
        }
    }
}
