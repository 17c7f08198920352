//! One scan: the signals of a controller with one poll period, when they are due, and how far the asking has got.
//!
//! What was missed is skipped, and later scans keep their phase.

use super::blocks::{BlockReport, Blocks, Live, Verdict};
use super::link::Link;
use super::plan::ScanPlan;
use super::session::ReadFailure;
use super::{ScanReport, Unit};
use crate::clock::Clock;
use crate::poll::dial::Dial;
use setward_protocol::{ReadRequest, Uptime, UtcMillis};
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// A scan that comes back at its period.
#[derive(Debug)]
pub(super) struct Scan {
    /// Its place in the list of units.
    pub(super) unit: usize,
    poll_every: Duration,
    due: Instant,
    /// By how much scans after the first lag, so that controllers do not answer all at once.
    phase: Duration,
    /// When the last one began.
    began: Option<Instant>,
    skipped: u32,
    blocks: Blocks,
    under_way: Option<UnderWay>,
}

/// A scan that has begun.
#[derive(Debug)]
struct UnderWay {
    began: Instant,
    achieved: Option<Duration>,
    /// When the last answer came.
    stamp: Option<(Uptime, UtcMillis)>,
    requests: u32,
    to_ask: VecDeque<Live>,
    reports: Vec<BlockReport>,
    split: Vec<ReadRequest>,
    /// Why nothing more is asked in this scan: a lost session costs one time limit, not one a block.
    lost: Option<ReadFailure>,
    /// Whether a connection that the other end had closed has been replaced already.
    redialled: bool,
}

impl Scan {
    /// The first is due `now`.
    pub(super) fn new(unit: usize, plan: &ScanPlan, now: Instant) -> Self {
        Self {
            unit,
            poll_every: plan.poll_every,
            due: now,
            phase: plan.phase,
            began: None,
            skipped: 0,
            blocks: Blocks::new(&plan.blocks),
            under_way: None,
        }
    }

    pub(super) const fn is_under_way(&self) -> bool {
        self.under_way.is_some()
    }

    /// From when on it wants to ask something.
    pub(super) fn wants_turn_at(&self) -> Instant {
        self.under_way.as_ref().map_or(self.due, |under_way| under_way.began)
    }

    /// Asks one thing; gives the report when nothing is left to ask.
    pub(super) async fn take_turn<D: Dial>(
        &mut self,
        unit: &mut Unit,
        link: &mut Link<D>,
        clock: Clock,
    ) -> Option<ScanReport> {
        let mut scan = match self.under_way.take() {
            Some(under_way) => under_way,
            None => self.begin(unit, clock.now()),
        };
        let mut has_asked = false;
        while let Some(live) = scan.to_ask.pop_front() {
            if let Some(why) = scan.lost.as_ref().or_else(|| live.resting(scan.began)) {
                scan.reports.push(BlockReport { block: Arc::clone(&live.block), words: Err(why.clone()) });
                self.blocks.keep(live);
            } else if has_asked {
                scan.to_ask.push_front(live);
                self.under_way = Some(scan);
                return None;
            } else {
                has_asked = true;
                self.ask(live, &mut scan, unit, link, clock).await;
            }
        }
        Some(self.end(scan, unit, clock))
    }

    fn begin(&mut self, unit: &Unit, now: Instant) -> UnderWay {
        let achieved = self.began.map(|before| now.duration_since(before));
        self.began = Some(now);
        let to_ask = self.blocks.begin(now);
        UnderWay {
            began: now,
            achieved,
            stamp: None,
            requests: 0,
            reports: Vec::with_capacity(to_ask.len()),
            to_ask,
            split: Vec::new(),
            lost: unit.retry.reason_at(now),
            redialled: false,
        }
    }

    async fn ask<D: Dial>(
        &mut self,
        live: Live,
        scan: &mut UnderWay,
        unit: &Unit,
        link: &mut Link<D>,
        clock: Clock,
    ) {
        let request = live.block.request;
        let proven = link.is_proven();
        let mut words = link.read(&unit.plan, request, &mut scan.requests).await;
        // Some controllers close a connection that rests between slow scans: that is no fault, and reads may be repeated.
        if words == Err(ReadFailure::Broken) && proven && !scan.redialled {
            scan.redialled = true;
            words = link.read(&unit.plan, request, &mut scan.requests).await;
        }
        match &words {
            // The last answer that came dates the scan; a block that times out after it must not.
            Ok(_) => scan.stamp = Some((clock.uptime(), clock.utc())),
            Err(failure) if failure.is_answer() => {}
            Err(failure) => scan.lost = Some(failure.clone()),
        }
        match self.blocks.judge(&live, &words, &unit.plan, clock.now()) {
            Verdict::Split(halves) => {
                scan.split.push(request);
                halves.into_iter().rev().for_each(|half| scan.to_ask.push_front(half));
            }
            Verdict::Report => scan.reports.push(BlockReport { block: live.block, words }),
        }
    }

    fn end(&mut self, scan: UnderWay, unit: &mut Unit, clock: Clock) -> ScanReport {
        let now = clock.now();
        self.blocks.end(now);
        if scan.requests > 0 {
            unit.retry.judge(scan.lost, now);
        }
        let skipped = std::mem::take(&mut self.skipped);
        self.advance(now);
        let (at, utc) = scan.stamp.unwrap_or_else(|| (clock.uptime(), clock.utc()));
        ScanReport {
            controller: unit.plan.controller,
            poll_every: self.poll_every,
            at,
            utc,
            took: now.duration_since(scan.began),
            achieved: scan.achieved,
            skipped,
            requests: scan.requests,
            blocks: scan.reports,
            split: scan.split,
        }
    }

    /// The scan after one that was due and has run: later ones keep their phase, and what was missed is skipped.
    fn advance(&mut self, now: Instant) {
        // Only the first one runs without its phase.
        let phase = std::mem::take(&mut self.phase);
        let every = self.poll_every;
        self.due += every + phase;
        if self.due < now {
            let behind = now.duration_since(self.due).as_nanos() / every.as_nanos().max(1) + 1;
            let behind = u32::try_from(behind).unwrap_or(u32::MAX);
            self.due += every * behind;
            self.skipped = behind;
        }
    }
}
