//! Events, states of alarms and tolerances as rows. Each row is text with a checksum; a damaged one is left out.

use super::bytes::check_of;
use super::tables::is_damage;
use super::{AlarmRecord, Band, Event, EventsAsked, HistoryError, StoredEvent, counts};
use crate::snapshot::{OutOfService, RunId, Shelf};
use rusqlite::{Connection, Params, Row, Transaction, params};
use serde_json::{Value, json};
use setward_protocol::{Uptime, UtcMillis};
use std::time::Duration;

/// Keeps events. Kept twice, one is kept once: a batch may be tried again.
pub(super) fn insert_events(
    transaction: &Transaction<'_>,
    run: RunId,
    events: &[Event],
) -> rusqlite::Result<()> {
    let mut statement =
        transaction.prepare_cached("INSERT OR IGNORE INTO events VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    let mut added = 0;
    for event in events {
        let sequence = i64::try_from(event.sequence).unwrap_or(i64::MAX);
        let text = event_to_json(event).to_string();
        let check = event_check(run.0, sequence, event.utc.0, event.alarm.as_deref(), &text);
        added += statement.execute(params![run.0, sequence, event.utc.0, event.alarm, text, check])?;
    }
    counts::count(transaction, "events", added)
}

fn event_check(run: i64, sequence: i64, utc_ms: i64, alarm: Option<&str>, text: &str) -> u32 {
    let numbers = [run, sequence, utc_ms].map(i64::to_le_bytes);
    check_of(&[&numbers.concat(), alarm.unwrap_or_default().as_bytes(), text.as_bytes()])
}

fn event_to_json(event: &Event) -> Value {
    json!({
        "uptime_ns": event.at.as_nanos(),
        "occurrence": event.occurrence,
        "what": event.what,
        "states": event.states,
        "onset_utc_ms": event.onset.map(|utc| utc.0),
        "value": event.value.map(|value| value.to_string()),
        "exposure": event.exposure.map(|share| share.to_string()),
        "by": event.by,
        "note": event.note,
    })
}

/// Events newest first, as they are asked for.
pub(super) fn events(connection: &Connection, asked: &EventsAsked) -> Result<Vec<StoredEvent>, HistoryError> {
    // No event has the last of all numbers.
    let (run, sequence) = asked
        .before
        .map_or((i64::MAX, i64::MAX), |(run, sequence)| (run.0, i64::try_from(sequence).unwrap_or(i64::MAX)));
    let newest_first = match asked.since {
        None => events_from(connection, asked, (i64::MIN, run, sequence), asked.limit),
        Some(since) => events_of_runs(connection, asked, (since, run, sequence)),
    };
    newest_first.map_err(|error| HistoryError::during("reading events", &error))
}

fn events_of_runs(
    connection: &Connection,
    asked: &EventsAsked,
    (since, run, sequence): (UtcMillis, i64, i64),
) -> rusqlite::Result<Vec<StoredEvent>> {
    let mut all = Vec::new();
    for own in runs_since(connection, since)?.into_iter().filter(|own| *own <= run) {
        let before = if own == run { sequence } else { i64::MAX };
        let left = asked.limit.saturating_sub(all.len());
        match events_from(connection, asked, (own, own, before), left) {
            Ok(events) => all.extend(events),
            Err(error) if is_damage(&error) && !all.is_empty() => break,
            Err(error) => return Err(error),
        }
        if all.len() >= asked.limit {
            break;
        }
    }
    Ok(all)
}

/// The newest events of runs from `first` on that come before a run's number.
fn events_from(
    connection: &Connection,
    asked: &EventsAsked,
    (first, run, sequence): (i64, i64, i64),
    limit: usize,
) -> rusqlite::Result<Vec<StoredEvent>> {
    let limit = i64::try_from(limit).unwrap_or(i64::MAX);
    match &asked.alarm {
        Some(alarm) => read_rows(
            connection,
            "SELECT * FROM events WHERE alarm = ?1 AND run >= ?2 AND (run, sequence) < (?3, ?4)
                ORDER BY run DESC, sequence DESC LIMIT ?5",
            params![alarm, first, run, sequence, limit],
            read_event,
        ),
        None => read_rows(
            connection,
            "SELECT * FROM events WHERE run >= ?1 AND (run, sequence) < (?2, ?3)
                ORDER BY run DESC, sequence DESC LIMIT ?4",
            params![first, run, sequence, limit],
            read_event,
        ),
    }
}

/// The runs that began or ended at a time or later, newest first: two looks at each, however many events it has. All runs are
/// looked at, as one that had a wrong clock says nothing of those before it.
fn runs_since(connection: &Connection, since: UtcMillis) -> rusqlite::Result<Vec<i64>> {
    let mut runs = read_rows(
        connection,
        "WITH RECURSIVE runs(run) AS (
            SELECT max(run) FROM events
            UNION ALL SELECT (SELECT max(run) FROM events WHERE run < runs.run) FROM runs WHERE run IS NOT NULL)
         SELECT run FROM runs WHERE run IS NOT NULL AND max(
            (SELECT utc_ms FROM events WHERE events.run = runs.run ORDER BY sequence DESC LIMIT 1),
            (SELECT utc_ms FROM events WHERE events.run = runs.run ORDER BY sequence LIMIT 1)) >= ?1",
        [since.0],
        |row| row.get(0).map(Some),
    )?;
    runs.sort_unstable_by_key(|run: &i64| std::cmp::Reverse(*run));
    Ok(runs)
}

/// Rows up to the first that a damaged file can't give; rows that contradict their checksum are left out.
pub(super) fn read_rows<T>(
    connection: &Connection,
    sql: &str,
    params: impl Params,
    read: impl Fn(&Row<'_>) -> rusqlite::Result<Option<T>>,
) -> rusqlite::Result<Vec<T>> {
    let mut statement = connection.prepare_cached(sql)?;
    let mut rows = statement.query(params)?;
    let mut all = Vec::new();
    loop {
        match rows.next() {
            Ok(Some(row)) => all.extend(read(row).ok().flatten()),
            Ok(None) => return Ok(all),
            Err(error) if is_damage(&error) && !all.is_empty() => return Ok(all),
            Err(error) => return Err(error),
        }
    }
}

pub(super) fn read_event(row: &Row<'_>) -> rusqlite::Result<Option<StoredEvent>> {
    let (run, sequence, utc_ms): (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
    let (alarm, text): (Option<String>, String) = (row.get(3)?, row.get(4)?);
    let check: u32 = row.get(5)?;
    if check != event_check(run, sequence, utc_ms, alarm.as_deref(), &text) {
        return Ok(None);
    }
    let event = event_from_json(sequence, utc_ms, alarm, &text);
    Ok(event.map(|event| StoredEvent { run: RunId(run), event }))
}

fn event_from_json(sequence: i64, utc_ms: i64, alarm: Option<String>, text: &str) -> Option<Event> {
    let kept: Value = serde_json::from_str(text).ok()?;
    let words = |key: &str| kept.get(key)?.as_str().map(str::to_owned);
    Some(Event {
        sequence: u64::try_from(sequence).ok()?,
        utc: UtcMillis(utc_ms),
        at: Uptime::from_nanos(kept.get("uptime_ns")?.as_u64()?),
        alarm,
        occurrence: kept.get("occurrence")?.as_u64()?.try_into().ok()?,
        what: words("what")?,
        states: words("states")?,
        onset: kept.get("onset_utc_ms").and_then(Value::as_i64).map(UtcMillis),
        value: words("value").and_then(|text| text.parse().ok()),
        exposure: words("exposure").and_then(|text| text.parse().ok()),
        by: words("by"),
        note: words("note"),
    })
}

/// Keeps what an alarm carries over a restart. A key more in the record is one line here and one in [`record_from_json`].
pub(super) fn keep_record(transaction: &Transaction<'_>, record: &AlarmRecord) -> rusqlite::Result<()> {
    let mut statement =
        transaction.prepare_cached("INSERT OR REPLACE INTO alarm_records VALUES (?1, ?2, ?3)")?;
    let text = record_to_json(record).to_string();
    let check = check_of(&[record.id.as_bytes(), text.as_bytes()]);
    statement.execute(params![record.id, text, check])?;
    Ok(())
}

fn record_to_json(record: &AlarmRecord) -> Value {
    let (acknowledged, by) = record.acknowledged.as_ref().map(|(utc, by)| (utc.0, by)).unzip();
    json!({
        "state": record.state.to_string(),
        "occurrence": record.occurrence,
        "was_told": record.was_told,
        "drops_exposure": record.drops_exposure,
        "exposure": record.exposure.to_string(),
        "waited_ms": u64::try_from(record.waited.as_millis()).unwrap_or(u64::MAX),
        "waited_under": record.waited_under,
        "onset_utc_ms": record.onset.map(|utc| utc.0),
        "raised_utc_ms": record.raised.map(|utc| utc.0),
        "cleared_utc_ms": record.cleared.map(|utc| utc.0),
        "acknowledged_utc_ms": acknowledged,
        "acknowledged_by": by,
        "shelf": record.shelf.as_ref().map(|shelf| json!({
            "until_utc_ms": shelf.until.0,
            "once": shelf.once,
            "since_utc_ms": shelf.since.0,
            "by": shelf.by,
            "why": shelf.why,
        })),
        "out_of_service": record.out_of_service.as_ref().map(|out| json!({
            "since_utc_ms": out.since.0,
            "by": out.by,
            "why": out.why,
        })),
    })
}

/// What the alarms carried when they were last kept.
pub(super) fn alarm_records(connection: &Connection) -> Result<Vec<AlarmRecord>, HistoryError> {
    read_rows(connection, "SELECT * FROM alarm_records ORDER BY id", [], read_record)
        .map_err(|error| HistoryError::during("reading alarm states", &error))
}

pub(super) fn read_record(row: &Row<'_>) -> rusqlite::Result<Option<AlarmRecord>> {
    let (id, text): (String, String) = (row.get(0)?, row.get(1)?);
    let check: u32 = row.get(2)?;
    let is_whole = check == check_of(&[id.as_bytes(), text.as_bytes()]);
    Ok(if is_whole { record_from_json(id, &text) } else { None })
}

fn record_from_json(id: String, text: &str) -> Option<AlarmRecord> {
    let kept: Value = serde_json::from_str(text).ok()?;
    let utc = |key: &str| kept.get(key).and_then(Value::as_i64).map(UtcMillis);
    let words = |key: &str| kept.get(key).and_then(Value::as_str);
    Some(AlarmRecord {
        id,
        state: words("state")?.chars().next()?,
        occurrence: kept.get("occurrence")?.as_u64()?.try_into().ok()?,
        // What was kept before there was this key was taken for told.
        was_told: kept.get("was_told").and_then(Value::as_bool).unwrap_or(true),
        drops_exposure: kept.get("drops_exposure").and_then(Value::as_bool).unwrap_or(false),
        exposure: words("exposure")?.parse().ok()?,
        waited: Duration::from_millis(kept.get("waited_ms").and_then(Value::as_u64).unwrap_or(0)),
        waited_under: kept.get("waited_under").and_then(Value::as_u64).map_or(0, |print| print as u32),
        onset: utc("onset_utc_ms"),
        raised: utc("raised_utc_ms"),
        cleared: utc("cleared_utc_ms"),
        acknowledged: utc("acknowledged_utc_ms")
            .map(|at| (at, words("acknowledged_by").unwrap_or_default().to_owned())),
        shelf: kept.get("shelf").and_then(shelf_from_json),
        out_of_service: kept.get("out_of_service").and_then(out_of_service_from_json),
    })
}

fn shelf_from_json(kept: &Value) -> Option<Shelf> {
    let utc = |key: &str| kept.get(key)?.as_i64().map(UtcMillis);
    let words = |key: &str| kept.get(key)?.as_str().map(str::to_owned);
    Some(Shelf {
        until: utc("until_utc_ms")?,
        once: kept.get("once")?.as_bool()?,
        since: utc("since_utc_ms")?,
        by: words("by")?,
        why: words("why"),
    })
}

fn out_of_service_from_json(kept: &Value) -> Option<OutOfService> {
    let words = |key: &str| kept.get(key)?.as_str().map(str::to_owned);
    let since = UtcMillis(kept.get("since_utc_ms")?.as_i64()?);
    Some(OutOfService { since, by: words("by")?, why: words("why") })
}

/// Keeps a tolerance under the store's number of its signal.
pub(super) fn keep_band(
    transaction: &Transaction<'_>,
    run: RunId,
    signal: i64,
    band: &Band,
) -> rusqlite::Result<()> {
    let mut statement =
        transaction.prepare_cached("INSERT OR REPLACE INTO bands VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?;
    let uptime_us = i64::try_from(band.at.as_nanos() / 1000).unwrap_or(i64::MAX);
    let (low, high) = band.tolerance.unzip();
    let check = band_check([run.0, signal, uptime_us, band.utc.0], [band.setpoint, low, high]);
    statement.execute(params![run.0, signal, uptime_us, band.utc.0, band.setpoint, low, high, check])?;
    Ok(())
}

fn band_check(numbers: [i64; 4], values: [Option<f64>; 3]) -> u32 {
    let values = values.map(|value| value.map_or([0xFF; 8], |value| value.to_bits().to_le_bytes()));
    check_of(&[&numbers.map(i64::to_le_bytes).concat(), &values.concat()])
}

/// A kept tolerance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct StoredBand {
    pub run: i64,
    pub signal: i64,
    pub uptime_us: i64,
    pub utc_ms: i64,
    pub setpoint: Option<f64>,
    pub tolerance: Option<(f64, f64)>,
}

pub(super) fn read_band(row: &Row<'_>) -> rusqlite::Result<Option<StoredBand>> {
    let numbers: [i64; 4] = [row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?];
    let values: [Option<f64>; 3] = [row.get(4)?, row.get(5)?, row.get(6)?];
    let check: u32 = row.get(7)?;
    let ([run, signal, uptime_us, utc_ms], [setpoint, low, high]) = (numbers, values);
    let band = StoredBand { run, signal, uptime_us, utc_ms, setpoint, tolerance: low.zip(high) };
    Ok((check == band_check(numbers, values)).then_some(band))
}

/// The tolerances of a signal, in the order in which they came into force.
pub(super) fn bands_of(connection: &Connection, signal: i64) -> rusqlite::Result<Vec<StoredBand>> {
    read_rows(
        connection,
        "SELECT * FROM bands WHERE signal = ?1 ORDER BY run, uptime_us",
        [signal],
        read_band,
    )
}

/// The tolerances of a run, of all its signals, in the order in which they came into force: one question, however many signals there
/// are and however many runs there were before.
pub(super) fn bands_of_run(connection: &Connection, run: i64) -> rusqlite::Result<Vec<StoredBand>> {
    read_rows(connection, "SELECT * FROM bands WHERE run = ?1 ORDER BY signal, uptime_us", [run], read_band)
}
