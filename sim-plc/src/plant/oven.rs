//! The oven of a line: its zones, what their heat does to belt and product.

use super::belts::Belts;
use super::panel::{Panel, count, nth, typical};
use crate::fault::FaultKind;
use crate::physics::oven::{OvenInputs, OvenMode, OvenZone};
use crate::physics::{Noise, StepTime, Wander};
use setward_config::line::{Line, Meaning};
use setward_protocol::{SignalId, Unit};

/// Temperature and burner output in balance where a line says nothing. Trade figure; illustrative.
const ZONE_DEGC: f64 = 340.0;
const BURNER_PERCENT: f64 = 52.0;
/// Moisture of what leaves the oven, %. Recipe R-03.
const MOISTURE_PERCENT: f64 = 35.0;
/// What a second and a kelvin more take from it, points. Computed from the recipe: 52 to 35 % in 16 s, with a drying
/// rate that goes with the temperature above 100 degC.
const POINTS_PER_S: f64 = 1.06;
const POINTS_PER_K: f64 = 0.07;
/// How far moisture wanders, points, and how fast, s; and how long a change takes to the fryer, s. Illustrative; the
/// product's way is not followed here.
const MOISTURE_WANDER: (f64, f64) = (0.1, 120.0);
const MOISTURE_TAU_S: f64 = 60.0;
/// An empty belt is hotter, K. Illustrative.
const EMPTY_BELT_K: f64 = 6.0;
const ROOM_DEGC: f64 = 20.0;

#[derive(Debug, Clone)]
struct Zone {
    temperature: SignalId,
    setpoint: Option<SignalId>,
    burner: Option<SignalId>,
    usual_degc: f64,
    zone: OvenZone,
}

/// The oven and its signals.
#[derive(Debug, Clone)]
pub(super) struct Oven {
    zones: Vec<Zone>,
    exhaust: bool,
    load: f64,
    moisture_percent: f64,
    usual_moisture_percent: f64,
    moisture_wander: Wander,
    /// The belt's rise above the room as a share of the first zone's.
    belt_share: f64,
}

impl Oven {
    pub(super) fn new(line: &Line) -> Self {
        let zones: Vec<_> =
            (0..count(line, Meaning::OvenTemperature)).filter_map(|zone| Zone::new(line, zone)).collect();
        let usual_moisture_percent =
            typical(line, Meaning::FeedMoisture, 0, Unit::Percent).unwrap_or(MOISTURE_PERCENT);
        let belt_degc = typical(line, Meaning::OvenBeltTemperature, 0, Unit::DegC);
        let first_degc = zones.first().map_or(ZONE_DEGC, |zone| zone.usual_degc);
        let share = |belt_degc: f64| (belt_degc - ROOM_DEGC) / (first_degc - ROOM_DEGC).max(1.0);
        Self {
            zones,
            exhaust: true,
            load: 1.0,
            moisture_percent: usual_moisture_percent,
            usual_moisture_percent,
            moisture_wander: Wander::new(MOISTURE_WANDER.0, MOISTURE_WANDER.1),
            belt_share: belt_degc.map_or(1.0, share),
        }
    }

    pub(super) fn zone(&self, ordinal: usize) -> Option<&OvenZone> {
        self.zones.get(ordinal).map(|zone| &zone.zone)
    }

    /// Whether every zone is within 5 K of its setpoint, or above.
    pub(super) fn is_hot(&self, panel: &Panel<'_>) -> bool {
        self.zones.iter().all(|zone| zone.zone.zone_degc() > zone.setpoint_degc(panel) - 5.0)
    }

    /// Whether the exhaust fan moves air.
    pub(super) const fn exhaust(&self) -> bool {
        self.exhaust
    }

    /// Moisture of what enters the fryer, %.
    pub(super) const fn moisture_percent(&self) -> f64 {
        self.moisture_percent
    }

    /// Surface of the first belt, degC.
    pub(super) fn belt_degc(&self) -> f64 {
        let zone_degc = self.zones.first().map_or(ZONE_DEGC, |zone| zone.zone.zone_degc());
        let usual_degc = self.zones.first().map_or(ZONE_DEGC, |zone| zone.usual_degc);
        let warm = (zone_degc - ROOM_DEGC) / (usual_degc - ROOM_DEGC).max(1.0);
        ROOM_DEGC + self.belt_share * (zone_degc - ROOM_DEGC) + EMPTY_BELT_K * (1.0 - self.load) * warm
    }

    /// The oven after `step`.
    pub(super) fn step(
        &mut self,
        step: StepTime,
        panel: &Panel<'_>,
        on: bool,
        belts: &Belts,
        noise: &mut Noise,
    ) {
        let lost = panel.line_has(FaultKind::ExhaustLost);
        self.exhaust = on && !lost;
        let count = self.zones.len();
        for (ordinal, zone) in self.zones.iter_mut().enumerate() {
            let inputs = OvenInputs {
                burner_out: lost || panel.has(FaultKind::BurnerOut, Some(zone.temperature)),
                ..zone.inputs(panel, on, belts.in_zone(ordinal, count))
            };
            zone.zone.step(step, &inputs, noise);
        }
        self.load = belts.in_zone(0, count);
        self.dry(step, panel, belts, noise);
    }

    fn dry(&mut self, step: StepTime, panel: &Panel<'_>, belts: &Belts, noise: &mut Noise) {
        let hotter_k = |zone: &Zone| zone.zone.zone_degc() - zone.usual_degc;
        let hotter_k = self.zones.iter().map(hotter_k).sum::<f64>() / self.zones.len().max(1) as f64;
        let taken = POINTS_PER_S * belts.extra_bake_s(panel) + POINTS_PER_K * hotter_k;
        let dried = (self.usual_moisture_percent - taken).clamp(10.0, 52.0);
        let wander = self.moisture_wander.step(step, noise);
        let wanted = panel.of_line(FaultKind::WetFeed).unwrap_or(dried) + wander;
        self.moisture_percent += (wanted - self.moisture_percent) * step.share(MOISTURE_TAU_S);
    }
}

impl Zone {
    fn new(line: &Line, ordinal: usize) -> Option<Self> {
        let temperature = nth(line, Meaning::OvenTemperature, ordinal)?;
        let of = |meaning, unit| typical(line, meaning, ordinal, unit);
        let measured_degc = of(Meaning::OvenTemperature, Unit::DegC).unwrap_or(ZONE_DEGC);
        let usual_degc = of(Meaning::OvenSetpoint, Unit::DegC).unwrap_or(measured_degc);
        // An output at either end could hold nothing.
        let burner_percent =
            of(Meaning::OvenBurner, Unit::Percent).unwrap_or(BURNER_PERCENT).clamp(1.0, 99.0);
        Some(Self {
            temperature,
            setpoint: nth(line, Meaning::OvenSetpoint, ordinal),
            burner: nth(line, Meaning::OvenBurner, ordinal),
            usual_degc,
            zone: OvenZone::settled(usual_degc, burner_percent),
        })
    }

    fn setpoint_degc(&self, panel: &Panel<'_>) -> f64 {
        panel.entered_degc(self.setpoint).unwrap_or(self.usual_degc)
    }

    fn inputs(&self, panel: &Panel<'_>, on: bool, feed_share: f64) -> OvenInputs {
        OvenInputs {
            setpoint_degc: self.setpoint_degc(panel),
            measured_degc: panel.probe_degc(Some(self.temperature)),
            on,
            manual_percent: panel.manual_percent(self.burner, self.zone.asked_percent()),
            valve_stuck: panel.has(FaultKind::ValveStuck, self.burner),
            burner_out: false,
            feed_share,
        }
    }
}

/// The number that a zone's mode word shows.
pub(super) const fn mode_number(mode: OvenMode) -> f64 {
    mode as u8 as f64
}
