//! An alarm at one moment: what it watches, how far and how long it is beyond, where it is heading.

use super::{ControllerFacts, SignalFacts, Silence, kind};
use crate::snapshot::AlarmView;
use setward_alarm::{AlarmId, Forecast, Kind, Side};
use setward_config::line::{LineAlarm, Server};
use setward_protocol::{NoData, StationId, UtcMillis};

/// Exposure below this share of the allowance is not worth a line on a page.
const SHOWN_EXPOSURE: f64 = 0.005;

/// A slope below this share of the tolerance per minute counts as steady.
const STEADY_SHARE_PER_MIN: f64 = 0.05;
/// So is a slope within this many of its standard errors: samples of a slow signal follow each other, so their scatter
/// understates the error.
const STEADY_ERRORS: f64 = 3.0;
/// Beyond this, when a value would leave tolerance is not worth guessing.
const GUESS_WORTH_S: f64 = 900.0;

/// What an alarm watches.
#[derive(Clone, Copy)]
pub(in crate::web) enum Subject<'a> {
    /// A signal's value.
    Signal(SignalFacts<'a>),
    /// Whether a controller answers.
    Controller(ControllerFacts<'a>),
    /// Whether a server has what is sent to it.
    Server(&'a Server),
}

/// Where the value has been heading, seen from an alarm's side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) enum Direction {
    Worse,
    Steady,
    Better,
    Unknown,
}

/// An alarm at the moment of the scene.
#[derive(Clone, Copy)]
pub(in crate::web) struct AlarmFacts<'a> {
    pub(in crate::web) id: AlarmId,
    pub(in crate::web) alarm: &'a LineAlarm,
    pub(in crate::web) view: &'a AlarmView,
    pub(in crate::web) on: Subject<'a>,
    /// The other signal that it is held against, if it is.
    pub(in crate::web) against: Option<SignalFacts<'a>>,
    /// The station it belongs to: its own, else its signal's. A controller may serve several and belongs to none.
    pub(in crate::web) station: Option<StationId>,
    /// What keeps it silent; the strongest reason.
    pub(in crate::web) silence: Option<Silence<'a>>,
}

impl<'a> AlarmFacts<'a> {
    /// The signal it watches, if it is one.
    pub(in crate::web) const fn signal(&self) -> Option<&SignalFacts<'a>> {
        match &self.on {
            Subject::Signal(facts) => Some(facts),
            Subject::Controller(_) | Subject::Server(_) => None,
        }
    }

    /// Active, or waiting for a person, whether or not something keeps it silent.
    pub(in crate::web) fn is_open(&self) -> bool {
        self.view.state.is_active() || self.view.state.awaits_acknowledgement()
    }

    /// Open and not kept silent: what a person must see first.
    pub(in crate::web) fn is_standing(&self) -> bool {
        self.is_open() && self.silence.is_none()
    }

    /// Not standing, but on its way or still carrying exposure.
    pub(in crate::web) fn is_building(&self) -> bool {
        !self.is_open() && self.silence.is_none() && (self.carries() || self.view.beyond_since.is_some())
    }

    /// Whether it has collected so much that it is worth a look. Every good batch collects most of its dose: that is, once less
    /// time is left than a person needs.
    fn carries(&self) -> bool {
        if !matches!(self.alarm.settings.kind, Kind::EquivalentTime(_)) {
            return self.view.exposure.is_some_and(|share| share >= SHOWN_EXPOSURE);
        }
        let needed_s = self.alarm.time_to_respond.as_secs_f64();
        matches!(self.view.forecast, Forecast::Raises { seconds } if seconds <= needed_s)
    }

    /// The standards' letter as shown: the flag's over the base state's.
    pub(in crate::web) fn letter(&self) -> char {
        self.silence.map_or(self.view.state.letter(), |silence| silence.letter())
    }

    /// Whether it holds a value against something, so that it is blind without one.
    pub(in crate::web) const fn judges_a_value(&self) -> bool {
        kind::judges_a_value(&self.alarm.settings.kind)
    }

    /// Why the watched value is not known. A controller's silence is known.
    pub(in crate::web) fn missing(&self) -> Option<NoData> {
        self.signal().and_then(SignalFacts::missing)
    }

    /// Whether it can't judge although it should: it needs a value that nobody knows. An alarm that watches for just
    /// that is not blind to it, and one that is silent on purpose misses nothing.
    pub(in crate::web) fn is_blind(&self) -> bool {
        let on_purpose = self.silence.is_some_and(|silence| silence.is_on_purpose());
        self.judges_a_value() && self.missing().is_some() && !on_purpose
    }

    /// Value minus reference.
    pub(in crate::web) fn deviation(&self) -> Option<f64> {
        Some(self.signal()?.view.reading.value()? - self.reference()?)
    }

    /// Deviation with sign and unit, or a dash.
    pub(in crate::web) fn shown_deviation(&self) -> String {
        let shown = self.signal().zip(self.deviation()).map(|(on, off)| on.show_deviation(off));
        shown.unwrap_or_else(|| "\u{2013}".to_owned())
    }

    /// Whether the value is heading to the alarm's side.
    pub(in crate::web) fn direction(&self) -> Direction {
        let Some(towards) = self.pace_per_min() else { return Direction::Unknown };
        let error = self.signal().and_then(|on| on.view.slope_error_per_min).unwrap_or(0.0);
        let steady = (STEADY_ERRORS * error).max(STEADY_SHARE_PER_MIN * self.yardstick());
        if towards > steady {
            Direction::Worse
        } else if towards < -steady {
            Direction::Better
        } else {
            Direction::Steady
        }
    }

    /// Slope counted positive towards the side on which trouble lies.
    fn pace_per_min(&self) -> Option<f64> {
        let on = self.signal()?;
        on.view.reading.value()?;
        Some(self.side_now()?.beyond(on.view.slope_per_min?, 0.0))
    }

    /// The watched side; of both, the one on which the value is.
    fn side_now(&self) -> Option<Side> {
        let nearer = || Some(if self.deviation()? < 0.0 { Side::Below } else { Side::Above });
        self.side().or_else(nearer)
    }

    /// Seconds until the value leaves tolerance, or passes the limit, at its present pace; `None` if it is not heading
    /// there, is there already, or would take longer than a guess is worth.
    pub(in crate::web) fn leaves_in_s(&self) -> Option<f64> {
        if self.direction() != Direction::Worse {
            return None;
        }
        let side = self.side_now()?;
        let left = self.edge(side)? - side.beyond(self.signal()?.view.reading.value()?, self.reference()?);
        let seconds = left / self.pace_per_min()? * 60.0;
        (seconds > 0.0 && seconds < GUESS_WORTH_S).then_some(seconds)
    }

    /// Whether the value is now where trouble lies.
    pub(in crate::web) const fn is_beyond(&self) -> bool {
        self.view.beyond_since.is_some()
    }

    /// When the last occurrence's trouble began; of one that has none yet, since when the value is out.
    pub(in crate::web) fn began(&self) -> Option<UtcMillis> {
        self.view.onset.or(self.view.beyond_since)
    }

    /// A hundredth of the signal's range.
    pub(super) fn hundredth(&self) -> f64 {
        let range = self.signal().map_or((0.0, 0.0), |on| on.signal.range);
        (range.1 - range.0).abs() / 100.0
    }
}
