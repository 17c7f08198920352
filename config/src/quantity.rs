//! Quantities as people write them: "186 degC", "0.25 m/s", "360 K.s". Everything becomes a number in a unit the caller
//! names; whether a temperature is a point or a difference is the caller's to say.
//!
//! Nothing here knows files or keys.

use crate::problem::quoted;
use setward_protocol::{Dimension, Unit};
use std::time::Duration;

/// What a file holds where a quantity belongs.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Quantity {
    /// Text, hopefully a number and a unit.
    Text(String),
    /// A bare number.
    Number(f64),
}

/// Why a quantity is refused, and what to write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Refusal {
    /// What was found: "has no unit".
    pub(crate) found: String,
    /// What to write.
    pub(crate) hint: String,
}

/// Longest time a file can ask for, s.
const LONGEST_S: f64 = 366.0 * 86_400.0;

/// A point on the scale of `unit`, in `unit`.
pub(crate) fn point(quantity: &Quantity, unit: Unit) -> Result<f64, Refusal> {
    in_unit(quantity, unit)
}

/// A difference of two values in `unit`, in `unit`. A difference of temperatures takes K, degC and degF, one of gauge
/// pressures also bar, kPa and psi.
pub(crate) fn difference(quantity: &Quantity, unit: Unit) -> Result<f64, Refusal> {
    let found = in_unit(quantity, unit.of_difference());
    match (found, without_gauge(unit)) {
        (Err(refusal), Some(plain)) => in_unit(quantity, plain).map_err(|_| refusal),
        (found, Some(_) | None) => found,
    }
}

/// The same size of pressure unit, not counted from the atmosphere.
fn without_gauge(unit: Unit) -> Option<Unit> {
    let plain = unit.symbol().strip_suffix("(g)")?;
    Unit::from_symbol(plain, Dimension::Pressure)
}

/// A time.
pub(crate) fn time(quantity: &Quantity) -> Result<Duration, Refusal> {
    let seconds = in_unit(quantity, Unit::Second)?;
    if (0.0..=LONGEST_S).contains(&seconds) {
        return Ok(Duration::from_secs_f64(seconds));
    }
    let found = if seconds < 0.0 { "is negative" } else { "is longer than a year" };
    Err(Refusal { found: found.to_owned(), hint: "a time is between \"0 s\" and \"366 d\"".to_owned() })
}

/// A time as a person writes it on a command line: "30 s", "8 min".
///
/// # Errors
/// What was found, and what to write instead.
pub fn parse_time(text: &str) -> Result<Duration, String> {
    let found = time(&Quantity::Text(text.to_owned()));
    found.map_err(|refusal| format!("{} {}; {}", quoted(text), refusal.found, refusal.hint))
}

/// A length, m.
pub(crate) fn length_m(quantity: &Quantity) -> Result<f64, Refusal> {
    in_unit(quantity, Unit::Metre)
}

/// How much exposure, as written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Exposure {
    /// An area, in the signal's unit times seconds.
    Area(f64),
    /// A time, s.
    Time(f64),
}

/// An area ("240 K.s") or a time ("80 s") for a signal in `unit`.
pub(crate) fn exposure(quantity: &Quantity, unit: Unit) -> Result<Exposure, Refusal> {
    let difference = unit.of_difference();
    let hint = format!("write an area such as \"240 {difference}.s\", or a time such as \"80 s\"");
    let Quantity::Text(text) = quantity else {
        return Err(Refusal { found: "has no unit".to_owned(), hint });
    };
    let (number, symbol) = split(text)?;
    let Some((left, right)) = symbol.rsplit_once('.') else {
        if Unit::from_symbol(symbol, Dimension::Time).is_some() {
            return time(quantity).map(|time| Exposure::Time(time.as_secs_f64()));
        }
        let found = match symbol {
            "" => "has no unit".to_owned(),
            symbol => format!("has the unit {}, which is neither an area nor a time", quoted(symbol)),
        };
        return Err(Refusal { found, hint });
    };
    let per_unit = accepted_unit(left, difference).and_then(|from| from.convert(1.0, difference));
    let per_time = Unit::from_symbol(right, Dimension::Time).and_then(|from| from.convert(1.0, Unit::Second));
    match (per_unit, per_time) {
        (Some(per_unit), Some(per_time)) => finite(number * per_unit * per_time).map(Exposure::Area),
        (None, _) | (_, None) => Err(Refusal {
            found: format!("has the unit {}, which is no area of this signal", quoted(symbol)),
            hint,
        }),
    }
}

fn in_unit(quantity: &Quantity, unit: Unit) -> Result<f64, Refusal> {
    let plain = matches!(unit.dimension(), Dimension::Number | Dimension::Bit);
    match quantity {
        Quantity::Number(number) if plain => Ok(*number),
        Quantity::Number(number) => {
            Err(Refusal { found: "has no unit".to_owned(), hint: spellings(*number, unit) })
        }
        Quantity::Text(_) if plain => Err(Refusal {
            found: "is text".to_owned(),
            hint: "write a plain number without quotes: the signal has no unit".to_owned(),
        }),
        Quantity::Text(text) => {
            let (number, symbol) = split(text)?;
            let found = accepted_unit(symbol, unit).and_then(|from| from.convert(number, unit));
            found.ok_or_else(|| other_unit(number, symbol, unit)).and_then(finite)
        }
    }
}

/// The unit that `symbol` means where a quantity of `unit`'s dimension belongs.
fn accepted_unit(symbol: &str, unit: Unit) -> Option<Unit> {
    let dimension = unit.dimension();
    let is_kelvin = dimension == Dimension::TemperatureDifference && symbol == "degC";
    if is_kelvin { Some(Unit::Kelvin) } else { Unit::from_symbol(symbol, dimension) }
}

/// A number can be too large to be kept, as written or once it is converted.
fn finite(number: f64) -> Result<f64, Refusal> {
    let hint = "write a number with up to 15 digits".to_owned();
    let refusal = Refusal { found: "is too large a number".to_owned(), hint };
    if number.is_finite() { Ok(number) } else { Err(refusal) }
}

/// The unit that people mean by a usual other spelling of it.
pub(crate) fn meant_by(symbol: &str) -> Option<&'static str> {
    const SPELLINGS: [(&str, &[&str]); 14] = [
        ("degC", &["C", "°C", "deg C", "celsius", "Celsius"]),
        ("degF", &["F", "°F", "deg F", "fahrenheit", "Fahrenheit"]),
        ("K", &["kelvin", "Kelvin", "°K", "degK"]),
        ("s", &["sec", "secs", "second", "seconds"]),
        ("min", &["mins", "minute", "minutes"]),
        ("h", &["hr", "hrs", "hour", "hours"]),
        ("%", &["percent", "pct"]),
        ("m3/h", &["m³/h", "m^3/h", "cbm/h"]),
        ("L/min", &["l/min", "lpm", "LPM"]),
        ("gal/min", &["gpm", "GPM"]),
        ("ft/min", &["fpm", "FPM"]),
        ("bar(g)", &["barg", "bar g"]),
        ("psi(g)", &["psig", "PSIG"]),
        ("1", &["", "-", "none", "count"]),
    ];
    SPELLINGS.iter().find(|(_, others)| others.contains(&symbol)).map(|(unit, _)| *unit)
}

/// Number and unit of `text`. A blank between the two is usual, not needed.
fn split(text: &str) -> Result<(f64, &str), Refusal> {
    let text = text.trim();
    if let Some(refusal) = typed_otherwise(text) {
        return Err(refusal);
    }
    let is_number = |letter: char| letter.is_ascii_digit() || matches!(letter, '+' | '-' | '.' | ',');
    let end = text
        .find(char::is_whitespace)
        .or_else(|| text.find(|letter| !is_number(letter)))
        .unwrap_or(text.len());
    let (number, symbol) = text.split_at(end);
    let symbol = symbol.trim();
    let usual = "write a number, a blank and a unit, such as \"12 h\"";
    if number.contains(',') {
        let hint = without_comma(number, symbol);
        return Err(Refusal { found: "has a comma in its number".to_owned(), hint });
    }
    let value = number.parse::<f64>().ok();
    let starts_well =
        number.starts_with(|letter: char| letter.is_ascii_digit() || matches!(letter, '+' | '-' | '.'));
    match value {
        Some(value) if starts_well => finite(value).map(|value| (value, symbol)),
        Some(_) | None => {
            Err(Refusal { found: "does not start with a number".to_owned(), hint: usual.to_owned() })
        }
    }
}

/// How to write a number with commas. One with groups of three digits may be meant in two ways, a thousand times apart.
fn without_comma(number: &str, symbol: &str) -> String {
    let (plain, point) = (number.replace(',', ""), number.replace(',', "."));
    if let Some((before, after)) = number.rsplit_once(',').filter(|_| number.contains('.')) {
        // Of a point and a comma, the last one is before the decimals.
        let is_decimal = !after.contains('.');
        let meant = if is_decimal { format!("{}.{after}", before.replace(['.', ','], "")) } else { plain };
        return format!("write \"{meant} {symbol}\"");
    }
    let digits = number.trim_start_matches(['+', '-']);
    let mut groups = digits.split(',');
    let first = groups.next().map_or(0, str::len);
    let is_grouped = (1..=3).contains(&first) && groups.all(|group| group.len() == 3);
    match number.matches(',').count() {
        1 if is_grouped && !digits.starts_with('0') => {
            format!(
                "write \"{plain} {symbol}\" if the comma parts thousands, \"{point} {symbol}\" if decimals follow it"
            )
        }
        1 => format!("write a point: \"{point} {symbol}\""),
        _ => format!("write \"{plain} {symbol}\""),
    }
}

/// A number with another sign than that of a keyboard, a blank after its sign, or blanks between its digits.
fn typed_otherwise(text: &str) -> Option<Refusal> {
    let signs = ['-', '+', '\u{2212}', '\u{2010}', '\u{2011}', '\u{2013}', '\u{2014}'];
    let sign = text.chars().next().filter(|first| signs.contains(first));
    let rest = text.trim_start_matches(signs).trim_start();
    let ends = rest.find(|letter: char| !letter.is_ascii_digit() && !letter.is_whitespace() && letter != '.');
    let (digits, symbol) = rest.split_at(ends.unwrap_or(rest.len()));
    let digits = digits.trim_end();
    let is_parted = digits.contains(char::is_whitespace);
    let found = match sign {
        Some(sign) if !sign.is_ascii() => {
            format!("begins with the character `{sign}` (U+{:04X}), which is no minus", u32::from(sign))
        }
        Some(sign) if text.trim_start_matches(sign).starts_with(char::is_whitespace) => {
            "has a blank after its sign".to_owned()
        }
        Some(_) | None if is_parted => "has a blank in its number".to_owned(),
        Some(_) | None => return None,
    };
    if !digits.starts_with(|letter: char| letter.is_ascii_digit() || letter == '.') {
        return None;
    }
    let sign = match sign {
        Some('+') | None => "",
        Some(_) => "-",
    };
    let joined: String = digits.split_whitespace().collect();
    Some(Refusal { found, hint: format!("write \"{}\"", format!("{sign}{joined} {symbol}").trim_end()) })
}

fn other_unit(number: f64, symbol: &str, unit: Unit) -> Refusal {
    let accepted = accepted_symbols(unit);
    if symbol.is_empty() {
        return Refusal { found: "has no unit".to_owned(), hint: spellings(number, unit) };
    }
    let is_known = Unit::from_signal_symbol(symbol).is_some();
    let found = if is_known {
        found_instead(symbol, unit)
    } else {
        format!("has the unknown unit {}", quoted(symbol))
    };
    let hint = match meant_by(symbol).filter(|meant| accepted.contains(meant)) {
        Some(meant) => format!("write \"{} {meant}\"", short(number)),
        None => format!("a {} takes {}", dimension_name(unit.dimension()), accepted.join(", ")),
    };
    Refusal { found, hint }
}

/// A known unit of the wrong dimension.
fn found_instead(symbol: &str, unit: Unit) -> String {
    let found =
        Unit::from_signal_symbol(symbol).map_or("quantity", |found| dimension_name(found.dimension()));
    format!("is in {}, a {found}, where a {} belongs", quoted(symbol), dimension_name(unit.dimension()))
}

/// Every spelling that is accepted where a quantity of `unit`'s dimension belongs.
fn accepted_symbols(unit: Unit) -> Vec<&'static str> {
    let dimension = unit.dimension();
    let mut symbols: Vec<&'static str> =
        Unit::ALL.iter().filter(|unit| unit.dimension() == dimension).map(|unit| unit.symbol()).collect();
    if dimension == Dimension::TemperatureDifference {
        symbols.insert(1, "degC");
    }
    symbols
}

/// The two right ways to write the bare `number` if it was meant in `unit`.
fn spellings(number: f64, unit: Unit) -> String {
    let first = format!("\"{} {unit}\"", short(number));
    match second_unit(unit, number).and_then(|second| Some((second, unit.convert(number, second)?))) {
        Some((second, converted)) => format!("write {first} or \"{} {second}\"", short(converted)),
        None => format!("write {first}"),
    }
}

/// Another common unit of the same dimension.
fn second_unit(unit: Unit, number: f64) -> Option<Unit> {
    if unit == Unit::Second {
        return Some(if number >= 60.0 { Unit::Minute } else { Unit::Millisecond });
    }
    let preferred = [
        Unit::DegF,
        Unit::DegFDifference,
        Unit::Psi,
        Unit::PsiGauge,
        Unit::Pound,
        Unit::PoundPerHour,
        Unit::Gallon,
        Unit::GallonPerMinute,
        Unit::Foot,
        Unit::FootPerMinute,
        Unit::Minute,
        Unit::DegC,
        Unit::Kelvin,
        Unit::Bar,
        Unit::BarGauge,
        Unit::Kilogram,
        Unit::KilogramPerHour,
        Unit::Litre,
        Unit::LitrePerMinute,
        Unit::Metre,
        Unit::MetrePerMinute,
        Unit::Second,
    ];
    preferred.into_iter().find(|other| *other != unit && other.dimension() == unit.dimension())
}

/// A time for people: "500 ms", "90 s", "2 h".
pub(crate) fn show_time(time: Duration) -> String {
    let seconds = time.as_secs_f64();
    let whole_in = |unit_s: u64| {
        time.subsec_nanos() == 0 && time.as_secs() >= unit_s && time.as_secs().is_multiple_of(unit_s)
    };
    if seconds < 1.0 && seconds > 0.0 {
        format!("{} ms", short(seconds * 1e3))
    } else if whole_in(3600) {
        format!("{} h", time.as_secs() / 3600)
    } else if whole_in(60) {
        format!("{} min", time.as_secs() / 60)
    } else {
        format!("{} s", short(seconds))
    }
}

/// Six significant digits, no trailing zeros.
pub(crate) fn short(number: f64) -> String {
    if number == 0.0 || !number.is_finite() {
        return format!("{number}");
    }
    let magnitude = number.abs().log10().floor();
    let digits = (5.0 - magnitude).clamp(0.0, 12.0) as usize;
    let text = format!("{number:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// What people call the dimension.
pub(crate) const fn dimension_name(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Temperature => "temperature",
        Dimension::TemperatureDifference => "temperature difference",
        Dimension::Pressure => "pressure difference",
        Dimension::GaugePressure => "gauge pressure",
        Dimension::Mass => "mass",
        Dimension::MassFlow => "mass flow",
        Dimension::Volume => "volume",
        Dimension::VolumeFlow => "volume flow",
        Dimension::Length => "length",
        Dimension::Speed => "speed",
        Dimension::Time => "time",
        Dimension::Current => "current",
        Dimension::Power => "power",
        Dimension::HeatTransfer => "heat transfer",
        Dimension::Density => "density",
        Dimension::HeatCapacity => "heat capacity",
        Dimension::Share => "share",
        Dimension::Number => "number",
        Dimension::Bit => "bit",
    }
}
