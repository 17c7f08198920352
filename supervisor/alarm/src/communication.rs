//! The communication kind: a controller that does not answer.
//!
//! It raises when so many scans in a row brought nothing and the last answer is long enough ago; it clears with the first
//! answer.

use crate::detector::{Change, Changes};
use crate::event::Forecast;
use crate::judge::Judge;
use crate::segment::Segment;
use crate::settings::CommunicationSettings;
use setward_protocol::Uptime;

/// Decides whether one controller is lost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CommunicationDetector {
    settings: CommunicationSettings,
    /// The last answer; before the first one, the first scan.
    heard: Option<Uptime>,
    missed: u32,
    /// When the scan that is one too many was missed.
    enough_at: Option<Uptime>,
    active: bool,
}

impl CommunicationDetector {
    pub(crate) const fn new(settings: CommunicationSettings) -> Self {
        Self { settings, heard: None, missed: 0, enough_at: None, active: false }
    }
}

impl Judge for CommunicationDetector {
    fn is_active(&self) -> bool {
        self.active
    }

    fn restore(&mut self, active: bool, _: f64) {
        self.active = active;
    }

    fn handle_scan(&mut self, at: Uptime, answered: bool, changes: &mut Changes) {
        if answered {
            self.heard = Some(at);
            (self.missed, self.enough_at) = (0, None);
            if self.active {
                self.active = false;
                let _fits = changes.push(Change::Ends { at });
            }
        } else {
            self.heard.get_or_insert(at);
            self.missed = self.missed.saturating_add(1);
            if self.missed >= self.settings.polls {
                self.enough_at.get_or_insert(at);
            }
            self.run_out(at, changes);
        }
    }

    fn run_out(&mut self, now: Uptime, changes: &mut Changes) {
        let Some(due) = self.deadline().filter(|due| *due <= now) else { return };
        let onset = self.heard.unwrap_or(due);
        self.active = true;
        let _fits = changes.push(Change::Begins { at: due, onset });
    }

    /// When it raises if nothing is heard until then; known once enough scans have been missed.
    fn deadline(&self) -> Option<Uptime> {
        let enough_at = self.enough_at.filter(|_| !self.active)?;
        // With many scans missed in little time the time decides; else the scan that is one too many.
        Some(enough_at.max(self.heard? + self.settings.at_least))
    }

    fn beyond_since(&self) -> Option<Uptime> {
        if self.missed > 0 { self.heard } else { None }
    }

    fn forecast(&self, now: Uptime, _: Option<(Uptime, f64)>, _: &[Segment]) -> Forecast {
        match (self.active, self.deadline()) {
            (true, _) => Forecast::StaysActive,
            (false, Some(due)) => Forecast::Raises { seconds: due.seconds_since(now).max(0.0) },
            (false, None) => Forecast::Quiet,
        }
    }
}
