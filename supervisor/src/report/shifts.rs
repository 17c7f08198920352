//! Shifts as stretches of wall time, by the clocks of the plant: on the day on which they are put forward a shift is an hour
//! shorter, on the day on which they are put back an hour longer.

use crate::history::Span;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};
use setward_config::line::{Line, Shift};
use setward_protocol::UtcMillis;

/// One shift of one day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShiftSpan {
    /// What people call it.
    pub name: String,
    /// The local day on which it begins, "2026-11-23".
    pub date: String,
    /// From when to when.
    pub span: Span,
}

/// The zone of the plant's clocks.
#[must_use]
pub fn zone(line: &Line) -> TimeZone {
    TimeZone::get(&line.time_zone).unwrap_or(TimeZone::UTC)
}

/// The local day of a moment.
#[must_use]
pub fn local_day(zone: &TimeZone, utc: UtcMillis) -> Date {
    Timestamp::from_millisecond(utc.0).unwrap_or_default().to_zoned_datetime(zone.clone()).date()
}

/// When the clocks of the plant show this time of a day: the later moment for a time that is skipped, the earlier for one that
/// comes twice.
pub(super) fn moment(zone: &TimeZone, date: Date, minute: u16) -> Option<UtcMillis> {
    let hour = i8::try_from(minute / 60).ok()?;
    let minute = i8::try_from(minute % 60).ok()?;
    let at = zone.to_ambiguous_timestamp(date.at(hour, minute, 0, 0)).compatible().ok()?;
    Some(UtcMillis(at.as_millisecond()))
}

/// The shifts that begin on a local day.
pub(super) fn of_day(line: &Line, zone: &TimeZone, date: Date) -> Vec<ShiftSpan> {
    let begins = |shift: &Shift, date: Date| moment(zone, date, shift.from_minute);
    let next_day = date.checked_add(1.day()).ok();
    let first = line.shifts.first();
    let ends = line.shifts.iter().skip(1).map(|next| begins(next, date));
    let ends = ends.chain([first.and_then(|first| begins(first, next_day?))]);
    let shift = |(shift, end): (&Shift, Option<UtcMillis>)| {
        // A shift of no length, on the day on which its hour is skipped, is none.
        let span = Span::new(begins(shift, date)?, end?).ok()?;
        Some(ShiftSpan { name: shift.name.clone(), date: date.to_string(), span })
    };
    line.shifts.iter().zip(ends).filter_map(shift).collect()
}

/// The shift of a moment; `None` if the line file names no shifts.
#[must_use]
pub fn at(line: &Line, utc: UtcMillis) -> Option<ShiftSpan> {
    let zone = zone(line);
    let today = local_day(&zone, utc);
    let days = [today.checked_sub(1.day()).ok(), Some(today)];
    let mut all = days.into_iter().flatten().flat_map(|day| of_day(line, &zone, day));
    all.rfind(|shift| shift.span.contains(utc))
}

/// The shift of this name that begins on a local day.
#[must_use]
pub fn named(line: &Line, name: &str, date: Date) -> Option<ShiftSpan> {
    of_day(line, &zone(line), date).into_iter().find(|shift| shift.name == name)
}

/// The shift before another.
#[must_use]
pub fn before(line: &Line, shift: &ShiftSpan) -> Option<ShiftSpan> {
    at(line, UtcMillis(shift.span.from().0 - 1))
}

/// The shifts that lie in a window or reach into it, cut to it, in order of time.
#[must_use]
pub fn between(line: &Line, window: Span) -> Vec<ShiftSpan> {
    let zone = zone(line);
    let mut day = local_day(&zone, window.from()).checked_sub(1.day()).ok();
    let last = local_day(&zone, window.to());
    let mut found = Vec::new();
    while let Some(date) = day.filter(|date| *date <= last) {
        for shift in of_day(line, &zone, date) {
            let cut = Span::new(shift.span.from().max(window.from()), shift.span.to().min(window.to()));
            found.extend(cut.ok().map(|span| ShiftSpan { span, ..shift }));
        }
        day = date.checked_add(1.day()).ok();
    }
    found
}

/// The local days of a window, cut to it.
#[must_use]
pub fn days_between(line: &Line, window: Span) -> Vec<(String, Span)> {
    let zone = zone(line);
    let mut day = Some(local_day(&zone, window.from()));
    let last = local_day(&zone, window.to());
    let mut found = Vec::new();
    while let Some(date) = day.filter(|date| *date <= last) {
        let next = date.checked_add(1.day()).ok();
        let ends = moment(&zone, date, 0).zip(next.and_then(|next| moment(&zone, next, 0)));
        let cut = ends.and_then(|(from, to)| Span::new(from.max(window.from()), to.min(window.to())).ok());
        found.extend(cut.map(|span| (date.to_string(), span)));
        day = next;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line() -> Line {
        let mut line = setward_config::load_demo().unwrap().line;
        line.time_zone = "Europe/Madrid".to_owned();
        line
    }

    fn utc(text: &str) -> UtcMillis {
        UtcMillis(text.parse::<Timestamp>().unwrap().as_millisecond())
    }

    fn check(at_utc: &str, name: &str, date: &str, from: &str, hours: i64) {
        let shift = at(&line(), utc(at_utc)).unwrap();
        assert_eq!((shift.name.as_str(), shift.date.as_str()), (name, date), "{at_utc}");
        assert_eq!((shift.span.from(), shift.span.length_ms()), (utc(from), hours * 3_600_000), "{at_utc}");
    }

    #[test]
    fn a_night_shift_belongs_to_the_day_it_begins_on() {
        check("2026-11-23T05:00:00Z", "A", "2026-11-23", "2026-11-23T05:00:00Z", 8);
        check("2026-11-23T04:59:59.999Z", "C", "2026-11-22", "2026-11-22T21:00:00Z", 8);
        check("2026-11-23T20:59:59Z", "B", "2026-11-23", "2026-11-23T13:00:00Z", 8);
    }

    /// Madrid: forward at 01:00 UTC of 29 March, back at 01:00 UTC of 25 October.
    #[test]
    fn the_shift_in_which_the_clocks_change_has_its_own_length() {
        check("2026-03-29T00:30:00Z", "C", "2026-03-28", "2026-03-28T21:00:00Z", 7);
        check("2026-03-29T04:00:00Z", "A", "2026-03-29", "2026-03-29T04:00:00Z", 8);
        check("2026-10-25T02:00:00Z", "C", "2026-10-24", "2026-10-24T20:00:00Z", 9);
    }

    #[test]
    fn shifts_cover_a_week_without_hole_or_overlap_over_both_changes_of_the_clocks() {
        for from in ["2026-03-25T11:00:00Z", "2026-10-21T11:00:00Z"] {
            let window = Span::new(utc(from), UtcMillis(utc(from).0 + 7 * 86_400_000)).unwrap();
            let all = between(&line(), window);
            assert_eq!((all[0].span.from(), all.last().unwrap().span.to()), (window.from(), window.to()));
            assert!(all.windows(2).all(|pair| pair[0].span.to() == pair[1].span.from()), "{all:?}");
            assert_eq!(all.len(), 22, "21 and a cut one");
            let days = days_between(&line(), window);
            assert!(days.windows(2).all(|pair| pair[0].1.to() == pair[1].1.from()), "{days:?}");
            assert_eq!(days.len(), 8);
        }
    }

    #[test]
    fn the_shift_before_and_one_by_its_name() {
        let line = line();
        let night = at(&line, utc("2026-11-23T23:00:00Z")).unwrap();
        assert_eq!(before(&line, &night).unwrap().name, "B");
        let date: Date = "2026-11-23".parse().unwrap();
        assert_eq!(named(&line, "C", date), Some(night));
        assert_eq!(named(&line, "D", date), None);
        assert_eq!(at(&Line { shifts: Vec::new(), ..line }, utc("2026-11-23T23:00:00Z")), None);
    }
}
