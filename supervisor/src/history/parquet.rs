//! Readings as Parquet: columns with their types, for a data frame. Behind the feature `parquet`, which takes its time to build.
//!
//! Times are milliseconds in UTC, texts are dictionary-coded, what is not known is null.

use super::export::{Told, each_reading, quality};
use super::query::{ExactSample, SignalSamples, Span};
use super::{HistoryError, HistoryStore};
use parquet::basic::Compression;
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use setward_protocol::UtcMillis;
use std::io::Write;
use std::sync::Arc;

/// Rows that are kept in memory before they are written as one group.
const ROWS_A_GROUP: usize = 250_000;

/// The columns, as the CSV has them but for the local time.
const SCHEMA: &str = "message readings {
    required int64 utc (TIMESTAMP(MILLIS, true));
    required binary tag (STRING);
    optional double value;
    required binary unit (STRING);
    required binary quality (STRING);
    optional double setpoint;
    optional double tolerance_low;
    optional double tolerance_high;
    required int64 run;
    optional binary recipe (STRING);
    optional binary batch (STRING);
}";

/// How a Parquet file is written.
pub struct Parquet<'a> {
    /// The recipe and its version that the station of a signal ran, by tag, run and time; empty if it is not known.
    pub recipe: &'a Told<'a>,
    /// The batch or tank that a reading is about, by tag, run and time; empty if it is not known.
    pub batch: &'a Told<'a>,
}

/// A group of rows, column by column.
#[derive(Default)]
struct Group {
    utc: Vec<i64>,
    run: Vec<i64>,
    /// Tag, unit, quality.
    texts: [Vec<ByteArray>; 3],
    /// Value, setpoint, tolerance.
    numbers: [Vec<Option<f64>>; 4],
    /// Recipe, batch.
    told: [Vec<Option<ByteArray>>; 2],
}

impl Parquet<'_> {
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
        let schema = Arc::new(parse_message_type(SCHEMA).map_err(failed)?);
        let properties = Arc::new(WriterProperties::builder().set_compression(Compression::SNAPPY).build());
        let mut writer = SerializedFileWriter::new(out, schema, properties).map_err(failed)?;
        let mut group = Group::default();
        let mut row = |signal: &SignalSamples, sample: &ExactSample| {
            self.take(&mut group, signal, sample);
            if group.utc.len() >= ROWS_A_GROUP {
                std::mem::take(&mut group).write(&mut writer)
            } else {
                Ok(())
            }
        };
        let counts = each_reading(store, tags, span, &mut row, progress).await?;
        if !group.utc.is_empty() {
            group.write(&mut writer)?;
        }
        writer.close().map_err(failed)?;
        Ok(counts)
    }

    fn take(&self, group: &mut Group, signal: &SignalSamples, sample: &ExactSample) {
        let text = |text: &str| ByteArray::from(text);
        let known = |told: String| (!told.is_empty()).then(|| text(&told));
        let of = |told: &Told<'_>, utc: UtcMillis| known(told(&signal.tag, sample.run, utc));
        let (setpoint, low, high) = signal.asked_at(sample);
        group.utc.push(sample.utc.0);
        group.run.push(sample.run);
        let texts = [text(&signal.tag), text(&signal.unit), text(&quality(sample.reading))];
        group.texts.iter_mut().zip(texts).for_each(|(column, text)| column.push(text));
        let numbers = [sample.reading.value(), setpoint, low, high];
        group.numbers.iter_mut().zip(numbers).for_each(|(column, number)| column.push(number));
        let told = [of(self.recipe, sample.utc), of(self.batch, sample.utc)];
        group.told.iter_mut().zip(told).for_each(|(column, told)| column.push(told));
    }
}

impl Group {
    fn write<W: Write + Send>(self, writer: &mut SerializedFileWriter<W>) -> Result<(), HistoryError> {
        self.write_columns(writer).map_err(failed)
    }

    /// The columns in the order of the schema.
    fn write_columns<W: Write + Send>(
        self,
        writer: &mut SerializedFileWriter<W>,
    ) -> Result<(), ParquetError> {
        let mut rows = writer.next_row_group()?;
        let ([tag, unit, quality], [value, setpoint, low, high], [recipe, batch]) =
            (self.texts, self.numbers, self.told);
        let columns = [
            Column::Whole(self.utc),
            Column::Text(tag.into_iter().map(Some).collect()),
            Column::Number(value),
            Column::Text(unit.into_iter().map(Some).collect()),
            Column::Text(quality.into_iter().map(Some).collect()),
            Column::Number(setpoint),
            Column::Number(low),
            Column::Number(high),
            Column::Whole(self.run),
            Column::Told(recipe),
            Column::Told(batch),
        ];
        for column in columns {
            let Some(mut place) = rows.next_column()? else { break };
            column.write(place.untyped())?;
            place.close()?;
        }
        rows.close()?;
        Ok(())
    }
}

/// A column of a group.
enum Column {
    Whole(Vec<i64>),
    /// All are there.
    Text(Vec<Option<ByteArray>>),
    Number(Vec<Option<f64>>),
    /// May be null.
    Told(Vec<Option<ByteArray>>),
}

impl Column {
    fn write(self, place: &mut ColumnWriter<'_>) -> Result<(), ParquetError> {
        match (self, place) {
            (Self::Whole(values), ColumnWriter::Int64ColumnWriter(place)) => {
                place.write_batch(&values, None, None)?;
            }
            (Self::Text(values), ColumnWriter::ByteArrayColumnWriter(place)) => {
                let values: Vec<ByteArray> = values.into_iter().flatten().collect();
                place.write_batch(&values, None, None)?;
            }
            (Self::Number(values), ColumnWriter::DoubleColumnWriter(place)) => {
                let there = levels(&values);
                let values: Vec<f64> = values.into_iter().flatten().collect();
                place.write_batch(&values, Some(&there), None)?;
            }
            (Self::Told(values), ColumnWriter::ByteArrayColumnWriter(place)) => {
                let there = levels(&values);
                let values: Vec<ByteArray> = values.into_iter().flatten().collect();
                place.write_batch(&values, Some(&there), None)?;
            }
            (Self::Whole(_) | Self::Text(_) | Self::Number(_) | Self::Told(_), _) => {
                return Err(ParquetError::General(
                    "a column is of another type than its schema says".to_owned(),
                ));
            }
        }
        Ok(())
    }
}

/// 1 where a value is there, 0 where it is null.
fn levels<T>(values: &[Option<T>]) -> Vec<i16> {
    values.iter().map(|value| i16::from(value.is_some())).collect()
}

fn failed(error: ParquetError) -> HistoryError {
    HistoryError { text: format!("writing the export: {error}") }
}
