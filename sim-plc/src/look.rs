//! Everything that can be known of the plant at one moment, for whoever judges the supervisor: an oracle.
//!
//! The supervisor never sees this; it sees registers.

use crate::physics::parcel::{Ledger, Parcel, Unbalanced};
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

    /// Every parcel between the cutter and the baggers, the first to be packed first.
    #[must_use]
    pub fn parcels(&self) -> Vec<Parcel> {
        self.state().plant.product().parcels().cloned().collect()
    }

    /// From now on the last `count` packed parcels are kept with their history; 0: none, as at the start.
    pub fn keep_parcels(&self, count: usize) {
        self.state().plant.keep_parcels(count);
    }

    /// The packed parcels that are kept, oldest first.
    #[must_use]
    pub fn packed_parcels(&self) -> Vec<Parcel> {
        self.state().plant.product().packed().cloned().collect()
    }

    /// What went through the doors of the line since the start.
    #[must_use]
    pub fn ledger(&self) -> Ledger {
        *self.state().plant.product().ledger()
    }

    /// A balance of the product that did not close. The physics refused that step and moves the product no more.
    #[must_use]
    pub fn unbalanced(&self) -> Option<Unbalanced> {
        self.state().plant.refused()
    }
}
