//! Modes of many runs, against a plain reading that looks through all events for each run and each station.

use super::*;
use crate::history::Event;
use crate::snapshot::RunId;
use setward_alarm::metrics::Outage;
use setward_protocol::Uptime;

fn told(run: i64, sequence: u64, (utc_ms, what, note): (i64, &str, Option<String>)) -> StoredEvent {
    let event = Event {
        sequence,
        utc: UtcMillis(utc_ms),
        at: Uptime::START,
        alarm: None,
        occurrence: 0,
        what: what.to_owned(),
        states: String::new(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note,
    };
    StoredEvent { run: RunId(run), event }
}

/// Some runs stop in order, some are cut off, some begin before the one before has ended; not every station changes in each.
fn many(line: &Line) -> Vec<StoredEvent> {
    let mut events = Vec::new();
    for run in 0..60_i64 {
        let start = run * 10_000 - (run % 7) * 1_500;
        let mut tell = |after: i64, what: &str, note: Option<String>| {
            events.push(told(run, events.len() as u64, (start + after, what, note)));
        };
        tell(0, "started", None);
        for (place, station) in (0..).zip(&line.stations) {
            let key = &station.key;
            if (run + place) % 3 == 0 {
                tell(1_000 + place * 10, "station mode", Some(format!("{key}: stopped to run")));
            }
            if (run + place) % 4 == 0 {
                tell(4_000 + place * 10, "station mode", Some(format!("{key}: run to stopped")));
            }
        }
        tell(6_000, "station mode", Some("nowhere: run to stopped".to_owned()));
        tell(6_100, "station mode", Some("oven: run to nothing known".to_owned()));
        tell(6_200, "something else", Some("oven: run to stopped".to_owned()));
        if run % 2 == 0 {
            tell(7_000, "stopped", None);
        }
    }
    events
}

fn plain_turns(events: &[StoredEvent], key: &str) -> Vec<(UtcMillis, Mode)> {
    let own = |stored: &StoredEvent| {
        let told = change(stored.event.note.as_deref()?).filter(|told| told.0 == key)?;
        (stored.event.what == "station mode").then_some((told.1, told.2))
    };
    let mut turns = Vec::new();
    let mut run = None;
    for stored in events {
        if run != Some(stored.run) {
            run = Some(stored.run);
            let first = events.iter().filter(|other| other.run == stored.run).find_map(own);
            turns.push((stored.event.utc, first.map_or(Mode::Run, |(from, _)| from)));
        }
        turns.extend(own(stored).map(|(_, to)| (stored.event.utc, to)));
    }
    turns
}

fn plain_mode(turns: &[(UtcMillis, Mode)], dark: &[Outage], at: UtcMillis) -> Option<Mode> {
    if dark.iter().any(|outage| outage.from <= at && at < outage.to) {
        return None;
    }
    // A turn holds up to the next one told, which a step of the clock may put before it.
    let ends = turns.iter().skip(1).map(|(next, _)| *next).chain([UtcMillis(i64::MAX)]);
    turns.iter().zip(ends).find(|((from, _), to)| *from <= at && at < *to).map(|((_, mode), _)| *mode)
}

#[test]
fn modes_of_many_runs_are_those_of_a_plain_reading() {
    let line = setward_config::load_demo().unwrap().line;
    let events = many(&line);
    let window = Span::new(UtcMillis(15_000), UtcMillis(580_000)).unwrap();
    let known_until = UtcMillis(605_000);
    let dark = outages(&events, window, known_until);
    assert!(dark.len() > 20, "{}", dark.len());
    assert!(dark.windows(2).all(|pair| pair[0].to <= pair[1].from));
    let found = modes(&line, &events, window, known_until);
    for (station, spans) in line.stations.iter().zip(&found) {
        let turns = plain_turns(&events, &station.key);
        for at in (15_000..580_000).step_by(250).map(UtcMillis) {
            let told: Vec<_> = spans.iter().filter(|span| span.from <= at && at < span.to).collect();
            let expected = plain_mode(&turns, &dark, at);
            assert!(told.iter().any(|span| span.mode == expected), "{} at {at:?}: {told:?}", station.key);
        }
    }
}
