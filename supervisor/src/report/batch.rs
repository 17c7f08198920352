//! The record of one kettle batch: what happened, beside each limit that was in force, until its corn has left the tank.
//!
//! Counted hold time is what a cook is judged by first. Equivalent minutes are of cook and quench alone; the soak has limits of
//! its own and is never added to them. What was not seen is not known, and says so.

use super::axis::{self, Axis};
use super::batch_record::NOT_KNOWN;
pub use super::batch_record::{BatchReport, FedRow, PhaseRow, SoakRow, VerdictRow};
use super::lots::{self, Touched};
use super::{rfc3339, weighing};
use crate::history::{HistoryError, HistoryStore, sha256_hex};
use crate::line::batches::{BatchView, FedView};
use setward_config::line::{CookLimits, Line, Recipe};
use setward_process::batches::verdict::{Accept, Filled, Judgement, KettleLimits, Limit, Verdict, judge};
use setward_process::batches::{Batch, Ending, Oddity, Phase, PhaseSpan};
use setward_process::hydration::wet_basis_percent;
use setward_process::series::Trace;
use setward_process::thermal::first_at_or_above;
use setward_protocol::{SignalId, Unit, Uptime, UtcMillis};
use std::time::Duration;

/// Cold water, kg/L: 998.2 kg/m3 at 20 degC and 1 bar, by IAPWS-IF97.
const WATER_KG_PER_L: f64 = 0.998_2;
/// The hottest that a kettle can be: water under the pressure of sea level.
const HOTTEST_DEGC: f64 = 100.0;

/// Works out the record of a batch from what history holds; `lime_kg` as a person entered it.
///
/// # Errors
/// When history can't be read.
pub async fn batch_report(
    line: &Line,
    store: &dyn HistoryStore,
    view: &BatchView,
    lime_kg: Option<f64>,
) -> Result<Option<BatchReport>, HistoryError> {
    let (Some(kettle), Some(span)) = (line.kettles.get(view.kettle), view.span()) else { return Ok(None) };
    let Some(recipe) = line.recipes.get(view.recipe) else { return Ok(None) };
    let axis = Axis(UtcMillis(span.0.0 - 60_000));
    let temperature = axis::read_points(axis, line, store, (kettle.temperature, Unit::DegC), span).await?;
    let water_l = match kettle.water_total {
        Some(meter) => water(line, store, view, meter).await?,
        None => None,
    };
    let weighed = match (kettle.weight, water_l) {
        (Some(scale), Some(water_l)) => {
            // What nobody entered is taken as the recipe asks for it: a few kilograms.
            let lime_kg = lime_kg.or_else(|| recipe.cook.map(|cook| cook.lime_kg.target)).unwrap_or_default();
            weighing::corn_kg(line, store, view, scale, water_l * WATER_KG_PER_L + lime_kg).await?
        }
        (None, _) | (_, None) => None,
    };
    let corn_kg = weighed.map_or(kettle.corn_kg, |weighed| weighed.corn_kg);
    let corn_uncertainty_kg = weighed.map_or(0.0, |weighed| weighed.uncertainty_kg);
    let filled =
        Filled { water_l, corn_kg: weighed.map(|weighed| weighed.corn_kg), corn_uncertainty_kg, lime_kg };
    let batch = on_axis(axis, view);
    let gap_limit = line.gap_limit(kettle.temperature);
    let cook = recipe.cook.map(|limits| cook_rows(&batch, (&temperature, gap_limit), filled, &limits));
    let come_up_s = recipe.cook.and_then(|limits| come_up(&batch, &temperature, gap_limit, &limits));
    let soak = soak_row(line, store, view, recipe).await?;
    let mut fed = Vec::new();
    for row in &view.fed {
        let belongs = match row.packed_at_most.or(row.packed) {
            Some(packed) => lots::touched(line, store, packed, packed.1).await?,
            None => Touched::default(),
        };
        fed.push(fed_row(row, belongs));
    }
    let file = line.files.iter().find(|file| file.path == format!("recipes/{}.toml", recipe.key));
    Ok(Some(BatchReport {
        schema_version: 1,
        id: view.id.clone(),
        line: line.name.clone(),
        kettle: kettle.name.clone(),
        number: view.number,
        recipe: recipe.key.clone(),
        recipe_name: recipe.name.clone(),
        recipe_sha256: file.map(|file| sha256_hex(file.text.as_bytes())),
        configuration: line.fingerprint.clone(),
        from: rfc3339(span.0),
        to: rfc3339(span.1),
        ending: view.ending.map_or("goes on", ending_word).to_owned(),
        oddities: view.oddities.iter().map(oddity_words).collect(),
        // A sum of nothing is -0.0.
        unseen_s: view.unseen.iter().map(|gap| seconds(*gap)).sum::<f64>() + 0.0,
        phases: view.phases.iter().map(phase_row).collect(),
        come_up_s,
        water_l,
        corn_kg,
        corn_uncertainty_kg: weighed.map(|weighed| weighed.uncertainty_kg),
        lime_kg,
        water_to_corn_l_per_kg: water_l.map(|water| water / corn_kg),
        lime_to_corn_percent: lime_kg.map(|lime| lime / corn_kg * 100.0),
        reference_degc: recipe.cook.map(|limits| limits.reference.reference_degc()),
        z_k: recipe.cook.map(|limits| limits.reference.z_k()),
        cook: cook.unwrap_or_default(),
        soak,
        fed,
        is_complete: view.is_complete(),
    }))
}

fn seconds((from, to): (UtcMillis, UtcMillis)) -> f64 {
    (to.0 - from.0) as f64 / 1000.0
}

/// The meter's highest reading from the beginning to the start of heating: it begins anew with each batch, and the quench is
/// metered elsewhere.
async fn water(
    line: &Line,
    store: &dyn HistoryStore,
    view: &BatchView,
    meter: SignalId,
) -> Result<Option<f64>, HistoryError> {
    let Some(fill) = view.phase(Phase::Fill) else { return Ok(None) };
    let until = view.phase(Phase::Heat).map_or(fill.1, |heat| heat.0);
    let samples = axis::read(line, store, (meter, Unit::Litre), (fill.0, until)).await?;
    // The reading at the very beginning may still be that of the batch before.
    let within = samples.iter().filter(|sample| sample.utc > fill.0 && sample.utc <= until);
    Ok(within.filter_map(|sample| sample.reading.good()).reduce(f64::max))
}

fn on_axis(axis: Axis, view: &BatchView) -> Batch {
    Batch {
        phases: view
            .phases
            .iter()
            .map(|(phase, span)| PhaseSpan { phase: *phase, span: axis.span(*span) })
            .collect(),
        ending: view.ending,
        oddities: view.oddities.clone(),
        unseen: view.unseen.iter().map(|span| axis.span(*span)).collect(),
        told_by: view.told_by,
    }
}

fn cook_rows(
    batch: &Batch,
    (temperature, gap_limit): (&[(Uptime, f64)], Duration),
    filled: Filled,
    limits: &CookLimits,
) -> Vec<VerdictRow> {
    let between = |pair: Option<(f64, f64)>| {
        pair.map_or_else(Accept::default, |(least, most)| Accept::between(least, most))
    };
    let kettle = KettleLimits {
        water_l: between(limits.water_l.within),
        // Corn that the line file says is no finding.
        corn_kg: if filled.corn_kg.is_some() { between(limits.corn_kg.within) } else { Accept::default() },
        water_to_corn_l_per_kg: Accept::default(),
        lime_kg: between(limits.lime_kg.within),
        heating_k_per_min: limits.heating.map_or_else(Default::default, |heating| {
            (Accept::at_least(heating.least_k_per_min), heating.between_degc)
        }),
        heat_s: limits.heat_most_s.map_or_else(Accept::default, Accept::at_most),
        counted_s: (between(Some(limits.hold_s)), limits.hold_above_degc),
        hold_s: Accept::default(),
        equivalent_min: (between(limits.dose_min), limits.reference),
        quench_end_degc: between(Some(limits.quench_to_degc)),
        hottest_degc: HOTTEST_DEGC,
    };
    match Trace::new(temperature, gap_limit) {
        Ok(trace) => {
            // What a cook is judged by first stands first.
            let mut judged = judge(batch, &trace, filled, &kettle);
            judged.sort_by_key(|judged| judged.limit != Limit::HoldCounted);
            judged.iter().map(|judged| verdict_row(judged, limits)).collect()
        }
        Err(_nothing_read) => {
            let unknown = |limit, accept| {
                verdict_row(&Judgement { limit, accept, found: None, verdict: Verdict::Unknown }, limits)
            };
            vec![
                unknown(Limit::HoldCounted, kettle.counted_s.0),
                unknown(Limit::QuenchEnd, kettle.quench_end_degc),
            ]
        }
    }
}

fn come_up(
    batch: &Batch,
    temperature: &[(Uptime, f64)],
    gap_limit: Duration,
    limits: &CookLimits,
) -> Option<f64> {
    let trace = Trace::new(temperature, gap_limit).ok()?;
    // One that was under way when it was first seen came up for longer than that.
    let cook = batch.cook().filter(|_| !batch.is_cook_begun_unseen())?;
    let reached = first_at_or_above(&trace, cook, limits.hold_above_degc)?;
    Some(reached.seconds_since(cook.from))
}

fn verdict_row(judged: &Judgement, limits: &CookLimits) -> VerdictRow {
    let (words, per) = match judged.limit {
        Limit::Water => ("water, L".to_owned(), 1.0),
        Limit::Corn => ("corn, kg".to_owned(), 1.0),
        Limit::WaterToCorn => ("water to corn, L/kg".to_owned(), 1.0),
        Limit::Lime => ("lime, kg".to_owned(), 1.0),
        Limit::HeatingRate => (heating_words(limits), 1.0),
        Limit::HeatTime => ("heating, min".to_owned(), 60.0),
        Limit::HoldCounted => {
            (format!("counted hold at or above {} degC, min", limits.hold_above_degc), 60.0)
        }
        Limit::HoldTime => ("hold phase, min".to_owned(), 60.0),
        Limit::EquivalentMinutes => {
            let reference = &limits.reference;
            let words = format!(
                "equivalent time at {} degC (z {} K), min",
                reference.reference_degc(),
                reference.z_k()
            );
            (words, 1.0)
        }
        Limit::QuenchEnd => ("end of quench, degC".to_owned(), 1.0),
    };
    row(words, judged.accept, judged.found, judged.verdict, per)
}

/// "heating rate from 40 to 85 degC, K/min".
fn heating_words(limits: &CookLimits) -> String {
    let between = limits.heating.map(|heating| heating.between_degc);
    let between = between.map_or_else(String::new, |(from, to)| format!(" from {from} to {to} degC"));
    format!("heating rate{between}, K/min")
}

fn row(limit: String, accept: Accept, found: Option<(f64, f64)>, verdict: Verdict, per: f64) -> VerdictRow {
    // No end is no number that a file can hold.
    let (low, high) = found.map(|(low, high)| (low, if high.is_finite() { high } else { low })).unzip();
    let shown = |value: Option<f64>| value.map(|value| value / per);
    VerdictRow {
        limit,
        least: shown(accept.least),
        most: shown(accept.most),
        found_least: shown(low),
        found_most: shown(high),
        verdict: match verdict {
            Verdict::Kept => "met",
            Verdict::Below => "not met: below",
            Verdict::Above => "not met: above",
            Verdict::Unknown => NOT_KNOWN,
        }
        .to_owned(),
    }
}

async fn soak_row(
    line: &Line,
    store: &dyn HistoryStore,
    view: &BatchView,
    recipe: &Recipe,
) -> Result<SoakRow, HistoryError> {
    let Some(tank) = view.tank else { return Ok(SoakRow::default()) };
    // Where it is a span, the corn may have lain in the kettle until its end: what it soaked for certain counts from there.
    let transferred = view.soaks_from.map(|span| span.1);
    let not_before = view.soaks_from.filter(|span| span.0 < span.1).map(|span| span.0);
    let hours = |from: UtcMillis, to: UtcMillis| seconds((from, to)) / 3600.0;
    let first = view.fed.first();
    let last = view.fed.last();
    let youngest_h = first.map(|fed| hours(fed.soaked_from.1, fed.span.0));
    let oldest_h = last.map(|fed| hours(fed.soaked_from.0, fed.span.1));
    let limits = recipe.soak.map_or_else(Vec::new, |limits| {
        let h = |length: Duration| length.as_secs_f64() / 3600.0;
        let is_over = last.is_some_and(|fed| !fed.is_open) && !view.is_in_tank;
        // While corn is fed, its oldest may only get older; and corn that nobody saw come may be older.
        let is_over = is_over && last.is_some_and(|fed| fed.is_oldest_known);
        let oldest = oldest_h.map(|oldest| (oldest, if is_over { oldest } else { f64::INFINITY }));
        vec![
            soak_limit(
                "youngest corn when first fed, h",
                Accept::at_least(h(limits.least)),
                youngest_h.map(|age| (age, age)),
            ),
            soak_limit("oldest corn when last fed, h", Accept::at_most(h(limits.most)), oldest),
        ]
    });
    let soaked = transferred.zip(first.map(|fed| fed.span.0));
    let moisture = match (recipe.hydration, soaked) {
        (None, _) => {
            Err("the recipe has no [soak.hydration]: its constants come from your own samples".to_owned())
        }
        (Some(_), None) => Err("it has not been fed yet".to_owned()),
        (Some(law), Some(soaked)) => moisture(line, store, tank, soaked, &law).await?,
    };
    Ok(SoakRow {
        tank: Some(tank),
        from: transferred.map(rfc3339),
        from_not_before: not_before.map(rfc3339),
        fed_from: first.map(|fed| rfc3339(fed.span.0)),
        soaked_h: soaked.map(|(from, to)| hours(from, to)),
        youngest_h,
        oldest_h,
        limits,
        moisture_percent: moisture.as_ref().ok().map(|(percent, _)| *percent),
        moisture_uncertainty_percent: moisture.as_ref().ok().map(|(_, uncertainty)| *uncertainty),
        no_moisture_because: moisture.err(),
    })
}

fn soak_limit(words: &str, accept: Accept, found: Option<(f64, f64)>) -> VerdictRow {
    let verdict = found.map_or(Verdict::Unknown, |(low, high)| accept.verdict(low, high));
    row(words.to_owned(), accept, found, verdict, 1.0)
}

/// Predicted moisture and its uncertainty, % of the wet grain; or why it can't be told.
async fn moisture(
    line: &Line,
    store: &dyn HistoryStore,
    tank: u16,
    soaked: (UtcMillis, UtcMillis),
    law: &setward_config::line::Hydration,
) -> Result<Result<(f64, f64), String>, HistoryError> {
    let known = line.tanks.iter().find(|known| known.number == tank);
    let Some(signal) = known.and_then(|tank| tank.temperature) else {
        return Ok(Err("the tank has no temperature in line.toml".to_owned()));
    };
    let axis = Axis(UtcMillis(soaked.0.0 - 60_000));
    let points = axis::read_points(axis, line, store, (signal, Unit::DegC), soaked).await?;
    let Ok(trace) = Trace::new(&points, line.gap_limit(signal)) else {
        return Ok(Err("history has no temperature of the tank for that time".to_owned()));
    };
    let dry = law.law.moisture_percent(law.start_dry_percent, &trace, axis.span(soaked));
    let wet = dry.and_then(wet_basis_percent);
    Ok(wet.map(|wet| (wet, law.uncertainty_percent)).map_err(|error| error.to_string()))
}

fn phase_row((phase, span): &(Phase, (UtcMillis, UtcMillis))) -> PhaseRow {
    PhaseRow {
        phase: phase_word(*phase).to_owned(),
        from: rfc3339(span.0),
        to: rfc3339(span.1),
        length_s: seconds(*span),
    }
}

fn fed_row(fed: &FedView, touched: Touched) -> FedRow {
    let (packed_from, packed_to) = fed.packed.map(|(from, to)| (rfc3339(from), rfc3339(to))).unzip();
    let (packed_not_before, packed_not_after) =
        fed.packed_at_most.map(|(from, to)| (rfc3339(from), rfc3339(to))).unzip();
    FedRow {
        tank: fed.tank,
        from: rfc3339(fed.span.0),
        to: rfc3339(fed.span.1),
        goes_on: fed.is_open,
        packed_from,
        packed_to,
        packed_not_before,
        packed_not_after,
        is_forecast: fed.is_forecast,
        touched,
    }
}

/// A phase in a word.
#[must_use]
pub const fn phase_word(phase: Phase) -> &'static str {
    match phase {
        Phase::Idle => "idle",
        Phase::Fill => "fill",
        Phase::Dose => "dose",
        Phase::Heat => "heat",
        Phase::Hold => "hold",
        Phase::Quench => "quench",
        Phase::Transfer => "transfer",
        Phase::Rinse => "rinse",
    }
}

const fn ending_word(ending: Ending) -> &'static str {
    match ending {
        Ending::Complete => "pumped out",
        Ending::Interrupted => "interrupted before it was pumped out",
        Ending::NotSeen => "its end was not seen",
        Ending::NeverEnded => "never ended, and was given up",
    }
}

fn oddity_words(oddity: &Oddity) -> String {
    match oddity {
        Oddity::BeginningNotSeen => "its beginning was not seen".to_owned(),
        Oddity::Missing(phase) => format!("no {}", phase_word(*phase)),
        Oddity::NotSeen(phase) => format!("whether there was a {} was not seen", phase_word(*phase)),
        Oddity::Backward { from, to } => {
            format!("went back from {} to {}", phase_word(*from), phase_word(*to))
        }
        Oddity::UnknownCode(code) => format!("its step word said {code}, which line.toml does not name"),
    }
}

#[cfg(test)]
#[path = "batch_tests.rs"]
mod tests;
