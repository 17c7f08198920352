//! What people found when an alarm had called: one of eight causes and a note, kept as a record of the occurrence; and the
//! last times of an alarm, with what was found then.
//!
//! A record is only added: a cause that was wrong is followed by another, the newest of an occurrence stands. An alarm's state
//! has no part in it.

use super::rfc3339;
use crate::history::{EventsAsked, HistoryError, HistoryStore, KeptRecord, NewRecord, StoredEvent};
use crate::line::alarms::SILENT;
use serde::{Deserialize, Serialize};
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// The kind of record that closes an occurrence.
pub const CLOSURE: &str = "closure";
/// Records that are looked at, the newest.
const RECORDS_MAX: usize = 20_000;
/// Events of one alarm that are looked at in one go, the newest first.
const EVENTS_MAX: usize = 4_000;

/// What was found. A closed list, so that causes can be counted.
pub const CAUSES: [(&str, &str); 8] = [
    ("sensor", "sensor or its cable"),
    ("input-output", "input or output card, terminal"),
    ("controller", "controller or network"),
    ("heat", "burner, steam, water or heat exchanger"),
    ("oil", "oil: level, flow, filter"),
    ("feed", "feed, belt or product"),
    ("recipe", "recipe or setpoint"),
    ("no-fault", "no fault found"),
];

/// What a person said of an occurrence.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Closure {
    /// One of the closed list.
    pub cause: String,
    /// What was done, or else was said.
    pub note: Option<String>,
    /// By whom.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
}

/// An occurrence for which somebody was called, and what was found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Past {
    /// Its number.
    pub occurrence: u32,
    /// When it raised.
    #[serde(serialize_with = "as_rfc3339")]
    #[schema(value_type = String)]
    pub raised: UtcMillis,
    /// How long until it cleared, s; `None`: it stands, or nobody watched its end.
    pub lasted_s: Option<i64>,
    /// What was found; `None`: nobody said.
    pub closure: Option<Closure>,
}

fn as_rfc3339<S: serde::Serializer>(at: &UtcMillis, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&rfc3339(*at))
}

#[derive(Serialize, Deserialize)]
struct Said {
    cause: String,
    note: Option<String>,
}

/// Why an occurrence was not closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotClosed {
    /// The line has no such alarm.
    NoSuchAlarm,
    /// It has not raised so often; how often it has.
    NoSuchOccurrence(u32),
    /// The cause is not in the list.
    NotListed,
    /// History could not keep it.
    NotKept(String),
}

fn about(alarm: &str, occurrence: u32) -> String {
    format!("{alarm}@{occurrence}")
}

fn closure_of(kept: &KeptRecord) -> Option<Closure> {
    let said: Said = serde_json::from_str(&kept.record).ok()?;
    Some(Closure { cause: said.cause, note: said.note, by: kept.by.clone(), at: rfc3339(kept.utc) })
}

/// What stands of every closed occurrence, by `alarm@occurrence`.
///
/// # Errors
/// When history can't be read.
pub async fn closures(store: &dyn HistoryStore) -> Result<BTreeMap<String, Closure>, HistoryError> {
    let newest_first = store.records(CLOSURE.to_owned(), RECORDS_MAX).await?;
    let mut standing = BTreeMap::new();
    for kept in newest_first {
        if let Some(closure) = closure_of(&kept) {
            standing.entry(kept.about).or_insert(closure);
        }
    }
    Ok(standing)
}

/// What stands of one occurrence among `closures`.
#[must_use]
pub fn of<'a>(closures: &'a BTreeMap<String, Closure>, alarm: &str, occurrence: u32) -> Option<&'a Closure> {
    closures.get(&about(alarm, occurrence))
}

/// Closes occurrence `occurrence` of `alarm`, which has raised `raised` times; on return it is on disk. The same again changes
/// nothing: false.
///
/// # Errors
/// What is wrong with it, or that it could not be kept.
pub async fn close(
    line: &Line,
    store: &dyn HistoryStore,
    (alarm, occurrence, raised): (&str, u32, u32),
    (cause, note): (&str, Option<&str>),
    (by, now): (&str, UtcMillis),
) -> Result<bool, NotClosed> {
    let not_kept = |error: HistoryError| NotClosed::NotKept(error.text);
    if line.alarm_by_id(alarm).is_none() {
        return Err(NotClosed::NoSuchAlarm);
    }
    if occurrence == 0 || occurrence > raised {
        return Err(NotClosed::NoSuchOccurrence(raised));
    }
    if !CAUSES.iter().any(|(key, _)| *key == cause) {
        return Err(NotClosed::NotListed);
    }
    let known = closures(store).await.map_err(not_kept)?;
    let is_same = |before: &Closure| before.cause == cause && before.note.as_deref() == note;
    if of(&known, alarm, occurrence).is_some_and(is_same) {
        return Ok(false);
    }
    let said = Said { cause: cause.to_owned(), note: note.map(str::to_owned) };
    let record = serde_json::to_string(&said).map_err(|error| NotClosed::NotKept(error.to_string()))?;
    let new = NewRecord {
        utc: now,
        kind: CLOSURE.to_owned(),
        about: about(alarm, occurrence),
        by: by.to_owned(),
        record,
        why: note.map(str::to_owned),
    };
    store.add_record(new).await.map(|_kept| true).map_err(not_kept)
}

/// The last occurrences of an alarm before number `before`, newest first, at most `most`.
///
/// # Errors
/// When history can't be read.
pub async fn last_times(
    store: &dyn HistoryStore,
    alarm: &str,
    before: u32,
    most: usize,
) -> Result<Vec<Past>, HistoryError> {
    let closures = closures(store).await?;
    let mut found = Occurrences::default();
    let mut page = store.events(Some(alarm.to_owned()), EVENTS_MAX).await?;
    while let Some(last) = page.last().map(|last| (last.run, last.event.sequence)) {
        found.add(&page, before);
        if found.times.len() >= most {
            break;
        }
        let before = EventsAsked {
            alarm: Some(alarm.to_owned()),
            before: Some(last),
            limit: EVENTS_MAX,
            ..EventsAsked::default()
        };
        page = store.events_of(before).await?;
    }
    let mut times = found.times;
    times.truncate(most);
    for past in &mut times {
        past.closure = of(&closures, alarm, past.occurrence).cloned();
    }
    Ok(times)
}

/// Of events newest first the calls since `from` that nobody has closed, newest first: alarm, occurrence and when it raised.
#[must_use]
pub fn not_closed(
    newest_first: &[StoredEvent],
    closures: &BTreeMap<String, Closure>,
    from: UtcMillis,
) -> Vec<(String, u32, UtcMillis)> {
    let events = newest_first.iter().map(|stored| &stored.event).filter(|event| event.utc >= from);
    let called = events.filter(|event| event.what == "raised" && event.note.as_deref() != Some(SILENT));
    let open = called.filter_map(|event| {
        let alarm = event.alarm.as_deref()?;
        let is_open = event.occurrence > 0 && of(closures, alarm, event.occurrence).is_none();
        is_open.then(|| (alarm.to_owned(), event.occurrence, event.utc))
    });
    open.collect()
}

/// What was found, by the alarm and the moment (RFC 3339) of each call among `events`.
#[must_use]
pub fn by_call(
    events: &[StoredEvent],
    closures: &BTreeMap<String, Closure>,
) -> BTreeMap<(String, String), Closure> {
    let calls = events.iter().map(|stored| &stored.event);
    let calls = calls.filter(|event| matches!(event.what.as_str(), "raised" | "re-alarmed"));
    let found = calls.filter_map(|event| {
        let alarm = event.alarm.as_deref()?;
        let closure = of(closures, alarm, event.occurrence)?;
        Some(((alarm.to_owned(), rfc3339(event.utc)), closure.clone()))
    });
    found.collect()
}

/// Of events newest first the occurrences for which somebody was called, newest first.
#[derive(Default)]
struct Occurrences {
    /// When those ended whose beginning is still to come.
    cleared: BTreeMap<u32, UtcMillis>,
    times: Vec<Past>,
}

impl Occurrences {
    fn add(&mut self, newest_first: &[StoredEvent], before: u32) {
        let events = newest_first.iter().map(|stored| &stored.event);
        for event in events.filter(|event| (1..before).contains(&event.occurrence)) {
            match event.what.as_str() {
                "cleared" => {
                    self.cleared.insert(event.occurrence, event.utc);
                }
                "raised" if event.note.as_deref() != Some(SILENT) => {
                    let cleared = self.cleared.remove(&event.occurrence);
                    let lasted_s = cleared.map(|at| (at.0 - event.utc.0).max(0) / 1000);
                    let (occurrence, raised) = (event.occurrence, event.utc);
                    self.times.push(Past { occurrence, raised, lasted_s, closure: None });
                }
                _ => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::sqlite::InlineStore;
    use crate::history::{Batch, Event, NewRun};
    use setward_protocol::Uptime;

    const ALARM: &str = "fryer-inlet-cold";

    fn event(second: i64, what: &str, occurrence: u32, note: Option<&str>) -> Event {
        Event {
            sequence: u64::try_from(second).unwrap(),
            utc: UtcMillis(second * 1000),
            at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
            alarm: Some(ALARM.to_owned()),
            occurrence,
            what: what.to_owned(),
            states: String::new(),
            onset: None,
            value: None,
            exposure: None,
            by: None,
            note: note.map(str::to_owned),
        }
    }

    async fn lived() -> (Line, InlineStore) {
        let line = setward_config::load_demo().unwrap().line;
        let store = InlineStore::in_memory().unwrap();
        let run = store.start_run(NewRun::of(&line, UtcMillis(0), "0")).await.unwrap();
        let events = vec![
            event(100, "raised", 1, None),
            event(160, "cleared", 1, None),
            event(200, "raised", 2, Some(SILENT)),
            event(260, "cleared", 2, None),
            event(300, "raised", 3, None),
            event(1_500, "cleared", 3, None),
            event(2_000, "raised", 4, None),
        ];
        store.append(run, Batch { events, ..Batch::default() }).await.unwrap();
        (line, store)
    }

    async fn say(
        line: &Line,
        store: &InlineStore,
        (n, cause, note): (u32, &str, &str),
    ) -> Result<bool, NotClosed> {
        close(line, store, (ALARM, n, 4), (cause, Some(note)), ("Ana", UtcMillis(1_600_000))).await
    }

    #[tokio::test]
    async fn the_last_times_say_what_was_found_and_leave_out_what_nobody_was_called_for() {
        let (line, store) = lived().await;
        assert_eq!(say(&line, &store, (3, "oil", "screen changed")).await, Ok(true));
        let times = last_times(&store, ALARM, 4, 3).await.unwrap();
        let told: Vec<_> = times
            .iter()
            .map(|past| {
                (past.occurrence, past.lasted_s, past.closure.as_ref().map(|said| said.cause.as_str()))
            })
            .collect();
        assert_eq!(told, [(3, Some(1_200), Some("oil")), (1, Some(60), None)]);
        assert_eq!(last_times(&store, ALARM, 4, 1).await.unwrap().len(), 1);
    }

    #[tokio::test]
    async fn a_cause_that_was_wrong_is_followed_by_another_and_both_are_kept() {
        let (line, store) = lived().await;
        assert_eq!(say(&line, &store, (1, "sensor", "probe wiped")).await, Ok(true));
        assert_eq!(say(&line, &store, (1, "sensor", "probe wiped")).await, Ok(false), "twice the same");
        assert_eq!(say(&line, &store, (1, "oil", "pump strainer")).await, Ok(true));
        let standing = closures(&store).await.unwrap();
        let closure = of(&standing, ALARM, 1).unwrap();
        assert_eq!((closure.cause.as_str(), closure.note.as_deref()), ("oil", Some("pump strainer")));
        assert_eq!(store.records(CLOSURE.to_owned(), 10).await.unwrap().len(), 2);
        assert_eq!(of(&standing, ALARM, 3), None);
    }

    #[tokio::test]
    async fn what_nobody_has_closed_is_listed_from_a_moment_on() {
        let (line, store) = lived().await;
        say(&line, &store, (3, "oil", "screen changed")).await.unwrap();
        let (events, closed) = (store.events(None, 100).await.unwrap(), closures(&store).await.unwrap());
        let open = |from| {
            not_closed(&events, &closed, UtcMillis(from)).iter().map(|(_, n, _)| *n).collect::<Vec<_>>()
        };
        assert_eq!((open(0), open(101_000)), (vec![4, 1], vec![4]));
    }

    #[tokio::test]
    async fn what_can_not_be_closed_is_refused_and_nothing_is_kept() {
        let (line, store) = lived().await;
        assert_eq!(say(&line, &store, (5, "oil", "")).await, Err(NotClosed::NoSuchOccurrence(4)));
        assert_eq!(say(&line, &store, (0, "oil", "")).await, Err(NotClosed::NoSuchOccurrence(4)));
        assert_eq!(say(&line, &store, (4, "ghosts", "")).await, Err(NotClosed::NotListed));
        let none = close(&line, &store, ("none", 1, 1), ("oil", None), ("Ana", UtcMillis(1))).await;
        assert_eq!(none, Err(NotClosed::NoSuchAlarm));
        assert_eq!(store.records(CLOSURE.to_owned(), 10).await.unwrap().len(), 0);
    }
}
