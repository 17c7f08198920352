//! The audit trail, each entry chained to the one before by its hash, and notes that are corrected but never changed.

use super::bytes::check_of;
use super::events::read_rows;
use super::layout::sha256_hex;
use super::{HistoryError, counts};
use rusqlite::{Connection, OptionalExtension as _, Row, Transaction, params};
use setward_protocol::UtcMillis;

/// The hash before the first entry.
const FIRST: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// The key under which the beginning of the newest entry's hash is kept: without it the end of the chain could be taken off unseen.
const LAST_ADDED: &str = "audit";

/// As a whole number, which is what is kept under a key.
fn beginning_of(hash: &str) -> i64 {
    hash.get(..15).and_then(|hex| i64::from_str_radix(hex, 16).ok()).unwrap_or(-1)
}

/// Who did what, to be added to the audit trail.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewAudit {
    /// Wall time.
    pub utc: UtcMillis,
    /// Who.
    pub by: String,
    /// What was done, in stable words: "settings changed".
    pub what: String,
    /// To what: an alarm's id, a tag, a file.
    pub about: String,
    /// The value before, if there was one.
    pub old: Option<String>,
    /// The value since.
    pub new: Option<String>,
    /// The reason the person gave.
    pub why: Option<String>,
}

/// An entry of the audit trail.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuditEntry {
    /// Its number, from 1, without a hole.
    pub n: i64,
    /// Who did what.
    pub entry: NewAudit,
    /// Hash of the entry before.
    pub previous: String,
    /// SHA-256 over the number, all the words and the hash before, lower-case hex.
    pub hash: String,
}

fn hash_of(n: i64, entry: &NewAudit, previous: &str) -> String {
    let mut bytes = Vec::new();
    let optional = [&entry.old, &entry.new, &entry.why].map(Option::as_deref);
    let words = [Some(entry.by.as_str()), Some(&entry.what), Some(&entry.about)].into_iter().chain(optional);
    bytes.extend_from_slice(previous.as_bytes());
    bytes.extend_from_slice(&n.to_le_bytes());
    bytes.extend_from_slice(&entry.utc.0.to_le_bytes());
    for word in words {
        // The length in front, and one more for a word that is not there: no two entries read alike.
        let length = word.map_or(0, |word| word.len() as u64 + 1);
        bytes.extend_from_slice(&length.to_le_bytes());
        bytes.extend_from_slice(word.unwrap_or_default().as_bytes());
    }
    sha256_hex(&bytes)
}

/// Adds an entry.
pub(super) fn add_audit(connection: &mut Connection, entry: NewAudit) -> Result<AuditEntry, HistoryError> {
    let failed = |error| HistoryError::during("writing the audit trail", &error);
    let transaction = connection.transaction().map_err(failed)?;
    let entry = chain_audit(&transaction, entry).map_err(failed)?;
    transaction.commit().map_err(failed)?;
    Ok(entry)
}

/// Adds an entry as part of something greater.
pub(super) fn chain_audit(transaction: &Transaction<'_>, entry: NewAudit) -> rusqlite::Result<AuditEntry> {
    let last: Option<(i64, String)> = transaction
        .query_row("SELECT n, hash FROM audit ORDER BY n DESC LIMIT 1", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .optional()?;
    let (n, previous) = last.map_or((1, FIRST.to_owned()), |(n, hash)| (n + 1, hash));
    let hash = hash_of(n, &entry, &previous);
    transaction.execute(
        "INSERT INTO audit VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        params![
            n,
            entry.utc.0,
            entry.by,
            entry.what,
            entry.about,
            entry.old,
            entry.new,
            entry.why,
            previous,
            hash
        ],
    )?;
    transaction
        .execute("INSERT OR REPLACE INTO meta VALUES (?1, ?2)", params![LAST_ADDED, beginning_of(&hash)])?;
    Ok(AuditEntry { n, entry, previous, hash })
}

fn read_audit(row: &Row<'_>) -> rusqlite::Result<Option<AuditEntry>> {
    Ok(Some(AuditEntry {
        n: row.get(0)?,
        entry: NewAudit {
            utc: UtcMillis(row.get(1)?),
            by: row.get(2)?,
            what: row.get(3)?,
            about: row.get(4)?,
            old: row.get(5)?,
            new: row.get(6)?,
            why: row.get(7)?,
        },
        previous: row.get(8)?,
        hash: row.get(9)?,
    }))
}

/// The newest entries that agree with their own hash, newest first.
pub(super) fn audit_trail(connection: &Connection, limit: usize) -> Result<Vec<AuditEntry>, HistoryError> {
    let limit = i64::try_from(limit).unwrap_or(i64::MAX);
    let whole = |row: &Row<'_>| {
        let entry = read_audit(row)?;
        Ok(entry.filter(|entry| entry.hash == hash_of(entry.n, &entry.entry, &entry.previous)))
    };
    read_rows(connection, "SELECT * FROM audit ORDER BY n DESC LIMIT ?1", [limit], whole)
        .map_err(|error| HistoryError::during("reading the audit trail", &error))
}

/// Every place where the chain is broken, in words; none if it is whole.
pub(super) fn broken_audit(connection: &Connection) -> Result<(u64, Vec<String>), HistoryError> {
    let failed = |error| HistoryError::during("reading the audit trail", &error);
    let mut statement = connection.prepare("SELECT * FROM audit ORDER BY n").map_err(failed)?;
    let mut rows = statement.query([]).map_err(failed)?;
    let (mut count, mut last, mut broken, mut previous) = (0, 0, Vec::new(), FIRST.to_owned());
    let last_added = counts::kept(connection, LAST_ADDED).map_err(failed)?;
    // An older program adds to the trail without keeping this: it need not be the newest.
    let mut has_last_added = last_added.is_none();
    while let Some(row) = rows.next().map_err(failed)? {
        count += 1;
        let Some(entry) = read_audit(row).map_err(failed)? else { continue };
        if i64::try_from(count) != Ok(entry.n) && broken.is_empty() {
            broken.push(format!("audit entry {count} is missing"));
        }
        if entry.previous != previous {
            broken.push(format!("audit entry {} does not follow the one before", entry.n));
        }
        if entry.hash != hash_of(entry.n, &entry.entry, &entry.previous) {
            broken.push(format!("audit entry {} was changed", entry.n));
        }
        has_last_added |= last_added == Some(beginning_of(&entry.hash));
        (last, previous) = (entry.n, entry.hash);
    }
    let newest = newest_ever(connection).map_err(failed)?;
    if newest > last {
        broken.push(format!(
            "the newest entries of the audit trail, from {} to {newest}, are missing",
            last + 1
        ));
    } else if !has_last_added {
        broken.push("the newest entry of the audit trail is missing or was changed".to_owned());
    }
    Ok((count, broken))
}

/// The highest number that an entry ever had: the file keeps it whatever is taken out.
fn newest_ever(connection: &Connection) -> rusqlite::Result<i64> {
    let newest = "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'audit'";
    connection.query_row(newest, [], |row| row.get(0))
}

/// A note to be added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewNote {
    /// Wall time.
    pub utc: UtcMillis,
    /// What it is about: an alarm's id, a tag, a batch.
    pub about: String,
    /// Who wrote it.
    pub by: String,
    /// The words.
    pub text: String,
    /// The note that it corrects; that one stays.
    pub replaces: Option<i64>,
}

/// A kept note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// Its number.
    pub n: i64,
    /// What it says.
    pub note: NewNote,
}

fn note_check(n: i64, note: &NewNote) -> u32 {
    let numbers = [n, note.utc.0, note.replaces.unwrap_or(0)].map(i64::to_le_bytes).concat();
    check_of(&[&numbers, note.about.as_bytes(), note.by.as_bytes(), note.text.as_bytes()])
}

/// Adds a note.
pub(super) fn add_note(connection: &mut Connection, note: NewNote) -> Result<Note, HistoryError> {
    let failed = |error| HistoryError::during("writing a note", &error);
    let transaction = connection.transaction().map_err(failed)?;
    let n: i64 = transaction
        .query_row("SELECT coalesce(max(n), 0) + 1 FROM notes", [], |row| row.get(0))
        .map_err(failed)?;
    let check = note_check(n, &note);
    transaction
        .execute(
            "INSERT INTO notes VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![n, note.utc.0, note.about, note.by, note.text, note.replaces, check],
        )
        .map_err(failed)?;
    transaction.commit().map_err(failed)?;
    Ok(Note { n, note })
}

/// A note, unless it contradicts its checksum.
pub(super) fn read_note(row: &Row<'_>) -> rusqlite::Result<Option<Note>> {
    let n = row.get(0)?;
    let note = NewNote {
        utc: UtcMillis(row.get(1)?),
        about: row.get(2)?,
        by: row.get(3)?,
        text: row.get(4)?,
        replaces: row.get(5)?,
    };
    let check: u32 = row.get(6)?;
    Ok((check == note_check(n, &note)).then_some(Note { n, note }))
}

/// The newest notes about something, newest first.
pub(super) fn notes(connection: &Connection, about: &str, limit: usize) -> Result<Vec<Note>, HistoryError> {
    let limit = i64::try_from(limit).unwrap_or(i64::MAX);
    let sql = "SELECT * FROM notes WHERE about = ?1 ORDER BY n DESC LIMIT ?2";
    read_rows(connection, sql, params![about, limit], read_note)
        .map_err(|error| HistoryError::during("reading notes", &error))
}
