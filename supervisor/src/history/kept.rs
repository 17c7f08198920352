//! What people decided about product and stops: holds, dispositions, reasons, signatures. Only added to, each with an entry of
//! the audit trail in the same transaction.

use super::HistoryError;
use super::bytes::check_of;
use super::events::read_rows;
use super::records::{NewAudit, chain_audit};
use rusqlite::{Connection, Row, params};
use setward_protocol::UtcMillis;

/// Its table, which version 4 added.
pub(super) const TABLE: &str = "
CREATE TABLE records (n INTEGER PRIMARY KEY AUTOINCREMENT, utc_ms INTEGER NOT NULL, kind TEXT NOT NULL, about TEXT NOT NULL,
    by TEXT NOT NULL, record TEXT NOT NULL, row_check INTEGER NOT NULL) STRICT;
CREATE INDEX records_by_kind ON records (kind, n);
CREATE TRIGGER records_stay_as_they_are BEFORE UPDATE ON records BEGIN SELECT RAISE(ABORT, 'a record is never changed'); END;
CREATE TRIGGER records_are_never_removed BEFORE DELETE ON records BEGIN SELECT RAISE(ABORT, 'a record is never changed'); END;
";

/// A record to be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewRecord {
    /// Wall time.
    pub utc: UtcMillis,
    /// What kind, in stable words: "hold", "disposition", "stop reason", "sign-off".
    pub kind: String,
    /// What it is about: an occurrence of an alarm, a hold, a stop, a time.
    pub about: String,
    /// Who.
    pub by: String,
    /// What was decided, JSON.
    pub record: String,
    /// The reason the person gave, for the audit trail.
    pub why: Option<String>,
}

/// A kept record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptRecord {
    /// Its number, from 1.
    pub n: i64,
    /// Wall time.
    pub utc: UtcMillis,
    /// What kind.
    pub kind: String,
    /// What it is about.
    pub about: String,
    /// Who.
    pub by: String,
    /// What was decided, JSON.
    pub record: String,
}

fn record_check(kept: &KeptRecord) -> u32 {
    let numbers = [kept.n, kept.utc.0].map(i64::to_le_bytes).concat();
    let [kind, about, by, record] = [&kept.kind, &kept.about, &kept.by, &kept.record].map(String::as_bytes);
    check_of(&[&numbers, kind, about, by, record])
}

/// Adds a record and its entry of the audit trail; on return both are on disk.
pub(super) fn add(connection: &mut Connection, new: NewRecord) -> Result<KeptRecord, HistoryError> {
    let failed = |error| HistoryError::during("writing a record", &error);
    let transaction = connection.transaction().map_err(failed)?;
    let n: i64 = transaction
        .query_row("SELECT coalesce(max(n), 0) + 1 FROM records", [], |row| row.get(0))
        .map_err(failed)?;
    let NewRecord { utc, kind, about, by, record, why } = new;
    let audit = NewAudit {
        utc,
        by: by.clone(),
        what: kind.clone(),
        about: about.clone(),
        old: None,
        new: Some(record.clone()),
        why,
    };
    chain_audit(&transaction, audit).map_err(failed)?;
    let kept = KeptRecord { n, utc, kind, about, by, record };
    transaction
        .execute(
            "INSERT INTO records VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![n, kept.utc.0, kept.kind, kept.about, kept.by, kept.record, record_check(&kept)],
        )
        .map_err(failed)?;
    transaction.commit().map_err(failed)?;
    Ok(kept)
}

/// A record, unless it contradicts its checksum.
pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<Option<KeptRecord>> {
    let kept = KeptRecord {
        n: row.get(0)?,
        utc: UtcMillis(row.get(1)?),
        kind: row.get(2)?,
        about: row.get(3)?,
        by: row.get(4)?,
        record: row.get(5)?,
    };
    let check: u32 = row.get(6)?;
    Ok((check == record_check(&kept)).then_some(kept))
}

/// The records of a kind, newest first, at most `limit`.
pub(super) fn of_kind(
    connection: &Connection,
    kind: &str,
    limit: usize,
) -> Result<Vec<KeptRecord>, HistoryError> {
    let limit = i64::try_from(limit).unwrap_or(i64::MAX);
    let sql = "SELECT * FROM records WHERE kind = ?1 ORDER BY n DESC LIMIT ?2";
    read_rows(connection, sql, params![kind, limit], read)
        .map_err(|error| HistoryError::during("reading records", &error))
}

#[cfg(test)]
#[path = "kept_tests.rs"]
mod tests;
