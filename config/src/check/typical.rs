//! Where a simulator has a signal sit of which the line file does not say it: where the running recipe wants it, so that a line
//! that has just been written begins without an alarm. All else was settled with the signal.

use crate::line::{LineSignal, Recipe};
use crate::raw::line::RawLine;
use setward_protocol::SignalId;

/// Moves the signals that the recipe holds, and the setpoints entered for them, to its setpoints.
pub(crate) fn as_the_recipe_asks(raw: &RawLine, recipe: Option<&Recipe>, signals: &mut [Option<LineSignal>]) {
    let Some(recipe) = recipe else { return };
    for asked in &recipe.setpoints {
        let unit = signals.get(asked.signal.index()).and_then(Option::as_ref).map(|signal| signal.unit);
        for own in [Some(asked.signal), asked.entered].into_iter().flatten() {
            let Some(Some(signal)) = signals.get_mut(own.index()) else { continue };
            let value = unit.and_then(|unit| unit.convert(asked.target.setpoint, signal.unit));
            let fits = value.filter(|value| (signal.range.0..=signal.range.1).contains(value));
            if let Some(value) = fits.filter(|_| !is_written(raw, own)) {
                signal.simulate.typical = value;
            }
        }
    }
}

/// Whether the line file says itself where the signal sits.
fn is_written(raw: &RawLine, signal: SignalId) -> bool {
    // Derived and entered signals come after those that are read, and have nothing to simulate.
    raw.signals
        .get(signal.index())
        .is_none_or(|own| own.simulate.as_ref().is_some_and(|simulate| simulate.typical.is_some()))
}
