//! What other parts of the daemon tell the line task: events to keep, and how servers are doing.

use super::LineTask;
use crate::handle::Told;

impl LineTask<'_> {
    pub(super) fn handle_told(&mut self, told: Told) {
        match told {
            Told::Event { what, note } => self.daemon_event(what, Some(note)),
            Told::Server { server, what } => {
                self.core.handle_server(self.clock.uptime(), server, what, &mut self.said);
                self.tell(None);
            }
        }
    }
}
