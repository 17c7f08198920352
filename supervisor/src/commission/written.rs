//! Numbers as people and suppliers write them: "185.3", "185,3", "1.000,5", "0 degC".

use setward_protocol::Unit;

/// A number with what its digits promise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// The number.
    pub value: f64,
    /// Half of its last digit: how far the true value may be off when this is what a panel shows.
    pub half_digit: f64,
}

/// How a column of numbers uses point and comma.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decimal {
    /// "1,000.5"
    Point,
    /// "1.000,5"
    Comma,
}

/// A number as a panel shows it; comma or point before its decimals, no thousands.
///
/// # Errors
/// What was found and what to write.
pub fn shown(text: &str) -> Result<Shown, String> {
    let plain = text.trim().replace(',', ".");
    let looks_right = plain.chars().all(|letter| letter.is_ascii_digit() || "+-.".contains(letter));
    let value = plain.parse::<f64>().ok().filter(|value| looks_right && value.is_finite());
    let decimals = plain.split_once('.').map_or(0, |(_, digits)| digits.len());
    let refusal = || format!("`{}` is no number; write it as the panel shows it, such as 185.3", text.trim());
    let value = value.ok_or_else(refusal)?;
    let decimals = i32::try_from(decimals).unwrap_or(i32::MAX);
    Ok(Shown { value, half_digit: 0.5 * 10_f64.powi(-decimals) })
}

/// A number and a unit of a signal, such as "250 degC"; a number alone has the unit "1".
///
/// # Errors
/// What was found and what to write.
pub fn with_unit(text: &str) -> Result<(f64, Unit), String> {
    let text = text.trim();
    let end =
        text.find(|letter: char| !(letter.is_ascii_digit() || "+-.,".contains(letter))).unwrap_or(text.len());
    let (number, symbol) = text.split_at(end);
    let value = shown(number)?.value;
    let symbol = symbol.trim();
    if symbol.is_empty() {
        return Ok((value, Unit::One));
    }
    match Unit::from_signal_symbol(symbol) {
        Some(unit) => Ok((value, unit)),
        None => Err(format!(
            "`{symbol}` is no unit that is known here; write one such as degC, bar(g), m3/h, % or 1"
        )),
    }
}

/// A number of a list in which decimals are written as `decimal` says; thousands may be parted.
#[must_use]
pub fn listed(text: &str, decimal: Decimal) -> Option<f64> {
    let (thousands, point) = match decimal {
        Decimal::Point => (',', '.'),
        Decimal::Comma => ('.', ','),
    };
    if text.contains(thousands) && !is_thousands(text, thousands) {
        return None;
    }
    let plain: String =
        text.trim().chars().filter(|letter| !is_blank(*letter) && *letter != thousands).collect();
    let plain = plain.replace(point, ".").replace('\u{2212}', "-");
    let starts_well = plain.starts_with(|letter: char| letter.is_ascii_digit() || "+-.".contains(letter));
    plain.parse::<f64>().ok().filter(|value| starts_well && value.is_finite())
}

fn is_blank(letter: char) -> bool {
    letter.is_whitespace() || letter == '\u{a0}' || letter == '\''
}

/// Whether every `separator` of a number can part thousands, as in "1,000" and "-12,000,000.5"; nobody parts "0,001" or "1,25" so.
#[must_use]
pub fn is_thousands(text: &str, separator: char) -> bool {
    let decimals = if separator == ',' { '.' } else { ',' };
    let (whole, behind) = text.split_once(decimals).unwrap_or((text, ""));
    let mut groups = whole.split(separator).map(str::trim);
    let first = groups.next().unwrap_or_default().trim_start_matches(['+', '-', '\u{2212}']).trim();
    let are_digits = |group: &str| group.chars().all(|letter| letter.is_ascii_digit());
    let begins_well = matches!(first.len(), 1..=3) && are_digits(first) && !first.starts_with('0');
    let mut count = 0;
    let are_three = groups.all(|group| {
        count += 1;
        group.len() == 3 && are_digits(group)
    });
    begins_well && are_three && count > 0 && !behind.contains(separator)
}

/// A number for people: up to six digits, no trailing zeros.
#[must_use]
pub fn short(number: f64) -> String {
    if number == 0.0 || !number.is_finite() {
        return format!("{number}");
    }
    let size = number.abs();
    if !(1e-4..1e9).contains(&size) {
        return format!("{number:.3e}");
    }
    let digits = (5.0 - size.log10().floor()).clamp(0.0, 9.0) as usize;
    let text = format!("{number:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panels_digits_say_how_sure_it_is() {
        assert_eq!(shown("185.3"), Ok(Shown { value: 185.3, half_digit: 0.05 }));
        assert_eq!(shown("-3,25"), Ok(Shown { value: -3.25, half_digit: 0.005 }));
        assert_eq!(shown(" 12 "), Ok(Shown { value: 12.0, half_digit: 0.5 }));
        for wrong in ["", "warm", "1e400", "1.2.3", "nan", "inf"] {
            assert!(shown(wrong).is_err_and(|told| told.contains("such as 185.3")), "{wrong}");
        }
    }

    #[test]
    fn a_range_has_a_known_unit() {
        assert_eq!(with_unit("250 degC"), Ok((250.0, Unit::DegC)));
        assert_eq!(with_unit("-1,5bar(g)"), Ok((-1.5, Unit::BarGauge)));
        assert_eq!(with_unit("4095"), Ok((4095.0, Unit::One)));
        assert!(with_unit("3 furlongs").is_err_and(|told| told.contains("furlongs")));
    }

    #[test]
    fn thousands_and_decimals_on_both_sides_of_the_ocean() {
        assert_eq!(listed("1.000,5", Decimal::Comma), Some(1000.5));
        assert_eq!(listed("1,000.5", Decimal::Point), Some(1000.5));
        assert_eq!(listed("0,1", Decimal::Comma), Some(0.1));
        assert_eq!(listed("-40", Decimal::Point), Some(-40.0));
        assert_eq!(listed("n/a", Decimal::Point), None);
        assert_eq!(listed("0,001", Decimal::Comma), Some(0.001));
        assert_eq!(listed("0,001", Decimal::Point), None, "no thousands begin with 0");
        assert_eq!(listed("1,25", Decimal::Point), None);
        assert_eq!(listed("", Decimal::Comma), None);
    }

    #[test]
    fn only_groups_of_three_behind_a_number_that_is_not_zero_are_thousands() {
        for text in ["1,000", "-12,500", "1,000,000", "999,999.25", "\u{2212}1,250"] {
            assert!(is_thousands(text, ','), "{text}");
        }
        for text in ["0,001", "0,125", "1,25", "1,0000", "1000,000", "1000", "0.5,000", ",500", "1,00a"] {
            assert!(!is_thousands(text, ','), "{text}");
        }
        assert!(is_thousands("1.000,5", '.') && !is_thousands("1.000,5", ','));
    }

    #[test]
    fn numbers_for_people_are_short() {
        assert_eq!(short(185.300_003), "185.3");
        assert_eq!(short(0.1), "0.1");
        assert_eq!(short(-2.7e23), "-2.700e23");
        assert_eq!(short(0.0), "0");
    }
}
