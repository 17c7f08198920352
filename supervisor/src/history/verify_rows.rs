//! Looks at every row of text: its own checksum, files by their hashes, and of what people decided that it says what the audit
//! trail says, so that neither was changed or taken out alone.

use super::verify::Verification;
use super::{batches, counts, events, kept, layout, read, records, runs};
use rusqlite::{Connection, Row};

/// Kinds of records; each is added together with an entry of the audit trail.
const KINDS: &str = "('hold', 'disposition', 'stop reason', 'sign-off', 'closure')";

/// What a row is: its name for people, and whether it agrees with itself.
type Look = fn(&Row<'_>) -> rusqlite::Result<bool>;

/// Each table with what to call its rows, by the columns that name one.
const TABLES: [(&str, &str, &str, Look); 10] = [
    ("records", "n", "record", |row| Ok(kept::read(row)?.is_some())),
    ("batches", "id", "the record of batch", |row| Ok(batches::read(row)?.is_some())),
    ("events", "run || '/' || sequence", "event", |row| Ok(events::read_event(row)?.is_some())),
    ("alarm_records", "id", "the state of alarm", |row| Ok(events::read_record(row)?.is_some())),
    ("bands", "run || '/' || signal || '/' || uptime_us", "tolerance", |row| {
        Ok(events::read_band(row)?.is_some())
    }),
    ("notes", "n", "note", |row| Ok(records::read_note(row)?.is_some())),
    ("runs", "run", "run", run),
    ("layouts", "sha256", "list of signals", counts::layout),
    ("signals", "id", "signal", signal),
    ("files", "sha256", "file", file),
];

/// Looks at all of them.
///
/// # Errors
/// When the file can't be read for another reason than damage.
pub(super) fn check(connection: &Connection, found: &mut Verification) -> rusqlite::Result<()> {
    for (table, name, what, look) in TABLES {
        let is_there = "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = ?1";
        if connection.query_row(is_there, [table], |row| row.get::<_, i64>(0))? == 0 {
            continue;
        }
        let rows = rows_of(connection, (table, name, what), look, found)
            .or_else(|error| found.unread(table, error).map(|()| 0))?;
        match table {
            "records" => found.kept_records += rows,
            "batches" => found.batches += rows,
            _ => found.other_rows += rows,
        }
        if table == "records" {
            agree_with_the_trail(connection, found)
                .or_else(|error| found.unread("the audit trail beside the records", error))?;
        }
    }
    Ok(())
}

fn rows_of(
    connection: &Connection,
    (table, name, what): (&str, &str, &str),
    look: Look,
    found: &mut Verification,
) -> rusqlite::Result<u64> {
    // The name last: the readers count columns from the left.
    let mut statement =
        connection.prepare(&format!("SELECT *, CAST({name} AS TEXT) AS called FROM {table}"))?;
    let mut rows = statement.query([])?;
    let mut count = 0;
    while let Some(row) = rows.next()? {
        count += 1;
        if !look(row).unwrap_or(false) {
            let called: String = row.get("called").unwrap_or_else(|_error| "?".to_owned());
            found.fault(format!("{what} {called} was changed"));
        }
    }
    Ok(count)
}

fn agree_with_the_trail(connection: &Connection, found: &mut Verification) -> rusqlite::Result<()> {
    let alike =
        "a.what = r.kind AND a.about = r.about AND a.by = r.by AND a.utc_ms = r.utc_ms AND a.new = r.record";
    let without_entry = format!(
        "SELECT r.n FROM records r WHERE NOT EXISTS (SELECT 1 FROM audit a WHERE {alike}) ORDER BY r.n"
    );
    let without_record = format!(
        "SELECT a.n FROM audit a WHERE a.what IN {KINDS} AND NOT EXISTS (SELECT 1 FROM records r WHERE {alike}) ORDER BY a.n"
    );
    for n in numbers(connection, &without_entry)? {
        found.fault(format!("record {n} is not what the audit trail says was decided"));
    }
    for n in numbers(connection, &without_record)? {
        found.fault(format!("the record that audit entry {n} tells of is missing or was changed"));
    }
    Ok(())
}

fn numbers(connection: &Connection, sql: &str) -> rusqlite::Result<Vec<i64>> {
    connection.prepare(sql)?.query_map([], |row| row.get(0))?.collect()
}

fn run(row: &Row<'_>) -> rusqlite::Result<bool> {
    let (run, started): (i64, i64) = (row.get("run")?, row.get("started_utc_ms")?);
    let (fingerprint, version, layout): (String, String, String) =
        (row.get("fingerprint")?, row.get("version")?, row.get("layout")?);
    let check: u32 = row.get("row_check")?;
    Ok(check == runs::run_check(run, started, &fingerprint, &version, &layout))
}

fn signal(row: &Row<'_>) -> rusqlite::Result<bool> {
    let (id, tag, was): (i64, String, Option<String>) = (row.get("id")?, row.get("tag")?, row.get("was")?);
    let check: u32 = row.get("row_check")?;
    Ok(check == read::signal_check(id, &tag, was.as_deref()))
}

fn file(row: &Row<'_>) -> rusqlite::Result<bool> {
    let (sha256, content): (String, Vec<u8>) = (row.get("sha256")?, row.get("content")?);
    Ok(layout::sha256_hex(&content) == sha256)
}
