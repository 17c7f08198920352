//! How long to wait before the next attempt to connect. Pure: told nothing of time, asked for a span.
//!
//! Doubles from one second to ten, with a fifth of jitter so that controllers behind one switch do not come back in
//! step. Reset by the first good reply, not by a connection: a controller that has run out of connections accepts one
//! and then says nothing. Ten seconds is the longest a technician waits for values after putting the cable back.

use std::time::Duration;

/// First wait.
pub const FIRST: Duration = Duration::from_secs(1);
/// Longest wait, before jitter.
pub const LONGEST: Duration = Duration::from_secs(10);
/// Jitter, as a share of the wait, either way.
const JITTER: f64 = 0.2;

/// The waits of one endpoint.
#[derive(Debug)]
pub struct Backoff {
    next: Duration,
    random: fastrand::Rng,
}

impl Backoff {
    /// Waits whose jitter follows from `seed`, so that a run can be repeated.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { next: FIRST, random: fastrand::Rng::with_seed(seed) }
    }

    /// The wait after one more failure.
    pub fn failed(&mut self) -> Duration {
        let wait = self.next;
        self.next = (wait * 2).min(LONGEST);
        wait.mul_f64(1.0 + JITTER * (2.0 * self.random.f64() - 1.0))
    }

    /// A good reply has come.
    pub fn succeeded(&mut self) {
        self.next = FIRST;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_to_the_longest_and_start_over_after_a_good_reply() {
        let mut backoff = Backoff::new(7);
        let waits: Vec<f64> = (0..6).map(|_| backoff.failed().as_secs_f64()).collect();
        for (wait, nominal) in waits.iter().zip([1.0, 2.0, 4.0, 8.0, 10.0, 10.0]) {
            assert!((wait / nominal - 1.0).abs() <= JITTER, "{waits:?}");
        }
        backoff.succeeded();
        assert!(backoff.failed() <= FIRST.mul_f64(1.0 + JITTER));
    }
}
