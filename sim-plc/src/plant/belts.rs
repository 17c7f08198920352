//! The belts of a line from the cutter to the baggers, and the product on them.

use super::panel::{Panel, count, nth, typical};
use crate::fault::FaultKind;
use crate::physics::parcel::{Move, Stage, Unbalanced};
use crate::physics::product::{MASA_PERCENT, Product, ProductInputs};
use crate::physics::{Conveyor, Noise, StepTime, Wander};
use setward_config::line::{Line, Meaning};
use setward_protocol::{SignalId, Unit};

/// Where a line says nothing: speed, m/s, and dwell, s, of oven, equilibrator and fryer. Trade figures.
const OVEN: (f64, f64) = (0.75, 16.0);
const EQUILIBRATOR: (f64, f64) = (0.10, 180.0);
const FRYER: (f64, f64) = (0.06, 55.0);
/// From the fryer to the end of cooling, from there over the drum to the weigh belt, and on to the baggers, s. Demo
/// line: cooling 90 s; the weigh belt is 7 min behind the sheeter; buckets 1 to 3 min.
const COOLING_S: f64 = 90.0;
const TO_WEIGH_BELT_S: f64 = 79.0;
const TO_BAGGERS_S: f64 = 120.0;
/// What a belt reports may differ from how fast it truly runs by so much, share: slip, and the error of its encoder. Demo
/// line.
const SPEED_ERROR: f64 = 0.01;
/// Moisture of what leaves the oven, %, where a line says nothing. Recipe R-03.
const FEED_PERCENT: f64 = 35.0;
/// How far moisture of masa wanders, points, and how fast, s. Illustrative: 0.1 points behind the oven.
const MASA_WANDER: (f64, f64) = (0.11, 120.0);
/// The photo-eye changes its mind after this, s. Demo line.
const EYE_FILTER_S: f64 = 3.0;

/// A belt with a speed signal, driven so that product stays as long as the panel's seconds say.
#[derive(Debug, Clone)]
pub(super) struct Belt {
    speed: Option<SignalId>,
    /// The entered seconds, and what they are at the usual speed.
    dwell: Option<(SignalId, f64)>,
    usual_m_per_s: f64,
    /// What its encoder says; its drive goes by that.
    speed_m_per_s: f64,
    /// How much faster it truly runs than it says, share.
    error: f64,
    length_m: f64,
    /// How far it truly moved in the last step.
    moved_m: f64,
    conveyor: Conveyor,
}

/// All belts, in the order product passes.
#[derive(Debug, Clone)]
pub(super) struct Belts {
    passes: Vec<Belt>,
    equilibrator: Belt,
    fryer: Belt,
    cooling: Conveyor,
    drum: Conveyor,
    buckets: Conveyor,
    at_eye: f64,
    /// How long the eye has seen the other thing, s.
    eye_doubts_s: f64,
    eye: bool,
    cooled: f64,
    weighed: f64,
    packed: f64,
    masa_wander: Wander,
    product: Product,
    /// A balance of the product that did not close.
    refused: Option<Unbalanced>,
}

/// What heat does to the product, from the stations that make it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Heats<'a> {
    /// How much faster than usual each oven pass dries.
    pub(super) baking: &'a [f64],
    pub(super) oil_degc: f64,
    /// The tank that feeds, from 1; 0: none.
    pub(super) tank: u16,
}

impl Belt {
    /// The nth belt of a meaning; `usual` is speed and dwell where the line says nothing. The belt is as long as its
    /// typical speed and dwell make it, unless the line file proves a length; several share the dwell.
    fn new(line: &Line, speed: Meaning, ordinal: usize, dwell: Option<Meaning>, usual: (f64, f64)) -> Self {
        let id = nth(line, speed, ordinal);
        let usual_m_per_s = typical(line, speed, ordinal, Unit::MetrePerSecond)
            .filter(|m_per_s| *m_per_s > 0.0)
            .unwrap_or(usual.0);
        let sharing = count(line, speed).max(1) as f64;
        let entered =
            dwell.and_then(|dwell| nth(line, dwell, 0)).map(|id| (id, line.signal(id).simulate.typical));
        let proven_m =
            line.belts.iter().find(|belt| Some(belt.speed) == id).map(|belt| belt.effective_length_m);
        let dwell_s = entered.and_then(|(id, usual)| line.signal(id).unit.convert(usual, Unit::Second));
        let length_m = proven_m.unwrap_or(usual_m_per_s * dwell_s.unwrap_or(usual.1)) / sharing;
        let conveyor = Conveyor::new(length_m, 1.0);
        let (speed_m_per_s, error, moved_m) = (usual_m_per_s, 0.0, 0.0);
        Self { speed: id, dwell: entered, usual_m_per_s, speed_m_per_s, error, length_m, moved_m, conveyor }
    }

    fn lengthen(&mut self, length_m: f64) {
        (self.length_m, self.conveyor) = (length_m, Conveyor::new(length_m, 1.0));
    }

    /// As it moves in a second of the usual, or moved in the last step.
    const fn as_moved(&self, stage: Stage, moved: f64) -> Move {
        Move { stage, length: self.length_m, moved }
    }

    pub(super) const fn speed_m_per_s(&self) -> f64 {
        self.speed_m_per_s
    }

    /// How much longer than usual the panel asks product to stay.
    fn stretch(&self, panel: &Panel<'_>) -> f64 {
        let entered = self.dwell.and_then(|(id, usual)| Some((panel.entered(id)?, usual)));
        entered.map_or(1.0, |(entered, usual)| entered.max(1e-3) / usual.max(1e-3))
    }

    fn step(&mut self, step: StepTime, panel: &Panel<'_>, run: bool, entering: f64) -> f64 {
        let slip =
            self.speed.and_then(|id| panel.faults.of_signal(FaultKind::BeltSlip, id)).unwrap_or_default();
        let driven_m_per_s = self.usual_m_per_s / self.stretch(panel) * (1.0 - slip / 100.0);
        self.speed_m_per_s = if run { driven_m_per_s } else { 0.0 };
        self.moved_m = self.speed_m_per_s * (1.0 + self.error) * step.seconds();
        self.conveyor.advance(self.moved_m, entering)
    }
}

impl Belts {
    pub(super) fn new(line: &Line, seed: u64) -> Self {
        let dwell = Some(Meaning::OvenDwellSetpoint);
        let passes = count(line, Meaning::OvenBeltSpeed).max(1);
        let fixed = |seconds: f64| Conveyor::new(seconds, 1.0);
        let mut belts = Self {
            passes: (0..passes)
                .map(|pass| Belt::new(line, Meaning::OvenBeltSpeed, pass, dwell, OVEN))
                .collect(),
            equilibrator: Belt::new(line, Meaning::EquilibratorBeltSpeed, 0, None, EQUILIBRATOR),
            fryer: Belt::new(line, Meaning::FryerBeltSpeed, 0, Some(Meaning::FryerDwellSetpoint), FRYER),
            cooling: fixed(COOLING_S),
            drum: fixed(TO_WEIGH_BELT_S),
            buckets: fixed(TO_BAGGERS_S),
            at_eye: 1.0,
            eye_doubts_s: 0.0,
            eye: true,
            cooled: 1.0,
            weighed: 1.0,
            packed: 1.0,
            masa_wander: Wander::new(MASA_WANDER.0, MASA_WANDER.1),
            product: Product::running(&[], FEED_PERCENT),
            refused: None,
        };
        // A length is proven for the first pass and stands for all of them.
        if let Some(length_m) = oven_length_m(line) {
            belts.passes.iter_mut().for_each(|belt| belt.lengthen(length_m / passes as f64));
        }
        belts.mistake(seed);
        let feed = typical(line, Meaning::FeedMoisture, 0, Unit::Percent).unwrap_or(FEED_PERCENT);
        belts.product = Product::running(&belts.usual_moves(), feed);
        belts
    }

    /// Gives each belt an error of its own between what it says and what it does.
    fn mistake(&mut self, seed: u64) {
        // Apart from the noise of the instruments, which begins with the same seed.
        let mut draw = Noise::new(seed ^ 0x5EED_BE17);
        let belts = self.passes.iter_mut().chain([&mut self.equilibrator, &mut self.fryer]);
        belts.for_each(|belt| belt.error = SPEED_ERROR * (2.0 * draw.share() - 1.0));
    }

    /// Every stage as it moves in a second in run.
    fn usual_moves(&self) -> Vec<Move> {
        self.moves_by(|belt| belt.usual_m_per_s * (1.0 + belt.error), 1.0)
    }

    fn moves_by(&self, moved: impl Fn(&Belt) -> f64, seconds: f64) -> Vec<Move> {
        let numbered = (0..=u8::MAX).zip(&self.passes);
        let fixed = |stage, length| Move { stage, length, moved: seconds };
        numbered
            .map(|(pass, belt)| belt.as_moved(Stage::Oven(pass), moved(belt)))
            .chain([
                self.equilibrator.as_moved(Stage::Equilibrator, moved(&self.equilibrator)),
                self.fryer.as_moved(Stage::Fryer, moved(&self.fryer)),
                fixed(Stage::Cooling, COOLING_S),
                fixed(Stage::Seasoning, TO_WEIGH_BELT_S),
                fixed(Stage::Buckets, TO_BAGGERS_S),
            ])
            .collect()
    }

    /// The product, parcel by parcel.
    pub(super) const fn product(&self) -> &Product {
        &self.product
    }

    pub(super) const fn product_mut(&mut self) -> &mut Product {
        &mut self.product
    }

    /// A balance of the product that did not close; then it stands still.
    pub(super) const fn refused(&self) -> Option<Unbalanced> {
        self.refused
    }

    /// The belt with this speed signal.
    pub(super) fn pass(&self, ordinal: usize) -> Option<&Belt> {
        self.passes.get(ordinal)
    }

    pub(super) const fn equilibrator(&self) -> &Belt {
        &self.equilibrator
    }

    pub(super) const fn fryer(&self) -> &Belt {
        &self.fryer
    }

    /// Product in the nth of `zones` oven zones, as a share of full feed.
    pub(super) fn in_zone(&self, zone: usize, zones: usize) -> f64 {
        match self.passes.get(zone) {
            Some(belt) if zones == self.passes.len() => belt.conveyor.load(),
            Some(_) | None => {
                let all: f64 = self.passes.iter().map(|belt| belt.conveyor.load()).sum();
                all / self.passes.len().max(1) as f64
            }
        }
    }

    /// Product in the fryer, as a share of full feed.
    pub(super) fn in_fryer(&self) -> f64 {
        self.fryer.conveyor.load()
    }

    /// What the photo-eye in front of the fryer says.
    pub(super) const fn eye(&self) -> bool {
        self.eye
    }

    /// What comes off cooling, passes the weigh belt, and reaches the baggers, as shares of full feed.
    pub(super) const fn cooled(&self) -> f64 {
        self.cooled
    }

    pub(super) const fn weighed(&self) -> f64 {
        self.weighed
    }

    pub(super) const fn packed(&self) -> f64 {
        self.packed
    }

    /// The belts after `step`, while the cutter lays `feed_share` of full feed on.
    pub(super) fn step(
        &mut self,
        step: StepTime,
        panel: &Panel<'_>,
        (run, feed_share): (bool, f64),
        heats: &Heats<'_>,
        noise: &mut Noise,
    ) {
        let mut product = feed_share;
        for pass in &mut self.passes {
            product = pass.step(step, panel, run, product);
        }
        self.at_eye = self.equilibrator.step(step, panel, run, product);
        self.look(step);
        let fried = self.fryer.step(step, panel, run, self.at_eye);
        self.cooled = self.cooling.advance(step.seconds(), fried);
        self.weighed = self.drum.advance(step.seconds(), self.cooled);
        self.packed = self.buckets.advance(step.seconds(), self.weighed);
        self.carry(step, panel, feed_share, heats, noise);
    }

    /// Moves the product; what does not add up stops it for good, and is told.
    fn carry(
        &mut self,
        step: StepTime,
        panel: &Panel<'_>,
        feed_share: f64,
        heats: &Heats<'_>,
        noise: &mut Noise,
    ) {
        let masa_percent = MASA_PERCENT + self.masa_wander.step(step, noise);
        let moves = self.moves_by(|belt| belt.moved_m, step.seconds());
        let inputs = ProductInputs {
            moves: &moves,
            feed_share,
            masa_percent,
            tank: heats.tank,
            baking: heats.baking,
            oil_degc: heats.oil_degc,
            wet_percent: panel.of_line(FaultKind::WetFeed),
        };
        if self.refused.is_none() {
            self.refused = self.product.step(step, &inputs).err();
        }
    }

    fn look(&mut self, step: StepTime) {
        let sees = self.at_eye > 0.5;
        self.eye_doubts_s = if sees == self.eye { 0.0 } else { self.eye_doubts_s + step.seconds() };
        if self.eye_doubts_s >= EYE_FILTER_S {
            (self.eye, self.eye_doubts_s) = (sees, 0.0);
        }
    }
}

/// The oven's length over all passes, if the line file proves one.
fn oven_length_m(line: &Line) -> Option<f64> {
    let first = nth(line, Meaning::OvenBeltSpeed, 0)?;
    line.belts.iter().find(|belt| belt.speed == first).map(|belt| belt.effective_length_m)
}
