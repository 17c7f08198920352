//! The blindness ledger: how long each alarm could not have fired, by day and reason.
//!
//! Once a second each alarm is asked why it could not fire; the seconds go to that reason. What has gathered is handed to
//! history every ten minutes, at midnight of the plant and at the end of a run, as one event whose note says it all. Sums
//! over events are sums over time, so a run that was cut off loses ten minutes at most, and those count as not watched.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};
use serde_json::{Map, Value, json};
use setward_alarm::{Blindness, Monitor};
use setward_config::line::Line;
use setward_protocol::{Uptime, UtcMillis};
use std::time::Duration;

/// What such an event is called.
pub const BLINDNESS: &str = "blindness";
/// What has gathered is handed over this often.
const HANDED_OVER_EVERY: Duration = Duration::from_secs(600);
/// A longer time between two looks is nobody's: the program did not run, so no alarm could have fired.
const LOOK_MOST: Duration = Duration::from_secs(5);

/// Seconds by reason of one alarm.
pub type BySeconds = [f64; Blindness::COUNT];

/// What has gathered since it was last handed over.
#[derive(Debug)]
pub struct BlindnessBook {
    zone: TimeZone,
    looked: Option<Uptime>,
    handed_over: Uptime,
    day: Option<Day>,
    watched_s: f64,
    alarms: Vec<BySeconds>,
}

/// A day of the plant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Day {
    date: Date,
    from: UtcMillis,
    to: UtcMillis,
}

impl Day {
    /// The day of `utc`; in UTC where the calendar has no such day.
    fn of(utc: UtcMillis, zone: &TimeZone) -> Self {
        let at = Timestamp::from_millisecond(utc.0).unwrap_or_default();
        let date = at.to_zoned_datetime(zone.clone()).date();
        let start =
            |date: Date| date.to_zoned_datetime(zone.clone()).map(|zoned| zoned.timestamp().as_millisecond());
        let from = start(date).unwrap_or(utc.0);
        let to = date.checked_add(1.day()).and_then(start).unwrap_or(i64::MAX);
        Self { date, from: UtcMillis(from), to: UtcMillis(to) }
    }

    const fn holds(&self, utc: UtcMillis) -> bool {
        self.from.0 <= utc.0 && utc.0 < self.to.0
    }
}

impl BlindnessBook {
    /// Nothing gathered yet.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        Self {
            zone: TimeZone::get(&line.time_zone).unwrap_or(TimeZone::UTC),
            looked: None,
            handed_over: Uptime::START,
            day: None,
            watched_s: 0.0,
            alarms: vec![[0.0; Blindness::COUNT]; line.alarms.len()],
        }
    }

    /// Asks each alarm; gives what is to be handed to history, if it is time.
    pub fn look(
        &mut self,
        line: &Line,
        monitor: &Monitor<'_>,
        now: Uptime,
        utc: UtcMillis,
    ) -> Option<String> {
        let passed = self.looked.replace(now).map_or(Duration::ZERO, |before| now.since(before));
        if passed <= LOOK_MOST {
            self.watched_s += passed.as_secs_f64();
            for ((alarm, _), seconds) in line.alarms_with_ids().zip(&mut self.alarms) {
                let reason = monitor.blindness(alarm, now);
                if let Some(place) = reason.and_then(|reason| seconds.get_mut(reason.index())) {
                    *place += passed.as_secs_f64();
                }
            }
        }
        let same_day = self.day.is_none_or(|day| day.holds(utc));
        let due = now.since(self.handed_over) >= HANDED_OVER_EVERY;
        let told = if same_day && !due { None } else { self.hand_over(line, now) };
        if self.day.is_none_or(|day| !day.holds(utc)) {
            self.day = Some(Day::of(utc, &self.zone));
        }
        told
    }

    /// What has gathered, as the note of an event; `None` if nothing was watched.
    pub fn hand_over(&mut self, line: &Line, now: Uptime) -> Option<String> {
        self.handed_over = now;
        let watched_s = std::mem::take(&mut self.watched_s);
        let day = self.day?;
        let mut alarms = Map::new();
        for (alarm, seconds) in line.alarms.iter().zip(&mut self.alarms) {
            let seconds = std::mem::take(seconds);
            let blind = Blindness::ALL.into_iter().zip(seconds).filter(|(_, seconds)| *seconds > 0.0);
            let blind: Map<String, Value> =
                blind.map(|(reason, seconds)| (reason.key().to_owned(), json!(rounded(seconds)))).collect();
            if !blind.is_empty() {
                alarms.insert(alarm.id.clone(), Value::Object(blind));
            }
        }
        let day = day.date.to_string();
        (watched_s > 0.0)
            .then(|| json!({ "day": day, "watched_s": rounded(watched_s), "alarms": alarms }).to_string())
    }
}

/// To the millisecond.
fn rounded(seconds: f64) -> f64 {
    (seconds * 1000.0).round() / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_of_the_plant_begins_at_its_midnight_and_may_have_25_hours() {
        let madrid = TimeZone::get("Europe/Madrid").unwrap();
        // 2026-10-25, the clock goes back: from 22:00 UTC of the day before to 23:00 UTC.
        let noon = Timestamp::from_second(1_792_926_000).unwrap();
        let day = Day::of(UtcMillis(noon.as_millisecond()), &madrid);
        assert_eq!(day.date.to_string(), "2026-10-25");
        assert_eq!((day.to.0 - day.from.0) / 3_600_000, 25);
        assert!(day.holds(day.from) && !day.holds(day.to));
        assert_eq!(Day::of(day.to, &madrid).date.to_string(), "2026-10-26");
    }
}
