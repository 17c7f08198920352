//! Stored readings as the scans they came in: page by page, in the order in which they were kept.
//!
//! A row of history is what one poll of one group brought; a scan is the row of polled signals and the rows of derived ones
//! that follow it. Pages are hours of wall time; within a page the store's numbers give the order.

use crate::history::{HistoryError, HistoryStore, SIGNALS_MAX, Span};
use crate::snapshot::RunId;
use setward_config::line::{ControllerId, Line, LineSignal, Origin};
use setward_protocol::{NoData, Reading, Sample, SignalId, Uptime, UtcMillis};

const PAGE_MS: i64 = 3_600_000;

/// A scan as it was kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    /// The run it is of.
    pub run: RunId,
    /// Which controller was scanned; `None` for what no controller brought.
    pub controller: Option<ControllerId>,
    /// When it was complete.
    pub at: Uptime,
    /// The same in wall time.
    pub utc: UtcMillis,
    /// What it brought, in the order of the signals.
    pub samples: Vec<Sample>,
    /// Whether it brought any words at all.
    pub brought_words: bool,
}

/// Whether a reading says that words came from the controller, whatever they were worth.
const fn came_in_words(reading: Reading) -> bool {
    match reading {
        Reading::Good(_) | Reading::Uncertain(..) => true,
        Reading::Bad(
            NoData::NoReply | NoData::Refused | NoData::NotPolled | NoData::Exception(_) | NoData::Stale,
        ) => false,
        Reading::Bad(
            NoData::NotCommissioned
            | NoData::SensorFault
            | NoData::OutOfRange
            | NoData::Stuck
            | NoData::HeartbeatStopped
            | NoData::Restarting
            | NoData::TooLittleKnown
            | NoData::TakenBack
            | NoData::NotSteady
            | NoData::TooUncertain,
        ) => true,
    }
}

/// One reading on its way into its scan.
#[derive(Debug, Clone, Copy)]
struct Piece {
    run: i64,
    sequence: u64,
    utc: UtcMillis,
    sample: Sample,
}

/// Reads a window page by page.
#[derive(Debug)]
pub struct Feed {
    next_ms: i64,
    to_ms: i64,
    tags: Vec<String>,
    /// By signal: where its readings come from.
    sources: Vec<Source>,
}

/// Where the readings of a signal come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Source {
    /// The scan of a controller.
    Polled(ControllerId),
    /// The scan before it: it was derived from that.
    Derived,
    /// Neither: it was entered, or follows from what was.
    Apart,
}

fn source(signal: &LineSignal) -> Source {
    match &signal.origin {
        Origin::Register(register) => Source::Polled(register.controller),
        Origin::Derived(_) => Source::Derived,
        Origin::Entered | Origin::Followed(_) => Source::Apart,
    }
}

impl Feed {
    /// The readings of the line's signals in `span`.
    #[must_use]
    pub fn new(line: &Line, span: Span) -> Self {
        Self {
            next_ms: span.from().0,
            to_ms: span.to().0,
            tags: line.signals.iter().map(|signal| signal.tag.clone()).collect(),
            sources: line.signals.iter().map(source).collect(),
        }
    }

    /// How much of the window is still to be read, ms.
    #[must_use]
    pub const fn left_ms(&self) -> i64 {
        self.to_ms - self.next_ms
    }

    /// The scans of the next page; `None` once the window is over.
    ///
    /// # Errors
    /// When history can't be read whole: a hole in it would pass for a calm line.
    pub async fn page(&mut self, store: &dyn HistoryStore) -> Result<Option<Vec<Scan>>, HistoryError> {
        if self.next_ms >= self.to_ms {
            return Ok(None);
        }
        let end = (self.next_ms.div_euclid(PAGE_MS) + 1).saturating_mul(PAGE_MS).min(self.to_ms);
        let span = Span::new(UtcMillis(self.next_ms), UtcMillis(end))
            .map_err(|error| HistoryError { text: error.text })?;
        self.next_ms = end;
        let mut pieces = Vec::new();
        for (chunk, tags) in self.tags.chunks(SIGNALS_MAX).enumerate() {
            for (place, signal) in store.exact(tags.to_vec(), span).await?.into_iter().enumerate() {
                if signal.is_cut || signal.unreadable > 0 {
                    let text = format!(
                        "{} can't be read whole from {} ms on: {} chunks can't be read; see `setward verify`",
                        signal.tag,
                        span.from().0,
                        signal.unreadable
                    );
                    return Err(HistoryError { text });
                }
                // No line has more signals than an id can count.
                let id = SignalId(u16::try_from(chunk * SIGNALS_MAX + place).unwrap_or(u16::MAX));
                pieces.extend(signal.samples.iter().map(|one| Piece {
                    run: one.run,
                    sequence: one.sequence,
                    utc: one.utc,
                    sample: Sample { signal: id, at: one.at, reading: one.reading },
                }));
            }
        }
        Ok(Some(self.scans(&in_order(pieces))))
    }

    /// Rows put together to scans.
    fn scans(&self, pieces: &[Piece]) -> Vec<Scan> {
        let mut scans: Vec<Scan> = Vec::new();
        for row in pieces.chunk_by(|one, next| one.sequence == next.sequence) {
            for (place, piece) in row.iter().enumerate() {
                let source = self.sources.get(piece.sample.signal.index()).copied().unwrap_or(Source::Apart);
                match (source, scans.last_mut()) {
                    // A derived value belongs to the scan before it; without one its page began in the middle.
                    (Source::Derived, Some(scan)) => scan.samples.push(piece.sample),
                    (Source::Derived, None) => {}
                    (Source::Polled(_) | Source::Apart, Some(scan)) if place > 0 => {
                        scan.samples.push(piece.sample);
                        scan.brought_words |= came_in_words(piece.sample.reading);
                    }
                    (Source::Polled(_) | Source::Apart, _) => scans.push(begun(piece, source, row.len())),
                }
            }
        }
        scans
    }
}

/// A scan that begins with a piece, with room for so many.
fn begun(piece: &Piece, source: Source, room: usize) -> Scan {
    let mut samples = Vec::with_capacity(room);
    samples.push(piece.sample);
    Scan {
        run: RunId(piece.run),
        controller: match source {
            Source::Polled(controller) => Some(controller),
            Source::Derived | Source::Apart => None,
        },
        at: piece.sample.at,
        utc: piece.utc,
        samples,
        brought_words: came_in_words(piece.sample.reading),
    }
}

/// By the number of the row, signals of a row in their order: pieces come signal by signal, and numbers of a page lie close
/// together, so each goes straight to its place.
fn in_order(pieces: Vec<Piece>) -> Vec<Piece> {
    let first = pieces.iter().map(|piece| piece.sequence).min().unwrap_or(0);
    let last = pieces.iter().map(|piece| piece.sequence).max().unwrap_or(0);
    let rows = usize::try_from(last - first).unwrap_or(usize::MAX);
    if rows > pieces.len().saturating_mul(2) {
        let mut sorted = pieces;
        sorted.sort_by_key(|piece| piece.sequence);
        return sorted;
    }
    let place = |piece: &Piece| usize::try_from(piece.sequence - first).unwrap_or(0);
    let mut starts = vec![0_usize; rows + 2];
    for piece in &pieces {
        if let Some(count) = starts.get_mut(place(piece) + 1) {
            *count += 1;
        }
    }
    let mut sum = 0;
    for start in &mut starts {
        sum += *start;
        *start = sum;
    }
    let mut sorted = pieces.clone();
    for piece in pieces {
        let Some(start) = starts.get_mut(place(&piece)) else { continue };
        if let Some(slot) = sorted.get_mut(*start) {
            *slot = piece;
        }
        *start += 1;
    }
    sorted
}
