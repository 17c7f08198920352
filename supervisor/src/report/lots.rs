//! Lots and date codes: which of them product belongs to, by the time at which it is packed.
//!
//! A lot lasts until the next begins, so that none overlap and none leave a hole, whatever was written or entered:
//!
//! - by the clock, or by shifts: a time of day that is skipped when the clocks are put forward begins its lot an hour later by
//!   the clock (half past two at half past three); one that comes twice when they are put back begins it the first time, once;
//! - by an entry: the lot of the number that was entered last. The same number again goes on; of two that were taken at the
//!   same moment the one entered later holds; a corrected number is as if it had been entered right. Before the first
//!   entry no lot is known.
//!
//! A date code is what the bag says of its day, hour, shift and line. In the hour that comes twice, one code is on the bags of
//! two hours: whoever looks for it finds both.

use super::shifts::{self, ShiftSpan};
use crate::history::{HistoryError, HistoryStore, Span, StoredEntry};
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};
use serde::{Deserialize, Serialize};
use setward_config::line::{CodeField, Line, LotBegins, Lots};
use setward_protocol::{SignalId, UtcMillis};
use std::collections::BTreeSet;
use utoipa::ToSchema;

/// Entries of lots that are looked at, the newest.
const ENTRIES_MAX: usize = 10_000;
/// Most date codes of one stretch of time that are told.
pub const CODES_MAX: usize = 200;
const QUARTER_MS: i64 = 15 * 60_000;
const DAY_MS: i64 = 86_400_000;
/// A lot that is asked for by its name began no longer ago.
const NAMED_WITHIN_MS: i64 = 400 * DAY_MS;

/// A lot from when to when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotSpan {
    /// What it is called.
    pub lot: String,
    /// When it was, or is being, packed; up to now, while it goes on.
    pub span: Span,
    /// It goes on.
    pub goes_on: bool,
}

/// The lots and date codes that product belongs to.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Touched {
    /// Lots, in order of time. None: nothing tells them.
    #[serde(default)]
    pub lots: Vec<String>,
    /// Date codes, in order of time. None: nothing tells them.
    #[serde(default)]
    pub date_codes: Vec<String>,
}

impl Touched {
    /// "lot 4711; date codes 26330 L2 A, 26330 L2 B"; `None` if nothing is known.
    #[must_use]
    pub fn words(&self) -> Option<String> {
        let part = |one: &str, many: &str, list: &[String]| match list {
            [] => None,
            [only] => Some(format!("{one} {only}")),
            list => Some(format!("{many} {}", list.join(", "))),
        };
        let parts = [part("lot", "lots", &self.lots), part("date code", "date codes", &self.date_codes)];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        (!parts.is_empty()).then(|| parts.join("; "))
    }
}

/// What product that was packed in a time belongs to.
///
/// # Errors
/// When history can't be read.
pub async fn touched(
    line: &Line,
    store: &dyn HistoryStore,
    (from, to): (UtcMillis, UtcMillis),
    now: UtcMillis,
) -> Result<Touched, HistoryError> {
    let Ok(window) = Span::new(from, UtcMillis(to.0.max(from.0.saturating_add(1)))) else {
        return Ok(Touched::default());
    };
    // What is packed only later belongs to a lot that may not have begun: nobody knows it yet.
    let lots = lots(line, store, window, now.max(window.to())).await?;
    Ok(Touched { lots: names(&lots), date_codes: date_codes(line, window) })
}

/// The same from the line file alone; `None` where a person enters lots, or nothing tells them.
#[must_use]
pub fn touched_by_clock(line: &Line, (from, to): (UtcMillis, UtcMillis)) -> Option<Touched> {
    let window = Span::new(from, UtcMillis(to.0.max(from.0.saturating_add(1)))).ok()?;
    let lots = by_clock(line, line.lots.as_ref()?, window, window.to())?;
    Some(Touched { lots: names(&lots), date_codes: date_codes(line, window) })
}

/// Each name once: an entered lot may go on after another.
fn names(lots: &[LotSpan]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for lot in lots {
        if !names.contains(&lot.lot) {
            names.push(lot.lot.clone());
        }
    }
    names
}

/// The lots that were packed in a window, whole, in order of time.
///
/// # Errors
/// When history can't be read.
pub async fn lots(
    line: &Line,
    store: &dyn HistoryStore,
    window: Span,
    now: UtcMillis,
) -> Result<Vec<LotSpan>, HistoryError> {
    let Some(settings) = &line.lots else { return Ok(Vec::new()) };
    if let Some(found) = by_clock(line, settings, window, now) {
        return Ok(found);
    }
    let LotBegins::Entered(signal) = settings.begins else { return Ok(Vec::new()) };
    let rows = store.entries(Some(line.signal(signal).tag.clone()), ENTRIES_MAX).await?;
    let mut found = by_entries(line, signal, &rows, now);
    found.retain(|lot| lot.span.from() < window.to() && window.from() < lot.span.to());
    Ok(found)
}

/// The stretches of the lot of this name, in order of time; none: there is no such lot.
///
/// # Errors
/// When history can't be read.
pub async fn named(
    line: &Line,
    store: &dyn HistoryStore,
    name: &str,
    now: UtcMillis,
) -> Result<Vec<LotSpan>, HistoryError> {
    // A lot of the clock is called by its day: nobody has to look through a year of them.
    let day = name.get(..10).and_then(|day| day.parse::<Date>().ok());
    let about = day.and_then(|day| {
        let noon = shifts::moment(&shifts::zone(line), day, 12 * 60)?.0;
        Span::new(UtcMillis(noon - 2 * DAY_MS), UtcMillis(noon + 3 * DAY_MS)).ok()
    });
    let year = Span::new(UtcMillis(now.0 - NAMED_WITHIN_MS), UtcMillis(now.0 + 1));
    let Some(window) = about.or(year.ok()) else { return Ok(Vec::new()) };
    let mut found = lots(line, store, window, now).await?;
    found.retain(|lot| lot.lot == name);
    Ok(found)
}

/// `None` where a person enters lots.
fn by_clock(line: &Line, settings: &Lots, window: Span, now: UtcMillis) -> Option<Vec<LotSpan>> {
    let zone = shifts::zone(line);
    let mut starts: Vec<(UtcMillis, String)> = Vec::new();
    let mut day = shifts::local_day(&zone, window.from()).checked_sub(2.days()).ok();
    let last = shifts::local_day(&zone, window.to()).checked_add(1.day()).ok()?;
    while let Some(date) = day.filter(|date| *date <= last) {
        match &settings.begins {
            LotBegins::Clock(minutes) => {
                for minute in minutes {
                    let name = if minutes.len() == 1 {
                        date.to_string()
                    } else {
                        format!("{date} {:02}:{:02}", minute / 60, minute % 60)
                    };
                    starts.extend(shifts::moment(&zone, date, *minute).map(|at| (at, name)));
                }
            }
            LotBegins::Shifts => {
                let own = shifts::of_day(line, &zone, date).into_iter();
                starts.extend(own.map(|shift| (shift.span.from(), format!("{date} {}", shift.name))));
            }
            LotBegins::Entered(_) => return None,
        }
        day = date.checked_add(1.day()).ok();
    }
    // Two that begin at one moment, on the day on which their hours are skipped: the later one is the lot.
    starts.sort_by_key(|(at, _)| *at);
    let ends = starts.iter().skip(1).map(|(at, _)| *at);
    let spans = starts.iter().zip(ends).filter_map(|((from, lot), to)| lot_span(lot, (*from, to), now));
    Some(spans.filter(|lot| lot.span.from() < window.to() && window.from() < lot.span.to()).collect())
}

/// `None` if it has no length, or has not begun.
fn lot_span(lot: &str, (from, to): (UtcMillis, UtcMillis), now: UtcMillis) -> Option<LotSpan> {
    let span = Span::new(from, to.min(now)).ok()?;
    Some(LotSpan { lot: lot.to_owned(), span, goes_on: to > now })
}

/// Lots by the numbers that were entered, `rows` newest first.
fn by_entries(line: &Line, signal: SignalId, rows: &[StoredEntry], now: UtcMillis) -> Vec<LotSpan> {
    let replaced: BTreeSet<u64> = rows.iter().filter_map(|row| row.corrects).collect();
    let mut holding: Vec<&StoredEntry> =
        rows.iter().filter(|row| !replaced.contains(&row.n) && row.taken < now).collect();
    holding.sort_by_key(|row| (row.taken, row.n));
    let decimals = usize::from(line.signal(signal).decimals);
    let mut starts: Vec<(UtcMillis, String)> = Vec::new();
    for row in holding {
        let lot = format!("{:.decimals$}", row.value);
        if starts.last().is_some_and(|(at, _)| *at == row.taken) {
            starts.pop();
        }
        if starts.last().is_none_or(|(_, before)| *before != lot) {
            starts.push((row.taken, lot));
        }
    }
    let ends = starts.iter().skip(1).map(|(at, _)| *at).chain([UtcMillis(i64::MAX)]);
    starts.iter().zip(ends).filter_map(|((from, lot), to)| lot_span(lot, (*from, to), now)).collect()
}

/// The date codes of bags that were packed in a window, each once, in order of time.
#[must_use]
pub fn date_codes(line: &Line, window: Span) -> Vec<String> {
    let Some(lots) = line.lots.as_ref().filter(|lots| !lots.date_code.is_empty()) else { return Vec::new() };
    let zone = shifts::zone(line);
    let shifts =
        if lots.date_code.contains(&CodeField::Shift) { shifts::between(line, window) } else { Vec::new() };
    // A code changes with a shift, an hour or a day: all of them begin at a quarter of an hour of some zone, or with a shift.
    let begin = window.from().0.checked_add(QUARTER_MS - window.from().0.rem_euclid(QUARTER_MS));
    let quarters = std::iter::successors(begin, |at| at.checked_add(QUARTER_MS));
    let quarters = quarters.take_while(|at| *at < window.to().0);
    let days = shifts::days_between(line, window);
    let odd_day = day_starts(lots, &zone, &days);
    let mut moments: Vec<i64> = [window.from().0]
        .into_iter()
        .chain(quarters)
        .chain(shifts.iter().map(|shift| shift.span.from().0))
        .chain(odd_day)
        .filter(|at| window.contains(UtcMillis(*at)))
        .collect();
    moments.sort_unstable();
    let mut codes: Vec<String> = Vec::new();
    for at in moments {
        let code = code(lots, &zone, &shifts, UtcMillis(at));
        if codes.last() != Some(&code) && !codes.contains(&code) {
            codes.push(code);
        }
        if codes.len() == CODES_MAX {
            break;
        }
    }
    codes
}

/// When the days of the date code begin.
fn day_starts(lots: &Lots, zone: &TimeZone, days: &[(String, Span)]) -> Vec<i64> {
    let at = |(day, _): &(String, Span)| {
        shifts::moment(zone, day.parse().ok()?, lots.day_from_minute).map(|at| at.0)
    };
    days.iter().filter_map(at).collect()
}

/// The date code of a bag that is packed at a moment.
fn code(lots: &Lots, zone: &TimeZone, shifts: &[ShiftSpan], at: UtcMillis) -> String {
    let local = |utc: i64| {
        Timestamp::from_millisecond(utc).unwrap_or_default().to_zoned_datetime(zone.clone()).datetime()
    };
    let packed = local(at.0);
    let day = coded_day(lots, packed);
    let parts = lots.date_code.iter().map(|field| match field {
        CodeField::Year => format!("{:04}", day.year()),
        CodeField::YearShort => format!("{:02}", day.year().rem_euclid(100)),
        CodeField::Month => format!("{:02}", day.month()),
        CodeField::Day => format!("{:02}", day.day()),
        CodeField::DayOfYear => format!("{:03}", day.day_of_year()),
        CodeField::Hour => format!("{:02}", packed.hour()),
        CodeField::Shift => {
            let own = shifts.iter().find(|shift| shift.span.contains(at));
            own.map_or_else(|| "?".to_owned(), |shift| shift.name.clone())
        }
        CodeField::Line => lots.line_code.clone(),
    });
    parts.collect::<Vec<_>>().join(&lots.between)
}

/// The day that the code tells: that of packing, by its own beginning, and so many days later for a best-before date.
fn coded_day(lots: &Lots, packed: DateTime) -> Date {
    let minute = u16::from(packed.hour().unsigned_abs()) * 60 + u16::from(packed.minute().unsigned_abs());
    let date = packed.date();
    let date = if minute < lots.day_from_minute { date.yesterday().unwrap_or(date) } else { date };
    let later = i32::try_from(lots.best_before.as_secs() / 86_400).unwrap_or(0);
    date.checked_add(later.days()).unwrap_or(date)
}

#[cfg(test)]
#[path = "lots_tests.rs"]
mod tests;
