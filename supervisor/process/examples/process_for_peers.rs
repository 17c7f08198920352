//! Writes inputs and results of the process computations as JSON, for tests/peers/process_statistics.py to compute again
//! with libraries of another make. Every input is made here by plain formulas; nothing is read.

use setward_process::heat_balance::oil::transfer_kw_per_k;
use setward_process::hydration::{self, sphere_uptake};
use setward_process::loops::oscillation::oscillation;
use setward_process::loops::step_fit;
use setward_process::series::{Span, Steps, Trace};
use setward_process::statistics::charts::{ewma, individuals};
use setward_process::statistics::compare::compare;
use setward_process::statistics::{Deviations, Samples, t_quantile};
use setward_process::thermal::{Reference, dose};
use setward_process::water::{boiling_point_degc, saturation};
use setward_protocol::Uptime;
use std::fmt::Write;
use std::time::Duration;

/// A JSON object, written name by name.
#[derive(Default)]
struct Object(String);

impl Object {
    fn put(&mut self, name: &str, value: impl std::fmt::Debug) {
        let comma = if self.0.is_empty() { "" } else { ",\n" };
        // The debug form of finite numbers and of lists of them is JSON.
        write!(self.0, "{comma}\"{name}\": {value:?}").expect("a string takes all");
    }
}

/// Numbers between -1 and 1 (a 48-bit multiplicative generator, the constants of POSIX drand48).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(0x5_DEEC_E66D).wrapping_add(11) & ((1 << 48) - 1);
        self.0 as f64 / (1_u64 << 47) as f64 - 1.0
    }

    /// A first-order lag driven by noise about `level`.
    fn lagged(&mut self, count: usize, first_lag: f64, level: f64) -> Vec<f64> {
        let mut state = 0.0;
        let mut next = || {
            state = first_lag * state + self.roll();
            level + state
        };
        (0..count).map(|_| next()).collect()
    }
}

fn at(seconds: f64) -> Uptime {
    Uptime::from_secs_f64(seconds)
}

fn samples(values: &[f64]) -> Samples {
    Samples::new(vec![values.to_vec()], Duration::from_secs(2)).expect("finite numbers")
}

fn main() {
    let mut out = Object::default();
    let mut dice = Dice(2026);
    correlation(&mut out, &mut dice);
    time_weighted(&mut out, &mut dice);
    step(&mut out, &mut dice);
    cook_and_soak(&mut out);
    physics(&mut out);
    println!("{{\n{}\n}}", out.0);
}

fn correlation(out: &mut Object, dice: &mut Dice) {
    let (first, second) = (dice.lagged(3000, 0.9, 182.0), dice.lagged(2000, 0.8, 182.7));
    let (one, two) = (samples(&first), samples(&second));
    let lags: Vec<f64> = (0..60).filter_map(|lag| one.autocorrelation(lag)).collect();
    out.put("first", &first);
    out.put("second", &second);
    out.put("mean", one.mean());
    out.put("standard_deviation", one.standard_deviation().expect("many values"));
    out.put("autocorrelation", lags);
    let told = compare(&one, &two).expect("long windows");
    out.put("effective", [told.first.size, told.second.size]);
    out.put("difference", [told.value, told.least, told.most, told.freedom]);
    let grid = [0.6, 0.9, 0.975, 0.995]
        .iter()
        .flat_map(|p| [1.0, 1.7, 4.0, 9.3, 31.0, 250.0, 1e5].map(|df| (*p, df)));
    let quantiles: Vec<[f64; 3]> = grid.map(|(p, df)| [p, df, t_quantile(p, df).expect("usable")]).collect();
    out.put("t_quantiles", quantiles);
    let chart = individuals(&samples(second.get(..50).unwrap_or_default())).expect("spread");
    out.put("individuals_of_second_50", [chart.centre, chart.low, chart.high]);
    let weighted = ewma(second.iter().copied(), 182.7, 1.0, 0.2).expect("usable");
    out.put("ewma_of_second", weighted.iter().map(|point| point.value).collect::<Vec<f64>>());
    let swing: Vec<f64> = (0..1200)
        .map(|n| libm::sin(2.0 * std::f64::consts::PI * f64::from(n) / 37.3) + dice.roll())
        .collect();
    let told = oscillation(&samples(&swing)).expect("long").expect("a swing");
    out.put("swing", &swing);
    out.put("swing_period_and_amplitude", [told.period_s, told.amplitude]);
}

fn time_weighted(out: &mut Object, dice: &mut Dice) {
    let mut now_s = 0.0;
    let points: Vec<(f64, f64)> = dice
        .lagged(400, 0.95, 185.0)
        .into_iter()
        .map(|value| {
            now_s += 1.0 + 0.9 * dice.roll();
            (now_s, value)
        })
        .collect();
    let held: Vec<_> = points.iter().map(|&(second, value)| (at(second), value)).collect();
    let trace = Trace::new(&held, Duration::from_secs(5)).expect("in order");
    let setpoint = [(at(0.0), Some(185.0)), (at(200.0), Some(186.0))];
    let setpoint = Steps::signed(&setpoint, at(now_s)).expect("in order");
    let ran = [Span { from: at(20.0), to: at(150.0) }, Span { from: at(180.0), to: at(360.0) }];
    let told = Deviations::new(&trace, &setpoint, &ran);
    let band = told.band(Some(-1.0), Some(1.5)).expect("known time");
    out.put("points", points.iter().map(|&(second, value)| [second, value]).collect::<Vec<_>>());
    out.put(
        "weighed",
        [told.mean().expect("known"), told.standard_deviation().expect("known"), told.known_s()],
    );
    out.put("band", [band.below_s, band.within_s, band.above_s, band.below_area, band.above_area]);
}

fn step(out: &mut Object, dice: &mut Dice) {
    let answer: Vec<(f64, f64)> = (-30..500)
        .map(|second| {
            let (now_s, since_s) = (f64::from(second), f64::from(second) - 11.4);
            let done = if since_s > 0.0 { 1.0 - libm::exp(-since_s / 83.0) } else { 0.0 };
            (now_s, 180.0 + 0.6 * -8.0 * done + 0.3 * dice.roll())
        })
        .collect();
    let told = step_fit::fit(&answer, -8.0).expect("a step");
    out.put("step", answer.iter().map(|&(second, value)| [second, value]).collect::<Vec<_>>());
    out.put(
        "step_fit",
        [told.process.gain, told.process.dead_time_s, told.process.lag_s, told.start, told.scatter],
    );
}

fn cook_and_soak(out: &mut Object) {
    let cook = [[0.0, 17.0], [25.0, 96.0], [45.0, 96.0], [53.0, 70.0], [65.0, 69.0]];
    let held: Vec<_> = cook.iter().map(|&[minute, degc]| (at(minute * 60.0), degc)).collect();
    let trace = Trace::new(&held, Duration::from_secs(86_400)).expect("in order");
    let reference = Reference::new(95.0, 33.0).expect("usable");
    out.put("cook", cook);
    out.put("cook_minutes", dose(&trace, trace.span(), &reference).minutes);
    let soaked = [[1.0, 61.2], [2.0, 64.1], [4.0, 70.6], [8.0, 77.2], [12.0, 81.9], [16.0, 84.6]];
    let told =
        hydration::fit(56.25, &soaked.map(|[hour, percent]| (hour, percent)), (55.0, 65.0)).expect("follows");
    out.put("soaked", soaked);
    out.put("soak_fit", [told.law.k1_h_per_percent(), told.law.k2_per_percent(), told.residual_percent]);
    let numbers = [1e-4, 2e-3, 0.009, 0.02, 0.1, 0.7];
    out.put("fourier", numbers);
    out.put("sphere", numbers.map(|number| sphere_uptake(number).expect("0 or more")));
}

fn physics(out: &mut Object) {
    let rows = [0.01, 25.0, 60.0, 95.0, 99.3, 100.0, 150.0, 180.0, 250.0];
    let line = |degc: f64| {
        let told = saturation(degc).expect("on the line");
        [degc, told.pressure_kpa, told.latent_heat_kj_per_kg, told.liquid_kg_per_m3, told.vapour_kg_per_m3]
    };
    out.put("saturation", rows.map(line));
    out.put(
        "boiling",
        [60.0, 83.5, 101.325, 500.0].map(|kpa| [kpa, boiling_point_degc(kpa).expect("on the line")]),
    );
    out.put("transfer_kw_per_k", transfer_kw_per_k(354.0, (240.0, 205.0), (168.0, 183.5)).expect("hotter"));
}
