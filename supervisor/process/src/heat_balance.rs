//! Heat balance of a fryer pan: what the oil gives up between inlet and outlet, and what that says.
//!
//! - [`evaporation_kg_per_h`]: water boiled off, with its uncertainty.
//! - [`moisture_step_points`]: how much wetter or drier the feed became between two times. What is wrong in the same way
//!   at both times (oil data, probe offsets) almost cancels, so 1 to 2 points show although the absolute does not.
//! - [`implied_flow_m3_per_h`]: the oil flow that a known load needs at the measured drop.
//! - [`which_probe_lies`]: which of two probes in one oil stream fits the drop that was learned when both were right.
//! - [`finished_moisture_percent`]: refused unless its uncertainty is inside the specification. It rarely is.
//! - [`oil`](mod@oil): turnover, make-up against pick-up, heat exchanger.
//! - [`live`](mod@live): all of this while the line runs, from samples.
//!
//! Uncertainty is first order (the GUM's law of propagation, JCGM 100), each input moved by its own standard uncertainty
//! both ways, so that no derivative is written by hand; the tests compare with a Monte Carlo run. Each input has two
//! parts: `noise`, independent from one time to another, and `bias`, the same at all times.
//!
//! Not modelled: heat stored while the pan warms or cools (steady state only: judge after three times the pan's time
//! constant), oil that drips back, steam that condenses in the hood.

pub mod live;
#[cfg(test)]
mod live_tests;
pub mod measured;
pub mod oil;
mod outputs;
#[cfg(test)]
mod tests;

pub use measured::Measured;

use crate::water::saturation;
use core::fmt;
use measured::{all_good, spread_of};

/// Mean heat capacity of water from 20 to 100 degC, kJ/(kg K): from IAPWS-IF97's enthalpies, 293.4 kJ/kg over 70 K.
pub const WATER_KJ_PER_KG_K: f64 = 4.19;
/// Heat capacity of steam at one atmosphere from 100 to 180 degC, kJ/(kg K): mean of IAPWS-IF97, rounded.
pub const STEAM_KJ_PER_KG_K: f64 = 2.0;
/// How many standard uncertainties decide: about 95 % (common practice, JCGM 100 annex G).
pub const COVERAGE: f64 = 2.0;

/// Why the balance says nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BalanceError {
    /// An input is not a number, or has a negative uncertainty, or is not above zero where it must be.
    Input,
    /// The boiling point given is none.
    BoilingPoint(f64),
    /// There is no feed, or no oil flow, or no drop: nothing to divide by.
    Nothing,
    /// The result is too uncertain for what it would be used for.
    TooUncertain {
        /// Twice its standard uncertainty, in its unit.
        expanded: f64,
        /// What it must not exceed.
        allowed: f64,
    },
}

impl fmt::Display for BalanceError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Input => {
                f.write_str("an input of the heat balance is not a usable number; leave bad readings out")
            }
            Self::BoilingPoint(found) => {
                write!(f, "{found} degC is no boiling point of water; about 100 at sea level")
            }
            Self::Nothing => {
                f.write_str("no feed, no oil flow or no drop; the balance needs the line running")
            }
            Self::TooUncertain { expanded, allowed } => {
                write!(
                    f,
                    "known only within {expanded:.2}, needed within {allowed:.2}; use the laboratory's value"
                )
            }
        }
    }
}

impl core::error::Error for BalanceError {}

/// What is measured at the pan, as means over a time in which nothing was changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pan {
    /// Oil that runs through, `m3/h`.
    pub oil_flow_m3_per_h: Measured,
    /// Oil entering, degC.
    pub inlet_degc: Measured,
    /// Oil leaving, degC.
    pub outlet_degc: Measured,
    /// Product fed, kg/h, wet.
    pub feed_kg_per_h: Measured,
    /// Its temperature, degC.
    pub feed_degc: Measured,
}

/// What is taken as known about the pan, its oil and its product.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Constants {
    /// Density of the oil where its flow is measured, `kg/m3`.
    pub oil_kg_per_m3: Measured,
    /// Heat capacity of the oil, kJ/(kg K). Published values differ by 20 %: measure, or say 10 % of bias.
    pub oil_kj_per_kg_k: Measured,
    /// Heat that leaves the pan and its pipes, and warms make-up oil where it enters between the probes, kW.
    pub loss_kw: Measured,
    /// Dry matter of the feed, as a share of its mass: 0.65 for 35 % moisture.
    pub solids_share: Measured,
    /// Heat capacity of the dry matter, kJ/(kg K).
    pub solids_kj_per_kg_k: Measured,
    /// Where water boils at this plant, degC.
    pub boiling_degc: f64,
}

/// Flow, inlet, outlet, feed, feed temperature, density, heat capacity, loss, solids, solids' heat capacity.
type Inputs = [f64; 10];

fn inputs(pan: &Pan, known: &Constants) -> [Measured; 10] {
    [
        pan.oil_flow_m3_per_h,
        pan.inlet_degc,
        pan.outlet_degc,
        pan.feed_kg_per_h,
        pan.feed_degc,
        known.oil_kg_per_m3,
        known.oil_kj_per_kg_k,
        known.loss_kw,
        known.solids_share,
        known.solids_kj_per_kg_k,
    ]
}

/// Heat that the oil gives up in the pan, kW.
fn oil_heat_kw([flow, inlet, outlet, _, _, density, capacity, ..]: Inputs) -> f64 {
    flow * density * capacity * (inlet - outlet) / 3600.0
}

/// Water boiled off, kg/h, from single values.
fn evaporation(values: Inputs, latent_kj_per_kg: f64, boiling_degc: f64) -> f64 {
    let [_, inlet, outlet, feed, feed_degc, _, _, loss, solids, solids_capacity] = values;
    let oil_degc = f64::midpoint(inlet, outlet);
    let solids_kw = feed * solids / 3600.0 * solids_capacity * (oil_degc - feed_degc);
    let left_kw = oil_heat_kw(values) - loss - solids_kw;
    left_kw * 3600.0 / water_kj_per_kg(feed_degc, oil_degc, latent_kj_per_kg, boiling_degc)
}

/// Heat that a kilogram of water takes from the feed's temperature to steam as hot as the oil, kJ.
fn water_kj_per_kg(feed_degc: f64, oil_degc: f64, latent_kj_per_kg: f64, boiling_degc: f64) -> f64 {
    WATER_KJ_PER_KG_K * (boiling_degc - feed_degc)
        + latent_kj_per_kg
        + STEAM_KJ_PER_KG_K * (oil_degc - boiling_degc)
}

fn latent_kj_per_kg(known: &Constants) -> Result<f64, BalanceError> {
    let at_boiling = saturation(known.boiling_degc);
    at_boiling
        .map(|line| line.latent_heat_kj_per_kg)
        .map_err(|_| BalanceError::BoilingPoint(known.boiling_degc))
}

/// Water boiled off, kg/h.
///
/// # Errors
/// Inputs that are no numbers, a boiling point that is none.
pub fn evaporation_kg_per_h(pan: &Pan, known: &Constants) -> Result<Measured, BalanceError> {
    let (inputs, latent) = (inputs(pan, known), latent_kj_per_kg(known)?);
    all_good(&inputs).ok_or(BalanceError::Input)?;
    Ok(Measured::propagated(|values| evaporation(values, latent, known.boiling_degc), &inputs))
}

/// How many points (kg of water per 100 kg of feed) wetter the feed became from `before` to `after`; negative is drier.
///
/// Takes the finished moisture as unchanged: a step in it would show the same way. Takes the share of solids as
/// unchanged too, which makes a step up to a tenth too small. What is biased is biased alike in
/// both, so only the difference that it makes counts.
///
/// # Errors
/// Inputs that are no numbers, a boiling point that is none, no feed in one of the two.
pub fn moisture_step_points(before: &Pan, after: &Pan, known: &Constants) -> Result<Measured, BalanceError> {
    let (first, second, latent) = (inputs(before, known), inputs(after, known), latent_kj_per_kg(known)?);
    all_good(&first).and(all_good(&second)).ok_or(BalanceError::Input)?;
    let has_feed = |pan: &Pan| pan.feed_kg_per_h.value > 0.0;
    if !has_feed(before) || !has_feed(after) {
        return Err(BalanceError::Nothing);
    }
    let points = |values: Inputs| 100.0 * evaporation(values, latent, known.boiling_degc) / values[3];
    let alone = (Measured::propagated(points, &first), Measured::propagated(points, &second));
    let noise = libm::hypot(alone.0.noise, alone.1.noise);
    let start = second.map(|input| input.value);
    let shift = first.map(|input| input.value);
    let together = |values: Inputs| {
        let earlier = core::array::from_fn(|at| {
            at_or_zero(&values, at) - at_or_zero(&start, at) + at_or_zero(&shift, at)
        });
        points(values) - points(earlier)
    };
    let bias = spread_of(together, &second.map(|input| (input.value, input.bias)));
    Ok(Measured { value: alone.1.value - alone.0.value, noise, bias })
}

fn at_or_zero(values: &Inputs, at: usize) -> f64 {
    values.get(at).copied().unwrap_or_default()
}

/// What a step or a difference says, at twice its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// It is above what would matter.
    Up,
    /// It is below what would matter.
    Down,
    /// It is too small to matter.
    None,
    /// It is too uncertain to say.
    Undecided,
}

/// Judges a change against the size that matters (1 point of moisture, say): up or down only if the whole uncertainty
/// lies beyond zero and the value reaches the size, none only if the whole uncertainty lies within the size.
#[must_use]
pub fn judge(change: Measured, matters: f64) -> Change {
    let expanded = COVERAGE * change.uncertainty();
    if change.value.abs() + expanded < matters {
        Change::None
    } else if change.value.abs() >= matters && change.value.abs() > expanded {
        if change.value > 0.0 { Change::Up } else { Change::Down }
    } else {
        Change::Undecided
    }
}

/// The oil flow, `m3/h`, that must run for the oil to give up `load_kw` at the measured drop. Below the measured flow by
/// more than both uncertainties: the flow meter reads high, or the load is not what is believed.
///
/// # Errors
/// Inputs that are no numbers, no drop.
pub fn implied_flow_m3_per_h(
    pan: &Pan,
    known: &Constants,
    load_kw: Measured,
) -> Result<Measured, BalanceError> {
    let inputs = [pan.inlet_degc, pan.outlet_degc, known.oil_kg_per_m3, known.oil_kj_per_kg_k, load_kw];
    all_good(&inputs).ok_or(BalanceError::Input)?;
    let is_positive = known.oil_kg_per_m3.value > 0.0 && known.oil_kj_per_kg_k.value > 0.0;
    if pan.inlet_degc.value <= pan.outlet_degc.value || !is_positive {
        return Err(BalanceError::Nothing);
    }
    let flow = |[inlet, outlet, density, capacity, load]: [f64; 5]| {
        load * 3600.0 / (density * capacity * (inlet - outlet))
    };
    Ok(Measured::propagated(flow, &inputs))
}

/// The drop through the pan at a time when the probes were known to be right: after a calibration, at full feed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LearnedDrop {
    /// Drop with product, K.
    pub drop_k: Measured,
    /// Drop without product, K: the pan's own loss.
    pub idle_drop_k: Measured,
    /// Feed at that time, kg/h.
    pub feed_kg_per_h: Measured,
    /// Oil flow at that time, `m3/h`.
    pub oil_flow_m3_per_h: Measured,
    /// How far the heat per kilogram of feed may differ now, as a share: 0.03 for a point of moisture either way.
    pub load_share: f64,
}

/// The inlet temperature, degC, that the outlet, feed and flow of now need, by the drop that was learned.
///
/// # Errors
/// Inputs that are no numbers, no feed or no flow at either time.
pub fn expected_inlet_degc(pan: &Pan, learned: &LearnedDrop) -> Result<Measured, BalanceError> {
    let inputs = [
        pan.outlet_degc,
        pan.feed_kg_per_h,
        pan.oil_flow_m3_per_h,
        learned.drop_k,
        learned.idle_drop_k,
        learned.feed_kg_per_h,
        learned.oil_flow_m3_per_h,
        Measured { value: 1.0, noise: learned.load_share, bias: 0.0 },
    ];
    all_good(&inputs).ok_or(BalanceError::Input)?;
    let [_, feed, flow, _, _, feed_then, flow_then, _] = inputs.map(|input| input.value);
    if [feed, flow, feed_then, flow_then].iter().any(|value| *value <= 0.0) {
        return Err(BalanceError::Nothing);
    }
    let inlet = |[outlet, feed, flow, drop, idle, feed_then, flow_then, load]: [f64; 8]| {
        outlet + flow_then / flow * (idle + (drop - idle) * load * feed / feed_then)
    };
    Ok(Measured::propagated(inlet, &inputs))
}

/// Which of two probes in one stream is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Liar {
    /// They agree within their uncertainty.
    Neither,
    /// The first does not fit the balance, the second does.
    First,
    /// The second does not fit the balance, the first does.
    Second,
    /// They disagree, and both fit: the balance is not sharp enough.
    BothFit,
    /// They disagree, and neither fits: something else (flow, feed, outlet) is wrong too.
    NeitherFits,
}

/// Tells two disagreeing probes apart by what the balance expects, at twice the standard uncertainties.
///
/// With the demo's figures the balance is known within about 1.2 K, so it decides from about 2.5 K on.
#[must_use]
pub fn which_probe_lies(first_degc: Measured, second_degc: Measured, expected_degc: Measured) -> Liar {
    if !first_degc.differs_from(second_degc) {
        return Liar::Neither;
    }
    match (first_degc.differs_from(expected_degc), second_degc.differs_from(expected_degc)) {
        (true, false) => Liar::First,
        (false, true) => Liar::Second,
        (false, false) => Liar::BothFit,
        (true, true) => Liar::NeitherFits,
    }
}

/// Moisture of the finished product, % of its mass, by what was fed less what was boiled off.
///
/// A difference of two large numbers: 1 % of the water boiled off is 0.4 points. So it is told only if twice its
/// standard uncertainty is at most half the width of the specification.
///
/// # Errors
/// As for [`evaporation_kg_per_h`]; no feed; and too uncertain, with both figures.
pub fn finished_moisture_percent(
    pan: &Pan,
    known: &Constants,
    pick_up_kg_per_h: Measured,
    specification_percent: (f64, f64),
) -> Result<Measured, BalanceError> {
    let (inputs, latent) = (inputs(pan, known), latent_kj_per_kg(known)?);
    all_good(&inputs).and(all_good(&[pick_up_kg_per_h])).ok_or(BalanceError::Input)?;
    if pan.feed_kg_per_h.value <= 0.0 {
        return Err(BalanceError::Nothing);
    }
    let moisture = |values: Inputs, oil_kg_per_h: f64| {
        let [_, _, _, feed, _, _, _, _, solids, _] = values;
        let water = feed * (1.0 - solids) - evaporation(values, latent, known.boiling_degc);
        100.0 * water / (feed * solids + water + oil_kg_per_h)
    };
    let of_pan = Measured::propagated(|values| moisture(values, pick_up_kg_per_h.value), &inputs);
    let values = inputs.map(|input| input.value);
    let of_oil = Measured::propagated(|[oil]| moisture(values, oil), &[pick_up_kg_per_h]);
    let (noise, bias) = (libm::hypot(of_pan.noise, of_oil.noise), libm::hypot(of_pan.bias, of_oil.bias));
    let told = Measured { value: of_pan.value, noise, bias };
    let allowed = (specification_percent.1 - specification_percent.0) / 2.0;
    let expanded = COVERAGE * told.uncertainty();
    // Written so that a value that is no number is refused too.
    if expanded <= allowed { Ok(told) } else { Err(BalanceError::TooUncertain { expanded, allowed }) }
}
