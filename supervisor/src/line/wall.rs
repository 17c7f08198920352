//! Tells when somebody sets the wall clock: it goes another way than the run's own time.
//!
//! Lengths, delays and exposure go by the run's own time, so nothing changes but the names of moments. A clock that is slewed,
//! as a time service does it, moves too little in a second to count.

use setward_protocol::{Uptime, UtcMillis};

/// A difference from here on is a step, ms.
const STEP_LEAST_MS: i64 = 500;

/// The wall clock as it was last seen.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct WallWatch {
    /// Wall time less the run's own, ms.
    offset_ms: Option<i64>,
}

impl WallWatch {
    /// Looks at both clocks at one moment; gives what to note if the wall clock was set since the last look.
    pub(super) fn look(&mut self, now: Uptime, utc: UtcMillis) -> Option<String> {
        let run_ms = i64::try_from(now.as_nanos() / 1_000_000).unwrap_or(i64::MAX);
        let offset_ms = utc.0.saturating_sub(run_ms);
        let step_ms = offset_ms.saturating_sub(self.offset_ms.replace(offset_ms)?);
        (step_ms.abs() >= STEP_LEAST_MS).then(|| {
            format!(
                "the wall clock was set {:+.1} s, to {} from {}; lengths, delays and exposure go by the run's own time and \
                 do not change",
                step_ms as f64 / 1000.0,
                rfc3339(utc.0),
                rfc3339(utc.0.saturating_sub(step_ms))
            )
        })
    }
}

fn rfc3339(utc_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(utc_ms).map_or_else(|_| format!("{utc_ms} ms"), |at| at.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first look each second of a run that began at 2026-11-25 08:59:50 UTC.
    fn seen(watch: &mut WallWatch, second: u64, ahead_ms: i64) -> Option<String> {
        let start = 1_795_597_190_000;
        watch.look(Uptime::from_millis(1000 * second), UtcMillis(start + 1000 * second as i64 + ahead_ms))
    }

    #[test]
    fn a_clock_that_is_set_is_told_once_with_both_times() {
        let mut watch = WallWatch::default();
        assert_eq!(seen(&mut watch, 0, 0), None);
        assert_eq!(seen(&mut watch, 9, 0), None);
        let note = seen(&mut watch, 10, 1800).unwrap();
        assert!(note.contains("+1.8 s, to 2026-11-25T09:00:01.8Z from 2026-11-25T09:00:00Z"), "{note}");
        assert_eq!(seen(&mut watch, 11, 1800), None);
        assert!(seen(&mut watch, 12, -3_598_200).unwrap().contains("-3600.0 s"));
    }

    #[test]
    fn a_clock_that_is_slewed_by_half_a_part_in_a_thousand_is_not_told() {
        let mut watch = WallWatch::default();
        for second in 0..10_000 {
            assert_eq!(seen(&mut watch, second, second as i64 / 2), None);
        }
    }
}
