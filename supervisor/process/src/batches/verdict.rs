//! A recipe's limits on a kettle batch, one verdict each.
//!
//! What was not seen makes a verdict unknown as soon as it could tip it: each figure is a least and a most, and only a
//! figure that lies wholly on one side of a limit is judged. Of a batch that only its temperature told, the lengths of its
//! phases, its equivalent minutes and the end of its quench are not known: the record shows their hot part only. A batch whose
//! cook was under way when it was first seen was cooked for as long as that was seen, or for any time longer.

use super::{Batch, Phase, ToldBy};
use crate::series::{Span, Trace};
use crate::thermal::{Reference, come_up_s, dose, held_at_or_above};
use alloc::vec::Vec;

/// What a limit accepts; an end that is not set accepts everything on its side.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Accept {
    /// Not less than this.
    pub least: Option<f64>,
    /// Not more than this.
    pub most: Option<f64>,
}

impl Accept {
    /// From one value to another, both accepted.
    #[must_use]
    pub const fn between(least: f64, most: f64) -> Self {
        Self { least: Some(least), most: Some(most) }
    }

    /// At least this.
    #[must_use]
    pub const fn at_least(least: f64) -> Self {
        Self { least: Some(least), most: None }
    }

    /// At most this.
    #[must_use]
    pub const fn at_most(most: f64) -> Self {
        Self { least: None, most: Some(most) }
    }

    /// The verdict on a figure that is not less than `low` and not more than `high`. Not a number: unknown.
    #[must_use]
    pub fn verdict(self, low: f64, high: f64) -> Verdict {
        if self.least.is_some_and(|least| high < least) {
            Verdict::Below
        } else if self.most.is_some_and(|most| low > most) {
            Verdict::Above
        } else if self.least.is_none_or(|least| low >= least) && self.most.is_none_or(|most| high <= most) {
            Verdict::Kept
        } else {
            Verdict::Unknown
        }
    }
}

/// Whether a limit was kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It was kept.
    Kept,
    /// What happened lies below it.
    Below,
    /// What happened lies above it.
    Above,
    /// Too little was seen to say.
    Unknown,
}

/// Which limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// Water filled in, L.
    Water,
    /// Corn filled in, kg.
    Corn,
    /// Litres of water per kg of corn.
    WaterToCorn,
    /// Lime weighed in, kg.
    Lime,
    /// Mean heating rate between the recipe's two temperatures, K/min.
    HeatingRate,
    /// Length of the heating phase, s.
    HeatTime,
    /// Seconds at or above the hold limit during the cook: the primary judgement of the cook.
    HoldCounted,
    /// Length of the hold phase, s.
    HoldTime,
    /// Equivalent minutes of the cook alone, from heating to the end of the quench. Never with the soak.
    EquivalentMinutes,
    /// Temperature at the end of the quench, degC.
    QuenchEnd,
}

/// One limit, what it accepts, and what was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// Which limit.
    pub limit: Limit,
    /// What it accepts, in the limit's unit.
    pub accept: Accept,
    /// Least and most that it can have been; `None` if nothing is known.
    pub found: Option<(f64, f64)>,
    /// The verdict.
    pub verdict: Verdict,
}

/// What was put in, as metered, weighed or entered by a person.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Filled {
    /// Water, L.
    pub water_l: Option<f64>,
    /// Corn, kg.
    pub corn_kg: Option<f64>,
    /// How far the corn may be off, kg; 0 or more.
    pub corn_uncertainty_kg: f64,
    /// Lime, kg.
    pub lime_kg: Option<f64>,
}

/// A recipe's limits on a kettle batch. One with neither end set is not judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KettleLimits {
    /// Water, L.
    pub water_l: Accept,
    /// Corn, kg.
    pub corn_kg: Accept,
    /// Water to corn, L/kg.
    pub water_to_corn_l_per_kg: Accept,
    /// Lime, kg.
    pub lime_kg: Accept,
    /// Heating rate, K/min, between these two temperatures, degC.
    pub heating_k_per_min: (Accept, (f64, f64)),
    /// Heating phase, s.
    pub heat_s: Accept,
    /// Counted hold, s, at or above this temperature, degC.
    pub counted_s: (Accept, f64),
    /// Hold phase, s.
    pub hold_s: Accept,
    /// Equivalent minutes of the cook, by this reference.
    pub equivalent_min: (Accept, Reference),
    /// Temperature at the end of the quench, degC.
    pub quench_end_degc: Accept,
    /// The hottest that the kettle can be, degC: where water boils. It bounds what was not seen.
    pub hottest_degc: f64,
}

/// A verdict on each limit that is set, in the order of the process.
#[must_use]
pub fn judge(
    batch: &Batch,
    temperature: &Trace<'_>,
    filled: Filled,
    limits: &KettleLimits,
) -> Vec<Judgement> {
    let about = |value: Option<f64>, off: f64| value.map(|value| (value - off, value + off));
    let exact = |value: Option<f64>| about(value, 0.0);
    let is_whole = batch.told_by == ToldBy::Step;
    let length = |phase: Phase| batch.length_s(phase).filter(|_| is_whole);
    let cook = batch.seen_cook();
    let ratio =
        filled.water_l.zip(filled.corn_kg).filter(|(_, corn)| *corn > 0.0).map(|(water, corn)| water / corn);
    let (rate_accept, (from_degc, to_degc)) = limits.heating_k_per_min;
    let rate = batch.phase(Phase::Heat).and_then(|heat| {
        let climb_s = come_up_s(temperature, heat, from_degc, to_degc)?;
        (climb_s > 0.0).then(|| (to_degc - from_degc) / climb_s * 60.0)
    });
    let counted = cook.map(|cook| {
        let held = held_at_or_above(temperature, cook, limits.counted_s.1);
        // One that was seen to heat up had not been hot before.
        let was_cold = batch.phase(Phase::Heat).is_some_and(|heat| heat.from == cook.from)
            && temperature.value_at(cook.from).is_some_and(|degc| degc < limits.counted_s.1);
        let most = held.seconds + held.unknown_s + if was_cold { 0.0 } else { before_s(batch) };
        (held.seconds, most)
    });
    let equivalent = cook.filter(|_| is_whole).map(|cook| {
        let (least, most) = equivalent_minutes(temperature, cook, limits);
        (least, most + before_s(batch))
    });
    let quench = batch.phase(Phase::Quench).filter(|_| is_whole);
    // One that ended unseen ended earlier than it is told to, at another temperature.
    let quench = quench.filter(|quench| batch.ended_within(quench.to).seconds() == 0.0);
    let quench_end = quench.and_then(|quench| temperature.value_at(quench.to));
    [
        judgement(Limit::Water, limits.water_l, exact(filled.water_l)),
        judgement(Limit::Corn, limits.corn_kg, about(filled.corn_kg, filled.corn_uncertainty_kg)),
        judgement(Limit::WaterToCorn, limits.water_to_corn_l_per_kg, exact(ratio)),
        judgement(Limit::Lime, limits.lime_kg, exact(filled.lime_kg)),
        judgement(Limit::HeatingRate, rate_accept, exact(rate)),
        judgement(Limit::HeatTime, limits.heat_s, length(Phase::Heat)),
        judgement(Limit::HoldCounted, limits.counted_s.0, counted),
        judgement(Limit::HoldTime, limits.hold_s, length(Phase::Hold)),
        judgement(Limit::EquivalentMinutes, limits.equivalent_min.0, equivalent),
        judgement(Limit::QuenchEnd, limits.quench_end_degc, exact(quench_end)),
    ]
    .into_iter()
    .filter(|judged| judged.accept != Accept::default())
    .collect()
}

fn judgement(limit: Limit, accept: Accept, found: Option<(f64, f64)>) -> Judgement {
    let verdict = found.map_or(Verdict::Unknown, |(low, high)| accept.verdict(low, high));
    Judgement { limit, accept, found, verdict }
}

/// How long it may have cooked before it was first seen, s: no end, or nothing.
fn before_s(batch: &Batch) -> f64 {
    if batch.is_cook_begun_unseen() { f64::INFINITY } else { 0.0 }
}

fn equivalent_minutes(temperature: &Trace<'_>, cook: Span, limits: &KettleLimits) -> (f64, f64) {
    let reference = &limits.equivalent_min.1;
    let seen = dose(temperature, cook, reference);
    (seen.minutes, seen.minutes + seen.unknown_s / 60.0 * reference.rate(limits.hottest_degc))
}
