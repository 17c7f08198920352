//! The signals as the plant's units see them while it moves on: what probes say, what people entered, where typical
//! values put a balance.

use super::point::Point;
use crate::active::ActiveFaults;
use crate::fault::FaultKind;
use crate::operation::Operation;
use setward_config::line::{Line, Meaning};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// Setpoint of the fryer while water boils in it, degC. Demo week.
const BOIL_OUT_DEGC: f64 = 95.0;

/// The signal with the nth (from 0) of a meaning.
pub(super) fn nth(line: &Line, meaning: Meaning, ordinal: usize) -> Option<SignalId> {
    line.signals_with_ids().filter(|(_, signal)| signal.means == Some(meaning)).nth(ordinal).map(|(id, _)| id)
}

/// How many signals of a meaning the line has.
pub(super) fn count(line: &Line, meaning: Meaning) -> usize {
    line.signals.iter().filter(|signal| signal.means == Some(meaning)).count()
}

/// The typical value of the nth signal of a meaning, in `unit`; `None` if there is none or it measures something else.
pub(super) fn typical(line: &Line, meaning: Meaning, ordinal: usize, unit: Unit) -> Option<f64> {
    let signal = line.signal(nth(line, meaning, ordinal)?);
    signal.unit.convert(signal.simulate.typical, unit)
}

/// What the units see.
#[derive(Debug, Clone, Copy)]
pub(super) struct Panel<'a> {
    pub(super) points: &'a [Point],
    pub(super) faults: &'a ActiveFaults,
    pub(super) doing: Operation,
    pub(super) now: Duration,
}

impl Panel<'_> {
    /// What a loop sees of the temperature signal `id`, degC: late and with the errors of its probe, but smooth. `None`
    /// when the probe is broken or is no thermometer.
    pub(super) fn probe_degc(&self, id: Option<SignalId>) -> Option<f64> {
        let id = id?;
        let point = self.points.get(id.index())?;
        if !self.faults.is_empty() && self.faults.signal_has(FaultKind::SensorBreak, id) {
            return None;
        }
        point.unit.convert(point.seen, Unit::DegC)
    }

    /// What is entered in setpoint `id`, in its unit.
    pub(super) fn entered(&self, id: SignalId) -> Option<f64> {
        self.points.get(id.index()).map(|point| self.entered_of(point))
    }

    /// What is entered in the setpoint that `point` is, in its unit.
    pub(super) fn entered_of(&self, point: &Point) -> f64 {
        let turned = self.faults.of_signal(FaultKind::SetpointTurned, point.id);
        let boiling = (point.means == Some(Meaning::FryerSetpoint) && self.doing == Operation::BoilOut)
            .then(|| Unit::DegC.convert(BOIL_OUT_DEGC, point.unit))
            .flatten();
        turned.or(boiling).or_else(|| self.chosen_of(point)).or(point.entered).unwrap_or(point.typical)
    }

    /// What the recipe that was chosen by mistake makes of the point, in its unit.
    pub(super) fn chosen_of(&self, point: &Point) -> Option<f64> {
        let number = self.faults.of_line(FaultKind::WrongRecipe)?;
        point.of_recipe.iter().find(|(own, _)| *own as f64 == number).map(|(_, value)| *value)
    }

    /// What is entered in the temperature setpoint `id`, degC.
    pub(super) fn entered_degc(&self, id: Option<SignalId>) -> Option<f64> {
        let id = id?;
        self.points.get(id.index())?.unit.convert(self.entered(id)?, Unit::DegC)
    }

    /// Where a person holds the output `id`, %; `now_percent` if nothing else was said. `None` in automatic.
    pub(super) fn manual_percent(&self, id: Option<SignalId>, now_percent: f64) -> Option<f64> {
        let id = id?;
        if self.faults.is_empty() || !self.faults.signal_has(FaultKind::LoopManual, id) {
            return None;
        }
        Some(self.faults.of_signal(FaultKind::LoopManual, id).unwrap_or(now_percent))
    }

    /// Whether signal `id` has a fault of `kind`.
    pub(super) fn has(&self, kind: FaultKind, id: Option<SignalId>) -> bool {
        !self.faults.is_empty() && id.is_some_and(|id| self.faults.signal_has(kind, id))
    }

    /// The value of the fault of `kind` about the line.
    pub(super) fn of_line(&self, kind: FaultKind) -> Option<f64> {
        self.faults.of_line(kind)
    }

    /// Whether the line has a fault of `kind`.
    pub(super) fn line_has(&self, kind: FaultKind) -> bool {
        self.faults.line_has(kind)
    }
}
