//! The belts of a line from the cutter to the baggers, and the product on them.

use super::panel::{Panel, count, nth, typical};
use crate::fault::FaultKind;
use crate::physics::{Conveyor, StepTime};
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
/// The photo-eye changes its mind after this, s. Demo line.
const EYE_FILTER_S: f64 = 3.0;

/// A belt with a speed signal, driven so that product stays as long as the panel's seconds say.
#[derive(Debug, Clone)]
pub(super) struct Belt {
    speed: Option<SignalId>,
    /// The entered seconds, and what they are at the usual speed.
    dwell: Option<(SignalId, f64)>,
    usual_m_per_s: f64,
    speed_m_per_s: f64,
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
        Self { speed: id, dwell: entered, usual_m_per_s, speed_m_per_s: usual_m_per_s, conveyor }
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
        self.conveyor.advance(self.speed_m_per_s * step.seconds(), entering)
    }
}

impl Belts {
    pub(super) fn new(line: &Line) -> Self {
        let dwell = Some(Meaning::OvenDwellSetpoint);
        let passes = count(line, Meaning::OvenBeltSpeed).max(1);
        let fixed = |seconds: f64| Conveyor::new(seconds, 1.0);
        Self {
            passes: (0..passes)
                .map(|pass| Belt::new(line, Meaning::OvenBeltSpeed, pass, dwell, OVEN))
                .map(|mut belt| {
                    // A length is proven for the first pass and stands for all of them.
                    if let Some(length_m) = oven_length_m(line) {
                        belt.conveyor = Conveyor::new(length_m / passes as f64, 1.0);
                    }
                    belt
                })
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
        }
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

    /// How much longer than usual the panel asks product to stay in the oven, s.
    pub(super) fn extra_bake_s(&self, panel: &Panel<'_>) -> f64 {
        let entered = self.passes.first().and_then(|belt| belt.dwell);
        entered.and_then(|(id, usual)| Some(panel.entered(id)? - usual)).unwrap_or_default()
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
    pub(super) fn step(&mut self, step: StepTime, panel: &Panel<'_>, run: bool, feed_share: f64) {
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
