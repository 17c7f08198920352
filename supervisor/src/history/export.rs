//! Readings as CSV (RFC 4180): what a spreadsheet or a quality system opens. A page at a time, however long the window.
//!
//! Fields that a spreadsheet would take for a formula get an apostrophe in front.

use super::query::{ExactSample, SignalSamples, Span};
use super::{HistoryError, HistoryStore};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use setward_protocol::{Reading, UtcMillis};
use std::io::Write;

/// Length of the window that is read and written at a time, ms.
const PAGE_MS: i64 = 3_600_000;

/// The header: one name a column.
pub const COLUMNS: [&str; 12] = [
    "utc",
    "local_time",
    "tag",
    "value",
    "unit",
    "quality",
    "setpoint",
    "tolerance_low",
    "tolerance_high",
    "run",
    "recipe",
    "batch",
];

/// What is known of the readings of a signal in a run at a time.
pub type Told<'a> = dyn Fn(&str, i64, UtcMillis) -> String + Sync + 'a;

/// How a CSV is written.
pub struct Csv<'a> {
    /// Zone of the local time.
    pub zone: TimeZone,
    /// A comma in numbers, and a semicolon between fields.
    pub decimal_comma: bool,
    /// The recipe and its version that the station of a signal ran, by tag, run and time; empty if it is not known.
    pub recipe: &'a Told<'a>,
    /// The batch or tank that a reading is about, by tag, run and time; empty if it is not known.
    pub batch: &'a Told<'a>,
}

impl Csv<'_> {
    /// Writes the readings of these signals, in order of hours, within an hour signal by signal; calls `progress` with the
    /// share done. Gives the number of readings of each.
    ///
    /// # Errors
    /// When history or `out` fails.
    pub async fn write(
        &self,
        store: &dyn HistoryStore,
        tags: &[String],
        span: Span,
        out: &mut (dyn Write + Send),
        progress: &mut (dyn FnMut(f64) + Send),
    ) -> Result<Vec<u64>, HistoryError> {
        self.line(out, &COLUMNS.map(str::to_owned))?;
        let mut row =
            |signal: &SignalSamples, sample: &ExactSample| self.line(out, &self.fields(signal, sample));
        each_reading(store, tags, span, &mut row, progress).await
    }

    fn fields(&self, signal: &SignalSamples, sample: &ExactSample) -> [String; 12] {
        let number = |value: Option<f64>| value.map_or_else(String::new, |value| self.number(value));
        let (setpoint, low, high) = signal.asked_at(sample);
        [
            self.utc(sample.utc),
            self.local(sample.utc),
            safe(&signal.tag),
            number(sample.reading.value()),
            safe(&signal.unit),
            quality(sample.reading),
            number(setpoint),
            number(low),
            number(high),
            sample.run.to_string(),
            safe(&(self.recipe)(&signal.tag, sample.run, sample.utc)),
            safe(&(self.batch)(&signal.tag, sample.run, sample.utc)),
        ]
    }

    fn number(&self, value: f64) -> String {
        // What the arithmetic of a scale left behind beyond 12 digits is no measurement.
        let rounded: f64 = format!("{value:.11e}").parse().unwrap_or(value);
        let text = rounded.to_string();
        if self.decimal_comma { text.replace('.', ",") } else { text }
    }

    fn utc(&self, utc: UtcMillis) -> String {
        Timestamp::from_millisecond(utc.0).map_or_else(|_| utc.0.to_string(), |at| format!("{at:.3}"))
    }

    fn local(&self, utc: UtcMillis) -> String {
        let at = Timestamp::from_millisecond(utc.0);
        at.map_or_else(
            |_| String::new(),
            |at| at.to_zoned_datetime(self.zone.clone()).strftime("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string(),
        )
    }

    fn line(&self, out: &mut (dyn Write + Send), fields: &[String; 12]) -> Result<(), HistoryError> {
        let separator = if self.decimal_comma { ";" } else { "," };
        let quoted: Vec<String> = fields.iter().map(|field| quote(field, separator)).collect();
        write!(out, "{}\r\n", quoted.join(separator))
            .map_err(|error| HistoryError { text: format!("writing the export: {error}") })
    }
}

/// What is done with each reading.
pub(super) type Row<'a> = dyn FnMut(&SignalSamples, &ExactSample) -> Result<(), HistoryError> + Send + 'a;

/// Reads the readings of these signals, in order of hours, within an hour signal by signal; calls `progress` with the share
/// done. Gives the number of readings of each.
pub(super) async fn each_reading(
    store: &dyn HistoryStore,
    tags: &[String],
    span: Span,
    row: &mut Row<'_>,
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<Vec<u64>, HistoryError> {
    let mut counts = vec![0; tags.len()];
    let mut from = span.from().0;
    while from < span.to().0 {
        let to = (from.div_euclid(PAGE_MS) + 1).saturating_mul(PAGE_MS).min(span.to().0);
        for (tag, count) in tags.iter().zip(&mut counts) {
            *count += page(store, tag, (UtcMillis(from), UtcMillis(to)), row).await?;
        }
        progress((to - span.from().0) as f64 / span.length_ms() as f64);
        from = to;
    }
    Ok(counts)
}

async fn page(
    store: &dyn HistoryStore,
    tag: &str,
    (from, to): (UtcMillis, UtcMillis),
    row: &mut Row<'_>,
) -> Result<u64, HistoryError> {
    let span = Span::new(from, to).map_err(|error| HistoryError { text: error.text })?;
    let mut count = 0;
    for signal in store.exact(vec![tag.to_owned()], span).await? {
        if signal.is_cut || signal.unreadable > 0 {
            let text = format!(
                "{tag} can't be exported whole from {} ms on: {} chunks can't be read; see `setward verify`",
                from.0, signal.unreadable
            );
            return Err(HistoryError { text });
        }
        for sample in &signal.samples {
            row(&signal, sample)?;
            count += 1;
        }
    }
    Ok(count)
}

/// Good, uncertain and why, or bad and why.
pub(super) fn quality(reading: Reading) -> String {
    match reading {
        Reading::Good(_) => "good".to_owned(),
        Reading::Uncertain(_, doubt) => format!("uncertain: {doubt}"),
        Reading::Bad(why) => format!("bad: {why}"),
    }
}

/// A text that no spreadsheet runs: OWASP's list of first characters.
pub(crate) fn safe(text: &str) -> String {
    let is_risky = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if is_risky { format!("'{text}") } else { text.to_owned() }
}

/// Quoted where RFC 4180 asks for it.
pub(crate) fn quote(field: &str, separator: &str) -> String {
    let needs = field.contains(separator) || field.contains(['"', '\r', '\n']);
    if needs { format!("\"{}\"", field.replace('"', "\"\"")) } else { field.to_owned() }
}

#[cfg(test)]
#[path = "export_tests.rs"]
mod tests;
