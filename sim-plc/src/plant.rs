//! The whole plant in virtual time: its units, and what each signal of the line truly is and what its instrument says.
//!
//! Terms: the *truth* of a signal is its physical value; what is *sensed* is the truth seen late and noisily by its
//! instrument, with the faults of that instrument. What the register then shows is the business of [`crate::image`].
//! Values here are in the signals' own units; the units of the plant ([`crate::physics`]) compute in SI.
//!
//! A signal finds its unit by what it means: the second `oven-temperature` of the line belongs with the second
//! `oven-setpoint` and the second `oven-burner`. A loop regulates on what its probe says, errors and all. A unit whose
//! signals the line lacks works with usual values, or is not there.

mod belts;
mod cook;
mod crew;
mod floor;
mod fryer;
mod oven;
mod panel;
mod point;
mod source;

use crate::active::ActiveFaults;
use crate::fault::FaultKind;
use crate::operation::Operation;
use crate::physics::parcel::Unbalanced;
use crate::physics::product::Product;
use crate::physics::{Noise, StepTime};
use belts::{Belts, Heats};
use cook::Cook;
use crew::Crew;
use floor::Floor;
use fryer::{FryerOrders, FryerStation};
use oven::Oven;
use panel::Panel;
use point::Point;
use setward_config::line::{Line, Meaning};
use setward_protocol::{SignalId, Unit};
use source::Source;
use std::time::Duration;

/// Oil of a line whose fryer nobody measures, degC. Recipe R-03.
const FRYING_DEGC: f64 = 182.0;
/// A counting word starts again here.
const HEARTBEAT_WRAPS_AT: u64 = 65_536;

/// The units of the plant.
#[derive(Debug, Clone)]
pub(crate) struct Units {
    cook: Cook,
    oven: Oven,
    belts: Belts,
    fryer: Option<FryerStation>,
    floor: Floor,
}

/// State of the plant.
#[derive(Debug, Clone)]
pub(crate) struct Plant {
    elapsed: Duration,
    points: Vec<Point>,
    units: Units,
    crew: Crew,
    noise: Noise,
    pub(crate) faults: ActiveFaults,
}

impl Plant {
    /// The plant of `line`, running in balance at its entered setpoints.
    pub(crate) fn new(line: &Line, seed: u64) -> Self {
        let units = Units {
            cook: Cook::new(line),
            oven: Oven::new(line),
            belts: Belts::new(line, seed),
            fryer: FryerStation::new(line),
            floor: Floor::running(usual_seasoning_percent(line)),
        };
        let mut plant = Self {
            elapsed: Duration::ZERO,
            points: line.signals_with_ids().map(|(id, signal)| Point::new(id, signal, line)).collect(),
            units,
            crew: Crew::running(),
            noise: Noise::new(seed),
            faults: ActiveFaults::default(),
        };
        plant.settle();
        plant
    }

    /// Virtual time since the start.
    pub(crate) const fn elapsed(&self) -> Duration {
        self.elapsed
    }

    /// The physical value of a signal, in its unit; `None` for one that is computed from others.
    pub(crate) fn truth(&self, signal: SignalId) -> Option<f64> {
        self.points.get(signal.index()).filter(|point| point.served).map(|point| point.truth)
    }

    /// What a healthy instrument of the signal would say, without noise, in its unit; `None` as above.
    pub(crate) fn healthy(&self, signal: SignalId) -> Option<f64> {
        self.points.get(signal.index()).filter(|point| point.served).map(|point| point.healthy)
    }

    /// What the instrument of each signal says, in its unit, in the order of the line.
    pub(crate) fn sensed(&self) -> impl Iterator<Item = f64> {
        self.points.iter().map(|point| point.sensed)
    }

    /// The product, parcel by parcel.
    pub(crate) const fn product(&self) -> &Product {
        self.units.belts.product()
    }

    /// Whether a signal is what a person enters.
    pub(crate) fn is_entered(&self, signal: SignalId) -> bool {
        self.points.get(signal.index()).is_some_and(|point| matches!(point.source, Source::Entered))
    }

    /// Somebody enters `value`, in the signal's unit, over the bus.
    pub(crate) fn enter(&mut self, signal: SignalId, value: f64) {
        if let Some(point) = self.points.get_mut(signal.index()) {
            point.entered = Some(value);
            point.writes += 1;
        }
    }

    /// How often that was done.
    pub(crate) fn writes(&self, signal: SignalId) -> u64 {
        self.points.get(signal.index()).map_or(0, |point| point.writes)
    }

    /// Keeps the history of so many packed parcels.
    pub(crate) fn keep_parcels(&mut self, count: usize) {
        self.units.belts.product_mut().keep(count);
    }

    /// A balance of the product that did not close.
    pub(crate) const fn refused(&self) -> Option<Unbalanced> {
        self.units.belts.refused()
    }

    /// What operators have told the line.
    pub(crate) const fn doing(&self) -> Operation {
        self.crew.doing()
    }

    /// Operators tell the line to do something else.
    pub(crate) fn operate(&mut self, operation: Operation) {
        self.crew.operate(operation);
    }

    /// Lets `step`, which is `span` long, pass.
    pub(crate) fn step(&mut self, step: StepTime, span: Duration) {
        self.elapsed += span;
        self.step_units(step, span);
        self.beat(span);
        let faults = &self.faults;
        let panel = Panel { points: &[], faults, doing: self.crew.doing(), now: self.elapsed };
        for point in &mut self.points {
            // What nobody can read draws no noise: a line with one more computed signal has the same noise in all others.
            if let (Source::Typical(wander), true) = (&mut point.source, point.served) {
                wander.step(step, &mut self.noise);
            }
            let truth = truth_now(point, &self.units, &panel);
            point.follow(truth, step, faults, self.elapsed, &mut self.noise);
        }
    }

    fn step_units(&mut self, step: StepTime, span: Duration) {
        let panel =
            Panel { points: &self.points, faults: &self.faults, doing: self.crew.doing(), now: self.elapsed };
        let Units { cook, oven, belts, fryer, floor } = &mut self.units;
        let (crew, noise) = (&mut self.crew, &mut self.noise);
        crew.step(span, oven.is_hot(&panel) && fryer.as_ref().is_none_or(|fryer| fryer.is_hot(&panel)));
        let cutter = crew.wants_feed() && cook.house().has_corn() && !panel.line_has(FaultKind::FeedGap);
        let feed_share = if cutter { 1.0 } else { 0.0 };
        let heats = Heats {
            baking: oven.baking(),
            oil_degc: fryer.as_ref().map_or(FRYING_DEGC, |fryer| fryer.fryer().inlet_degc()),
            tank: cook.feeding_number() as u16,
        };
        belts.step(step, &panel, (crew.belts_run(), feed_share), &heats, noise);
        cook.step(step, &panel, (crew.lined_up(), crew.cooks()), feed_share, noise);
        oven.step(step, &panel, (crew.oven_on(), crew.belts_run()), belts, noise);
        if let Some(fryer) = fryer {
            let orders = FryerOrders {
                setting: crew.fryer(),
                pump: crew.pump_runs(),
                feed_share: belts.in_fryer(),
                moisture_percent: belts.product().in_fryer_percent(),
            };
            fryer.step(step, &panel, &orders, noise);
        }
        floor.step(step, crew, belts, cutter, &panel);
    }

    /// Lets the heartbeats count.
    fn beat(&mut self, span: Duration) {
        for point in &mut self.points {
            if let Source::Heartbeat { ran } = &mut point.source
                && !self.faults.heartbeat_stands(point.controller)
            {
                let counted = *ran + span;
                *ran = match self.faults.restarted(point.controller, self.elapsed) {
                    Some(ago) => counted.min(ago),
                    None => counted,
                };
            }
        }
    }

    /// Gives every signal the value that belongs to the balance, so that no instrument starts with a transient.
    fn settle(&mut self) {
        let panel = Panel { points: &[], faults: &self.faults, doing: self.crew.doing(), now: self.elapsed };
        for point in &mut self.points {
            let truth = truth_now(point, &self.units, &panel);
            point.settle(truth);
        }
    }
}

/// The usual share of seasoning in the product, %; 1 where the line does not tell.
fn usual_seasoning_percent(line: &Line) -> f64 {
    let usual = |meaning| panel::typical(line, meaning, 0, Unit::KilogramPerHour).filter(|flow| *flow > 0.0);
    match (usual(Meaning::SeasoningFlow), usual(Meaning::ProductFlow)) {
        (Some(seasoning), Some(product)) => 100.0 * seasoning / product,
        (None, _) | (_, None) => 1.0,
    }
}

/// The physical value that a signal has now, in its unit.
fn truth_now(point: &Point, units: &Units, panel: &Panel<'_>) -> f64 {
    match &point.source {
        Source::Entered => panel.entered_of(point),
        Source::Physics(read, scale) => read
            .now(units)
            .and_then(|number| scale.value(number, point.unit, point.typical))
            .unwrap_or(point.typical),
        Source::Heartbeat { ran } => (ran.as_secs() % HEARTBEAT_WRAPS_AT) as f64,
        Source::Typical(wander) => panel.chosen_of(point).unwrap_or(point.typical + wander.value()),
    }
}
