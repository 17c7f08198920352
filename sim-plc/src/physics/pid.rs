//! A proportional-integral loop as a controller runs it: standard form, output 0 to 100 %, no wind-up.

use super::StepTime;

/// Tuning in the standard form: output = gain * (error + integral of error / integral time).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PiTuning {
    /// Gain, % of output per K.
    pub gain_percent_per_k: f64,
    /// Integral time, s.
    pub integral_time_s: f64,
}

/// A running loop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PiLoop {
    tuning: PiTuning,
    integral_percent: f64,
    output_percent: f64,
}

impl PiLoop {
    /// A loop that has held its setpoint with `output_percent` for a long time.
    #[must_use]
    pub const fn settled(tuning: PiTuning, output_percent: f64) -> Self {
        Self { tuning, integral_percent: output_percent, output_percent }
    }

    /// The output now, 0 to 100 %.
    #[must_use]
    pub const fn output_percent(&self) -> f64 {
        self.output_percent
    }

    /// The output after `step` with the measured value `error_k` below the setpoint.
    pub fn step(&mut self, step: StepTime, error_k: f64) -> f64 {
        let PiTuning { gain_percent_per_k, integral_time_s } = self.tuning;
        let proportional = gain_percent_per_k * error_k;
        let grown = self.integral_percent + proportional * step.seconds() / integral_time_s;
        let wanted = proportional + grown;
        // At its end the output can't give more: integrating on would only delay the way back.
        let winds_up = (wanted > 100.0 && error_k > 0.0) || (wanted < 0.0 && error_k < 0.0);
        if !winds_up {
            self.integral_percent = grown.clamp(0.0, 100.0);
        }
        self.output_percent = (proportional + self.integral_percent).clamp(0.0, 100.0);
        self.output_percent
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TUNING: PiTuning = PiTuning { gain_percent_per_k: 10.0, integral_time_s: 100.0 };

    fn second() -> StepTime {
        StepTime::new(1.0).unwrap()
    }

    #[test]
    fn a_settled_loop_stays() {
        let mut pi = PiLoop::settled(TUNING, 59.0);
        assert_eq!(pi.step(second(), 0.0), 59.0);
    }

    #[test]
    fn one_kelvin_for_one_integral_time_repeats_the_proportional_part() {
        let mut pi = PiLoop::settled(TUNING, 20.0);
        for _ in 0..100 {
            pi.step(second(), 1.0);
        }
        assert!((pi.output_percent() - 40.0).abs() < 1e-9, "{}", pi.output_percent());
    }

    #[test]
    fn an_hour_at_the_end_leaves_nothing_to_unwind() {
        let mut pi = PiLoop::settled(TUNING, 59.0);
        for _ in 0..3600 {
            assert_eq!(pi.step(second(), 20.0), 100.0);
        }
        assert!((pi.step(second(), 0.0) - 59.0).abs() < 1e-9);
    }
}
