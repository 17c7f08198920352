//! The cook house of a line: its kettles and tanks, and which signals belong to which.

use super::panel::{Panel, count, nth, typical};
use crate::fault::FaultKind;
use crate::physics::boiling;
use crate::physics::cook::{HOLD_S, QUENCHED_DEGC};
use crate::physics::cook_house::{CookHouse, CookUnit, HouseOrders, KettleOrders, KettleStart};
use crate::physics::kettle::KettleBalance;
use crate::physics::{Noise, StepTime};
use setward_config::line::{Line, Meaning};
use setward_protocol::{SignalId, Unit};

/// Where a kettle without typical values stands in its hold: 96 degC, valve at 22 % (trade figure 15 to 30), 1.1 bar.
const HOLD: KettleBalance = KettleBalance {
    degc: 96.0,
    valve_percent: 22.0,
    jacket_pa: 1.1e5,
    header_pa: 5.2e5,
    water_kg: 1200.0,
    corn_kg: 600.0,
    lime_kg: 3.6,
    bottom_k: -0.6,
    boiling_degc: 99.3,
};
/// A plant whose files do not say where water boils lies so high above the sea, m. Illustrative.
const HEIGHT_M: f64 = 200.0;
/// Quench water, L/min and degC. Demo line.
const QUENCH_L_PER_MIN: f64 = 90.0;
const WATER_DEGC: f64 = 17.0;
const PA_PER_BAR: f64 = 1e5;

/// The signals of one kettle.
#[derive(Debug, Clone, Copy)]
struct KettleSignals {
    temperature: SignalId,
    setpoint: Option<SignalId>,
    valve: Option<SignalId>,
    usual_degc: f64,
}

/// The cook house and its signals.
#[derive(Debug, Clone)]
pub(super) struct Cook {
    house: CookHouse,
    kettles: Vec<KettleSignals>,
    orders: Vec<KettleOrders>,
    steam_pa: f64,
    water_degc: f64,
    lined_up: bool,
}

impl Cook {
    pub(super) fn new(line: &Line) -> Self {
        let kettles: Vec<_> = (0..count(line, Meaning::KettleTemperature))
            .filter_map(|ordinal| KettleSignals::new(line, ordinal))
            .collect();
        let starts: Vec<_> =
            kettles.iter().enumerate().map(|(ordinal, kettle)| start(line, ordinal, kettle)).collect();
        let tanks = count(line, Meaning::SoakTankTemperature).max(count(line, Meaning::SoakTankState));
        let number = |meaning| typical(line, meaning, 0, Unit::One);
        // Tanks are numbered from 1.
        let feeding = number(Meaning::SoakTankFeeding).map_or(0, |number| (number.max(1.0) as usize) - 1);
        let batch = number(Meaning::KettleBatchNumber).map_or(1, |number| number as u32);
        Self {
            house: CookHouse::new(&starts, tanks, feeding, batch),
            kettles,
            orders: Vec::new(),
            steam_pa: steam_pa(line),
            water_degc: typical(line, Meaning::QuenchWaterTemperature, 0, Unit::DegC).unwrap_or(WATER_DEGC),
            lined_up: true,
        }
    }

    /// Number of the tank that feeds the line, from 1; 0 while none is lined up.
    pub(super) fn feeding_number(&self) -> f64 {
        if self.lined_up { self.house.feeding_number() } else { 0.0 }
    }

    pub(super) const fn house(&self) -> &CookHouse {
        &self.house
    }

    pub(super) fn unit(&self, ordinal: usize) -> Option<&CookUnit> {
        self.house.units().get(ordinal)
    }

    /// The cook house after `step`, while the line takes `feed_share` of full feed: whether a tank is lined up to it, and
    /// whether kettles may begin a batch.
    pub(super) fn step(
        &mut self,
        step: StepTime,
        panel: &Panel<'_>,
        (lined_up, cooks): (bool, bool),
        feed_share: f64,
        noise: &mut Noise,
    ) {
        let quench = panel.of_line(FaultKind::QuenchLow);
        let house = HouseOrders {
            steam_pa: panel.of_line(FaultKind::SteamLow).map_or(self.steam_pa, |bar| bar * PA_PER_BAR),
            quench_share: quench.map_or(1.0, |l_per_min| (l_per_min / QUENCH_L_PER_MIN).min(1.0)),
            water_degc: self.water_degc,
            feed_share,
            feeding: lined_up,
            cooks,
            // A litre of it weighs a kilogram.
            water_kg: panel.of_line(FaultKind::WaterSet),
            hold_s: panel.of_line(FaultKind::HoldSet).map_or(HOLD_S, |minutes| 60.0 * minutes),
            quenched_degc: panel.of_line(FaultKind::QuenchSet).unwrap_or(QUENCHED_DEGC),
        };
        self.lined_up = lined_up;
        self.orders.clear();
        let asked = self.house.units().iter().map(CookUnit::asked_percent);
        self.orders.extend(self.kettles.iter().zip(asked).map(|(kettle, asked)| kettle.orders(panel, asked)));
        self.house.step(step, &house, &self.orders, noise);
    }
}

impl KettleSignals {
    fn new(line: &Line, ordinal: usize) -> Option<Self> {
        Some(Self {
            temperature: nth(line, Meaning::KettleTemperature, ordinal)?,
            setpoint: nth(line, Meaning::KettleSetpoint, ordinal),
            valve: nth(line, Meaning::KettleSteamValve, ordinal),
            usual_degc: typical(line, Meaning::KettleTemperature, ordinal, Unit::DegC).unwrap_or(HOLD.degc),
        })
    }

    fn orders(&self, panel: &Panel<'_>, asked_percent: f64) -> KettleOrders {
        let kettle = Some(self.temperature);
        KettleOrders {
            measured_degc: panel.probe_degc(kettle),
            setpoint_degc: panel.entered_degc(self.setpoint).unwrap_or(self.usual_degc),
            manual_percent: panel.manual_percent(self.valve, asked_percent),
            valve_stuck: panel.has(FaultKind::ValveStuck, self.valve),
            trap_failed: panel.has(FaultKind::TrapFailed, kettle),
            agitator_stopped: panel.has(FaultKind::AgitatorStopped, kettle),
            discharge_open: panel.has(FaultKind::DischargeOpen, kettle),
            early_transfer: panel.has(FaultKind::EarlyTransfer, kettle),
        }
    }
}

/// Usual pressure in the header, Pa above the atmosphere.
fn steam_pa(line: &Line) -> f64 {
    let bar = typical(line, Meaning::SteamHeaderPressure, 0, Unit::BarGauge);
    bar.map_or(HOLD.header_pa, |bar| bar.max(0.0) * PA_PER_BAR)
}

/// Where water boils at the plant, degC: as the line's heat balance takes it, else at the usual height.
fn plateau_degc(line: &Line) -> f64 {
    let told = line.heat_balance.as_ref().map(|balance| balance.settings.known.boiling_degc);
    told.unwrap_or_else(|| boiling::boiling_degc(boiling::air_pa(HEIGHT_M)))
}

/// The kettle's hold from the line's typical values. Its program runs if the line has its step word; otherwise nobody
/// could tell what it does, and it stays in its hold.
fn start(line: &Line, ordinal: usize, kettle: &KettleSignals) -> KettleStart {
    let typical_of = |meaning, unit| typical(line, meaning, ordinal, unit);
    let water_kg = typical_of(Meaning::KettleWaterTotal, Unit::Litre)
        .filter(|water_kg| *water_kg > 0.0)
        .unwrap_or(HOLD.water_kg);
    let corn_kg = typical_of(Meaning::KettleWeight, Unit::Kilogram)
        .map(|all_kg| all_kg - water_kg - HOLD.lime_kg)
        .filter(|corn_kg| *corn_kg > 0.0)
        .unwrap_or(HOLD.corn_kg);
    let degc = typical_of(Meaning::KettleSetpoint, Unit::DegC).unwrap_or(kettle.usual_degc);
    KettleStart {
        balance: KettleBalance {
            degc,
            valve_percent: typical_of(Meaning::KettleSteamValve, Unit::Percent)
                .unwrap_or(HOLD.valve_percent)
                .clamp(1.0, 99.0),
            jacket_pa: typical_of(Meaning::KettleJacketPressure, Unit::BarGauge)
                .map_or(HOLD.jacket_pa, |bar| bar * PA_PER_BAR),
            header_pa: steam_pa(line),
            water_kg,
            corn_kg,
            lime_kg: HOLD.lime_kg,
            bottom_k: typical_of(Meaning::KettleBottomTemperature, Unit::DegC)
                .map_or(HOLD.bottom_k, |bottom_degc| bottom_degc - kettle.usual_degc),
            boiling_degc: plateau_degc(line),
        },
        counted_s: typical_of(Meaning::KettleHoldTime, Unit::Second).unwrap_or_default().clamp(0.0, 1199.0),
        endless: nth(line, Meaning::KettleStep, ordinal).is_none(),
    }
}
