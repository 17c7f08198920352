//! Works out where corn is, and the product of each alarm that stands or has stood, for whoever looks.

use super::LineTask;
use super::batches::BatchView;
use super::follow::{Following, ProductView};
use setward_config::line::{Belt, StationId};
use setward_process::dwell::dwell_at_speed_s;
use setward_protocol::Unit;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;

/// Where corn and product are is worked out this often while anybody looks, and while nobody does.
const EVERY_TICKS_WATCHED: u64 = 5;
const EVERY_TICKS_ALONE: u64 = 600;
/// What has not been packed by then never will be as far as anybody can tell.
const GIVEN_UP_AFTER: Duration = Duration::from_secs(3 * 3600);

impl LineTask<'_> {
    /// Works it out if it is time to, or somebody has just been called.
    pub(super) fn follow_when_due(&mut self) {
        let is_watched = self.publishing.is_awaited(self.ticks);
        let every = if is_watched { EVERY_TICKS_WATCHED } else { EVERY_TICKS_ALONE };
        if std::mem::take(&mut self.follow_due) || self.ticks % every == 1 {
            self.follow_product();
        }
    }

    /// Batches go to whoever keeps their records: at once when one ends, else every ten minutes, as their corn is fed.
    pub(super) fn tell_batches(&mut self, to: &watch::Sender<Arc<Vec<BatchView>>>) {
        let wall = self.anchor();
        let force = self.ticks.is_multiple_of(EVERY_TICKS_ALONE);
        let Some(batches) = self.follow.batches(&self.line, (wall.at, wall.utc), force) else { return };
        let batches = Arc::new(batches);
        to.send_replace(Arc::clone(&batches));
        self.following = Arc::new(Following { batches, ..(*self.following).clone() });
    }

    /// Where corn is, and the product of each alarm that stands or has stood.
    fn follow_product(&mut self) {
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
            let Some((onset, cleared)) = self.alarms.stood(alarm) else { continue };
            let given_up = cleared.is_some_and(|cleared| cleared.ago(now) > GIVEN_UP_AFTER);
            let is_settled = |known: &ProductView| {
                known.occurrence == seen.occurrence && (given_up || known.is_settled(seen.cleared))
            };
            if products.get(&alarm).is_some_and(is_settled) {
                continue;
            }
            let cleared = cleared.filter(|cleared| cleared.ago(now) <= onset.ago(now));
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
        let batches = Arc::clone(&self.following.batches);
        self.following = Arc::new(Following { tanks, products, outlook, batches });
    }

    /// How long product is on a belt at its present speed, s.
    pub(super) fn dwell_s(&self, belt: &Belt) -> Option<f64> {
        let speed = self.signals.good(belt.speed)?;
        let speed_m_per_s = self.line.signal(belt.speed).unit.convert(speed, Unit::MetrePerSecond)?;
        dwell_at_speed_s(belt.effective_length_m, speed_m_per_s)
    }
}
