//! Two windows compared: do they differ, and by how much at least.

use super::{Effective, Refused, Samples, t_quantile};

/// A difference of two means with its 95 % interval, by Welch's test on the effective sizes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// The second mean less the first.
    pub value: f64,
    /// It is not less than this, with 95 %.
    pub least: f64,
    /// It is not more than this, with 95 %.
    pub most: f64,
    /// Degrees of freedom (Welch and Satterthwaite).
    pub freedom: f64,
    /// How much the first is worth.
    pub first: Effective,
    /// How much the second is worth.
    pub second: Effective,
}

/// What a difference says, against a size that matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finding {
    /// Higher, by at least the size that matters.
    Higher,
    /// Lower, by at least the size that matters.
    Lower,
    /// The whole interval is within the size that matters: the same, for this purpose.
    Same,
    /// It can't be told: a longer window may.
    NotShown,
}

impl Difference {
    /// What it says: higher or lower only if the whole interval reaches the size that matters, the same only if none of
    /// it does. A size of 0 asks whether there is any difference at all.
    #[must_use]
    pub fn finding(&self, matters: f64) -> Finding {
        if self.least > 0.0 && self.least >= matters {
            Finding::Higher
        } else if self.most < 0.0 && -self.most >= matters {
            Finding::Lower
        } else if self.most < matters && -self.least < matters {
            Finding::Same
        } else {
            Finding::NotShown
        }
    }
}

/// Compares the means of two windows.
///
/// # Errors
/// Either is worth too few independent values, or has no spread.
pub fn compare(first: &Samples, second: &Samples) -> Result<Difference, Refused> {
    let (one, two) = (first.enough()?, second.enough()?);
    let part = |samples: &Samples, worth: &Effective| {
        let sd = samples.standard_deviation()?;
        Ok(sd * sd / worth.size)
    };
    let (a, b) = (part(first, &one)?, part(second, &two)?);
    let freedom = (a + b) * (a + b) / (a * a / (one.size - 1.0) + b * b / (two.size - 1.0));
    let half = t_quantile(0.975, freedom).ok_or(Refused::NoSpread)? * libm::sqrt(a + b);
    let value = second.mean() - first.mean();
    Ok(Difference { value, least: value - half, most: value + half, freedom, first: one, second: two })
}
