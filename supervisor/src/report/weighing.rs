//! How much corn went into a kettle, by what is heavier after its fill than before.

use super::axis;
use crate::history::{HistoryError, HistoryStore};
use crate::line::batches::BatchView;
use setward_config::line::Line;
use setward_process::batches::Phase;
use setward_protocol::{SignalId, Unit, UtcMillis};

/// The kettle is weighed so long before its fill and after it, ms: the agitator moves single readings by kilograms.
const WEIGHED_FOR_MS: i64 = 60_000;
/// Fewer readings are no weighing.
const READINGS_LEAST: usize = 5;
/// How far a weighing may be off, as a share of what is in the kettle: judgement, for load cells under a vessel with pipes.
const OFF_SHARE: f64 = 0.002_5;

/// What was weighed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Weighed {
    pub(super) corn_kg: f64,
    pub(super) uncertainty_kg: f64,
}

/// The corn of a batch: what the kettle weighs in the first minute of heating, less what it weighed in the last minute before the
/// fill, less `other_kg`, the water and the lime of the fill. `None` if fill or heating was not seen, or too little was read.
pub(super) async fn corn_kg(
    line: &Line,
    store: &dyn HistoryStore,
    view: &BatchView,
    scale: SignalId,
    other_kg: f64,
) -> Result<Option<Weighed>, HistoryError> {
    let (Some(fill), Some(heat)) = (view.phase(Phase::Fill), view.phase(Phase::Heat)) else {
        return Ok(None);
    };
    let mean = async |from: UtcMillis, to: UtcMillis| -> Result<Option<f64>, HistoryError> {
        let samples = axis::read(line, store, (scale, Unit::Kilogram), (from, to)).await?;
        let within = samples.iter().filter(|sample| from <= sample.utc && sample.utc <= to);
        let good: Vec<f64> = within.filter_map(|sample| sample.reading.good()).collect();
        Ok((good.len() >= READINGS_LEAST).then(|| good.iter().sum::<f64>() / good.len() as f64))
    };
    let before = mean(UtcMillis(fill.0.0 - WEIGHED_FOR_MS), fill.0).await?;
    let after = mean(heat.0, UtcMillis((heat.0.0 + WEIGHED_FOR_MS).min(heat.1.0))).await?;
    Ok(before.zip(after).map(|(before, after)| Weighed {
        corn_kg: after - before - other_kg,
        uncertainty_kg: OFF_SHARE * after.abs(),
    }))
}
