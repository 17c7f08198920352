//! The fryer's heat balance, as the programs use it.

use super::StationId;
use setward_process::heat_balance::live::{BIN, Input, Output, Settings};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// How often the balance is worked out.
pub const BALANCE_BIN: Duration = BIN;

/// What the balance of the line's fryer is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatBalance {
    /// The fryer: it must run, with product under it.
    pub station: StationId,
    /// What is taken as known.
    pub settings: Settings,
    /// The signals that are measured.
    pub inputs: Vec<(Input, SignalId)>,
}

impl HeatBalance {
    /// The unit in which an input is fed to the balance.
    #[must_use]
    pub const fn unit_of_input(input: Input) -> Unit {
        match input {
            Input::OilFlow => Unit::CubicMetrePerHour,
            Input::Inlet | Input::SecondInlet | Input::Outlet | Input::ExchangerOutlet | Input::Medium => {
                Unit::DegC
            }
            Input::Product => Unit::KilogramPerHour,
            Input::MakeUp => Unit::Kilogram,
        }
    }

    /// The unit in which the balance tells an output.
    #[must_use]
    pub const fn unit_of_output(output: Output) -> Unit {
        match output {
            Output::WaterBoiledOff | Output::MakeUpLessPickUp => Unit::KilogramPerHour,
            Output::FeedMoistureChange | Output::FinishedMoisture => Unit::Percent,
            Output::OilFlowImplied => Unit::CubicMetrePerHour,
            Output::OilTurnover => Unit::Hour,
            Output::HeatExchanger => Unit::KilowattPerKelvin,
            Output::InletProbeError | Output::SecondInletProbeError => Unit::Kelvin,
        }
    }
}
