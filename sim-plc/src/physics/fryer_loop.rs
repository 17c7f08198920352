//! The fryer's temperature control as its controller runs it: setpoint in force, the cascade, the heat demand.

use super::{PiLoop, PiTuning, StepTime};

/// How fast the setpoint in force follows a higher entry, K/s. Demo line: 3 K/min.
const RAMP_K_PER_S: f64 = 3.0 / 60.0;
/// The same while a loop that held water dries out, K/s, and between which temperatures, degC. Demo week: 25 to 182 degC
/// in 65 min; the alarm of the demo line on wet oil is at 2 K/min.
const DRY_OUT_K_PER_S: f64 = 1.6 / 60.0;
const DRY_OUT_DEGC: (f64, f64) = (90.0, 130.0);
/// Set back, degC. Demo week: 160 in a hold.
const SET_BACK_DEGC: f64 = 160.0;
/// Tuning of the oil's loop by the SIMC rules for a first-order process of 146 s (heat capacity over flow) with 18 s of
/// lag and a closed-loop time of 25 s, K of exchanger outlet per K. Computed.
const OIL_TUNING: PiTuning = PiTuning { gain_per_k: 3.4, integral_time_s: 146.0 };
/// Tuning of the exchanger's loop: 0.25 K for each percent, 8 s of lag, a closed-loop time of 8 s. Computed.
const EXCHANGER_TUNING: PiTuning = PiTuning { gain_per_k: 2.0, integral_time_s: 8.0 };
/// Lowest and highest setpoint that the exchanger's loop takes, degC. Illustrative: its alarm is at 215.
const EXCHANGER_DEGC: (f64, f64) = (20.0, 212.0);

/// How the fryer is to run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FryerSetting {
    /// At the entered setpoint.
    Fry,
    /// Hot, set back, no product.
    SetBack,
    /// With water, at the entered setpoint.
    BoilOut,
    /// No heat.
    Off,
}

/// How the loop runs, with the number that its mode word shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum FryerMode {
    /// No heat.
    Off = 0,
    /// A person holds the demand.
    Manual = 1,
    /// The loop holds the setpoint.
    Automatic = 2,
    /// The loop holds the set-back temperature.
    Hold = 3,
}

/// What the loop sees and is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeatLimits {
    /// Oil setpoint as entered, degC.
    pub setpoint_degc: f64,
    /// What the oil's probe says, degC; `None` when broken.
    pub measured_degc: Option<f64>,
    /// What the probe behind the exchanger says, degC; `None` when broken.
    pub exchanger_degc: Option<f64>,
    /// A person holds the demand here, %.
    pub manual_percent: Option<f64>,
    /// The dry-out is skipped.
    pub dry_out_skipped: bool,
}

/// State of the cascade.
#[derive(Debug, Clone)]
pub struct FryerLoop {
    mode: FryerMode,
    working_degc: f64,
    /// The loop held water and has not been hot since.
    wet: bool,
    oil: PiLoop,
    exchanger: PiLoop,
}

impl FryerLoop {
    /// A cascade that has held `oil_degc` for a long time, with `exchanger_degc` behind the exchanger and this demand.
    #[must_use]
    pub const fn settled(oil_degc: f64, exchanger_degc: f64, demand_percent: f64) -> Self {
        Self {
            mode: FryerMode::Automatic,
            working_degc: oil_degc,
            wet: false,
            oil: PiLoop::settled(OIL_TUNING, exchanger_degc).between(EXCHANGER_DEGC.0, EXCHANGER_DEGC.1),
            exchanger: PiLoop::settled(EXCHANGER_TUNING, demand_percent),
        }
    }

    /// How it runs.
    #[must_use]
    pub const fn mode(&self) -> FryerMode {
        self.mode
    }

    /// Setpoint in force, degC.
    #[must_use]
    pub const fn working_degc(&self) -> f64 {
        self.working_degc
    }

    /// What the oil's loop asks of the exchanger's outlet, degC.
    #[must_use]
    pub const fn exchanger_setpoint_degc(&self) -> f64 {
        self.oil.output()
    }

    /// Heat demand, 0 to 100 %.
    #[must_use]
    pub const fn demand_percent(&self) -> f64 {
        self.exchanger.output()
    }

    /// The pan holds something else now, at `degc`.
    pub fn contents_changed(&mut self, degc: f64, water: bool) {
        // What held water is wet until it has been dried out.
        self.wet = true;
        self.working_degc = degc;
        self.oil.follow(degc);
        self.exchanger.follow(0.0);
        if water {
            self.mode = FryerMode::Automatic;
        }
    }

    /// The loop after `step`.
    pub fn step(&mut self, step: StepTime, setting: FryerSetting, limits: &HeatLimits) {
        self.mode = match (setting, limits.manual_percent) {
            (FryerSetting::Off, _) => FryerMode::Off,
            (FryerSetting::Fry | FryerSetting::SetBack | FryerSetting::BoilOut, Some(_)) => FryerMode::Manual,
            (FryerSetting::SetBack, None) => FryerMode::Hold,
            (FryerSetting::Fry | FryerSetting::BoilOut, None) => FryerMode::Automatic,
        };
        match (self.mode, limits.manual_percent) {
            (FryerMode::Off, _) => self.rest(limits),
            (FryerMode::Manual | FryerMode::Automatic | FryerMode::Hold, Some(percent)) => {
                self.exchanger.follow(percent);
                self.oil.follow(limits.exchanger_degc.unwrap_or(self.oil.output()));
            }
            (FryerMode::Manual | FryerMode::Automatic | FryerMode::Hold, None) => {
                let wanted_degc = match setting {
                    FryerSetting::SetBack => SET_BACK_DEGC.min(limits.setpoint_degc),
                    FryerSetting::Fry | FryerSetting::BoilOut | FryerSetting::Off => limits.setpoint_degc,
                };
                self.ramp(step, wanted_degc, setting, limits.dry_out_skipped);
                self.cascade(step, limits);
            }
        }
    }

    fn rest(&mut self, limits: &HeatLimits) {
        let measured_degc = limits.measured_degc.unwrap_or(self.working_degc);
        // Heating starts again from where the oil is.
        self.working_degc = measured_degc.min(limits.setpoint_degc);
        self.oil.follow(measured_degc);
        self.exchanger.follow(0.0);
    }

    fn ramp(&mut self, step: StepTime, wanted_degc: f64, setting: FryerSetting, dry_out_skipped: bool) {
        let drying = setting != FryerSetting::BoilOut && self.wet && !dry_out_skipped;
        let (from_degc, to_degc) = DRY_OUT_DEGC;
        let slow = drying && (from_degc..to_degc).contains(&self.working_degc);
        let rate = if slow { DRY_OUT_K_PER_S } else { RAMP_K_PER_S };
        self.working_degc = wanted_degc.min(self.working_degc + rate * step.seconds());
        self.wet &= self.working_degc < to_degc;
    }

    fn cascade(&mut self, step: StepTime, limits: &HeatLimits) {
        if let Some(measured_degc) = limits.measured_degc {
            // While the heat can't do what is asked, asking for more of it would only delay the way back.
            let demand_percent = self.exchanger.output();
            let (high, low) = (demand_percent >= 100.0, demand_percent <= 0.0);
            self.oil.step_unless(step, self.working_degc - measured_degc, high, low);
        }
        if let Some(exchanger_degc) = limits.exchanger_degc {
            self.exchanger.step(step, self.oil.output() - exchanger_degc);
        }
    }
}
