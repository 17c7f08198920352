//! The fryer's heat balance on its way through the line task: samples into its bins, its figures into signals, and what
//! stands beside them: how sure a figure is, or why there is none.

use super::LineTask;
use super::signals::Fresh;
use setward_config::line::{Followed, HeatBalance, Line, LineSignal, Origin};
use setward_process::heat_balance::Liar;
use setward_process::heat_balance::live::{Input, LiveBalance, Output, Unknown};
use setward_process::heat_balance::{BalanceError, COVERAGE};
use setward_protocol::{Mode, NoData, Reading, SignalId, Uptime};
use std::sync::Arc;

/// What stands beside a value of the balance.
#[derive(Debug, Clone, PartialEq)]
pub struct BalanceView {
    /// Its signal.
    pub signal: SignalId,
    /// Twice its standard uncertainty (about 95 %), in the signal's unit; `None` where there is no value.
    pub uncertainty: Option<f64>,
    /// Why there is no value, in words that name the signal it hangs on.
    pub why: Option<String>,
    /// What two probes in one stream say of each other.
    pub verdict: Option<&'static str>,
}

/// The balance of the line, if it has one.
#[derive(Debug)]
pub struct BalanceBook {
    live: Option<(HeatBalance, LiveBalance)>,
    /// By signal: what it is to the balance.
    inputs: Vec<Option<Input>>,
    outputs: Vec<(SignalId, Output)>,
    views: Arc<Vec<BalanceView>>,
}

impl BalanceBook {
    /// Nothing measured yet.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let outputs: Vec<(SignalId, Output)> = line
            .signals_with_ids()
            .filter_map(|(id, signal)| match signal.origin {
                Origin::Followed(Followed::Balance(output)) => Some((id, output)),
                Origin::Followed(
                    Followed::SinceGood(_)
                    | Followed::YoungestFeeding
                    | Followed::OldestCorn
                    | Followed::OldestIn(_)
                    | Followed::DueTank,
                )
                | Origin::Register(_)
                | Origin::Derived(_)
                | Origin::Entered => None,
            })
            .collect();
        let mut inputs = vec![None; line.signals.len()];
        // Nobody asks: nothing is gathered.
        let balance = line.heat_balance.as_ref().filter(|_| !outputs.is_empty());
        for (input, signal) in balance.iter().flat_map(|balance| &balance.inputs) {
            if let Some(place) = inputs.get_mut(signal.index()) {
                *place = Some(*input);
            }
        }
        let live = balance.map(|balance| (balance.clone(), LiveBalance::new(balance.settings.clone())));
        Self { live, inputs, outputs, views: Arc::default() }
    }

    /// A fresh reading.
    pub fn take(&mut self, line: &Line, fresh: &Fresh) {
        let (Some(input), Some((_, live))) =
            (self.inputs.get(fresh.signal.index()).copied().flatten(), &mut self.live)
        else {
            return;
        };
        let unit = line.signal(fresh.signal).unit;
        let reading = match fresh.reading {
            Reading::Good(value) => unit
                .convert(value, HeatBalance::unit_of_input(input))
                .map_or(Reading::Bad(NoData::OutOfRange), Reading::Good),
            other @ (Reading::Uncertain(..) | Reading::Bad(_)) => other,
        };
        live.handle(input, reading);
    }

    /// What a signal of the balance says now.
    #[must_use]
    pub fn reading(&self, signal: &LineSignal, output: Output) -> Reading {
        let Some((_, live)) = &self.live else { return Reading::Bad(NoData::TooLittleKnown) };
        let value = match live.output(output) {
            Ok(told) => HeatBalance::unit_of_output(output).convert(told.value, signal.unit),
            Err(why) => return Reading::Bad(why.no_data()),
        };
        let (low, high) = signal.range;
        let inside = value.filter(|value| (low..=high).contains(value));
        inside.map_or(Reading::Bad(NoData::OutOfRange), Reading::Good)
    }

    /// What stands beside the values.
    #[must_use]
    pub fn views(&self) -> Arc<Vec<BalanceView>> {
        Arc::clone(&self.views)
    }

    fn close(&mut self, line: &Line, now: Uptime, is_present: bool) {
        let Some((balance, live)) = &mut self.live else { return };
        live.close_bin(now, is_present);
        let view = |&(signal, output): &(SignalId, Output)| {
            let told = live.output(output);
            let unit = line.signal(signal).unit;
            let expanded =
                |uncertainty: f64| HeatBalance::unit_of_output(output).convert(COVERAGE * uncertainty, unit);
            let verdict = matches!(output, Output::InletProbeError | Output::SecondInletProbeError)
                .then(|| live.probes().ok().map(verdict))
                .flatten();
            BalanceView {
                signal,
                uncertainty: told.ok().and_then(|told| expanded(told.uncertainty())),
                why: told.err().map(|why| words(line, balance, why)),
                verdict,
            }
        };
        self.views = Arc::new(self.outputs.iter().map(view).collect());
    }
}

impl LineTask<'_> {
    /// Ten seconds are over.
    pub(super) fn close_balance(&mut self, now: Uptime) {
        let Some(balance) = &self.line.heat_balance else { return };
        let runs = self.core.mode(balance.station) == Mode::Run;
        let is_present = runs && self.core.product_present(balance.station) != Some(false);
        let line = Arc::clone(&self.line);
        self.balance.close(&line, now, is_present);
    }
}

const fn verdict(liar: Liar) -> &'static str {
    match liar {
        Liar::Neither => "the two probes agree within their uncertainty",
        Liar::First => "the first probe does not fit the balance, the second does",
        Liar::Second => "the second probe does not fit the balance, the first does",
        Liar::BothFit => "the two probes disagree, and the balance is not sharp enough to say which is wrong",
        Liar::NeitherFits => "the two probes disagree, and neither fits: look at flow, feed and outlet too",
    }
}

/// Why there is no figure, naming the signal it hangs on.
fn words(line: &Line, balance: &HeatBalance, why: Unknown) -> String {
    let tag = |input: Input| {
        let own = balance.inputs.iter().find(|(known, _)| *known == input);
        own.map_or("a signal that the line does not have", |(_, id)| line.signal(*id).tag.as_str())
    };
    match why {
        Unknown::Input(input, why) => format!("{} has no usable value: {why}", tag(input)),
        Unknown::TooShort(input) => format!("too little of {} is known yet", tag(input)),
        Unknown::NoProduct => format!("no product at station {}", line.station(balance.station).name),
        Unknown::Settling(seconds) => {
            format!("product has come only lately: steady in {} min at the earliest", seconds.div_ceil(60))
        }
        Unknown::Moving(input @ (Input::OilFlow | Input::Product), share) => {
            format!("{} moved by {:.0} % within the window", tag(input), share * 100.0)
        }
        Unknown::Moving(input, k_per_min) => {
            format!("{} moves by {k_per_min:+.2} K/min: the oil stores too much of the heat", tag(input))
        }
        Unknown::NothingToCompare => "there was no steady time to compare with".to_owned(),
        Unknown::NothingLearned => {
            "the heat balance was never told what it would be compared with".to_owned()
        }
        Unknown::Balance(
            error @ (BalanceError::Input | BalanceError::BoilingPoint(_) | BalanceError::Nothing),
        ) => error.to_string(),
        Unknown::Balance(error @ BalanceError::TooUncertain { .. }) => error.to_string(),
    }
}
