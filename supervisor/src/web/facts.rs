//! What can be said of the line, a signal or an alarm at one moment: the numbers behind every page, stream and answer.
//!
//! No markup and no formats here; `words.rs` and `pages/` speak, this only knows.

use super::times::{Zone, seconds_between};
use super::words;
use crate::snapshot::{AlarmView, LineSnapshot, SignalView};
use setward_alarm::{AlarmId, AlarmState, Forecast, Kind, Side};
use setward_config::line::{ControlLoop, Line, LineAlarm, LineSignal, LoopMode, RecipeSetpoint, Role};
use setward_protocol::{Dimension, NoData, Reading, SignalId, UtcMillis};

/// Exposure below this share of the allowance is not worth a line on a page.
const SHOWN_EXPOSURE: f64 = 0.005;

/// A slope below this share of the tolerance per minute counts as steady.
const STEADY_SHARE_PER_MIN: f64 = 0.05;
/// So is a slope within this many of its standard errors: samples of a slow signal follow each other, so their scatter
/// understates the error.
const STEADY_ERRORS: f64 = 3.0;
/// Beyond this, when a value would leave tolerance is not worth guessing.
const GUESS_WORTH_S: f64 = 900.0;

/// A signal whose view is missing has not been polled.
static NOT_POLLED: SignalView = SignalView::NOT_POLLED;

/// An alarm whose view is missing has never raised.
static NEVER_RAISED: AlarmView = AlarmView {
    state: AlarmState::Normal,
    occurrence: 0,
    onset: None,
    raised: None,
    cleared: None,
    acknowledged: None,
    exposure: None,
    beyond_since: None,
    forecast: Forecast::Unknown,
};

/// The line, its snapshot and the server's time: what one answer is made from.
#[derive(Clone, Copy)]
pub(super) struct Scene<'a> {
    pub(super) line: &'a Line,
    pub(super) snapshot: &'a LineSnapshot,
    pub(super) zone: &'a Zone,
    pub(super) now: UtcMillis,
}

/// Where the value has been heading, seen from an alarm's side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Direction {
    Worse,
    Steady,
    Better,
    Unknown,
}

/// A signal at the moment of the scene.
#[derive(Clone, Copy)]
pub(super) struct SignalFacts<'a> {
    pub(super) id: SignalId,
    pub(super) signal: &'a LineSignal,
    pub(super) view: &'a SignalView,
    pub(super) asked: Option<&'a RecipeSetpoint>,
}

/// An alarm at the moment of the scene.
#[derive(Clone, Copy)]
pub(super) struct AlarmFacts<'a> {
    pub(super) id: AlarmId,
    pub(super) alarm: &'a LineAlarm,
    pub(super) view: &'a AlarmView,
    pub(super) on: SignalFacts<'a>,
}

impl<'a> Scene<'a> {
    /// `at` as the plant's clock shows it.
    pub(super) fn clock(&self, at: UtcMillis) -> String {
        self.zone.clock(at, self.now)
    }

    /// Seconds since `at`, never negative.
    pub(super) fn seconds_since(&self, at: UtcMillis) -> f64 {
        seconds_between(at, self.now)
    }

    pub(super) fn signal(&self, id: SignalId) -> SignalFacts<'a> {
        SignalFacts {
            id,
            signal: self.line.signal(id),
            view: self.snapshot.signal(id).unwrap_or(&NOT_POLLED),
            asked: self.line.recipe_setpoint(id),
        }
    }

    pub(super) fn signals(&self) -> impl Iterator<Item = SignalFacts<'a>> + use<'a> {
        let scene = *self;
        scene.line.signals_with_ids().map(move |(id, _)| scene.signal(id))
    }

    pub(super) fn alarm(&self, id: AlarmId) -> AlarmFacts<'a> {
        let alarm = self.line.alarm(id);
        AlarmFacts {
            id,
            alarm,
            view: self.snapshot.alarm(id).unwrap_or(&NEVER_RAISED),
            on: self.signal(alarm.settings.watches.signal().unwrap_or(SignalId(0))),
        }
    }

    pub(super) fn alarms(&self) -> impl Iterator<Item = AlarmFacts<'a>> + use<'a> {
        let scene = *self;
        scene.line.alarms_with_ids().map(move |(id, _)| scene.alarm(id))
    }

    /// Alarms that are active or wait for a person: highest priority first, newest first within it.
    pub(super) fn standing_alarms(&self) -> Vec<AlarmFacts<'a>> {
        let mut standing: Vec<_> = self.alarms().filter(AlarmFacts::is_standing).collect();
        standing
            .sort_by_key(|facts| (std::cmp::Reverse((facts.alarm.priority, facts.view.raised)), facts.id));
        standing
    }

    /// Alarms that can't judge now: their signal has no value.
    pub(super) fn blind_alarms(&self) -> Vec<AlarmFacts<'a>> {
        self.alarms().filter(|facts| facts.on.missing().is_some()).collect()
    }

    /// Alarms that are not standing but have exposure or a raise ahead: nearest to the allowance first.
    pub(super) fn building_alarms(&self) -> Vec<AlarmFacts<'a>> {
        let mut building: Vec<_> = self.alarms().filter(AlarmFacts::is_building).collect();
        building.sort_by(|a, b| {
            b.view.exposure.unwrap_or(0.0).total_cmp(&a.view.exposure.unwrap_or(0.0)).then(a.id.cmp(&b.id))
        });
        building
    }

    /// The loop that measures with `signal`.
    pub(super) fn loop_of(&self, signal: SignalId) -> Option<&'a ControlLoop> {
        self.line.loops.iter().find(|control| control.measured == signal)
    }

    /// Loops whose mode word says that a person holds the output.
    pub(super) fn manual_loops(&self) -> impl Iterator<Item = &'a ControlLoop> + use<'a> {
        let scene = *self;
        scene.line.loops.iter().filter(move |control| scene.is_manual(control))
    }

    pub(super) fn is_manual(&self, control: &ControlLoop) -> bool {
        let code = control.mode.and_then(|mode| self.signal(mode).code());
        code.is_some_and(|code| control.modes.get(&code) == Some(&LoopMode::Manual))
    }

    /// When the newest complete scan of any controller ended.
    pub(super) fn newest_scan(&self) -> Option<UtcMillis> {
        self.snapshot.controllers.iter().filter_map(|controller| controller.last_good).max()
    }

    /// The signal that holds the time setpoint of a belt's station, if there is exactly one.
    pub(super) fn dwell_setpoint(&self, station: setward_config::line::StationId) -> Option<SignalFacts<'a>> {
        let mut found = self.signals().filter(|facts| {
            let signal = facts.signal;
            let is_time = signal.unit.dimension() == Dimension::Time;
            signal.station == station && signal.role == Role::Setpoint && is_time
        });
        let first = found.next()?;
        found.next().is_none().then_some(first)
    }
}

impl<'a> SignalFacts<'a> {
    /// The whole number of a status word.
    pub(super) fn code(&self) -> Option<i64> {
        // A float-to-integer cast saturates; a status word is far inside the range.
        self.view.reading.value().map(|value| value.round() as i64)
    }

    /// The value in words or digits, without its unit; what stands in its place when there is none.
    pub(super) fn shown(&self) -> String {
        match self.view.reading.value() {
            Some(value) => self.show(value),
            None => "no value".to_owned(),
        }
    }

    /// `value` in the signal's words or digits.
    pub(super) fn show(&self, value: f64) -> String {
        let word = self.signal.codes.get(&(value.round() as i64));
        word.cloned().unwrap_or_else(|| words::number(value, self.signal.decimals))
    }

    /// `value` with its unit; a code's word has none.
    pub(super) fn show_with_unit(&self, value: f64) -> String {
        words::with_unit(&self.show(value), self.signal.unit)
    }

    /// A difference of this signal with sign and unit.
    pub(super) fn show_deviation(&self, difference: f64) -> String {
        words::with_unit(&words::signed(difference, self.signal.decimals), self.signal.unit.of_difference())
    }

    /// Why there is no value.
    pub(super) fn missing(&self) -> Option<NoData> {
        match self.view.reading {
            Reading::Bad(why) => Some(why),
            Reading::Good(_) | Reading::Uncertain(..) => None,
        }
    }

    /// Value minus the recipe's setpoint.
    pub(super) fn deviation(&self) -> Option<f64> {
        Some(self.view.reading.value()? - self.asked?.target.setpoint)
    }

    /// The side on which the value is out of tolerance.
    pub(super) fn out_of_tolerance(&self) -> Option<Side> {
        let (deviation, target) = (self.deviation()?, self.asked?.target);
        if deviation > target.tolerance_above {
            Some(Side::Above)
        } else if deviation < -target.tolerance_below {
            Some(Side::Below)
        } else {
            None
        }
    }

    /// Lowest and highest value in tolerance.
    pub(super) fn band(&self) -> Option<(f64, f64)> {
        let target = self.asked?.target;
        Some((target.setpoint - target.tolerance_below, target.setpoint + target.tolerance_above))
    }

    /// Deviation in tolerances of its own side, -3 to 3.
    pub(super) fn tolerances_off(&self) -> Option<f64> {
        let (deviation, target) = (self.deviation()?, self.asked?.target);
        let side = if deviation < 0.0 { Side::Below } else { Side::Above };
        Some((deviation / target.tolerance(side)).clamp(-3.0, 3.0))
    }

    /// The words of the last answer.
    pub(super) fn words(&self) -> &'a [u16] {
        let count = usize::from(self.view.word_count).min(self.view.words.len());
        self.view.words.get(..count).unwrap_or_default()
    }
}

impl AlarmFacts<'_> {
    /// Active, or waiting for a person.
    pub(super) fn is_standing(&self) -> bool {
        self.view.state.is_active() || self.view.state.awaits_acknowledgement()
    }

    /// Not standing, but on its way or still carrying exposure.
    pub(super) fn is_building(&self) -> bool {
        let carries = self.view.exposure.is_some_and(|share| share >= SHOWN_EXPOSURE);
        !self.is_standing() && (carries || self.view.beyond_since.is_some())
    }

    pub(super) fn side(&self) -> Side {
        words::watched_side(&self.alarm.settings.kind)
    }

    /// What the deviation is counted from: the limit, or the recipe's setpoint.
    pub(super) fn reference(&self) -> Option<f64> {
        match self.alarm.settings.kind {
            Kind::Limit(settings) => Some(settings.limit),
            Kind::TimeWeighted(_) => self.on.asked.map(|asked| asked.target.setpoint),
        }
    }

    /// "limit" or "setpoint".
    pub(super) const fn reference_word(&self) -> &'static str {
        match self.alarm.settings.kind {
            Kind::Limit(_) => "limit",
            Kind::TimeWeighted(_) => "setpoint",
        }
    }

    /// Value minus reference.
    pub(super) fn deviation(&self) -> Option<f64> {
        Some(self.on.view.reading.value()? - self.reference()?)
    }

    /// Deviation with sign and unit, or a dash.
    pub(super) fn shown_deviation(&self) -> String {
        self.deviation().map_or_else(|| "\u{2013}".to_owned(), |off| self.on.show_deviation(off))
    }

    /// Whether the value is heading to the alarm's side.
    pub(super) fn direction(&self) -> Direction {
        let (Some(slope), Some(_)) = (self.on.view.slope_per_min, self.on.view.reading.value()) else {
            return Direction::Unknown;
        };
        let towards = self.side().beyond(slope, 0.0);
        let noise = STEADY_ERRORS * self.on.view.slope_error_per_min.unwrap_or(0.0);
        let steady = noise.max(STEADY_SHARE_PER_MIN * self.yardstick());
        if towards > steady {
            Direction::Worse
        } else if towards < -steady {
            Direction::Better
        } else {
            Direction::Steady
        }
    }

    /// Seconds until the value leaves tolerance, or passes the limit, at its present pace; `None` if it is not heading
    /// there, is there already, or would take longer than a guess is worth.
    pub(super) fn leaves_in_s(&self) -> Option<f64> {
        if self.direction() != Direction::Worse {
            return None;
        }
        let value = self.on.view.reading.value()?;
        let edge = match self.alarm.settings.kind {
            Kind::Limit(_) => 0.0,
            Kind::TimeWeighted(_) => self.on.asked?.target.tolerance(self.side()),
        };
        let left = edge - self.side().beyond(value, self.reference()?);
        let seconds = left / self.side().beyond(self.on.view.slope_per_min?, 0.0) * 60.0;
        (seconds > 0.0 && seconds < GUESS_WORTH_S).then_some(seconds)
    }

    /// What counts as a small amount of this signal: its tolerance, its deadband, or a hundredth of its range.
    fn yardstick(&self) -> f64 {
        let (low, high) = self.on.signal.range;
        let hundredth = (high - low).abs() / 100.0;
        match self.alarm.settings.kind {
            Kind::TimeWeighted(settings) => {
                self.on.asked.map_or(hundredth, |asked| asked.target.tolerance(settings.side))
            }
            Kind::Limit(settings) if settings.deadband > 0.0 => settings.deadband,
            Kind::Limit(_) => hundredth,
        }
    }

    /// Since when the trouble lasts, or lasted.
    pub(super) fn began(&self) -> Option<UtcMillis> {
        self.view.beyond_since.or(self.view.onset)
    }
}
