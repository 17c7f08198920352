//! A year of runs, of which a report reads its own stretch.

use super::*;
use crate::history::sqlite::InlineStore;
use crate::history::{AlarmRecord, Batch, Event, NewRun};
use crate::report::shift::{AtTheEnd, shift_report};
use crate::report::{calls, shifts};
use setward_protocol::Uptime;

const DAY_MS: i64 = 86_400_000;
/// 2026-11-23T12:00:00Z: the beginning of a shift in Chicago.
const NOW: i64 = 1_795_435_200_000;
/// A run each day.
const DAYS: i64 = 120;
/// Events of a run that no alarm told.
const A_DAY: u64 = 12;
/// In this run the clock stood in 1970.
const WRONG_CLOCK: i64 = DAYS - 3;

const STANDS: &str = "fryer-inlet-cold";
const ENDS: &str = "fryer-outlet-cold";
const OVER: &str = "oil-filter-blocking";

fn told(sequence: u64, utc: i64, (what, alarm): (&str, Option<&str>)) -> Event {
    Event {
        sequence,
        utc: UtcMillis(utc),
        at: Uptime::from_millis(sequence * 1_000),
        alarm: alarm.map(str::to_owned),
        occurrence: u32::from(alarm.is_some()),
        what: what.to_owned(),
        states: String::new(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: None,
    }
}

fn standing(id: &str) -> AlarmRecord {
    AlarmRecord {
        id: id.to_owned(),
        state: 'C',
        occurrence: 1,
        was_told: true,
        drops_exposure: false,
        exposure: 0.0,
        waited: std::time::Duration::ZERO,
        waited_under: 0,
        onset: None,
        raised: Some(UtcMillis(begin_of(10))),
        cleared: None,
        acknowledged: None,
        shelf: None,
        out_of_service: None,
    }
}

fn begin_of(day: i64) -> i64 {
    if day == WRONG_CLOCK { 0 } else { NOW - (DAYS - day) * DAY_MS }
}

/// Three alarms raise on the tenth day: one is over at once, one on the last day, one stands.
async fn a_third_of_a_year(line: &Line) -> InlineStore {
    let store = InlineStore::in_memory().unwrap();
    for day in 0..DAYS {
        let begin = begin_of(day);
        let run = store.start_run(NewRun::of(line, UtcMillis(begin), "0")).await.unwrap();
        let mut events: Vec<Event> =
            (0..A_DAY).map(|n| told(n, begin + n as i64 * 1_000, ("blindness", None))).collect();
        let own: &[(&str, &str)] = match day {
            10 => &[("raised", STANDS), ("raised", ENDS), ("raised", OVER), ("cleared", OVER)],
            11 => &[("acknowledged", STANDS)],
            day if day == DAYS - 1 => &[("cleared", ENDS)],
            _ => &[],
        };
        let own = own.iter().zip(A_DAY..);
        events.extend(own.map(|((what, alarm), n)| told(n, begin + n as i64 * 1_000, (what, Some(*alarm)))));
        let alarms = if day == 10 { vec![standing(STANDS)] } else { Vec::new() };
        store.append(run, Batch { events, alarms, ..Batch::default() }).await.unwrap();
    }
    store
}

#[tokio::test]
async fn a_report_reads_its_own_stretch_of_a_long_history_and_what_stood_before_it() {
    let line = setward_config::load_demo().unwrap().line;
    let store = a_third_of_a_year(&line).await;
    let events = events_for(&line, &store, UtcMillis(NOW - DAY_MS)).await.unwrap();
    assert!(events.is_sorted_by_key(|stored| (stored.run, stored.event.sequence)));
    let (read, runs) = (events.len() as u64, 42);
    assert!(read > 30 * A_DAY && read <= runs * A_DAY + 10, "{read} events of {DAYS} runs");
    let calls: Vec<_> = calls::calls(&line, &events)
        .iter()
        .map(|call| (line.alarm(call.alarm).id.as_str(), call.cleared.is_some(), call.acknowledged.is_some()))
        .collect();
    assert_eq!(calls, [(STANDS, false, true), (ENDS, true, false)]);
    let shift = shifts::at(&line, UtcMillis(NOW - DAY_MS)).unwrap();
    let report = shift_report(&line, &store, &shift, AtTheEnd::default(), UtcMillis(NOW)).await.unwrap();
    let standing: Vec<_> = report.standing.iter().map(|row| row.alarm.as_str()).collect();
    assert_eq!(standing, [STANDS], "it raised 110 days ago");
}

/// Each run whole or not at all; one with a wrong clock hides none that came before it.
#[tokio::test]
async fn runs_that_were_over_before_a_time_are_left_out() {
    let line = setward_config::load_demo().unwrap().line;
    let store = a_third_of_a_year(&line).await;
    let all = store.events(None, usize::MAX).await.unwrap();
    // Within a run.
    let since = begin_of(DAYS - 6) + 3_000;
    let expected: Vec<_> =
        all.iter().filter(|stored| stored.event.utc.0 >= begin_of(DAYS - 6)).cloned().collect();
    assert_eq!(expected.len() as u64, 5 * A_DAY + 1);
    let asked = |before, limit| EventsAsked { since: Some(UtcMillis(since)), before, limit, alarm: None };
    assert_eq!(store.events_of(asked(None, usize::MAX)).await.unwrap(), expected);
    let mut paged = Vec::new();
    let mut before = None;
    loop {
        let page = store.events_of(asked(before, 7)).await.unwrap();
        let Some(last) = page.last() else { break };
        before = Some((last.run, last.event.sequence));
        paged.extend(page);
    }
    assert_eq!(paged, expected);
}
