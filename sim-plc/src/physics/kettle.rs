//! A kettle in its cook hold: steam against losses.

use super::{Noise, PiLoop, PiTuning, StepTime, Wander};

/// Heat capacity of the batch, J/K. Computed from the trade figure of 523 MJ for 600 kg corn and 1500 kg water from
/// 25 to 95 degC: corn 2.0 kJ/(kg K), here with 1200 kg water.
const BATCH_J_PER_K: f64 = 6.22e6;
/// Steam at a fully open valve, W. Trade figures: 600 kg/h at 2.2 MJ/kg.
const STEAM_W: f64 = 367e3;
/// Temperature of the room, degC. Illustrative.
const ROOM_DEGC: f64 = 25.0;
/// How fast the jacket follows the valve, s. Illustrative.
const JACKET_TAU_S: f64 = 3.0;
/// How far the loss wanders, share, and how fast, s. Illustrative.
const LOSS_WANDER: (f64, f64) = (0.02, 60.0);
/// Tuning by the SIMC rules for an integrating process with 28 s of lag. Computed.
const TUNING: PiTuning = PiTuning { gain_percent_per_k: 30.0, integral_time_s: 224.0 };

/// What acts on a kettle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KettleInputs {
    /// Setpoint as entered, degC.
    pub setpoint_degc: f64,
}

/// State of a kettle.
#[derive(Debug, Clone)]
pub struct Kettle {
    batch_degc: f64,
    /// What the loop's probe says, degC: the batch, late.
    probe_degc: f64,
    probe_tau_s: f64,
    steam_percent: f64,
    loss_w_per_k: f64,
    loss_wander: Wander,
    pi: PiLoop,
}

impl Kettle {
    /// A kettle in balance at its setpoint with the valve at `holding_percent` (trade figure: 15 to 30 % in hold),
    /// whose loop has a probe with time constant `probe_tau_s`.
    #[must_use]
    pub fn settled(inputs: &KettleInputs, holding_percent: f64, probe_tau_s: f64) -> Self {
        Self {
            batch_degc: inputs.setpoint_degc,
            probe_degc: inputs.setpoint_degc,
            probe_tau_s,
            steam_percent: holding_percent,
            loss_w_per_k: STEAM_W * holding_percent / 100.0 / (inputs.setpoint_degc - ROOM_DEGC).max(1.0),
            loss_wander: Wander::new(LOSS_WANDER.0, LOSS_WANDER.1),
            pi: PiLoop::settled(TUNING, holding_percent),
        }
    }

    /// Temperature of the batch, degC.
    #[must_use]
    pub const fn batch_degc(&self) -> f64 {
        self.batch_degc
    }

    /// Steam valve, 0 to 100 %.
    #[must_use]
    pub const fn valve_percent(&self) -> f64 {
        self.pi.output_percent()
    }

    /// The kettle after `step`.
    pub fn step(&mut self, step: StepTime, inputs: &KettleInputs, noise: &mut Noise) {
        self.probe_degc += (self.batch_degc - self.probe_degc) * step.share(self.probe_tau_s);
        let asked_percent = self.pi.step(step, inputs.setpoint_degc - self.probe_degc);
        self.steam_percent += (asked_percent - self.steam_percent) * step.share(JACKET_TAU_S);
        let loss_w =
            self.loss_w_per_k * (self.batch_degc - ROOM_DEGC) * (1.0 + self.loss_wander.step(step, noise));
        let heat_w = STEAM_W * self.steam_percent / 100.0;
        self.batch_degc += (heat_w - loss_w) * step.seconds() / BATCH_J_PER_K;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(kettle: &mut Kettle, setpoint_degc: f64, seconds: usize) -> Vec<f64> {
        let (step, mut noise) = (StepTime::new(1.0).unwrap(), Noise::new(1));
        (0..seconds)
            .map(|_| {
                kettle.step(step, &KettleInputs { setpoint_degc }, &mut noise);
                kettle.batch_degc()
            })
            .collect()
    }

    #[test]
    fn an_hour_of_hold_stays_within_a_fifth_of_a_kelvin() {
        let mut kettle = Kettle::settled(&KettleInputs { setpoint_degc: 96.0 }, 22.0, 25.0);
        for (second, batch) in run(&mut kettle, 96.0, 3600).into_iter().enumerate() {
            assert!((batch - 96.0).abs() < 0.2, "{batch} after {second} s");
        }
        assert!((15.0..30.0).contains(&kettle.valve_percent()), "{}", kettle.valve_percent());
    }

    /// Trade figure: 2 to 4 K/min with full steam.
    #[test]
    fn a_raised_setpoint_heats_at_the_rate_steam_allows() {
        let mut kettle = Kettle::settled(&KettleInputs { setpoint_degc: 60.0 }, 22.0, 25.0);
        let rising = run(&mut kettle, 96.0, 120);
        let per_minute = rising[119] - rising[59];
        assert!((2.0..4.0).contains(&per_minute), "{per_minute}");
    }
}
