//! Product windows: where the product that was at a station between two times was before, and where it is later.
//!
//! - Plug flow on a [`Belt`]: product leaves when the belt has moved the effective length since it entered. The speed is
//!   measured; the encoder, slip and the measured length are uncertain, and a ratio (5 % unless proven better) widens
//!   the answer on both sides.
//! - A [`Delay`] (trays, drums, hoppers, weighers) is not plug flow: it has a least and a most.
//! - A path is a list of both, in the order in which product passes. Each step takes the earliest time to the earliest
//!   and the latest to the latest, so that errors add up at their worst and the window holds all of the product.
//! - Missing speed widens: in a gap the belt may have stood, or run at its fastest. Without a fastest, or beyond the
//!   ends of the record, the window is unknown. It is never guessed.
//!
//! Check values: `reference` example of a slowing belt (12 m, 0.5 then 0.4 m/s: worked by hand), the demo recipe's
//! dwells, and an oracle in the tests that moves parcels step by step.

mod mass;
#[cfg(test)]
mod tests;

pub use mass::{Feed, Mass};

use crate::series::{Span, Steps};
use alloc::vec::Vec;
use core::fmt;
use core::time::Duration;
use setward_protocol::Uptime;

/// Relative uncertainty of length over measured speed, unless a test piece has proven better. Engineering judgement.
pub const USUAL_SPREAD: f64 = 0.05;

/// Rounding in the sums must not let a stop decide the wrong way: a length counts this much shorter or longer.
const ROUNDING: f64 = 1e-12;

/// Why no window can be told, or none yet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unknown {
    /// The record of this step, counted from 0, begins after the product was there.
    BeforeRecord {
        /// Which step of the path.
        step: usize,
    },
    /// The record of this step ends before all of the product has left it: it is still there, or nobody looked on.
    AfterRecord {
        /// Which step of the path.
        step: usize,
        /// When the first of it may have left, if any may have.
        earliest: Option<Uptime>,
    },
    /// Speed is missing within the record of this step, and no fastest speed is known.
    SpeedMissing {
        /// Which step of the path.
        step: usize,
    },
}

impl fmt::Display for Unknown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BeforeRecord { step } => {
                write!(
                    f,
                    "step {step} of the path has no speed that far back; look at the hold window between checks"
                )
            }
            Self::AfterRecord { step, earliest: None } => {
                write!(f, "not all of it has left step {step} of the path yet; ask again later")
            }
            Self::AfterRecord { step, earliest: Some(at) } => {
                write!(
                    f,
                    "some may have left step {step} of the path from {at} on, not all has; ask again later"
                )
            }
            Self::SpeedMissing { step } => {
                write!(
                    f,
                    "speed is missing at step {step} of the path; give the belt a fastest speed to bound it"
                )
            }
        }
    }
}

impl core::error::Error for Unknown {}

/// What is wrong with a belt's or a delay's figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GeometryError {
    /// The effective length is not above zero.
    Length,
    /// The speed ratio is not above zero.
    Ratio,
    /// The spread is not within 0 and 1, 1 excluded.
    Spread,
    /// The fastest speed is not above zero.
    Fastest,
    /// The least is above the most, or a hold-up or rate is not a positive number.
    Delay,
}

impl fmt::Display for GeometryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Length => "effective length is not above 0 m; measure it with a test piece",
            Self::Ratio => "speed ratio is not above 0; 1 where the speed is measured on this very belt",
            Self::Spread => "spread is not a share from 0 up to, not including, 1; 0.05 is 5 %",
            Self::Fastest => "fastest speed is not above 0 m/s; leave it out if it is not known",
            Self::Delay => {
                "least delay is above the most, or a quantity is not above 0; give the least first"
            }
        })
    }
}

impl core::error::Error for GeometryError {}

/// A belt, or one pass of an oven: plug flow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Belt<'a> {
    speed_m_per_s: Steps<'a>,
    effective_length_m: f64,
    speed_ratio: f64,
    spread: f64,
    fastest_m_per_s: Option<f64>,
}

impl<'a> Belt<'a> {
    /// A belt of an effective length, m, and its measured speed, m/s; the usual spread, its own speed, no fastest.
    ///
    /// # Errors
    /// A length that is not above zero.
    pub fn new(effective_length_m: f64, speed_m_per_s: Steps<'a>) -> Result<Self, GeometryError> {
        if !is_positive(effective_length_m) {
            return Err(GeometryError::Length);
        }
        let spread = USUAL_SPREAD;
        Ok(Self { speed_m_per_s, effective_length_m, speed_ratio: 1.0, spread, fastest_m_per_s: None })
    }

    /// The same, running at `ratio` times the measured speed: a pass that is driven from another.
    ///
    /// # Errors
    /// A ratio that is not above zero.
    pub fn with_ratio(self, ratio: f64) -> Result<Self, GeometryError> {
        if is_positive(ratio) { Ok(Self { speed_ratio: ratio, ..self }) } else { Err(GeometryError::Ratio) }
    }

    /// The same, with another relative uncertainty of length over speed.
    ///
    /// # Errors
    /// Not within 0 and 1, 1 excluded.
    pub fn with_spread(self, spread: f64) -> Result<Self, GeometryError> {
        if (0.0..1.0).contains(&spread) { Ok(Self { spread, ..self }) } else { Err(GeometryError::Spread) }
    }

    /// The same, with the fastest *measured* speed it can show, m/s: it bounds gaps in the record.
    ///
    /// # Errors
    /// A speed that is not above zero.
    pub fn with_fastest(self, fastest_m_per_s: f64) -> Result<Self, GeometryError> {
        if !is_positive(fastest_m_per_s) {
            return Err(GeometryError::Fastest);
        }
        Ok(Self { fastest_m_per_s: Some(fastest_m_per_s), ..self })
    }
}

/// Trays, drums, hoppers, weighers: product stays between a least and a most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Delay<'a> {
    least_s: f64,
    most_s: f64,
    running: Option<Steps<'a>>,
}

impl<'a> Delay<'a> {
    /// Between a least and a most.
    ///
    /// # Errors
    /// A least above the most.
    pub fn new(least: Duration, most: Duration) -> Result<Self, GeometryError> {
        if least > most {
            return Err(GeometryError::Delay);
        }
        Ok(Self { least_s: least.as_secs_f64(), most_s: most.as_secs_f64(), running: None })
    }

    /// A hopper or tank by what it holds, kg, and what runs through it, kg/h: least hold-up at the fastest rate to most
    /// hold-up at the slowest.
    ///
    /// # Errors
    /// A least above the most, a rate or a most hold-up that is not above zero.
    pub fn of_hold_up(holds_kg: (f64, f64), rate_kg_per_h: (f64, f64)) -> Result<Self, GeometryError> {
        let ((least_kg, most_kg), (slowest, fastest)) = (holds_kg, rate_kg_per_h);
        let usable = least_kg >= 0.0 && is_positive(most_kg) && is_positive(slowest) && is_positive(fastest);
        if !usable || least_kg > most_kg || slowest > fastest {
            return Err(GeometryError::Delay);
        }
        let (least_s, most_s) = (least_kg / fastest * 3600.0, most_kg / slowest * 3600.0);
        Ok(Self { least_s, most_s, running: None })
    }

    /// The same, counting only while it runs: 1 while it does, 0 while it stands.
    #[must_use]
    pub const fn while_running(self, running: Steps<'a>) -> Self {
        Self { running: Some(running), ..self }
    }
}

/// One step of a path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step<'a> {
    /// Plug flow.
    Belt(Belt<'a>),
    /// A least and a most.
    Delay(Delay<'a>),
}

/// Between these two times.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Not before this.
    pub earliest: Uptime,
    /// Not after this.
    pub latest: Uptime,
}

impl Window {
    /// A time that is known.
    #[must_use]
    pub const fn at(at: Uptime) -> Self {
        Self { earliest: at, latest: at }
    }

    /// How far apart the two are, s.
    #[must_use]
    pub fn spread_s(self) -> f64 {
        self.latest.seconds_since(self.earliest)
    }

    fn middle(self) -> Uptime {
        self.earliest.plus_seconds(self.spread_s() / 2.0)
    }
}

/// When a slice of product passed a point of the line: its first and its last, each as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Passage {
    /// When the first of it passed.
    pub first: Window,
    /// When the last of it passed.
    pub last: Window,
}

impl Passage {
    /// Holds all of it, whatever the uncertain figures are: what is to be held.
    #[must_use]
    pub fn whole(&self) -> Span {
        Span { from: self.first.earliest, to: self.last.latest.max(self.first.earliest) }
    }

    /// The likely window, from middle to middle: "packed about 14:07-14:20".
    #[must_use]
    pub fn about(&self) -> Span {
        let (from, to) = (self.first.middle(), self.last.middle());
        Span { from, to: to.max(from) }
    }

    /// How uncertain its ends are, s: the wider of the two.
    #[must_use]
    pub fn spread_s(&self) -> f64 {
        self.first.spread_s().max(self.last.spread_s())
    }
}

/// What is known of a slice along a path.
#[derive(Debug, Clone, PartialEq)]
pub struct Traced {
    /// When it passed the end of each step, in the order in which they were traced, as far as that is known.
    pub passages: Vec<Passage>,
    /// Why it is not known further; `None` if the path was traced to its end.
    pub stopped: Option<Unknown>,
}

impl Unknown {
    /// The same, of a slice whose first part has left already.
    fn after(self, first: Window) -> Self {
        match self {
            Self::AfterRecord { step, .. } => Self::AfterRecord { step, earliest: Some(first.earliest) },
            Self::BeforeRecord { .. } | Self::SpeedMissing { .. } => self,
        }
    }
}

/// Follows product that was at the path's beginning during `slice` down the path: passages *out of* each step.
#[must_use]
pub fn trace_forward(slice: Span, path: &[Step<'_>]) -> Traced {
    let start = Passage { first: Window::at(slice.from), last: Window::at(slice.to) };
    let steps = path.iter().enumerate();
    trace(start, steps, |step, at, window| step.leaves(at, window))
}

/// Follows product that passed the path's end during `slice` back up the path: passages *into* each step, last step
/// first.
#[must_use]
pub fn trace_back(slice: Span, path: &[Step<'_>]) -> Traced {
    let start = Passage { first: Window::at(slice.from), last: Window::at(slice.to) };
    let steps = path.iter().enumerate().rev();
    let traced = trace(start, steps, |step, at, window| step.entered(at, window));
    // A record that ends too early tells nothing of when product may have left: it is followed the other way.
    let stopped = traced.stopped.map(|why| match why {
        Unknown::AfterRecord { step, .. } => Unknown::AfterRecord { step, earliest: None },
        Unknown::BeforeRecord { .. } | Unknown::SpeedMissing { .. } => why,
    });
    Traced { stopped, ..traced }
}

fn trace<'a, 's: 'a>(
    start: Passage,
    steps: impl Iterator<Item = (usize, &'a Step<'s>)>,
    moved: impl Fn(&Step<'s>, usize, Window) -> Result<Window, Unknown>,
) -> Traced {
    let (mut passages, mut here) = (Vec::new(), start);
    for (at, step) in steps {
        let next = moved(step, at, here.first).and_then(|first| {
            let last = moved(step, at, here.last).map_err(|why| why.after(first))?;
            Ok(Passage { first, last })
        });
        match next {
            Ok(passage) => here = passage,
            Err(why) => return Traced { passages, stopped: Some(why) },
        }
        passages.push(here);
    }
    Traced { passages, stopped: None }
}

/// How far something must go, and by which record: metres of belt, or seconds of running.
struct Way<'a> {
    record: Steps<'a>,
    /// Per unit of the record: the speed ratio.
    factor: f64,
    least: f64,
    most: f64,
    /// Largest value of the record, to bound its gaps.
    fastest: Option<f64>,
}

impl<'a> Step<'a> {
    /// The way through this step; the plain delay, s, where no record says how fast it goes.
    fn way(&self) -> Result<Way<'a>, (f64, f64)> {
        match *self {
            Self::Belt(Belt { speed_m_per_s, effective_length_m, speed_ratio, spread, fastest_m_per_s }) => {
                Ok(Way {
                    record: speed_m_per_s,
                    factor: speed_ratio,
                    least: effective_length_m * (1.0 - spread),
                    most: effective_length_m * (1.0 + spread),
                    fastest: fastest_m_per_s,
                })
            }
            Self::Delay(Delay { least_s, most_s, running: Some(record) }) => {
                Ok(Way { record, factor: 1.0, least: least_s, most: most_s, fastest: Some(1.0) })
            }
            Self::Delay(Delay { least_s, most_s, running: None }) => Err((least_s, most_s)),
        }
    }

    fn leaves(&self, step: usize, entered: Window) -> Result<Window, Unknown> {
        let way = match self.way() {
            Ok(way) => way,
            Err((least_s, most_s)) => {
                let earliest = entered.earliest.plus_seconds(least_s);
                return Ok(Window { earliest, latest: entered.latest.plus_seconds(most_s) });
            }
        };
        if entered.earliest < way.record.from() {
            return Err(Unknown::BeforeRecord { step });
        }
        let earliest = way.onward(entered.earliest, way.least * (1.0 - ROUNDING), way.fastest);
        let earliest = earliest.map_err(|()| Unknown::SpeedMissing { step })?;
        let latest = way.onward(entered.latest, way.most * (1.0 + ROUNDING), Some(0.0));
        match (earliest, latest) {
            (Some(earliest), Ok(Some(latest))) => Ok(Window { earliest, latest }),
            (earliest, _) => Err(Unknown::AfterRecord { step, earliest }),
        }
    }

    fn entered(&self, step: usize, left: Window) -> Result<Window, Unknown> {
        let way = match self.way() {
            Ok(way) => way,
            Err((least_s, most_s)) => {
                let earliest = minus(left.earliest, most_s).ok_or(Unknown::BeforeRecord { step })?;
                let latest = minus(left.latest, least_s).ok_or(Unknown::BeforeRecord { step })?;
                return Ok(Window { earliest, latest });
            }
        };
        if left.latest > way.record.until() {
            return Err(Unknown::AfterRecord { step, earliest: None });
        }
        let latest = way.backward(left.latest, way.least * (1.0 - ROUNDING), way.fastest);
        let latest = latest.map_err(|()| Unknown::SpeedMissing { step })?;
        let earliest = way.backward(left.earliest, way.most * (1.0 + ROUNDING), Some(0.0));
        match (earliest, latest) {
            (Ok(Some(earliest)), Some(latest)) => Ok(Window { earliest, latest }),
            _ => Err(Unknown::BeforeRecord { step }),
        }
    }
}

impl Way<'_> {
    /// When `amount` is done if it begins at `start`; `Ok(None)` if the record ends before, `Err` if a gap has no bound.
    fn onward(&self, start: Uptime, amount: f64, in_gaps: Option<f64>) -> Result<Option<Uptime>, ()> {
        let mut left = amount;
        for (piece, value) in self.record.pieces_within(Span { from: start, to: self.record.until() }) {
            let rate = value.or(in_gaps).ok_or(())? * self.factor;
            let done = rate * piece.seconds();
            if done >= left {
                let after_s = if rate > 0.0 { left / rate } else { 0.0 };
                return Ok(Some(piece.from.plus_seconds(after_s)));
            }
            left -= done;
        }
        Ok(None)
    }

    /// When it must have begun for `amount` to be done at `end`; `Ok(None)` if that is before the record.
    fn backward(&self, end: Uptime, amount: f64, in_gaps: Option<f64>) -> Result<Option<Uptime>, ()> {
        let mut left = amount;
        for (piece, value) in self.record.pieces_within(Span { from: self.record.from(), to: end }).rev() {
            let rate = value.or(in_gaps).ok_or(())? * self.factor;
            let done = rate * piece.seconds();
            if done >= left {
                let before_s = if rate > 0.0 { left / rate } else { 0.0 };
                return Ok(Some(piece.from.plus_seconds(piece.seconds() - before_s)));
            }
            left -= done;
        }
        Ok(None)
    }
}

/// A time before another; `None` before the start of the run.
fn minus(at: Uptime, seconds: f64) -> Option<Uptime> {
    let earlier_s = at.as_secs_f64() - seconds;
    (earlier_s >= 0.0).then(|| Uptime::START.plus_seconds(earlier_s))
}

fn is_positive(value: f64) -> bool {
    value > 0.0 && value.is_finite()
}
