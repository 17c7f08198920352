//! The fryer of a line: its heat, its oil, and which signals belong to it.

use super::panel::{Panel, nth, typical};
use crate::fault::FaultKind;
use crate::physics::fryer::{Fryer, FryerBalance, FryerInputs};
use crate::physics::fryer_loop::FryerSetting;
use crate::physics::fryer_oil::{MakeUp, OilStock, filter_share, flow_share};
use crate::physics::{Noise, StepTime};
use setward_config::line::{Line, Meaning};
use setward_protocol::{SignalId, Unit};

/// Where a line says nothing: oil, degC; drop at full feed and pipe loss, K; flow, m3/h; the part of the drop that is
/// done half-way; heating medium, degC. Trade figures, and the demo line for the last three.
const INLET_DEGC: f64 = 182.0;
const DROP_K: f64 = 14.5;
const PIPE_LOSS_K: f64 = 1.4;
const FLOW_M3_PER_H: f64 = 46.0;
const MID_PART: f64 = 0.557;
const MEDIUM_DEGC: f64 = 238.0;
/// How fast the heating medium cools when nothing asks for heat, s, and follows when something fails, s. Illustrative.
const MEDIUM_COOLING_S: f64 = 7200.0;
const MEDIUM_TAU_S: f64 = 60.0;
/// With limited heat the medium is only so much hotter than the oil, K. Illustrative.
const LOW_MEDIUM_K: f64 = 24.0;
const ROOM_DEGC: f64 = 25.0;

/// The fryer and its signals.
#[derive(Debug, Clone)]
pub(super) struct FryerStation {
    fryer: Fryer,
    oil: OilStock,
    inlet: SignalId,
    setpoint: Option<SignalId>,
    demand: Option<SignalId>,
    exchanger: Option<SignalId>,
    usual_degc: f64,
    usual_flow_m3_per_s: f64,
    /// How the second inlet probe differs from the first when both are clean, K.
    second_k: f64,
    mid_part: f64,
    medium_degc: f64,
    usual_medium_degc: f64,
    filter_share: f64,
    fan: bool,
}

/// What the rest of the line does to the fryer.
#[derive(Debug, Clone, Copy)]
pub(super) struct FryerOrders {
    pub(super) setting: FryerSetting,
    pub(super) pump: bool,
    pub(super) feed_share: f64,
    pub(super) moisture_percent: f64,
}

impl FryerStation {
    /// The fryer of `line`, if it has an inlet temperature.
    pub(super) fn new(line: &Line) -> Option<Self> {
        let inlet = nth(line, Meaning::FryerOilInlet, 0)?;
        let degc = |meaning| typical(line, meaning, 0, Unit::DegC);
        let inlet_degc = degc(Meaning::FryerOilInlet).unwrap_or(INLET_DEGC);
        let usual_degc = degc(Meaning::FryerSetpoint).unwrap_or(inlet_degc);
        let drop_k = degc(Meaning::FryerOilOutlet)
            .map(|outlet_degc| inlet_degc - outlet_degc)
            .filter(|drop_k| *drop_k > 0.0)
            .unwrap_or(DROP_K);
        let mid_part =
            degc(Meaning::FryerOilMid).map_or(MID_PART, |mid_degc| (inlet_degc - mid_degc) / drop_k);
        let pipe_loss_k = degc(Meaning::HeatExchangerOilOutlet).map_or(PIPE_LOSS_K, |degc| degc - inlet_degc);
        let flow_m3_per_h = typical(line, Meaning::FryerOilFlow, 0, Unit::CubicMetrePerHour)
            .filter(|flow| *flow > 0.0)
            .unwrap_or(FLOW_M3_PER_H);
        let usual_flow_m3_per_s = flow_m3_per_h / 3600.0;
        let usual_medium_degc = degc(Meaning::HeatingMediumTemperature).unwrap_or(MEDIUM_DEGC);
        let made_up_kg = typical(line, Meaning::FryerMakeUpTotal, 0, Unit::Kilogram).unwrap_or_default();
        let balance = FryerBalance {
            inlet_degc: usual_degc,
            drop_k,
            pipe_loss_k: pipe_loss_k.max(0.0),
            flow_m3_per_s: usual_flow_m3_per_s,
        };
        Some(Self {
            fryer: Fryer::settled(&balance),
            oil: OilStock::new(made_up_kg),
            inlet,
            setpoint: nth(line, Meaning::FryerSetpoint, 0),
            demand: nth(line, Meaning::FryerHeatDemand, 0),
            exchanger: nth(line, Meaning::HeatExchangerOilOutlet, 0),
            usual_degc,
            usual_flow_m3_per_s,
            second_k: degc(Meaning::FryerOilInletSecond).map_or(0.0, |degc| degc - inlet_degc),
            mid_part,
            medium_degc: usual_medium_degc,
            usual_medium_degc,
            filter_share: 1.0,
            fan: true,
        })
    }

    pub(super) const fn fryer(&self) -> &Fryer {
        &self.fryer
    }

    pub(super) const fn oil(&self) -> &OilStock {
        &self.oil
    }

    pub(super) fn second_inlet_degc(&self) -> f64 {
        self.fryer.inlet_degc() + self.second_k
    }

    pub(super) fn mid_degc(&self) -> f64 {
        let inlet_degc = self.fryer.inlet_degc();
        inlet_degc - self.mid_part * (inlet_degc - self.fryer.outlet_degc())
    }

    pub(super) const fn medium_degc(&self) -> f64 {
        self.medium_degc
    }

    /// Pressure difference over the filter, as a share of the usual.
    pub(super) const fn filter_share(&self) -> f64 {
        self.filter_share
    }

    /// Whether the stack fan runs.
    pub(super) const fn fan(&self) -> bool {
        self.fan
    }

    /// Whether the oil is within 2 K of its setpoint. A broken probe leaves that to the operators, who go by the other.
    pub(super) fn is_hot(&self, panel: &Panel<'_>) -> bool {
        let measured_degc = panel.probe_degc(Some(self.inlet)).unwrap_or(self.fryer.inlet_degc());
        !self.fryer.holds_water() && (measured_degc - self.setpoint_degc(panel)).abs() < 2.0
    }

    fn setpoint_degc(&self, panel: &Panel<'_>) -> f64 {
        panel.entered_degc(self.setpoint).unwrap_or(self.usual_degc)
    }

    /// The fryer after `step`.
    pub(super) fn step(
        &mut self,
        step: StepTime,
        panel: &Panel<'_>,
        orders: &FryerOrders,
        noise: &mut Noise,
    ) {
        let resistance = panel.faults.filter_resistance(panel.now);
        let fallen = panel.of_line(FaultKind::FlowLow).map(|flow| flow / 3600.0);
        let pumped_m3_per_s = fallen.unwrap_or(self.usual_flow_m3_per_s * flow_share(resistance));
        let heat_low_k = panel.of_line(FaultKind::HeatLow);
        let inputs = FryerInputs {
            setting: orders.setting,
            setpoint_degc: self.setpoint_degc(panel),
            measured_degc: panel.probe_degc(Some(self.inlet)),
            exchanger_degc: self.exchanger_degc(panel),
            feed_share: orders.feed_share,
            moisture_percent: orders.moisture_percent,
            flow_m3_per_s: if orders.pump { pumped_m3_per_s } else { 0.0 },
            heat_low_k,
            manual_percent: panel.manual_percent(self.demand, self.fryer.control().demand_percent()),
            valve_stuck: panel.has(FaultKind::ValveStuck, self.demand),
            heat_blocked: self.oil.low_low(),
            dry_out_skipped: panel.line_has(FaultKind::DryOutSkipped),
        };
        self.fryer.step(step, &inputs, noise);
        let lost_kg_per_s = panel.of_line(FaultKind::OilLeak).unwrap_or(0.0) / 3600.0;
        let make_up = match (panel.line_has(FaultKind::MakeUpClosed), panel.of_line(FaultKind::FloatStuck)) {
            (true, _) => MakeUp::Closed,
            (false, Some(level_mm)) => MakeUp::FloatAt(level_mm),
            (false, None) => MakeUp::AtWork,
        };
        self.oil.step(step, orders.feed_share, lost_kg_per_s, make_up);
        self.filter_share = filter_share(resistance, self.fryer.flow_m3_per_s() / self.usual_flow_m3_per_s);
        self.fan = orders.setting != FryerSetting::Off || orders.pump;
        self.step_medium(step, orders.setting, heat_low_k);
    }

    /// A line without that probe has the controller's own.
    fn exchanger_degc(&self, panel: &Panel<'_>) -> Option<f64> {
        match self.exchanger {
            Some(id) => panel.probe_degc(Some(id)),
            None => Some(self.fryer.exchanger_degc()),
        }
    }

    fn step_medium(&mut self, step: StepTime, setting: FryerSetting, heat_low_k: Option<f64>) {
        let (wanted_degc, tau_s) = match (setting, heat_low_k) {
            (FryerSetting::Off, _) => (ROOM_DEGC, MEDIUM_COOLING_S),
            (_, Some(below_k)) => (self.usual_degc - below_k + LOW_MEDIUM_K, MEDIUM_TAU_S),
            (_, None) => (self.usual_medium_degc, MEDIUM_TAU_S),
        };
        self.medium_degc += (wanted_degc - self.medium_degc) * step.share(tau_s);
    }
}
