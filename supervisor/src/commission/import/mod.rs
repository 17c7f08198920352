//! A supplier's register list becomes a line folder: commented, with a mark at every guess.
//!
//! Register lists are written by hand, for people: any column names, addresses counted from 0 or 1 or printed as 4xxxx or
//! in hexadecimal, commas or points. What the list does not say is guessed, and each guess is told with its reason, in the
//! file and in a table. What can't be is left out, with row and column.
//!
//! - `sheet.rs`, `meaning.rs`: bytes to rows, rows to columns that mean something.
//! - `cells.rs`, `address.rs`: one cell to a value. `row.rs`, `naming.rs`: one row to a signal.
//! - `write.rs`: signals to files.

mod address;
mod cells;
mod meaning;
mod naming;
mod numbers;
mod row;
mod sheet;
mod write;

pub use meaning::{Meaning, read_map};

use crate::commission::written::Decimal;
use row::Draft;
use serde::Serialize;
use std::collections::BTreeMap;

/// What the list does not say and a person may.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// What columns mean, by their header; the rest is guessed.
    pub map: Vec<(String, Meaning)>,
    /// Whether plain addresses count from 0 or 1.
    pub base: Option<u8>,
    /// Name of the controller where the list has no column for it.
    pub controller: Option<String>,
    /// Name of the line.
    pub line: Option<String>,
}

/// Something the list does not say.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Guess {
    /// Row of the list, counted from 1 with its header; `None`: the whole list.
    pub row: Option<usize>,
    /// Column, by its header.
    pub column: String,
    /// What was guessed.
    pub guessed: String,
    /// Why.
    pub why: String,
}

/// Something that can't be as it is written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Complaint {
    /// Row of the list, counted from 1 with its header.
    pub row: usize,
    /// Column, by its header.
    pub column: String,
    /// What was found and what is accepted.
    pub found: String,
    /// What was done about it.
    pub done: String,
    /// Whether the row is not in the line file for it.
    pub left_out: bool,
}

/// What became of a list.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Imported {
    /// Version of this report's form.
    pub schema_version: u32,
    /// Rows below the header that are not empty.
    pub rows: usize,
    /// Signals that were written.
    pub signals: usize,
    /// What was guessed, in the order of the list.
    pub guesses: Vec<Guess>,
    /// What is wrong with the list, in its order.
    pub complaints: Vec<Complaint>,
    /// The files of the folder: path and text.
    #[serde(skip)]
    pub files: Vec<(String, String)>,
}

/// What is noted on the way.
#[derive(Debug, Default)]
struct Notes {
    guesses: Vec<Guess>,
    complaints: Vec<Complaint>,
}

impl Notes {
    fn guess(
        &mut self,
        row: Option<usize>,
        column: &str,
        guessed: impl Into<String>,
        why: impl Into<String>,
    ) {
        self.guesses.push(Guess { row, column: column.to_owned(), guessed: guessed.into(), why: why.into() });
    }

    fn left_out(&mut self, row: usize, column: &str, found: impl Into<String>) {
        let done = "the row is left out".to_owned();
        self.complaints.push(Complaint {
            row,
            column: column.to_owned(),
            found: found.into(),
            done,
            left_out: true,
        });
    }

    fn mended(&mut self, row: usize, column: &str, found: impl Into<String>, done: impl Into<String>) {
        let (found, done) = (found.into(), done.into());
        self.complaints.push(Complaint { row, column: column.to_owned(), found, done, left_out: false });
    }
}

/// Reads a register list.
///
/// # Errors
/// Why nothing can be made of it, and what to do.
pub fn import(bytes: &[u8], source: &str, options: &Options) -> Result<Imported, String> {
    let mut notes = Notes::default();
    let sheet = sheet::Sheet::read(bytes, options, &mut notes)?;
    let facts = Facts::of(&sheet, options, &mut notes)?;
    let mut drafts: Vec<Draft> = Vec::new();
    for cells in sheet.rows() {
        drafts.extend(row::draft(&cells, &facts, &mut notes));
    }
    let drafts = without_doubles(drafts, &mut notes);
    if drafts.is_empty() {
        return Err(format!(
            "no row of {} gives a signal; the first problem is: {}",
            sheet.rows().count(),
            notes.complaints.first().map_or_else(
                || "there are no rows below the header".to_owned(),
                |complaint| format!(
                    "row {}, column {}: {}",
                    complaint.row, complaint.column, complaint.found
                )
            )
        ));
    }
    let is_kept =
        |row: usize| !notes.complaints.iter().any(|complaint| complaint.row == row && complaint.left_out);
    notes.guesses.retain(|guess| guess.row.is_none_or(is_kept));
    notes.guesses.sort_by_key(|guess| guess.row);
    notes.complaints.sort_by_key(|complaint| complaint.row);
    Ok(Imported {
        schema_version: 1,
        rows: sheet.rows().count(),
        signals: drafts.len(),
        files: write::files(&drafts, source, options.line.as_deref(), &notes),
        guesses: notes.guesses,
        complaints: notes.complaints,
    })
}

/// What holds for the whole list.
#[derive(Debug)]
struct Facts {
    /// How addresses are written.
    notation: address::Notation,
    /// Whether every address has `.0` behind it, as a sheet's numbers have, and names no bit.
    are_floats: bool,
    /// How numbers are written.
    decimal: Decimal,
    /// The controller where no column says it.
    controller: String,
}

impl Facts {
    fn of(sheet: &sheet::Sheet, options: &Options, notes: &mut Notes) -> Result<Self, String> {
        let decimal = sheet.decimal(notes);
        let notation = address::Notation::of(sheet, options.base, notes)?;
        let are_floats = address::are_floats(sheet, notes);
        let controller = options.controller.clone().unwrap_or_else(|| {
            if !sheet.has(Meaning::Controller) {
                notes.guess(None, "controller", "plc", "no column names one; --controller NAME says it");
            }
            "plc".to_owned()
        });
        Ok(Self { notation, are_floats, decimal, controller })
    }
}

/// Rows that are there twice, tags that are taken, and registers that two signals claim.
fn without_doubles(drafts: Vec<Draft>, notes: &mut Notes) -> Vec<Draft> {
    let mut kept: Vec<Draft> = Vec::new();
    let mut by_tag: BTreeMap<String, usize> = BTreeMap::new();
    for mut draft in drafts {
        if let Some(same) = kept.iter().find(|other| other.says_the_same(&draft)) {
            notes.left_out(draft.row, "address", format!("the same as row {}", same.row));
            continue;
        }
        if let Some(other) = kept.iter().find(|other| other.overlaps(&draft)) {
            notes.left_out(
                draft.row,
                "address",
                format!(
                    "{} lies in registers that {} of row {} takes ({})",
                    draft.place_text(),
                    other.tag.value,
                    other.row,
                    other.place_text()
                ),
            );
            continue;
        }
        if let Some(row) = by_tag.get(&draft.tag.value) {
            let before = draft.tag.value.clone();
            let free = (2..).map(|count| format!("{before}-{count}")).find(|tag| !by_tag.contains_key(tag));
            let free = free.unwrap_or_else(|| before.clone());
            notes.mended(
                draft.row,
                "tag",
                format!("`{before}` is taken by row {row}"),
                format!("written as {free}"),
            );
            draft.tag = row::Field::guessed(free, format!("{before} is taken by row {row}"));
        }
        by_tag.insert(draft.tag.value.clone(), draft.row);
        kept.push(draft);
    }
    kept
}

#[cfg(test)]
mod tests;
