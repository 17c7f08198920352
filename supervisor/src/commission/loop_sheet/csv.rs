//! Loop sheets as CSV: a row for each point of each signal, for those who fill in on a screen.

use super::{LoopSheets, Point, SignalSheet};
use crate::commission::written::short;

const HEADER: &str = "tag,name,station,controller,table,address,number,encoding,unit,sensor,channel,terminals,drawing,location,\
percent,inject,inject_unit,inject_mv_at_25_degc_terminals,expected,tolerance,raw,raw_hex,as_found,as_left,by,date,configuration_sha256";

impl LoopSheets {
    /// The whole as CSV, with its header.
    #[must_use]
    pub fn csv(&self) -> String {
        let mut out = format!("{HEADER}\r\n");
        for sheet in &self.signals {
            for point in &sheet.points {
                out.push_str(&row(sheet, point, &self.configuration_sha256));
                out.push_str("\r\n");
            }
        }
        out
    }
}

fn row(sheet: &SignalSheet, point: &Point, fingerprint: &str) -> String {
    let text = |field: &Option<String>| cell(field.as_deref().unwrap_or_default());
    let number = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.4}"));
    let wiring = &sheet.wiring;
    let word = point.expected_word.clone().map_or_else(|| short(point.expected), |word| cell(&word));
    let fields = [
        cell(&sheet.tag),
        cell(&sheet.name),
        cell(&sheet.station),
        cell(&sheet.controller),
        sheet.table.to_owned(),
        sheet.address.to_string(),
        sheet.number.to_string(),
        cell(&sheet.encoding),
        cell(sheet.unit),
        text(&wiring.sensor),
        text(&wiring.channel),
        text(&wiring.terminals),
        text(&wiring.drawing),
        text(&wiring.location),
        point.percent.map_or_else(String::new, short),
        number(point.inject.map(|inject| inject.value)),
        point.inject.map_or("", |inject| inject.unit).to_owned(),
        number(point.inject.and_then(|inject| inject.at_warm_terminals)),
        word,
        short(point.tolerance),
        point.raw.clone(),
        point.raw_hex.clone(),
        String::new(),
        String::new(),
        String::new(),
        String::new(),
        fingerprint.to_owned(),
    ];
    fields.join(",")
}

/// A text cell. A spreadsheet takes what begins with = + - @ for a formula: an apostrophe in front keeps it text.
fn cell(text: &str) -> String {
    let guarded =
        if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() };
    if guarded.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", guarded.replace('"', "\"\""))
    } else {
        guarded
    }
}
