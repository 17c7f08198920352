//! The numbers of a row: scale, offset and range, with a reason where the list leaves them open or contradicts itself.

use super::Notes;
use super::cells;
use super::meaning::Meaning;
use super::row::Field;
use super::sheet::Cells;
use crate::commission::written::{Decimal, is_thousands, listed, short};
use setward_protocol::{Encoding, Unit};

/// No scale, offset or range of a plant is larger, and no scale but 0 smaller than one by this.
const LARGEST: f64 = 1e9;

/// A number of the list; a decimal point among decimal commas is told.
fn number(cells: &Cells<'_>, meaning: Meaning, decimal: Decimal, notes: &mut Notes) -> Option<f64> {
    let (column, text) = cells.get(meaning)?;
    let other = match decimal {
        Decimal::Comma => ('.', Decimal::Point),
        Decimal::Point => (',', Decimal::Comma),
    };
    let is_other = text.contains(other.0) && !is_thousands(text, other.0);
    let found = listed(text, if is_other { other.1 } else { decimal });
    match found.filter(|found| found.abs() <= LARGEST) {
        Some(found) if is_other => {
            notes.mended(
                cells.row,
                column,
                format!("`{text}` has its decimals behind `{}`, and the other rows have not", other.0),
                format!("read as {}", short(found)),
            );
            Some(found)
        }
        Some(found) => Some(found),
        None => {
            notes.mended(cells.row, column, format!("`{text}` is no number up to 1e9"), "left aside");
            None
        }
    }
}

pub(super) fn scale(cells: &Cells<'_>, decimal: Decimal, notes: &mut Notes) -> Field<f64> {
    if let Some((column, text)) = cells.get(Meaning::Scale) {
        let plain = listed(text, decimal).is_some()
            || text.chars().all(|letter| letter.is_ascii_digit() || ".,+-".contains(letter));
        let found = if plain {
            number(cells, Meaning::Scale, decimal, notes).map(|scale| (scale, None))
        } else {
            cells::scale(text, decimal)
        };
        return match found {
            Some((0.0, _)) => {
                notes.mended(cells.row, column, "a scale of 0 makes every value the same", "written as 1");
                Field::guessed(1.0, "the list says 0")
            }
            Some((scale, _)) if !(1.0 / LARGEST..=LARGEST).contains(&scale.abs()) => {
                notes.mended(
                    cells.row,
                    column,
                    format!("`{text}` is no scale of a plant's signal"),
                    "written as 1",
                );
                Field::guessed(1.0, format!("`{text}` is no scale"))
            }
            Some((scale, None)) => Field::said(scale),
            Some((scale, Some(why))) => Field::guessed(scale, format!("`{text}`: {why}")),
            None => {
                if !plain {
                    notes.mended(
                        cells.row,
                        column,
                        format!("`{text}` is no scale; accepted are 0.1, /10, 1/10, x10"),
                        "written as 1",
                    );
                }
                Field::guessed(1.0, format!("`{text}` is no scale"))
            }
        };
    }
    if let Some(divisor) =
        number(cells, Meaning::Divisor, decimal, notes).filter(|divisor| divisor.abs() >= 1.0 / LARGEST)
    {
        return Field::said(1.0 / divisor);
    }
    if let Some((column, text)) = cells.get(Meaning::Decimals) {
        if let Some(decimals) = text.parse::<i32>().ok().filter(|decimals| (0..=6).contains(decimals)) {
            return Field::said(10_f64.powi(-decimals));
        }
        notes.mended(
            cells.row,
            column,
            format!("`{text}` is no number of decimals; accepted are 0 to 6"),
            "left aside",
        );
    }
    Field::said(1.0)
}

/// A measured value in whole counts of one unit is rare: where no column tells the scale, 1 is a guess.
pub(super) fn doubted(scale: Field<f64>, cells: &Cells<'_>, encoding: Encoding, unit: Unit) -> Field<f64> {
    let is_told =
        [Meaning::Scale, Meaning::Divisor, Meaning::Decimals].iter().any(|meaning| cells.has(*meaning));
    let is_plain = unit == Unit::One || unit == Unit::Bit || !encoding.is_whole();
    if is_told || is_plain {
        return scale;
    }
    Field::guessed(scale.value, format!("no column says the scale; one count is taken as 1 {unit}"))
}

/// Fewer counts than this over the whole range are fewer than an instrument has.
const FEWEST_COUNTS: f64 = 50.0;

/// Some lists write by what the value is multiplied, not what one count is: a coarse scale is a guess.
pub(super) fn coarse(
    scale: Field<f64>,
    encoding: Encoding,
    range: &Field<(f64, f64)>,
    unit: Unit,
) -> Field<f64> {
    let (low, high) = range.value;
    let counts = (high - low) / scale.value.abs();
    let is_coarse =
        scale.value.abs() > 1.0 && encoding.is_whole() && range.guess.is_none() && counts < FEWEST_COUNTS;
    if !is_coarse || scale.guess.is_some() {
        return scale;
    }
    let one = short(scale.value);
    Field::guessed(
        scale.value,
        format!(
            "one count would be {one} {unit}, {counts:.0} of them the whole range: is the value multiplied by {one}? then 1/{one}"
        ),
    )
}

pub(super) fn offset(cells: &Cells<'_>, decimal: Decimal, notes: &mut Notes) -> f64 {
    number(cells, Meaning::Offset, decimal, notes).unwrap_or(0.0)
}

/// What the registers can hold at most, in the unit.
fn widest(encoding: Encoding, scale: f64, offset: f64) -> (f64, f64) {
    let (low, high) = match encoding {
        Encoding::I16 => (f64::from(i16::MIN), f64::from(i16::MAX)),
        Encoding::U16 => (0.0, f64::from(u16::MAX)),
        Encoding::I32 => (f64::from(i32::MIN), f64::from(i32::MAX)),
        Encoding::U32 => (0.0, f64::from(u32::MAX)),
        Encoding::I64 | Encoding::F32 | Encoding::F64 => (-1e9, 1e9),
        Encoding::U64 => (0.0, 1e9),
        Encoding::Bcd4 => (0.0, 9_999.0),
        Encoding::Bcd8 => (0.0, 99_999_999.0),
        Encoding::Bit(_) => (0.0, 1.0),
    };
    let ends = (low * scale + offset, high * scale + offset);
    if ends.0 <= ends.1 { ends } else { (ends.1, ends.0) }
}

pub(super) fn range(
    cells: &Cells<'_>,
    decimal: Decimal,
    (encoding, scale, offset): (&Field<Encoding>, f64, f64),
    unit: Unit,
    notes: &mut Notes,
) -> Field<(f64, f64)> {
    if unit == Unit::Bit {
        return Field::said((0.0, 1.0));
    }
    let low = number(cells, Meaning::Low, decimal, notes);
    let high = number(cells, Meaning::High, decimal, notes);
    let in_one = cells.get(Meaning::Range).map(|(column, text)| (column, text, cells::range(text, decimal)));
    let found = match (low.zip(high), in_one) {
        (Some((low, high)), _) => Some((cells.header(Meaning::Low), (low, high))),
        (None, Some((column, _, Some((low, high))))) if low.abs().max(high.abs()) <= LARGEST => {
            Some((column, (low, high)))
        }
        (None, Some((column, text, _))) => {
            notes.mended(
                cells.row,
                column,
                format!("`{text}` is no range; accepted are 0..250 or 0 to 250"),
                "left aside",
            );
            None
        }
        (None, None) => None,
    };
    match found {
        Some((_, (low, high))) if low < high => held(widest(encoding.value, scale, offset), (low, high)),
        Some((column, (low, high))) if low > high => {
            let why = format!("{} is above {}", short(low), short(high));
            notes.mended(cells.row, column, why.clone(), "the two are exchanged");
            Field::guessed(held(widest(encoding.value, scale, offset), (high, low)).value, why)
        }
        Some(_) | None => Field::guessed(
            widest(encoding.value, scale, offset),
            "nothing says the range; this is all that the registers can hold, and finds no mistake: narrow it",
        ),
    }
}

/// A range, of which the registers can hold that.
fn held((least, most): (f64, f64), (low, high): (f64, f64)) -> Field<(f64, f64)> {
    // A count beyond is rounding.
    let slack = (most - least) / 1e4;
    if low >= least - slack && high <= most + slack {
        return Field::said((low, high));
    }
    let why =
        format!("the registers hold {} to {} only: type, scale or range is wrong", short(least), short(most));
    // Of a range wholly beyond them no value could ever be good.
    let is_beyond = high < least || low > most;
    Field::guessed(if is_beyond { (least, most) } else { (low, high) }, why)
}
