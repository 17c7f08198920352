//! The figures of a live balance from the means of a window: pure, each with its uncertainty.

use super::live::{Input, Output, STORED_SHARE_MAX, Settings, Unknown};
use super::measured::{Measured, all_good};
use super::{
    BalanceError, Constants, Liar, Pan, STEAM_KJ_PER_KG_K, WATER_KJ_PER_KG_K, evaporation_kg_per_h,
    expected_inlet_degc, finished_moisture_percent, implied_flow_m3_per_h, latent_kj_per_kg,
    moisture_step_points, oil, which_probe_lies,
};

/// What a balance of the pan needs.
pub(super) const PAN: &[Input] = &[Input::OilFlow, Input::Inlet, Input::Outlet, Input::Product];
/// Oil by which the level control may be off at either end of a window, kg, as a standard uncertainty. Judgement: 2 mm
/// of a pan of 4 m2.
const LEVEL_KG: f64 = 7.0;

/// Means over a window, and how fast the oil's temperature moved.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Means {
    values: [Option<Measured>; Input::ALL.len()],
    inlet_k_per_s: f64,
}

impl Means {
    pub(super) fn set(&mut self, input: Input, mean: Measured, moved_per_s: f64) {
        if input == Input::Inlet {
            self.inlet_k_per_s = moved_per_s;
        }
        if let Some(value) = self.values.get_mut(input as usize) {
            *value = Some(mean);
        }
    }

    fn of(&self, input: Input) -> Result<Measured, Unknown> {
        self.values.get(input as usize).copied().flatten().ok_or(Unknown::TooShort(input))
    }

    /// The pan, with the feed that the dry matter of the product needs.
    fn pan(&self, settings: &Settings) -> Result<Pan, Unknown> {
        let product = self.of(Input::Product)?;
        let feed = Measured::propagated(
            |[product, dry, solids]| product * dry / solids,
            &[product, settings.finished_dry_share, settings.known.solids_share],
        );
        Ok(Pan {
            oil_flow_m3_per_h: self.of(Input::OilFlow)?,
            inlet_degc: self.of(Input::Inlet)?,
            outlet_degc: self.of(Input::Outlet)?,
            feed_kg_per_h: feed,
            feed_degc: settings.feed_degc,
        })
    }
}

/// Heat that the oil stores, kW: negative while it cools.
fn stored_kw(settings: &Settings, means: &Means) -> f64 {
    settings.oil_in_system_kg.value * settings.known.oil_kj_per_kg_k.value * means.inlet_k_per_s
}

/// The constants, with what the oil stores as uncertainty of the loss.
fn known(settings: &Settings, means: &Means) -> Constants {
    let loss_kw = settings.known.loss_kw;
    let noise = libm::hypot(loss_kw.noise, stored_kw(settings, means));
    Constants { loss_kw: Measured { noise, ..loss_kw }, ..settings.known }
}

/// Whether the oil stores too little to matter, where its heat is known at all.
pub(super) fn stores_little(settings: &Settings, means: &Means) -> Result<(), Unknown> {
    let (Ok(flow), Ok(inlet), Ok(outlet)) =
        (means.of(Input::OilFlow), means.of(Input::Inlet), means.of(Input::Outlet))
    else {
        return Ok(());
    };
    let carries = settings.known.oil_kg_per_m3.value * settings.known.oil_kj_per_kg_k.value / 3600.0;
    let heat_kw = flow.value * carries * (inlet.value - outlet.value);
    if heat_kw <= 0.0 {
        return Err(Unknown::Balance(BalanceError::Nothing));
    }
    if stored_kw(settings, means).abs() > STORED_SHARE_MAX * heat_kw {
        return Err(Unknown::Moving(Input::Inlet, means.inlet_k_per_s * 60.0));
    }
    Ok(())
}

/// An output that the means of one window give.
pub(super) fn of_means(settings: &Settings, output: Output, means: &Means) -> Result<Measured, Unknown> {
    let known = known(settings, means);
    match output {
        Output::WaterBoiledOff => evaporation_kg_per_h(&means.pan(settings)?, &known),
        Output::OilFlowImplied => {
            let pan = means.pan(settings)?;
            load_kw(settings, &pan, &known).and_then(|load| implied_flow_m3_per_h(&pan, &known, load))
        }
        Output::FinishedMoisture => return finished(settings, means, &known),
        Output::OilTurnover => return turnover(settings, means),
        Output::HeatExchanger => return exchanger(settings, means),
        Output::InletProbeError => return probe_error(settings, means, Input::Inlet),
        Output::SecondInletProbeError => return probe_error(settings, means, Input::SecondInlet),
        // Of two windows, and of a counter: not of these means.
        Output::FeedMoistureChange | Output::MakeUpLessPickUp => Err(BalanceError::Nothing),
    }
    .map_err(Unknown::Balance)
}

/// How much wetter the feed became from `before` to `now`, points.
pub(super) fn moisture_change(settings: &Settings, before: &Means, now: &Means) -> Result<Measured, Unknown> {
    let (first, second) = (before.pan(settings)?, now.pan(settings)?);
    let step = moisture_step_points(&first, &second, &known(settings, now)).map_err(Unknown::Balance)?;
    // What each window stored is its own: as points of water for each kilogram of feed.
    let latent = latent_kj_per_kg(&settings.known).map_err(Unknown::Balance)?;
    let points = |means: &Means, pan: &Pan| {
        100.0 * stored_kw(settings, means) * 3600.0 / latent / pan.feed_kg_per_h.value
    };
    let stored = libm::hypot(points(before, &first), points(now, &second));
    Ok(Measured { noise: libm::hypot(step.noise, stored), ..step })
}

/// Heat that the feed and the pan take by what is known of the feed, kW.
fn load_kw(settings: &Settings, pan: &Pan, known: &Constants) -> Result<Measured, BalanceError> {
    let latent = latent_kj_per_kg(known)?;
    let oil_degc = f64::midpoint(pan.inlet_degc.value, pan.outlet_degc.value);
    let left = Measured::exact(settings.finished_dry_share.value);
    let inputs = [
        pan.feed_kg_per_h,
        pan.feed_degc,
        known.solids_share,
        known.solids_kj_per_kg_k,
        known.loss_kw,
        left,
        settings.oil_share,
    ];
    all_good(&inputs).ok_or(BalanceError::Input)?;
    let load = |[feed, feed_degc, solids, solids_capacity, loss, dry, oil]: [f64; 7]| {
        // What stays in the product is its mass less dry matter and oil.
        let stays = feed * solids / dry * (1.0 - dry - oil);
        let water = feed * (1.0 - solids) - stays;
        let kj_per_kg = WATER_KJ_PER_KG_K * (known.boiling_degc - feed_degc)
            + latent
            + STEAM_KJ_PER_KG_K * (oil_degc - known.boiling_degc);
        (water * kj_per_kg + feed * solids * solids_capacity * (oil_degc - feed_degc)) / 3600.0 + loss
    };
    Ok(Measured::propagated(load, &inputs))
}

fn finished(settings: &Settings, means: &Means, known: &Constants) -> Result<Measured, Unknown> {
    let specification = settings.finished_specification_percent.ok_or(Unknown::NothingLearned)?;
    let pick_up = Measured::propagated(
        |[product, share]| product * share,
        &[means.of(Input::Product)?, settings.oil_share],
    );
    finished_moisture_percent(&means.pan(settings)?, known, pick_up, specification).map_err(Unknown::Balance)
}

fn turnover(settings: &Settings, means: &Means) -> Result<Measured, Unknown> {
    let inputs = [settings.oil_in_system_kg, means.of(Input::Product)?, settings.oil_share];
    let [system, product, share] = inputs.map(|input| input.value);
    oil::turnover_h(system, product * share).ok_or(Unknown::NoProduct)?;
    Ok(Measured::propagated(|[system, product, share]| system / (product * share), &inputs))
}

/// What the counter gained in these hours less what the product of that time took up, kg/h.
pub(super) fn make_up_less_pick_up(
    settings: &Settings,
    (gained_kg, hours): (f64, f64),
    product_kg_per_h: Measured,
) -> Result<Measured, Unknown> {
    let make_up = Measured::new(gained_kg, LEVEL_KG * core::f64::consts::SQRT_2, 0.0);
    let product = Measured {
        value: product_kg_per_h.value * hours,
        noise: product_kg_per_h.noise * hours,
        bias: product_kg_per_h.bias * hours,
    };
    let left = oil::unaccounted_kg(make_up, product, settings.oil_share, Measured::exact(0.0));
    let left = left.ok_or(Unknown::Balance(BalanceError::Input))?;
    Ok(Measured { value: left.value / hours, noise: left.noise / hours, bias: left.bias / hours })
}

/// As if the heating medium kept its temperature: how far it cools is not measured. A figure to compare with itself.
fn exchanger(settings: &Settings, means: &Means) -> Result<Measured, Unknown> {
    let inputs = [
        means.of(Input::OilFlow)?,
        means.of(Input::ExchangerOutlet)?,
        means.of(Input::Outlet)?,
        means.of(Input::Medium)?,
        settings.known.oil_kg_per_m3,
        settings.known.oil_kj_per_kg_k,
    ];
    all_good(&inputs).ok_or(Unknown::Balance(BalanceError::Input))?;
    let figure = |[flow, hot, cold, medium, density, capacity]: [f64; 6]| {
        let duty_kw = flow * density * capacity * (hot - cold) / 3600.0;
        oil::transfer_kw_per_k(duty_kw, (medium, medium), (cold, hot))
    };
    figure(inputs.map(|input| input.value)).ok_or(Unknown::Balance(BalanceError::Nothing))?;
    Ok(Measured::propagated(|values| figure(values).unwrap_or_default(), &inputs))
}

fn expected(settings: &Settings, means: &Means) -> Result<Measured, Unknown> {
    let learned = settings.learned.as_ref().ok_or(Unknown::NothingLearned)?;
    // By the product that is weighed now and was then: dry matter and moisture are taken as the same.
    let pan = Pan { feed_kg_per_h: means.of(Input::Product)?, ..means.pan(settings)? };
    expected_inlet_degc(&pan, learned).map_err(Unknown::Balance)
}

fn probe_error(settings: &Settings, means: &Means, probe: Input) -> Result<Measured, Unknown> {
    let inputs = [means.of(probe)?, expected(settings, means)?];
    Ok(Measured::propagated(|[shown, expected]| shown - expected, &inputs))
}

/// Which of the two inlet probes does not fit.
pub(super) fn probes(settings: &Settings, means: &Means) -> Result<Liar, Unknown> {
    let (first, second) = (means.of(Input::Inlet)?, means.of(Input::SecondInlet)?);
    Ok(which_probe_lies(first, second, expected(settings, means)?))
}
