//! The only file that reads a clock.
//!
//! Monotonic time comes from the runtime's clock, so a paused runtime is virtual time. Wall time is either the system's,
//! or, in virtual time, a stated start plus the monotonic time since.

use setward_protocol::{Uptime, UtcMillis};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use tokio::time::Instant;

/// Wall time as one clock shows it to others that do not run on its runtime: a page beside a line in virtual time.
#[derive(Debug, Clone)]
pub struct ShownTime(Arc<AtomicI64>);

impl ShownTime {
    /// Shows `utc` until told otherwise.
    #[must_use]
    pub fn new(utc: UtcMillis) -> Self {
        Self(Arc::new(AtomicI64::new(utc.0)))
    }

    /// From now on shows `utc`.
    pub fn show(&self, utc: UtcMillis) {
        self.0.store(utc.0, Ordering::Relaxed);
    }

    /// What it shows.
    #[must_use]
    pub fn utc(&self) -> UtcMillis {
        UtcMillis(self.0.load(Ordering::Relaxed))
    }
}

/// The wall time of a page: that of the run's clock on its own runtime, or as it is shown from there.
#[derive(Debug, Clone)]
pub enum WallTime {
    /// The run's own clock.
    Run(Clock),
    /// A clock of another runtime.
    Shown(ShownTime),
}

impl WallTime {
    /// Wall time now.
    #[must_use]
    pub fn utc(&self) -> UtcMillis {
        match self {
            Self::Run(clock) => clock.utc(),
            Self::Shown(shown) => shown.utc(),
        }
    }

    /// When the run's clock was started, if it runs here.
    #[must_use]
    pub const fn started(&self) -> Option<UtcMillis> {
        match self {
            Self::Run(clock) => Some(clock.started()),
            Self::Shown(_) => None,
        }
    }

    /// How long ago a moment of the run is, s, as far as it can be told; never negative.
    #[must_use]
    pub fn seconds_since(&self, at: Uptime, utc: UtcMillis) -> f64 {
        match self {
            Self::Run(clock) => clock.uptime().seconds_since(at),
            Self::Shown(shown) => (shown.utc().0.saturating_sub(utc.0)).max(0) as f64 / 1000.0,
        }
    }
}

/// Where wall time comes from.
#[derive(Debug, Clone, Copy)]
enum Wall {
    System,
    Offset(UtcMillis),
    /// As `Offset`, until so long after the start; then so many ms further on.
    Set(UtcMillis, Duration, i64),
}

/// The run's clock. Copies read the same time.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    start: Instant,
    started: UtcMillis,
    wall: Wall,
}

impl Clock {
    /// Starts the run now, on the system's wall clock.
    #[must_use]
    pub fn system() -> Self {
        Self { start: Instant::now(), started: system_utc(), wall: Wall::System }
    }

    /// Starts the run now, as if the wall clock read `utc`.
    #[must_use]
    pub fn starting_at(utc: UtcMillis) -> Self {
        Self { start: Instant::now(), started: utc, wall: Wall::Offset(utc) }
    }

    /// As [`Self::starting_at`]; the wall clock is set by `by_ms` once the run has gone on for `after`.
    #[must_use]
    pub fn set_once(utc: UtcMillis, after: Duration, by_ms: i64) -> Self {
        Self { start: Instant::now(), started: utc, wall: Wall::Set(utc, after, by_ms) }
    }

    /// Monotonic time since the start of the run.
    #[must_use]
    pub fn uptime(&self) -> Uptime {
        Uptime::START + self.start.elapsed()
    }

    /// Wall time when it was started.
    #[must_use]
    pub const fn started(&self) -> UtcMillis {
        self.started
    }

    /// Wall time.
    #[must_use]
    pub fn utc(&self) -> UtcMillis {
        match self.wall {
            Wall::System => system_utc(),
            Wall::Offset(start) => self.elapsed_from(start),
            Wall::Set(start, after, by_ms) => {
                let is_set = self.start.elapsed() >= after;
                let UtcMillis(unset) = self.elapsed_from(start);
                UtcMillis(unset.saturating_add(if is_set { by_ms } else { 0 }))
            }
        }
    }

    fn elapsed_from(&self, UtcMillis(start): UtcMillis) -> UtcMillis {
        let elapsed_ms = i64::try_from(self.start.elapsed().as_millis()).unwrap_or(i64::MAX);
        UtcMillis(start.saturating_add(elapsed_ms))
    }

    /// The runtime's instant now, to compare with what is slept until.
    #[must_use]
    pub fn now(&self) -> Instant {
        Instant::now()
    }

    /// The runtime's instant at `at`, to sleep until.
    #[must_use]
    pub fn instant(&self, at: Uptime) -> Instant {
        self.start + at.since(Uptime::START)
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the one place that reads the wall clock")]
fn system_utc() -> UtcMillis {
    let since_epoch = SystemTime::now().duration_since(UNIX_EPOCH);
    // A clock set before 1970 reads as 1970: a doubtful time, never a panic.
    UtcMillis(since_epoch.map_or(0, |span| i64::try_from(span.as_millis()).unwrap_or(i64::MAX)))
}
