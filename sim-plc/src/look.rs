//! Everything that can be known of the plant at one moment, for whoever judges the supervisor: an oracle.
//!
//! The supervisor never sees this; it sees registers.

use crate::simulator::Simulator;
use std::time::Duration;

/// The plant at one moment, signal by signal in the order of the line, in the signals' units.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Look {
    /// Virtual time since the simulator's start.
    pub at: Duration,
    /// The physical value; not a number for a signal that is computed from others.
    pub truth: Vec<f64>,
    /// What a healthy instrument without noise would say: the physical value seen late by its usual time constant.
    pub healthy: Vec<f64>,
    /// What the register says, decoded; `None` also when it says that there is no value.
    pub shown: Vec<Option<f64>>,
}

impl Simulator {
    /// Looks at every signal at once. `look` is filled anew; its storage is used again.
    pub fn look(&self, look: &mut Look) {
        let state = self.state();
        look.at = state.plant.elapsed();
        look.truth.clear();
        look.healthy.clear();
        look.shown.clear();
        for (id, _) in self.line().signals_with_ids() {
            look.truth.push(state.plant.truth(id).unwrap_or(f64::NAN));
            look.healthy.push(state.plant.healthy(id).unwrap_or(f64::NAN));
            look.shown.push(state.image.reading(id).and_then(|reading| reading.value()));
        }
    }
}
