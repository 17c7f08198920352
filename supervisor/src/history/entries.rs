//! What people entered: a row each, never changed, each with its entry in the audit trail. A correction is a row of its own.

use super::bytes::check_of;
use super::events::read_rows;
use super::records::{NewAudit, chain_audit};
use super::{HistoryError, StoredEntry};
use rusqlite::{Connection, Row, Transaction, params};
use serde_json::{Value, json};
use setward_protocol::UtcMillis;

/// The table, as version 3 made it.
pub(super) const TABLE: &str = "
CREATE TABLE entries (n INTEGER PRIMARY KEY, tag TEXT NOT NULL, taken_utc_ms INTEGER NOT NULL, entry TEXT NOT NULL,
    row_check INTEGER NOT NULL) STRICT;
CREATE INDEX entries_by_tag ON entries (tag, n);
CREATE TRIGGER entries_stay_as_they_are BEFORE UPDATE ON entries BEGIN SELECT RAISE(ABORT, 'an entry is corrected by another'); END;
CREATE TRIGGER entries_are_never_shortened BEFORE DELETE ON entries BEGIN SELECT RAISE(ABORT, 'an entry is corrected by another'); END;
";

/// Keeps an entry, and says so in the audit trail. Kept twice, it is kept once: a batch may be tried again.
pub(super) fn insert_entry(transaction: &Transaction<'_>, entry: &StoredEntry) -> rusqlite::Result<()> {
    let n = i64::try_from(entry.n).unwrap_or(i64::MAX);
    let text = to_json(entry).to_string();
    let check = entry_check(n, &entry.tag, entry.taken.0, &text);
    let mut statement =
        transaction.prepare_cached("INSERT OR IGNORE INTO entries VALUES (?1, ?2, ?3, ?4, ?5)")?;
    let is_new = statement.execute(params![n, entry.tag, entry.taken.0, text, check])? > 0;
    if is_new {
        let old = match entry.corrects {
            Some(wrong) => value_of(transaction, wrong)?,
            None => None,
        };
        chain_audit(transaction, audit_of(entry, old))?;
    }
    Ok(())
}

fn value_of(connection: &Connection, n: u64) -> rusqlite::Result<Option<String>> {
    let found = read_rows(
        connection,
        "SELECT * FROM entries WHERE n = ?1",
        [i64::try_from(n).unwrap_or(i64::MAX)],
        read_entry,
    )?;
    Ok(found.first().map(|entry| format!("{} (entry {n})", entry.value)))
}

fn audit_of(entry: &StoredEntry, old: Option<String>) -> NewAudit {
    let what = if entry.corrects.is_some() { "entry corrected" } else { "entered" };
    NewAudit {
        utc: entry.entered,
        by: entry.by.clone(),
        what: what.to_owned(),
        about: entry.tag.clone(),
        old,
        new: Some(format!("{} (entry {})", entry.value, entry.n)),
        why: entry.note.clone(),
    }
}

fn entry_check(n: i64, tag: &str, taken_utc_ms: i64, text: &str) -> u32 {
    check_of(&[&[n, taken_utc_ms].map(i64::to_le_bytes).concat(), tag.as_bytes(), text.as_bytes()])
}

/// Numbers as text: what was typed comes back digit for digit.
fn to_json(entry: &StoredEntry) -> Value {
    json!({
        "value": entry.value.to_string(),
        "entered_utc_ms": entry.entered.0,
        "by": entry.by,
        "corrects": entry.corrects,
        "was_asked": entry.was_asked,
        "late_s": entry.late_s.to_string(),
        "calibration": entry.calibration.map(|three| three.map(|value| value.to_string())),
        "about": entry.about,
        "note": entry.note,
    })
}

/// An entry, unless it contradicts its checksum.
pub(super) fn read_entry(row: &Row<'_>) -> rusqlite::Result<Option<StoredEntry>> {
    let (n, tag, taken): (i64, String, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
    let (text, check): (String, u32) = (row.get(3)?, row.get(4)?);
    if check != entry_check(n, &tag, taken, &text) {
        return Ok(None);
    }
    Ok(from_json(n, tag, taken, &text))
}

fn from_json(n: i64, tag: String, taken: i64, text: &str) -> Option<StoredEntry> {
    let kept: Value = serde_json::from_str(text).ok()?;
    let words = |key: &str| kept.get(key)?.as_str().map(str::to_owned);
    let number = |value: &Value| value.as_str()?.parse::<f64>().ok();
    let three = |list: &Vec<Value>| -> Option<[f64; 3]> {
        list.iter().map(number).collect::<Option<Vec<f64>>>()?.try_into().ok()
    };
    Some(StoredEntry {
        n: u64::try_from(n).ok()?,
        tag,
        value: number(kept.get("value")?)?,
        taken: UtcMillis(taken),
        entered: UtcMillis(kept.get("entered_utc_ms")?.as_i64()?),
        by: words("by")?,
        corrects: kept.get("corrects").and_then(Value::as_u64),
        was_asked: kept.get("was_asked")?.as_bool()?,
        late_s: number(kept.get("late_s")?)?,
        calibration: kept.get("calibration").and_then(Value::as_array).and_then(three),
        about: words("about"),
        note: words("note"),
    })
}

/// The newest entries, newest first, at most `limit`; of one tag if `tag` names it.
pub(super) fn entries(
    connection: &Connection,
    tag: Option<&str>,
    limit: usize,
) -> Result<Vec<StoredEntry>, HistoryError> {
    let limit = i64::try_from(limit).unwrap_or(i64::MAX);
    let found = match tag {
        Some(tag) => read_rows(
            connection,
            "SELECT * FROM entries WHERE tag = ?1 ORDER BY n DESC LIMIT ?2",
            params![tag, limit],
            read_entry,
        ),
        None => read_rows(connection, "SELECT * FROM entries ORDER BY n DESC LIMIT ?1", [limit], read_entry),
    };
    found.map_err(|error| HistoryError::during("reading entries", &error))
}

/// How many entries there are, and which contradict their checksum. A file of an older version has none.
pub(super) fn broken_entries(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let is_there = "SELECT count(*) FROM sqlite_schema WHERE name = 'entries'";
    if connection.query_row(is_there, [], |row| row.get::<_, i64>(0))? == 0 {
        return Ok(Vec::new());
    }
    let mut statement = connection.prepare("SELECT * FROM entries ORDER BY n")?;
    let mut rows = statement.query([])?;
    let mut broken = Vec::new();
    while let Some(row) = rows.next()? {
        if !matches!(read_entry(row), Ok(Some(_))) {
            let n: i64 = row.get(0)?;
            broken.push(format!("entry {n} was changed"));
        }
    }
    Ok(broken)
}

#[cfg(test)]
#[path = "entries_tests.rs"]
mod tests;
