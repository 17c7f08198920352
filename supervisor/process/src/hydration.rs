//! Water taken up by grain in a soak, by the published hydration law, and only where its constants hold.
//!
//! - [`Peleg`]: `M(t) = M0 + t / (k1 + k2 t)`, in % dry basis. It fits maize from 30 to 90 degC (Kumar et al. 2022,
//!   R2 0.909 to 0.946, and Afolabi et al.); maize takes water the faster the warmer it is.
//! - [`SoakLaw`]: the same law while the temperature falls. `k1` follows Arrhenius, `k2` is held constant, which makes
//!   warmer time count as more time at the reference; that step is engineering judgement, not published.
//! - [`sphere_uptake`]: diffusion into a sphere, for plants that measured a diffusivity instead.
//!
//! No table of `k1` and `k2` for maize in lime water is published in full, as far as is known. Constants therefore come
//! from the plant's own samples ([`fit`]), carry the range they were measured in, and refuse to predict outside it.
//!
//! Units: moisture in % dry basis unless a name says wet, `k1` in h/%, `k2` in 1/%, times in h, temperatures in degC.

use crate::series::{Span, Trace};
use crate::thermal::{GAS_CONSTANT_J_PER_MOL_K, ZERO_DEGC_K};
use core::fmt;

/// Why no moisture can be told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HydrationError {
    /// A constant is not a positive number: `k1`, `k2`, an activation energy or a diffusivity.
    Constant(f64),
    /// A moisture is not within 0 % and, in wet basis, 100 %.
    Moisture(f64),
    /// The range of validity is empty or not a range.
    Range,
    /// The temperature, degC, is outside the range in which the constants were measured.
    Temperature {
        /// The temperature met, degC.
        found_degc: f64,
        /// The range of the constants, degC.
        valid_degc: (f64, f64),
    },
    /// The soak is longer than the longest one the constants were measured in, or negative.
    Time {
        /// The time asked for, h.
        found_h: f64,
        /// The longest valid time, h.
        valid_h: f64,
    },
    /// The temperature is not known for so long, s, within the soak.
    Unknown(f64),
    /// A fit needs three samples at different times above 0 h, each wetter than the start, that the law can follow.
    Fit,
}

impl fmt::Display for HydrationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Constant(found) => write!(f, "a hydration constant is {found}; it is a number above 0"),
            Self::Moisture(found) => {
                write!(f, "a moisture is {found} %; it is from 0 to below 100 % of the wet grain")
            }
            Self::Range => f.write_str(
                "the constants' range is empty; give the temperatures and hours they were measured in",
            ),
            Self::Temperature { found_degc, valid_degc: (low, high) } => {
                write!(
                    f,
                    "{found_degc} degC is outside the {low} to {high} degC of the constants; measure there first"
                )
            }
            Self::Time { found_h, valid_h } => {
                write!(
                    f,
                    "{found_h} h is outside the 0 to {valid_h} h of the constants; measure that long first"
                )
            }
            Self::Unknown(seconds) => {
                write!(f, "the soak temperature is unknown for {seconds} s; no moisture is told")
            }
            Self::Fit => f.write_str(
                "too few usable samples; take three or more at different times, each wetter than dry",
            ),
        }
    }
}

impl core::error::Error for HydrationError {}

/// From % of the wet grain to % of its dry matter.
///
/// # Errors
/// Below 0 or not below 100 %.
pub fn dry_basis_percent(wet_percent: f64) -> Result<f64, HydrationError> {
    if (0.0..100.0).contains(&wet_percent) {
        Ok(wet_percent / (100.0 - wet_percent) * 100.0)
    } else {
        Err(HydrationError::Moisture(wet_percent))
    }
}

/// From % of the dry matter to % of the wet grain.
///
/// # Errors
/// Below 0, or not a number.
pub fn wet_basis_percent(dry_percent: f64) -> Result<f64, HydrationError> {
    if dry_percent >= 0.0 && dry_percent.is_finite() {
        Ok(dry_percent / (100.0 + dry_percent) * 100.0)
    } else {
        Err(HydrationError::Moisture(dry_percent))
    }
}

/// Where constants were measured, and so where they hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Validity {
    /// Lowest and highest temperature, degC.
    pub temperature_degc: (f64, f64),
    /// Longest soak, h.
    pub longest_h: f64,
}

impl Validity {
    fn check(self) -> Result<Self, HydrationError> {
        let (low, high) = self.temperature_degc;
        let is_range = low <= high && low > -ZERO_DEGC_K && high.is_finite();
        if is_range && is_positive(self.longest_h) { Ok(self) } else { Err(HydrationError::Range) }
    }

    fn check_time(self, found_h: f64) -> Result<(), HydrationError> {
        let valid_h = self.longest_h;
        if (0.0..=valid_h).contains(&found_h) {
            Ok(())
        } else {
            Err(HydrationError::Time { found_h, valid_h })
        }
    }

    fn check_temperature(self, found_degc: f64) -> Result<(), HydrationError> {
        let (low, high) = self.temperature_degc;
        if (low..=high).contains(&found_degc) {
            return Ok(());
        }
        Err(HydrationError::Temperature { found_degc, valid_degc: self.temperature_degc })
    }
}

/// The hydration law at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peleg {
    k1_h_per_percent: f64,
    k2_per_percent: f64,
    validity: Validity,
}

impl Peleg {
    /// Constants and where they hold.
    ///
    /// # Errors
    /// Constants that are not above zero, an empty range.
    pub fn new(
        k1_h_per_percent: f64,
        k2_per_percent: f64,
        validity: Validity,
    ) -> Result<Self, HydrationError> {
        for constant in [k1_h_per_percent, k2_per_percent] {
            if !is_positive(constant) {
                return Err(HydrationError::Constant(constant));
            }
        }
        Ok(Self { k1_h_per_percent, k2_per_percent, validity: validity.check()? })
    }

    /// `k1`, h/%: its inverse is the first rate of uptake.
    #[must_use]
    pub const fn k1_h_per_percent(&self) -> f64 {
        self.k1_h_per_percent
    }

    /// `k2`, 1/%: its inverse is the most that is taken up.
    #[must_use]
    pub const fn k2_per_percent(&self) -> f64 {
        self.k2_per_percent
    }

    /// Moisture, % dry basis, after `soaked_h` from `start_percent`, at a temperature, degC.
    ///
    /// # Errors
    /// A time or a temperature outside the range of the constants, an impossible start.
    pub fn moisture_percent(
        &self,
        start_percent: f64,
        soaked_h: f64,
        at_degc: f64,
    ) -> Result<f64, HydrationError> {
        self.validity.check_temperature(at_degc)?;
        self.validity.check_time(soaked_h)?;
        wet_basis_percent(start_percent)?;
        Ok(start_percent + self.uptake_percent(soaked_h))
    }

    /// The most that it tends to, % dry basis.
    #[must_use]
    pub fn equilibrium_percent(&self, start_percent: f64) -> f64 {
        start_percent + 1.0 / self.k2_per_percent
    }

    fn uptake_percent(&self, hours: f64) -> f64 {
        hours / (self.k1_h_per_percent + self.k2_per_percent * hours)
    }
}

/// The hydration law while the temperature changes: constants at one temperature, and how much faster a warmer soak is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoakLaw {
    peleg: Peleg,
    reference_degc: f64,
    energy_j_per_mol: f64,
}

impl SoakLaw {
    /// Constants at a reference temperature, degC, and an activation energy, J/mol (published for maize: 31 to 96
    /// kJ/mol by variety, Bolaji et al.).
    ///
    /// # Errors
    /// A reference outside the constants' own range, an activation energy that is not above zero.
    pub fn new(peleg: Peleg, reference_degc: f64, energy_j_per_mol: f64) -> Result<Self, HydrationError> {
        peleg.validity.check_temperature(reference_degc)?;
        if !is_positive(energy_j_per_mol) {
            return Err(HydrationError::Constant(energy_j_per_mol));
        }
        Ok(Self { peleg, reference_degc, energy_j_per_mol })
    }

    /// Moisture, % dry basis, at the end of a soak whose temperature, degC, was recorded.
    ///
    /// # Errors
    /// A temperature or a time outside the constants' range, unknown time in the soak, an impossible start.
    pub fn moisture_percent(
        &self,
        start_percent: f64,
        temperature: &Trace<'_>,
        soak: Span,
    ) -> Result<f64, HydrationError> {
        let unknown_s = temperature.unknown_s(soak);
        if unknown_s > 1e-6 {
            return Err(HydrationError::Unknown(unknown_s));
        }
        self.peleg.validity.check_time(soak.seconds() / 3600.0)?;
        wet_basis_percent(start_percent)?;
        let mut reference_h = 0.0;
        for piece in temperature.segments_within(soak) {
            self.peleg.validity.check_temperature(piece.first)?;
            self.peleg.validity.check_temperature(piece.last)?;
            reference_h += piece.seconds() / 3600.0 * self.mean_factor(piece.first, piece.last);
        }
        Ok(start_percent + self.peleg.uptake_percent(reference_h))
    }

    /// How many times faster than at the reference uptake begins at a temperature, degC.
    #[must_use]
    pub fn factor(&self, degc: f64) -> f64 {
        arrhenius_factor(self.energy_j_per_mol, self.reference_degc, degc)
    }

    /// Mean factor along a straight line of temperature: Simpson's rule on four parts, within 1e-4 for 30 K at 100 kJ/mol in
    /// one piece; between two polls it is exact to the last digits.
    fn mean_factor(&self, first_degc: f64, last_degc: f64) -> f64 {
        let part = |share: f64| self.factor(first_degc + (last_degc - first_degc) * share);
        let ends = part(0.0) + part(1.0);
        let odd: f64 = [0.125, 0.375, 0.625, 0.875].map(part).iter().sum();
        let even: f64 = [0.25, 0.5, 0.75].map(part).iter().sum();
        (ends + 4.0 * odd + 2.0 * even) / 24.0
    }
}

/// `exp(-E/R (1/T - 1/T0))`: how many times faster a reaction of `energy_j_per_mol` runs at one temperature than at
/// another, both in degC.
#[must_use]
pub fn arrhenius_factor(energy_j_per_mol: f64, from_degc: f64, to_degc: f64) -> f64 {
    let inverse = |degc: f64| 1.0 / (degc + ZERO_DEGC_K);
    libm::exp(-energy_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * (inverse(to_degc) - inverse(from_degc)))
}

/// Activation energy, J/mol, from a rate at each of two temperatures, degC; `None` for equal temperatures or rates
/// that are not above zero.
#[must_use]
pub fn activation_energy_j_per_mol(first: (f64, f64), second: (f64, f64)) -> Option<f64> {
    let ((first_degc, first_rate), (second_degc, second_rate)) = (first, second);
    let inverse = |degc: f64| 1.0 / (degc + ZERO_DEGC_K);
    let apart = inverse(first_degc) - inverse(second_degc);
    let usable = is_positive(first_rate) && is_positive(second_rate) && apart != 0.0 && apart.is_finite();
    usable.then(|| GAS_CONSTANT_J_PER_MOL_K * libm::log(second_rate / first_rate) / apart)
}

/// A fitted law and how well it follows its samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitted {
    /// The law, valid where the samples were taken.
    pub law: Peleg,
    /// Share of the moisture's variance that it explains (1: all).
    pub r_squared: f64,
    /// Standard deviation of the samples about it, % dry basis, with two constants fitted.
    pub residual_percent: f64,
}

/// Constants from the plant's own samples (time h, moisture % dry basis) of soaks that began at `start_percent`, by
/// least squares on the linear form `t / (M - M0) = k1 + k2 t`, valid at `temperature_degc`.
///
/// # Errors
/// Fewer than three usable samples, one that is not wetter than the start, times all alike, constants not above zero.
pub fn fit(
    start_percent: f64,
    samples: &[(f64, f64)],
    temperature_degc: (f64, f64),
) -> Result<Fitted, HydrationError> {
    let is_usable =
        |&(hours, moisture): &(f64, f64)| is_positive(hours) && is_positive(moisture - start_percent);
    if samples.len() < 3 || !samples.iter().all(is_usable) {
        return Err(HydrationError::Fit);
    }
    let count = samples.len() as f64;
    let mean = |of: &dyn Fn(f64, f64) -> f64| samples.iter().map(|&(t, m)| of(t, m)).sum::<f64>() / count;
    let linear = |t: f64, m: f64| t / (m - start_percent);
    let (mean_t, mean_y) = (mean(&|t, _| t), mean(&linear));
    let spread = mean(&|t, _| (t - mean_t) * (t - mean_t));
    if !is_positive(spread) {
        return Err(HydrationError::Fit);
    }
    let k2 = mean(&|t, m| (t - mean_t) * (linear(t, m) - mean_y)) / spread;
    let longest_h = samples.iter().fold(0.0, |longest: f64, (hours, _)| longest.max(*hours));
    let law = Peleg::new(mean_y - k2 * mean_t, k2, Validity { temperature_degc, longest_h });
    let law = law
        .map_err(|why| if matches!(why, HydrationError::Constant(_)) { HydrationError::Fit } else { why })?;
    let mean_m = mean(&|_, m| m);
    let total = mean(&|_, m| (m - mean_m) * (m - mean_m));
    let left = mean(&|t, m| {
        let off = m - start_percent - law.uptake_percent(t);
        off * off
    });
    let r_squared = if total > 0.0 { 1.0 - left / total } else { 0.0 };
    Ok(Fitted { law, r_squared, residual_percent: libm::sqrt(left * count / (count - 2.0)) })
}

/// Terms of the sphere's series: at Fo 0.01 the last is below 1e-150. Below that the short-time form is used.
const SPHERE_TERMS: u32 = 60;

/// Share of the final uptake of a sphere whose surface is at once at its final moisture, at Fourier number
/// `Fo = D t / r^2` (no unit); `None` for a negative one or none.
///
/// `1 - 6/pi^2 sum exp(-n^2 pi^2 Fo) / n^2`; short times by `6 sqrt(Fo/pi) - 3 Fo` (Crank, The Mathematics of
/// Diffusion: from memory).
#[must_use]
pub fn sphere_uptake(fourier: f64) -> Option<f64> {
    if !(fourier >= 0.0 && fourier.is_finite()) {
        return None;
    }
    let pi = core::f64::consts::PI;
    if fourier < 0.01 {
        return Some(6.0 * libm::sqrt(fourier / pi) - 3.0 * fourier);
    }
    let term = |n: u32| {
        let squared = f64::from(n) * f64::from(n);
        libm::exp(-squared * pi * pi * fourier) / squared
    };
    let sum: f64 = (1..=SPHERE_TERMS).map(term).sum();
    Some(1.0 - 6.0 / (pi * pi) * sum)
}

fn is_positive(value: f64) -> bool {
    value > 0.0 && value.is_finite()
}

#[cfg(test)]
mod tests;
