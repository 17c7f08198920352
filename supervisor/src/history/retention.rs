//! How long what is kept: by age and by size, a little at a time; by age never on a doubtful clock.
//!
//! Freed pages are used again, so the file stays at its largest size; it is never rewritten on the box.

use super::counts;
use super::tables::{of_roll_up_key, roll_up_key, value_keys};
use rusqlite::{Connection, params};

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Before this the clock is certainly wrong: the program had not been written. 2026-01-01.
const SANE_UTC_MS: i64 = 1_767_225_600_000;
/// Hours that one pass may drop: more than an hour brings, so that it catches up, yet a clock that jumps years ahead for an
/// hour costs next to nothing.
const HOURS_A_PASS: i64 = 4;

/// How long and how much is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Keep {
    /// Single readings, days.
    pub readings_days: u32,
    /// Roll-ups of a minute, days.
    pub minutes_days: u32,
    /// Roll-ups of an hour, days.
    pub hours_days: u32,
    /// Most of the disk that the file's contents may take, bytes: beyond it the oldest readings go.
    pub most_bytes: u64,
}

impl Default for Keep {
    /// Three years of everything (two that a food record asks for, and the shelf life), or 32 GB.
    fn default() -> Self {
        Self { readings_days: 1096, minutes_days: 1096, hours_days: 3660, most_bytes: 32_000_000_000 }
    }
}

/// What a pass did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Dropped {
    /// Chunks of readings.
    pub chunks: usize,
    /// Blocks of roll-ups.
    pub roll_ups: usize,
}

/// One pass: at most a few hours of each kind. `now_ms` is the newest reading's wall time, `doubtful_until_ms` the newest
/// stored before this run began.
pub(super) fn pass(
    connection: &mut Connection,
    keep: Keep,
    now_ms: i64,
    doubtful_until_ms: i64,
) -> rusqlite::Result<Dropped> {
    let mut dropped = Dropped::default();
    let is_doubtful = now_ms < SANE_UTC_MS || now_ms < doubtful_until_ms;
    // On a doubtful clock nothing is old.
    let before = |days: u32| {
        let age_ms = i64::from(days).saturating_mul(DAY_MS);
        if is_doubtful { i64::MIN } else { now_ms.saturating_sub(age_ms) }
    };
    let oldest = oldest_ms(connection)?;
    let readings = match oldest {
        // How much there is does not depend on the clock; left alone it would fill the disk, and history would wait for room.
        Some(oldest) if used_bytes(connection)? > keep.most_bytes => {
            before(keep.readings_days).max(oldest + HOUR_MS)
        }
        Some(_) | None => before(keep.readings_days),
    };
    if let Some(oldest) = oldest.filter(|oldest| *oldest < readings) {
        dropped.chunks = drop_readings(connection, readings.min(hour_of(oldest) + HOURS_A_PASS * HOUR_MS))?;
    }
    if is_doubtful {
        return Ok(dropped);
    }
    dropped.roll_ups += drop_roll_ups(connection, "minutes", before(keep.minutes_days))?;
    dropped.roll_ups += drop_roll_ups(connection, "hours", before(keep.hours_days))?;
    Ok(dropped)
}

const fn hour_of(utc_ms: i64) -> i64 {
    utc_ms.div_euclid(HOUR_MS) * HOUR_MS
}

fn oldest_ms(connection: &Connection) -> rusqlite::Result<Option<i64>> {
    connection.query_row("SELECT min(start_utc_ms) FROM time_chunks", [], |row| row.get(0))
}

/// What the contents take, bytes; free pages not counted.
pub(super) fn used_bytes(connection: &Connection) -> rusqlite::Result<u64> {
    let pragma = |name: &str| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let pages = pragma("page_count")?.saturating_sub(pragma("freelist_count")?);
    Ok((pages.saturating_mul(pragma("page_size")?)).max(0) as u64)
}

fn drop_readings(connection: &mut Connection, before_ms: i64) -> rusqlite::Result<usize> {
    let transaction = connection.transaction()?;
    let mut dropped = 0;
    for first in firsts_before(&transaction, before_ms)? {
        let mut statement = transaction.prepare_cached("DELETE FROM chunks WHERE key BETWEEN ?1 AND ?2")?;
        dropped += statement.execute(value_keys(first as u64))?;
        transaction.prepare_cached("DELETE FROM time_chunks WHERE first = ?1")?.execute([first])?;
    }
    transaction.commit()?;
    Ok(dropped)
}

fn firsts_before(connection: &Connection, before_ms: i64) -> rusqlite::Result<Vec<i64>> {
    let sql = "SELECT first FROM time_chunks WHERE start_utc_ms < ?1 AND end_utc_ms < ?1";
    let mut statement = connection.prepare_cached(sql)?;
    statement.query_map([before_ms], |row| row.get(0))?.collect()
}

fn drop_roll_ups(connection: &mut Connection, table: &str, before_ms: i64) -> rusqlite::Result<usize> {
    let transaction = connection.transaction()?;
    let (mut dropped, mut all_until) = (0, None);
    for signal in signals(&transaction)? {
        let range = params![roll_up_key(signal, 0), roll_up_key(signal, before_ms - 1)];
        let oldest = format!("SELECT min(key) FROM {table} WHERE key BETWEEN ?1 AND ?2");
        let oldest: Option<i64> = transaction.prepare_cached(&oldest)?.query_row(range, |row| row.get(0))?;
        let Some(oldest) = oldest else { continue };
        let until = (of_roll_up_key(oldest).1 * 1000 + HOURS_A_PASS * HOUR_MS).min(before_ms);
        let delete = format!("DELETE FROM {table} WHERE key BETWEEN ?1 AND ?2");
        let mut statement = transaction.prepare_cached(&delete)?;
        dropped += statement.execute(params![roll_up_key(signal, 0), roll_up_key(signal, until - 1)])?;
        all_until = all_until.max(Some(until));
    }
    if let Some(until) = all_until {
        // So that it is not taken for a loss.
        counts::keep_dropped_until(&transaction, table, until)?;
    }
    transaction.commit()?;
    Ok(dropped)
}

fn signals(connection: &Connection) -> rusqlite::Result<Vec<i64>> {
    let mut statement = connection.prepare_cached("SELECT id FROM signals ORDER BY id")?;
    statement.query_map([], |row| row.get(0))?.collect()
}
