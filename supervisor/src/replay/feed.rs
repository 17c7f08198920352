//! Stored readings as the scans they came in: page by page, in the order in which they were kept.
//!
//! A row of history is what one poll of one group brought; a scan is the row of polled signals and the rows of derived ones
//! that follow it. A page is an hour of wall time, or an even part of one where the line brings more than memory should hold.

use crate::history::{HistoryError, HistoryStore, KeptRow, KeptRows, Span};
use crate::snapshot::RunId;
use setward_config::line::{ControllerId, Line, LineSignal, Origin};
use setward_protocol::{NoData, Reading, Sample, Uptime, UtcMillis};

const HOUR_MS: i64 = 3_600_000;
const SECOND_MS: i64 = 1000;
/// Readings that a page is to hold at most: some 100 MB with their scans.
const PAGE_READINGS: f64 = 1_500_000.0;

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

/// Reads a window page by page.
#[derive(Debug)]
pub struct Feed {
    next_ms: i64,
    to_ms: i64,
    page_ms: i64,
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
            page_ms: page_ms(line),
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
        let end = (self.next_ms.div_euclid(self.page_ms) + 1).saturating_mul(self.page_ms).min(self.to_ms);
        let span = Span::new(UtcMillis(self.next_ms), UtcMillis(end))
            .map_err(|error| HistoryError { text: error.text })?;
        self.next_ms = end;
        let kept = store.kept_rows(self.tags.clone(), span).await?;
        if kept.unreadable > 0 {
            return Err(HistoryError { text: hole(&kept, span) });
        }
        Ok(Some(self.scans(&kept)))
    }

    /// Rows put together to scans.
    fn scans(&self, kept: &KeptRows) -> Vec<Scan> {
        let mut scans: Vec<Scan> = Vec::new();
        for row in &kept.rows {
            let samples = kept.samples.get(row.samples.clone()).unwrap_or_default();
            for (place, sample) in samples.iter().enumerate() {
                let source = self.sources.get(sample.signal.index()).copied().unwrap_or(Source::Apart);
                match (source, scans.last_mut()) {
                    // A derived value belongs to the scan before it; without one its page began in the middle.
                    (Source::Derived, Some(scan)) => scan.samples.push(*sample),
                    (Source::Derived, None) => {}
                    (Source::Polled(_) | Source::Apart, Some(scan)) if place > 0 => {
                        scan.samples.push(*sample);
                        scan.brought_words |= came_in_words(sample.reading);
                    }
                    (Source::Polled(_) | Source::Apart, _) => {
                        scans.push(begun(row, *sample, source, samples.len()));
                    }
                }
            }
        }
        scans
    }
}

/// How long a page is, ms: it divides an hour, so that an hour's chunks are not read for more pages than they have.
fn page_ms(line: &Line) -> i64 {
    let an_hour = |signal: &LineSignal| {
        3600.0 / signal.register().map_or(1.0, |register| register.poll_every.as_secs_f64().max(0.01))
    };
    let pages = (line.signals.iter().map(an_hour).sum::<f64>() / PAGE_READINGS).ceil() as i64;
    let fits = |pages: &i64| HOUR_MS % (pages * SECOND_MS) == 0;
    HOUR_MS / (pages.max(1)..=3600).find(fits).unwrap_or(3600)
}

/// Why a page can't be replayed.
fn hole(kept: &KeptRows, span: Span) -> String {
    let time = |utc: UtcMillis| {
        jiff::Timestamp::from_millisecond(utc.0)
            .map_or_else(|_| format!("{} ms", utc.0), |time| time.to_string())
    };
    let of = kept.unreadable_tag.as_ref().map(|tag| format!(", one of them of {tag}")).unwrap_or_default();
    format!(
        "the history from {} to {} can't be read whole: parts that can't be read: {}{of}; see `setward verify`",
        time(span.from()),
        time(span.to()),
        kept.unreadable
    )
}

/// A scan that begins with the first sample of a row, with room for so many.
fn begun(row: &KeptRow, first: Sample, source: Source, room: usize) -> Scan {
    let mut samples = Vec::with_capacity(room);
    samples.push(first);
    Scan {
        run: RunId(row.run),
        controller: match source {
            Source::Polled(controller) => Some(controller),
            Source::Derived | Source::Apart => None,
        },
        at: row.at,
        utc: row.utc,
        samples,
        brought_words: came_in_words(first.reading),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_page_is_an_hour_or_an_even_part_of_one_however_fast_a_line_is_read() {
        let mut line = setward_config::load_demo().unwrap().line;
        assert_eq!(page_ms(&line), HOUR_MS);
        for every_ms in [10, 100, 250] {
            for signal in &mut line.signals {
                if let Origin::Register(register) = &mut signal.origin {
                    register.poll_every = Duration::from_millis(every_ms);
                }
            }
            let page_ms = page_ms(&line);
            let polled = line.signals.iter().filter(|signal| signal.register().is_some()).count();
            let a_second = polled as f64 * 1000.0 / every_ms as f64 + (line.signals.len() - polled) as f64;
            let readings = a_second * page_ms as f64 / 1000.0;
            assert!(HOUR_MS % page_ms == 0 && page_ms % SECOND_MS == 0, "{page_ms} ms");
            assert!(
                readings <= PAGE_READINGS && readings > PAGE_READINGS / 4.0,
                "{readings} of {every_ms} ms"
            );
        }
    }

    #[test]
    fn a_hole_in_the_history_is_told_with_its_time_and_what_to_do() {
        let span = Span::new(UtcMillis(1_767_571_200_000), UtcMillis(1_767_574_800_000)).unwrap();
        let kept =
            KeptRows { unreadable: 2, unreadable_tag: Some("TT-310".to_owned()), ..KeptRows::default() };
        assert_eq!(
            hole(&kept, span),
            "the history from 2026-01-05T00:00:00Z to 2026-01-05T01:00:00Z can't be read whole: parts that can't be read: 2, one of them of TT-310; see `setward verify`"
        );
    }
}
