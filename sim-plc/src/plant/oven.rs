//! The oven of a line: its zones, what their heat does to belt and product.

use super::belts::Belts;
use super::panel::{Panel, count, nth, typical};
use crate::fault::FaultKind;
use crate::physics::oven::{OvenInputs, OvenMode, OvenZone};
use crate::physics::{Noise, StepTime};
use setward_config::line::{Line, Meaning};
use setward_protocol::{SignalId, Unit};

/// Temperature and burner output in balance where a line says nothing. Trade figure; illustrative.
const ZONE_DEGC: f64 = 340.0;
const BURNER_PERCENT: f64 = 52.0;
/// Drying goes with the temperature above this, degC. Textbook.
const BOILING_DEGC: f64 = 100.0;
/// The exhaust moves air for so long before the zones are switched on, s. Illustrative.
const EXHAUSTED_FIRST_S: f64 = 10.0;
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
    /// For how long the exhaust has moved air, s.
    exhausted_s: f64,
    load: f64,
    /// How much faster than usual each zone dries.
    baking: Vec<f64>,
    /// The belt's rise above the room as a share of the first zone's.
    belt_share: f64,
}

impl Oven {
    pub(super) fn new(line: &Line) -> Self {
        let zones: Vec<_> =
            (0..count(line, Meaning::OvenTemperature)).filter_map(|zone| Zone::new(line, zone)).collect();
        let belt_degc = typical(line, Meaning::OvenBeltTemperature, 0, Unit::DegC);
        let first_degc = zones.first().map_or(ZONE_DEGC, |zone| zone.usual_degc);
        let share = |belt_degc: f64| (belt_degc - ROOM_DEGC) / (first_degc - ROOM_DEGC).max(1.0);
        let baking = vec![1.0; zones.len()];
        let (exhausted_s, belt_share) = (f64::INFINITY, belt_degc.map_or(1.0, share));
        Self { zones, exhaust: true, exhausted_s, load: 1.0, baking, belt_share }
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

    /// How much faster than usual each zone dries.
    pub(super) fn baking(&self) -> &[f64] {
        &self.baking
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
        (on, belts_run): (bool, bool),
        belts: &Belts,
        noise: &mut Noise,
    ) {
        let lost = panel.line_has(FaultKind::ExhaustLost);
        // The fan comes first and runs on with the belts. Zones that heat stay switched on without it: they lock out.
        self.exhaust = (on || belts_run) && !lost;
        self.exhausted_s = if self.exhaust { self.exhausted_s + step.seconds() } else { 0.0 };
        let heats = self.zones.iter().any(|zone| zone.zone.mode() != OvenMode::Off);
        let on = on && (heats || self.exhausted_s >= EXHAUSTED_FIRST_S);
        let count = self.zones.len();
        for (ordinal, zone) in self.zones.iter_mut().enumerate() {
            let inputs = OvenInputs {
                burner_out: lost || panel.has(FaultKind::BurnerOut, Some(zone.temperature)),
                ..zone.inputs(panel, on, belts.in_zone(ordinal, count))
            };
            zone.zone.step(step, &inputs, noise);
        }
        self.load = belts.in_zone(0, count);
        for (baking, zone) in self.baking.iter_mut().zip(&self.zones) {
            let usual_k = (zone.usual_degc - BOILING_DEGC).max(1.0);
            *baking = ((zone.zone.zone_degc() - BOILING_DEGC) / usual_k).max(0.0);
        }
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
