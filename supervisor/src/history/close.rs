//! A chunk goes into the file: times, values and roll-ups of all its signals in one transaction.

use super::open::{OpenChunk, OpenRun, RawRow};
use super::quality::{GOOD, has_value};
use super::rollup::{Builder, RollUp, Step, Stretch};
use super::tables::{of_roll_up_key, roll_up_key, value_key};
use rusqlite::{Connection, Transaction, params};

/// Puts the longest-waiting sealed chunk of the run into the file; false if none waits.
pub(super) fn close_one(connection: &mut Connection, run: &mut OpenRun) -> rusqlite::Result<bool> {
    let Some(chunk) = run.first_sealed() else { return Ok(false) };
    let transaction = connection.transaction()?;
    put(&transaction, run, chunk)?;
    transaction.commit()?;
    run.closed();
    Ok(true)
}

fn put(transaction: &Transaction<'_>, run: &OpenRun, chunk: &OpenChunk) -> rusqlite::Result<()> {
    let (Some(group), Some((first, last)), Some((start_ms, end_ms))) =
        (run.groups.get(chunk.group), chunk.span(), chunk.utc_span())
    else {
        return Ok(());
    };
    let times = chunk.time_chunk(run.run, group.number, group.closed);
    let mut statement = transaction
        .prepare_cached("INSERT OR REPLACE INTO time_chunks VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?;
    statement.execute(params![
        first as i64,
        last as i64,
        run.run,
        group.number,
        start_ms,
        end_ms,
        times.write()
    ])?;
    for (column, signal) in group.signals.iter().enumerate() {
        put_signal(transaction, run, chunk, column, *signal)?;
    }
    Ok(())
}

fn put_signal(
    transaction: &Transaction<'_>,
    run: &OpenRun,
    chunk: &OpenChunk,
    column: usize,
    signal: usize,
) -> rusqlite::Result<()> {
    let Some(stored) = run.signals.get(signal) else { return Ok(()) };
    let Some(values) = chunk.value_chunk(run.run, column, stored, run.configuration) else { return Ok(()) };
    let first = values.name.first;
    let start_ms = chunk.utc_span().map_or(0, |(start, _)| start);
    let mut statement = transaction.prepare_cached("INSERT OR REPLACE INTO chunks VALUES (?1, ?2)")?;
    statement.execute(params![value_key(first, stored.id), values.write()])?;
    let numbers = stored.signal.numbers().fitting(&values.values);
    let minutes = minutes_of(run, chunk, column, signal, stored.signal.gap_limit.as_micros() as u64);
    let hours = hours_of(&minutes);
    let block =
        |step, entries| RollUp { signal: stored.id, run: run.run, first, step, numbers, entries }.write();
    let key = put_minutes(transaction, stored.id, start_ms, &block(Step::Minute, minutes))?;
    let mut statement = transaction.prepare_cached("INSERT OR REPLACE INTO hours VALUES (?1, ?2)")?;
    statement.execute(params![key, block(Step::Hour, hours)])?;
    Ok(())
}

/// Under the key of its start, or the nearest free one of its hour: after a step of the clock two chunks of a signal may
/// begin in one second, and neither may hide the other.
fn put_minutes(
    transaction: &Transaction<'_>,
    signal: i64,
    start_ms: i64,
    block: &[u8],
) -> rusqlite::Result<i64> {
    let wanted = roll_up_key(signal, start_ms);
    let hour = wanted - of_roll_up_key(wanted).1.rem_euclid(3600);
    let mut statement = transaction.prepare_cached("INSERT OR IGNORE INTO minutes VALUES (?1, ?2)")?;
    for key in (wanted..hour + 3600).chain((hour..wanted).rev()) {
        if statement.execute(params![key, block])? == 1 {
            return Ok(key);
        }
    }
    Err(rusqlite::Error::StatementChangedRows(0))
}

fn minutes_of(
    run: &OpenRun,
    chunk: &OpenChunk,
    column: usize,
    signal: usize,
    gap_limit_us: u64,
) -> Vec<(i64, Stretch)> {
    let mut builder = Builder::new(Step::Minute, gap_limit_us);
    let mut put = |row: &RawRow, is_own: bool| {
        let band = run.band(signal, row.uptime_us);
        let value = has_value(row.code).then_some(row.value);
        if is_own {
            builder.sample(row.utc_ms, row.uptime_us, value, row.code == GOOD, band);
        } else {
            builder.join(row.utc_ms, row.uptime_us, value.filter(|_| row.code == GOOD), band);
        }
    };
    for row in chunk.column_rows(column) {
        put(&row, true);
    }
    let after = chunk.after.as_ref().and_then(|row| {
        let (_, code, value) = row.cells.iter().find(|(known, ..)| *known == column)?;
        let (utc_ms, uptime_us, sequence) = (row.utc_ms, row.uptime_us, row.sequence);
        Some(RawRow { utc_ms, uptime_us, sequence, code: *code, value: *value })
    });
    if let Some(after) = after {
        put(&after, false);
    }
    builder.finish()
}

fn hours_of(minutes: &[(i64, Stretch)]) -> Vec<(i64, Stretch)> {
    let mut hours: Vec<(i64, Stretch)> = Vec::new();
    for (minute, entry) in minutes {
        let hour = minute.div_euclid(60);
        match hours.last_mut() {
            Some((known, merged)) if *known == hour => merged.merge(entry),
            Some(_) | None => hours.push((hour, *entry)),
        }
    }
    hours
}
