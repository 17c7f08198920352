//! The heat balance while the line runs: samples in, figures with their uncertainty out, or why there are none.
//!
//! Samples are gathered into bins of ten seconds, and the figures are worked out over a window of such bins: a balance of
//! single samples would tell noise. Only a fryer that stands still thermally has one: product has been under it for so
//! long, and oil, flow and feed move too little to matter. What the oil stores while it warms or cools counts as
//! uncertainty up to [`STORED_SHARE_MAX`] of the heat, beyond that the balance says nothing.
//!
//! Not modelled: the feed is weighed downstream, as dry matter of the finished product, so that a step of the feed is
//! seen late: this is what the time to settle is for.

use super::measured::Measured;
use super::outputs::{self, Means};
use super::{BalanceError, Constants, LearnedDrop, Liar};
use alloc::collections::VecDeque;
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::{NoData, Reading, Uptime};

/// Length of a bin: the figures are told so often.
pub const BIN: Duration = Duration::from_secs(10);
/// The balance is silent if the oil stores or gives off more than this share of the heat. Judgement: a kelvin in two
/// minutes would be 10 %.
pub const STORED_SHARE_MAX: f64 = 0.05;
/// The most by which flow and feed may move from the first half of the window to the second, as a share. Judgement.
const MOVED_SHARE_MAX: (f64, f64) = (0.03, 0.05);
/// So much of a window must be known.
const KNOWN_SHARE_MIN: f64 = 0.75;

/// What is measured. Samples come in the unit that is named.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Input {
    /// Oil through the pan, `m3/h`.
    OilFlow,
    /// Oil entering the pan, degC.
    Inlet,
    /// The same by a second probe, degC.
    SecondInlet,
    /// Oil leaving the pan, degC.
    Outlet,
    /// Oil behind the heat exchanger, degC.
    ExchangerOutlet,
    /// The heating medium in front of it, degC.
    Medium,
    /// Finished product, kg/h.
    Product,
    /// Oil let in since ever, kg.
    MakeUp,
}

impl Input {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::OilFlow,
        Self::Inlet,
        Self::SecondInlet,
        Self::Outlet,
        Self::ExchangerOutlet,
        Self::Medium,
        Self::Product,
        Self::MakeUp,
    ];
}

/// What the balance tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Output {
    /// Water boiled off in the pan, kg/h.
    WaterBoiledOff,
    /// How much wetter the feed is than one comparison time ago, points.
    FeedMoistureChange,
    /// Oil flow that the load needs at the measured drop, `m3/h`.
    OilFlowImplied,
    /// Time in which product carries off as much oil as the system holds, h.
    OilTurnover,
    /// Oil let in less what the product takes up, kg/h.
    MakeUpLessPickUp,
    /// What the heat exchanger transfers for each kelvin, kW/K.
    HeatExchanger,
    /// First inlet probe less what the balance expects, K.
    InletProbeError,
    /// Second inlet probe less what the balance expects, K.
    SecondInletProbeError,
    /// Moisture of the finished product, %.
    FinishedMoisture,
}

impl Output {
    /// Every output with its word in the files.
    pub const NAMED: [(&'static str, Self); 9] = [
        ("water-boiled-off", Self::WaterBoiledOff),
        ("feed-moisture-change", Self::FeedMoistureChange),
        ("oil-flow-implied", Self::OilFlowImplied),
        ("oil-turnover", Self::OilTurnover),
        ("make-up-less-pick-up", Self::MakeUpLessPickUp),
        ("heat-exchanger", Self::HeatExchanger),
        ("inlet-probe-error", Self::InletProbeError),
        ("second-inlet-probe-error", Self::SecondInletProbeError),
        ("finished-moisture", Self::FinishedMoisture),
    ];

    /// What it is worked out from.
    #[must_use]
    pub const fn inputs(self) -> &'static [Input] {
        use Input::{ExchangerOutlet, Inlet, MakeUp, Medium, OilFlow, Outlet, Product, SecondInlet};
        match self {
            Self::WaterBoiledOff
            | Self::FeedMoistureChange
            | Self::OilFlowImplied
            | Self::InletProbeError
            | Self::FinishedMoisture => &[OilFlow, Inlet, Outlet, Product],
            Self::SecondInletProbeError => &[OilFlow, Inlet, Outlet, Product, SecondInlet],
            Self::OilTurnover => &[Product],
            Self::MakeUpLessPickUp => &[Product, MakeUp],
            Self::HeatExchanger => &[OilFlow, Inlet, Outlet, ExchangerOutlet, Medium],
        }
    }
}

/// What is taken as known, and over how long the balance is made.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Oil, loss, solids of the feed, boiling point.
    pub known: Constants,
    /// Temperature of the feed, degC.
    pub feed_degc: Measured,
    /// Oil in pan, pipes and heat exchanger, kg.
    pub oil_in_system_kg: Measured,
    /// Dry matter without oil in the finished product, as a share of its mass.
    pub finished_dry_share: Measured,
    /// Oil in the finished product, as a share of its mass.
    pub oil_share: Measured,
    /// Standard uncertainty of each temperature probe, K.
    pub probe_k: f64,
    /// Standard uncertainty of the oil flow, as a share.
    pub flow_share: f64,
    /// Standard uncertainty of the product flow, as a share.
    pub product_share: f64,
    /// The drop at a time when the probes were right, if it was ever learned.
    pub learned: Option<LearnedDrop>,
    /// What the finished moisture may be, %: it is told only if it is known that well.
    pub finished_specification_percent: Option<(f64, f64)>,
    /// Window of the means.
    pub over: Duration,
    /// How long product must have been under the fryer before the window begins.
    pub settle: Duration,
    /// How far back the feed's moisture is compared.
    pub compared_with: Duration,
    /// Window of make-up against pick-up.
    pub make_up_over: Duration,
}

/// Why an output has no value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unknown {
    /// This input is bad.
    Input(Input, NoData),
    /// Too little is known yet of this input over the window.
    TooShort(Input),
    /// No product is under the fryer, or the station does not run.
    NoProduct,
    /// Product has not been there for long enough: so many seconds are still to come.
    Settling(u64),
    /// This input moves: by so much of itself (flow, product), or by so many K/min (oil).
    Moving(Input, f64),
    /// There was no steady window at the time to compare with.
    NothingToCompare,
    /// No drop was ever learned.
    NothingLearned,
    /// The balance itself.
    Balance(BalanceError),
}

impl Unknown {
    /// The reason as a reading has it.
    #[must_use]
    pub const fn no_data(self) -> NoData {
        match self {
            Self::Input(_, why) => why,
            Self::TooShort(_) | Self::NothingToCompare => NoData::TooLittleKnown,
            Self::NoProduct | Self::Settling(_) | Self::Moving(..) => NoData::NotSteady,
            Self::NothingLearned | Self::Balance(_) => NoData::TooUncertain,
        }
    }
}

/// Bins of one input.
#[derive(Debug, Clone, PartialEq)]
struct Track {
    bins: VecDeque<Option<f64>>,
    most: usize,
    sum: f64,
    count: u32,
    last: Option<f64>,
    bad: Option<NoData>,
}

impl Track {
    fn new(most: usize) -> Self {
        Self { bins: VecDeque::with_capacity(most), most, sum: 0.0, count: 0, last: None, bad: None }
    }

    fn take(&mut self, reading: Reading) {
        match reading {
            Reading::Good(value) => {
                self.sum += value;
                self.count += 1;
                (self.last, self.bad) = (Some(value), None);
            }
            Reading::Uncertain(..) => {}
            Reading::Bad(why) => self.bad = Some(why),
        }
    }

    fn close(&mut self, of_total: bool) {
        let mean = match self.count {
            0 => None,
            _ if of_total => self.last,
            count => Some(self.sum / f64::from(count)),
        };
        if self.bins.len() == self.most {
            self.bins.pop_front();
        }
        self.bins.push_back(mean);
        (self.sum, self.count) = (0.0, 0);
    }

    /// The newest `count` bins that are known, oldest first; `None` if too few are.
    fn window(&self, count: usize) -> Option<Vec<f64>> {
        let skip = self.bins.len().checked_sub(count)?;
        let mut known = Vec::with_capacity(count);
        known.extend(self.bins.iter().skip(skip).filter_map(|bin| *bin));
        (known.len() as f64 >= KNOWN_SHARE_MIN * count as f64 && known.len() >= 2).then_some(known)
    }

    /// What was gained between the first and the last known bin of the newest `count`, and the hours between them.
    fn gained(&self, count: usize) -> Option<(f64, f64)> {
        let skip = self.bins.len().checked_sub(count)?;
        let known =
            || self.bins.iter().enumerate().skip(skip).filter_map(|(at, bin)| bin.map(|bin| (at, bin)));
        let ((first, from), (last, to)) = known().next().zip(known().next_back())?;
        let hours = (last - first) as f64 * BIN.as_secs_f64() / 3600.0;
        (hours > 0.0).then_some((to - from, hours))
    }
}

/// The balance of one fryer.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveBalance {
    settings: Settings,
    tracks: Vec<Track>,
    /// Means of past windows, newest last; `None`: it was not steady.
    past: VecDeque<Option<Means>>,
    /// Since when product has been under the fryer without a break.
    present_since: Option<Uptime>,
    now: Uptime,
}

impl LiveBalance {
    /// Nothing measured yet.
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        let most = |input: &Input| match input {
            Input::MakeUp | Input::Product => bins(settings.make_up_over.max(settings.over)) + 1,
            Input::OilFlow
            | Input::Inlet
            | Input::SecondInlet
            | Input::Outlet
            | Input::ExchangerOutlet
            | Input::Medium => bins(settings.over),
        };
        let tracks = Input::ALL.iter().map(|input| Track::new(most(input))).collect();
        Self { settings, tracks, past: VecDeque::new(), present_since: None, now: Uptime::START }
    }

    /// What it was made with.
    #[must_use]
    pub const fn settings(&self) -> &Settings {
        &self.settings
    }

    /// A fresh reading of an input, in its unit.
    pub fn handle(&mut self, input: Input, reading: Reading) {
        if let Some(track) = self.tracks.get_mut(input as usize) {
            track.take(reading);
        }
    }

    /// A bin is over. `is_present`: the station runs and product is under it.
    pub fn close_bin(&mut self, now: Uptime, is_present: bool) {
        for (track, input) in self.tracks.iter_mut().zip(Input::ALL) {
            track.close(input == Input::MakeUp);
        }
        self.now = now;
        self.present_since = if is_present { self.present_since.or(Some(now)) } else { None };
        if self.past.len() > bins(self.settings.compared_with) {
            self.past.pop_front();
        }
        let means = self.means(outputs::PAN).ok();
        self.past.push_back(means);
    }

    /// An output now, in its unit.
    ///
    /// # Errors
    /// Why it is not known.
    pub fn output(&self, output: Output) -> Result<Measured, Unknown> {
        let settings = &self.settings;
        match output {
            Output::MakeUpLessPickUp => self.make_up(),
            Output::FeedMoistureChange => {
                let now = self.means(output.inputs())?;
                let before = self.past.front().filter(|_| self.past.len() > bins(settings.compared_with));
                let before = before.and_then(Option::as_ref).ok_or(Unknown::NothingToCompare)?;
                outputs::moisture_change(settings, before, &now)
            }
            Output::WaterBoiledOff
            | Output::OilFlowImplied
            | Output::OilTurnover
            | Output::HeatExchanger
            | Output::InletProbeError
            | Output::SecondInletProbeError
            | Output::FinishedMoisture => outputs::of_means(settings, output, &self.means(output.inputs())?),
        }
    }

    /// Which of the two inlet probes is wrong.
    ///
    /// # Errors
    /// Why that is not known.
    pub fn probes(&self) -> Result<Liar, Unknown> {
        outputs::probes(&self.settings, &self.means(Output::SecondInletProbeError.inputs())?)
    }

    /// The means of what is wanted, if all of it is steady.
    fn means(&self, wanted: &[Input]) -> Result<Means, Unknown> {
        self.is_settled()?;
        let mut means = Means::default();
        for &input in wanted {
            let window = self.window(input, bins(self.settings.over))?;
            let bias_share = match input {
                Input::OilFlow => self.settings.flow_share,
                Input::Product => self.settings.product_share,
                Input::Inlet
                | Input::SecondInlet
                | Input::Outlet
                | Input::ExchangerOutlet
                | Input::Medium
                | Input::MakeUp => 0.0,
            };
            let moved = moved(&window);
            let mut mean = mean_of(&window);
            mean.bias = if bias_share > 0.0 { bias_share * mean.value.abs() } else { self.settings.probe_k };
            still(input, moved, mean.value)?;
            means.set(input, mean, moved / (self.settings.over.as_secs_f64() / 2.0));
        }
        outputs::stores_little(&self.settings, &means)?;
        Ok(means)
    }

    fn is_settled(&self) -> Result<(), Unknown> {
        let since = self.present_since.ok_or(Unknown::NoProduct)?;
        let wanted = self.settings.over + self.settings.settle;
        let left = wanted.saturating_sub(self.now.since(since)).as_secs();
        if left > 0 { Err(Unknown::Settling(left)) } else { Ok(()) }
    }

    fn window(&self, input: Input, count: usize) -> Result<Vec<f64>, Unknown> {
        let track = self.tracks.get(input as usize).ok_or(Unknown::TooShort(input))?;
        if let Some(why) = track.bad {
            return Err(Unknown::Input(input, why));
        }
        track.window(count).ok_or(Unknown::TooShort(input))
    }

    /// What the counter gained over its window, less what the product took up.
    fn make_up(&self) -> Result<Measured, Unknown> {
        let over = self.settings.make_up_over;
        let count = bins(over) + 1;
        let (total, product) = (self.window(Input::MakeUp, count)?, self.window(Input::Product, count)?);
        let is_counting = total.windows(2).all(|pair| matches!(pair, [one, next] if next >= one));
        let (gained_kg, hours) = self
            .tracks
            .get(Input::MakeUp as usize)
            .and_then(|track| track.gained(count))
            .filter(|_| is_counting)
            .ok_or(Unknown::Input(Input::MakeUp, NoData::OutOfRange))?;
        let mut product = mean_of(&product);
        product.bias = self.settings.product_share * product.value.abs();
        outputs::make_up_less_pick_up(&self.settings, (gained_kg, hours), product)
    }
}

/// How many bins a time is, one at least.
fn bins(time: Duration) -> usize {
    usize::try_from(time.as_secs() / BIN.as_secs()).unwrap_or(usize::MAX).clamp(1, 8_640)
}

/// Mean with the noise that its bins leave in it: those that follow each other are worth fewer (by their first
/// autocorrelation), at least one.
fn mean_of(window: &[f64]) -> Measured {
    let count = window.len() as f64;
    let mean = window.iter().sum::<f64>() / count;
    let squares: f64 = window.iter().map(|value| (value - mean) * (value - mean)).sum();
    if squares <= 0.0 {
        return Measured::exact(mean);
    }
    let products = window.windows(2).map(|pair| match pair {
        [one, next] => (one - mean) * (next - mean),
        _ => 0.0,
    });
    let follows = (products.sum::<f64>() / squares).clamp(0.0, 0.95);
    let worth = (count * (1.0 - follows) / (1.0 + follows)).max(1.0);
    Measured { value: mean, noise: libm::sqrt(squares / (count - 1.0).max(1.0) / worth), bias: 0.0 }
}

/// Mean of the second half less that of the first.
fn moved(window: &[f64]) -> f64 {
    let (first, second) = window.split_at(window.len() / 2);
    let mean = |half: &[f64]| half.iter().sum::<f64>() / half.len().max(1) as f64;
    mean(second) - mean(first)
}

fn still(input: Input, moved: f64, mean: f64) -> Result<(), Unknown> {
    let most = match input {
        Input::OilFlow => MOVED_SHARE_MAX.0,
        Input::Product => MOVED_SHARE_MAX.1,
        Input::Inlet
        | Input::SecondInlet
        | Input::Outlet
        | Input::ExchangerOutlet
        | Input::Medium
        | Input::MakeUp => return Ok(()),
    };
    if mean <= 0.0 {
        return Err(if input == Input::Product {
            Unknown::NoProduct
        } else {
            Unknown::Balance(BalanceError::Nothing)
        });
    }
    let share = (moved / mean).abs();
    if share > most { Err(Unknown::Moving(input, share)) } else { Ok(()) }
}
