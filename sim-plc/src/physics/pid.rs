//! A proportional-integral loop as a controller runs it: standard form, output between two ends, no wind-up.

use super::StepTime;

/// Tuning in the standard form: output = gain * (error + integral of error / integral time).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PiTuning {
    /// Gain, units of output (% of a valve, K of another loop's setpoint) per K.
    pub gain_per_k: f64,
    /// Integral time, s.
    pub integral_time_s: f64,
}

/// A running loop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PiLoop {
    tuning: PiTuning,
    integral: f64,
    output: f64,
    low: f64,
    high: f64,
}

impl PiLoop {
    /// A loop with an output of 0 to 100 % that has held its setpoint with `output_percent` for a long time.
    #[must_use]
    pub const fn settled(tuning: PiTuning, output_percent: f64) -> Self {
        Self { tuning, integral: output_percent, output: output_percent, low: 0.0, high: 100.0 }
    }

    /// The same with an output between `low` and `high`.
    #[must_use]
    pub const fn between(self, low: f64, high: f64) -> Self {
        Self { low, high, ..self }
    }

    /// The output now: percent, or what [`Self::between`] says.
    #[must_use]
    pub const fn output(&self) -> f64 {
        self.output
    }

    /// The output after `step` with the measured value `error_k` below the setpoint.
    pub fn step(&mut self, step: StepTime, error_k: f64) -> f64 {
        self.step_unless(step, error_k, false, false)
    }

    /// The same above another loop: while that one is at its upper or lower end, the integral doesn't grow that way.
    pub fn step_unless(&mut self, step: StepTime, error_k: f64, at_high: bool, at_low: bool) -> f64 {
        let PiTuning { gain_per_k, integral_time_s } = self.tuning;
        let proportional = gain_per_k * error_k;
        let grown = self.integral + proportional * step.seconds() / integral_time_s;
        let wanted = proportional + grown;
        // At its end the output can't give more: integrating on would only delay the way back.
        let winds_up = ((at_high || wanted > self.high) && error_k > 0.0)
            || ((at_low || wanted < self.low) && error_k < 0.0);
        if !winds_up {
            self.integral = self.within(grown);
        }
        self.output = self.within(proportional + self.integral);
        self.output
    }

    /// Takes over `output` from a person, so that the way back to automatic has no bump.
    pub fn follow(&mut self, output: f64) {
        self.integral = self.within(output);
        self.output = self.integral;
    }

    fn within(&self, output: f64) -> f64 {
        output.max(self.low).min(self.high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TUNING: PiTuning = PiTuning { gain_per_k: 10.0, integral_time_s: 100.0 };

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
        assert!((pi.output() - 40.0).abs() < 1e-9, "{}", pi.output());
    }

    #[test]
    fn an_hour_at_the_end_leaves_nothing_to_unwind() {
        let mut pi = PiLoop::settled(TUNING, 59.0);
        for _ in 0..3600 {
            assert_eq!(pi.step(second(), 20.0), 100.0);
        }
        assert!((pi.step(second(), 0.0) - 59.0).abs() < 1e-9);
    }

    #[test]
    fn a_loop_above_one_that_is_at_its_end_does_not_wind_up() {
        let mut pi = PiLoop::settled(TUNING, 150.0).between(100.0, 230.0);
        for _ in 0..3600 {
            assert_eq!(pi.step_unless(second(), 1.0, true, false), 160.0);
        }
        assert_eq!(pi.step_unless(second(), 0.0, true, false), 150.0);
    }

    #[test]
    fn automatic_goes_on_where_a_person_left_off() {
        let mut pi = PiLoop::settled(TUNING, 20.0);
        pi.follow(45.0);
        assert_eq!(pi.step(second(), 0.0), 45.0);
    }
}
