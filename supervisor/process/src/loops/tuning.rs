//! What the SIMC rules suggest for a process: advice for the person at the controller, never more.
//!
//! Skogestad (2003), Journal of Process Control 13:291-309: rules and worked example from memory and public course files.
//! Only a process learned from a step of the *output* in manual may be used; one from a setpoint step is the closed loop.

use super::step_fit::Process;
use core::fmt;

/// Why nothing is suggested.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoAdvice {
    /// Gain or lag is none.
    Process,
    /// The closed loop would be faster than the dead time allows.
    TooFast,
}

impl fmt::Display for NoAdvice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Process => "the process has no usable gain and lag; learn it from a step of the output",
            Self::TooFast => {
                "the closed loop can't be faster than the dead time; give a longer time constant"
            }
        })
    }
}

impl core::error::Error for NoAdvice {}

/// Settings of a PI controller in its standard form, `Kc (1 + 1 / (Ti s))`, in the notations controllers use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Advice {
    /// Gain Kc, units of output per unit of measurement. Negative: direct acting (the output falls where the process gain
    /// is negative).
    pub gain: f64,
    /// Integral time Ti, s.
    pub integral_s: f64,
}

impl Advice {
    /// The same gain as a proportional band: units of measurement for an output from 0 to 100 %.
    #[must_use]
    pub fn proportional_band(&self) -> f64 {
        100.0 / self.gain.abs()
    }

    /// The same integral time as repeats per minute.
    #[must_use]
    pub fn repeats_per_min(&self) -> f64 {
        60.0 / self.integral_s
    }
}

/// PI settings for a closed loop with time constant `closed_loop_s`; the rules recommend the dead time itself, more is
/// gentler.
///
/// # Errors
/// A process without gain or lag, a closed loop that is faster than the dead time.
pub fn simc_pi(process: Process, closed_loop_s: f64) -> Result<Advice, NoAdvice> {
    let Process { gain, dead_time_s, lag_s } = process;
    let is_process =
        gain != 0.0 && gain.is_finite() && lag_s > 0.0 && lag_s.is_finite() && dead_time_s >= 0.0;
    if !is_process {
        return Err(NoAdvice::Process);
    }
    let is_slow_enough = closed_loop_s > 0.0 && closed_loop_s >= dead_time_s;
    if !is_slow_enough {
        return Err(NoAdvice::TooFast);
    }
    let sum_s = closed_loop_s + dead_time_s;
    Ok(Advice { gain: lag_s / (gain * sum_s), integral_s: lag_s.min(4.0 * sum_s) })
}

/// The half rule: several lags in series as one lag and a dead time, both s. Half of the second largest lag goes to the
/// largest, the other half and all smaller ones become dead time. `None` without a lag.
#[must_use]
pub fn half_rule(lags_s: &[f64], dead_time_s: f64) -> Option<(f64, f64)> {
    let largest = lags_s.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let others = || lags_s.iter().copied().enumerate().filter(|(at, _)| *at != largest.0).map(|(_, lag)| lag);
    let second = others().fold(0.0, f64::max);
    let rest: f64 = others().sum::<f64>() - second;
    Some((largest.1 + second / 2.0, dead_time_s + second / 2.0 + rest))
}
