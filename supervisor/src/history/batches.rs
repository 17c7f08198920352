//! Records of kettle batches as rows: written again while corn soaks and is fed, so that they say how far it has come.

use super::HistoryError;
use super::bytes::check_of;
use super::events::read_rows;
use rusqlite::{Connection, OptionalExtension as _, Row, params};
use setward_protocol::UtcMillis;

/// A batch's record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BatchRow {
    /// Its name.
    pub id: String,
    /// When it began.
    pub start: UtcMillis,
    /// When its last phase in the kettle ended.
    pub end: Option<UtcMillis>,
    /// The record, JSON.
    pub record: String,
}

fn batch_check(row: &BatchRow) -> u32 {
    let numbers = [row.start.0, row.end.map_or(i64::MIN, |end| end.0)].map(i64::to_le_bytes).concat();
    check_of(&[row.id.as_bytes(), &numbers, row.record.as_bytes()])
}

/// Keeps a record in the place of an older one of the same batch.
pub(super) fn keep(connection: &Connection, row: &BatchRow) -> Result<(), HistoryError> {
    let end = row.end.map(|end| end.0);
    connection
        .execute(
            "INSERT OR REPLACE INTO batches VALUES (?1, ?2, ?3, ?4, ?5)",
            params![row.id, row.start.0, end, row.record, batch_check(row)],
        )
        .map(|_rows| ())
        .map_err(|error| HistoryError::during("writing a batch", &error))
}

/// A record, unless it contradicts its checksum.
pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<Option<BatchRow>> {
    let batch = BatchRow {
        id: row.get(0)?,
        start: UtcMillis(row.get(1)?),
        end: row.get::<_, Option<i64>>(2)?.map(UtcMillis),
        record: row.get(3)?,
    };
    let check: u32 = row.get(4)?;
    Ok((check == batch_check(&batch)).then_some(batch))
}

/// Batches that began in a window, newest first, at most `limit`.
pub(super) fn between(
    connection: &Connection,
    (from, to): (UtcMillis, UtcMillis),
    limit: usize,
) -> Result<Vec<BatchRow>, HistoryError> {
    let limit = i64::try_from(limit).unwrap_or(i64::MAX);
    let sql = "SELECT * FROM batches WHERE start_utc_ms >= ?1 AND start_utc_ms < ?2
        ORDER BY start_utc_ms DESC, id DESC LIMIT ?3";
    read_rows(connection, sql, params![from.0, to.0, limit], read)
        .map_err(|error| HistoryError::during("reading batches", &error))
}

/// One batch by its name.
pub(super) fn one(connection: &Connection, id: &str) -> Result<Option<BatchRow>, HistoryError> {
    connection
        .query_row("SELECT * FROM batches WHERE id = ?1", [id], read)
        .optional()
        .map(Option::flatten)
        .map_err(|error| HistoryError::during("reading a batch", &error))
}
