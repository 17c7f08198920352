//! What is known of each signal: its last reading, late and stale values, slope. And how a scan is decoded.
//!
//! The engine and history get the reading as it is. A page may see a value a few polls longer, marked late.

use super::slope::Slope;
use crate::poll::ScanReport;
use crate::poll::blocks::BlockReport;
use crate::snapshot::SignalView;
use setward_config::line::{Line, LineSignal, Origin, Role};
use setward_protocol::{Doubt, NoData, ReadRequest, Reading, RegisterBlock, SignalId, Uptime, UtcMillis};
use std::time::Duration;

/// A reading as a scan brought it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fresh {
    /// Which signal.
    pub signal: SignalId,
    /// What was read.
    pub reading: Reading,
    /// The words it was read from.
    pub words: [u16; 4],
    /// How many of them mean anything.
    pub word_count: u8,
    /// The moment it stands for.
    pub at: Uptime,
}

/// Every signal of the line.
#[derive(Debug)]
pub struct SignalBook {
    views: Vec<SignalView>,
    slopes: Vec<Slope>,
    heard: Vec<Option<Uptime>>,
    /// How long a value may be shown as late, by signal.
    late_for: Vec<Duration>,
    keeps_slope: Vec<bool>,
}

impl SignalBook {
    /// Nothing polled yet.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let count = line.signals.len();
        Self {
            views: line.signals.iter().map(first_view).collect(),
            slopes: vec![Slope::default(); count],
            heard: vec![None; count],
            late_for: line.signals_with_ids().map(|(id, _)| gone_after(line, id)).collect(),
            keeps_slope: line.signals.iter().map(|signal| signal.role == Role::Measured).collect(),
        }
    }

    /// The views, by signal id, with their slopes: what a page is shown. Slopes are worked out here, because fewer views are
    /// published than samples taken.
    #[must_use]
    pub fn published(&self) -> Vec<SignalView> {
        let with_slope = |(view, slope): (&SignalView, &Slope)| {
            let (slope_per_min, slope_error_per_min) = slope.per_min().unzip();
            SignalView { slope_per_min, slope_error_per_min, ..*view }
        };
        self.views.iter().zip(&self.slopes).map(with_slope).collect()
    }

    /// The good value a signal has now.
    #[must_use]
    pub fn good(&self, id: SignalId) -> Option<f64> {
        self.views.get(id.index())?.reading.good()
    }

    /// Takes a fresh reading into the view of its signal.
    pub fn take(&mut self, fresh: &Fresh, utc: UtcMillis) {
        let at = fresh.at;
        let index = fresh.signal.index();
        let (Some(view), Some(heard), Some(slope)) =
            (self.views.get_mut(index), self.heard.get_mut(index), self.slopes.get_mut(index))
        else {
            return;
        };
        if fresh.word_count > 0 {
            (view.words, view.word_count) = (fresh.words, fresh.word_count);
        }
        match fresh.reading {
            Reading::Good(value) | Reading::Uncertain(value, _) => {
                view.reading = fresh.reading;
                view.last_good = Some((value, utc));
                *heard = Some(at);
                view.at = Some(utc);
            }
            Reading::Bad(why) => {
                view.last_failure = Some((why, utc));
                if !why.is_silence() {
                    // Known bad: what was read before is no longer merely late.
                    *heard = None;
                }
                let late = why.is_silence() && within(*heard, at, self.late_for.get(index));
                match view.last_good.filter(|_| late) {
                    Some((value, _)) => view.reading = Reading::Uncertain(value, Doubt::Late),
                    None => {
                        view.reading = fresh.reading;
                        view.at = Some(utc);
                    }
                }
            }
        }
        if self.keeps_slope.get(index).copied().unwrap_or(false) {
            slope.take(fresh.reading, at);
        }
    }

    /// Marks what has not been heard of for too long. For the case that a controller's reports stop altogether.
    pub fn mark_stale(&mut self, now: Uptime, utc: UtcMillis) {
        for ((view, heard), late_for) in self.views.iter_mut().zip(&self.heard).zip(&self.late_for) {
            let alive = view.reading.value().is_some();
            // Twice the time in which a report of failure would have come: then even those have stopped.
            if alive && heard.is_some_and(|heard| now.since(heard) > *late_for * 2) {
                view.reading = Reading::Bad(NoData::Stale);
                view.last_failure = Some((NoData::Stale, utc));
                view.at = Some(utc);
            }
        }
    }
}

impl Fresh {
    const fn none(signal: SignalId, why: NoData, at: Uptime) -> Self {
        Self { signal, reading: Reading::Bad(why), words: [0; 4], word_count: 0, at }
    }
}

/// As long as the alarms of a signal join two samples: three polls, and the time a reply may take.
fn gone_after(line: &Line, signal: SignalId) -> Duration {
    line.gap_limit(signal)
}

fn within(heard: Option<Uptime>, at: Uptime, late_for: Option<&Duration>) -> bool {
    matches!((heard, late_for), (Some(heard), Some(late_for)) if at.since(heard) <= *late_for)
}

/// What is known of a signal before its first scan. One that is not wired yet is never scanned.
fn first_view(signal: &LineSignal) -> SignalView {
    let why = match signal.origin {
        // Nobody polls it: nothing was entered, or worked out, so far.
        Origin::Entered | Origin::Followed(_) => NoData::TooLittleKnown,
        Origin::Register(_) | Origin::Derived(_) if signal.commissioned => NoData::NotPolled,
        Origin::Register(_) | Origin::Derived(_) => NoData::NotCommissioned,
    };
    SignalView { reading: Reading::Bad(why), ..SignalView::NOT_POLLED }
}

/// The readings of a scan, as its words say them.
#[must_use]
pub fn decode(line: &Line, report: &ScanReport) -> Vec<Fresh> {
    // What is worked out from them comes behind.
    let most = report.blocks.iter().map(|read| read.block.signals.len()).sum::<usize>() + line.belts.len();
    let mut fresh = Vec::with_capacity(most);
    for BlockReport { block, words } in &report.blocks {
        for &(signal, _) in &block.signals {
            fresh.push(match words {
                Ok(words) => decode_one(line, signal, block.request, words, report.at),
                Err(failure) => Fresh::none(signal, failure.no_data(), report.at),
            });
        }
    }
    fresh
}

fn decode_one(line: &Line, signal: SignalId, request: ReadRequest, words: &[u16], at: Uptime) -> Fresh {
    let block = RegisterBlock::new(request.table, request.start, request.count, words);
    let (Ok(block), Some(register)) = (block, line.signal(signal).register()) else {
        return Fresh::none(signal, NoData::NoReply, at);
    };
    let own = register.wire.words(&block).unwrap_or_default();
    let mut kept = [0; 4];
    for (kept, word) in kept.iter_mut().zip(own) {
        *kept = *word;
    }
    let word_count = u8::try_from(own.len()).unwrap_or(0);
    Fresh { signal, reading: register.wire.decode(&block), words: kept, word_count, at }
}
