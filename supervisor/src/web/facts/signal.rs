//! A signal at one moment, beside what the recipe asks of it.

use crate::snapshot::SignalView;
use crate::web::words;
use setward_alarm::Side;
use setward_config::line::{LineSignal, RecipeSetpoint};
use setward_protocol::{NoData, Reading, SignalId, Unit};

/// Differences below this come from binary fractions, not from the plant.
const ROUNDING: f64 = 1e-9;

/// A signal at the moment of the scene.
#[derive(Clone, Copy)]
pub(in crate::web) struct SignalFacts<'a> {
    pub(in crate::web) id: SignalId,
    pub(in crate::web) signal: &'a LineSignal,
    pub(in crate::web) view: &'a SignalView,
    /// What the recipe asks of its value. `None` also for a setpoint that people enter: that has `entered`.
    pub(in crate::web) asked: Option<&'a RecipeSetpoint>,
    /// Whether its value counts now: its station makes product, and what watches it is not silent for want of that.
    pub(in crate::web) judged: bool,
    /// What the recipe asks of it as the setpoint that a person enters.
    pub(in crate::web) entered: Option<Entered>,
}

/// A setpoint that people enter, against the recipe's, in its own unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::web) struct Entered {
    /// What the recipe asks.
    pub(in crate::web) recipe: f64,
    /// How far a person may turn it unasked.
    pub(in crate::web) latitude: f64,
}

impl Entered {
    /// `asked` is in `measured`; the setpoint is entered in `unit`. `None` if one does not convert into the other, which
    /// the line file's check refuses.
    pub(in crate::web) fn of(asked: &RecipeSetpoint, measured: Unit, unit: Unit) -> Option<Self> {
        let (target, latitude) = (asked.target, asked.target.latitude.unwrap_or(0.0));
        let recipe = measured.convert(target.setpoint, unit)?;
        let latitude = measured.of_difference().convert(latitude, unit.of_difference())?;
        Some(Self { recipe, latitude })
    }

    /// Entered minus recipe.
    pub(in crate::web) const fn off(&self, entered: f64) -> f64 {
        entered - self.recipe
    }

    /// Whether `entered` is what the recipe asks, to half a `count` of its register.
    pub(in crate::web) fn is_met_by(&self, entered: f64, count: f64) -> bool {
        self.off(entered).abs() <= count / 2.0 + ROUNDING
    }

    /// Whether `entered` lies beyond the latitude, more than rounding explains.
    pub(in crate::web) fn is_beyond(&self, entered: f64) -> bool {
        self.off(entered).abs() > self.latitude + ROUNDING
    }
}

impl<'a> SignalFacts<'a> {
    /// The whole number of a status word.
    pub(in crate::web) fn code(&self) -> Option<i64> {
        // A float-to-integer cast saturates; a status word is far inside the range.
        self.view.reading.value().map(|value| value.round() as i64)
    }

    /// The value in words or digits, without its unit; what stands in its place when there is none.
    pub(in crate::web) fn shown(&self) -> String {
        match self.view.reading.value() {
            Some(value) => self.show(value),
            None => "no value".to_owned(),
        }
    }

    /// `value` in the signal's words or digits.
    pub(in crate::web) fn show(&self, value: f64) -> String {
        let word = self.signal.codes.get(&(value.round() as i64));
        word.cloned().unwrap_or_else(|| words::number(value, self.signal.decimals))
    }

    /// `value` with its unit; a code's word has none.
    pub(in crate::web) fn show_with_unit(&self, value: f64) -> String {
        words::with_unit(&self.show(value), self.signal.unit)
    }

    /// A difference of this signal with sign and unit.
    pub(in crate::web) fn show_deviation(&self, difference: f64) -> String {
        let shown = words::signed(difference, self.signal.decimals);
        // A bare number beside another would be read as a second value.
        let off = if words::difference_unit(self.signal.unit).is_empty() { "off by " } else { "" };
        format!("{off}{}", words::with_difference_unit(&shown, self.signal.unit))
    }

    /// Why there is no value.
    pub(in crate::web) fn missing(&self) -> Option<NoData> {
        match self.view.reading {
            Reading::Bad(why) => Some(why),
            Reading::Good(_) | Reading::Uncertain(..) => None,
        }
    }

    /// The recipe's setpoint, and how far below and above it the value may be: the tolerance of a value, the latitude of
    /// a setpoint that people enter.
    fn held(&self) -> Option<(f64, f64, f64)> {
        let entered = self.entered.map(|entered| (entered.recipe, entered.latitude, entered.latitude));
        let target = self.asked.map(|asked| asked.target);
        entered.or(target.map(|target| (target.setpoint, target.tolerance_below, target.tolerance_above)))
    }

    /// What the recipe asks.
    pub(in crate::web) fn setpoint(&self) -> Option<f64> {
        self.held().map(|(setpoint, _, _)| setpoint)
    }

    /// Value minus the recipe's setpoint.
    pub(in crate::web) fn deviation(&self) -> Option<f64> {
        Some(self.view.reading.value()? - self.setpoint()?)
    }

    /// The deviation in words while it is judged, else nothing: what is pumped out of a kettle is not 26 K off.
    pub(in crate::web) fn judged_deviation(&self) -> String {
        self.deviation().filter(|_| self.judged).map(|off| self.show_deviation(off)).unwrap_or_default()
    }

    /// The side on which the value is beyond what it may be, while it is judged.
    pub(in crate::web) fn out_of_band(&self) -> Option<Side> {
        let (deviation, (_, below, above)) = (self.deviation()?, self.held()?);
        let side = if deviation > above + ROUNDING {
            Side::Above
        } else if deviation < -below - ROUNDING {
            Side::Below
        } else {
            return None;
        };
        self.judged.then_some(side)
    }

    /// "tolerance" or "latitude".
    pub(in crate::web) const fn band_word(&self) -> &'static str {
        if self.entered.is_some() { "latitude" } else { "tolerance" }
    }

    /// Lowest and highest value that is fine.
    pub(in crate::web) fn band(&self) -> Option<(f64, f64)> {
        let (setpoint, below, above) = self.held()?;
        Some((setpoint - below, setpoint + above))
    }

    /// Deviation in widths of its own side, -3 to 3.
    pub(in crate::web) fn widths_off(&self) -> Option<f64> {
        let (deviation, (_, below, above)) = (self.deviation()?, self.held()?);
        let width = if deviation < 0.0 { below } else { above };
        // Where nothing may be turned, the least is as far off as the bar can show.
        let off = if width > 0.0 { deviation / width } else { 3.0 * deviation.signum() };
        Some(if deviation.abs() <= ROUNDING { 0.0 } else { off.clamp(-3.0, 3.0) })
    }

    /// The words of the last answer.
    pub(in crate::web) fn words(&self) -> &'a [u16] {
        let count = usize::from(self.view.word_count).min(self.view.words.len());
        self.view.words.get(..count).unwrap_or_default()
    }
}
