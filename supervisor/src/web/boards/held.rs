//! A signal against what a recipe asks of it, and how long it may take into tolerance at its present pace.

use crate::web::facts::{Scene, SignalFacts};
use crate::web::words;
use setward_config::line::{JudgeWhen, Origin, Recipe, RecipeSetpoint, Role};
use setward_protocol::{Mode, NoData, StationId};

/// A pace below this share of the tolerance a minute says nothing.
const WORTH_SHARE_PER_MIN: f64 = 0.05;
/// So does one within this many of its standard errors.
const WORTH_ERRORS: f64 = 3.0;
/// Beyond this nobody plans by the pace of one minute.
const FARTHEST_S: f64 = 6.0 * 3600.0;
/// Differences below this come from binary fractions.
const ROUNDING: f64 = 1e-9;

/// Where a value stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::web) enum Place {
    /// Within tolerance.
    Within,
    /// Below it; how far from the setpoint (negative), and when it may be in.
    Below(f64, Eta),
    /// Above it; how far from the setpoint, and when it may be in.
    Above(f64, Eta),
    /// Nobody knows.
    NoValue(NoData),
}

/// When a value may be within tolerance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::web) enum Eta {
    /// In about so long, s, at the pace of the last minute.
    About(f64),
    /// Not within hours at that pace.
    Long,
    /// It goes the other way.
    Away,
    /// It hardly moves, or its pace is not to be told from noise.
    NotKnown,
}

/// A signal that a recipe holds.
#[derive(Clone, Copy)]
pub(in crate::web) struct Held<'a> {
    pub(in crate::web) facts: SignalFacts<'a>,
    pub(in crate::web) asked: &'a RecipeSetpoint,
    pub(in crate::web) place: Place,
    /// Why it does not count now, in words; `None`: it does.
    pub(in crate::web) why_not: Option<&'static str>,
}

impl Eta {
    /// `left` to go in the signal's unit (positive), `pace_per_min` towards it, and what of a pace says nothing.
    fn of(left: f64, pace_per_min: Option<f64>, steady_per_min: f64) -> Self {
        match pace_per_min {
            Some(pace) if pace > steady_per_min => match left / pace * 60.0 {
                seconds if seconds <= FARTHEST_S => Self::About(seconds),
                _ => Self::Long,
            },
            Some(pace) if pace < -steady_per_min => Self::Away,
            Some(_) | None => Self::NotKnown,
        }
    }

    /// In words.
    pub(in crate::web) fn words(self) -> String {
        match self {
            Self::About(seconds) if seconds < 60.0 => "in band in under 1 min".to_owned(),
            Self::About(seconds) => format!("in band in about {}", minutes(seconds)),
            Self::Long => "in band in more than 6 h at this pace".to_owned(),
            Self::Away => "moving away".to_owned(),
            Self::NotKnown => "time to band not known: it hardly moves".to_owned(),
        }
    }

    /// The same within a sentence of several.
    pub(in crate::web) fn short(self) -> String {
        match self {
            Self::About(seconds) if seconds < 60.0 => "under 1 min".to_owned(),
            Self::About(seconds) => format!("about {}", minutes(seconds)),
            Self::Long => "more than 6 h".to_owned(),
            Self::Away => "moving away".to_owned(),
            Self::NotKnown => "time not known".to_owned(),
        }
    }
}

/// A time that is a guess: whole minutes.
pub(in crate::web) fn minutes(seconds: f64) -> String {
    words::span((seconds / 60.0).ceil() * 60.0)
}

impl<'a> Held<'a> {
    fn of(scene: &Scene<'a>, asked: &'a RecipeSetpoint) -> Self {
        let facts = scene.signal(asked.signal);
        let station = scene.station(facts.signal.station).view;
        let has_product = station.mode == Mode::Run && station.product_present == Some(true);
        let cooks = scene.line.kettles.iter().any(|kettle| kettle.station == facts.signal.station);
        let why_not = if cooks {
            Some("follows the kettle\u{2019}s program")
        } else if asked.judge_when == JudgeWhen::ProductPresent && !has_product {
            Some("counts once product is there")
        } else if facts.missing() == Some(NoData::TooLittleKnown) {
            Some("too little seen of it so far")
        } else if station.mode == Mode::Stopped && facts.missing().is_some() && is_derived(&facts) {
            Some("nothing moves here")
        } else {
            None
        };
        Self { facts, asked, place: place(&facts, asked), why_not }
    }

    /// Whether it keeps the line from being ready.
    pub(in crate::web) const fn is_in_the_way(&self) -> bool {
        self.why_not.is_none() && !matches!(self.place, Place::Within)
    }

    /// Lowest and highest value within tolerance.
    pub(in crate::web) fn band(&self) -> (f64, f64) {
        let target = self.asked.target;
        (target.setpoint - target.tolerance_below, target.setpoint + target.tolerance_above)
    }

    /// Deviation in widths of its own side, -3 to 3, for a bar.
    pub(in crate::web) fn widths_off(&self) -> Option<f64> {
        let target = self.asked.target;
        let off = self.facts.view.reading.value()? - target.setpoint;
        let width = if off < 0.0 { target.tolerance_below } else { target.tolerance_above };
        Some(if width > 0.0 { (off / width).clamp(-3.0, 3.0) } else { 3.0 * off.signum() })
    }

    /// "12.3 K below", with when it may be in band.
    pub(in crate::web) fn short(&self) -> String {
        let far = |off: f64, side: &str, eta: Eta| {
            let far = words::number(off.abs(), self.facts.signal.decimals);
            let far = words::with_difference_unit(&far, self.facts.signal.unit);
            format!("{far} {side}, {}", eta.short())
        };
        match self.place {
            Place::Within => "in band".to_owned(),
            Place::Below(off, eta) => far(off, "below", eta),
            Place::Above(off, eta) => far(off, "above", eta),
            Place::NoValue(why) => format!("no value: {why}"),
        }
    }
}

/// Whether it is worked out from others: a ratio of two belts that stand is no number.
const fn is_derived(facts: &SignalFacts<'_>) -> bool {
    matches!(facts.signal.origin, Origin::Derived(_))
}

fn place(facts: &SignalFacts<'_>, asked: &RecipeSetpoint) -> Place {
    let (value, target) = match (facts.view.reading.value(), facts.missing()) {
        (Some(value), _) => (value, asked.target),
        (None, why) => return Place::NoValue(why.unwrap_or(NoData::NotPolled)),
    };
    let off = value - target.setpoint;
    let error = facts.view.slope_error_per_min.unwrap_or(0.0);
    let eta = |left: f64, pace: Option<f64>, width: f64| {
        Eta::of(left, pace, (WORTH_ERRORS * error).max(WORTH_SHARE_PER_MIN * width))
    };
    let slope = facts.view.slope_per_min;
    if off < -target.tolerance_below - ROUNDING {
        Place::Below(off, eta(-off - target.tolerance_below, slope, target.tolerance_below))
    } else if off > target.tolerance_above + ROUNDING {
        Place::Above(
            off,
            eta(off - target.tolerance_above, slope.map(|slope| -slope), target.tolerance_above),
        )
    } else {
        Place::Within
    }
}

/// What the recipe holds at a station: measured and derived values, not the setpoints that people enter.
pub(in crate::web) fn held_at<'a>(
    scene: &Scene<'a>,
    recipe: &'a Recipe,
    station: StationId,
) -> Vec<Held<'a>> {
    let here = recipe.setpoints.iter().filter(|asked| {
        let signal = scene.line.signal(asked.signal);
        signal.station == station && !matches!(signal.role, Role::Setpoint | Role::Entered)
    });
    here.map(|asked| Held::of(scene, asked)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_time_to_band_is_told_only_where_the_pace_says_something() {
        assert_eq!(Eta::of(9.0, Some(1.0), 0.15), Eta::About(540.0));
        assert_eq!(Eta::of(9.0, Some(0.1), 0.15), Eta::NotKnown);
        assert_eq!(Eta::of(9.0, Some(-1.0), 0.15), Eta::Away);
        assert_eq!(Eta::of(9.0, None, 0.15), Eta::NotKnown);
        assert_eq!(Eta::of(500.0, Some(1.0), 0.15), Eta::Long);
        assert_eq!(Eta::About(61.0).words(), "in band in about 2 min");
        assert_eq!(Eta::About(20.0).short(), "under 1 min");
    }
}
