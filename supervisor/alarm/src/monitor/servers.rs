//! What is told of the servers that history is sent to.

use super::Monitor;
use crate::settings::{AlarmId, Delivery, ServerId, Watched};
use setward_protocol::Uptime;

impl Monitor<'_> {
    /// How a server is doing that history is sent to.
    pub fn handle_server(&mut self, now: Uptime, server: ServerId, what: Delivery) {
        let mut cursor = self.first_of_controllers;
        while let Some(index) = cursor {
            let Some(slot) = self.slots.get_mut(usize::from(index)) else { break };
            cursor = slot.next;
            if slot.settings.watches == Watched::Server(server) {
                let changes = slot.detector.handle_delivery(now, what);
                self.apply(AlarmId(index), changes);
                self.note_due(AlarmId(index));
            }
        }
        self.follow_hides(now);
    }
}
