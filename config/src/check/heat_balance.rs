//! The fryer's heat balance: what is taken as known, each value within what can be, and the signals by what they mean.

use crate::line::{BALANCE_BIN, HeatBalance, LineSignal, Meaning};
use crate::problem::{At, Code};
use crate::quantity::{self, Quantity};
use crate::raw::heat_balance::{RawHeatBalance, RawLearned};
use crate::reader::Sink;
use setward_process::heat_balance::live::{Input, Settings};
use setward_process::heat_balance::{Constants, LearnedDrop, Measured};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// How surely what the file says of feed and product is known, as standard uncertainties: K, and points of moisture, of
/// finished moisture, of oil. Judgement: a recipe's tolerances, halved.
const FEED_K: f64 = 10.0;
const FEED_POINTS: f64 = 0.75;
const FINISHED_POINTS: f64 = 0.15;
const OIL_POINTS: f64 = 0.75;
/// Oil in the system, as a share. Judgement.
const OIL_SHARE: f64 = 0.03;
/// Heat capacity of the dry matter, kJ/(kg K), and how surely. Judgement.
const SOLIDS: (f64, f64) = (1.6, 0.15);
/// How surely a learned drop is known, K, and how far the load for each kilogram may differ since, as a share. Judgement.
const LEARNED: (f64, f64, f64) = (0.1, 0.3, 0.03);

/// Signals with what they are to the balance.
pub(crate) const MEANINGS: [(Meaning, Input, Unit); 8] = [
    (Meaning::FryerOilFlow, Input::OilFlow, Unit::CubicMetrePerHour),
    (Meaning::FryerOilInlet, Input::Inlet, Unit::DegC),
    (Meaning::FryerOilInletSecond, Input::SecondInlet, Unit::DegC),
    (Meaning::FryerOilOutlet, Input::Outlet, Unit::DegC),
    (Meaning::HeatExchangerOilOutlet, Input::ExchangerOutlet, Unit::DegC),
    (Meaning::HeatingMediumTemperature, Input::Medium, Unit::DegC),
    (Meaning::ProductFlow, Input::Product, Unit::KilogramPerHour),
    (Meaning::FryerMakeUpTotal, Input::MakeUp, Unit::Kilogram),
];

/// The balance, if the file has one; outer `None`: it is there and wrong.
pub(crate) fn check(
    raw: Option<&RawHeatBalance>,
    signals: &[Option<LineSignal>],
    product_share: Option<f64>,
    sink: &mut Sink,
) -> Option<Option<HeatBalance>> {
    let Some(raw) = raw else { return Some(None) };
    let settings = settings(raw, product_share.unwrap_or(0.02), sink);
    let inputs = inputs(signals);
    let inlet = inputs.iter().find(|(input, _)| *input == Input::Inlet);
    let Some((_, inlet)) = inlet else {
        let message = "no signal means `fryer-oil-inlet`";
        let hint = "give the probe where oil enters the pan `means = \"fryer-oil-inlet\"`";
        sink.report(Code::Conflict, raw.at, message, hint);
        return None;
    };
    let station = signals.get(inlet.index())?.as_ref()?.station;
    Some(Some(HeatBalance { station, settings: settings?, inputs }))
}

/// The first signal of each meaning that can be read in the balance's unit.
pub(crate) fn inputs(signals: &[Option<LineSignal>]) -> Vec<(Input, SignalId)> {
    let first = |&(meaning, input, unit): &(Meaning, Input, Unit)| {
        let is_it = |signal: &Option<LineSignal>| {
            signal.as_ref().is_some_and(|signal| {
                signal.means == Some(meaning) && signal.unit.convert(1.0, unit).is_some()
            })
        };
        let index = signals.iter().position(is_it)?;
        super::stations::signal_id(index).map(|id| (input, id))
    };
    MEANINGS.iter().filter_map(first).collect()
}

/// A value in `unit` that lies within `bounds`.
fn within(
    key: &str,
    written: Option<&At<Quantity>>,
    unit: Unit,
    bounds: (f64, f64),
    sink: &mut Sink,
) -> Option<f64> {
    let written = written?;
    let found = sink.take(key, written.at, quantity::point(&written.value, unit))?;
    if (bounds.0..=bounds.1).contains(&found) {
        return Some(found);
    }
    let (low, high) = bounds;
    let message = format!("`{key}` is from {low} to {high} {unit}");
    sink.report(
        Code::OutOfBounds,
        written.at,
        message,
        format!("check the number; {found} {unit} is none that can be"),
    );
    None
}

/// The same, with what stands for it if the file does not say.
fn or(
    key: &str,
    written: Option<&At<Quantity>>,
    unit: Unit,
    (bounds, usual): ((f64, f64), f64),
    sink: &mut Sink,
) -> Option<f64> {
    if written.is_none() { Some(usual) } else { within(key, written, unit, bounds, sink) }
}

fn settings(raw: &RawHeatBalance, product_share: f64, sink: &mut Sink) -> Option<Settings> {
    const PERCENT: (f64, f64) = (0.0, 100.0);
    let oil_kg = within("oil", raw.oil.as_ref(), Unit::Kilogram, (1.0, 1e6), sink);
    let density = Unit::KilogramPerCubicMetre;
    let density = or("oil_density", raw.oil_density.as_ref(), density, ((500.0, 1200.0), 850.0), sink);
    let capacity = Unit::KilojoulePerKilogramKelvin;
    let capacity = or("oil_heat_capacity", raw.oil_heat_capacity.as_ref(), capacity, ((1.0, 4.5), 2.1), sink);
    let oil_unsure =
        or("oil_uncertainty", raw.oil_uncertainty.as_ref(), Unit::Percent, (PERCENT, 10.0), sink);
    let loss = within("loss", raw.loss.as_ref(), Unit::Kilowatt, (0.0, 1e4), sink);
    let loss_unsure =
        or("loss_uncertainty", raw.loss_uncertainty.as_ref(), Unit::Percent, (PERCENT, 25.0), sink);
    let boiling = or("boiling_point", raw.boiling_point.as_ref(), Unit::DegC, ((60.0, 130.0), 100.0), sink);
    let feed = within("feed_temperature", raw.feed_temperature.as_ref(), Unit::DegC, (0.0, 130.0), sink);
    let moisture = within("feed_moisture", raw.feed_moisture.as_ref(), Unit::Percent, (5.0, 90.0), sink);
    let finished =
        within("finished_moisture", raw.finished_moisture.as_ref(), Unit::Percent, (0.0, 20.0), sink);
    let oil_share = within("oil_share", raw.oil_share.as_ref(), Unit::Percent, (0.0, 60.0), sink);
    let probe =
        or("probe_uncertainty", raw.probe_uncertainty.as_ref(), Unit::Kelvin, ((0.0, 20.0), 0.4), sink);
    let flow = or("flow_uncertainty", raw.flow_uncertainty.as_ref(), Unit::Percent, (PERCENT, 2.5), sink);
    let specification = specification(raw, sink);
    let times = times(raw, sink);
    let learned = learned(raw.learned.as_ref(), sink);
    let (oil_kg, loss, finished, oil_share) = (oil_kg?, loss?, finished?, oil_share?);
    let known = Constants {
        oil_kg_per_m3: Measured::exact(density?),
        oil_kj_per_kg_k: Measured::new(capacity?, 0.0, capacity? * oil_unsure? / 100.0),
        loss_kw: Measured::new(loss, 0.0, loss * loss_unsure? / 100.0),
        solids_share: Measured::new(1.0 - moisture? / 100.0, 0.0, FEED_POINTS / 100.0),
        solids_kj_per_kg_k: Measured::new(SOLIDS.0, 0.0, SOLIDS.1),
        boiling_degc: boiling?,
    };
    let dry_unsure = FINISHED_POINTS.hypot(OIL_POINTS) / 100.0;
    let [over, settle, compared_with, make_up_over] = times?;
    Some(Settings {
        known,
        feed_degc: Measured::new(feed?, 0.0, FEED_K),
        oil_in_system_kg: Measured::new(oil_kg, 0.0, oil_kg * OIL_SHARE),
        finished_dry_share: Measured::new(1.0 - (finished + oil_share) / 100.0, 0.0, dry_unsure),
        oil_share: Measured::new(oil_share / 100.0, 0.0, OIL_POINTS / 100.0),
        probe_k: probe?,
        flow_share: flow? / 100.0,
        product_share,
        learned: learned?,
        finished_specification_percent: specification?,
        over,
        settle,
        compared_with,
        make_up_over,
    })
}

fn specification(raw: &RawHeatBalance, sink: &mut Sink) -> Option<Option<(f64, f64)>> {
    let Some(written) = &raw.finished_specification else { return Some(None) };
    let (low, high) = (&written.value.0, &written.value.1);
    let mut one = |at: &At<Quantity>| {
        sink.take("finished_specification", at.at, quantity::point(&at.value, Unit::Percent))
    };
    let (low, high) = (one(low), one(high));
    let (low, high) = (low?, high?);
    if low < high {
        return Some(Some((low, high)));
    }
    let message = "the lowest finished moisture is not below the highest";
    sink.report(Code::Conflict, written.at, message, "write the lowest first: [\"0.9 %\", \"1.8 %\"]");
    None
}

/// Window, settling, comparison and make-up: each so many bins.
fn times(raw: &RawHeatBalance, sink: &mut Sink) -> Option<[Duration; 4]> {
    let minutes = |count: u64| Duration::from_secs(count * 60);
    let keys = [
        ("over", &raw.over, minutes(5), (minutes(1), minutes(60))),
        ("settle", &raw.settle, minutes(10), (Duration::ZERO, minutes(120))),
        ("compared_with", &raw.compared_with, minutes(15), (minutes(1), minutes(240))),
        ("make_up_over", &raw.make_up_over, minutes(60), (minutes(10), minutes(1440))),
    ];
    let found = keys.map(|(key, written, usual, (least, most))| {
        let Some(written) = written else { return Some(usual) };
        let is_whole = written.value.as_secs().is_multiple_of(BALANCE_BIN.as_secs());
        if (least..=most).contains(&written.value) && is_whole {
            return Some(written.value);
        }
        let (least, most) = (least.as_secs() / 60, most.as_secs() / 60);
        let message = format!("`{key}` is from {least} to {most} min, in whole steps of 10 s");
        sink.report(
            Code::OutOfBounds,
            written.at,
            message,
            format!("write `{key} = \"{} min\"`", usual.as_secs() / 60),
        );
        None
    });
    let [over, settle, compared_with, make_up_over] = found;
    Some([over?, settle?, compared_with?, make_up_over?])
}

/// Outer `None`: it is there and wrong.
fn learned(raw: Option<&RawLearned>, sink: &mut Sink) -> Option<Option<LearnedDrop>> {
    let Some(raw) = raw else { return Some(None) };
    let drop = within("drop", raw.drop.as_ref(), Unit::Kelvin, (0.1, 100.0), sink);
    let idle = within("idle_drop", raw.idle_drop.as_ref(), Unit::Kelvin, (0.0, 100.0), sink);
    let product = within("product", raw.product.as_ref(), Unit::KilogramPerHour, (1.0, 1e6), sink);
    let flow = within("oil_flow", raw.oil_flow.as_ref(), Unit::CubicMetrePerHour, (0.1, 1e5), sink);
    let (drop, idle) = (drop?, idle?);
    if idle >= drop {
        let at = raw.idle_drop.as_ref()?.at;
        let message = "the drop without product is not below that with product";
        sink.report(Code::Conflict, at, message, "write the drop at full feed in `drop`");
        return None;
    }
    Some(Some(LearnedDrop {
        drop_k: Measured::new(drop, LEARNED.0, 0.0),
        idle_drop_k: Measured::new(idle, LEARNED.1, 0.0),
        // As product on the weigh belt; the balance makes feed of both alike, so that only their ratio counts.
        feed_kg_per_h: Measured::exact(product?),
        oil_flow_m3_per_h: Measured::exact(flow?),
        load_share: LEARNED.2,
    }))
}
