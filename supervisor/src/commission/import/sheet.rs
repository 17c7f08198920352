//! Bytes to rows, and what each column means.

use super::{Notes, Options};
use crate::commission::written::{Decimal, listed};

/// Rows in front of the header that may be a title.
const TITLE_ROWS: usize = 20;

/// What a column can mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Meaning {
    /// ISA-5.1 tag.
    Tag,
    /// Name for people.
    Name,
    /// Address of the first register.
    Address,
    /// Which of the four tables, or a function code.
    Table,
    /// Type of the number.
    Type,
    /// Order of words and bytes.
    Order,
    /// Value of one count.
    Scale,
    /// By what the register is divided.
    Divisor,
    /// Implied decimals.
    Decimals,
    /// Value at count zero.
    Offset,
    /// Unit.
    Unit,
    /// Lowest value.
    Low,
    /// Highest value.
    High,
    /// Lowest and highest in one cell.
    Range,
    /// Which bit of the register.
    Bit,
    /// Whether it can be written.
    Access,
    /// Which device.
    Controller,
    /// Which station.
    Station,
    /// Counts that mean "no value".
    NoValue,
    /// Nothing: the column is left aside.
    Ignore,
}

/// Every meaning with the word for `--map`, and headers that are taken for it: letters and digits only, lower case.
const MEANINGS: [(Meaning, &str, &[&str]); 20] = [
    (Meaning::Tag, "tag", &["tag", "tagname", "isatag", "loop", "kks", "messstelle", "signal", "id"]),
    (
        Meaning::Name,
        "name",
        &[
            "name",
            "description",
            "desc",
            "text",
            "parameter",
            "variable",
            "beschreibung",
            "bezeichnung",
            "descripcion",
            "designation",
            "signalname",
        ],
    ),
    (
        Meaning::Address,
        "address",
        &[
            "address",
            "addr",
            "adr",
            "register",
            "reg",
            "registeraddress",
            "modbusaddress",
            "modbusregister",
            "registernumber",
            "registerno",
            "regno",
            "number",
            "offset0based",
            "pduaddress",
            "address0based",
            "address1based",
            "adresse",
            "registeradresse",
            "direccion",
            "hexaddress",
            "addresshex",
            "startaddress",
        ],
    ),
    (
        Meaning::Table,
        "table",
        &[
            "table",
            "function",
            "fc",
            "functioncode",
            "registertype",
            "area",
            "objecttype",
            "funktion",
            "block",
        ],
    ),
    (
        Meaning::Type,
        "type",
        &["type", "datatype", "format", "dataformat", "encoding", "datentyp", "typ", "tipo"],
    ),
    (Meaning::Order, "order", &["order", "wordorder", "byteorder", "endian", "endianness", "swap"]),
    (
        Meaning::Scale,
        "scale",
        &[
            "scale",
            "factor",
            "scaling",
            "gain",
            "multiplier",
            "resolution",
            "faktor",
            "skalierung",
            "slope",
            "escala",
            "lsb",
            "auflösung",
            "aufloesung",
        ],
    ),
    (Meaning::Divisor, "divisor", &["divisor", "divideby", "div", "divider"]),
    (
        Meaning::Decimals,
        "decimals",
        &["decimals", "decimalplaces", "decimal", "dp", "nachkommastellen", "decimalpoint"],
    ),
    (Meaning::Offset, "offset", &["offset", "bias", "zero", "intercept"]),
    (Meaning::Unit, "unit", &["unit", "units", "uom", "eu", "engineeringunit", "einheit", "unidad"]),
    (
        Meaning::Low,
        "low",
        &[
            "low",
            "min",
            "minimum",
            "lo",
            "rangelow",
            "rangemin",
            "rangefrom",
            "lowest",
            "von",
            "messbereichvon",
            "messbereichmin",
            "bereichvon",
            "lowlimit",
            "minvalue",
        ],
    ),
    (
        Meaning::High,
        "high",
        &[
            "high",
            "max",
            "maximum",
            "hi",
            "rangehigh",
            "rangemax",
            "rangeto",
            "highest",
            "bis",
            "messbereichbis",
            "messbereichmax",
            "bereichbis",
            "highlimit",
            "maxvalue",
        ],
    ),
    (Meaning::Range, "range", &["range", "bereich", "valuerange", "rango", "messbereich"]),
    (Meaning::Bit, "bit", &["bit", "bitno", "bitnumber", "bitposition"]),
    (Meaning::Access, "access", &["access", "rw", "readwrite", "mode", "zugriff", "permission", "acceso"]),
    (Meaning::Controller, "controller", &["controller", "plc", "device", "sps", "unitname", "equipo"]),
    (Meaning::Station, "station", &["station", "section", "machine", "anlage", "bereichname", "estacion"]),
    (
        Meaning::NoValue,
        "no-value",
        &["novalue", "errorvalue", "invalid", "invalidvalue", "faultcode", "errorcode", "nan"],
    ),
    (
        Meaning::Ignore,
        "ignore",
        &["remark", "remarks", "comment", "comments", "note", "notes", "bemerkung", "default"],
    ),
];

impl Meaning {
    /// The word for `--map`.
    #[must_use]
    pub fn word(self) -> &'static str {
        MEANINGS.iter().find(|(meaning, _, _)| *meaning == self).map_or("ignore", |(_, word, _)| word)
    }
}

/// `COLUMN=MEANING` of the command line.
///
/// # Errors
/// What was found and what is accepted.
pub fn read_map(text: &str) -> Result<(String, Meaning), String> {
    let words: Vec<&str> = MEANINGS.iter().map(|(_, word, _)| *word).collect();
    let Some((column, word)) = text.rsplit_once('=') else {
        return Err(format!("`{text}` has no `=`; write COLUMN=MEANING, such as \"Reg. no.=address\""));
    };
    let found = MEANINGS.iter().find(|(_, name, _)| *name == word.trim());
    let meaning = found.map(|(meaning, _, _)| *meaning);
    meaning.map(|meaning| (column.trim().to_owned(), meaning)).ok_or_else(|| {
        format!("`{}` is nothing that a column can mean; these are: {}", word.trim(), words.join(", "))
    })
}

/// A list with its columns known.
#[derive(Debug)]
pub(super) struct Sheet {
    /// Row number, counted from 1, and cells.
    rows: Vec<(usize, Vec<String>)>,
    columns: Vec<Column>,
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
        for record in reader.records() {
            let record = record.map_err(|error| format!("it can't be read as CSV: {error}"))?;
            let line = record.position().map_or(0, csv::Position::line);
            let cells: Vec<String> = record.iter().map(|cell| cell.trim().to_owned()).collect();
            if cells.iter().any(|cell| !cell.is_empty()) {
                rows.push((usize::try_from(line).unwrap_or(usize::MAX), cells));
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
        let rows = rows.split_off(place + 1);
        Ok(Self { rows, columns })
    }

    pub(super) fn rows(&self) -> impl Iterator<Item = Cells<'_>> {
        self.rows.iter().map(|(row, cells)| Cells { row: *row, cells, columns: &self.columns })
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
                    let after = text.rsplit_once(separator).map(|(_, after)| after);
                    let is_last = text.rfind(separator) > text.rfind(other);
                    is_last && after.is_some_and(|after| after.len() != 3 || text.contains(other))
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

/// Text of a file as spreadsheets write it.
fn decode(bytes: &[u8], notes: &mut Notes) -> String {
    if let [0xFF, 0xFE, rest @ ..] = bytes {
        let units: Vec<u16> =
            rest.chunks_exact(2).filter_map(|pair| pair.try_into().ok().map(u16::from_le_bytes)).collect();
        return String::from_utf16_lossy(&units);
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => text.trim_start_matches('\u{feff}').to_owned(),
        Err(_) => {
            notes.guess(None, "text", "Latin-1", "it is no UTF-8; look at degree signs and accents");
            bytes.iter().map(|byte| char::from(*byte)).collect()
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

/// Letters and digits, lower case.
fn plain(text: &str) -> String {
    text.chars().filter(|letter| letter.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

fn by_header(header: &str) -> Option<Meaning> {
    let header = plain(header);
    let is_it = |names: &[&str]| names.contains(&header.as_str());
    MEANINGS.iter().find(|(_, _, names)| is_it(names)).map(|(meaning, _, _)| *meaning).or_else(|| {
        // "Register address (hex)", "Scaling factor [K/bit]"
        let within = |names: &[&str]| names.iter().any(|name| name.len() >= 5 && header.contains(name));
        MEANINGS.iter().find(|(_, _, names)| within(names)).map(|(meaning, _, _)| *meaning)
    })
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
        let taken = columns.iter().find(|column| column.meaning == meaning && meaning != Meaning::Ignore);
        if let Some(taken) = taken {
            notes.guess(
                None,
                header,
                "left aside",
                format!("`{}` is taken for the {} already", taken.header, meaning.word()),
            );
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
