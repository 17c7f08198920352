//! One zone of the oven: a burner against losses and product.

use super::{Noise, PiLoop, PiTuning, StepTime, Wander};

/// How fast a zone with product loses its heat, s. Computed: from 340 degC in a room of 20 degC it falls 12 K/min when
/// the burner is out (trade figure 10 to 15 K/min).
const ZONE_TAU_S: f64 = 1600.0;
/// Temperature of the room, degC. Illustrative.
const ROOM_DEGC: f64 = 20.0;
/// The part of the loss that is product drying and warming. Illustrative; a gap then overshoots by the trade's 5 K or
/// more, and an empty oven cools half as fast.
const PRODUCT_PART: f64 = 0.5;
/// How fast the burner follows its output, s. Illustrative.
const BURNER_TAU_S: f64 = 4.0;
/// From the call for heat to a proven flame, s: purge and ignition by the burner's own controller. Illustrative.
const PURGE_S: f64 = 40.0;
/// How fast the setpoint in force rises, K/s. Trade figure: 5 to 15 K/min at start-up.
const RAMP_K_PER_S: f64 = 7.0 / 60.0;
/// How far the heat taken by product wanders, share, and how fast, s. Illustrative.
const LOAD_WANDER: (f64, f64) = (0.01, 60.0);
/// Tuning by the SIMC rules for an integrating process with 24 s of lag. Computed.
const TUNING: PiTuning = PiTuning { gain_per_k: 5.4, integral_time_s: 192.0 };

/// How the zone's loop runs, with the number that its mode word shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum OvenMode {
    /// A person holds the burner.
    Manual = 0,
    /// The loop holds the setpoint.
    Automatic = 1,
    /// No burner.
    Off = 2,
}

/// What acts on a zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OvenInputs {
    /// Setpoint as entered, degC.
    pub setpoint_degc: f64,
    /// What the loop's thermocouple says, degC; `None` when it is broken: then the burner stays where it is.
    pub measured_degc: Option<f64>,
    /// Whether the zone is to be heated.
    pub on: bool,
    /// A person holds the burner here, %.
    pub manual_percent: Option<f64>,
    /// The burner's actuator doesn't move.
    pub valve_stuck: bool,
    /// Whether the burner has lost its flame.
    pub burner_out: bool,
    /// Product in the zone, as a share of full feed, 0 to 1.
    pub feed_share: f64,
}

/// State of a zone.
#[derive(Debug, Clone)]
pub struct OvenZone {
    zone_degc: f64,
    working_degc: f64,
    burner_percent: f64,
    actuator_percent: f64,
    holding_percent: f64,
    mode: OvenMode,
    called_s: f64,
    flame: bool,
    /// Rise above the room for each percent of burner output in the long run, K/%.
    rise_k_per_percent: f64,
    load_wander: Wander,
    pi: PiLoop,
}

impl OvenZone {
    /// A zone in balance at `setpoint_degc` with product and `holding_percent` of burner output (above 0).
    #[must_use]
    pub fn settled(setpoint_degc: f64, holding_percent: f64) -> Self {
        Self {
            zone_degc: setpoint_degc,
            working_degc: setpoint_degc,
            burner_percent: holding_percent,
            actuator_percent: holding_percent,
            holding_percent,
            mode: OvenMode::Automatic,
            called_s: PURGE_S,
            flame: true,
            rise_k_per_percent: (setpoint_degc - ROOM_DEGC) / holding_percent,
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
    pub const fn asked_percent(&self) -> f64 {
        self.pi.output()
    }

    /// Heat of the burner as a share of what holds the zone in run.
    #[must_use]
    pub fn burner_share(&self) -> f64 {
        self.burner_percent / self.holding_percent
    }

    /// Whether the flame is proven.
    #[must_use]
    pub const fn flame(&self) -> bool {
        self.flame
    }

    /// How its loop runs.
    #[must_use]
    pub const fn mode(&self) -> OvenMode {
        self.mode
    }

    /// The zone after `step`.
    pub fn step(&mut self, step: StepTime, inputs: &OvenInputs, noise: &mut Noise) {
        self.step_loop(step, inputs);
        self.called_s = if inputs.on { self.called_s + step.seconds() } else { 0.0 };
        self.flame = inputs.on && self.called_s >= PURGE_S && !inputs.burner_out;
        if !inputs.valve_stuck {
            self.actuator_percent = self.pi.output();
        }
        let wanted_percent = if self.flame { self.actuator_percent } else { 0.0 };
        self.burner_percent += (wanted_percent - self.burner_percent) * step.share(BURNER_TAU_S);
        let product = PRODUCT_PART * inputs.feed_share;
        let load = (1.0 - PRODUCT_PART + product) * (1.0 + self.load_wander.step(step, noise));
        let heating_k = self.rise_k_per_percent * self.burner_percent;
        let losing_k = (self.zone_degc - ROOM_DEGC) * load;
        self.zone_degc += (heating_k - losing_k) * step.seconds() / ZONE_TAU_S;
    }

    fn step_loop(&mut self, step: StepTime, inputs: &OvenInputs) {
        let measured_degc = inputs.measured_degc.unwrap_or(self.zone_degc);
        self.mode = match (inputs.on, inputs.manual_percent) {
            (false, _) => OvenMode::Off,
            (true, Some(_)) => OvenMode::Manual,
            (true, None) => OvenMode::Automatic,
        };
        match (self.mode, inputs.manual_percent) {
            (OvenMode::Off, _) => {
                self.pi.follow(0.0);
                // It starts again from where the zone is.
                self.working_degc = measured_degc.min(inputs.setpoint_degc);
            }
            (OvenMode::Manual | OvenMode::Automatic, Some(percent)) => self.pi.follow(percent),
            (OvenMode::Manual | OvenMode::Automatic, None) => {
                let raised_degc = self.working_degc + RAMP_K_PER_S * step.seconds();
                self.working_degc = inputs.setpoint_degc.min(raised_degc);
                if inputs.measured_degc.is_some() {
                    self.pi.step(step, self.working_degc - measured_degc);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const INPUTS: OvenInputs = OvenInputs {
        setpoint_degc: 340.6,
        measured_degc: None,
        on: true,
        manual_percent: None,
        valve_stuck: false,
        burner_out: false,
        feed_share: 1.0,
    };

    /// Runs for `seconds` with a thermocouple that is 20 s late; the zone's temperature after each.
    fn run(zone: &mut OvenZone, inputs: &OvenInputs, seconds: usize) -> Vec<f64> {
        let (step, mut noise) = (StepTime::new(1.0).unwrap(), Noise::new(1));
        let mut probe_degc = zone.zone_degc();
        (0..seconds)
            .map(|_| {
                probe_degc += (zone.zone_degc() - probe_degc) * step.share(20.0);
                zone.step(step, &OvenInputs { measured_degc: Some(probe_degc), ..*inputs }, &mut noise);
                zone.zone_degc()
            })
            .collect()
    }

    #[test]
    fn an_hour_in_run_stays_within_a_kelvin() {
        let mut zone = OvenZone::settled(340.6, 52.0);
        for (second, zone_degc) in run(&mut zone, &INPUTS, 3600).into_iter().enumerate() {
            assert!((zone_degc - 340.6).abs() < 1.0, "{zone_degc} after {second} s");
        }
    }

    #[test]
    fn without_its_burner_a_zone_falls_10_to_15_k_per_minute() {
        let mut zone = OvenZone::settled(340.6, 52.0);
        let falling = run(&mut zone, &OvenInputs { burner_out: true, ..INPUTS }, 240);
        assert!(!zone.flame());
        for minute in 1..4 {
            let fallen = falling[60 * minute - 1] - falling[60 * minute + 59];
            assert!((10.0..15.0).contains(&fallen), "{fallen} in minute {minute}");
        }
        assert_eq!(zone.asked_percent(), 100.0);
    }

    #[test]
    fn a_relit_zone_comes_back_to_its_setpoint() {
        let mut zone = OvenZone::settled(340.6, 52.0);
        run(&mut zone, &OvenInputs { burner_out: true, ..INPUTS }, 60);
        let back = run(&mut zone, &INPUTS, 900);
        assert!((back[899] - 340.6).abs() < 1.5, "{}", back[899]);
    }

    /// Trade figure: a zone with a feed gap overshoots 5 to 20 K in 1 to 3 min.
    #[test]
    fn a_feed_gap_overshoots() {
        let mut zone = OvenZone::settled(340.6, 52.0);
        let gap = run(&mut zone, &OvenInputs { feed_share: 0.0, ..INPUTS }, 600);
        let highest = gap.iter().copied().fold(f64::MIN, f64::max) - 340.6;
        assert!((4.0..20.0).contains(&highest), "{highest} K");
        assert!((gap[599] - 340.6).abs() < 3.0);
    }

    #[test]
    fn a_cold_oven_is_up_within_50_to_60_minutes() {
        let mut zone = OvenZone::settled(340.6, 52.0);
        run(&mut zone, &OvenInputs { on: false, feed_share: 0.0, ..INPUTS }, 8 * 3600);
        assert!(zone.zone_degc() < 22.0 && !zone.flame() && zone.mode() == OvenMode::Off);
        let rising = run(&mut zone, &OvenInputs { feed_share: 0.0, ..INPUTS }, 3600);
        assert!(rising[2400] < 330.0, "{}", rising[2400]);
        assert!((rising[3599] - 340.6).abs() < 8.0, "{}", rising[3599]);
    }

    #[test]
    fn a_stuck_actuator_keeps_the_heat_and_a_person_holds_the_output() {
        let mut zone = OvenZone::settled(340.6, 52.0);
        let stuck = OvenInputs { valve_stuck: true, setpoint_degc: 300.0, ..INPUTS };
        let kept = run(&mut zone, &stuck, 600);
        assert!((kept[599] - 340.6).abs() < 3.0 && zone.asked_percent() < 1.0);
        let mut zone = OvenZone::settled(340.6, 52.0);
        run(&mut zone, &OvenInputs { manual_percent: Some(60.0), ..INPUTS }, 60);
        assert_eq!((zone.mode(), zone.asked_percent()), (OvenMode::Manual, 60.0));
    }
}
