//! Wall time as people and programs read it. Reads no clock: the server's time is handed in.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use setward_protocol::UtcMillis;

/// The plant's time zone, for display only.
#[derive(Debug, Clone)]
pub(super) struct Zone {
    zone: TimeZone,
}

impl Zone {
    /// The zone with this IANA name. An unknown name shows UTC and says so behind each time.
    pub(super) fn named(name: &str) -> Self {
        Self { zone: TimeZone::get(name).unwrap_or(TimeZone::UTC) }
    }

    /// `at` to the second, "03:10:22", with its date when that is not the date of `now`.
    pub(super) fn clock(&self, at: UtcMillis, now: UtcMillis) -> String {
        self.on_its_day(at, now, ["%T", "%F %T"])
    }

    /// The same to the minute.
    pub(super) fn minute_of(&self, at: UtcMillis, now: UtcMillis) -> String {
        self.on_its_day(at, now, ["%H:%M", "%F %H:%M"])
    }

    fn on_its_day(&self, at: UtcMillis, now: UtcMillis, [clock, dated]: [&str; 2]) -> String {
        let is_today = self.format(at, "%F") == self.format(now, "%F");
        self.format(at, if is_today { clock } else { dated })
    }

    /// A stretch to the second: each end with its date where that is not the date of `now`, and both where theirs differ, so that
    /// no end is taken for one of another day. One date for both stands once.
    pub(super) fn between(&self, from: UtcMillis, to: UtcMillis, now: UtcMillis) -> String {
        self.stretch((from, to), now, ["%T", "%F %T"])
    }

    /// The same to the minute.
    pub(super) fn minutes_between(&self, from: UtcMillis, to: UtcMillis, now: UtcMillis) -> String {
        self.stretch((from, to), now, ["%H:%M", "%F %H:%M"])
    }

    fn stretch(
        &self,
        (from, to): (UtcMillis, UtcMillis),
        now: UtcMillis,
        [clock, dated]: [&str; 2],
    ) -> String {
        let day = |at| self.format(at, "%F");
        let [first, second] = match (day(from) == day(to), day(from) == day(now)) {
            (true, true) => [clock, clock],
            (true, false) => [dated, clock],
            (false, _) => [dated, dated],
        };
        format!("{} to {}", self.format(from, first), self.format(to, second))
    }

    /// `at` to the minute, "03:10": for axes.
    pub(super) fn minute(&self, at: UtcMillis) -> String {
        self.format(at, "%H:%M")
    }

    /// `at` with its day of the week and its date, to the minute, "Wed 2026-11-25 03:10"; with seconds where it has some.
    pub(super) fn stamp(&self, at: UtcMillis) -> String {
        self.format(at, if at.0.rem_euclid(60_000) == 0 { "%a %F %H:%M" } else { "%a %F %H:%M:%S" })
    }

    /// `at` by a pattern of strftime.
    pub(super) fn shown(&self, at: UtcMillis, pattern: &str) -> String {
        self.format(at, pattern)
    }

    /// What the plant's clock shows at `at`.
    pub(super) fn civil(&self, at: UtcMillis) -> DateTime {
        timestamp(at).to_zoned_datetime(self.zone.clone()).datetime()
    }

    /// How far the plant's clock is ahead of UTC at `at`, s.
    pub(super) fn offset_s(&self, at: UtcMillis) -> i32 {
        self.zone.to_offset(timestamp(at)).seconds()
    }

    /// Its IANA name.
    pub(super) fn name(&self) -> &str {
        self.zone.iana_name().unwrap_or("UTC")
    }

    /// The zone itself.
    pub(super) const fn jiff(&self) -> &TimeZone {
        &self.zone
    }

    /// A moment that a person wrote: local time as a browser's field gives it, or RFC 3339.
    pub(super) fn moment(&self, text: &str) -> Option<UtcMillis> {
        if let Ok(at) = text.parse::<Timestamp>() {
            return Some(UtcMillis(at.as_millisecond()));
        }
        let local = text.parse::<DateTime>().ok()?;
        let at = local.to_zoned_datetime(self.zone.clone()).ok()?;
        Some(UtcMillis(at.timestamp().as_millisecond()))
    }

    fn format(&self, at: UtcMillis, pattern: &str) -> String {
        let text = timestamp(at).to_zoned_datetime(self.zone.clone()).strftime(pattern).to_string();
        if self.zone == TimeZone::UTC && pattern.contains("%T") { format!("{text} UTC") } else { text }
    }
}

/// A local time as people may write it.
pub(super) const EXAMPLE: &str = "2026-11-25T14:00";

/// `at` as RFC 3339 in UTC, for programs.
pub(super) fn rfc3339(at: UtcMillis) -> String {
    timestamp(at).to_string()
}

/// Seconds from `earlier` to `now`, never negative. For display: clocks may step.
pub(super) fn seconds_between(earlier: UtcMillis, now: UtcMillis) -> f64 {
    now.0.saturating_sub(earlier.0).max(0) as f64 / 1000.0
}

/// A time beyond what a calendar holds shows as 1970, never as a panic.
fn timestamp(at: UtcMillis) -> Timestamp {
    Timestamp::from_millisecond(at.0).unwrap_or(Timestamp::UNIX_EPOCH)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-11-25T02:10:22.500Z.
    const NIGHT: UtcMillis = UtcMillis(1_795_572_622_500);

    #[test]
    fn times_are_local_and_carry_their_date_when_it_is_another_day() {
        let plant = Zone::named("Europe/Madrid");
        assert_eq!(plant.clock(NIGHT, NIGHT), "03:10:22");
        assert_eq!(plant.clock(UtcMillis(NIGHT.0 - 4 * 3_600_000), NIGHT), "2026-11-24 23:10:22");
        assert_eq!(plant.minute(NIGHT), "03:10");
        assert_eq!(rfc3339(NIGHT), "2026-11-25T02:10:22.5Z");
    }

    #[test]
    fn a_stretch_tells_both_dates_where_they_differ_and_one_where_they_do_not() {
        let plant = Zone::named("Europe/Madrid");
        let before = |hours: i64| UtcMillis(NIGHT.0 - hours * 3_600_000);
        assert_eq!(plant.between(before(1), NIGHT, NIGHT), "02:10:22 to 03:10:22");
        assert_eq!(plant.between(before(4), NIGHT, NIGHT), "2026-11-24 23:10:22 to 2026-11-25 03:10:22");
        assert_eq!(plant.between(before(5), before(4), NIGHT), "2026-11-24 22:10:22 to 23:10:22");
        assert_eq!(
            plant.between(before(168), NIGHT, NIGHT),
            "2026-11-18 03:10:22 to 2026-11-25 03:10:22",
            "a week later at the same time"
        );
        assert_eq!(plant.minutes_between(before(1), NIGHT, NIGHT), "02:10 to 03:10");
    }

    #[test]
    fn an_unknown_zone_says_that_it_shows_utc() {
        assert_eq!(Zone::named("Nowhere/Here").clock(NIGHT, NIGHT), "02:10:22 UTC");
    }

    #[test]
    fn a_time_beyond_the_calendar_does_not_panic() {
        assert_eq!(rfc3339(UtcMillis(i64::MAX)), "1970-01-01T00:00:00Z");
        assert!(seconds_between(UtcMillis(i64::MIN), UtcMillis(i64::MAX)) > 0.0);
        assert_eq!(seconds_between(NIGHT, UtcMillis(0)), 0.0);
    }
}
