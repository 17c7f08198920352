//! A soak tank: filled by batches, cooling while the corn takes up water, emptied by the line.

use super::StepTime;
use super::kettle::ROOM_DEGC;

/// How fast a full tank cools towards the room, s. Computed: from 70 to 45 degC in 12 h.
const COOLING_TAU_S: f64 = 53_300.0;
/// How fast an empty one does: its probe hangs in air. Illustrative.
const EMPTY_TAU_S: f64 = 1200.0;
/// Soak time from the end of the last transfer, s. Recipe R-03: 12 h.
const SOAKED_S: f64 = 43_200.0;
/// Rinsing an empty tank, s. Illustrative.
const RINSE_S: f64 = 600.0;
/// Batches a tank takes. Demo line.
pub const BATCHES: u8 = 2;
/// Corn that counts as none, kg.
const NO_CORN_KG: f64 = 0.01;

/// Grain takes up water by Peleg's law from the end of the quench: moisture at first, % dry basis; h/% and 1/%.
/// Illustrative: 36 % wet basis to 45 % in 12 h. No published table for maize in lime was found.
const GRAIN: (f64, f64, f64) = (56.25, 0.195_048, 0.022_857_1);

/// Moisture of grain, % dry basis, after `hours` in the tank.
#[must_use]
pub fn grain_percent_dry(hours: f64) -> f64 {
    let (at_first, k1, k2) = GRAIN;
    at_first + hours.max(0.0) / (k1 + k2 * hours.max(0.0))
}

/// What a tank is doing, with the number that its state word shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum TankState {
    /// Nothing in it.
    Empty = 0,
    /// Takes batches.
    Filling = 1,
    /// Full, not yet of age.
    Soaking = 2,
    /// Of age.
    Ready = 3,
    /// Feeds the line.
    Emptying = 4,
    /// Being rinsed.
    Rinse = 5,
    /// Not to be used.
    OutOfUse = 6,
}

/// State of a tank.
#[derive(Debug, Clone)]
pub struct SoakTank {
    state: TankState,
    in_state_s: f64,
    batches: u8,
    corn_kg: f64,
    mass_kg: f64,
    degc: f64,
    /// Since the end of the last transfer into it.
    age_s: f64,
}

impl SoakTank {
    /// An empty tank at room temperature.
    #[must_use]
    pub const fn empty() -> Self {
        Self {
            state: TankState::Empty,
            in_state_s: 0.0,
            batches: 0,
            corn_kg: 0.0,
            mass_kg: 0.0,
            degc: ROOM_DEGC,
            age_s: 0.0,
        }
    }

    /// A tank with `batches` of `corn_kg` and `mass_kg` each, quenched to `quenched_degc`, `age_s` after the last one.
    #[must_use]
    pub fn soaking(batches: u8, corn_kg: f64, mass_kg: f64, quenched_degc: f64, age_s: f64) -> Self {
        let count = f64::from(batches);
        let state = match (batches >= BATCHES, age_s >= SOAKED_S) {
            (false, _) => TankState::Filling,
            (true, false) => TankState::Soaking,
            (true, true) => TankState::Ready,
        };
        let degc = ROOM_DEGC + (quenched_degc - ROOM_DEGC) * libm::exp(-age_s / COOLING_TAU_S);
        Self {
            state,
            in_state_s: age_s,
            batches,
            corn_kg: corn_kg * count,
            mass_kg: mass_kg * count,
            degc,
            age_s,
        }
    }

    /// What it is doing.
    #[must_use]
    pub const fn state(&self) -> TankState {
        self.state
    }

    /// Temperature at mid height, degC.
    #[must_use]
    pub const fn degc(&self) -> f64 {
        self.degc
    }

    /// Since the end of the last transfer into it, s.
    #[must_use]
    pub const fn age_s(&self) -> f64 {
        self.age_s
    }

    /// Moisture of its grain, % wet basis.
    #[must_use]
    pub fn grain_percent(&self) -> f64 {
        let dry = grain_percent_dry(self.age_s / 3600.0);
        100.0 * dry / (100.0 + dry)
    }

    /// How many more batches it takes.
    #[must_use]
    pub const fn free_batches(&self) -> u8 {
        match self.state {
            TankState::Empty | TankState::Filling => BATCHES.saturating_sub(self.batches),
            TankState::Soaking
            | TankState::Ready
            | TankState::Emptying
            | TankState::Rinse
            | TankState::OutOfUse => 0,
        }
    }

    /// Whether there is corn in it that the line could have.
    #[must_use]
    pub fn can_feed(&self) -> bool {
        match self.state {
            TankState::Soaking | TankState::Ready | TankState::Emptying => self.corn_kg > NO_CORN_KG,
            TankState::Empty | TankState::Filling | TankState::Rinse | TankState::OutOfUse => false,
        }
    }

    /// Takes what a kettle pumps: `mass_kg` at `degc`, of which `corn_kg` was dry corn.
    pub fn take(&mut self, mass_kg: f64, corn_kg: f64, degc: f64) {
        if self.state == TankState::Empty {
            self.enter(TankState::Filling);
        }
        if mass_kg > 0.0 {
            self.degc = (self.degc * self.mass_kg + degc * mass_kg) / (self.mass_kg + mass_kg);
            self.mass_kg += mass_kg;
            self.corn_kg += corn_kg;
        }
        self.age_s = 0.0;
    }

    /// Counts the batch that has just been pumped.
    pub fn batch_ended(&mut self) {
        self.batches = self.batches.saturating_add(1);
        if self.batches >= BATCHES && self.state == TankState::Filling {
            self.enter(TankState::Soaking);
        }
    }

    /// Begins to feed the line.
    pub fn feed(&mut self) {
        self.enter(TankState::Emptying);
    }

    /// Gives `corn_kg` to the line, with the steep liquor that belongs to it.
    pub fn give(&mut self, corn_kg: f64) {
        let left = if self.corn_kg > 0.0 { (1.0 - corn_kg / self.corn_kg).max(0.0) } else { 0.0 };
        (self.corn_kg, self.mass_kg) = (self.corn_kg * left, self.mass_kg * left);
        if self.corn_kg <= NO_CORN_KG {
            (self.corn_kg, self.mass_kg, self.batches) = (0.0, 0.0, 0);
            self.enter(TankState::Rinse);
        }
    }

    /// The tank after `step`.
    pub fn step(&mut self, step: StepTime) {
        self.in_state_s += step.seconds();
        self.age_s += step.seconds();
        let tau_s = if self.mass_kg > 0.0 { COOLING_TAU_S } else { EMPTY_TAU_S };
        self.degc += (ROOM_DEGC - self.degc) * step.share(tau_s);
        if self.state == TankState::Soaking && self.age_s >= SOAKED_S {
            self.enter(TankState::Ready);
        } else if self.state == TankState::Rinse && self.in_state_s >= RINSE_S {
            self.enter(TankState::Empty);
        }
    }

    fn enter(&mut self, state: TankState) {
        (self.state, self.in_state_s) = (state, 0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pass(tank: &mut SoakTank, seconds: u32) {
        let step = StepTime::new(5.0).unwrap();
        for _ in 0..seconds / 5 {
            tank.step(step);
        }
    }

    /// Recipe: 70 to 45 degC in 12 h; 64 to 71 after 1 h, at least 42 after 10 h.
    #[test]
    fn a_tank_cools_from_70_to_45_degc_in_12_hours_and_is_ready_then() {
        let mut tank = SoakTank::soaking(2, 600.0, 2533.0, 70.0, 0.0);
        pass(&mut tank, 3600);
        assert!((64.0..71.0).contains(&tank.degc()), "{}", tank.degc());
        pass(&mut tank, 9 * 3600);
        assert!(tank.degc() > 42.0);
        assert_eq!(tank.state(), TankState::Soaking);
        pass(&mut tank, 2 * 3600);
        assert!((tank.degc() - 45.0).abs() < 0.2, "{}", tank.degc());
        assert_eq!(tank.state(), TankState::Ready);
    }

    /// Newton's law of cooling in closed form.
    #[test]
    fn a_tank_cools_as_the_closed_form_says() {
        let mut tank = SoakTank::soaking(2, 600.0, 2533.0, 70.0, 0.0);
        for hour in 1..=12 {
            pass(&mut tank, 3600);
            let closed =
                ROOM_DEGC + (70.0 - ROOM_DEGC) * libm::exp(-f64::from(hour) * 3600.0 / COOLING_TAU_S);
            assert!((tank.degc() - closed).abs() < 1e-9, "{} {closed}", tank.degc());
        }
    }

    /// Reference table, % dry basis at 1, 2, 4, 8, 12 and 16 h; 45 % wet basis at 12 h.
    #[test]
    fn grain_takes_up_water_as_the_reference_table_says() {
        let table = [(1.0, 60.84), (2.0, 64.56), (4.0, 70.21), (8.0, 77.42), (12.0, 81.82), (16.0, 84.78)];
        for (hours, percent) in table {
            assert!((grain_percent_dry(hours) - percent).abs() < 0.006, "{hours} h");
        }
        let tank = SoakTank::soaking(2, 600.0, 2533.0, 70.0, 43_200.0);
        assert!((tank.grain_percent() - 45.0).abs() < 0.01, "{}", tank.grain_percent());
    }

    #[test]
    fn batches_mix_and_the_age_counts_from_the_last_one() {
        let mut tank = SoakTank::empty();
        tank.take(2500.0, 600.0, 70.0);
        tank.batch_ended();
        assert_eq!((tank.state(), tank.free_batches()), (TankState::Filling, 1));
        pass(&mut tank, 2460);
        let cooled = tank.degc();
        tank.take(2500.0, 600.0, 74.0);
        tank.batch_ended();
        assert!((tank.degc() - (cooled + 74.0) / 2.0).abs() < 1e-9);
        assert_eq!((tank.state(), tank.age_s(), tank.free_batches()), (TankState::Soaking, 0.0, 0));
    }

    #[test]
    fn an_emptied_tank_is_rinsed_and_takes_batches_again() {
        let mut tank = SoakTank::soaking(2, 600.0, 2533.0, 70.0, 45_000.0);
        assert!(tank.can_feed());
        tank.feed();
        tank.give(1199.0);
        assert_eq!(tank.state(), TankState::Emptying);
        tank.give(1.0);
        assert_eq!((tank.state(), tank.can_feed()), (TankState::Rinse, false));
        pass(&mut tank, 600);
        assert_eq!((tank.state(), tank.free_batches()), (TankState::Empty, 2));
    }
}
