//! One row of a register list to one signal, with a reason for everything that the row does not say.

use super::address::Address;
use super::cells::{self, ListedType};
use super::meaning::Meaning;
use super::naming::{controller, name, role, station, tag};
use super::numbers::{coarse, doubted, offset, range, scale};
use super::sheet::Cells;
use super::{Facts, Notes};
use crate::commission::written::{is_thousands, short};
use setward_protocol::{ByteOrder, Encoding, Table, Unit};

/// A value of a signal, and why it was guessed if it was.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Field<T> {
    pub(super) value: T,
    pub(super) guess: Option<String>,
}

impl<T> Field<T> {
    pub(super) const fn said(value: T) -> Self {
        Self { value, guess: None }
    }

    pub(super) fn guessed(value: T, why: impl Into<String>) -> Self {
        Self { value, guess: Some(why.into()) }
    }
}

/// A signal as the list gives it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Draft {
    /// Row of the list.
    pub(super) row: usize,
    pub(super) tag: Field<String>,
    pub(super) name: Field<String>,
    pub(super) station: Field<&'static str>,
    pub(super) controller: Field<String>,
    pub(super) role: Field<&'static str>,
    pub(super) table: Field<Table>,
    pub(super) address: u16,
    /// What the list's cell says.
    pub(super) written: String,
    pub(super) encoding: Field<Encoding>,
    pub(super) order: Field<ByteOrder>,
    pub(super) scale: Field<f64>,
    pub(super) offset: f64,
    pub(super) unit: Field<Unit>,
    pub(super) range: Field<(f64, f64)>,
    pub(super) no_value: Vec<i64>,
}

impl Draft {
    /// Registers that it takes.
    fn words(&self) -> u16 {
        if self.table.value.is_bits() { 1 } else { self.encoding.value.words() }
    }

    const fn bit(&self) -> Option<u8> {
        if let Encoding::Bit(bit) = self.encoding.value { Some(bit) } else { None }
    }

    /// Whether another row says this already.
    pub(super) fn says_the_same(&self, other: &Self) -> bool {
        Self { row: other.row, ..self.clone() } == *other
    }

    /// Whether both claim a register. Bits of one word may share it.
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        let end = |draft: &Self| u32::from(draft.address) + u32::from(draft.words());
        let same = self.controller.value == other.controller.value && self.table.value == other.table.value;
        let touch = u32::from(self.address) < end(other) && u32::from(other.address) < end(self);
        let bits_apart = matches!((self.bit(), other.bit()), (Some(own), Some(its)) if own != its && !self.table.value.is_bits());
        same && touch && !bits_apart
    }

    /// Table and addresses, in words.
    pub(super) fn place_text(&self) -> String {
        let bit = self
            .bit()
            .filter(|_| !self.table.value.is_bits())
            .map_or_else(String::new, |bit| format!(" bit {bit}"));
        match self.words() {
            1 => format!("{} {}{bit}", self.table.value, self.address),
            words => format!(
                "{} {} to {}",
                self.table.value,
                self.address,
                u32::from(self.address) + u32::from(words) - 1
            ),
        }
    }
}

/// The signal of a row; nothing, with a complaint, where there can be none.
pub(super) fn draft(cells: &Cells<'_>, facts: &Facts, notes: &mut Notes) -> Option<Draft> {
    let row = cells.row;
    let (column, text) = match cells.get(Meaning::Address) {
        Some(found) => found,
        None => {
            notes.left_out(row, cells.header(Meaning::Address), "there is no address");
            return None;
        }
    };
    let place = match facts.notation.read(text) {
        Ok(place) if facts.are_floats => Address { bit: None, ..place },
        Ok(place) => place,
        Err(why) => {
            notes.left_out(row, column, why);
            return None;
        }
    };
    let table = table(cells, &place, notes);
    let encoding = encoding(cells, &place, table.value, notes)?;
    if u32::from(place.address) + u32::from(encoding.value.words()) > 0x1_0000 {
        notes.left_out(
            row,
            column,
            format!("`{text}` and the registers behind it reach beyond the last address, 65535"),
        );
        return None;
    }
    let unit = unit(cells, &encoding, table.value, notes);
    let is_bit = unit.value == Unit::Bit;
    let scale = if is_bit { Field::said(1.0) } else { scale(cells, facts.decimal, notes) };
    let scale = doubted(scale, cells, encoding.value, unit.value);
    let offset = if is_bit { 0.0 } else { offset(cells, facts.decimal, notes) };
    let bit = if let Encoding::Bit(bit) = encoding.value {
        Some(bit).filter(|_| !table.value.is_bits())
    } else {
        None
    };
    let name = name(cells, place.address, table.value);
    let range = range(cells, facts.decimal, (&encoding, scale.value, offset), unit.value, notes);
    let scale = coarse(scale, encoding.value, &range, unit.value);
    let draft = Draft {
        row,
        tag: tag(cells, &name.value, unit.value, (place.address, bit), notes),
        station: station(cells, &name.value),
        controller: controller(cells, facts),
        role: role(cells, &name.value, unit.value),
        order: order(cells, &encoding, notes),
        no_value: no_value(cells, encoding.value, notes),
        written: text.to_owned(),
        address: place.address,
        name,
        table,
        encoding,
        scale,
        offset,
        unit,
        range,
    };
    tell_guesses(&draft, notes);
    Some(draft)
}

/// Puts what was guessed into the table of guesses.
fn tell_guesses(draft: &Draft, notes: &mut Notes) {
    let row = Some(draft.row);
    let mut tell = |column: &str, guessed: String, guess: &Option<String>| {
        if let Some(why) = guess {
            notes.guess(row, column, guessed, why.clone());
        }
    };
    tell("tag", draft.tag.value.clone(), &draft.tag.guess);
    tell("controller", draft.controller.value.clone(), &draft.controller.guess);
    tell("name", draft.name.value.clone(), &draft.name.guess);
    tell("station", draft.station.value.to_owned(), &draft.station.guess);
    tell("role", draft.role.value.to_owned(), &draft.role.guess);
    tell("table", draft.table.value.to_string(), &draft.table.guess);
    tell("encoding", draft.encoding.value.name().to_owned(), &draft.encoding.guess);
    tell("order", draft.order.value.name().to_owned(), &draft.order.guess);
    tell("scale", short(draft.scale.value), &draft.scale.guess);
    tell("unit", draft.unit.value.symbol().to_owned(), &draft.unit.guess);
    let (low, high) = draft.range.value;
    tell("range", format!("{} to {}", short(low), short(high)), &draft.range.guess);
}

fn table(cells: &Cells<'_>, place: &Address, notes: &mut Notes) -> Field<Table> {
    let listed = cells.get(Meaning::Table).map(|(column, text)| (column, text, cells::table(text)));
    match (place.table, listed) {
        (Some(printed), Some((column, text, Some(listed)))) if printed != listed => {
            let why = format!("`{text}` is {listed}, and the address is {printed}");
            notes.mended(cells.row, column, why.clone(), format!("the address is believed: {printed}"));
            Field::guessed(printed, why)
        }
        (Some(printed), _) => Field::said(printed),
        (None, Some((_, _, Some(listed)))) => Field::said(listed),
        (None, Some((column, text, None))) => {
            let why = format!(
                "`{text}` is no table; accepted are holding, input, coil, discrete, or function codes 01 to 04"
            );
            notes.mended(cells.row, column, why, "written as holding");
            Field::guessed(Table::Holding, format!("`{text}` is no table"))
        }
        (None, None) => {
            Field::guessed(Table::Holding, "nothing says which table; most lists mean holding registers")
        }
    }
}

/// The encoding, or nothing where a bit can't be.
fn encoding(cells: &Cells<'_>, place: &Address, table: Table, notes: &mut Notes) -> Option<Field<Encoding>> {
    let listed = cells.get(Meaning::Type).map(|(column, text)| (column, text, cells::listed_type(text)));
    let bit_cell = cells.get(Meaning::Bit);
    let bit = match (place.bit, bit_cell) {
        (Some(bit), _) => Some(u32::from(bit)),
        (None, Some((column, text))) => match text.parse::<u32>() {
            Ok(bit) => Some(bit),
            Err(_) => {
                notes.left_out(
                    cells.row,
                    column,
                    format!("`{text}` is no bit; a bit is 0 (least significant) to 15"),
                );
                return None;
            }
        },
        (None, None) => None,
    };
    if table.is_bits() {
        return Some(Field::said(Encoding::Bit(0)));
    }
    if let Some(bit) = bit {
        let Some(small) = u8::try_from(bit).ok().filter(|bit| *bit < 16) else {
            let column = bit_cell.map_or_else(|| cells.header(Meaning::Address), |(column, _)| column);
            notes.left_out(
                cells.row,
                column,
                format!("a register has no bit {bit}; bits are 0 (least significant) to 15"),
            );
            return None;
        };
        if let Some((column, text, Some(ListedType::Number(number)))) = listed
            && number.words() > 1
        {
            notes.left_out(
                cells.row,
                column,
                format!("`{text}` is a number of {} registers, and bit {bit} is asked of it", number.words()),
            );
            return None;
        }
        return Some(match listed {
            Some((column, text, Some(ListedType::Number(_)))) if place.bit.is_some() => {
                let why = format!("the address names bit {small}, and `{text}` is a number");
                notes.mended(cells.row, column, why.clone(), format!("written as bit {small}"));
                Field::guessed(Encoding::Bit(small), why)
            }
            _ => bit_of(cells, place, small, notes),
        });
    }
    match listed {
        Some((_, _, Some(ListedType::Number(encoding)))) => Some(Field::said(encoding)),
        Some((column, text, Some(ListedType::Bit))) => {
            let why = format!("`{text}` in a register, and no bit is named");
            notes.mended(cells.row, column, why.clone(), "written as bit 0");
            Some(Field::guessed(Encoding::Bit(0), why))
        }
        Some((column, text, None)) => {
            let accepted = "accepted are int16, uint16, int32, uint32, float, double, bcd, bool and the like";
            notes.left_out(cells.row, column, format!("`{text}` is no type that is known; {accepted}"));
            None
        }
        None => {
            Some(Field::guessed(Encoding::I16, "nothing says the type; signed 16 bits are the most usual"))
        }
    }
}

/// A bit of a register; `12.5` of a value with a unit may have been meant otherwise.
fn bit_of(cells: &Cells<'_>, place: &Address, bit: u8, notes: &mut Notes) -> Field<Encoding> {
    let encoding = Encoding::Bit(bit);
    let unit = cells.get(Meaning::Unit).and_then(|(_, text)| Some((text, cells::unit(text)?.0)));
    match (place.bit, unit) {
        (Some(_), Some((text, unit))) if !matches!(unit, Unit::Bit | Unit::One) => {
            let why = format!("the address names bit {bit}, and the unit is `{text}`");
            notes.mended(
                cells.row,
                cells.header(Meaning::Address),
                why.clone(),
                format!("written as bit {bit}"),
            );
            Field::guessed(encoding, why)
        }
        (_, _) => Field::said(encoding),
    }
}

fn order(cells: &Cells<'_>, encoding: &Field<Encoding>, notes: &mut Notes) -> Field<ByteOrder> {
    if encoding.value.words() == 1 {
        return Field::said(ByteOrder::Abcd);
    }
    match cells.get(Meaning::Order) {
        Some((column, text)) => cells::order(text).map_or_else(
            || {
                let why = format!(
                    "`{text}` is no order; accepted are ABCD, CDAB, BADC, DCBA, high or low word first"
                );
                notes.mended(cells.row, column, why, "written as ABCD");
                Field::guessed(
                    ByteOrder::Abcd,
                    format!("`{text}` is no order; prove it with `setward probe`"),
                )
            },
            Field::said,
        ),
        None => Field::guessed(
            ByteOrder::Abcd,
            "nothing says which word comes first; prove it with `setward probe`",
        ),
    }
}

fn unit(cells: &Cells<'_>, encoding: &Field<Encoding>, table: Table, notes: &mut Notes) -> Field<Unit> {
    if table.is_bits() || matches!(encoding.value, Encoding::Bit(_)) {
        return Field::said(Unit::Bit);
    }
    match cells.get(Meaning::Unit) {
        Some((column, text)) => match cells::unit(text) {
            Some((Unit::Bit, _)) => Field::guessed(Unit::One, "a register that is no bit has no unit `bit`"),
            Some((unit, None)) => Field::said(unit),
            Some((unit, Some(meant))) => Field::guessed(unit, format!("`{text}` is taken as {meant}")),
            None => {
                let why = format!("`{text}` is no unit that is known here; config/SCHEMA.md lists them");
                notes.mended(cells.row, column, why, "written as a plain number, \"1\"");
                Field::guessed(Unit::One, format!("`{text}` is no unit that is known"))
            }
        },
        None => Field::guessed(Unit::One, "nothing says the unit"),
    }
}

fn no_value(cells: &Cells<'_>, encoding: Encoding, notes: &mut Notes) -> Vec<i64> {
    let is_number = !matches!(encoding, Encoding::F32 | Encoding::F64 | Encoding::Bit(_));
    let Some((column, text)) = cells.get(Meaning::NoValue).filter(|_| is_number) else { return Vec::new() };
    if is_thousands(text, ',') {
        let one = text.replace(',', "");
        notes.mended(
            cells.row,
            column,
            format!("`{text}` may be one count or several"),
            format!("read as {one}"),
        );
        return cells::no_value(&one, encoding).unwrap_or_default();
    }
    cells::no_value(text, encoding).unwrap_or_else(|| {
        notes.mended(
            cells.row,
            column,
            format!("`{text}` are no counts; accepted are 32767 or 0x7FFF"),
            "left aside",
        );
        Vec::new()
    })
}
