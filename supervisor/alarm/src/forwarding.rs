//! The forwarding kind: a server that history is sent to, and that lags.
//!
//! It raises when the server has not had everything for too long, or when something was dropped before it had it; it clears
//! once it has all there is. Nothing of it is about the plant.

use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::judge::Judge;
use crate::segment::Segment;
use crate::settings::{Delivery, ForwardingSettings};
use setward_protocol::Uptime;

/// Decides whether one server lags.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ForwardingDetector {
    settings: ForwardingSettings,
    /// When it last had everything; before the first time, when sending to it began.
    caught_up: Option<Uptime>,
    /// It is known to lack something now.
    behind: bool,
    active: bool,
}

impl ForwardingDetector {
    pub(crate) const fn new(settings: ForwardingSettings) -> Self {
        Self { settings, caught_up: None, behind: false, active: false }
    }
}

impl Judge for ForwardingDetector {
    fn is_active(&self) -> bool {
        self.active
    }

    fn restore(&mut self, active: bool, _: f64) {
        self.active = active;
    }

    fn handle_delivery(&mut self, at: Uptime, what: Delivery, changes: &mut Changes) {
        let since = *self.caught_up.get_or_insert(at);
        match what {
            Delivery::Begins => {}
            Delivery::Behind => self.behind = true,
            Delivery::CaughtUp => {
                (self.caught_up, self.behind) = (Some(at), false);
                if core::mem::take(&mut self.active) {
                    let _fits = changes.push(Change::Ends { at });
                }
            }
            Delivery::Lost if self.active => {}
            Delivery::Lost => {
                (self.active, self.behind) = (true, true);
                let _fits = changes.push(Change::Begins { at, onset: since });
            }
        }
    }

    fn run_out(&mut self, now: Uptime, changes: &mut Changes) {
        let Some(due) = self.deadline().filter(|due| *due <= now) else { return };
        self.active = true;
        let _fits = changes.push(Change::Begins { at: due, onset: self.caught_up.unwrap_or(due) });
    }

    /// When it raises if it hears nothing until then.
    fn deadline(&self) -> Option<Uptime> {
        Some(self.caught_up.filter(|_| !self.active)? + self.settings.behind_most)
    }

    fn beyond_since(&self) -> Option<Uptime> {
        self.caught_up.filter(|_| self.behind)
    }

    fn forecast(&self, now: Uptime, _: Option<(Uptime, f64)>, _: &[Segment]) -> Forecast {
        match (self.active, self.deadline().filter(|_| self.behind)) {
            (true, _) => Forecast::StaysActive,
            (false, Some(due)) => Forecast::Raises { seconds: due.seconds_since(now).max(0.0) },
            (false, None) => Forecast::Quiet,
        }
    }
}
