//! Bytes to rows, and what each column means.

use super::meaning::{Meaning, by_header, by_whole_header, plain};
use super::{Notes, Options};
use crate::commission::written::{Decimal, is_thousands, listed};

/// Rows in front of the header that may be a title.
const TITLE_ROWS: usize = 20;

/// A list with its columns known.
#[derive(Debug)]
pub(super) struct Sheet {
    rows: Vec<Row>,
    columns: Vec<Column>,
}

#[derive(Debug)]
struct Row {
    /// Its number in the sheet, counted from 1.
    number: usize,
    cells: Vec<String>,
    /// Its own cell for the controller is empty, and holds the one above.
    is_as_above: bool,
}

#[derive(Debug, Clone)]
struct Column {
    header: String,
    meaning: Meaning,
}

/// One row of a sheet.
#[derive(Debug)]
pub(super) struct Cells<'a> {
    /// Counted from 1, with the header.
    pub(super) row: usize,
    /// Its controller is that of the row above: its own cell is empty, as below the first of merged cells.
    pub(super) is_as_above: bool,
    cells: &'a [String],
    columns: &'a [Column],
}

impl Cells<'_> {
    /// Header and text of the column that means this, if it is there and not empty.
    pub(super) fn get(&self, meaning: Meaning) -> Option<(&str, &str)> {
        let place = self.columns.iter().position(|column| column.meaning == meaning)?;
        let header = self.columns.get(place)?.header.as_str();
        let text = self.cells.get(place)?.trim();
        (!text.is_empty()).then_some((header, text))
    }

    /// Whether the list has a column that means this.
    pub(super) fn has(&self, meaning: Meaning) -> bool {
        self.columns.iter().any(|column| column.meaning == meaning)
    }

    /// The column's header, or the word for what it would mean.
    pub(super) fn header(&self, meaning: Meaning) -> &str {
        let own = self.columns.iter().find(|column| column.meaning == meaning);
        own.map_or_else(|| meaning.word(), |column| column.header.as_str())
    }
}

impl Sheet {
    /// Reads a list.
    pub(super) fn read(bytes: &[u8], options: &Options, notes: &mut Notes) -> Result<Self, String> {
        let mut text = decode(bytes, notes);
        if !text.contains('\n') {
            // Lines that end in a carriage return alone: rows must have their numbers all the same.
            text = text.replace('\r', "\n");
        }
        let delimiter = delimiter(&text);
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(delimiter)
            .from_reader(text.as_bytes());
        let mut rows: Vec<(usize, Vec<String>)> = Vec::new();
        // Lines of the file that are no rows of the sheet: a cell may have several.
        let mut within_cells = 0;
        for record in reader.records() {
            let record = record.map_err(|error| format!("it can't be read as CSV: {error}"))?;
            let line = record.position().map_or(0, csv::Position::line);
            let number = usize::try_from(line).unwrap_or(usize::MAX).saturating_sub(within_cells);
            within_cells += record.iter().map(|cell| cell.matches('\n').count()).sum::<usize>();
            let cells: Vec<String> = record.iter().map(|cell| cell.trim().to_owned()).collect();
            if cells.iter().any(|cell| !cell.is_empty()) {
                rows.push((number, cells));
            }
        }
        let (place, columns) = header(&rows, options, notes)?;
        if place > 0 {
            notes.guess(
                None,
                "rows",
                format!("the first {place} rows are a title"),
                "the columns are named below them",
            );
        }
        if delimiter != b',' {
            let named = if delimiter == b';' { "semicolons" } else { "tabs" };
            notes.guess(
                None,
                "cells",
                format!("parted by {named}"),
                "the header has more of them than commas",
            );
        }
        let rows = below_merged(rows.split_off(place + 1), &columns);
        Ok(Self { rows, columns })
    }

    pub(super) fn rows(&self) -> impl Iterator<Item = Cells<'_>> {
        self.rows.iter().map(|row| Cells {
            row: row.number,
            is_as_above: row.is_as_above,
            cells: &row.cells,
            columns: &self.columns,
        })
    }

    /// The cells of the addresses.
    pub(super) fn addresses(&self) -> impl Iterator<Item = &str> {
        let place = self.columns.iter().position(|column| column.meaning == Meaning::Address);
        let cells = self.rows.iter().filter_map(move |row| row.cells.get(place?));
        cells.map(|text| text.trim()).filter(|text| !text.is_empty())
    }

    pub(super) fn has(&self, meaning: Meaning) -> bool {
        self.columns.iter().any(|column| column.meaning == meaning)
    }

    /// The header of the column that means this.
    pub(super) fn header(&self, meaning: Meaning) -> &str {
        let own = self.columns.iter().find(|column| column.meaning == meaning);
        own.map_or("", |column| column.header.as_str())
    }

    /// How its numbers are written, from all of them together.
    pub(super) fn decimal(&self, notes: &mut Notes) -> Decimal {
        let meanings = [Meaning::Scale, Meaning::Low, Meaning::High, Meaning::Offset, Meaning::Divisor];
        let cells = || {
            self.rows().flat_map(move |row| {
                meanings
                    .into_iter()
                    .filter_map(move |meaning| row.get(meaning).map(|(_, text)| text.to_owned()))
                    .collect::<Vec<_>>()
            })
        };
        let ends_with = |separator: char, other: char| {
            cells()
                .filter(|text| {
                    let is_last = text.rfind(separator) > text.rfind(other);
                    is_last && (!is_thousands(text, separator) || text.contains(other))
                })
                .count()
        };
        let (commas, points) = (ends_with(',', '.'), ends_with('.', ','));
        if commas > points {
            notes.guess(
                None,
                "numbers",
                "decimal commas",
                format!("{commas} numbers such as 0,1 and {points} such as 0.1"),
            );
            return Decimal::Comma;
        }
        let unclear = cells().find(|text| text.contains(',') && listed(text, Decimal::Comma).is_some());
        if let Some(text) = unclear.filter(|_| points == 0) {
            notes.guess(
                None,
                "numbers",
                "decimal points",
                format!("`{text}` may mean either; commas are taken as thousands"),
            );
        }
        Decimal::Point
    }
}

/// Rows whose controller is written once for several, in a merged cell, are all of it.
fn below_merged(rows: Vec<(usize, Vec<String>)>, columns: &[Column]) -> Vec<Row> {
    let place = columns.iter().position(|column| column.meaning == Meaning::Controller);
    let mut above = String::new();
    let row = |(number, mut cells): (usize, Vec<String>)| {
        let mut is_as_above = false;
        if let Some(cell) = place.and_then(|place| cells.get_mut(place)) {
            is_as_above = cell.is_empty() && !above.is_empty();
            if is_as_above {
                cell.clone_from(&above);
            }
            above.clone_from(cell);
        }
        Row { number, cells, is_as_above }
    };
    rows.into_iter().map(row).collect()
}

/// Text of a file as spreadsheets write it.
fn decode(bytes: &[u8], notes: &mut Notes) -> String {
    let utf16 = |rest: &[u8], unit: fn([u8; 2]) -> u16| {
        let units: Vec<u16> =
            rest.chunks_exact(2).filter_map(|pair| pair.try_into().ok().map(unit)).collect();
        String::from_utf16_lossy(&units)
    };
    match bytes {
        [0xFF, 0xFE, rest @ ..] => return utf16(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => return utf16(rest, u16::from_be_bytes),
        _ => {}
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => text.trim_start_matches('\u{feff}').to_owned(),
        Err(_) => {
            notes.guess(None, "text", "Latin-1", "it is no UTF-8; look at degree signs and accents");
            // What spreadsheets put where Latin-1 has nothing: dashes stand between the ends of ranges.
            let letter = |byte: &u8| match byte {
                0x96 | 0x97 => '\u{2013}',
                byte => char::from(*byte),
            };
            bytes.iter().map(letter).collect()
        }
    }
}

/// What parts the cells: whatever the fullest of the first lines has most of.
fn delimiter(text: &str) -> u8 {
    let most = |letter: char| {
        text.lines().take(TITLE_ROWS).map(|line| line.matches(letter).count()).max().unwrap_or_default()
    };
    let (commas, semicolons, tabs) = (most(','), most(';'), most('\t'));
    if tabs > commas && tabs >= semicolons {
        b'\t'
    } else if semicolons >= 2 && semicolons * 2 > commas {
        b';'
    } else {
        b','
    }
}

/// The place of the header and what its columns mean.
fn header(
    rows: &[(usize, Vec<String>)],
    options: &Options,
    notes: &mut Notes,
) -> Result<(usize, Vec<Column>), String> {
    let meaning_of = |header: &str| {
        let told = options.map.iter().find(|(column, _)| plain(column) == plain(header));
        told.map(|(_, meaning)| *meaning).or_else(|| by_header(header))
    };
    let score = |cells: &[String]| {
        let found: Vec<Meaning> = cells.iter().filter_map(|cell| meaning_of(cell)).collect();
        if found.contains(&Meaning::Address) { found.len() } else { 0 }
    };
    let candidates = rows.iter().take(TITLE_ROWS).enumerate();
    let best = candidates
        .map(|(place, (_, cells))| (score(cells), place))
        .max_by_key(|(score, place)| (*score, std::cmp::Reverse(*place)));
    let Some((_, place)) = best.filter(|(score, _)| *score >= 2) else {
        let Some((_, first)) = rows.first() else { return Err("it is empty".to_owned()) };
        let first = first.join(", ");
        return Err(format!(
            "no row names a column for the address and one more; the first row is: {first}. Say which column is which with \
             --map \"COLUMN=address\" --map \"COLUMN=type\""
        ));
    };
    let cells = rows.get(place).map_or(&[][..], |(_, cells)| cells.as_slice());
    if let Some((column, _)) =
        options.map.iter().find(|(column, _)| !cells.iter().any(|cell| plain(cell) == plain(column)))
    {
        return Err(format!("--map: there is no column `{column}`; the columns are: {}", cells.join(", ")));
    }
    Ok((place, columns(cells, options, &meaning_of, notes)))
}

fn columns(
    cells: &[String],
    options: &Options,
    meaning_of: &dyn Fn(&str) -> Option<Meaning>,
    notes: &mut Notes,
) -> Vec<Column> {
    let mut columns: Vec<Column> = Vec::new();
    for header in cells {
        let is_told = options.map.iter().any(|(column, _)| plain(column) == plain(header));
        let mut meaning = meaning_of(header).unwrap_or(Meaning::Ignore);
        let is_whole = is_told || by_whole_header(header).is_some();
        // A header that says just this goes before one in which the word occurs, wherever it stands.
        let better = cells.iter().find(|other| {
            !is_whole
                && *other != header
                && meaning_of(other) == Some(meaning)
                && by_whole_header(other).is_some()
        });
        let taken = columns.iter().find(|column| column.meaning == meaning).map(|column| &column.header);
        if let Some(taken) = taken.or(better).filter(|_| meaning != Meaning::Ignore) {
            notes.guess(None, header, "left aside", format!("`{taken}` is taken for the {}", meaning.word()));
            meaning = Meaning::Ignore;
        } else if !is_told && !header.is_empty() {
            notes.guess(
                None,
                header,
                meaning.word(),
                if meaning == Meaning::Ignore {
                    "its header is not known; --map says what it is"
                } else {
                    "by its header"
                },
            );
        }
        columns.push(Column { header: header.clone(), meaning });
    }
    columns
}
