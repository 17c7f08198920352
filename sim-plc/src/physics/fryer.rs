//! The fryer: a loop of hot oil, a heater, product that boils its water off.

use super::{Noise, PiLoop, PiTuning, StepTime, Wander};

/// Heat capacity of the oil in the loop, J/K. Trade figure: 2000 L at 180 degC are 1701 kg, 3561 kJ/K.
const OIL_J_PER_K: f64 = 3.561e6;
/// Heat that product at full feed and the pan take at working temperature, W. Trade figure: about 354 kW, that is
/// evaporation, heating of water and solids, pick-up oil and pan loss.
const FULL_LOAD_W: f64 = 354e3;
/// The part of it that the pan loses with no product, W at [`PAN_LOSS_RISE_K`]. Computed from the trade figure of 1 to
/// 2 K between inlet and outlet without feed: 1.5 K in 46 m3/h.
const PAN_LOSS_W: f64 = 36e3;
/// Oil above the room for [`PAN_LOSS_W`], K: 182 degC in 25 degC.
const PAN_LOSS_RISE_K: f64 = 157.0;
/// Temperature of the room, degC. Illustrative.
const ROOM_DEGC: f64 = 25.0;
/// The heater at 100 % demand, W. Trade figure.
const HEATER_W: f64 = 600e3;
/// How fast the heater follows its demand, s. Illustrative.
const HEATER_TAU_S: f64 = 3.0;
/// Heat that flowing oil carries, J/(m3 K). Trade figures for the drop: 830 kg/m3, 2.3 kJ/(kg K). The stored-heat
/// figure above rests on another source's heat capacity; sources differ by some 20 %.
const OIL_J_PER_M3_K: f64 = 830.0 * 2300.0;
/// How far the load wanders with the feed, share of the product's part, and how fast, s. Illustrative.
const LOAD_WANDER: (f64, f64) = (0.015, 60.0);
/// How fast the pump's flow follows, s. Illustrative.
const FLOW_TAU_S: f64 = 4.0;
/// Least flow that a heat balance is computed with, m3/s; without flow the interlock stops the heat. Illustrative.
const LEAST_FLOW_M3_PER_S: f64 = 1.0 / 3600.0;
/// Tuning by the SIMC rules for an integrating process of 600 kW and 3561 kJ/K with 11 s of lag and a closed-loop time
/// of 25 s. Computed.
const TUNING: PiTuning = PiTuning { gain_percent_per_k: 16.5, integral_time_s: 144.0 };
/// How hard the lower loop of [`FryerInputs::heat_low_k`] holds its own, too low temperature, W/K. Illustrative.
const LOW_LIMIT_W_PER_K: f64 = 200e3;

/// What acts on the fryer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FryerInputs {
    /// Oil setpoint as entered, degC.
    pub setpoint_degc: f64,
    /// Product fed, as a share of full feed, 0 to 1.
    pub feed_share: f64,
    /// Flow that the pump would give, m3/s.
    pub flow_m3_per_s: f64,
    /// A limit on the heat that holds the oil this many K below the setpoint, whatever the demand says.
    pub heat_low_k: Option<f64>,
}

/// State of the fryer.
#[derive(Debug, Clone)]
pub struct Fryer {
    inlet_degc: f64,
    outlet_degc: f64,
    /// What the loop's probe says, degC: the oil, late.
    probe_degc: f64,
    probe_tau_s: f64,
    flow_m3_per_s: f64,
    heat_w: f64,
    load_wander: Wander,
    pi: PiLoop,
}

impl Fryer {
    /// A fryer in balance with `inputs`, whose loop has a probe with time constant `probe_tau_s`.
    #[must_use]
    pub fn settled(inputs: &FryerInputs, probe_tau_s: f64) -> Self {
        let load_w = load_w(inputs.setpoint_degc, inputs.feed_share);
        Self {
            inlet_degc: inputs.setpoint_degc,
            outlet_degc: inputs.setpoint_degc - drop_k(load_w, inputs.flow_m3_per_s),
            probe_degc: inputs.setpoint_degc,
            probe_tau_s,
            flow_m3_per_s: inputs.flow_m3_per_s,
            heat_w: load_w,
            load_wander: Wander::new(LOAD_WANDER.0, LOAD_WANDER.1),
            pi: PiLoop::settled(TUNING, 100.0 * load_w / HEATER_W),
        }
    }

    /// Oil temperature where product enters, degC.
    #[must_use]
    pub const fn inlet_degc(&self) -> f64 {
        self.inlet_degc
    }

    /// Oil temperature where product leaves, degC.
    #[must_use]
    pub const fn outlet_degc(&self) -> f64 {
        self.outlet_degc
    }

    /// Oil circulation flow, m3/s.
    #[must_use]
    pub const fn flow_m3_per_s(&self) -> f64 {
        self.flow_m3_per_s
    }

    /// Heat demand, 0 to 100 %.
    #[must_use]
    pub const fn demand_percent(&self) -> f64 {
        self.pi.output_percent()
    }

    /// The fryer after `step`.
    pub fn step(&mut self, step: StepTime, inputs: &FryerInputs, noise: &mut Noise) {
        let feed_share = inputs.feed_share * (1.0 + self.load_wander.step(step, noise));
        let load_w = load_w(self.inlet_degc, feed_share);
        self.probe_degc += (self.inlet_degc - self.probe_degc) * step.share(self.probe_tau_s);
        let demand_percent = self.pi.step(step, inputs.setpoint_degc - self.probe_degc);
        let mut wanted_w = HEATER_W * demand_percent / 100.0;
        if let Some(below_k) = inputs.heat_low_k {
            let low_degc = inputs.setpoint_degc - below_k;
            let limit_w = load_w + LOW_LIMIT_W_PER_K * (low_degc - self.inlet_degc);
            wanted_w = wanted_w.min(limit_w.max(0.0));
        }
        self.heat_w += (wanted_w - self.heat_w) * step.share(HEATER_TAU_S);
        self.inlet_degc += (self.heat_w - load_w) * step.seconds() / OIL_J_PER_K;
        self.flow_m3_per_s += (inputs.flow_m3_per_s - self.flow_m3_per_s) * step.share(FLOW_TAU_S);
        self.outlet_degc = self.inlet_degc - drop_k(load_w, self.flow_m3_per_s);
    }
}

/// Heat that product and pan take, W.
fn load_w(inlet_degc: f64, feed_share: f64) -> f64 {
    let product_w = (FULL_LOAD_W - PAN_LOSS_W) * feed_share;
    product_w + PAN_LOSS_W * (inlet_degc - ROOM_DEGC) / PAN_LOSS_RISE_K
}

/// How much colder oil leaves the pan than it enters, K.
fn drop_k(load_w: f64, flow_m3_per_s: f64) -> f64 {
    load_w / (flow_m3_per_s.max(LEAST_FLOW_M3_PER_S) * OIL_J_PER_M3_K)
}

#[cfg(test)]
mod tests {
    use super::*;

    const INPUTS: FryerInputs =
        FryerInputs { setpoint_degc: 182.0, feed_share: 1.0, flow_m3_per_s: 46.0 / 3600.0, heat_low_k: None };

    /// Runs for `seconds` and returns the inlet temperature after each.
    fn run(fryer: &mut Fryer, inputs: &FryerInputs, seconds: usize) -> Vec<f64> {
        let (step, mut noise) = (StepTime::new(1.0).unwrap(), Noise::new(1));
        (0..seconds)
            .map(|_| {
                fryer.step(step, inputs, &mut noise);
                fryer.inlet_degc()
            })
            .collect()
    }

    #[test]
    fn full_feed_takes_about_354_kw_and_cools_the_oil_14_to_15_k() {
        let fryer = Fryer::settled(&INPUTS, 8.0);
        assert!((fryer.demand_percent() - 59.0).abs() < 0.1, "{}", fryer.demand_percent());
        let drop = fryer.inlet_degc() - fryer.outlet_degc();
        assert!((14.0..15.0).contains(&drop), "{drop}");
    }

    #[test]
    fn without_feed_the_oil_cools_1_to_2_k_on_its_way() {
        let fryer = Fryer::settled(&FryerInputs { feed_share: 0.0, ..INPUTS }, 8.0);
        let drop = fryer.inlet_degc() - fryer.outlet_degc();
        assert!((1.0..2.0).contains(&drop), "{drop}");
    }

    #[test]
    fn an_hour_at_full_feed_stays_within_half_a_kelvin() {
        let mut fryer = Fryer::settled(&INPUTS, 8.0);
        for (second, inlet) in run(&mut fryer, &INPUTS, 3600).into_iter().enumerate() {
            assert!((inlet - 182.0).abs() < 0.5, "{inlet} after {second} s");
        }
    }

    /// Trade figure: 4.1 K/min for the evaporation alone; the whole product load is 318 kW, hence 5.4.
    #[test]
    fn losing_the_feed_with_the_heat_unchanged_heats_the_oil() {
        let mut fryer = Fryer::settled(&INPUTS, 8.0);
        let first_s = run(&mut fryer, &FryerInputs { feed_share: 0.0, ..INPUTS }, 1);
        let per_minute = (first_s[0] - 182.0) * 60.0;
        assert!((4.1..5.5).contains(&per_minute), "{per_minute}");
    }

    #[test]
    fn low_heat_settles_six_kelvin_low_with_the_demand_at_its_end() {
        let mut fryer = Fryer::settled(&INPUTS, 8.0);
        let inlet = run(&mut fryer, &FryerInputs { heat_low_k: Some(6.0), ..INPUTS }, 300);
        assert!((inlet[299] - 176.0).abs() < 0.3, "{}", inlet[299]);
        assert_eq!(fryer.demand_percent(), 100.0);
        let back = run(&mut fryer, &INPUTS, 120);
        assert!((back[119] - 182.0).abs() < 1.5, "{}", back[119]);
    }

    #[test]
    fn less_flow_makes_a_colder_outlet_while_the_inlet_holds() {
        let mut fryer = Fryer::settled(&INPUTS, 8.0);
        run(&mut fryer, &FryerInputs { flow_m3_per_s: 32.0 / 3600.0, ..INPUTS }, 120);
        let drop = fryer.inlet_degc() - fryer.outlet_degc();
        assert!((drop - 20.9).abs() < 1.5, "{drop}");
        assert!((fryer.inlet_degc() - 182.0).abs() < 0.5);
    }
}
