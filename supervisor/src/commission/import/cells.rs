//! One cell to a value: types, orders, units, scales, as suppliers spell them.

use crate::commission::written::{Decimal, listed};
use setward_protocol::{ByteOrder, Encoding, Table, Unit};

/// A type of a register list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ListedType {
    /// A number.
    Number(Encoding),
    /// A single bit.
    Bit,
}

fn plain(text: &str) -> String {
    text.chars().filter(|letter| letter.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// The type that a list means.
pub(super) fn listed_type(text: &str) -> Option<ListedType> {
    use ListedType::{Bit, Number};
    const NAMES: [(&[&str], ListedType); 11] = [
        (
            &[
                "i16",
                "int16",
                "sint16",
                "s16",
                "int",
                "short",
                "signed",
                "signed16",
                "signed16bit",
                "16bitsigned",
                "int16t",
                "integer",
            ],
            Number(Encoding::I16),
        ),
        (
            &[
                "u16",
                "uint16",
                "word",
                "unsigned",
                "unsigned16",
                "unsigned16bit",
                "16bitunsigned",
                "uint",
                "uint16t",
                "ushort",
                "16bit",
            ],
            Number(Encoding::U16),
        ),
        (
            &["i32", "int32", "dint", "long", "sint32", "s32", "signed32", "32bitsigned", "int32t"],
            Number(Encoding::I32),
        ),
        (
            &["u32", "uint32", "dword", "udint", "ulong", "unsigned32", "32bitunsigned", "uint32t"],
            Number(Encoding::U32),
        ),
        (
            &[
                "f32",
                "float",
                "real",
                "float32",
                "single",
                "ieee754",
                "32bitfloat",
                "ieee754float",
                "floatingpoint",
                "real32",
            ],
            Number(Encoding::F32),
        ),
        (&["f64", "double", "lreal", "float64", "real64", "64bitfloat"], Number(Encoding::F64)),
        (&["i64", "int64", "lint", "s64"], Number(Encoding::I64)),
        (&["u64", "uint64", "ulint", "lword"], Number(Encoding::U64)),
        (&["bcd", "bcd4", "bcd16"], Number(Encoding::Bcd4)),
        (&["bcd8", "bcd32"], Number(Encoding::Bcd8)),
        (&["bool", "boolean", "bit", "binary", "digital", "flag"], Bit),
    ];
    let text = plain(text);
    NAMES.iter().find(|(names, _)| names.contains(&text.as_str())).map(|(_, found)| *found)
}

/// The order that a list means.
pub(super) fn order(text: &str) -> Option<ByteOrder> {
    let upper = text.trim().to_uppercase();
    ByteOrder::from_name(&upper).or_else(|| {
        let text = plain(text);
        let is = |words: &[&str]| words.contains(&text.as_str());
        if is(&["big", "bigendian", "highwordfirst", "msw", "mswfirst", "hilo", "normal", "no"]) {
            Some(ByteOrder::Abcd)
        } else if is(&[
            "wordswap",
            "wordswapped",
            "swapped",
            "lowwordfirst",
            "lsw",
            "lswfirst",
            "lohi",
            "yes",
            "swap",
        ]) {
            Some(ByteOrder::Cdab)
        } else if is(&["little", "littleendian"]) {
            Some(ByteOrder::Dcba)
        } else if is(&["byteswap", "byteswapped"]) {
            Some(ByteOrder::Badc)
        } else {
            None
        }
    })
}

/// The table that a list means, by name or by function code.
pub(super) fn table(text: &str) -> Option<Table> {
    let text = plain(text);
    let has = |words: &[&str]| words.iter().any(|word| text == *word);
    if has(&[
        "holding",
        "holdingregister",
        "holdingregisters",
        "hr",
        "3",
        "03",
        "fc3",
        "fc03",
        "4x",
        "0306",
        "036",
        "3616",
        "030616",
        "fc03fc06",
        "fc0306",
    ]) {
        Some(Table::Holding)
    } else if has(&["input", "inputregister", "inputregisters", "ir", "4", "04", "fc4", "fc04", "3x"]) {
        Some(Table::Input)
    } else if has(&["coil", "coils", "1", "01", "fc1", "fc01", "digitaloutput", "0x"]) {
        Some(Table::Coil)
    } else if has(&[
        "discrete",
        "discreteinput",
        "discreteinputs",
        "di",
        "2",
        "02",
        "fc2",
        "fc02",
        "digitalinput",
        "1x",
    ]) {
        Some(Table::Discrete)
    } else {
        None
    }
}

/// A unit, and why if it is not spelt as the files spell it.
pub(super) fn unit(text: &str) -> Option<(Unit, Option<&'static str>)> {
    const SPELLINGS: [(&[&str], Unit, &str); 16] = [
        (&["°c", "c", "deg c", "degc", "celsius", "grad c", "\u{fffd}c"], Unit::DegC, "degrees Celsius"),
        (&["°f", "f", "deg f", "degf", "fahrenheit"], Unit::DegF, "degrees Fahrenheit"),
        (&["percent", "pct", "% open", "%rh"], Unit::Percent, "percent"),
        (&["m³/h", "m^3/h", "cbm/h", "m3/hr", "qm/h"], Unit::CubicMetrePerHour, "cubic metres an hour"),
        (&["l/min", "lpm", "ltr/min"], Unit::LitrePerMinute, "litres a minute"),
        (&["gpm"], Unit::GallonPerMinute, "US gallons a minute"),
        (&["barg", "bar g", "bar(ü)", "barü"], Unit::BarGauge, "bar above the atmosphere"),
        (&["psig"], Unit::PsiGauge, "psi above the atmosphere"),
        (&["inwc", "in wc", "inh2o", "\"wc"], Unit::InchOfWater, "inches of water"),
        (&["fpm", "ft/min."], Unit::FootPerMinute, "feet a minute"),
        (&["sec", "secs", "seconds"], Unit::Second, "seconds"),
        (&["mins", "minutes"], Unit::Minute, "minutes"),
        (&["hr", "hrs", "hours"], Unit::Hour, "hours"),
        (&["l", "ltr", "litre", "liter"], Unit::Litre, "litres"),
        (&["amp", "amps"], Unit::Ampere, "amperes"),
        (
            &[
                "-", "none", "n/a", "count", "counts", "rpm", "hz", "1/min", "u/min", "code", "enum",
                "state", "pcs", "%/s",
            ],
            Unit::One,
            "a plain number: no such unit here",
        ),
    ];
    let text = text.trim();
    if let Some(unit) = Unit::from_signal_symbol(text) {
        return Some((unit, None));
    }
    let lower = text.to_lowercase();
    // These can't mean anything else.
    let sure = [
        ("\u{b0}c", Unit::DegC),
        ("\u{b0}f", Unit::DegF),
        ("m\u{b3}/h", Unit::CubicMetrePerHour),
        ("percent", Unit::Percent),
    ];
    if let Some((_, unit)) = sure.iter().find(|(name, _)| *name == lower) {
        return Some((*unit, None));
    }
    SPELLINGS
        .iter()
        .find(|(names, _, _)| names.contains(&lower.as_str()))
        .map(|(_, unit, meant)| (*unit, Some(*meant)))
}

/// The value of one count: "0.1", "x0.1", "/10", "1/10", "\u{f7}10", "x10" where a register holds ten times the value.
pub(super) fn scale(text: &str, decimal: Decimal) -> Option<(f64, Option<&'static str>)> {
    let text = text.trim().trim_start_matches(['*', '\u{d7}']).trim();
    if let Some(divisor) = text.strip_prefix("1/").or_else(|| text.strip_prefix(['/', '\u{f7}', ':'])) {
        let divisor = listed(divisor, decimal)?;
        return (divisor != 0.0).then(|| (1.0 / divisor, Some("the register is divided by it")));
    }
    if let Some(times) = text.strip_prefix(['x', 'X']) {
        let times = listed(times, decimal)?;
        // "x10" on a register list nearly always means that the register holds ten times the value.
        return if times > 1.0 {
            Some((1.0 / times, Some("taken as: the register holds so many times the value")))
        } else {
            Some((times, None))
        };
    }
    listed(text, decimal).map(|scale| (scale, None))
}

/// Lowest and highest in one cell: "0..250", "0 - 250 °C", "-40 to 60".
pub(super) fn range(text: &str, decimal: Decimal) -> Option<(f64, f64)> {
    let text = text.trim();
    let numbers_end = text.rfind(|letter: char| letter.is_ascii_digit())? + 1;
    let text = text.get(..numbers_end)?;
    let (low, high) = text
        .split_once("...")
        .or_else(|| text.split_once(".."))
        .or_else(|| text.split_once("\u{2026}"))
        .or_else(|| text.split_once(" to "))
        .or_else(|| text.split_once(" bis "))
        .or_else(|| text.split_once('\u{2013}'))
        .or_else(|| {
            // A minus in front of the first number parts nothing.
            let at = text.char_indices().skip(1).find(|(_, letter)| *letter == '-')?.0;
            Some((text.get(..at)?, text.get(at + 1..)?))
        })?;
    Some((listed(low, decimal)?, listed(high, decimal)?))
}

/// Counts that mean "no value": "32767", "0x7FFF", "8000h", some of them parted by blanks or semicolons.
pub(super) fn no_value(text: &str, encoding: Encoding) -> Option<Vec<i64>> {
    let one = |text: &str| {
        let text = text.trim().to_lowercase();
        let hex = text.strip_prefix("0x").or_else(|| text.strip_suffix('h'));
        let number = match hex {
            Some(hex) => i64::from_str_radix(hex, 16).ok()?,
            None => text.parse().ok()?,
        };
        // 8000h of a signed register is its lowest number.
        let signed = match encoding {
            Encoding::I16 if (0x8000..=0xFFFF).contains(&number) => number - 0x1_0000,
            Encoding::I32 if (0x8000_0000..=0xFFFF_FFFF).contains(&number) => number - 0x1_0000_0000,
            Encoding::I16
            | Encoding::I32
            | Encoding::U16
            | Encoding::U32
            | Encoding::U64
            | Encoding::I64
            | Encoding::F32
            | Encoding::F64
            | Encoding::Bcd4
            | Encoding::Bcd8
            | Encoding::Bit(_) => number,
        };
        Some(signed)
    };
    text.split([';', ' ', '/', ',']).filter(|part| !part.is_empty()).map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn types_orders_tables_and_units_as_suppliers_spell_them() {
        assert_eq!(listed_type("INT16"), Some(ListedType::Number(Encoding::I16)));
        assert_eq!(listed_type("Float (IEEE-754)"), None, "not a name that is known");
        assert_eq!(listed_type("IEEE-754 float"), Some(ListedType::Number(Encoding::F32)));
        assert_eq!(listed_type("DWORD"), Some(ListedType::Number(Encoding::U32)));
        assert_eq!(listed_type("BOOL"), Some(ListedType::Bit));
        assert_eq!(order("low word first"), Some(ByteOrder::Cdab));
        assert_eq!(order("cdab"), Some(ByteOrder::Cdab));
        assert_eq!(order("sideways"), None);
        assert_eq!(table("FC 04"), Some(Table::Input));
        assert_eq!(table("Holding register"), Some(Table::Holding));
        assert_eq!(unit("°C").map(|(unit, _)| unit), Some(Unit::DegC));
        assert_eq!(unit("m3/h"), Some((Unit::CubicMetrePerHour, None)));
        assert_eq!(unit("furlong"), None);
    }

    #[test]
    fn scales_in_every_spelling() {
        let value = |text: &str, decimal| scale(text, decimal).map(|(scale, _)| scale);
        assert_eq!(value("0.1", Decimal::Point), Some(0.1));
        assert_eq!(value("0,1", Decimal::Comma), Some(0.1));
        assert_eq!(value("/10", Decimal::Point), Some(0.1));
        assert_eq!(value("1/100", Decimal::Point), Some(0.01));
        assert_eq!(value("x10", Decimal::Point), Some(0.1));
        assert_eq!(value("x0.1", Decimal::Point), Some(0.1));
        assert_eq!(value("/0", Decimal::Point), None);
        assert_eq!(value("tenths", Decimal::Point), None);
    }

    #[test]
    fn ranges_in_every_spelling() {
        assert_eq!(range("0..250", Decimal::Point), Some((0.0, 250.0)));
        assert_eq!(range("-40 to 60 °C", Decimal::Point), Some((-40.0, 60.0)));
        assert_eq!(range("-10-10", Decimal::Point), Some((-10.0, 10.0)));
        assert_eq!(range("0 \u{2013} 6,5 bar", Decimal::Comma), Some((0.0, 6.5)));
        assert_eq!(range("250", Decimal::Point), None);
        assert_eq!(range("", Decimal::Point), None);
    }

    #[test]
    fn no_value_codes_know_their_sign() {
        assert_eq!(no_value("0x7FFF; 8000h", Encoding::I16), Some(vec![32_767, -32_768]));
        assert_eq!(no_value("65535", Encoding::U16), Some(vec![65_535]));
        assert_eq!(no_value("open", Encoding::U16), None);
    }
}
