//! What operators have told the line to do, and what that switches.

use crate::operation::Operation;
use crate::physics::fryer_loop::FryerSetting;
use std::time::Duration;

/// Belts and pump run on so long after a stop: the last product leaves, the oil cools. Illustrative.
const RUN_ON: Duration = Duration::from_secs(600);

/// The operators' state.
#[derive(Debug, Clone)]
pub(crate) struct Crew {
    doing: Operation,
    since: Duration,
    /// Oven and fryer have been hot since the line was told to run.
    fed: bool,
    /// The cook house begins batches.
    cooks: bool,
}

impl Crew {
    /// A line that has run for a long time.
    pub(crate) const fn running() -> Self {
        Self { doing: Operation::Run, since: Duration::ZERO, fed: true, cooks: true }
    }

    /// What the line was last told; never something that is the cook house's alone.
    pub(crate) const fn doing(&self) -> Operation {
        self.doing
    }

    /// Whether the cook house begins batches.
    pub(crate) const fn cooks(&self) -> bool {
        self.cooks
    }

    /// Tells the line, or the cook house, to do something else.
    pub(crate) fn operate(&mut self, operation: Operation) {
        // A line that was fed and stays hot needs no waiting.
        self.fed = match operation {
            Operation::Run | Operation::StopFeed => self.fed,
            Operation::Hold | Operation::Stop | Operation::HeatUp | Operation::BoilOut => false,
            Operation::CookStop | Operation::CookStart => {
                self.cooks = operation == Operation::CookStart;
                return;
            }
        };
        if operation != self.doing {
            (self.doing, self.since) = (operation, Duration::ZERO);
        }
    }

    /// Lets `span` pass; `hot` says whether oven and fryer are.
    pub(crate) fn step(&mut self, span: Duration, hot: bool) {
        self.since = self.since.saturating_add(span);
        self.fed |= self.doing == Operation::Run && hot;
    }

    /// Whether the cutter is told to run.
    pub(crate) fn wants_feed(&self) -> bool {
        self.doing == Operation::Run && self.fed
    }

    /// Whether a tank is lined up to the line.
    pub(crate) const fn lined_up(&self) -> bool {
        match self.doing {
            Operation::Run | Operation::StopFeed => self.fed,
            Operation::Hold
            | Operation::Stop
            | Operation::HeatUp
            | Operation::BoilOut
            | Operation::CookStop
            | Operation::CookStart => false,
        }
    }

    /// Whether the oven is heated.
    pub(crate) const fn oven_on(&self) -> bool {
        match self.doing {
            Operation::Run | Operation::StopFeed | Operation::Hold | Operation::HeatUp => true,
            Operation::Stop | Operation::BoilOut | Operation::CookStop | Operation::CookStart => false,
        }
    }

    /// Whether the belts run.
    pub(crate) fn belts_run(&self) -> bool {
        self.oven_on() || self.since < RUN_ON
    }

    /// Whether the oil pump runs.
    pub(crate) fn pump_runs(&self) -> bool {
        self.doing != Operation::Stop || self.since < RUN_ON
    }

    /// How the fryer is to run.
    pub(crate) const fn fryer(&self) -> FryerSetting {
        match self.doing {
            Operation::Run | Operation::StopFeed | Operation::HeatUp => FryerSetting::Fry,
            Operation::Hold => FryerSetting::SetBack,
            Operation::BoilOut => FryerSetting::BoilOut,
            Operation::Stop | Operation::CookStop | Operation::CookStart => FryerSetting::Off,
        }
    }
}
