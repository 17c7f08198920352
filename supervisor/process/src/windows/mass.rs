//! Kilograms of product in a window, by integrating a measured feed rate.

use super::is_positive;
use crate::series::{Span, Steps, merged};

/// A measured feed rate, kg/h, with what bounds it where it is not known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feed<'a> {
    /// The measured rate, kg/h.
    pub rate_kg_per_h: Steps<'a>,
    /// Relative uncertainty of the rate: 0.02 is 2 %.
    pub spread: f64,
    /// The most it can be, kg/h: bounds gaps and what lies outside the record. `None`: such mass is unknown.
    pub most_kg_per_h: Option<f64>,
}

/// Kilograms, as far as they are known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mass {
    /// Not less than this.
    pub least_kg: f64,
    /// Not more than this.
    pub most_kg: f64,
}

impl Mass {
    /// The middle of the two, kg.
    #[must_use]
    pub fn about_kg(self) -> f64 {
        f64::midpoint(self.least_kg, self.most_kg)
    }
}

impl Feed<'_> {
    /// Product that passed the feed's own place during `span`, less what was diverted there.
    ///
    /// `None` if part of it is not known and the feed has no most, or its figures are not usable (a spread that is
    /// negative or not a number, a most that is not above zero).
    #[must_use]
    pub fn kilograms(&self, span: Span, diverted: &[Span]) -> Option<Mass> {
        let usable =
            self.spread >= 0.0 && self.spread.is_finite() && self.most_kg_per_h.is_none_or(is_positive);
        if !usable {
            return None;
        }
        let diverted = merged(diverted);
        let (mut known_kg, mut known_s) = (0.0, 0.0);
        for (piece, rate) in self.rate_kg_per_h.pieces_within(span) {
            let Some(rate_kg_per_h) = rate else { continue };
            let kept_s = undiverted_s(piece, &diverted);
            known_kg += rate_kg_per_h * kept_s / 3600.0;
            known_s += kept_s;
        }
        // Less than a microsecond is what rounding to nanoseconds leaves, not a gap.
        let unknown_s = (undiverted_s(span, &diverted) - known_s).max(0.0);
        let unknown_kg = if unknown_s < 1e-6 { 0.0 } else { self.most_kg_per_h? * unknown_s / 3600.0 };
        let least_kg = (known_kg * (1.0 - self.spread)).max(0.0);
        Some(Mass { least_kg, most_kg: known_kg * (1.0 + self.spread) + unknown_kg })
    }
}

fn undiverted_s(span: Span, diverted: &[Span]) -> f64 {
    let diverted_s: f64 = diverted.iter().filter_map(|away| away.overlap(span)).map(Span::seconds).sum();
    (span.seconds() - diverted_s).max(0.0)
}
