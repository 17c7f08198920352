//! Two signals become one value: the watched one minus the other.
//!
//! The other signal's latest good value holds until its next one. Two signals of one scan carry the same time; then the
//! difference is taken when both are in, whichever the scan names first. A bad other signal is as good as a bad watched
//! one.

use core::time::Duration;
use heapless::Vec;
use setward_protocol::{NoData, Reading, SignalId, Uptime};

/// Differences that one reading makes: one that waited, and its own.
pub(crate) type Differences = Vec<(Uptime, Reading), 2>;

/// The two signals as last heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pair {
    pub(crate) other_signal: SignalId,
    other: Option<(Uptime, f64)>,
    /// When either was last heard at all.
    other_heard: Option<Uptime>,
    watched_heard: Option<Uptime>,
    /// The watched value, until the other of the same scan is in.
    waiting: Option<(Uptime, f64)>,
}

impl Pair {
    pub(crate) const fn new(other_signal: SignalId) -> Self {
        Self { other_signal, other: None, other_heard: None, watched_heard: None, waiting: None }
    }

    /// A reading of the watched signal.
    pub(crate) fn handle_watched(
        &mut self,
        at: Uptime,
        reading: Reading,
        gap_limit: Duration,
    ) -> Differences {
        let mut found = self.flush(gap_limit);
        let scanned_together = self.watched_heard.is_some() && self.watched_heard == self.other_heard;
        self.watched_heard = Some(at);
        // At most two: the one that waited, and this one.
        let _fits = match reading {
            Reading::Good(value) if scanned_together && self.other_heard != Some(at) => {
                self.waiting = Some((at, value));
                Ok(())
            }
            Reading::Good(value) => found.push((at, self.difference(at, value, gap_limit))),
            Reading::Uncertain(..) | Reading::Bad(_) => found.push((at, reading)),
        };
        found
    }

    /// A reading of the other signal.
    pub(crate) fn handle_other(&mut self, at: Uptime, reading: Reading, gap_limit: Duration) -> Differences {
        let mut found = if self.waiting.is_some_and(|(since, _)| since < at) {
            self.flush(gap_limit)
        } else {
            Vec::new()
        };
        self.other_heard = Some(at);
        match reading {
            Reading::Good(value) if value.is_finite() => self.other = Some((at, value)),
            Reading::Bad(why) if why.is_silence() => {}
            Reading::Good(_) | Reading::Uncertain(..) | Reading::Bad(_) => {
                self.other = None;
                if self.waiting.is_none() {
                    let _fits = found.push((at, Reading::Bad(NoData::SensorFault)));
                }
            }
        }
        found.extend(self.flush(gap_limit));
        found
    }

    /// What waited, with the other value as it is.
    fn flush(&mut self, gap_limit: Duration) -> Differences {
        let waited = self.waiting.take();
        waited.map(|(at, value)| (at, self.difference(at, value, gap_limit))).into_iter().collect()
    }

    fn difference(&self, at: Uptime, value: f64, gap_limit: Duration) -> Reading {
        match self.other {
            Some((since, other)) if at.since(since) <= gap_limit => Reading::Good(value - other),
            // Not heard for too long: unknown time, to be joined again if it is short.
            Some(_) => Reading::Bad(NoData::Stale),
            None => Reading::Bad(NoData::SensorFault),
        }
    }
}
