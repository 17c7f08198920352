//! What a key can hold: text, numbers, quantities, lists; and what is said when it holds something else.

use crate::problem::{At, Span};
use crate::quantity::Quantity;
use std::ops::Range;
use toml::Spanned;
use toml::de::DeValue;

/// A value that a file can hold.
pub(crate) trait FromValue: Sized {
    /// The value, or what is there instead.
    fn from_value(value: &Spanned<DeValue<'_>>, file: usize) -> Result<Self, Mismatch>;
}

/// A value of another type than what belongs there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Mismatch {
    pub(crate) at: Span,
    pub(crate) found: String,
    pub(crate) belongs: &'static str,
    /// Whether the value is an item of the list that the key holds.
    pub(crate) is_item: bool,
    /// Other items of the list that do not belong there either.
    pub(crate) others: Vec<Self>,
}

impl Mismatch {
    fn new(value: &Spanned<DeValue<'_>>, file: usize, belongs: &'static str) -> Self {
        let found = type_name(value.get_ref()).to_owned();
        Self { at: span_in(file, value.span()), found, belongs, is_item: false, others: Vec::new() }
    }
}

pub(crate) const fn span_in(file: usize, range: Range<usize>) -> Span {
    Span { file, start: range.start, end: range.end }
}

/// What people call the type of a value.
pub(crate) fn type_name(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time of day",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

impl FromValue for String {
    fn from_value(value: &Spanned<DeValue<'_>>, file: usize) -> Result<Self, Mismatch> {
        let text = value.get_ref().as_str().map(str::to_owned);
        text.ok_or_else(|| Mismatch::new(value, file, "text in quotes"))
    }
}

impl FromValue for bool {
    fn from_value(value: &Spanned<DeValue<'_>>, file: usize) -> Result<Self, Mismatch> {
        value.get_ref().as_bool().ok_or_else(|| Mismatch::new(value, file, "true or false"))
    }
}

impl FromValue for i64 {
    fn from_value(value: &Spanned<DeValue<'_>>, file: usize) -> Result<Self, Mismatch> {
        let mismatch = || Mismatch::new(value, file, "a whole number");
        let whole = value.get_ref().as_integer().ok_or_else(mismatch)?;
        let parsed = Self::from_str_radix(whole.as_str(), whole.radix());
        parsed.map_err(|_| Mismatch { found: "a number beyond 64 bits".to_owned(), ..mismatch() })
    }
}

impl FromValue for f64 {
    fn from_value(value: &Spanned<DeValue<'_>>, file: usize) -> Result<Self, Mismatch> {
        let mismatch = || Mismatch::new(value, file, "a number");
        let Some(float) = value.get_ref().as_float() else {
            return i64::from_value(value, file).map(|whole| whole as Self).map_err(|_| mismatch());
        };
        let number = float.as_str().parse::<Self>().ok().filter(|number| number.is_finite());
        number.ok_or_else(|| Mismatch { found: "not a finite number".to_owned(), ..mismatch() })
    }
}

impl FromValue for Quantity {
    fn from_value(value: &Spanned<DeValue<'_>>, file: usize) -> Result<Self, Mismatch> {
        if let Some(text) = value.get_ref().as_str() {
            return Ok(Self::Text(text.to_owned()));
        }
        let belongs = "a number with its unit in quotes";
        f64::from_value(value, file).map(Self::Number).map_err(|mismatch| Mismatch { belongs, ..mismatch })
    }
}

impl<T: FromValue> FromValue for Vec<At<T>> {
    fn from_value(value: &Spanned<DeValue<'_>>, file: usize) -> Result<Self, Mismatch> {
        let list = value.get_ref().as_array().ok_or_else(|| Mismatch::new(value, file, "a list"))?;
        let mut good = Self::new();
        let mut bad = Vec::new();
        for item in list {
            match item_at(item, file) {
                Ok(item) => good.push(item),
                Err(mismatch) => bad.push(mismatch),
            }
        }
        let others = bad.split_off(bad.len().min(1));
        bad.pop().map_or(Ok(good), |first| Err(Mismatch { others, ..first }))
    }
}

/// Low and high.
impl<T: FromValue> FromValue for (At<T>, At<T>) {
    fn from_value(value: &Spanned<DeValue<'_>>, file: usize) -> Result<Self, Mismatch> {
        let mismatch = || Mismatch::new(value, file, "a list of two, low and high,");
        let list = value.get_ref().as_array().ok_or_else(mismatch)?;
        let mut items = list.iter();
        match (items.next(), items.next(), items.next()) {
            (Some(low), Some(high), None) => Ok((item_at(low, file)?, item_at(high, file)?)),
            (Some(_) | None, Some(_) | None, Some(_) | None) => {
                Err(Mismatch { found: format!("a list of {}", list.len()), ..mismatch() })
            }
        }
    }
}

fn item_at<T: FromValue>(item: &Spanned<DeValue<'_>>, file: usize) -> Result<At<T>, Mismatch> {
    let value = T::from_value(item, file).map_err(|mismatch| Mismatch { is_item: true, ..mismatch })?;
    Ok(At { value, at: span_in(file, item.span()) })
}
