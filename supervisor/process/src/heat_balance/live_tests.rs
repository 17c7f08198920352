//! The live balance on made-up hours: its figures against those worked by hand, and what it says when it can't tell.

use super::live::{BIN, Input, LiveBalance, Output, Settings, Unknown};
use super::*;
use core::time::Duration;
use setward_protocol::{NoData, Reading, Uptime};

fn close(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found}, not {expected} within {within}");
}

/// The reference line: 1000 kg/h of product at 1.3 % moisture and 24 % oil of feed at 35 %.
fn settings() -> Settings {
    Settings {
        known: Constants {
            oil_kg_per_m3: Measured::exact(830.0),
            oil_kj_per_kg_k: Measured::new(2.3, 0.0, 0.115),
            loss_kw: Measured::new(15.0, 0.0, 4.0),
            solids_share: Measured::new(0.65, 0.0, 0.0075),
            solids_kj_per_kg_k: Measured::new(1.6, 0.0, 0.15),
            boiling_degc: 100.0,
        },
        feed_degc: Measured::new(30.0, 0.0, 10.0),
        oil_in_system_kg: Measured::new(2000.0, 0.0, 60.0),
        finished_dry_share: Measured::new(0.745, 0.0, 0.008),
        oil_share: Measured::new(0.24, 0.0, 0.0075),
        probe_k: 0.4,
        flow_share: 0.025,
        product_share: 0.02,
        learned: Some(LearnedDrop {
            drop_k: Measured::new(14.5, 0.1, 0.0),
            idle_drop_k: Measured::new(1.5, 0.3, 0.0),
            feed_kg_per_h: Measured::exact(1000.0),
            oil_flow_m3_per_h: Measured::exact(46.0),
            load_share: 0.03,
        }),
        finished_specification_percent: Some((0.9, 1.8)),
        over: Duration::from_secs(300),
        settle: Duration::from_secs(600),
        compared_with: Duration::from_secs(900),
        make_up_over: Duration::from_secs(1800),
    }
}

/// A plant and its balance, ten seconds a step.
struct Hour {
    balance: LiveBalance,
    at: Uptime,
    total_kg: f64,
    /// Flow, inlet, second inlet, outlet, exchanger outlet, medium, product, in the order of [`Input::ALL`]; make-up in kg/h.
    now: [f64; 8],
    present: bool,
}

impl Hour {
    fn new() -> Self {
        let now = [46.0, 182.0, 181.9, 167.5, 183.4, 238.0, 1000.0, 240.0];
        let balance = LiveBalance::new(settings());
        Self { balance, at: Uptime::START, total_kg: 5000.0, now, present: true }
    }

    fn set(&mut self, input: Input, value: f64) {
        self.now[input as usize] = value;
    }

    fn run(&mut self, minutes: u64) {
        for _ in 0..minutes * 6 {
            self.total_kg += self.now[Input::MakeUp as usize] * BIN.as_secs_f64() / 3600.0;
            for input in Input::ALL {
                let value = if input == Input::MakeUp { self.total_kg } else { self.now[input as usize] };
                self.balance.handle(input, Reading::Good(value));
            }
            self.at = self.at + BIN;
            self.balance.close_bin(self.at, self.present);
        }
    }

    fn value(&self, output: Output) -> f64 {
        self.balance.output(output).unwrap_or_else(|why| panic!("{output:?}: {why:?}")).value
    }

    fn unknown(&self, output: Output) -> Unknown {
        self.balance.output(output).unwrap_err()
    }
}

/// 46 m3/h falling by 14.5 K are 353.7 kW; less 15 of loss and 48 of solids leave 386 kg/h of water (computed with the
/// iapws package); 2000 kg of oil at 240 kg/h are 8.33 h; 240 kg/h let in are what 1000 kg/h take up; an exchanger that
/// heats by 15.9 K (387.9 kW) from 238 degC has 62.2 K of mean difference.
#[test]
fn the_figures_of_the_reference_line() {
    let mut hour = Hour::new();
    hour.run(60);
    close(hour.value(Output::WaterBoiledOff), 386.0, 6.0);
    close(hour.value(Output::OilTurnover), 8.333, 1e-3);
    close(hour.value(Output::MakeUpLessPickUp), 0.0, 1e-6);
    close(hour.value(Output::FeedMoistureChange), 0.0, 1e-9);
    close(hour.value(Output::OilFlowImplied), 46.0, 0.9);
    let mean_k = (70.5 - 54.6) / libm::log(70.5 / 54.6);
    close(hour.value(Output::HeatExchanger), 46.0 * 830.0 * 2.3 * 15.9 / 3600.0 / mean_k, 1e-6);
    close(hour.value(Output::InletProbeError), 0.0, 1e-9);
    close(hour.value(Output::SecondInletProbeError), -0.1, 1e-9);
    assert_eq!(hour.balance.probes(), Ok(Liar::Neither));
}

#[test]
fn no_finished_moisture_is_told_that_the_balance_cannot_support() {
    let mut hour = Hour::new();
    hour.run(60);
    let why = hour.unknown(Output::FinishedMoisture);
    assert!(
        matches!(why, Unknown::Balance(BalanceError::TooUncertain { allowed, .. }) if allowed < 0.5),
        "{why:?}"
    );
    assert_eq!(why.no_data(), NoData::TooUncertain);
}

/// 1.5 points of 1146 kg/h are 17 kg/h more water: 0.6 K more drop.
#[test]
fn a_wetter_feed_is_a_step_against_a_quarter_of_an_hour_ago() {
    let mut hour = Hour::new();
    hour.run(40);
    let latent = latent_kj_per_kg(&settings().known).unwrap();
    let kw = 0.015 * 1146.15 / 3600.0 * water_kj_per_kg(30.0, 174.75, latent, 100.0);
    hour.set(Input::Outlet, 167.5 - kw * 3600.0 / (46.0 * 830.0 * 2.3));
    hour.run(10);
    let step = hour.balance.output(Output::FeedMoistureChange).unwrap();
    close(step.value, 1.5, 0.05);
    assert!(COVERAGE * step.uncertainty() < 1.0, "steps of one to two points show: {step:?}");
    hour.run(20);
    close(hour.value(Output::FeedMoistureChange), 0.0, 1e-6);
}

/// The week's fouled probe: the first reads 182.0 while the oil is at 185.4.
#[test]
fn the_probe_that_lies_is_told() {
    let mut hour = Hour::new();
    hour.run(30);
    hour.set(Input::SecondInlet, 185.3);
    hour.set(Input::Outlet, 170.9);
    hour.run(10);
    close(hour.value(Output::InletProbeError), -3.4, 1e-6);
    assert_eq!(hour.balance.probes(), Ok(Liar::First));
}

/// The screen blocks and the meter does not show it: the drop of 17.8 K needs 37.5 m3/h.
#[test]
fn a_flow_that_the_meter_does_not_show() {
    let mut hour = Hour::new();
    hour.set(Input::Outlet, 182.0 - 17.79);
    hour.run(30);
    close(hour.value(Output::OilFlowImplied), 37.5, 0.9);
}

#[test]
fn lost_oil_is_what_is_let_in_beyond_the_pick_up() {
    let mut hour = Hour::new();
    hour.set(Input::MakeUp, 300.0);
    hour.run(60);
    let lost = hour.balance.output(Output::MakeUpLessPickUp).unwrap();
    close(lost.value, 60.0, 1e-6);
    assert!(lost.differs_from(Measured::exact(0.0)), "{lost:?}");
}

#[test]
fn it_is_silent_until_the_line_runs_steadily_and_says_what_it_waits_for() {
    let mut hour = Hour::new();
    hour.present = false;
    hour.run(30);
    assert_eq!(hour.unknown(Output::WaterBoiledOff), Unknown::NoProduct);
    hour.present = true;
    hour.run(5);
    let why = hour.unknown(Output::WaterBoiledOff);
    assert!(matches!(why, Unknown::Settling(600..=620)), "{why:?}");
    assert_eq!(why.no_data(), NoData::NotSteady);
    hour.run(11);
    assert!(hour.balance.output(Output::WaterBoiledOff).is_ok());
    assert_eq!(hour.unknown(Output::FeedMoistureChange), Unknown::NothingToCompare);
    // Half a kelvin a minute: 2000 kg of oil store 38 kW of 354.
    for step in 1..=10 {
        hour.set(Input::Inlet, 182.0 + f64::from(step) * 0.5);
        hour.set(Input::Outlet, 167.5 + f64::from(step) * 0.5);
        hour.run(1);
    }
    let why = hour.unknown(Output::WaterBoiledOff);
    // Ten steps of a minute are no straight line: the slope through them is a little less.
    assert!(matches!(why, Unknown::Moving(Input::Inlet, k) if (0.47..=0.5).contains(&k)), "{why:?}");
    // What does not hang on the oil's heat is told all the same.
    close(hour.value(Output::OilTurnover), 8.333, 1e-3);
}

#[test]
fn a_bad_input_is_named_and_makes_bad_what_hangs_on_it_only() {
    let mut hour = Hour::new();
    hour.run(40);
    hour.balance.handle(Input::Outlet, Reading::Bad(NoData::SensorFault));
    assert_eq!(hour.unknown(Output::WaterBoiledOff), Unknown::Input(Input::Outlet, NoData::SensorFault));
    assert_eq!(hour.unknown(Output::WaterBoiledOff).no_data(), NoData::SensorFault);
    assert!(hour.balance.output(Output::OilTurnover).is_ok());
    hour.run(1);
    assert!(hour.balance.output(Output::WaterBoiledOff).is_ok(), "a probe that is back is believed");
    // A counter that was replaced begins again: nobody knows what it gained.
    hour.total_kg = 0.0;
    hour.run(1);
    assert_eq!(hour.unknown(Output::MakeUpLessPickUp), Unknown::Input(Input::MakeUp, NoData::OutOfRange));
}

#[test]
fn a_line_whose_feed_steps_is_not_steady() {
    let mut hour = Hour::new();
    hour.run(40);
    hour.set(Input::Product, 800.0);
    hour.run(3);
    let why = hour.unknown(Output::WaterBoiledOff);
    assert!(matches!(why, Unknown::Moving(Input::Product, share) if share > 0.1), "{why:?}");
    hour.run(5);
    assert!(hour.balance.output(Output::WaterBoiledOff).is_ok());
}

#[test]
fn silence_of_a_quarter_of_a_window_is_borne_and_more_is_not() {
    let mut hour = Hour::new();
    hour.run(40);
    for bin in 1..=9_u32 {
        hour.at = hour.at + BIN;
        hour.balance.close_bin(hour.at, true);
        assert_eq!(hour.balance.output(Output::WaterBoiledOff).is_ok(), bin <= 7, "{bin}");
    }
    assert_eq!(hour.unknown(Output::WaterBoiledOff), Unknown::TooShort(Input::OilFlow));
}
