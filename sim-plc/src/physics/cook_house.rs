//! The cook house: kettles that share steam, quench water and a schedule, and the tanks between them and the line.
//!
//! It works some 13 hours ahead of the line and goes on while the line stands, as long as there is a tank to fill.

use super::cook::{self, CookCharge, CookInputs, CookProgram, CookStep, HOLD_S};
use super::kettle::{Kettle, KettleBalance, KettleInputs, ROOM_DEGC};
use super::soak::{SoakTank, TankState};
use super::{Noise, StepTime};

/// A kettle's turn comes round after this, s; several kettles share it evenly. Demo line: two started 41 min apart.
const TURN_S: f64 = 4920.0;
/// Kettles begin at least this part of their share of the turn apart, however they come to be ready. Illustrative.
const BEGINS_APART: f64 = 0.9;
/// Corn the line eats, kg/s. Trade figure: 876 kg/h for 1,000 kg/h of finished product.
const EATEN_KG_PER_S: f64 = 876.0 / 3600.0;
/// How much the header sags for each kettle on full steam, Pa, and how fast, s. Demo line: 0.8 bar when both heat.
const SAG_PA: f64 = 0.4e5;
const HEADER_TAU_S: f64 = 10.0;
/// A kettle sags the header only with more steam than its hold takes, %.
const SAGS_FROM_PERCENT: f64 = 30.0;
/// How fast the quench flow follows its valve, s. Illustrative.
const QUENCH_TAU_S: f64 = 2.0;
/// What runs out of a discharge that somebody opened, kg/s. Illustrative: as fast as it is pumped.
const OPENED_KG_PER_S: f64 = 4.7;
/// Quenched to this when the past of a tank has to be made up, degC. Recipe.
const QUENCHED_DEGC: f64 = 70.0;
/// Mass of a pumped batch beside its charge, kg: the quench water. Computed.
const QUENCH_WATER_KG: f64 = 730.0;

/// What acts on one kettle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KettleOrders {
    /// What its cook probe says, degC; `None` when broken.
    pub measured_degc: Option<f64>,
    /// Setpoint as entered, degC.
    pub setpoint_degc: f64,
    /// A person holds the steam valve here, %.
    pub manual_percent: Option<f64>,
    /// The steam valve doesn't move.
    pub valve_stuck: bool,
    /// Condensate stands in the jacket.
    pub trap_failed: bool,
    /// The agitator doesn't turn whatever its starter says.
    pub agitator_stopped: bool,
    /// Somebody opened the discharge.
    pub discharge_open: bool,
    /// Somebody ends the hold by hand.
    pub early_transfer: bool,
}

/// What acts on all of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HouseOrders {
    /// Steam in front of the header valve, Pa above the atmosphere.
    pub steam_pa: f64,
    /// Quench water that the main gives, as a share of what is asked.
    pub quench_share: f64,
    /// Temperature of the quench water, degC.
    pub water_degc: f64,
    /// Corn that the line takes, as a share of full feed.
    pub feed_share: f64,
    /// Whether a tank is lined up to the line.
    pub feeding: bool,
    /// Whether kettles may begin a batch.
    pub cooks: bool,
    /// Hold time to be counted, s.
    pub hold_s: f64,
    /// Where the quench ends, degC.
    pub quenched_degc: f64,
    /// Water of a batch where it is not the charge's, kg.
    pub water_kg: Option<f64>,
}

/// A kettle with its program.
#[derive(Debug, Clone)]
pub struct CookUnit {
    kettle: Kettle,
    program: CookProgram,
    valve_percent: f64,
    batch: u32,
    agitator_turns: bool,
    discharge_open: bool,
}

/// State of the cook house.
#[derive(Debug, Clone)]
pub struct CookHouse {
    units: Vec<CookUnit>,
    tanks: Vec<SoakTank>,
    header_pa: f64,
    quench_kg_per_s: f64,
    /// Place of the tank that feeds the line.
    feeding: Option<usize>,
    next_batch: u32,
    /// Since a kettle has begun, s: the others wait for their part of the turn.
    begun_ago_s: f64,
}

/// How a kettle begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KettleStart {
    /// What it holds in its hold.
    pub balance: KettleBalance,
    /// Hold time counted by the first kettle, s.
    pub counted_s: f64,
    /// It has no program that anybody sees: it stays in its hold.
    pub endless: bool,
}

impl CookUnit {
    fn new(start: &KettleStart, batch: u32) -> Self {
        let KettleBalance { water_kg, corn_kg, lime_kg, valve_percent, .. } = start.balance;
        let charge = CookCharge { water_kg, corn_kg, lime_kg };
        Self {
            kettle: Kettle::settled(&start.balance),
            program: CookProgram::holding(charge, valve_percent, start.counted_s, start.endless),
            valve_percent,
            batch,
            agitator_turns: true,
            discharge_open: false,
        }
    }

    /// What is in it.
    #[must_use]
    pub const fn kettle(&self) -> &Kettle {
        &self.kettle
    }

    /// Its program.
    #[must_use]
    pub const fn program(&self) -> &CookProgram {
        &self.program
    }

    /// What the program asks of the steam valve, 0 to 100 %.
    #[must_use]
    pub fn asked_percent(&self) -> f64 {
        self.program.commands().valve_percent
    }

    /// Number of the batch in it, or of the last.
    #[must_use]
    pub const fn batch(&self) -> u32 {
        self.batch
    }

    /// Whether the agitator's starter is in.
    #[must_use]
    pub fn agitator_runs(&self) -> bool {
        self.program.commands().stirred
    }

    /// Whether the agitator moves the contents.
    #[must_use]
    pub const fn agitator_turns(&self) -> bool {
        self.agitator_turns
    }

    /// Whether the discharge valve is open.
    #[must_use]
    pub const fn discharge_open(&self) -> bool {
        self.discharge_open
    }

    /// Moves program and kettle; gives what was pumped: mass, corn (kg), and whether the batch ended.
    fn step(
        &mut self,
        step: StepTime,
        orders: &KettleOrders,
        turn: &Turn,
        noise: &mut Noise,
    ) -> Option<Pumped> {
        let before = self.program.step_now();
        self.program.step(
            step,
            &CookInputs {
                measured_degc: orders.measured_degc,
                setpoint_degc: orders.setpoint_degc,
                hold_s: if orders.early_transfer { 0.0 } else { turn.hold_s },
                quenched_degc: turn.quenched_degc,
                water_kg: turn.water_kg,
                contents_kg: self.kettle.contents_kg(),
                may_begin: turn.may_begin && self.program.since_begin_s() >= TURN_S,
                may_pump_out: turn.may_pump_out,
                manual_percent: orders.manual_percent,
            },
        );
        let commands = self.program.commands();
        if !orders.valve_stuck {
            self.valve_percent = commands.valve_percent;
        }
        self.agitator_turns = commands.stirred && !orders.agitator_stopped;
        let asked_kg_per_s = if orders.discharge_open {
            commands.drain_kg_per_s.max(OPENED_KG_PER_S)
        } else {
            commands.drain_kg_per_s
        };
        self.discharge_open = asked_kg_per_s > 0.0;
        let (mass_kg, corn_kg) = (self.kettle.contents_kg(), self.kettle.corn_kg());
        let inputs = KettleInputs {
            valve_percent: self.valve_percent,
            header_pa: turn.header_pa,
            water_kg_per_s: commands.water_kg_per_s + commands.quench_kg_per_s * turn.quench_share,
            // Fill and rinse water come from a tank in the room.
            water_degc: if commands.quench_kg_per_s > 0.0 { turn.water_degc } else { ROOM_DEGC },
            corn_kg_per_s: commands.corn_kg_per_s,
            lime_kg_per_s: commands.lime_kg_per_s,
            drain_kg_per_s: asked_kg_per_s,
            stirred: self.agitator_turns,
            trap_failed: orders.trap_failed,
        };
        self.kettle.step(step, &inputs, noise);
        let now = self.program.step_now();
        let rinsing = now == CookStep::Rinse || now == CookStep::Idle;
        (self.discharge_open && !rinsing || before == CookStep::PumpOut && now == CookStep::Rinse).then(
            || Pumped {
                mass_kg: (mass_kg - self.kettle.contents_kg()).max(0.0),
                corn_kg: (corn_kg - self.kettle.corn_kg()).max(0.0),
                degc: self.kettle.batch_degc(),
                ended: now == CookStep::Rinse,
            },
        )
    }
}

/// What a kettle may do in this step, and what it is given.
struct Turn {
    may_begin: bool,
    may_pump_out: bool,
    hold_s: f64,
    quenched_degc: f64,
    water_kg: Option<f64>,
    header_pa: f64,
    quench_share: f64,
    water_degc: f64,
}

/// What left a kettle for a tank.
struct Pumped {
    mass_kg: f64,
    corn_kg: f64,
    degc: f64,
    ended: bool,
}

impl CookHouse {
    /// The cook house in the middle of its work: the first kettle in its hold, each further one at its own place in the
    /// round; `tanks` tanks, of which the one at place `feeding` feeds the line. `batch` is the first kettle's.
    #[must_use]
    pub fn new(kettles: &[KettleStart], tanks: usize, feeding: usize, batch: u32) -> Self {
        let numbered = kettles.iter().zip(batch..);
        let usual_pa = kettles.first().map_or(0.0, |start| start.balance.header_pa);
        let mut house = Self {
            units: numbered.map(|(start, batch)| CookUnit::new(start, batch)).collect(),
            tanks: Vec::new(),
            header_pa: usual_pa,
            quench_kg_per_s: 0.0,
            feeding: (tanks > 0).then_some(feeding % tanks.max(1)),
            begun_ago_s: TURN_S,
            next_batch: batch.saturating_add(u32::try_from(kettles.len()).unwrap_or_default()),
        };
        let first = kettles.first().map(|start| start.balance);
        house.tanks = Self::rotation(tanks, feeding, first);
        house.spread_kettles();
        house
    }

    /// Tanks as a long steady run leaves them: the one behind the feeding one is empty, the one behind that is filling,
    /// and the others are older the further back they are. Ages follow from 82 min a tank.
    fn rotation(tanks: usize, feeding: usize, charge: Option<KettleBalance>) -> Vec<SoakTank> {
        let corn_kg = charge.map_or(600.0, |charge| charge.corn_kg);
        let mass_kg = charge.map_or(1800.0, |charge| charge.corn_kg + charge.water_kg) + QUENCH_WATER_KG;
        let feeding = feeding % tanks.max(1);
        let tank = |place: usize| {
            let behind = (feeding + tanks - place) % tanks;
            // Minutes since the last transfer: two batches each 41 min make a tank.
            let minutes = |full: usize| 57.0 + 82.0 * full as f64;
            match behind {
                0 => {
                    let age_s = 60.0 * minutes(tanks.saturating_sub(3));
                    let mut tank = SoakTank::soaking(2, corn_kg, mass_kg, QUENCHED_DEGC, age_s);
                    tank.feed();
                    tank.give(corn_kg);
                    tank
                }
                1 => SoakTank::empty(),
                2 => SoakTank::soaking(1, corn_kg, mass_kg, QUENCHED_DEGC, 16.0 * 60.0),
                full => SoakTank::soaking(2, corn_kg, mass_kg, QUENCHED_DEGC, 60.0 * minutes(full - 3)),
            }
        };
        (0..tanks).map(tank).collect()
    }

    /// Brings each further kettle to its place in the round by letting its own batch run up to it.
    fn spread_kettles(&mut self) {
        let count = self.units.len().max(1) as f64;
        let first_s = self.units.first().map_or(0.0, |unit| unit.program.since_begin_s());
        let (Ok(step), mut noise) = (StepTime::new(1.0), Noise::new(0)) else { return };
        let turn = Turn {
            may_begin: true,
            may_pump_out: true,
            hold_s: HOLD_S,
            quenched_degc: cook::QUENCHED_DEGC,
            water_kg: None,
            header_pa: self.header_pa,
            quench_share: 1.0,
            water_degc: 17.0,
        };
        for (place, unit) in self.units.iter_mut().enumerate().skip(1) {
            if unit.program.is_endless() {
                continue;
            }
            let setpoint_degc = unit.kettle.batch_degc();
            // Earlier in its round than the first by an even part of it.
            let behind_s = TURN_S * place as f64 / count;
            let phase_s = if first_s >= behind_s { first_s - behind_s } else { first_s - behind_s + TURN_S };
            unit.kettle.empty();
            unit.program.wait(TURN_S);
            for _ in 0..phase_s as u32 {
                let orders = KettleOrders {
                    measured_degc: Some(unit.kettle.batch_degc()),
                    setpoint_degc,
                    manual_percent: None,
                    valve_stuck: false,
                    trap_failed: false,
                    agitator_stopped: false,
                    discharge_open: false,
                    early_transfer: false,
                };
                // What it pumps is in the tanks already.
                let _pumped = unit.step(step, &orders, &turn, &mut noise);
            }
        }
    }

    /// The kettles, in the order of the line.
    #[must_use]
    pub fn units(&self) -> &[CookUnit] {
        &self.units
    }

    /// The tanks, in the order of the line.
    #[must_use]
    pub fn tanks(&self) -> &[SoakTank] {
        &self.tanks
    }

    /// Steam pressure in the header, Pa above the atmosphere.
    #[must_use]
    pub const fn header_pa(&self) -> f64 {
        self.header_pa
    }

    /// Quench water, kg/s.
    #[must_use]
    pub const fn quench_kg_per_s(&self) -> f64 {
        self.quench_kg_per_s
    }

    /// Number of the tank that is lined up to the line, from 1; 0 for none.
    #[must_use]
    pub fn feeding_number(&self) -> f64 {
        self.feeding.map_or(0.0, |place| (place + 1) as f64)
    }

    /// Whether the line has corn to run on. A line without tanks is fed from elsewhere.
    #[must_use]
    pub const fn has_corn(&self) -> bool {
        self.tanks.is_empty() || self.feeding.is_some()
    }

    /// The cook house after `step`. `orders` holds one entry for each kettle.
    pub fn step(&mut self, step: StepTime, house: &HouseOrders, orders: &[KettleOrders], noise: &mut Noise) {
        self.step_header(step, house.steam_pa);
        let mut asked_kg_per_s = 0.0;
        let part_s = TURN_S / self.units.len().max(1) as f64;
        self.begun_ago_s += step.seconds();
        for index in 0..self.units.len() {
            let turn = Turn {
                may_begin: house.cooks && self.begun_ago_s > BEGINS_APART * part_s && self.has_place(),
                may_pump_out: self.tanks.is_empty() || self.filling().is_some(),
                hold_s: house.hold_s,
                quenched_degc: house.quenched_degc,
                water_kg: house.water_kg,
                header_pa: self.header_pa,
                quench_share: house.quench_share,
                water_degc: house.water_degc,
            };
            let (Some(unit), Some(orders)) = (self.units.get_mut(index), orders.get(index)) else { continue };
            let pumped = unit.step(step, orders, &turn, noise);
            asked_kg_per_s += unit.program.commands().quench_kg_per_s * house.quench_share;
            if unit.program.has_just_begun() {
                self.begun_ago_s = 0.0;
                unit.batch = self.next_batch;
                self.next_batch = self.next_batch.wrapping_add(1) % 100_000_000;
            }
            if let Some(pumped) = pumped {
                self.receive(&pumped);
            }
        }
        self.quench_kg_per_s += (asked_kg_per_s - self.quench_kg_per_s) * step.share(QUENCH_TAU_S);
        self.feed_line(step, house);
        self.tanks.iter_mut().for_each(|tank| tank.step(step));
    }

    fn step_header(&mut self, step: StepTime, steam_pa: f64) {
        let over = |unit: &CookUnit| {
            ((unit.valve_percent - SAGS_FROM_PERCENT) / (100.0 - SAGS_FROM_PERCENT)).clamp(0.0, 1.0)
        };
        let sag_pa = SAG_PA * self.units.iter().map(over).sum::<f64>();
        self.header_pa += ((steam_pa - sag_pa).max(0.0) - self.header_pa) * step.share(HEADER_TAU_S);
    }

    /// Whether a batch that began now would find a tank.
    fn has_place(&self) -> bool {
        let free: u32 = self.tanks.iter().map(|tank| u32::from(tank.free_batches())).sum();
        let waiting = |unit: &&CookUnit| !matches!(unit.program.step_now(), CookStep::Idle | CookStep::Rinse);
        let under_way = self.units.iter().filter(waiting).count();
        self.tanks.is_empty() || usize::try_from(free).unwrap_or_default() > under_way
    }

    /// The tank that takes batches: the one begun, else the empty one that comes next behind the feeding one.
    fn filling(&self) -> Option<usize> {
        let state_is = |wanted: TankState| move |tank: &SoakTank| tank.state() == wanted;
        let begun = self.tanks.iter().position(state_is(TankState::Filling));
        begun.or_else(|| self.in_turn().find(|place| self.state_at(*place) == Some(TankState::Empty)))
    }

    /// Places of the tanks in feeding order, from the one after the feeding tank round to itself. The empty ones come
    /// last in it, the longest empty first.
    fn in_turn(&self) -> impl Iterator<Item = usize> + use<> {
        let count = self.tanks.len();
        let after = self.feeding.map_or(0, |place| place + 1);
        (0..count).map(move |offset| (after + offset) % count.max(1))
    }

    fn state_at(&self, place: usize) -> Option<TankState> {
        self.tanks.get(place).map(SoakTank::state)
    }

    fn receive(&mut self, pumped: &Pumped) {
        let Some(tank) = self.filling().and_then(|place| self.tanks.get_mut(place)) else { return };
        tank.take(pumped.mass_kg, pumped.corn_kg, pumped.degc);
        if pumped.ended {
            tank.batch_ended();
        }
    }

    fn feed_line(&mut self, step: StepTime, house: &HouseOrders) {
        if !house.feeding {
            return;
        }
        let can_feed = |place: &usize| self.tanks.get(*place).is_some_and(SoakTank::can_feed);
        let current = self.feeding.filter(can_feed);
        // The one in turn, else the oldest: the line doesn't wait for age, the alarm on age is for that.
        let next = current.or_else(|| self.oldest());
        if next != current
            && let Some(tank) = next.and_then(|place| self.tanks.get_mut(place))
        {
            tank.feed();
        }
        self.feeding = next;
        if let Some(tank) = next.and_then(|place| self.tanks.get_mut(place)) {
            tank.give(EATEN_KG_PER_S * house.feed_share * step.seconds());
        }
    }

    fn oldest(&self) -> Option<usize> {
        let able = self.tanks.iter().enumerate().filter(|(_, tank)| tank.can_feed());
        able.max_by(|(_, one), (_, other)| one.age_s().total_cmp(&other.age_s())).map(|(place, _)| place)
    }
}
