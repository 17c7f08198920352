//! The fryer: a loop of hot oil through pan, pump, filter and heat exchanger, and product that boils its water off.
//!
//! One heat capacity stands for all the oil; what the oil loses in the pan and gains in the exchanger gives the
//! temperatures along it. Control is a cascade: the oil's loop sets the exchanger's outlet, whose loop sets the heat.

use super::fryer_loop::{FryerLoop, FryerMode, FryerSetting, HeatLimits};
use super::{Noise, StepTime, Wander};

/// Heat capacity of the oil in the loop, J/K. Trade figure: 2000 L at 180 degC are 1701 kg, 3561 kJ/K.
const OIL_J_PER_K: f64 = 3.561e6;
/// Heat that flowing oil carries, J/(m3 K). Trade figures for the drop: 830 kg/m3, 2.3 kJ/(kg K). The stored-heat
/// figure above rests on another source's heat capacity; sources differ by some 20 %.
const OIL_J_PER_M3_K: f64 = 830.0 * 2300.0;
/// The same for water, at boil-out. Textbook: 2000 L at 4.18 kJ/(kg K).
const WATER_J_PER_K: f64 = 8.36e6;
const WATER_J_PER_M3_K: f64 = 4.0e6;
/// Water as it is let into a warm pan, and oil as it comes from the store, degC. Illustrative; the store's is from the
/// demo week.
const WATER_DEGC: f64 = 50.0;
const STORED_OIL_DEGC: f64 = 25.0;
/// What the pan loses with no product, W at [`PAN_LOSS_RISE_K`]. Computed from the trade figure of 1 to 2 K between
/// inlet and outlet without feed: 1.5 K in 46 m3/h.
const PAN_LOSS_W: f64 = 36e3;
/// Oil above the room for [`PAN_LOSS_W`], K: 182 degC in 25 degC.
const PAN_LOSS_RISE_K: f64 = 157.0;
/// Temperature of the room, degC. Illustrative.
const ROOM_DEGC: f64 = 25.0;
/// The heater at 100 % demand, W. Trade figure.
const HEATER_W: f64 = 600e3;
/// How fast the heater follows its demand, s. Illustrative.
const HEATER_TAU_S: f64 = 3.0;
/// How far the load wanders with the feed, share of the product's part, and how fast, s. Illustrative.
const LOAD_WANDER: (f64, f64) = (0.015, 60.0);
/// How fast the pump's flow follows, s. Illustrative.
const FLOW_TAU_S: f64 = 4.0;
/// Oil that moves by itself when the pump stands, m3/s; also the least that heat is computed with. Illustrative.
const LEAST_FLOW_M3_PER_S: f64 = 8.0 / 3600.0;
/// The pump comes first: the loop is switched on when so much of the ordered flow stands, share. Illustrative.
const STARTS_FROM_FLOW: f64 = 0.95;
/// Flow that closes the switch of the interlock, m3/s. Illustrative: below it the heat is off.
const PROVEN_FLOW_M3_PER_S: f64 = 20.0 / 3600.0;
/// The independent high limit trips here, degC of the exchanger's outlet, and can be reset below the other.
/// Illustrative, above the alarm of the demo line at 215.
const HIGH_LIMIT_DEGC: (f64, f64) = (230.0, 190.0);
/// How hard the lower loop of [`FryerInputs::heat_low_k`] holds its own, too low temperature, W/K. Illustrative.
const LOW_LIMIT_W_PER_K: f64 = 200e3;
/// Part of the product's heat that goes with the water it brings. Trade figures: 273.5 + 17.2 of 361 kW.
const WATER_PART: f64 = 0.8;
/// Moisture of the feed for full load, %. Recipe R-03.
const USUAL_MOISTURE_PERCENT: f64 = 35.0;

/// What the fryer holds in balance, from the line's typical values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FryerBalance {
    /// Oil where product enters, degC.
    pub inlet_degc: f64,
    /// How much colder it leaves the pan at full feed, K. Trade figure: 14 to 15.
    pub drop_k: f64,
    /// How much hotter it leaves the exchanger than it enters the pan, K. Demo line: 1.4.
    pub pipe_loss_k: f64,
    /// Oil flow, m3/s.
    pub flow_m3_per_s: f64,
}

/// What acts on the fryer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FryerInputs {
    /// How it is to run.
    pub setting: FryerSetting,
    /// Oil setpoint as entered, degC.
    pub setpoint_degc: f64,
    /// What the oil loop's probe says, degC; `None` when it is broken: then the loop holds its output.
    pub measured_degc: Option<f64>,
    /// What the exchanger loop's probe says, degC; `None` when it is broken.
    pub exchanger_degc: Option<f64>,
    /// Product in the pan, as a share of full feed, 0 to 1.
    pub feed_share: f64,
    /// Moisture of it, % wet basis.
    pub moisture_percent: f64,
    /// Flow that the pump would give, m3/s.
    pub flow_m3_per_s: f64,
    /// A limit on the heat that holds the oil this many K below the setpoint, whatever the demand says.
    pub heat_low_k: Option<f64>,
    /// A person holds the heat demand here, %.
    pub manual_percent: Option<f64>,
    /// The heat's valve doesn't move.
    pub valve_stuck: bool,
    /// Another interlock takes the heat away.
    pub heat_blocked: bool,
    /// The dry-out at the first heat-up after a boil-out is skipped.
    pub dry_out_skipped: bool,
}

/// State of the fryer.
#[derive(Debug, Clone)]
pub struct Fryer {
    balance: FryerBalance,
    inlet_degc: f64,
    outlet_degc: f64,
    exchanger_degc: f64,
    flow_m3_per_s: f64,
    heat_w: f64,
    valve_percent: f64,
    water: bool,
    high_limit: bool,
    load_wander: Wander,
    control: FryerLoop,
}

impl Fryer {
    /// A fryer at full feed in `balance`.
    #[must_use]
    pub fn settled(balance: &FryerBalance) -> Self {
        let flow_w_per_k = balance.flow_m3_per_s * OIL_J_PER_M3_K;
        let heat_w = (balance.drop_k + balance.pipe_loss_k) * flow_w_per_k;
        let demand_percent = (100.0 * heat_w / HEATER_W).clamp(1.0, 99.0);
        let exchanger_degc = balance.inlet_degc + balance.pipe_loss_k;
        Self {
            balance: *balance,
            inlet_degc: balance.inlet_degc,
            outlet_degc: balance.inlet_degc - balance.drop_k,
            exchanger_degc,
            flow_m3_per_s: balance.flow_m3_per_s,
            heat_w,
            valve_percent: demand_percent,
            water: false,
            high_limit: false,
            load_wander: Wander::new(LOAD_WANDER.0, LOAD_WANDER.1),
            control: FryerLoop::settled(balance.inlet_degc, exchanger_degc, demand_percent),
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

    /// Oil temperature behind the heat exchanger, degC.
    #[must_use]
    pub const fn exchanger_degc(&self) -> f64 {
        self.exchanger_degc
    }

    /// Oil circulation flow, m3/s.
    #[must_use]
    pub const fn flow_m3_per_s(&self) -> f64 {
        self.flow_m3_per_s
    }

    /// Whether the flow closes the interlock's switch.
    #[must_use]
    pub fn flow_proven(&self) -> bool {
        self.flow_m3_per_s >= PROVEN_FLOW_M3_PER_S
    }

    /// Whether the independent high limit has tripped.
    #[must_use]
    pub const fn high_limit_tripped(&self) -> bool {
        self.high_limit
    }

    /// The cascade.
    #[must_use]
    pub const fn control(&self) -> &FryerLoop {
        &self.control
    }

    /// Whether water is in it.
    #[must_use]
    pub const fn holds_water(&self) -> bool {
        self.water
    }

    /// The fryer after `step`.
    pub fn step(&mut self, step: StepTime, inputs: &FryerInputs, noise: &mut Noise) {
        self.change_contents(inputs.setting);
        self.flow_m3_per_s += (inputs.flow_m3_per_s - self.flow_m3_per_s) * step.share(FLOW_TAU_S);
        let load_w = self.load_w(step, inputs, noise);
        self.heat(step, inputs, load_w);
        let (holds_j_per_k, flow_w_per_k) = (self.holds_j_per_k(), self.flow_w_per_k());
        let pipe_w = self.pipe_loss_w();
        self.inlet_degc += (self.heat_w - load_w - pipe_w) * step.seconds() / holds_j_per_k;
        self.outlet_degc = self.inlet_degc - load_w / flow_w_per_k;
        self.exchanger_degc = self.outlet_degc + self.heat_w / flow_w_per_k;
        let (trips_degc, resets_degc) = HIGH_LIMIT_DEGC;
        let hottest_degc = self.exchanger_degc.max(self.inlet_degc);
        self.high_limit = hottest_degc >= trips_degc || self.high_limit && hottest_degc >= resets_degc;
    }

    /// Draining and filling take no time here; what they take in the plant is the operators' business.
    fn change_contents(&mut self, setting: FryerSetting) {
        let wants_water = match setting {
            FryerSetting::BoilOut => true,
            FryerSetting::Fry | FryerSetting::SetBack => false,
            FryerSetting::Off => self.water,
        };
        if wants_water != self.water {
            self.water = wants_water;
            self.inlet_degc = if wants_water { WATER_DEGC } else { STORED_OIL_DEGC };
            (self.outlet_degc, self.exchanger_degc, self.heat_w) = (self.inlet_degc, self.inlet_degc, 0.0);
            self.control.contents_changed(self.inlet_degc, wants_water);
        }
    }

    /// Heat that product and pan take, W.
    fn load_w(&mut self, step: StepTime, inputs: &FryerInputs, noise: &mut Noise) -> f64 {
        let full_w =
            (self.balance.drop_k * self.balance.flow_m3_per_s * OIL_J_PER_M3_K - PAN_LOSS_W).max(0.0);
        let wetness = inputs.moisture_percent / USUAL_MOISTURE_PERCENT - 1.0;
        let wander = self.load_wander.step(step, noise);
        let product_w = full_w * inputs.feed_share * (1.0 + wander) * (1.0 + WATER_PART * wetness).max(0.0);
        let product_w = if self.water { 0.0 } else { product_w };
        product_w + PAN_LOSS_W * (self.inlet_degc - ROOM_DEGC) / PAN_LOSS_RISE_K
    }

    fn pipe_loss_w(&self) -> f64 {
        let usual_w = self.balance.pipe_loss_k * self.balance.flow_m3_per_s * OIL_J_PER_M3_K;
        // Pipes that nothing flows through lose nothing of the pan's heat.
        let flowing = if self.flow_proven() { 1.0 } else { 0.0 };
        usual_w * flowing * (self.inlet_degc - ROOM_DEGC) / (self.balance.inlet_degc - ROOM_DEGC).max(1.0)
    }

    fn heat(&mut self, step: StepTime, inputs: &FryerInputs, load_w: f64) {
        let limits = HeatLimits {
            setpoint_degc: inputs.setpoint_degc,
            measured_degc: inputs.measured_degc,
            exchanger_degc: inputs.exchanger_degc,
            manual_percent: inputs.manual_percent,
            dry_out_skipped: inputs.dry_out_skipped,
        };
        let starts = self.control.mode() == FryerMode::Off
            && self.flow_m3_per_s < STARTS_FROM_FLOW * inputs.flow_m3_per_s;
        let setting = if starts { FryerSetting::Off } else { inputs.setting };
        self.control.step(step, setting, &limits);
        if !inputs.valve_stuck {
            self.valve_percent = self.control.demand_percent();
        }
        let blocked = inputs.heat_blocked || self.high_limit || !self.flow_proven();
        let mut wanted_w = if blocked { 0.0 } else { HEATER_W * self.valve_percent / 100.0 };
        if let Some(below_k) = inputs.heat_low_k {
            let low_degc = inputs.setpoint_degc - below_k;
            let held_w = load_w + self.pipe_loss_w();
            wanted_w = wanted_w.min((held_w + LOW_LIMIT_W_PER_K * (low_degc - self.inlet_degc)).max(0.0));
        }
        self.heat_w += (wanted_w - self.heat_w) * step.share(HEATER_TAU_S);
    }

    const fn holds_j_per_k(&self) -> f64 {
        if self.water { WATER_J_PER_K } else { OIL_J_PER_K }
    }

    fn flow_w_per_k(&self) -> f64 {
        let carries = if self.water { WATER_J_PER_M3_K } else { OIL_J_PER_M3_K };
        self.flow_m3_per_s.max(LEAST_FLOW_M3_PER_S) * carries
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BALANCE: FryerBalance =
        FryerBalance { inlet_degc: 182.0, drop_k: 14.5, pipe_loss_k: 1.4, flow_m3_per_s: 46.0 / 3600.0 };
    const INPUTS: FryerInputs = FryerInputs {
        setting: FryerSetting::Fry,
        setpoint_degc: 182.0,
        measured_degc: None,
        exchanger_degc: None,
        feed_share: 1.0,
        moisture_percent: 35.0,
        flow_m3_per_s: 46.0 / 3600.0,
        heat_low_k: None,
        manual_percent: None,
        valve_stuck: false,
        heat_blocked: false,
        dry_out_skipped: false,
    };

    /// Runs for `seconds` with probes that are 8 and 5 s late; the inlet after each.
    fn run(fryer: &mut Fryer, inputs: &FryerInputs, seconds: usize) -> Vec<f64> {
        let (step, mut noise) = (StepTime::new(1.0).unwrap(), Noise::new(1));
        let (mut inlet_degc, mut exchanger_degc) = (fryer.inlet_degc(), fryer.exchanger_degc());
        (0..seconds)
            .map(|_| {
                inlet_degc += (fryer.inlet_degc() - inlet_degc) * step.share(8.0);
                exchanger_degc += (fryer.exchanger_degc() - exchanger_degc) * step.share(5.0);
                let seen = FryerInputs {
                    measured_degc: Some(inlet_degc),
                    exchanger_degc: Some(exchanger_degc),
                    ..*inputs
                };
                fryer.step(step, &seen, &mut noise);
                fryer.inlet_degc()
            })
            .collect()
    }

    /// Trade figures: about 354 kW for product and pan, 14 to 15 K; the pipes come on top.
    #[test]
    fn full_feed_takes_about_354_kw_and_cools_the_oil_14_to_15_k() {
        let mut fryer = Fryer::settled(&BALANCE);
        run(&mut fryer, &INPUTS, 600);
        let drop_k = fryer.inlet_degc() - fryer.outlet_degc();
        assert!((14.0..15.0).contains(&drop_k), "{drop_k}");
        let load_kw = drop_k * 46.0 / 3600.0 * OIL_J_PER_M3_K / 1000.0;
        assert!((load_kw - 354.0).abs() < 15.0, "{load_kw} kW");
        let demand = fryer.control().demand_percent();
        assert!((demand - 64.6).abs() < 2.0, "{demand} %");
    }

    #[test]
    fn without_feed_the_oil_cools_1_to_2_k_on_its_way() {
        let mut fryer = Fryer::settled(&BALANCE);
        run(&mut fryer, &FryerInputs { feed_share: 0.0, ..INPUTS }, 900);
        let drop_k = fryer.inlet_degc() - fryer.outlet_degc();
        assert!((1.0..2.0).contains(&drop_k), "{drop_k}");
        assert!((fryer.inlet_degc() - 182.0).abs() < 0.5);
    }

    #[test]
    fn an_hour_at_full_feed_stays_within_half_a_kelvin() {
        let mut fryer = Fryer::settled(&BALANCE);
        for (second, inlet) in run(&mut fryer, &INPUTS, 3600).into_iter().enumerate() {
            assert!((inlet - 182.0).abs() < 0.5, "{inlet} after {second} s");
        }
        assert!((fryer.exchanger_degc() - fryer.inlet_degc() - 1.4).abs() < 0.5);
    }

    /// Trade figure: 4.1 K/min for the evaporation alone; the whole product load is 318 kW, hence 5.4.
    #[test]
    fn losing_the_feed_with_the_heat_unchanged_heats_the_oil() {
        let mut fryer = Fryer::settled(&BALANCE);
        let stuck = FryerInputs { feed_share: 0.0, valve_stuck: true, ..INPUTS };
        let heated = run(&mut fryer, &stuck, 60);
        let per_minute = heated[59] - 182.0;
        assert!((4.0..6.0).contains(&per_minute), "{per_minute} K/min");
    }

    #[test]
    fn the_high_limit_takes_the_heat_from_a_stuck_heater_and_stays_until_it_is_cool() {
        let mut fryer = Fryer::settled(&BALANCE);
        let stuck = FryerInputs { feed_share: 0.0, manual_percent: Some(100.0), ..INPUTS };
        let heated = run(&mut fryer, &stuck, 900);
        assert!(fryer.high_limit_tripped());
        assert!(heated.iter().all(|inlet| *inlet < 235.0));
        assert!(heated[899] < 230.0);
    }

    #[test]
    fn wetter_feed_cools_the_outlet_while_the_inlet_holds() {
        let mut fryer = Fryer::settled(&BALANCE);
        run(&mut fryer, &FryerInputs { moisture_percent: 41.0, ..INPUTS }, 900);
        assert!((fryer.inlet_degc() - 182.0).abs() < 0.6, "{}", fryer.inlet_degc());
        let drop_k = fryer.inlet_degc() - fryer.outlet_degc();
        assert!((15.3..17.0).contains(&drop_k), "{drop_k}");
    }

    #[test]
    fn a_stopped_fryer_cools_for_hours() {
        let mut fryer = Fryer::settled(&BALANCE);
        let off = FryerInputs { setting: FryerSetting::Off, feed_share: 0.0, flow_m3_per_s: 0.0, ..INPUTS };
        let cooling = run(&mut fryer, &off, 4 * 3600);
        assert!((150.0..181.0).contains(&cooling[1800]), "{}", cooling[1800]);
        assert!((60.0..110.0).contains(&cooling[4 * 3600 - 1]), "{}", cooling[4 * 3600 - 1]);
        assert_eq!(fryer.control().demand_percent(), 0.0);
        assert!(!fryer.flow_proven());
    }

    /// Demo week: boil-out at 95 degC, then 25 to 182 degC in 65 min with the dry-out; never beyond 2 K/min from 95 to
    /// 125 degC unless the dry-out is skipped.
    #[test]
    fn the_first_heat_up_after_a_boil_out_dries_the_loop_out() {
        for (dry_out_skipped, slow) in [(false, true), (true, false)] {
            let mut fryer = Fryer::settled(&BALANCE);
            let water = FryerInputs {
                setting: FryerSetting::BoilOut,
                setpoint_degc: 95.0,
                feed_share: 0.0,
                ..INPUTS
            };
            let boiling = run(&mut fryer, &water, 3600);
            assert!((boiling[3599] - 95.0).abs() < 1.0 && fryer.holds_water(), "{}", boiling[3599]);
            let empty = FryerInputs { feed_share: 0.0, dry_out_skipped, ..INPUTS };
            let rising = run(&mut fryer, &empty, 70 * 60);
            let steepest = (0..rising.len() - 300)
                .filter(|at| rising[*at] >= 95.0 && rising[*at + 300] <= 125.0)
                .map(|at| (rising[at + 300] - rising[at]) / 5.0)
                .fold(0.0, f64::max);
            assert_eq!(steepest < 1.9, slow, "{steepest} K/min");
            assert!((rising[70 * 60 - 1] - 182.0).abs() < 1.0, "{}", rising[70 * 60 - 1]);
        }
    }
}
