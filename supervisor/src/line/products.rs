//! Works out where corn is, and the product of each alarm that stands or has stood, for whoever looks.

use super::LineTask;
use super::follow::{Following, ProductView};
use setward_config::line::StationId;
use setward_protocol::Unit;
use std::sync::Arc;

impl LineTask<'_> {
    /// Where corn is, and the product of each alarm that stands or has stood.
    pub(super) fn follow_product(&mut self) {
        let wall = self.anchor();
        let now = (wall.at, wall.utc);
        if let Some(last) = self.line.stations.len().checked_sub(1).and_then(|last| u16::try_from(last).ok())
        {
            let recipe = self.core.recipes().running(&self.line, StationId(last));
            self.follow.handle_recipe(wall.at, recipe);
        }
        let rate = self.line.feed.as_ref().and_then(|feed| {
            let unit = self.line.signal(feed.signal).unit;
            unit.convert(self.signals.good(feed.signal)?, Unit::KilogramPerHour)
        });
        let mut products = self.following.products.clone();
        for (alarm, _) in self.line.alarms_with_ids() {
            let seen = self.alarms.view(self.core.alarms(), alarm, wall);
            let Some(onset) = seen.onset.filter(|_| seen.raised.is_some()) else { continue };
            let is_settled =
                |known: &ProductView| known.occurrence == seen.occurrence && known.is_settled(seen.cleared);
            if products.get(&alarm).is_some_and(is_settled) {
                continue;
            }
            let cleared = seen.cleared.filter(|cleared| *cleared >= onset);
            match self.follow.product(&self.line, alarm, (onset, cleared), now) {
                Some(product) => {
                    let product = ProductView { occurrence: seen.occurrence, ..product };
                    products.insert(alarm, product.at_rate(rate))
                }
                None => products.remove(&alarm),
            };
        }
        let tanks = self.follow.tanks(&self.line, wall.at, wall.utc);
        let outlook = rate.and_then(|rate| self.follow.outlook(&self.line, now, rate));
        self.following = Arc::new(Following { tanks, products, outlook });
    }
}
