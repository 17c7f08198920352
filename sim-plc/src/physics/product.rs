//! Product as parcels: two seconds of the cutter's work each, followed from the mill's hopper to the bagger with their
//! water, oil, temperature and place.
//!
//! Parcels move as far as their belt truly does; what a belt reports is another matter. Masa mixes in the hopper before the
//! cutter, so a parcel comes from more than one tank. Drying and oil uptake are first order (trade figures); the heat they
//! take follows. Water, dry matter and oil are counted at every door, and what doesn't add up is refused.

use super::StepTime;
use super::noise::Noise;
use super::parcel::{DRY_J_PER_KG_K, Ledger, Move, Origin, Parcel, Stage, Unbalanced, WATER_J_PER_KG_K};
use std::collections::VecDeque;

/// Product of so many seconds is one parcel.
const PARCEL_S: f64 = 2.0;
/// Dry matter that the line eats at full feed, kg/s, and moisture of masa, %. Trade figures: 745 kg/h; 52 %.
const DRY_KG_PER_S: f64 = 745.0 / 3600.0;
/// As above.
pub const MASA_PERCENT: f64 = 52.0;
/// Masa between the tank and the cutter, kg of dry matter: hoppers of mill and sheeter. Illustrative: ten minutes.
const HOPPER_DRY_KG: f64 = 120.0;
/// Masa as it is cut, degC. Demo line.
const MASA_DEGC: f64 = 48.0;
/// In the oven water leaves by this rate where nothing else is known, 1/s. Computed: 52 to 35 % in 16 s.
const BAKING_PER_S: f64 = 0.043_69;
/// The same in the fryer at 182 degC, 1/s. Computed: 35 % to 15 kg of water in 1,000 kg of chips in 55 s.
const FRYING_PER_S: f64 = 0.059_77;
const FRYING_DEGC: f64 = 182.0;
/// Drying goes with the temperature above this, degC. Textbook.
const BOILING_DEGC: f64 = 100.0;
/// Oil comes in at this rate, 1/s, towards so many kg for each kg of dry matter. Illustrative; 240 of 1,000 kg in 55 s.
const OILING_PER_S: f64 = 0.03;
const OIL_AT_MOST: f64 = 0.3987;
/// How fast product warms and cools, s, and the temperature it goes to: in the oven, on the equilibrator, in the fryer, after.
const WARMING_S: (f64, f64, f64, f64) = (5.0, 60.0, 12.0, 30.0);
const BAKED_DEGC: f64 = 100.0;
const FRIED_DEGC: f64 = 150.0;
const ROOM_DEGC: f64 = 30.0;
/// How much sooner or later than usual a parcel finds a bagger at most, s: buckets wait for a free weigher. Illustrative.
const BAGGERS_WAIT_S: f64 = 50.0;
/// Most passes of an oven.
const PASSES: usize = 8;
/// Heat of evaporation at 100 degC, J/kg. IAPWS-IF97.
const EVAPORATION_J_PER_KG: f64 = 2.256_473e6;
/// What a balance may miss, as a share of all that went through it: sums are rounded.
const ROUNDING: f64 = 1e-9;

/// What acts on the product in one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProductInputs<'a> {
    /// The stages in their order.
    pub moves: &'a [Move],
    /// Feed, as a share of full feed.
    pub feed_share: f64,
    /// Moisture of masa, %.
    pub masa_percent: f64,
    /// The tank that feeds, from 1; 0: none.
    pub tank: u16,
    /// How much faster than usual each oven pass dries.
    pub baking: &'a [f64],
    /// Oil where product enters, degC.
    pub oil_degc: f64,
    /// Something gives product this moisture as it enters the fryer, %.
    pub wet_percent: Option<f64>,
}

/// All product between the hopper and the bagger.
#[derive(Debug, Clone)]
pub struct Product {
    /// The one cut last comes last.
    parcels: VecDeque<Parcel>,
    /// Where it began: the parcel that is being cut.
    cutting_s: f64,
    next_number: u64,
    hopper: Vec<Origin>,
    feeds: u32,
    feeding: u16,
    ledger: Ledger,
    /// How fast water leaves in the oven at its usual temperatures, 1/s.
    baking_per_s: f64,
    fryer_heat_w: f64,
    fed_percent: f64,
    now_s: f64,
    kept: usize,
    packed: VecDeque<Parcel>,
}

/// What the stages do to a parcel in a whole step: shares of the way that first-order changes go.
struct Acts {
    step_s: f64,
    baked: [f64; PASSES],
    fried: f64,
    oiled: f64,
    /// Warming in the oven, cooling on the equilibrator, warming in the fryer, cooling after it.
    warmed: [f64; 4],
    fried_degc: f64,
}

impl Acts {
    fn new(step: StepTime, inputs: &ProductInputs<'_>, baking_per_s: f64) -> Self {
        let frying = ((inputs.oil_degc - BOILING_DEGC) / (FRYING_DEGC - BOILING_DEGC)).max(0.0);
        let gone = |per_s: f64| -libm::expm1(-per_s * step.seconds());
        let baking = |pass: usize| inputs.baking.get(pass).copied().unwrap_or(1.0).max(0.0);
        Self {
            step_s: step.seconds(),
            baked: std::array::from_fn(|pass| gone(baking_per_s * baking(pass))),
            fried: gone(FRYING_PER_S * frying),
            oiled: gone(OILING_PER_S * frying.min(1.0)),
            warmed: [WARMING_S.0, WARMING_S.1, WARMING_S.2, WARMING_S.3].map(|tau_s| step.share(tau_s)),
            fried_degc: FRIED_DEGC.min(inputs.oil_degc),
        }
    }

    /// Acts on a parcel for `seconds` where it lies; gives the heat that it takes from the fryer, J.
    fn on(&self, parcel: &mut Parcel, seconds: f64, ledger: &mut Ledger) -> f64 {
        let share = (seconds / self.step_s).clamp(0.0, 1.0);
        // Less than the whole step: the same approach for a shorter time.
        let part = |whole: f64| if share >= 1.0 { whole } else { 1.0 - libm::pow(1.0 - whole, share) };
        let [in_oven, on_equilibrator, in_fryer, after] = self.warmed;
        let (drying, warming, to_degc) = match parcel.stage {
            Stage::Oven(pass) => {
                let baked = self.baked.get(usize::from(pass)).copied().unwrap_or_default();
                (baked, in_oven, BAKED_DEGC)
            }
            Stage::Equilibrator => (0.0, on_equilibrator, ROOM_DEGC),
            Stage::Fryer => (self.fried, in_fryer, self.fried_degc),
            Stage::Cooling | Stage::Seasoning | Stage::Buckets | Stage::Packed => (0.0, after, ROOM_DEGC),
        };
        let (gone_kg, warmed_k) = (parcel.water_kg * part(drying), (to_degc - parcel.degc) * part(warming));
        parcel.water_kg -= gone_kg;
        parcel.degc += warmed_k;
        if parcel.stage != Stage::Fryer {
            ledger.baked_off_kg += gone_kg;
            return 0.0;
        }
        let oil_kg = (OIL_AT_MOST * parcel.dry_kg - parcel.oil_kg).max(0.0) * part(self.oiled);
        parcel.oil_kg += oil_kg;
        ledger.fried_off_kg += gone_kg;
        ledger.oil_in_kg += oil_kg;
        gone_kg * (EVAPORATION_J_PER_KG + WATER_J_PER_KG_K * (BOILING_DEGC - ROOM_DEGC))
            + parcel.dry_kg * DRY_J_PER_KG_K * warmed_k
    }
}

impl Product {
    /// A line that has run at full feed for long: stages as they move in a second, and the moisture with which product
    /// usually leaves the oven, %. The oven is set so that it does.
    #[must_use]
    pub fn running(stages: &[Move], usual_feed_percent: f64) -> Self {
        let mut product = Self {
            parcels: VecDeque::new(),
            cutting_s: 0.0,
            next_number: 0,
            hopper: Vec::new(),
            feeds: 0,
            feeding: 0,
            ledger: Ledger::default(),
            baking_per_s: baking_per_s(stages, usual_feed_percent),
            fryer_heat_w: 0.0,
            fed_percent: usual_feed_percent,
            now_s: 0.0,
            kept: 0,
            packed: VecDeque::new(),
        };
        product.fill(stages);
        product
    }

    /// Lets product run in at the usual speeds, unseen.
    fn fill(&mut self, stages: &[Move]) {
        let Ok(step) = StepTime::new(1.0) else { return };
        let baking = vec![1.0; stages.len()];
        let seconds: f64 = stages.iter().map(|one| one.length / one.moved.max(1e-6)).sum();
        let inputs = ProductInputs {
            moves: stages,
            feed_share: 1.0,
            masa_percent: MASA_PERCENT,
            tank: 0,
            baking: &baking,
            oil_degc: FRYING_DEGC,
            wet_percent: None,
        };
        // A stage that stands would take for ever: then the line starts with what runs in within an hour.
        for _ in 0..seconds.min(3600.0) as u32 {
            // It can't be refused: the balances of a line without history close.
            let _closes = self.step(step, &inputs);
        }
        let (dry, water, oil) = self.on_the_line();
        self.ledger = Ledger { dry_in_kg: dry, water_in_kg: water, oil_in_kg: oil, ..Ledger::default() };
        for parcel in &mut self.parcels {
            parcel.cut_s -= self.now_s;
            parcel.entered_s.iter_mut().for_each(|(_, at)| *at -= self.now_s);
        }
        (self.now_s, self.hopper, self.feeds) = (0.0, Vec::new(), 0);
    }

    /// Keeps the last `count` packed parcels with their history.
    pub fn keep(&mut self, count: usize) {
        self.kept = count;
    }

    /// Parcels on the line, the first to be packed first.
    pub fn parcels(&self) -> impl Iterator<Item = &Parcel> {
        self.parcels.iter()
    }

    /// The packed parcels that were kept, oldest first.
    pub fn packed(&self) -> impl Iterator<Item = &Parcel> {
        self.packed.iter()
    }

    /// What went through the doors.
    #[must_use]
    pub const fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// Moisture of what entered the fryer last, %.
    #[must_use]
    pub const fn fed_percent(&self) -> f64 {
        self.fed_percent
    }

    /// Mean moisture with which what is in the fryer entered it, %; as it was last if nothing is.
    #[must_use]
    pub fn in_fryer_percent(&self) -> f64 {
        let fed = |parcel: &&Parcel| parcel.stage == Stage::Fryer;
        let sums = self.parcels.iter().filter(fed).fold((0.0, 0.0), |(sum, count), parcel| {
            (sum + parcel.fed_percent.unwrap_or(self.fed_percent), count + 1.0)
        });
        if sums.1 > 0.0 { sums.0 / sums.1 } else { self.fed_percent }
    }

    /// Heat that product took in the fryer in the last step, W.
    #[must_use]
    pub const fn fryer_heat_w(&self) -> f64 {
        self.fryer_heat_w
    }

    /// Dry matter, water and oil on the line, kg.
    #[must_use]
    pub fn on_the_line(&self) -> (f64, f64, f64) {
        let add = |sum: (f64, f64, f64), one: &Parcel| {
            (sum.0 + one.dry_kg, sum.1 + one.water_kg, sum.2 + one.oil_kg)
        };
        self.parcels.iter().fold((0.0, 0.0, 0.0), add)
    }

    /// The product after `step`.
    ///
    /// # Errors
    /// When a balance does not close; the product is then as the step left it, to be looked at.
    pub fn step(&mut self, step: StepTime, inputs: &ProductInputs<'_>) -> Result<(), Unbalanced> {
        let before_s = self.now_s;
        self.now_s += step.seconds();
        self.advance(step, inputs, before_s);
        self.mix(step, inputs);
        self.cut(step, inputs);
        self.check()
    }

    /// Moves every parcel, over the end of its stage if it comes there, and lets each stage act on it meanwhile.
    fn advance(&mut self, step: StepTime, inputs: &ProductInputs<'_>, before_s: f64) {
        let acts = Acts::new(step, inputs, self.baking_per_s);
        let mut heat_j = 0.0;
        for parcel in &mut self.parcels {
            let mut left_s = step.seconds();
            while let Some(place) = inputs.moves.iter().position(|one| one.stage == parcel.stage) {
                let Some(on) = inputs.moves.get(place) else { break };
                let speed = on.moved / step.seconds();
                let reached = parcel.along + speed * left_s;
                let waits = if parcel.stage == Stage::Buckets { parcel.baggers_wait_s } else { 0.0 };
                let length = on.length + waits;
                if reached < length || speed <= 0.0 {
                    parcel.along = reached;
                    heat_j += acts.on(parcel, left_s, &mut self.ledger);
                    break;
                }
                let passed_s = (length - parcel.along) / speed;
                heat_j += acts.on(parcel, passed_s, &mut self.ledger);
                left_s -= passed_s;
                let next = inputs.moves.get(place + 1).map_or(Stage::Packed, |next| next.stage);
                (parcel.stage, parcel.along) = (next, 0.0);
                parcel.entered_s.push((next, before_s + step.seconds() - left_s));
                if next == Stage::Fryer {
                    Self::wet(parcel, inputs.wet_percent, &mut self.ledger);
                    self.fed_percent = parcel.moisture_percent();
                    parcel.fed_percent = Some(self.fed_percent);
                }
            }
        }
        self.fryer_heat_w = heat_j / step.seconds();
        self.pack();
    }

    fn pack(&mut self) {
        while self.parcels.front().is_some_and(|parcel| parcel.stage == Stage::Packed) {
            let Some(parcel) = self.parcels.pop_front() else { break };
            self.ledger.packed_kg.0 += parcel.dry_kg;
            self.ledger.packed_kg.1 += parcel.water_kg;
            self.ledger.packed_kg.2 += parcel.oil_kg;
            self.packed.push_back(parcel);
            while self.packed.len() > self.kept {
                self.packed.pop_front();
            }
        }
    }

    fn wet(parcel: &mut Parcel, percent: Option<f64>, ledger: &mut Ledger) {
        let Some(share) = percent.map(|percent| (percent / 100.0).clamp(0.0, 0.95)) else { return };
        let water_kg = parcel.dry_kg * share / (1.0 - share);
        ledger.water_in_kg += water_kg - parcel.water_kg;
        parcel.water_kg = water_kg;
    }

    /// The hopper mixes what the tanks give.
    fn mix(&mut self, step: StepTime, inputs: &ProductInputs<'_>) {
        if inputs.tank != self.feeding {
            self.feeding = inputs.tank;
            self.feeds += u32::from(inputs.tank > 0);
        }
        let fresh = DRY_KG_PER_S * inputs.feed_share * step.seconds() / HOPPER_DRY_KG;
        if fresh <= 0.0 {
            return;
        }
        let feed = self.feeds.saturating_sub(1);
        // The first fills it: before the start nobody knows where masa came from.
        let fresh = if self.hopper.is_empty() { 1.0 } else { fresh };
        self.hopper.iter_mut().for_each(|one| one.share *= 1.0 - fresh);
        match self.hopper.iter_mut().find(|one| (one.tank, one.feed) == (inputs.tank, feed)) {
            Some(own) => own.share += fresh,
            None => self.hopper.push(Origin { tank: inputs.tank, feed, share: fresh }),
        }
        // What is left of a tank of hours ago is nothing.
        self.hopper.retain(|one| one.share > 1e-4);
    }

    fn cut(&mut self, step: StepTime, inputs: &ProductInputs<'_>) {
        let dry_kg = DRY_KG_PER_S * inputs.feed_share * step.seconds();
        if dry_kg <= 0.0 {
            return;
        }
        let share = (inputs.masa_percent / 100.0).clamp(0.0, 0.95);
        let water_kg = dry_kg * share / (1.0 - share);
        self.ledger.dry_in_kg += dry_kg;
        self.ledger.water_in_kg += water_kg;
        let now_s = self.now_s;
        let begun = self.cutting_s;
        let open = |parcel: &&mut Parcel| {
            now_s - begun < PARCEL_S - 1e-9 && parcel.cut_s == begun && parcel.entered_s.is_empty()
        };
        if let Some(parcel) = self.parcels.back_mut().filter(open) {
            let before = parcel.j_per_k();
            let warmth = parcel.degc * before;
            parcel.dry_kg += dry_kg;
            parcel.water_kg += water_kg;
            let added = dry_kg * DRY_J_PER_KG_K + water_kg * WATER_J_PER_KG_K;
            parcel.degc = (warmth + MASA_DEGC * added) / (before + added);
            // What is laid on now lies behind what was: the parcel is where its middle is.
            parcel.along *= before / (before + added);
            return;
        }
        let Some(first) = inputs.moves.first() else { return };
        self.cutting_s = now_s;
        self.parcels.push_back(Parcel {
            number: self.next_number,
            dry_kg,
            water_kg,
            oil_kg: 0.0,
            degc: MASA_DEGC,
            stage: first.stage,
            along: 0.0,
            cut_s: now_s,
            entered_s: Vec::new(),
            fed_percent: None,
            origins: self.hopper.clone(),
            baggers_wait_s: baggers_wait_s(self.next_number),
        });
        self.next_number += 1;
    }

    /// Whether everything that went in is somewhere.
    fn check(&self) -> Result<(), Unbalanced> {
        let (dry, water, oil) = self.on_the_line();
        let Ledger { dry_in_kg, water_in_kg, baked_off_kg, fried_off_kg, oil_in_kg, packed_kg } = self.ledger;
        closes("dry matter", dry_in_kg, dry + packed_kg.0)?;
        closes("water", water_in_kg, water + packed_kg.1 + baked_off_kg + fried_off_kg)?;
        closes("oil", oil_in_kg, oil + packed_kg.2)
    }
}

/// The rate that takes masa to `percent` in the time that product usually spends in the oven.
fn baking_per_s(stages: &[Move], percent: f64) -> f64 {
    let in_oven = stages.iter().filter(|one| matches!(one.stage, Stage::Oven(_)) && one.moved > 0.0);
    let dwell_s: f64 = in_oven.map(|one| one.length / one.moved).sum();
    let dry_basis = |percent: f64| percent / (100.0 - percent);
    let rate = libm::log(dry_basis(MASA_PERCENT) / dry_basis(percent.clamp(1.0, MASA_PERCENT))) / dwell_s;
    if rate.is_finite() { rate } else { BAKING_PER_S }
}

fn closes(of: &'static str, in_kg: f64, out_kg: f64) -> Result<(), Unbalanced> {
    let close = (in_kg - out_kg).abs() <= ROUNDING * (1.0 + in_kg.abs());
    if close { Ok(()) } else { Err(Unbalanced { of, in_kg, out_kg }) }
}

#[cfg(test)]
#[path = "product_tests.rs"]
mod tests;

/// How much longer or shorter than usual each parcel waits for a bagger, s: by its number, whatever else happens.
fn baggers_wait_s(number: u64) -> f64 {
    BAGGERS_WAIT_S * (2.0 * Noise::new(number ^ 0x0BA6_6E25).share() - 1.0)
}
