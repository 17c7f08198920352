//! The plain models of the kinds that look at a window: its mean, and the slope through it.

use crate::oracle_models::{Turn, crossing};
use setward::alarm::{Kind, MovingAverageSettings, RateSettings, Side};
use std::collections::VecDeque;

/// Least known share of a slope's window.
const SLOPE_COVERAGE: f64 = 0.75;

/// Of a stretch: its middle time, length, mean and rise.
type Part = (f64, f64, f64, f64);
/// A known stretch: from and to, each time and value.
type Cell = ((f64, f64), (f64, f64));

/// The mean of a window against a level.
#[derive(Debug, Clone)]
pub(crate) struct Averaged {
    side: Side,
    level: f64,
    deadband: f64,
    window_s: f64,
    coverage: f64,
    cells: VecDeque<Cell>,
    pub(crate) active: bool,
}

/// The slope through a window against a rate.
#[derive(Debug, Clone)]
pub(crate) struct Sloped {
    settings: RateSettings,
    per_minute: f64,
    coverage: f64,
    cells: VecDeque<Cell>,
    pub(crate) active: bool,
}

/// Length of the window that a kind looks at, s; 0 if it looks at none.
pub(crate) fn window_s(kind: &Kind) -> f64 {
    match kind {
        Kind::MovingAverage(settings) => settings.window.as_secs_f64(),
        Kind::Rate(settings) => settings.over.as_secs_f64(),
        Kind::TimeWeighted(_)
        | Kind::Limit(_)
        | Kind::Deviation(_)
        | Kind::Discrepancy(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Drift(_)
        | Kind::Measurement(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => 0.0,
    }
}

/// Cuts what is older than `start` off the front.
fn trim(cells: &mut VecDeque<Cell>, start: f64) {
    while cells.front().is_some_and(|cell| cell.1.0 <= start) {
        cells.pop_front();
    }
}

/// The part of a cell after `start`: its middle time, length, mean and rise.
fn after((a, b): Cell, start: f64) -> Part {
    let from = a.0.max(start);
    let at = |t: f64| if b.0 > a.0 { a.1 + (b.1 - a.1) * (t - a.0) / (b.0 - a.0) } else { b.1 };
    (0.5 * (from + b.0), b.0 - from, 0.5 * (at(from) + b.1), b.1 - at(from))
}

impl Averaged {
    pub(crate) fn new(settings: &MovingAverageSettings, level: f64, known: f64) -> Self {
        Self {
            side: settings.side,
            level,
            deadband: settings.deadband,
            window_s: settings.window.as_secs_f64(),
            coverage: (settings.coverage / known).min(1.0),
            cells: VecDeque::new(),
            active: false,
        }
    }

    pub(crate) fn start_over(&mut self) {
        self.cells.clear();
        self.active = false;
    }

    pub(crate) fn is_within(&self, x: f64) -> bool {
        self.side.beyond(x, self.level) <= 0.0
    }

    pub(crate) fn segment(&mut self, from: (f64, f64), to: (f64, f64), turns: &mut Vec<Turn>) {
        self.cells.push_back((from, to));
        let start = to.0 - self.window_s;
        trim(&mut self.cells, start);
        // Nowhere near: no mean of these can be beyond.
        let beyond = |x: f64| self.side.beyond(x, self.level);
        if !self.active && self.cells.iter().all(|cell| beyond(cell.0.1) <= 0.0 && beyond(cell.1.1) <= 0.0) {
            return;
        }
        let parts = self.cells.iter().map(|cell| after(*cell, start));
        let (area, known) = parts.fold((0.0, 0.0), |sum, part| (sum.0 + part.1 * part.2, sum.1 + part.1));
        if known < self.coverage * self.window_s - 1e-6 {
            return;
        }
        let beyond = self.side.beyond(area / known, self.level);
        if !self.active && beyond > 0.0 || self.active && beyond <= -self.deadband {
            self.active = !self.active;
            turns.push((to.0, self.active));
        }
    }
}

impl Sloped {
    pub(crate) fn new(settings: &RateSettings, per_minute: f64, known: f64) -> Self {
        let coverage = (SLOPE_COVERAGE / known).min(1.0);
        Self { settings: *settings, per_minute, coverage, cells: VecDeque::new(), active: false }
    }

    pub(crate) fn start_over(&mut self) {
        self.cells.clear();
        self.active = false;
    }

    /// Whether nothing lies where the slope is judged.
    pub(crate) fn is_empty(&self) -> bool {
        self.cells.is_empty()
    }

    fn is_between(&self, x: f64) -> bool {
        self.settings.between.is_none_or(|(low, high)| (low..=high).contains(&x))
    }

    pub(crate) fn segment(&mut self, from: (f64, f64), to: (f64, f64), turns: &mut Vec<Turn>) {
        let bound = |x: f64| self.settings.between.map_or(x, |(low, high)| x.clamp(low, high));
        let cut = |point: (f64, f64)| (crossing(from, to, bound(point.1)), bound(point.1));
        let (a, b) = (
            if self.is_between(from.1) { from } else { cut(from) },
            if self.is_between(to.1) { to } else { cut(to) },
        );
        if b.0 > a.0 && (self.is_between(0.5 * (a.1 + b.1))) {
            self.cells.push_back((a, b));
            self.judge(b.0, turns);
        }
        if !self.is_between(to.1) {
            self.cells.clear();
            if self.active {
                self.active = false;
                turns.push((b.0, false));
            }
        }
    }

    fn judge(&mut self, now: f64, turns: &mut Vec<Turn>) {
        let over_s = self.settings.over.as_secs_f64();
        let start = now - over_s;
        trim(&mut self.cells, start);
        let parts: Vec<_> = self.cells.iter().map(|cell| after(*cell, start)).collect();
        let known: f64 = parts.iter().map(|part| part.1).sum();
        if known < self.coverage * over_s - 1e-6 || !self.settings.resolves() {
            return;
        }
        let mean = |of: &dyn Fn(&Part) -> f64| parts.iter().map(of).sum::<f64>() / known;
        let (t, x) = (mean(&|p| p.1 * (p.0 - now)), mean(&|p| p.1 * p.2));
        let tx = mean(&|p| p.1 * (p.0 - now - t) * (p.2 - x) + p.3 * p.1 * p.1 / 12.0);
        let tt = mean(&|p| p.1 * (p.0 - now - t).powi(2) + p.1.powi(3) / 12.0);
        let beyond = self.settings.side.beyond(60.0 * tx / tt, self.per_minute);
        if !self.active && beyond > 0.0 || self.active && beyond <= -0.1 * self.per_minute {
            self.active = !self.active;
            turns.push((now, self.active));
        }
    }
}
