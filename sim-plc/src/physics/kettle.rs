//! A steam-jacketed cook kettle: what is in it, and its heat. The program that drives it is in [`super::cook`].

use super::{Noise, StepTime, Wander};

/// Heat capacity of water, J/(kg K). Textbook.
pub const WATER_J_PER_KG_K: f64 = 4186.0;
/// Heat capacity of corn, J/(kg K). Trade figure: with it 600 kg corn and 1500 kg water take 523 MJ from 25 to 95 degC.
const CORN_J_PER_KG_K: f64 = 2000.0;
/// Heat capacity of the vessel's wall and what clings to it, J/K. Illustrative; small beside a batch of 6.2 MJ/K.
const WALL_J_PER_K: f64 = 1e5;
/// Steam at a fully open valve and the usual header pressure, W. Computed: 520 kg/h at 2.2 MJ/kg (trade figure up to
/// 600 kg/h), which brings a batch from 25 to 96 degC in the 24 to 26 min of the recipe.
const STEAM_W: f64 = 318e3;
/// The loss is mostly vapour, which grows e-fold with so many kelvin. Textbook slope of water's vapour pressure, eased.
const VAPOUR_K: f64 = 20.0;
/// Temperature of the room, degC. Illustrative.
pub const ROOM_DEGC: f64 = 25.0;
/// How fast the jacket follows the valve, s. Illustrative.
const JACKET_TAU_S: f64 = 3.0;
/// Jacket pressure with a fully open valve, Pa above the atmosphere. Demo line: 2.2 bar in the heat step.
const FULL_JACKET_PA: f64 = 2.2e5;
/// The atmosphere, Pa.
const ATMOSPHERE_PA: f64 = 1.013e5;
/// What a failed steam trap leaves of heat and of jacket pressure: condensate stands in the jacket. Demo week: 1.2 K/min
/// instead of 2.8, 1.1 bar instead of 2.2.
const FAILED_TRAP_HEAT: f64 = 0.45;
const FAILED_TRAP_PRESSURE: f64 = 0.5;
/// How far the loss wanders, share, and how fast, s. Illustrative.
const LOSS_WANDER: (f64, f64) = (0.02, 60.0);
/// Unstirred and fully heated, the bottom ends up so much hotter than the top, K; below a quarter of the heat nothing
/// happens. How fast, s, unstirred and stirred. Demo line: more than 6 K within 3 min of an agitator stop.
const APART_K: f64 = 16.0;
const APART_FROM_PERCENT: f64 = 25.0;
const APART_TAU_S: (f64, f64) = (150.0, 15.0);
/// Load that an agitator puts on the weighing cells, kg, and its period, s. Demo line: +/-6 kg.
const RIPPLE: (f64, f64) = (6.0, 7.0);

/// What flows and works in a kettle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KettleInputs {
    /// Where the steam valve stands, 0 to 100 %.
    pub valve_percent: f64,
    /// Steam in front of the valve, Pa above the atmosphere.
    pub header_pa: f64,
    /// Water in, kg/s.
    pub water_kg_per_s: f64,
    /// Its temperature, degC.
    pub water_degc: f64,
    /// Corn in, kg/s, at room temperature.
    pub corn_kg_per_s: f64,
    /// Lime in, kg/s.
    pub lime_kg_per_s: f64,
    /// Contents out, kg/s.
    pub drain_kg_per_s: f64,
    /// Whether the agitator moves the contents.
    pub stirred: bool,
    /// Whether condensate stands in the jacket.
    pub trap_failed: bool,
}

/// State of a kettle.
#[derive(Debug, Clone)]
pub struct Kettle {
    water_kg: f64,
    corn_kg: f64,
    lime_kg: f64,
    batch_degc: f64,
    /// How much hotter the bottom is than the top, K.
    apart_k: f64,
    /// Steam that the jacket gets, 0 to 100 %.
    steam_percent: f64,
    trap_failed: bool,
    usual_header_pa: f64,
    header_share: f64,
    /// Loss of a full kettle in its hold, W/K above the room, and the temperature of that hold, degC.
    loss_w_per_k: f64,
    hold_degc: f64,
    full_j_per_k: f64,
    /// Jacket pressure grows with this power of the steam.
    pressure_power: f64,
    /// How much hotter the bottom is while all is stirred, K.
    bottom_k: f64,
    boiling_degc: f64,
    stirred_s: f64,
    loss_wander: Wander,
}

/// What a kettle holds in balance, and how.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KettleBalance {
    /// Temperature, degC.
    pub degc: f64,
    /// Steam valve, above 0 to below 100 %. Trade figure: 15 to 30 in hold.
    pub valve_percent: f64,
    /// Jacket pressure then, Pa above the atmosphere, between 0 and 2.2 bar.
    pub jacket_pa: f64,
    /// Usual steam pressure in front of the valve, Pa above the atmosphere.
    pub header_pa: f64,
    /// Water, kg.
    pub water_kg: f64,
    /// Corn, kg.
    pub corn_kg: f64,
    /// Lime, kg.
    pub lime_kg: f64,
    /// How much hotter the bottom is while all is stirred, K; below 0 where it is colder.
    pub bottom_k: f64,
    /// Where water boils at the plant's height, degC: it gets no hotter ([`super::boiling`]).
    pub boiling_degc: f64,
}

impl Kettle {
    /// A kettle in `balance`.
    #[must_use]
    pub fn settled(balance: &KettleBalance) -> Self {
        let KettleBalance { degc, valve_percent, jacket_pa, header_pa, water_kg, corn_kg, lime_kg, .. } =
            *balance;
        let KettleBalance { bottom_k, boiling_degc, .. } = *balance;
        let share = (valve_percent / 100.0).clamp(0.01, 0.99);
        let pressure_share = (jacket_pa / FULL_JACKET_PA).clamp(0.01, 0.99);
        Self {
            water_kg,
            corn_kg,
            lime_kg,
            batch_degc: degc,
            apart_k: 0.0,
            steam_percent: 100.0 * share,
            trap_failed: false,
            usual_header_pa: header_pa,
            header_share: 1.0,
            loss_w_per_k: STEAM_W * share / (degc - ROOM_DEGC).max(1.0),
            hold_degc: degc,
            full_j_per_k: heat_j_per_k(water_kg, corn_kg),
            pressure_power: libm::log(pressure_share) / libm::log(share),
            bottom_k,
            boiling_degc,
            stirred_s: 0.0,
            loss_wander: Wander::new(LOSS_WANDER.0, LOSS_WANDER.1),
        }
    }

    /// The same kettle, empty and cold.
    pub fn empty(&mut self) {
        (self.water_kg, self.corn_kg, self.lime_kg) = (0.0, 0.0, 0.0);
        (self.batch_degc, self.apart_k, self.steam_percent) = (ROOM_DEGC, 0.0, 0.0);
    }

    /// Temperature of the contents at half height, degC.
    #[must_use]
    pub fn batch_degc(&self) -> f64 {
        self.batch_degc - self.apart_k / 2.0
    }

    /// Temperature at the bottom, degC.
    #[must_use]
    pub fn bottom_degc(&self) -> f64 {
        self.batch_degc + self.apart_k / 2.0 + self.bottom_k
    }

    /// Corn in it, kg.
    #[must_use]
    pub const fn corn_kg(&self) -> f64 {
        self.corn_kg
    }

    /// All contents, kg.
    #[must_use]
    pub fn contents_kg(&self) -> f64 {
        self.water_kg + self.corn_kg + self.lime_kg
    }

    /// What the weighing cells say, kg: the contents, and the agitator's ripple while it turns.
    #[must_use]
    pub fn weighed_kg(&self) -> f64 {
        let ripple_kg = RIPPLE.0 * libm::sin(core::f64::consts::TAU * self.stirred_s / RIPPLE.1);
        self.contents_kg() + ripple_kg
    }

    /// Steam pressure in the jacket, Pa above the atmosphere.
    #[must_use]
    pub fn jacket_pa(&self) -> f64 {
        let trap = if self.trap_failed { FAILED_TRAP_PRESSURE } else { 1.0 };
        let share = (self.steam_percent / 100.0).max(0.0);
        FULL_JACKET_PA * trap * self.header_share * libm::pow(share, self.pressure_power)
    }

    /// The kettle after `step`.
    pub fn step(&mut self, step: StepTime, inputs: &KettleInputs, noise: &mut Noise) {
        self.trap_failed = inputs.trap_failed;
        // Choked flow through the valve goes with the absolute pressure in front of it.
        self.header_share =
            (inputs.header_pa.max(0.0) + ATMOSPHERE_PA) / (self.usual_header_pa + ATMOSPHERE_PA);
        self.steam_percent += (inputs.valve_percent - self.steam_percent) * step.share(JACKET_TAU_S);
        self.fill(step, inputs);
        self.drain(step, inputs.drain_kg_per_s);
        self.heat(step, noise);
        self.stir(step, inputs.stirred);
    }

    fn fill(&mut self, step: StepTime, inputs: &KettleInputs) {
        let (water_kg, corn_kg) =
            (inputs.water_kg_per_s * step.seconds(), inputs.corn_kg_per_s * step.seconds());
        if water_kg > 0.0 || corn_kg > 0.0 {
            let before_j_per_k = heat_j_per_k(self.water_kg, self.corn_kg);
            let water_j_per_k = water_kg * WATER_J_PER_KG_K;
            let corn_j_per_k = corn_kg * CORN_J_PER_KG_K;
            let heat_j = self.batch_degc * before_j_per_k
                + inputs.water_degc * water_j_per_k
                + ROOM_DEGC * corn_j_per_k;
            self.batch_degc = heat_j / (before_j_per_k + water_j_per_k + corn_j_per_k);
        }
        self.water_kg += water_kg;
        self.corn_kg += corn_kg;
        self.lime_kg += inputs.lime_kg_per_s * step.seconds();
    }

    fn drain(&mut self, step: StepTime, kg_per_s: f64) {
        let contents_kg = self.contents_kg();
        if kg_per_s > 0.0 && contents_kg > 0.0 {
            let left = (1.0 - kg_per_s * step.seconds() / contents_kg).max(0.0);
            (self.water_kg, self.corn_kg, self.lime_kg) =
                (self.water_kg * left, self.corn_kg * left, self.lime_kg * left);
        }
    }

    fn heat(&mut self, step: StepTime, noise: &mut Noise) {
        let holds_j_per_k = heat_j_per_k(self.water_kg, self.corn_kg);
        // An empty kettle shows little surface to the room and little jacket to the steam.
        let wetted = (holds_j_per_k / self.full_j_per_k).min(1.0);
        let trap = if self.trap_failed { FAILED_TRAP_HEAT } else { 1.0 };
        let heat_w = STEAM_W * self.steam_percent / 100.0 * self.header_share * trap;
        let vapour = libm::exp((self.batch_degc - self.hold_degc).min(0.0) / VAPOUR_K);
        let loss = vapour * (1.0 + self.loss_wander.step(step, noise));
        let loss_w = self.loss_w_per_k * wetted * loss * (self.batch_degc - ROOM_DEGC);
        self.batch_degc += (heat_w - loss_w) * step.seconds() / holds_j_per_k;
        self.batch_degc = self.batch_degc.min(self.boiling_degc);
    }

    fn stir(&mut self, step: StepTime, stirred: bool) {
        let heated = ((self.steam_percent - APART_FROM_PERCENT) / (100.0 - APART_FROM_PERCENT)).max(0.0);
        let (wanted_k, tau_s) =
            if stirred { (0.0, APART_TAU_S.1) } else { (APART_K * heated, APART_TAU_S.0) };
        self.apart_k += (wanted_k - self.apart_k) * step.share(tau_s);
        self.stirred_s = if stirred { (self.stirred_s + step.seconds()) % RIPPLE.1 } else { 0.0 };
    }
}

fn heat_j_per_k(water_kg: f64, corn_kg: f64) -> f64 {
    WALL_J_PER_K + water_kg * WATER_J_PER_KG_K + corn_kg * CORN_J_PER_KG_K
}

#[cfg(test)]
mod tests {
    use super::*;

    const BALANCE: KettleBalance = KettleBalance {
        degc: 96.0,
        valve_percent: 22.0,
        jacket_pa: 1.1e5,
        header_pa: 5.2e5,
        water_kg: 1200.0,
        corn_kg: 600.0,
        lime_kg: 3.6,
        bottom_k: 0.0,
        boiling_degc: 99.3,
    };
    const HOLD: KettleInputs = KettleInputs {
        valve_percent: 22.0,
        header_pa: 5.2e5,
        water_kg_per_s: 0.0,
        water_degc: 17.0,
        corn_kg_per_s: 0.0,
        lime_kg_per_s: 0.0,
        drain_kg_per_s: 0.0,
        stirred: true,
        trap_failed: false,
    };

    fn run(kettle: &mut Kettle, inputs: &KettleInputs, seconds: usize) {
        let (step, mut noise) = (StepTime::new(1.0).unwrap(), Noise::new(1));
        for _ in 0..seconds {
            kettle.step(step, inputs, &mut noise);
        }
    }

    #[test]
    fn the_holding_valve_holds() {
        let mut kettle = Kettle::settled(&BALANCE);
        run(&mut kettle, &HOLD, 1200);
        assert!((kettle.batch_degc() - 96.0).abs() < 0.3, "{}", kettle.batch_degc());
        assert!((kettle.jacket_pa() - 1.1e5).abs() < 1.0, "{}", kettle.jacket_pa());
    }

    /// Recipe: from 25 to 96 degC in 24 to 26 min; a failed trap leaves 1.2 K/min and half the jacket pressure.
    #[test]
    fn full_steam_heats_a_batch_in_25_minutes_and_a_failed_trap_is_too_slow() {
        let full = KettleInputs { valve_percent: 100.0, ..HOLD };
        let mut kettle = Kettle::settled(&KettleBalance { degc: 96.0, ..BALANCE });
        kettle.batch_degc = 25.0;
        run(&mut kettle, &full, 24 * 60);
        assert!(kettle.batch_degc() < 96.0, "{}", kettle.batch_degc());
        run(&mut kettle, &full, 2 * 60);
        assert!(kettle.batch_degc() >= 96.0, "{}", kettle.batch_degc());
        assert!((kettle.jacket_pa() - 2.2e5).abs() < 1e3);
        kettle.batch_degc = 60.0;
        run(&mut kettle, &KettleInputs { trap_failed: true, ..full }, 600);
        let per_minute = (kettle.batch_degc() - 60.0) / 10.0;
        assert!((0.9..1.4).contains(&per_minute), "{per_minute} K/min");
        assert!((kettle.jacket_pa() - 1.1e5).abs() < 1e3);
    }

    /// Recipe: 730 L of 17 degC water bring a 600 kg batch from 96 to 70 degC, computed without losses; to end at 66 to
    /// 72 degC.
    #[test]
    fn the_quench_takes_the_water_that_was_computed_less_what_is_lost_to_the_room() {
        let mut kettle = Kettle::settled(&BALANCE);
        run(&mut kettle, &KettleInputs { valve_percent: 0.0, water_kg_per_s: 1.5, ..HOLD }, 730 * 2 / 3);
        assert!((66.0..70.0).contains(&kettle.batch_degc()), "{}", kettle.batch_degc());
        assert!((kettle.contents_kg() - 1803.6 - 729.0).abs() < 1.0);
    }

    #[test]
    fn without_its_agitator_a_heated_kettle_is_6_k_apart_within_3_minutes() {
        let mut kettle = Kettle::settled(&BALANCE);
        kettle.batch_degc = 50.0;
        let heated = KettleInputs { valve_percent: 100.0, ..HOLD };
        run(&mut kettle, &heated, 60);
        assert!((kettle.bottom_degc() - kettle.batch_degc()).abs() < 0.1);
        run(&mut kettle, &KettleInputs { stirred: false, ..heated }, 180);
        let apart_k = kettle.bottom_degc() - kettle.batch_degc();
        assert!((6.0..20.0).contains(&apart_k), "{apart_k}");
    }

    #[test]
    fn an_empty_kettle_stays_a_kettle() {
        let mut kettle = Kettle::settled(&BALANCE);
        run(&mut kettle, &KettleInputs { drain_kg_per_s: 5.0, valve_percent: 0.0, ..HOLD }, 3600);
        assert!(kettle.contents_kg() < 1e-9 && kettle.batch_degc() > ROOM_DEGC);
        assert!((kettle.weighed_kg() - kettle.contents_kg()).abs() <= RIPPLE.0);
    }
}
