//! Two times that never mix: monotonic [`Uptime`] for durations, wall-clock [`UtcMillis`] for names and reports.
//!
//! Nothing here reads a clock; the supervisor's `clock.rs` does and hands the values down.

use core::fmt;
use core::ops::Add;
use core::time::Duration;

/// Monotonic time since the start of the run, in nanoseconds. Reaches 584 years.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Uptime {
    nanos: u64,
}

impl Uptime {
    /// The start of the run.
    pub const START: Self = Self { nanos: 0 };

    /// From whole nanoseconds since the start of the run.
    #[must_use]
    #[inline]
    pub const fn from_nanos(nanos: u64) -> Self {
        Self { nanos }
    }

    /// From whole milliseconds since the start of the run; saturates at the end of the range.
    #[must_use]
    #[inline]
    pub const fn from_millis(millis: u64) -> Self {
        Self { nanos: millis.saturating_mul(1_000_000) }
    }

    /// From seconds since the start of the run. Negative and not-a-number become the start, huge values the end.
    #[must_use]
    pub fn from_secs_f64(seconds: f64) -> Self {
        // A float-to-integer cast saturates and maps NaN to zero.
        Self { nanos: libm::round(seconds * 1e9) as u64 }
    }

    /// Whole nanoseconds since the start of the run.
    #[must_use]
    #[inline]
    pub const fn as_nanos(self) -> u64 {
        self.nanos
    }

    /// Seconds since the start of the run.
    #[must_use]
    #[inline]
    pub fn as_secs_f64(self) -> f64 {
        self.nanos as f64 / 1e9
    }

    /// How long after `earlier` this is; zero if it is not after it.
    #[must_use]
    #[inline]
    pub const fn since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.nanos.saturating_sub(earlier.nanos))
    }

    /// Seconds after `earlier`; zero if it is not after it.
    #[must_use]
    #[inline]
    pub fn seconds_since(self, earlier: Self) -> f64 {
        self.since(earlier).as_secs_f64()
    }

    /// This time plus `seconds`; negative and not-a-number add nothing.
    #[must_use]
    #[inline]
    pub fn plus_seconds(self, seconds: f64) -> Self {
        Self { nanos: self.nanos.saturating_add(libm::round(seconds * 1e9) as u64) }
    }
}

impl Add<Duration> for Uptime {
    type Output = Self;

    #[inline]
    fn add(self, span: Duration) -> Self {
        let nanos = u64::try_from(span.as_nanos()).unwrap_or(u64::MAX);
        Self { nanos: self.nanos.saturating_add(nanos) }
    }
}

impl fmt::Display for Uptime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.3} s", self.as_secs_f64())
    }
}

/// Wall-clock time in milliseconds since 1970-01-01T00:00:00Z. Never subtracted to get a duration that acts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct UtcMillis(pub i64);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_never_goes_below_zero() {
        let early = Uptime::from_millis(100);
        let late = Uptime::from_millis(350);
        assert_eq!(late.since(early), Duration::from_millis(250));
        assert_eq!(early.since(late), Duration::ZERO);
    }

    #[test]
    fn odd_seconds_become_a_valid_time() {
        assert_eq!(Uptime::from_secs_f64(f64::NAN), Uptime::START);
        assert_eq!(Uptime::from_secs_f64(-3.0), Uptime::START);
        assert_eq!(Uptime::from_secs_f64(f64::INFINITY), Uptime::from_nanos(u64::MAX));
        assert_eq!(Uptime::from_millis(1500).plus_seconds(0.25), Uptime::from_millis(1750));
    }
}
