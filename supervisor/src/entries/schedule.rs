//! What asks for an entry besides time that passes: times of the local day, and conditions that begin to hold.

use jiff::tz::TimeZone;
use jiff::{Timestamp, civil};
use setward_process::condition::Condition;
use setward_protocol::{SignalId, UtcMillis};

/// Times of the local day.
#[derive(Debug, Clone)]
pub(super) struct Daily {
    zone: TimeZone,
    times: Vec<(u8, u8)>,
    /// Up to then all times have been told.
    told_until: UtcMillis,
}

impl Daily {
    /// Times of the local day, of which those after `told_until` are still to be told.
    pub(super) fn new(zone: &str, times: &[(u8, u8)], told_until: UtcMillis) -> Self {
        let zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
        Self { zone, times: times.to_vec(), told_until }
    }

    /// The newest time of the day that has come since the last call.
    pub(super) fn come(&mut self, now: UtcMillis) -> Option<UtcMillis> {
        if now <= self.told_until {
            return None;
        }
        let since = std::mem::replace(&mut self.told_until, now);
        let today = Timestamp::from_millisecond(now.0).ok()?.to_zoned_datetime(self.zone.clone()).date();
        let yesterday = today.yesterday().unwrap_or(today);
        let moments = [yesterday, today].into_iter().flat_map(|day| self.moments(day));
        moments.filter(|at| since < *at && *at <= now).max()
    }

    /// In a day on which clocks are set, a time that is skipped comes when they are.
    fn moments(&self, day: civil::Date) -> Vec<UtcMillis> {
        let moment = |(hour, minute): &(u8, u8)| {
            let time = civil::Time::new(i8::try_from(*hour).ok()?, i8::try_from(*minute).ok()?, 0, 0).ok()?;
            let at = day.to_datetime(time).to_zoned_datetime(self.zone.clone()).ok()?;
            Some(UtcMillis(at.timestamp().as_millisecond()))
        };
        self.times.iter().filter_map(moment).collect()
    }
}

/// Conditions, any of which asks when it begins to hold.
#[derive(Debug, Clone)]
pub(super) struct Begins {
    any: Vec<Condition>,
    held: Vec<Option<bool>>,
}

impl Begins {
    pub(super) fn new(any: &[Condition]) -> Self {
        Self { any: any.to_vec(), held: vec![None; any.len()] }
    }

    /// The signals that they look at.
    pub(super) fn signals(&self) -> impl Iterator<Item = SignalId> + '_ {
        self.any.iter().map(|condition| condition.signal)
    }

    /// The signals of those that have begun to hold. What holds at the first look began before; what is not known changes
    /// nothing.
    pub(super) fn begun(&mut self, good: impl Fn(SignalId) -> Option<f64>) -> Vec<SignalId> {
        let mut begun = Vec::new();
        for (condition, held) in self.any.iter().zip(&mut self.held) {
            let Some(value) = good(condition.signal) else { continue };
            let holds = condition.test.holds(value);
            if holds && *held == Some(false) {
                begun.push(condition.signal);
            }
            *held = Some(holds);
        }
        begun
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_process::condition::Test;

    fn utc(text: &str) -> UtcMillis {
        UtcMillis(text.parse::<Timestamp>().unwrap().as_millisecond())
    }

    #[test]
    fn a_time_of_the_day_comes_once_also_over_a_pause_and_a_change_of_clocks() {
        let mut daily = Daily::new("America/Chicago", &[(2, 30), (14, 30)], utc("2026-11-25T00:00:00Z"));
        assert_eq!(daily.come(utc("2026-11-25T08:29:59Z")), None);
        assert_eq!(daily.come(utc("2026-11-25T08:30:00Z")), Some(utc("2026-11-25T08:30:00Z")));
        assert_eq!(daily.come(utc("2026-11-25T08:30:00Z")), None);
        // After a pause only the newest is asked for.
        assert_eq!(daily.come(utc("2026-11-26T09:00:00Z")), Some(utc("2026-11-26T08:30:00Z")));
        // 02:30 does not exist on 8 March 2026: it comes an hour of sun later.
        let mut daily = Daily::new("America/Chicago", &[(2, 30)], utc("2026-03-08T07:00:00Z"));
        assert_eq!(daily.come(utc("2026-03-08T08:29:00Z")), None);
        assert_eq!(daily.come(utc("2026-03-08T09:00:00Z")), Some(utc("2026-03-08T08:30:00Z")));
    }

    #[test]
    fn a_condition_asks_when_it_begins_to_hold_and_not_when_it_is_first_seen() {
        let is = |signal: u16| Condition { signal: SignalId(signal), test: Test::Is(vec![3]) };
        let mut begins = Begins::new(&[is(0), is(1)]);
        let at =
            |one: Option<f64>, other: Option<f64>| move |id: SignalId| if id.0 == 0 { one } else { other };
        assert!(begins.begun(at(Some(3.0), Some(2.0))).is_empty(), "it held before anybody looked");
        assert_eq!(begins.begun(at(Some(3.0), Some(3.0))), [SignalId(1)]);
        assert!(begins.begun(at(None, Some(3.0))).is_empty());
        assert!(begins.begun(at(Some(4.0), Some(3.0))).is_empty());
        assert_eq!(begins.begun(at(Some(3.0), Some(3.0))), [SignalId(0)]);
    }
}
