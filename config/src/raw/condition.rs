//! Conditions: `when = [{ signal = "XI-101", is = [3] }, { signal = "TT-101", between = ["40 degC", "85 degC"] }]`.

use crate::problem::{At, Code, Span};
use crate::quantity::Quantity;
use crate::reader::TableReader;

/// One test on one signal.
#[derive(Debug)]
pub(crate) struct RawCondition {
    pub(crate) at: Span,
    pub(crate) signal: Option<At<String>>,
    pub(crate) is: Option<At<Vec<At<i64>>>>,
    pub(crate) between: Option<At<(At<Quantity>, At<Quantity>)>>,
    /// Whether a test is there, right or wrong.
    pub(crate) has_test: bool,
}

const EXAMPLE: &str = "[{ signal = \"XI-310\", is = [0] }]";

/// The conditions under `key`; nothing if the key is not there or holds something else.
pub(crate) fn may(reader: &mut TableReader<'_, '_>, key: &'static str) -> Option<Vec<RawCondition>> {
    if !reader.has(key) {
        return None;
    }
    let hint = format!("write `{key} = {EXAMPLE}`");
    let list = reader.list(key, "[condition]", &hint, condition);
    if list.is_empty() && reader.is_empty_list(key) {
        let at = reader.at_of(key);
        reader.sink().report(Code::Word, at, format!("`{key}` is empty"), hint);
    }
    Some(list)
}

/// The same; its absence is recorded.
pub(crate) fn need(reader: &mut TableReader<'_, '_>, key: &'static str) -> Option<Vec<RawCondition>> {
    if !reader.has(key) {
        reader.missing(key, EXAMPLE);
    }
    may(reader, key)
}

fn condition(reader: &mut TableReader<'_, '_>) -> RawCondition {
    RawCondition {
        at: reader.at(),
        signal: reader.need_text("signal", "\"XI-310\""),
        is: reader.may("is", "[0]"),
        between: reader.may("between", "[\"40 degC\", \"85 degC\"]"),
        has_test: !reader.given(&["is", "between"]).is_empty(),
    }
}
