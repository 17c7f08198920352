//! The open chunks: what is not yet in the file's chunks, in memory, by poll group.
//!
//! A chunk closes at the end of its hour of UTC, when it has as many rows as memory allows, and when its run ends. It never
//! crosses an hour of UTC: queries rely on that.

use super::chunk::{ChunkName, TimeChunk, Times, ValueChunk};
use super::events::StoredBand;
use super::layout::StoredSignal;
use super::quality::{ABSENT, code_of, has_value};
use super::{Band, NewSample};
use std::collections::{BTreeMap, VecDeque};

/// Most rows of one chunk.
const CHUNK_ROWS_MAX: usize = 8_192;
/// Most values held open, whatever the number of signals: 32 MB.
const OPEN_VALUES_MAX: usize = 4_194_304;
const HOUR_MS: i64 = 3_600_000;

/// What one poll of one group brought.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    /// Index of the group in its run.
    pub group: usize,
    pub utc_ms: i64,
    pub uptime_us: u64,
    pub sequence: u64,
    /// Column in the group, quality and value (0 without one), in order of columns.
    pub cells: Vec<(usize, u16, f64)>,
}

/// One signal of an open chunk.
#[derive(Debug, Clone, Default)]
struct Column {
    /// Where each run of one quality begins.
    codes: Vec<(usize, u16)>,
    values: Vec<f64>,
}

impl Column {
    fn push(&mut self, row: usize, code: u16, value: f64) {
        if self.codes.last().is_none_or(|(_, last)| *last != code) {
            self.codes.push((row, code));
        }
        if has_value(code) {
            self.values.push(value);
        }
    }

    /// Whether it ever had a reading.
    fn is_there(&self) -> bool {
        self.codes.iter().any(|(_, code)| *code != ABSENT)
    }

    fn codes(&self, rows: usize) -> Vec<u16> {
        let mut all = Vec::with_capacity(rows);
        let ends = self.codes.iter().skip(1).map(|(from, _)| *from).chain([rows]);
        for ((_, code), end) in self.codes.iter().zip(ends) {
            all.resize(end, *code);
        }
        all
    }
}

/// A chunk that still grows, or waits to be put into the file.
#[derive(Debug, Clone)]
pub(super) struct OpenChunk {
    pub group: usize,
    hour: i64,
    times: Times,
    columns: Vec<Column>,
    /// The row that came after it: it ends the last piece of the roll-ups.
    pub after: Option<Row>,
}

/// One reading with all its times.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct RawRow {
    pub utc_ms: i64,
    pub uptime_us: u64,
    pub sequence: u64,
    pub code: u16,
    pub value: f64,
}

impl OpenChunk {
    fn new(group: usize, hour: i64, columns: usize) -> Self {
        Self { group, hour, times: Times::default(), columns: vec![Column::default(); columns], after: None }
    }

    fn rows(&self) -> usize {
        self.times.sequence.len()
    }

    /// What it takes in memory, bytes.
    pub(super) fn bytes(&self) -> u64 {
        let of = |column: &Column| 8 * column.values.capacity() + 16 * column.codes.capacity();
        (24 * self.times.sequence.capacity() + self.columns.iter().map(of).sum::<usize>()) as u64
    }

    fn push(&mut self, row: &Row) {
        let place = self.rows();
        self.times.utc_ms.push(row.utc_ms);
        self.times.uptime_us.push(row.uptime_us);
        self.times.sequence.push(row.sequence);
        let mut cells = row.cells.iter().peekable();
        for (index, column) in self.columns.iter_mut().enumerate() {
            match cells.next_if(|(column, ..)| *column == index) {
                Some((_, code, value)) => column.push(place, *code, *value),
                None => column.push(place, ABSENT, 0.0),
            }
        }
    }

    /// Sequence numbers of the first and last row; `None` while empty.
    pub(super) fn span(&self) -> Option<(u64, u64)> {
        Some((*self.times.sequence.first()?, *self.times.sequence.last()?))
    }

    /// Earliest and latest wall time, ms.
    pub(super) fn utc_span(&self) -> Option<(i64, i64)> {
        Some((*self.times.utc_ms.iter().min()?, *self.times.utc_ms.iter().max()?))
    }

    fn name(&self, run: i64) -> ChunkName {
        let (first, last) = self.span().unwrap_or_default();
        ChunkName { run, first, last, rows: self.rows() }
    }

    /// The readings of one column.
    pub(super) fn column_rows(&self, column: usize) -> Vec<RawRow> {
        let Some(column) = self.columns.get(column) else { return Vec::new() };
        rows_of(&self.times, &column.codes(self.rows()), &column.values)
    }

    /// The lowest sequence number after `sequence`; `None` if it holds none.
    pub(super) fn first_after(&self, sequence: u64) -> Option<u64> {
        let at = self.times.sequence.partition_point(|known| *known <= sequence);
        self.times.sequence.get(at).copied()
    }

    /// The readings of one column with `after < sequence <= until`: costs what it gives, however full the chunk is.
    pub(super) fn column_between(&self, column: usize, after: u64, until: u64) -> Vec<RawRow> {
        let Some(column) = self.columns.get(column) else { return Vec::new() };
        let start = self.times.sequence.partition_point(|known| *known <= after);
        let stop = self.times.sequence.partition_point(|known| *known <= until);
        let ends = column.codes.iter().skip(1).map(|(from, _)| *from).chain([self.rows()]);
        let (mut rows, mut value_at) = (Vec::new(), 0);
        for ((from, code), end) in column.codes.iter().zip(ends) {
            let is_kept = has_value(*code);
            for row in start.max(*from)..stop.min(end) {
                let value = if is_kept { column.values.get(value_at + row - from) } else { None };
                if *code != ABSENT {
                    rows.extend(self.raw_row(row, *code, value.copied().unwrap_or_default()));
                }
            }
            if is_kept {
                value_at += end - from;
            }
        }
        rows
    }

    fn raw_row(&self, row: usize, code: u16, value: f64) -> Option<RawRow> {
        Some(RawRow {
            utc_ms: *self.times.utc_ms.get(row)?,
            uptime_us: *self.times.uptime_us.get(row)?,
            sequence: *self.times.sequence.get(row)?,
            code,
            value,
        })
    }

    /// Its times as a block.
    pub(super) fn time_chunk(&self, run: i64, group: u16, previous: u64) -> TimeChunk {
        let signals = self.columns.iter().filter(|column| column.is_there()).count();
        TimeChunk { name: self.name(run), group, previous, times: self.times.clone(), signals: Some(signals) }
    }

    /// One column as a block, unless it never had a reading.
    pub(super) fn value_chunk(
        &self,
        run: i64,
        column: usize,
        signal: &StoredSignal,
        configuration: [u8; 8],
    ) -> Option<ValueChunk> {
        let column = self.columns.get(column)?;
        column.is_there().then(|| ValueChunk {
            signal: signal.clone(),
            configuration,
            name: self.name(run),
            codes: column.codes(self.rows()),
            values: column.values.clone(),
        })
    }
}

/// Times, qualities and values side by side; rows at which the signal is absent are left out.
pub(super) fn rows_of(times: &Times, codes: &[u16], values: &[f64]) -> Vec<RawRow> {
    let mut values = values.iter().copied();
    let clocks = times.utc_ms.iter().zip(&times.uptime_us).zip(&times.sequence);
    let mut rows = Vec::with_capacity(codes.len());
    for (((utc_ms, uptime_us), sequence), code) in clocks.zip(codes) {
        let value = if has_value(*code) { values.next().unwrap_or_default() } else { 0.0 };
        if *code != ABSENT {
            rows.push(RawRow {
                utc_ms: *utc_ms,
                uptime_us: *uptime_us,
                sequence: *sequence,
                code: *code,
                value,
            });
        }
    }
    rows
}

/// A poll group of a run.
#[derive(Debug, Clone)]
pub(super) struct Group {
    /// As the run numbers it.
    pub number: u16,
    /// Its signals, as indices in the run; a column each.
    pub signals: Vec<usize>,
    /// Last sequence number of its closed chunks.
    pub closed: u64,
    open: Option<OpenChunk>,
}

/// From a time of the run on, us: the tolerance.
type BandFrom = (u64, Option<(f64, f64)>);

/// A run with what of it is open.
#[derive(Debug, Clone)]
pub(super) struct OpenRun {
    pub run: i64,
    /// First bytes of the configuration's fingerprint.
    pub configuration: [u8; 8],
    pub signals: Vec<StoredSignal>,
    pub groups: Vec<Group>,
    /// Group and column of each signal.
    places: Vec<(usize, usize)>,
    /// Tolerance of each signal from a time of the run on, in order of time.
    bands: Vec<Vec<BandFrom>>,
    sealed: VecDeque<OpenChunk>,
    rows_max: usize,
}

impl OpenRun {
    /// A run of which nothing is kept yet.
    pub(super) fn new(run: i64, fingerprint: &str, signals: Vec<StoredSignal>) -> Self {
        let mut groups: BTreeMap<u16, Vec<usize>> = BTreeMap::new();
        for (index, stored) in signals.iter().enumerate() {
            groups.entry(stored.signal.poll_group).or_default().push(index);
        }
        let mut places = vec![(0, 0); signals.len()];
        for (group, members) in groups.values().enumerate() {
            for (column, index) in members.iter().enumerate() {
                if let Some(place) = places.get_mut(*index) {
                    *place = (group, column);
                }
            }
        }
        let rows_max = (OPEN_VALUES_MAX / signals.len().max(1)).clamp(64, CHUNK_ROWS_MAX);
        let groups = groups
            .into_iter()
            .map(|(number, signals)| Group { number, signals, closed: 0, open: None })
            .collect();
        let bands = vec![Vec::new(); signals.len()];
        let configuration = configuration_of(fingerprint);
        Self { run, configuration, signals, groups, places, bands, sealed: VecDeque::new(), rows_max }
    }

    /// The samples as rows of their groups, numbered from `sequence` on: those of one group with the same times are one row.
    pub(super) fn rows(&self, samples: &[NewSample], mut sequence: u64) -> Vec<Row> {
        let mut rows: Vec<Row> = Vec::new();
        let mut newest: Vec<Option<usize>> = vec![None; self.groups.len()];
        for sample in samples {
            let Some(&(group, column)) = self.places.get(usize::from(sample.signal)) else { continue };
            let Some(newest) = newest.get_mut(group) else { continue };
            let (utc_ms, uptime_us) = (sample.utc.0, sample.at.as_nanos() / 1000);
            let (code, value) = code_of(sample.reading);
            let cell = (column, code, value.unwrap_or(0.0));
            let same = newest.and_then(|index| rows.get_mut(index)).filter(|row| {
                // Almost always in the order of columns.
                let is_new = row.cells.last().is_none_or(|(last, ..)| *last < column)
                    || row.cells.iter().all(|(known, ..)| *known != column);
                row.utc_ms == utc_ms && row.uptime_us == uptime_us && is_new
            });
            match same {
                Some(row) => row.cells.push(cell),
                None => {
                    *newest = Some(rows.len());
                    let mut cells =
                        Vec::with_capacity(self.groups.get(group).map_or(1, |group| group.signals.len()));
                    cells.push(cell);
                    rows.push(Row { group, utc_ms, uptime_us, sequence, cells });
                    sequence += 1;
                }
            }
        }
        for row in &mut rows {
            if !row.cells.is_sorted_by_key(|(column, ..)| *column) {
                row.cells.sort_by_key(|(column, ..)| *column);
            }
        }
        rows
    }

    /// Takes a row in; closes the chunk before it if the row opens a new one.
    pub(super) fn take(&mut self, row: Row) {
        let hour = row.utc_ms.div_euclid(HOUR_MS);
        let rows_max = self.rows_max;
        let Some(group) = self.groups.get_mut(row.group) else { return };
        let is_over = |open: &OpenChunk| open.hour != hour || open.rows() >= rows_max;
        if let Some(mut over) = group.open.take_if(|open| is_over(open)) {
            over.after = Some(row.clone());
            self.sealed.push_back(over);
        }
        let columns = group.signals.len();
        group.open.get_or_insert_with(|| OpenChunk::new(row.group, hour, columns)).push(&row);
    }

    /// Closes every open chunk.
    pub(super) fn seal_all(&mut self) {
        let open = self.groups.iter_mut().filter_map(|group| group.open.take());
        self.sealed.extend(open);
    }

    /// The chunk that has waited longest to be put into the file.
    pub(super) fn first_sealed(&self) -> Option<&OpenChunk> {
        self.sealed.front()
    }

    /// It is in the file.
    pub(super) fn closed(&mut self) {
        let Some(chunk) = self.sealed.pop_front() else { return };
        if let (Some(group), Some((_, last))) = (self.groups.get_mut(chunk.group), chunk.span()) {
            group.closed = last;
        }
    }

    /// Everything not yet in the file.
    pub(super) fn chunks(&self) -> impl Iterator<Item = &OpenChunk> {
        self.sealed.iter().chain(self.groups.iter().filter_map(|group| group.open.as_ref()))
    }

    /// The lowest sequence number that is not yet in the file; `None` if all are.
    pub(super) fn first_open(&self) -> Option<u64> {
        self.chunks().filter_map(OpenChunk::span).map(|(first, _)| first).min()
    }

    /// A new tolerance of a signal.
    pub(super) fn take_band(&mut self, band: &Band) {
        if let Some(bands) = self.bands.get_mut(usize::from(band.signal)) {
            let new = (band.at.as_nanos() / 1000, band.tolerance);
            // A batch may be tried again.
            if bands.last() != Some(&new) {
                bands.push(new);
            }
        }
    }

    /// A tolerance that the file has.
    pub(super) fn take_stored_band(&mut self, signal: usize, band: &StoredBand) {
        if let Some(bands) = self.bands.get_mut(signal) {
            bands.push((u64::try_from(band.uptime_us).unwrap_or(0), band.tolerance));
        }
    }

    /// The tolerance of a signal at a time of the run.
    pub(super) fn band(&self, signal: usize, uptime_us: u64) -> Option<(f64, f64)> {
        let bands = self.bands.get(signal)?;
        bands.iter().rev().find(|(from, _)| *from <= uptime_us)?.1
    }

    /// The column of a signal in its group, with the group's index.
    pub(super) fn place(&self, signal: usize) -> Option<(usize, usize)> {
        self.places.get(signal).copied()
    }
}

/// First bytes of a fingerprint in hex; of another text zeros.
fn configuration_of(fingerprint: &str) -> [u8; 8] {
    let number = fingerprint.get(..16).and_then(|hex| u64::from_str_radix(hex, 16).ok());
    number.unwrap_or(0).to_be_bytes()
}
