//! What every kind of alarm can be asked. Each says what it does; what it leaves out does not concern it.

use crate::detector::Changes;
use crate::event::Forecast;
use crate::segment::Segment;
use crate::settings::{BatchEdge, Delivery, Target};
use core::time::Duration;
use setward_protocol::{Reading, Uptime};

/// Decides when a condition begins and ends. `lent` is the alarm's own share of the caller's segments.
pub(crate) trait Judge {
    /// Takes up where an earlier run stopped.
    fn restore(&mut self, active: bool, exposure: f64);

    /// An earlier run stopped when so much of an on-delay had passed; it goes on with a first value by `until`.
    fn carry(&mut self, _waited: Duration, _until: Uptime) {}

    /// How much of an on-delay had passed with the value seen at `seen`; `None` while none runs.
    fn waited(&self, _seen: Uptime) -> Option<Duration> {
        None
    }

    /// What the running recipe asks of the watched signal.
    fn set_target(&mut self, _target: Option<Target>) {}

    /// Forgets what was collected while it could not count, and with it the condition that rests on it.
    fn start_over(&mut self) {}

    /// The value has been unknown: delays start anew, what is active stays active.
    fn lose_sight(&mut self) {}

    /// The last value is taken back by the person who gave it.
    fn take_back(&mut self) {}

    /// Two good samples, a straight line apart.
    fn handle(&mut self, _segment: &Segment, _lent: &mut [Segment], _changes: &mut Changes) {}

    /// A good sample that nothing precedes.
    fn handle_point(&mut self, at: Uptime, value: f64, lent: &mut [Segment], changes: &mut Changes) {
        self.handle(&Segment::point(at, value), lent, changes);
    }

    /// Any reading, for the kind that judges the instrument.
    fn handle_reading(&mut self, _at: Uptime, _reading: Reading, _controller_is_lost: bool, _: &mut Changes) {
    }

    /// A scan of the controller.
    fn handle_scan(&mut self, _at: Uptime, _answered: bool, _changes: &mut Changes) {}

    /// What is told of the server.
    fn handle_delivery(&mut self, _at: Uptime, _what: Delivery, _changes: &mut Changes) {}

    /// A batch begins or ends.
    fn handle_batch(&mut self, _at: Uptime, _edge: BatchEdge, _changes: &mut Changes) {}

    /// When a timer runs out.
    fn deadline(&self) -> Option<Uptime> {
        None
    }

    /// The timer has run out.
    fn run_out(&mut self, _now: Uptime, _changes: &mut Changes) {}

    /// Whether the condition holds, as far as is known.
    fn is_active(&self) -> bool;

    /// What has been collected, as a share of what raises it.
    fn exposure(&self) -> Option<f64> {
        None
    }

    /// What of it is to go on after a restart.
    fn carried(&self) -> Option<f64> {
        self.exposure()
    }

    /// Since when the value has been beyond what is watched.
    fn beyond_since(&self) -> Option<Uptime>;

    /// Whether it has what a value is held against. Without, nothing can be foreseen, whatever the value.
    fn has_reference(&self) -> bool {
        true
    }

    /// What follows if the value stays as last seen.
    fn forecast(&self, now: Uptime, seen: Option<(Uptime, f64)>, lent: &[Segment]) -> Forecast;
}
