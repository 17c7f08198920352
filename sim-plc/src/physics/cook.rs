//! The program of a cook kettle, step by step, as its controller runs it. It knows what its probes say, not what is.

use super::{PiLoop, PiTuning, StepTime};

/// Rates of filling, kg/s: 200 L/min of water, then 300 kg/min of corn, then lime. Illustrative: 8 min and one.
const WATER_KG_PER_S: f64 = 200.0 / 60.0;
const CORN_KG_PER_S: f64 = 5.0;
const DOSE_S: f64 = 60.0;
/// Heating ends so far below the setpoint, K: the probe is late. Illustrative.
const HEATED_WITHIN_K: f64 = 0.5;
/// Hold time counts only at or above this, degC. Demo line.
const COUNTS_FROM_DEGC: f64 = 94.0;
/// Hold time that is asked for, s. Recipe R-03: 20 min.
pub const HOLD_S: f64 = 1200.0;
/// The agitator in the hold, s of each s. Recipe: 1 min in 3.
const STIRRED: (f64, f64) = (60.0, 180.0);
/// Quench water, kg/s. Recipe R-03: 90 L/min.
const QUENCH_KG_PER_S: f64 = 1.5;
/// Where the quench ends, degC. Recipe R-03: 70 degC; the probe is a kelvin late.
pub const QUENCHED_DEGC: f64 = 71.0;
/// The quench gives up after this, s, and the batch is pumped out as it is. Demo week: 41 L/min end at 75.6 degC.
const QUENCH_MOST_S: f64 = 680.0;
/// Pumping out, kg/s: a batch of about 2,530 kg in 9 min. Recipe.
const PUMP_KG_PER_S: f64 = 4.7;
/// Rinse: 60 L in, then out. Recipe: 3 min.
const RINSE_S: (f64, f64) = (60.0, 180.0);
const RINSE_KG_PER_S: f64 = 1.0;
/// Tuning by the SIMC rules for an integrating process with 28 s of lag. Computed.
const TUNING: PiTuning = PiTuning { gain_per_k: 30.0, integral_time_s: 224.0 };

/// A step, with the number that the controller's step word shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum CookStep {
    /// Empty, waiting for its turn.
    Idle = 0,
    /// Water, then corn.
    Fill = 1,
    /// Lime.
    Dose = 2,
    /// Full steam.
    Heat = 3,
    /// The loop holds the setpoint.
    Hold = 4,
    /// Cold water.
    Quench = 5,
    /// Into the soak tank that is filling.
    PumpOut = 6,
    /// Rinse water.
    Rinse = 7,
}

/// What a batch is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CookCharge {
    /// Water, kg.
    pub water_kg: f64,
    /// Corn, kg.
    pub corn_kg: f64,
    /// Lime, kg.
    pub lime_kg: f64,
}

/// What the program sees and is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CookInputs {
    /// What the cook probe says, degC; `None` when it is broken: then the valve stays and no step ends by it.
    pub measured_degc: Option<f64>,
    /// Setpoint as entered, degC.
    pub setpoint_degc: f64,
    /// Hold time to be counted, s.
    pub hold_s: f64,
    /// Where the quench ends, degC.
    pub quenched_degc: f64,
    /// Water of a batch where it is not the charge's, kg.
    pub water_kg: Option<f64>,
    /// What the kettle holds, kg.
    pub contents_kg: f64,
    /// Whether the next batch may begin.
    pub may_begin: bool,
    /// Whether a tank takes the batch.
    pub may_pump_out: bool,
    /// A person holds the steam valve here, %.
    pub manual_percent: Option<f64>,
}

/// What the program opens and runs.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CookCommands {
    /// Steam valve, 0 to 100 %.
    pub valve_percent: f64,
    /// Fill or rinse water, kg/s.
    pub water_kg_per_s: f64,
    /// Corn, kg/s.
    pub corn_kg_per_s: f64,
    /// Lime, kg/s.
    pub lime_kg_per_s: f64,
    /// Quench water, kg/s.
    pub quench_kg_per_s: f64,
    /// Discharge, kg/s.
    pub drain_kg_per_s: f64,
    /// Whether the agitator is told to run.
    pub stirred: bool,
}

/// State of a program.
#[derive(Debug, Clone)]
pub struct CookProgram {
    charge: CookCharge,
    step: CookStep,
    in_step_s: f64,
    counted_s: f64,
    water_kg: f64,
    corn_kg: f64,
    since_begin_s: f64,
    holding_percent: f64,
    endless: bool,
    pi: PiLoop,
    commands: CookCommands,
}

impl CookProgram {
    /// A program in its hold, `counted_s` of hold time counted, the valve at `holding_percent`. An `endless` one stays
    /// in its hold.
    #[must_use]
    pub fn holding(charge: CookCharge, holding_percent: f64, counted_s: f64, endless: bool) -> Self {
        // When such a batch began: fill, dose and heat take about 34 min.
        let since_begin_s = 34.0 * 60.0 + counted_s;
        Self {
            charge,
            step: CookStep::Hold,
            in_step_s: counted_s,
            counted_s,
            water_kg: charge.water_kg,
            corn_kg: charge.corn_kg,
            since_begin_s,
            holding_percent,
            endless,
            pi: PiLoop::settled(TUNING, holding_percent),
            commands: CookCommands {
                valve_percent: holding_percent,
                stirred: true,
                ..CookCommands::default()
            },
        }
    }

    /// The same program, waiting for its turn; its last batch began `since_begin_s` ago.
    pub fn wait(&mut self, since_begin_s: f64) {
        (self.step, self.in_step_s, self.counted_s) = (CookStep::Idle, 0.0, 0.0);
        (self.water_kg, self.corn_kg) = (0.0, 0.0);
        self.since_begin_s = since_begin_s;
        self.commands = CookCommands::default();
        self.pi.follow(0.0);
    }

    /// The step that runs.
    #[must_use]
    pub const fn step_now(&self) -> CookStep {
        self.step
    }

    /// What it opens and runs now.
    #[must_use]
    pub const fn commands(&self) -> CookCommands {
        self.commands
    }

    /// Hold time counted, s.
    #[must_use]
    pub const fn counted_s(&self) -> f64 {
        self.counted_s
    }

    /// Water let into the batch, kg.
    #[must_use]
    pub const fn water_kg(&self) -> f64 {
        self.water_kg
    }

    /// How long ago the batch began, s.
    #[must_use]
    pub const fn since_begin_s(&self) -> f64 {
        self.since_begin_s
    }

    /// Whether a batch has just begun.
    #[must_use]
    pub fn has_just_begun(&self) -> bool {
        self.step == CookStep::Fill && self.in_step_s == 0.0
    }

    /// Whether it stays in its hold for ever.
    #[must_use]
    pub const fn is_endless(&self) -> bool {
        self.endless
    }

    /// The program after `step`.
    pub fn step(&mut self, step: StepTime, inputs: &CookInputs) {
        self.in_step_s += step.seconds();
        self.since_begin_s += step.seconds();
        self.count(step, inputs);
        let next = self.next_step(inputs);
        if next != self.step {
            self.enter(next);
        }
        self.commands = self.command(step, inputs);
        self.water_kg +=
            if self.step == CookStep::Fill { self.commands.water_kg_per_s } else { 0.0 } * step.seconds();
        self.corn_kg += self.commands.corn_kg_per_s * step.seconds();
    }

    fn count(&mut self, step: StepTime, inputs: &CookInputs) {
        let hot = inputs.measured_degc.is_some_and(|degc| degc >= COUNTS_FROM_DEGC);
        if self.step == CookStep::Hold && hot && !self.endless {
            self.counted_s += step.seconds();
        }
    }

    fn enter(&mut self, next: CookStep) {
        (self.step, self.in_step_s) = (next, 0.0);
        if next == CookStep::Fill {
            (self.counted_s, self.water_kg, self.corn_kg, self.since_begin_s) = (0.0, 0.0, 0.0, 0.0);
        } else if next == CookStep::Hold {
            self.pi.follow(self.holding_percent);
        }
    }

    fn next_step(&self, inputs: &CookInputs) -> CookStep {
        let at_least = |degc: f64| inputs.measured_degc.is_some_and(|measured| measured >= degc);
        let at_most = |degc: f64| inputs.measured_degc.is_some_and(|measured| measured <= degc);
        let (next, done) = match self.step {
            CookStep::Idle => (CookStep::Fill, inputs.may_begin),
            CookStep::Fill => (CookStep::Dose, self.filled(inputs)),
            CookStep::Dose => (CookStep::Heat, self.in_step_s >= DOSE_S),
            CookStep::Heat => (CookStep::Hold, at_least(inputs.setpoint_degc - HEATED_WITHIN_K)),
            CookStep::Hold => (CookStep::Quench, self.counted_s >= inputs.hold_s && !self.endless),
            CookStep::Quench => {
                let over = at_most(inputs.quenched_degc) || self.in_step_s >= QUENCH_MOST_S;
                (CookStep::PumpOut, over && inputs.may_pump_out)
            }
            CookStep::PumpOut => (CookStep::Rinse, inputs.contents_kg < 1.0),
            CookStep::Rinse => (CookStep::Idle, self.in_step_s >= RINSE_S.1 && inputs.contents_kg < 1.0),
        };
        if done { next } else { self.step }
    }

    fn asked_water_kg(&self, inputs: &CookInputs) -> f64 {
        inputs.water_kg.unwrap_or(self.charge.water_kg)
    }

    fn filled(&self, inputs: &CookInputs) -> bool {
        self.water_kg >= self.asked_water_kg(inputs) - 1e-6 && self.corn_kg >= self.charge.corn_kg - 1e-6
    }

    fn command(&mut self, step: StepTime, inputs: &CookInputs) -> CookCommands {
        let none = CookCommands::default();
        let stirred = CookCommands { stirred: true, ..none };
        let mut commands = match self.step {
            CookStep::Idle => none,
            CookStep::Fill => self.fill(step, inputs),
            CookStep::Dose => CookCommands { lime_kg_per_s: self.charge.lime_kg / DOSE_S, ..stirred },
            CookStep::Heat => CookCommands { valve_percent: 100.0, ..stirred },
            CookStep::Hold => {
                let stirred = self.in_step_s % STIRRED.1 < STIRRED.0;
                CookCommands { valve_percent: self.hold(step, inputs), stirred, ..none }
            }
            CookStep::Quench => CookCommands { quench_kg_per_s: self.quench(inputs), ..stirred },
            CookStep::PumpOut => CookCommands { drain_kg_per_s: PUMP_KG_PER_S, ..stirred },
            CookStep::Rinse => self.rinse(),
        };
        if let Some(percent) = inputs.manual_percent {
            commands.valve_percent = percent;
            self.pi.follow(percent);
        }
        commands
    }

    fn fill(&self, step: StepTime, inputs: &CookInputs) -> CookCommands {
        // The last step lets in what is missing, no more.
        let missing = |wanted_kg: f64, has_kg: f64| ((wanted_kg - has_kg) / step.seconds()).max(0.0);
        let water_kg_per_s = missing(self.asked_water_kg(inputs), self.water_kg).min(WATER_KG_PER_S);
        let corn_kg_per_s = missing(self.charge.corn_kg, self.corn_kg).min(CORN_KG_PER_S);
        if water_kg_per_s > 0.0 {
            CookCommands { water_kg_per_s, ..CookCommands::default() }
        } else {
            CookCommands { corn_kg_per_s, stirred: true, ..CookCommands::default() }
        }
    }

    fn hold(&mut self, step: StepTime, inputs: &CookInputs) -> f64 {
        match inputs.measured_degc {
            Some(measured_degc) => self.pi.step(step, inputs.setpoint_degc - measured_degc),
            None => self.pi.output(),
        }
    }

    /// Water until it is cold enough or too late; then the batch waits for a tank.
    fn quench(&self, inputs: &CookInputs) -> f64 {
        let hot = inputs.measured_degc.is_none_or(|degc| degc > inputs.quenched_degc);
        if hot && self.in_step_s < QUENCH_MOST_S { QUENCH_KG_PER_S } else { 0.0 }
    }

    fn rinse(&self) -> CookCommands {
        if self.in_step_s < RINSE_S.0 {
            CookCommands { water_kg_per_s: RINSE_KG_PER_S, ..CookCommands::default() }
        } else {
            CookCommands { drain_kg_per_s: RINSE_KG_PER_S, ..CookCommands::default() }
        }
    }
}
