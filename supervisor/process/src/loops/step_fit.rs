//! A first-order lag with dead time, fitted to the answer to one step.
//!
//! `y = y0 + K du (1 - exp(-(t - dead time) / lag))` after the dead time. For each dead time and lag the level and the
//! height follow by linear least squares, so only two numbers are searched: on a grid, then by ever smaller steps.

use core::fmt;

/// Fewest samples after the step that a fit is made from.
const LEAST_SAMPLES: usize = 12;
/// The answer must be so many times the scatter about the fit.
const LEAST_SIGNAL: f64 = 3.0;
/// The least share of the variance that the fit must explain. Engineering judgement.
const LEAST_EXPLAINED: f64 = 0.8;
/// Lags after the dead time that the record must last, else its end is not known.
const LEAST_LAGS: f64 = 1.5;
/// Points of the first grid in each direction.
const GRID: u32 = 24;

/// Why no fit is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoFit {
    /// The step is zero, or a sample is no number, or times do not increase.
    Input,
    /// Too few samples after the step.
    TooFew(usize),
    /// The answer does not stand out of the scatter.
    NoAnswer,
    /// The record ends before the answer does.
    TooShort,
    /// The answer has another shape: something else happened, or the loop swings.
    OtherShape {
        /// Share of the variance that the best fit explains.
        explained: f64,
    },
}

impl fmt::Display for NoFit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Input => {
                f.write_str("no step, or a sample that is not usable; choose a time with one step")
            }
            Self::TooFew(count) => {
                write!(
                    f,
                    "{count} samples after the step, {LEAST_SAMPLES} are needed; poll faster or look longer"
                )
            }
            Self::NoAnswer => f.write_str("the answer is lost in the noise; it takes a larger step"),
            Self::TooShort => f.write_str("the record ends before the answer does; look longer"),
            Self::OtherShape { explained } => {
                write!(
                    f,
                    "only {:.0} % of it looks like an answer to this step; choose a quieter time",
                    explained * 100.0
                )
            }
        }
    }
}

impl core::error::Error for NoFit {}

/// A process as a first-order lag with dead time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Process {
    /// How far the measurement goes per unit of the step.
    pub gain: f64,
    /// How long nothing happens, s.
    pub dead_time_s: f64,
    /// How long until 63 % of the rest is done, s.
    pub lag_s: f64,
}

/// A fit, and how well it follows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepFit {
    /// The process.
    pub process: Process,
    /// Level before the step, in the signal's unit.
    pub start: f64,
    /// Scatter about the fit, in the signal's unit.
    pub scatter: f64,
    /// Share of the variance that it explains.
    pub explained: f64,
}

/// Fits the answer to a step of `step` at time 0. `samples` are (s since the step, value); those before it, at negative
/// times, tell the level it starts from.
///
/// # Errors
/// See [`NoFit`].
pub fn fit(samples: &[(f64, f64)], step: f64) -> Result<StepFit, NoFit> {
    let is_finite = samples.iter().all(|(at, value)| at.is_finite() && value.is_finite());
    let rises = samples.windows(2).all(|pair| matches!(pair, [a, b] if a.0 < b.0));
    let is_step = step != 0.0 && step.is_finite();
    if !(is_finite && rises && is_step) {
        return Err(NoFit::Input);
    }
    let after = samples.iter().filter(|(at, _)| *at > 0.0).count();
    let Some((end_s, _)) = samples.last().filter(|_| after >= LEAST_SAMPLES) else {
        return Err(NoFit::TooFew(after));
    };
    let (dead_time_s, lag_s) = search(samples, *end_s);
    let line = Line::through(samples, dead_time_s, lag_s);
    let freedom = (samples.len() as f64 - 4.0).max(1.0);
    let scatter = libm::sqrt(line.left / freedom);
    let explained = if line.total > 0.0 { 1.0 - line.left / line.total } else { 0.0 };
    let answered = line.height * (1.0 - libm::exp(-(*end_s - dead_time_s) / lag_s));
    if answered.abs() <= LEAST_SIGNAL * scatter || line.total <= 0.0 {
        return Err(NoFit::NoAnswer);
    }
    if explained < LEAST_EXPLAINED {
        return Err(NoFit::OtherShape { explained });
    }
    if *end_s < dead_time_s + LEAST_LAGS * lag_s {
        return Err(NoFit::TooShort);
    }
    let process = Process { gain: line.height / step, dead_time_s, lag_s };
    Ok(StepFit { process, start: line.level, scatter, explained })
}

/// Dead time and lag with the least squares left.
fn search(samples: &[(f64, f64)], end_s: f64) -> (f64, f64) {
    let left = |dead_s: f64, log_lag: f64| Line::through(samples, dead_s, libm::exp(log_lag)).left;
    let (shortest, longest) = (libm::log(end_s / 1000.0), libm::log(end_s * 3.0));
    let (mut best, mut least) = ((0.0, longest), f64::INFINITY);
    for row in 0..GRID {
        for column in 0..GRID {
            let share = |n: u32| f64::from(n) / f64::from(GRID);
            let point = (end_s * 0.7 * share(row), shortest + (longest - shortest) * share(column));
            let found = left(point.0, point.1);
            if found < least {
                (best, least) = (point, found);
            }
        }
    }
    let (mut dead_step, mut lag_step) =
        (end_s * 0.7 / f64::from(GRID), (longest - shortest) / f64::from(GRID));
    for _ in 0..400 {
        let mut is_better = false;
        for (across, along) in [
            (1.0, 0.0),
            (-1.0, 0.0),
            (0.0, 1.0),
            (0.0, -1.0),
            (1.0, -1.0),
            (-1.0, 1.0),
            (1.0, 1.0),
            (-1.0, -1.0),
        ] {
            let point = (
                (best.0 + across * dead_step).max(0.0),
                (best.1 + along * lag_step).clamp(shortest, longest),
            );
            let found = left(point.0, point.1);
            if found < least {
                (best, least, is_better) = (point, found, true);
            }
        }
        if !is_better {
            (dead_step, lag_step) = (dead_step / 2.0, lag_step / 2.0);
        }
        if dead_step < end_s * 1e-9 {
            break;
        }
    }
    (best.0, libm::exp(best.1))
}

/// The best level and height for a given dead time and lag.
struct Line {
    level: f64,
    height: f64,
    /// Sum of squares left.
    left: f64,
    /// Sum of squares about the mean.
    total: f64,
}

impl Line {
    fn through(samples: &[(f64, f64)], dead_s: f64, lag_s: f64) -> Self {
        let shape = |at: f64| if at > dead_s { -libm::expm1(-(at - dead_s) / lag_s) } else { 0.0 };
        let count = samples.len() as f64;
        let (mut mean_shape, mut mean_value) = (0.0, 0.0);
        for &(at, value) in samples {
            mean_shape += shape(at) / count;
            mean_value += value / count;
        }
        let (mut spread, mut together, mut total) = (0.0, 0.0, 0.0);
        for &(at, value) in samples {
            let (x, y) = (shape(at) - mean_shape, value - mean_value);
            spread += x * x;
            together += x * y;
            total += y * y;
        }
        let height = if spread > 0.0 { together / spread } else { 0.0 };
        let left = (total - height * together).max(0.0);
        Self { level: mean_value - height * mean_shape, height, left, total }
    }
}
