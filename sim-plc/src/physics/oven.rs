//! One zone of the oven: a burner against losses and product.

use super::{Noise, PiLoop, PiTuning, StepTime, Wander};

/// How fast a zone loses its heat, s. Computed: from 340 degC in a room of 20 degC it falls 12 K/min when the burner
/// is out (trade figure 10 to 15 K/min).
const ZONE_TAU_S: f64 = 1600.0;
/// Temperature of the room, degC. Illustrative.
const ROOM_DEGC: f64 = 20.0;
/// How fast the burner follows its output, s. Illustrative.
const BURNER_TAU_S: f64 = 4.0;
/// How far the heat taken by product wanders, share, and how fast, s. Illustrative.
const LOAD_WANDER: (f64, f64) = (0.01, 60.0);
/// Tuning by the SIMC rules for an integrating process with 24 s of lag. Computed.
const TUNING: PiTuning = PiTuning { gain_percent_per_k: 5.4, integral_time_s: 192.0 };

/// What acts on a zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OvenInputs {
    /// Setpoint as entered, degC.
    pub setpoint_degc: f64,
    /// Whether the burner has lost its flame.
    pub burner_out: bool,
}

/// State of a zone.
#[derive(Debug, Clone)]
pub struct OvenZone {
    zone_degc: f64,
    /// What the loop's thermocouple says, degC: the zone, late.
    probe_degc: f64,
    probe_tau_s: f64,
    burner_percent: f64,
    flame: bool,
    /// Rise above the room for each percent of burner output in the long run, K/%.
    rise_k_per_percent: f64,
    load_wander: Wander,
    pi: PiLoop,
}

impl OvenZone {
    /// A zone in balance at its setpoint with product and `holding_percent` of burner output (above 0), whose loop has
    /// a probe with time constant `probe_tau_s`.
    #[must_use]
    pub fn settled(inputs: &OvenInputs, holding_percent: f64, probe_tau_s: f64) -> Self {
        Self {
            zone_degc: inputs.setpoint_degc,
            probe_degc: inputs.setpoint_degc,
            probe_tau_s,
            burner_percent: holding_percent,
            flame: true,
            rise_k_per_percent: (inputs.setpoint_degc - ROOM_DEGC) / holding_percent,
            load_wander: Wander::new(LOAD_WANDER.0, LOAD_WANDER.1),
            pi: PiLoop::settled(TUNING, holding_percent),
        }
    }

    /// Temperature of the zone, degC.
    #[must_use]
    pub const fn zone_degc(&self) -> f64 {
        self.zone_degc
    }

    /// Burner output that the loop asks for, 0 to 100 %.
    #[must_use]
    pub const fn burner_percent(&self) -> f64 {
        self.pi.output_percent()
    }

    /// Whether the flame is proven.
    #[must_use]
    pub const fn flame(&self) -> bool {
        self.flame
    }

    /// The zone after `step`.
    pub fn step(&mut self, step: StepTime, inputs: &OvenInputs, noise: &mut Noise) {
        self.flame = !inputs.burner_out;
        self.probe_degc += (self.zone_degc - self.probe_degc) * step.share(self.probe_tau_s);
        let asked_percent = self.pi.step(step, inputs.setpoint_degc - self.probe_degc);
        let wanted_percent = if self.flame { asked_percent } else { 0.0 };
        self.burner_percent += (wanted_percent - self.burner_percent) * step.share(BURNER_TAU_S);
        let load = 1.0 + self.load_wander.step(step, noise);
        let heating_k = self.rise_k_per_percent * self.burner_percent;
        let losing_k = (self.zone_degc - ROOM_DEGC) * load;
        self.zone_degc += (heating_k - losing_k) * step.seconds() / ZONE_TAU_S;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const INPUTS: OvenInputs = OvenInputs { setpoint_degc: 340.6, burner_out: false };

    fn run(zone: &mut OvenZone, inputs: &OvenInputs, seconds: usize) -> Vec<f64> {
        let (step, mut noise) = (StepTime::new(1.0).unwrap(), Noise::new(1));
        (0..seconds)
            .map(|_| {
                zone.step(step, inputs, &mut noise);
                zone.zone_degc()
            })
            .collect()
    }

    #[test]
    fn an_hour_in_run_stays_within_a_kelvin() {
        let mut zone = OvenZone::settled(&INPUTS, 52.0, 20.0);
        for (second, zone_degc) in run(&mut zone, &INPUTS, 3600).into_iter().enumerate() {
            assert!((zone_degc - 340.6).abs() < 1.0, "{zone_degc} after {second} s");
        }
    }

    #[test]
    fn without_its_burner_a_zone_falls_10_to_15_k_per_minute() {
        let mut zone = OvenZone::settled(&INPUTS, 52.0, 20.0);
        let falling = run(&mut zone, &OvenInputs { burner_out: true, ..INPUTS }, 240);
        assert!(!zone.flame());
        for minute in 1..4 {
            let fallen = falling[60 * minute - 1] - falling[60 * minute + 59];
            assert!((10.0..15.0).contains(&fallen), "{fallen} in minute {minute}");
        }
        assert_eq!(zone.burner_percent(), 100.0);
    }

    #[test]
    fn a_relit_zone_comes_back_to_its_setpoint() {
        let mut zone = OvenZone::settled(&INPUTS, 52.0, 20.0);
        run(&mut zone, &OvenInputs { burner_out: true, ..INPUTS }, 60);
        let back = run(&mut zone, &INPUTS, 900);
        assert!((back[899] - 340.6).abs() < 1.5, "{}", back[899]);
    }
}
