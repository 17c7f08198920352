//! What a recipe asks of a cook, and how its grain takes up water: pairs in order, constants that a law can have.

use super::intervals::interval;
use crate::line::{Amount, CookLimits, Heating, Hydration};
use crate::problem::{At, Code};
use crate::quantity::{self, Quantity, short};
use crate::raw::recipe::{RawCook, RawHydration, RawPair};
use crate::reader::Sink;
use setward_process::hydration::{Peleg, SoakLaw, Validity, dry_basis_percent};
use setward_process::thermal::Reference;
use setward_protocol::Unit;
use std::time::Duration;

/// Reference of the equivalent time if nobody says, degC and K: a convention of cook values, not validated for lime-cooked
/// corn.
const REFERENCE_DEGC: f64 = 95.0;
const Z_K: f64 = 33.0;

/// The limits on a batch; `None` if any of them is wrong.
pub(crate) fn limits(raw: &RawCook, sink: &mut Sink) -> Option<CookLimits> {
    let corn_kg = amount(("corn", &raw.corn), ("corn_within", &raw.corn_within), Unit::Kilogram, sink);
    let water_l = amount(("water", &raw.water), ("water_within", &raw.water_within), Unit::Litre, sink);
    let lime_kg = amount(("lime", &raw.lime), ("lime_within", &raw.lime_within), Unit::Kilogram, sink);
    let heating = heating(raw, sink);
    let heat_most = raw.heat_most.as_ref().map(|most| heat_most(most, sink));
    let hold_s = raw.hold.as_ref().and_then(|hold| times("hold", hold, sink));
    let above = raw.hold_above.as_ref().and_then(|at| point("hold_above", at, Unit::DegC, sink));
    let quench = raw.quench_to.as_ref();
    let quench = quench.and_then(|pair| interval("quench_to", pair, Unit::DegC, Code::Conflict, sink));
    let dose = raw.dose.as_ref().map(|dose| times("dose", dose, sink));
    let reference = reference(raw, sink);
    if let (Some(above), Some((_, high)), Some(at)) = (above, quench, &raw.hold_above)
        && above <= high
    {
        let message =
            format!("hold time counts from {} degC, and the quench may end at {}", short(above), short(high));
        sink.report(
            Code::Conflict,
            at.at,
            message,
            "hold time ends with the quench: write `hold_above` above `quench_to`",
        );
    }
    let dose_min = match dose {
        Some(found) => Some(found.map(|(least, most)| (least / 60.0, most / 60.0))?),
        None => None,
    };
    Some(CookLimits {
        corn_kg: corn_kg?,
        water_l: water_l?,
        lime_kg: lime_kg?,
        heating: heating?,
        heat_most_s: match heat_most {
            Some(found) => Some(found?),
            None => None,
        },
        hold_s: hold_s?,
        hold_above_degc: above?,
        quench_to_degc: quench?,
        dose_min,
        reference: reference?,
    })
}

/// How fast it must heat. Outer `None`: it is there and wrong.
fn heating(raw: &RawCook, sink: &mut Sink) -> Option<Option<Heating>> {
    let (rate, between) = match (&raw.heating_per_minute, &raw.heating_between) {
        (None, None) => return Some(None),
        (Some(rate), Some(between)) => (rate, between),
        (Some(rate), None) => {
            sink.missing(
                rate.at,
                "[cook] with `heating_per_minute`",
                "heating_between",
                "[\"40 degC\", \"85 degC\"]",
            );
            return None;
        }
        (None, Some(between)) => {
            sink.missing(between.at, "[cook] with `heating_between`", "heating_per_minute", "\"1.5 K\"");
            return None;
        }
    };
    let between_degc = interval("heating_between", between, Unit::DegC, Code::Conflict, sink);
    let least = sink.take("heating_per_minute", rate.at, quantity::difference(&rate.value, Unit::DegC))?;
    if least <= 0.0 {
        let message = "`heating_per_minute` must be more than nothing".to_owned();
        sink.report(
            Code::OutOfBounds,
            rate.at,
            message,
            "write how many kelvin a minute it must heat at least",
        );
        return None;
    }
    Some(Some(Heating { least_k_per_min: least, between_degc: between_degc? }))
}

/// How long the heating may last, s.
fn heat_most(written: &At<Duration>, sink: &mut Sink) -> Option<f64> {
    if written.value.is_zero() {
        let message = "`heat_most` must be more than nothing".to_owned();
        sink.report(
            Code::OutOfBounds,
            written.at,
            message,
            "write how long the heating may last, such as \"35 min\"",
        );
        return None;
    }
    Some(written.value.as_secs_f64())
}

fn point(key: &str, at: &At<Quantity>, unit: Unit, sink: &mut Sink) -> Option<f64> {
    sink.take(key, at.at, quantity::point(&at.value, unit))
}

fn amount(
    (key, written): (&str, &Option<At<Quantity>>),
    (within_key, within): (&str, &Option<RawPair>),
    unit: Unit,
    sink: &mut Sink,
) -> Option<Amount> {
    let accepted = within.as_ref().map(|pair| interval(within_key, pair, unit, Code::Conflict, sink));
    let written = written.as_ref()?;
    let target = point(key, written, unit, sink)?;
    if target <= 0.0 {
        let message = format!("`{key}` must be more than nothing");
        sink.report(Code::OutOfBounds, written.at, message, "write what one batch holds");
        return None;
    }
    let within = match accepted {
        Some(found) => Some(found?),
        None => None,
    };
    if let Some((low, high)) = within
        && !(low..=high).contains(&target)
    {
        let message = format!("`{key}` {} {unit} lies outside `{within_key}`", short(target));
        let hint = format!("it accepts {} to {} {unit}", short(low), short(high));
        sink.report(Code::Conflict, written.at, message, hint);
        return None;
    }
    Some(Amount { target, within })
}

/// Two times, the shorter one first, s.
fn times(key: &str, pair: &RawPair, sink: &mut Sink) -> Option<(f64, f64)> {
    let (least, most) = &pair.value;
    let least = sink.take(key, least.at, quantity::time(&least.value));
    let most = sink.take(key, most.at, quantity::time(&most.value));
    let (least, most) = (least?.as_secs_f64(), most?.as_secs_f64());
    if least >= most {
        let message = format!("`{key}` runs from {} to {} s", short(least), short(most));
        sink.report(Code::Conflict, pair.at, message, "write the shorter time first");
        return None;
    }
    Some((least, most))
}

fn reference(raw: &RawCook, sink: &mut Sink) -> Option<Reference> {
    let degc = match &raw.reference {
        Some(at) => point("reference", at, Unit::DegC, sink)?,
        None => REFERENCE_DEGC,
    };
    let z_k = match &raw.z {
        Some(at) => sink.take("z", at.at, quantity::difference(&at.value, Unit::DegC))?,
        None => Z_K,
    };
    let made = Reference::new(degc, z_k).ok();
    if let (None, Some(at)) =
        (made, raw.z.as_ref().map(|z| z.at).or_else(|| Some(raw.reference.as_ref()?.at)))
    {
        let message = "nothing can be weighed by this reference".to_owned();
        sink.report(
            Code::OutOfBounds,
            at,
            message,
            "write a `z` that is more than nothing, such as \"33 K\"",
        );
    }
    made
}

/// How grain takes up water; `None` if any of it is wrong.
pub(crate) fn hydration(raw: &RawHydration, sink: &mut Sink) -> Option<Hydration> {
    let percent = |key: &str, at: &Option<At<Quantity>>, sink: &mut Sink| {
        at.as_ref().and_then(|at| point(key, at, Unit::Percent, sink))
    };
    let start = percent("start", &raw.start, sink);
    let uncertainty = percent("uncertainty", &raw.uncertainty, sink);
    let reference = raw.reference.as_ref().and_then(|at| point("reference", at, Unit::DegC, sink));
    let valid = raw.valid.as_ref().and_then(|pair| interval("valid", pair, Unit::DegC, Code::Conflict, sink));
    let (k1, k2) = (raw.k1_h_per_percent.as_ref()?.value, raw.k2_per_percent.as_ref()?.value);
    let energy = raw.energy_kj_per_mol.as_ref()?.value * 1000.0;
    let longest_h = raw.longest.as_ref()?.value.as_secs_f64() / 3600.0;
    let validity = Validity { temperature_degc: valid?, longest_h };
    let (start, reference, uncertainty) = (start?, reference?, uncertainty?);
    let law = Peleg::new(k1, k2, validity).and_then(|peleg| SoakLaw::new(peleg, reference, energy));
    let made = dry_basis_percent(start).and_then(|start_dry_percent| {
        law.map(|law| Hydration { start_dry_percent, law, uncertainty_percent: uncertainty })
    });
    match made {
        Ok(hydration) if uncertainty > 0.0 => Some(hydration),
        Ok(_) => {
            let message = "a prediction without an uncertainty is none".to_owned();
            let at = raw.uncertainty.as_ref().map_or(raw.at, |at| at.at);
            sink.report(Code::OutOfBounds, at, message, "write how far it was off against your own samples");
            None
        }
        Err(error) => {
            let hint = "write the constants that were fitted to your own samples, with their range";
            sink.report(Code::OutOfBounds, raw.at, error.to_string(), hint);
            None
        }
    }
}
