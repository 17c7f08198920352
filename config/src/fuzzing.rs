//! Ways in for the fuzz targets in `tests/fuzz`.

use crate::quantity::{Quantity, difference, exposure, length_m, point, time};
use setward_protocol::Unit;

/// Reads `text` as every kind of quantity of a signal in `unit`; the numbers that it gives: point, difference, exposure,
/// time (s) and length (m). A refusal gives none, and its words are not empty.
///
/// # Panics
/// When a refusal says nothing.
#[must_use]
pub fn quantities(text: &str, unit: Unit) -> Vec<f64> {
    let text = Quantity::Text(text.to_owned());
    let found = [
        point(&text, unit),
        difference(&text, unit),
        exposure(&text, unit).map(|found| match found {
            crate::quantity::Exposure::Area(area) => area,
            crate::quantity::Exposure::Time(seconds) => seconds,
        }),
        time(&text).map(|time| time.as_secs_f64()),
        length_m(&text),
    ];
    let told = |refusal: crate::quantity::Refusal| {
        assert!(!refusal.found.is_empty() && !refusal.hint.is_empty(), "{refusal:?}");
    };
    found.into_iter().filter_map(|found| found.map_err(told).ok()).collect()
}
