//! What people type, read: numbers with a decimal point or comma, passed or failed, the time of a sample.

use super::Typed;
use setward_config::line::{EntryKind, LineEntry};
use setward_protocol::Unit;

/// Longest text beside a value, characters.
const LONGEST_TEXT: usize = 200;

/// What was typed for an entry: a number; `passed` or `failed`; or three numbers apart by spaces or semicolons, as found, as
/// left, and what was right. The entry's own unit may stand behind a number.
///
/// # Errors
/// What was found, and what is accepted.
pub fn typed(entry: &LineEntry, text: &str) -> Result<Typed, String> {
    let text = text.trim();
    match entry.kind {
        EntryKind::Number => number(text, entry.unit).map(Typed::Number),
        EntryKind::Check => match text.to_ascii_lowercase().as_str() {
            "passed" | "pass" | "ok" | "1" => Ok(Typed::Check(true)),
            "failed" | "fail" | "0" => Ok(Typed::Check(false)),
            _ => Err(format!("\"{}\" is neither passed nor failed", shown(text))),
        },
        EntryKind::Calibration => {
            let parts: Vec<&str> =
                text.split([' ', ';', '/']).map(str::trim).filter(|part| !part.is_empty()).collect();
            let parts: Vec<&str> = parts.into_iter().filter(|part| *part != entry.unit.symbol()).collect();
            let &[found, left, right] = parts.as_slice() else {
                return Err(format!(
                    "\"{}\" is not three numbers: as found, as left, and what was right, such as \"181.2 182.0 182.1\"",
                    shown(text)
                ));
            };
            let read = |part: &str| number(part, entry.unit);
            Ok(Typed::Calibration { found: read(found)?, left: read(left)?, right: read(right)? })
        }
    }
}

/// A number; a comma is a decimal comma. Its own unit may follow, any other is refused.
///
/// # Errors
/// What was found, and what is accepted.
pub fn number(text: &str, unit: Unit) -> Result<f64, String> {
    let (digits, behind) = text.split_at(
        text.find(|letter: char| !(letter.is_ascii_digit() || "+-.,".contains(letter))).unwrap_or(text.len()),
    );
    let behind = behind.trim();
    let is_own = behind.is_empty() || behind == unit.symbol() || behind == unit.display();
    if !is_own && !digits.is_empty() {
        return Err(format!("\"{}\" is in another unit; it is entered in {unit}", shown(text)));
    }
    let separators = digits.chars().filter(|letter| ".,".contains(*letter)).count();
    let value = digits.replace(',', ".").parse::<f64>().ok().filter(|value| value.is_finite());
    match value {
        Some(value) if is_own && separators <= 1 => Ok(value),
        Some(_) | None => {
            Err(format!("\"{}\" is no number; write it like 1.3 or 1,3, in {unit}", shown(text)))
        }
    }
}

/// Text beside a value: trimmed, `None` if nothing is left.
///
/// # Errors
/// When it is too long or holds line breaks.
pub fn beside(text: &str) -> Result<Option<String>, String> {
    let text = text.trim();
    if text.chars().count() > LONGEST_TEXT || text.chars().any(char::is_control) {
        return Err(format!(
            "a text beside a value has at most {LONGEST_TEXT} characters and no line breaks"
        ));
    }
    Ok((!text.is_empty()).then(|| text.to_owned()))
}

fn shown(text: &str) -> String {
    text.chars().filter(|letter| !letter.is_control()).take(40).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comma_is_a_decimal_point_and_the_own_unit_may_follow() {
        for (text, value) in
            [("1.3", 1.3), ("1,3", 1.3), ("1,3 %", 1.3), ("-0,25%", -0.25), ("+12", 12.0), ("007", 7.0)]
        {
            assert_eq!(number(text, Unit::Percent), Ok(value), "{text}");
        }
    }

    #[test]
    fn what_is_no_number_or_in_another_unit_says_what_is_accepted() {
        for text in ["NaN", "inf", "", "1.3.1", "1,300.5", "1e400", "1 3", "%", "--1", "\u{1}", "1.3 x"] {
            let told = number(text, Unit::Percent).unwrap_err();
            assert!(told.contains('%'), "{text}: {told}");
        }
        assert!(number("31 kg", Unit::Gram).is_err_and(|told| told.contains("entered in g")));
    }

    #[test]
    fn a_text_beside_a_value_is_not_endless() {
        assert_eq!(beside("  lot 4 "), Ok(Some("lot 4".to_owned())));
        assert_eq!(beside("  "), Ok(None));
        assert!(beside(&"x".repeat(201)).is_err() && beside("a\nb").is_err());
    }
}
