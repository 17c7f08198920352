//! Seeded noise: white for instruments, slowly wandering for the process.
//!
//! A permuted congruential generator: small, fast, the same on every machine. No randomness of the operating system.

use super::StepTime;
use rand_core::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// A source of normally distributed noise.
#[derive(Debug, Clone)]
pub struct Noise {
    generator: Pcg64Mcg,
    /// The normal transform makes two values at a time; the second waits here.
    spare: Option<f64>,
}

impl Noise {
    /// Noise that is the same for the same `seed`.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { generator: Pcg64Mcg::seed_from_u64(seed), spare: None }
    }

    /// A value of the standard normal distribution.
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        // Box and Muller 1958. The first share is never zero, so its logarithm is finite.
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.share()));
        let angle = core::f64::consts::TAU * self.share();
        self.spare = Some(radius * libm::sin(angle));
        radius * libm::cos(angle)
    }

    /// A value spread evenly over 0 (included) to 1 (excluded).
    pub fn share(&mut self) -> f64 {
        // The upper 53 bits fill a float's mantissa.
        (self.generator.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// A value that wanders about zero: first-order filtered noise whose spread does not depend on the step.
#[derive(Debug, Clone, Copy)]
pub struct Wander {
    value: f64,
    /// Standard deviation.
    spread: f64,
    tau_s: f64,
}

impl Wander {
    /// A value that starts at zero, with standard deviation `spread`, following with time constant `tau_s`.
    #[must_use]
    pub const fn new(spread: f64, tau_s: f64) -> Self {
        Self { value: 0.0, spread, tau_s }
    }

    /// The value now.
    #[must_use]
    pub const fn value(&self) -> f64 {
        self.value
    }

    /// The value after `step`.
    pub fn step(&mut self, step: StepTime, noise: &mut Noise) -> f64 {
        let share = step.share(self.tau_s);
        // The variance that a first-order approach loses in the step is put back.
        let kick = self.spread * libm::sqrt(share * (2.0 - share));
        self.value += -self.value * share + kick * noise.normal();
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spread_of(values: &[f64]) -> f64 {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
    }

    #[test]
    fn white_noise_has_its_mean_and_spread() {
        let mut noise = Noise::new(7);
        let values: Vec<_> = (0..50_000).map(|_| noise.normal()).collect();
        let mean = values.iter().sum::<f64>() / 50_000.0;
        assert!(mean.abs() < 0.02, "{mean}");
        assert!((spread_of(&values) - 1.0).abs() < 0.02);
    }

    #[test]
    fn a_wander_keeps_its_spread_whatever_the_step() {
        for seconds in [0.1, 1.0, 5.0] {
            let (mut noise, mut wander) = (Noise::new(3), Wander::new(2.0, 4.0));
            let step = StepTime::new(seconds).unwrap();
            let values: Vec<_> = (0..200_000).map(|_| wander.step(step, &mut noise)).collect();
            assert!((spread_of(&values) - 2.0).abs() < 0.1, "{seconds} s: {}", spread_of(&values));
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_noise() {
        let draw = |seed| {
            let mut noise = Noise::new(seed);
            (0..10).map(|_| noise.normal()).collect::<Vec<_>>()
        };
        assert_eq!(draw(1), draw(1));
        assert_ne!(draw(1), draw(2));
    }
}
